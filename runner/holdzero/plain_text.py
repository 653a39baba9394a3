"""Texts as a person sees them: what acts or hides in them, and which of two look the same.

Control characters (general category Cc of the Unicode Standard, 4.5) move the cursor of a terminal; format characters
(Cf) turn the direction of writing or take no place. Either way a screen shows something else than what is kept.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

__all__ = ["look_alike", "of_line", "plain", "same_key", "unplain"]

_DOT = "·"
_ACTING = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
# Letters and marks that take no place (Default_Ignorable_Code_Point of the Unicode Standard), beside Cc and Cf.
_NO_PLACE = frozenset(
    "\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u2800\u3164\uffa0"
    + "".join(map(chr, (*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0))))
)
# Joiners and selectors are part of how some languages and signs are written; they do no harm in a free text.
_OF_WRITING = frozenset("\u200c\u200d\xad\ufe0e\ufe0f")


def unplain(text: str, *, free: bool = False) -> str:
    r"""The first character that acts or hides, as its name; empty where there is none.

    Args:
        text: to be looked at.
        free: whether it is a text of sentences: it may have lines, tabs and joiners.

    >>> unplain("A\u202e1"), unplain("A 1"), unplain("a\nb", free=True)
    ('RIGHT-TO-LEFT OVERRIDE (U+202E)', '', '')
    """
    for sign in text:
        if free and (sign in "\n\t" or sign in _OF_WRITING):
            continue
        if _acts(sign) or (sign in _NO_PLACE and not free):
            return f"{unicodedata.name(sign, 'a control character')} (U+{ord(sign):04X})"
    return ""


def _acts(sign: str) -> bool:
    # A blank of another width (Zs) does no harm, nor does a letter that this Python does not know yet (Cn, Co).
    return not sign.isprintable() and unicodedata.category(sign) in _ACTING


def plain(text: str) -> str:
    r"""The text with a dot for each character that acts; lines and tabs stay.

    >>> plain("ok\x1b[2K\rPASS\n")
    'ok·[2K·PASS\n'
    """
    if text.isprintable():
        return text
    return "".join(_DOT if sign not in "\n\t" and _acts(sign) else sign for sign in text)


def of_line(text: str) -> str:
    r"""The same for a text that is one line of many: it can't begin another one.

    >>> of_line("A\nPASS")
    'A·PASS'
    """
    return plain(text).replace("\n", _DOT).replace("\t", " ")


def same_key(text: str) -> str:
    r"""What two spellings of one name have in common: NFKC (Unicode Standard Annex 15), trimmed.

    >>> same_key(" \uff21\uff11 ") == same_key("A1")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", text).split())


# Characters that are read for one another off a part or a screen (common practice, no source): Latin, then Greek and
# Cyrillic small letters, then dashes.
_ALIKE = str.maketrans(
    {
        sign: one
        for one, signs in {
            "0": "o\u03bf\u043e",
            "1": "il|\u0131\u03b9\u0456",
            "a": "\u03b1\u0430",
            "b": "\u03b2\u0432",
            "c": "\u03f2\u0441",
            "e": "\u03b5\u0435",
            "h": "\u043d",
            "k": "\u03ba\u043a",
            "m": "\u043c",
            "n": "\u03b7",
            "p": "\u03c1\u0440",
            "s": "\u0455",
            "t": "\u03c4\u0442",
            "v": "\u03bd\u0475",
            "x": "\u03c7\u0445",
            "y": "\u03c5\u0443",
            "z": "\u03b6",
            "-": "_\u2010\u2011\u2012\u2013\u2014\u2212",
        }.items()
        for sign in signs
    }
)


def look_alike(names: Iterable[str]) -> tuple[str, str] | None:
    """Two of several names that a person could take for one another; None where all look different.

    >>> look_alike(["A10", "B2", "A1O"])
    ('A10', 'A1O')
    """
    seen: dict[str, str] = {}
    for name in dict.fromkeys(names):
        other = seen.setdefault(_look(name), name)
        if other != name:
            return other, name
    return None


def _look(text: str) -> str:
    """Without blanks, joiners and accents, in one case, each character for those that look like it."""
    apart = unicodedata.normalize("NFKD", text).casefold()
    kept = (sign for sign in apart if not (sign.isspace() or _acts(sign) or unicodedata.combining(sign)))
    return "".join(kept).translate(_ALIKE)
