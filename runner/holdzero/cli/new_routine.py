"""`new routine`: ask for what a routine needs, write it, look at it with the loader, and say what comes next."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Mapping
from pathlib import Path

from rich.console import Console

from holdzero.cli.house import Shop, open_shop
from holdzero.cli.lines import Lines
from holdzero.cli.output import plain_console, tell
from holdzero.cli.routines import validate_routines
from holdzero.errors import HoldzeroError
from holdzero.starting.answers import Answers, answers_of, fill
from holdzero.starting.checked import REQUIRED, Known
from holdzero.starting.questions import Question
from holdzero.starting.routine_text import routine_text

__all__ = ["new_routine"]

_INTERRUPTED = 4


def new_routine(path: Path, given: Mapping[str, str], named: Path | None) -> int:
    """Write a routine that was asked for; gives the exit code.

    Args:
        path: of the file, which must not exist.
        given: answers by option.
        named: the shop's file, where the user named one.

    Raises:
        HoldzeroError: the file can't be written, or answers are missing or wrong and nobody can be asked.
    """
    _is_free(path)
    shop = open_shop(named)
    known = _known(shop)
    person = _Person(plain_console(stderr=False)) if sys.stdin.isatty() else None
    try:
        said, assumed = fill(given, known, person.ask if person else None, person.refuse if person else _nobody)
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


def _is_free(path: Path) -> None:
    if path.suffix != ".toml":
        raise HoldzeroError(f"{path}: name a file that ends in .toml")
    if path.exists():
        raise HoldzeroError(f"{path}: it is there already, and is not written over; name another file")


def _known(shop: Shop) -> Known:
    data = shop.register.data
    materials = shop.catalogue.materials.items()
    return Known(
        references=data.get("reference", {}),
        comparators=data.get("comparator", {}),
        materials=tuple(name for name, (_, material) in materials if material.expansion is not None),
    )


def _nobody(reason: str) -> None:
    """Nobody is told: what is wrong is raised."""
    del reason


class _Person:
    """Whoever sits at the terminal."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.lines = Lines()
        console.print("Enter alone takes what stands in [brackets]. Until the end nothing is written; Ctrl-C: stop.")
        console.print()

    def ask(self, question: Question, hint: str, default: str | None) -> str:
        """What is typed after a question."""
        told = f" ({hint})" if hint else ""
        self.console.print(f"{question.words}{told}{f' [{default}]' if default else ''}: ", end="", soft_wrap=True)
        return self.lines.line() or ""

    def refuse(self, reason: str) -> None:
        """Why an answer was not taken."""
        self.console.print(f"  Not taken: {reason}.")


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
    console.print(f"  holdzero run {file}{shop}{required}", soft_wrap=True)
