"""Large digits from block characters, readable at arm's length."""

from __future__ import annotations

__all__ = ["large"]

_GLYPHS = {
    "0": ("███", "█ █", "█ █", "█ █", "███"),
    "1": (" █ ", "██ ", " █ ", " █ ", "███"),
    "2": ("███", "  █", "███", "█  ", "███"),
    "3": ("███", "  █", "███", "  █", "███"),
    "4": ("█ █", "█ █", "███", "  █", "  █"),
    "5": ("███", "█  ", "███", "  █", "███"),
    "6": ("███", "█  ", "███", "█ █", "███"),
    "7": ("███", "  █", "  █", "  █", "  █"),
    "8": ("███", "█ █", "███", "█ █", "███"),
    "9": ("███", "█ █", "███", "  █", "███"),
    "+": ("   ", " █ ", "███", " █ ", "   "),
    "-": ("   ", "   ", "███", "   ", "   "),
    ".": (" ", " ", " ", " ", "█"),
}
_HEIGHT = 5


def large(text: str) -> list[str]:
    r"""Five lines that show `text`; signs that have no large form are left out.

    >>> print("\n".join(line.rstrip() for line in large("1")))
     █
    ██
     █
     █
    ███
    """
    glyphs = [_GLYPHS[sign] for sign in text.replace("−", "-") if sign in _GLYPHS]
    return [" ".join(glyph[row] for glyph in glyphs) for row in range(_HEIGHT)]
