"""`new routine`: ask for what a routine needs, write it, look at it with the loader, and say what comes next."""

from __future__ import annotations

import re
import shlex
import sys
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TypeAlias

from rich.console import Console

from holdzero.cli.house import Shop, open_shop
from holdzero.cli.lines import Lines
from holdzero.cli.output import plain_console, tell
from holdzero.cli.routines import validate_routines
from holdzero.errors import HoldzeroError
from holdzero.starting.answers import Answers, answers_of, fill
from holdzero.starting.checked import DESCRIBED, NONE, REQUIRED, Known
from holdzero.starting.interview import BACK, EXPLAIN, Interview
from holdzero.starting.routine_text import routine_text

__all__ = ["new_routine"]

_INTERRUPTED = 4


def new_routine(path: Path | None, given: Mapping[str, str], named: Path | None) -> int:
    """Write a routine that was asked for; gives the exit code.

    Args:
        path: of the file, which must not exist; None to be offered a name.
        given: answers by option.
        named: the shop's file, where the user named one.

    Raises:
        HoldzeroError: the file can't be written, or answers are missing or wrong and nobody can be asked.
    """
    if path is not None:
        _is_free(path)
    shop = open_shop(named)
    known = _known(shop)
    try:
        path, said, assumed = _asked(path, given, known) if sys.stdin.isatty() else _told(path, given, known)
    except (EOFError, KeyboardInterrupt):
        tell("\nholdzero: stopped by the keyboard; nothing is written")
        return _INTERRUPTED
    answers = answers_of(said, assumed, known)
    _write(path, routine_text(answers))
    code = validate_routines([path], named)
    console = plain_console(stderr=False)
    _tell_assumed(console, said, assumed)
    _tell_next(console, path, answers, named)
    return code


Whole: TypeAlias = tuple[Path, Mapping[str, str], frozenset[str]]


def _told(path: Path | None, given: Mapping[str, str], known: Known) -> Whole:
    """All from options: nobody can be asked."""
    if path is None:
        raise HoldzeroError("nobody can be asked here: name the file to write, holdzero new routine FILE.toml")
    said, assumed = fill(given, known)
    return path, said, assumed


def _asked(path: Path | None, given: Mapping[str, str], known: Known) -> Whole:
    """From options and the person at the terminal, who sees all of it before it counts."""
    person = _Person(plain_console(stderr=False))
    interview = Interview(given=given, known=known, person=person)
    said, _ = interview.fill()
    file = path if path is not None else _named_file(person, said["part"])
    said, assumed = interview.reviewed(str(file))
    return file, said, assumed


def _named_file(person: _Person, part: str) -> Path:
    """A file that is not there yet; offered is one after the part number."""
    offered = _name_after(part)
    while True:
        typed = person.ask("File to write", "", offered).strip()
        path = Path(typed or offered)
        if not path.suffix:
            path = path.with_name(f"{path.name}.toml")
        try:
            _is_free(path)
        except HoldzeroError as error:
            person.refuse(str(error))
        else:
            return path


def _name_after(part: str) -> str:
    """A name for the file that is not taken."""
    plain = re.sub(r"[^a-z0-9]+", "-", part.lower()).strip("-")[:_LONGEST_NAME] or "routine"
    names = (f"{plain}.toml", *(f"{plain}-{number}.toml" for number in range(2, 100)))
    return next((name for name in names if not Path(name).exists()), names[0])


_LONGEST_NAME = 60


def _is_free(path: Path) -> None:
    if path.suffix != ".toml":
        raise HoldzeroError(f"{path}: name a file that ends in .toml")
    try:
        there = path.exists()
    except (OSError, ValueError):  # a name that no file system takes
        raise HoldzeroError(f"{path}: no file can have this name; name another") from None
    if there:
        raise HoldzeroError(f"{path}: it is there already, and is not written over; name another file")


def _known(shop: Shop) -> Known:
    data = shop.register.data
    materials = shop.catalogue.materials.items()
    return Known(
        references=data.get("reference", {}),
        comparators=data.get("comparator", {}),
        materials=tuple(name for name, (_, material) in materials if material.expansion is not None),
    )


class _Person:
    """Whoever sits at the terminal."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.lines = Lines()
        console.print(f"Enter takes what stands in [brackets]. {EXPLAIN} explains a question, {BACK} goes one back.")
        console.print("Nothing is written before you have seen all of it; Ctrl-C stops.")
        console.print()

    def ask(self, words: str, hint: str, default: str | None) -> str:
        """What is typed after a question; a long hint stands above it."""
        # What Enter does in place of a default stands in the hint.
        shown = f" [{default}]" if default and default not in (DESCRIBED, NONE) else ""
        line = f"{words}; {hint}{shown}: " if hint else f"{words}{shown}: "
        if hint and len(line) > _ROOM:
            self.tell(f"({hint})")
            line = f"{words}{shown}: "
        self.console.print(line, end="", soft_wrap=True)
        return self.lines.line() or ""

    def refuse(self, reason: str) -> None:
        """Why an answer was not taken."""
        self.tell(f"Not taken: {reason}.")

    def tell(self, words: str) -> None:
        """Something to read, folded between words and set in."""
        folded = textwrap.wrap(words, _ROOM, initial_indent="  ", subsequent_indent="  ", break_long_words=False)
        self.console.print("\n".join(folded), soft_wrap=True)


_ROOM = 78  # signs a line, on the narrowest screen that is usual


def _write(path: Path, text: str) -> None:
    """Write a file that is not there; what is half written is taken away."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = path.open("x", encoding="utf-8", newline="\n")
    except OSError as error:
        raise HoldzeroError(f"{path}: can't be written: {error.strerror}") from None
    try:
        with file:
            file.write(text)
    except OSError as error:
        path.unlink(missing_ok=True)
        raise HoldzeroError(f"{path}: can't be written: {error.strerror}; nothing is left of it") from None


_WORTH_A_LOOK = ("soak", "temperature", "temperature_within", "difference_within")


def _tell_assumed(console: Console, said: Mapping[str, str], assumed: frozenset[str]) -> None:
    told = ", ".join(f"{name.replace('_', ' ')} {said[name]}" for name in _WORTH_A_LOOK if name in assumed)
    if told:
        console.print(f"Assumed, as nobody said otherwise: {told}.")


def _tell_next(console: Console, path: Path, answers: Answers, named: Path | None) -> None:
    shop = f" --shop {shlex.quote(str(named))}" if named is not None else ""
    required = " --reference ID" if answers.reference.origin == REQUIRED else ""
    file = shlex.quote(str(path))
    console.print()
    console.print("Go through the lines that say LOOK, then:")
    console.print(f"  holdzero validate {file}{shop}", soft_wrap=True)
    console.print(f"  holdzero budget {file}{shop}{required}", soft_wrap=True)
    console.print(f"  holdzero rehearse {file}{shop}{required}", soft_wrap=True)
    console.print(f"  holdzero run {file}{shop}{required} --trial", soft_wrap=True)
