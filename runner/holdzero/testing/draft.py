"""Routine texts made piece by piece, from one that is valid."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = ["GOOD", "PLAIN", "Draft"]

# One place, one zero, one return; no temperature, so that a test adds only what it is about.
PLAIN = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
name = "Block 5 mm"
size = "5 mm"
deviation = "0 um"
material = "steel"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.thickness]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = 3
steps = [ { do = "read", at = "a" } ]

[[steps]]
do = "return"

[[steps]]
do = "compare"
"""
"""A routine that is valid, and as short as one can be."""

GOOD = ("0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0")
"""Answers that `PLAIN` passes with: the value is 1.0 um."""

_READING = frozenset({"zero", "check", "read", "repeat", "return", "compare"})


@dataclass(frozen=True)
class Draft:
    """A routine that is being written; it starts as `PLAIN`, and every method gives another one.

    A key that is a word of Python's is written with `_` behind it: `from_="b"`.

    >>> Draft().with_table("comparator", resolution="1 um").tables["comparator"]
    {'resolution': '1 um', 'travel': '50 um'}

    Attributes:
        tables: as a TOML parser gives them.
    """

    tables: Mapping[str, Any] = field(default_factory=lambda: tomllib.loads(PLAIN))

    @classmethod
    def of(cls, text: str) -> Draft:
        """A draft that starts as another routine."""
        return cls(tomllib.loads(text))

    @property
    def text(self) -> str:
        """The routine as a file holds it."""
        import tomli_w

        return tomli_w.dumps(dict(self.tables))

    def with_check(self, name: str, /, **keys: Any) -> Draft:
        """With the table `[checks.NAME]`, and these keys in it."""
        return self.with_table(f"checks.{name}", **keys)

    def with_characteristic(self, name: str, /, **keys: Any) -> Draft:
        """With the table `[characteristics.NAME]`, and these keys in it."""
        return self.with_table(f"characteristics.{name}", **keys)

    def with_table(self, name: str, /, **keys: Any) -> Draft:
        """With these keys in a table, besides those that it has; a point in the name goes a table deeper."""
        made = _copied(self.tables)
        table = made
        for word in name.split("."):
            table = table.setdefault(word, {})
        table.update(_named(keys))
        return Draft(made)

    def without_table(self, name: str, /) -> Draft:
        """Without a table, or without one key of it: `without_table("comparator.travel")`."""
        made = _copied(self.tables)
        table = made
        *outer, last = name.split(".")
        for word in outer:
            table = table[word]
        del table[last]
        return Draft(made)

    def with_step(self, do: str, *, index: int | None = None, **keys: Any) -> Draft:
        """With one more step.

        Args:
            do: kind of step.
            index: before which step; before the first that reads if None.
            keys: of the step.
        """
        made = _copied(self.tables)
        steps = made["steps"]
        place = index
        if place is None:
            place = next((number for number, step in enumerate(steps) if step["do"] in _READING), len(steps))
        steps.insert(place, {"do": do, **_named(keys)})
        return Draft(made)

    def with_steps(self, *steps: Mapping[str, Any]) -> Draft:
        """With these steps in place of all that it has."""
        return Draft({**_copied(self.tables), "steps": [dict(step) for step in steps]})


def _copied(tables: Mapping[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(dict(tables))


def _named(keys: Mapping[str, Any]) -> dict[str, Any]:
    return {key.removesuffix("_"): item for key, item in keys.items()}
