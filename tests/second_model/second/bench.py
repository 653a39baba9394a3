"""What happened at the bench: steps of a routine unrolled, with the answers of a readings file beside them.

Source: `routines/README.md`, the tables of steps: each of `times` is one answer; a `repeat` does its steps so many
times; what was read belongs to the zero before it; a `return` is one more visit to the reference under that zero.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from second.quantities import number_and_unit, quantity

READ_BY = ("zero", "check", "read", "return")


@dataclass(frozen=True)
class Reading:
    """One reading of the comparator.

    Attributes:
        kind: `zero`, `check`, `read` or `return`.
        place: of the part; empty for any other.
        force: contact force [N] where the step names one.
        value: what the dial showed [um].
        time: when [s].
        zero: number of the zero in force, from 1.
        visit: number of the return to the reference under that zero, from 1; 0 for any other reading.
    """

    kind: str
    place: str
    force: float | None
    value: float
    time: float
    zero: int
    visit: int


@dataclass
class Bench:
    """All that was read.

    Attributes:
        readings: of the comparator, in their order.
        temperatures: of `part`, `reference` and `air` [degC].
        soaked: how long part and reference lay beside each other [s]; None where no step says so.
    """

    readings: list[Reading] = field(default_factory=list)
    temperatures: dict[str, list[float]] = field(default_factory=dict)
    soaked: float | None = None

    def under(self, zero: int, kind: str, visit: int = 0) -> list[Reading]:
        """The zeros, or the returns of one visit, of a zero's number."""
        return [item for item in self.readings if (item.zero, item.kind, item.visit) == (zero, kind, visit)]

    def visits(self, zero: int) -> int:
        """How often the reference was read again under a zero."""
        return max((item.visit for item in self.readings if item.zero == zero), default=0)


def unrolled(steps: Sequence[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    """Steps in the order in which they are done."""
    for step in steps:
        if step["do"] == "repeat":
            for _ in range(step["times"]):
                yield from unrolled(step["steps"])
        else:
            yield step


def answers_of(text: str) -> Iterator[tuple[float, str]]:
    """Time [s] and text of each line of a readings file."""
    lines = "".join(line for line in io.StringIO(text) if not line.startswith("#"))
    for row in csv.DictReader(io.StringIO(lines)):
        yield float(row["time"]), row["answer"]


def bench_of(routine: Mapping[str, Any], readings: str) -> Bench:
    """The routine's steps with their answers."""
    comparator, answers = routine["comparator"], answers_of(readings)
    bare = comparator.get("unit") or number_and_unit(comparator["resolution"])[1]
    bench, zero, visit = Bench(), 0, 0
    for step in unrolled(routine["steps"]):
        kind = step["do"]
        if kind == "soak":  # the first step; the next answer ends it where that comes sooner
            first = min((time for time, _ in answers_of(readings)), default=0.0)
            bench.soaked = min(quantity(step["at_least"]), first)
        if kind == "temperature":
            bench.temperatures.setdefault(step["of"], []).append(quantity(next(answers)[1], "degC"))
        if kind not in READ_BY:
            continue
        zero, visit = (zero + 1, 0) if kind == "zero" else (zero, visit + (kind == "return"))
        for _ in range(step.get("times", 1)):
            time, text = next(answers)
            force = quantity(step["force"]) if "force" in step else None
            value, of_visit = quantity(text, bare), visit if kind == "return" else 0
            bench.readings.append(Reading(kind, step.get("at", ""), force, value, time, zero, of_visit))
    if next(answers, None) is not None:
        raise ValueError("more answers than steps")
    return bench
