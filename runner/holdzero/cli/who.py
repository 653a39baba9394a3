"""Who measures what: the names that a run is given, before it begins."""

from __future__ import annotations

from collections.abc import Callable

from holdzero.cli.output import tell
from holdzero.errors import HoldzeroError
from holdzero.plain_text import look_alike, same_key, unplain

__all__ = ["kept_name", "kept_serials", "plain_options", "told_apart", "who"]


def plain_options(**options: str | None) -> None:
    """Refuse a text that would show something else than it says, or that no file could hold.

    Raises:
        HoldzeroError: names the option and the character.
    """
    for name, text in options.items():
        if found := unplain(text or ""):
            mend = "type it again, by hand, without control, format and invisible characters"
            raise HoldzeroError(f"--{name}: {text!a:.200} holds {found}\n    {mend}")


def kept_name(option: str, text: str | None) -> str | None:
    """A serial or a name as it is kept: as it was typed, trimmed.

    Raises:
        HoldzeroError: it holds what acts or hides.
    """
    plain_options(**{option: text})
    return text.strip() if text is not None else None


def kept_serials(serials: tuple[str, ...]) -> tuple[str, ...]:
    """The serials of a batch as they are kept: trimmed; compared in the Unicode normal form NFKC.

    Raises:
        HoldzeroError: one holds what acts or hides, is empty, or stands there twice.
    """
    kept = [kept_name("serial", serial) or "" for serial in serials]
    for index, serial in enumerate(kept):
        if not serial:
            raise HoldzeroError("--serial: found an empty text; write what is marked on the part, or leave it out")
        if same_key(serial) in map(same_key, kept[:index]):
            raise HoldzeroError(f"--serial: {serial} is given twice; each part of a batch needs a serial of its own")
    return tuple(kept)


def who(
    ask: Callable[[str], str], operator: str | None, serials: tuple[str, ...], *, batch: bool
) -> tuple[str | None, tuple[str, ...]]:
    """Ask for what a record should have and the options did not give."""
    if operator is None:
        operator = ask("Who measures? ") or None
        plain_options(operator=operator)
    if not serials:
        several = "several: with commas; " if batch else ""
        said = ask(f"Serial of the part ({several}Enter alone: none): ")
        words = said.split(",") if batch else [said]
        serials = kept_serials(tuple(word.strip() for word in words if word.strip()))
    return operator, serials


def told_apart(serials: tuple[str, ...], ask: Callable[[str], str] | None) -> None:
    """Ask about two serials of a batch that look alike; where nobody sits there, say so and go on.

    Raises:
        HoldzeroError: they are not two parts.
    """
    alike = look_alike(serials)
    if alike is None:
        return
    words = f"the serials {alike[0]} and {alike[1]} look alike"
    if ask is None:
        tell(f"holdzero: {words}; if that is one part, its readings are kept as those of two")
    elif ask(f"Look again: {words}. Are they two parts? (y, or Enter alone: no) ").strip().lower() not in ("y", "yes"):
        raise HoldzeroError(f"{words}, and were not said to be two parts; begin again with what is marked on them")
