"""A regular expression matched in bounded time, whatever the pattern and the line.

The library's own matcher tries each way through a pattern anew: `(a+)+` against thirty letters that do not fit takes
minutes, and nothing can break in. Here a place of the pattern that failed at a place of the line is not tried there
again, so that a line costs at most (places of the pattern) x (places of the line), and both have a limit. What would
need more, backward references and looks around, is refused when the profile is loaded.

The same ways are tried in the same order as the library's, so that groups hold the same text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from importlib import import_module
from typing import Any, TypeAlias

__all__ = ["Pattern", "PatternError"]

_MOST = 500  # places of a pattern; those of instruments have some tens
_parser: Any = import_module("re._parser")
_compiler: Any = import_module("re._compiler")

_ONE = frozenset({"LITERAL", "NOT_LITERAL", "ANY", "IN"})
_NOT_HERE = {
    "ASSERT": "a look ahead or behind",
    "ASSERT_NOT": "a look ahead or behind",
    "GROUPREF": "a backward reference",
    "GROUPREF_EXISTS": "a choice by an earlier group",
    "ATOMIC_GROUP": "an atomic group",
    "POSSESSIVE_REPEAT": "a possessive repeat",
}
_Saved: TypeAlias = "tuple[int, int, _Saved] | None"
_Place: TypeAlias = "tuple[str, Any, Any]"


class PatternError(ValueError):
    """A pattern that can't be matched in bounded time."""


class Pattern:
    """A compiled pattern.

    >>> found = Pattern("(?P<sign>[+-]?)(?P<number>[0-9]+)").fullmatch("-12")
    >>> found == {"sign": "-", "number": "12"}
    True

    Args:
        text: as of Python's `re`.

    Raises:
        PatternError: it needs what can't be done in bounded time, or is too long.
        re.error: it is no pattern.
    """

    def __init__(self, text: str) -> None:
        compiled = re.compile(text)
        parsed = _parser.parse(text)
        self._groups = dict(compiled.groupindex)
        self._state = parsed.state
        self._places: list[_Place] = []
        self._all(parsed, compiled.flags)
        self._add("end")

    def fullmatch(self, text: str) -> dict[str, str] | None:
        """The named groups where the whole text matches, empty for those that took no part; None where it does not."""
        places, failed = self._places, set()
        stack: list[tuple[int, int, _Saved]] = [(0, 0, None)]
        while stack:
            place, at, saved = stack.pop()
            while (place, at) not in failed:
                failed.add((place, at))
                kind, one, other = places[place]
                place += 1
                if kind == "fits":
                    if not one(text, at):
                        break
                    at += other
                elif kind == "ways":
                    stack.append((other, at, saved))
                    place = one
                elif kind == "go":
                    place = one
                elif kind == "save":
                    saved = (one, at, saved)
                elif at == len(text):
                    return self._named(text, saved)
                else:
                    break
        return None

    def _named(self, text: str, saved: _Saved) -> dict[str, str]:
        ends: dict[int, int] = {}
        while saved is not None:
            slot, at, saved = saved
            ends.setdefault(slot, at)
        return {name: text[ends.get(2 * n, 0) : ends.get(2 * n + 1, 0)] for name, n in self._groups.items()}

    def _add(self, kind: str, one: Any = None, other: Any = None) -> int:
        if len(self._places) >= _MOST:
            raise PatternError(f"it has more than {_MOST} places, repeats counted out: shorten it")
        self._places.append((kind, one, other))
        return len(self._places) - 1

    def _all(self, parts: Iterable[tuple[Any, Any]], flags: int) -> None:
        for op, said in parts:
            name = str(op)
            if name in _NOT_HERE:
                raise PatternError(f"it has {_NOT_HERE[name]}, which may take without end: write it without")
            if name in _ONE:
                self._add("fits", _of_one(self._single(op, said, flags)), 1)
            elif name == "AT":
                self._add("fits", _looking(self._single(op, said, flags)), 0)
            elif name == "BRANCH":
                self._branch(said[1], flags)
            elif name == "SUBPATTERN":
                group, more, less, inner = said
                self._group(group, inner, (flags | more) & ~less)
            elif name in ("MAX_REPEAT", "MIN_REPEAT"):
                least, most, inner = said
                self._repeat(least, most, inner, flags, greedy=name == "MAX_REPEAT")
            else:
                raise PatternError(f"it has {name.lower()}, which is not known here: write it without")

    def _single(self, op: Any, said: Any, flags: int) -> re.Pattern[str]:
        made: re.Pattern[str] = _compiler.compile(_parser.SubPattern(self._state, [(op, said)]), flags)
        return made

    def _group(self, group: int | None, inner: Any, flags: int) -> None:
        if group is None:
            self._all(inner, flags)
            return
        self._add("save", 2 * group)
        self._all(inner, flags)
        self._add("save", 2 * group + 1)

    def _branch(self, ways: list[Any], flags: int) -> None:
        leaps = []
        for number, way in enumerate(ways):
            if number == len(ways) - 1:
                self._all(way, flags)
                break
            fork = self._add("ways")
            self._all(way, flags)
            leaps.append(self._add("go"))
            self._places[fork] = ("ways", fork + 1, len(self._places))
        for leap in leaps:
            self._places[leap] = ("go", len(self._places), None)

    def _repeat(self, least: int, most: Any, inner: Any, flags: int, *, greedy: bool) -> None:
        for _ in range(least):
            self._all(inner, flags)
        forks = []
        without_end = most is _parser.MAXREPEAT
        for _ in range(1 if without_end else most - least):
            forks.append(self._add("ways"))
            self._all(inner, flags)
        if without_end:
            self._add("go", forks[0])
        for fork in forks:
            first, second = (fork + 1, len(self._places)) if greedy else (len(self._places), fork + 1)
            self._places[fork] = ("ways", first, second)


def _of_one(pattern: re.Pattern[str]) -> Callable[[str, int], bool]:
    """Whether a character fits; what was asked once is known, but no more than a line's characters are."""
    known: dict[str, bool] = {}

    def fits(text: str, at: int) -> bool:
        sign = text[at : at + 1]
        if sign not in known:
            if len(known) > _MOST:
                known.clear()
            known[sign] = pattern.fullmatch(sign) is not None
        return known[sign]

    return fits


def _looking(pattern: re.Pattern[str]) -> Callable[[str, int], bool]:
    return lambda text, at: pattern.match(text, at) is not None
