"""What repeats tell: the standard deviation of a single reading, and what a characteristic has of it.

A zero, a reading of the part and a return are single readings of one comparator, with one standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from holdzero.hooks import (
    CharacteristicView,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    f_quantile,
    mean,
    stack,
)

HISTORY_PROBABILITY = 0.99  # of the F-test, as for a check standard (e-Handbook 2.3.5.1)


Place: TypeAlias = tuple[str | None, float | None]
"""A place of the part and the force at which it was read [N]."""


class Pooled(Settings):
    """`pooled`: what is known of the scatter from before."""

    standard: Size = Field(description="Standard deviation.")
    dof: float = Field(ge=1.0, description="Its degrees of freedom.")
    of: Literal["readings", "differences"] = Field(
        description="`readings`: of a single reading; `differences`: of a reading less a zero of its own."
    )


class RepeatabilitySettings(Settings):
    """`[checks.repeatability]`."""

    limit: Size | None = Field(None, description="Largest standard deviation of a single reading that will do.")
    pooled: Pooled | None = Field(None, description="Scatter known from before; used in place of the run's own.")
    history: bool = Field(
        True,
        strict=True,
        description="Whether the scatter that the book knows of this comparator is pooled with the run's own.",
    )

    @model_validator(mode="before")
    @classmethod
    def _of_older_records(cls, table: Any) -> Any:
        """Read a record whose routine has keys of before; a routine that has them is refused (`_tables`)."""
        return {key: table[key] for key in table if key not in GONE} if isinstance(table, dict) else table


GONE = {
    "outlier_significance": "the level of a test that is no longer made (an outlier is told by the scatter that is "
    "known, in at most 1 % of sound runs)",
}
"""Keys that routines had before, and what became of them."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviation of a single reading [um], its degrees of freedom [1], and where it comes from."""

    s_um: Number
    dof: Number
    origin: str


def alike(readings: Iterable[Reading]) -> list[list[Reading]]:
    """Readings of the part that should be alike: one place, one force, one zero."""
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for r in readings:
        groups.setdefault((r.zero, r.slot.serial, r.slot.place, r.slot.force_N), []).append(r)
    return list(groups.values())


def spread_of(settings: RepeatabilitySettings, run: RunView, c: CharacteristicView) -> Spread:
    """The scatter that a characteristic is given: stated by the routine, by a design, or the run's own.

    Source: JCGM 100:2008, 4.2.4 (pooled), H.1.3.2 (differences).
    """
    if settings.pooled is not None:
        known = settings.pooled
        lifts = mean([float(len(run.zeros(number))) for number in c.zero_weights()])
        of_difference = np.sqrt(1.0 + 1.0 / lifts) if known.of == "differences" else 1.0
        stated = "of readings" if known.of == "readings" else f"{run.length(known.standard)} of differences"
        return Spread(plain(known.standard / of_difference), known.dof, f"pooled in the routine, {stated}")
    if c.scatter is not None:
        return Spread(*c.scatter, "as the check of the design gives it")
    if own_zeros(c):
        return Spread(*_of_rounds(run, c), "from how the rounds of this run differ")
    return Spread(*_with_history(settings, run))


def own_zeros(c: CharacteristicView) -> bool:
    """Whether every reading of a place has a zero of its own, so that whole rounds are what repeats."""
    zeros = {r.zero for r in c.readings}
    return len(zeros) > 1 and all(len(group) == 1 for group in alike(c.readings))


@dataclass(frozen=True, slots=True)
class _Round:
    """What the readings under one zero come to [um], and its variance in units of that of a single reading [1]."""

    value_um: Number
    variance: Number


def _of_rounds(run: RunView, c: CharacteristicView) -> tuple[Number, Number]:
    """Standard deviation of a single reading [um] and its degrees of freedom, from rounds that each have a zero.

    Readings of one round share their zero and so are not independent of each other; what whole rounds come to is.

    Source: JCGM 100:2008, 4.2.2 eq. (4) of independent observations; 5.1.2 eq. (10) for how many times as wide a
    round is as a single reading.
    """
    weights: dict[Place, Number] = {}
    for r, weight in zip(c.readings, c.weights, strict=True):
        key = (r.slot.place, r.slot.force_N)
        weights[key] = weights.get(key, 0.0) + weight
    rounds: dict[tuple[Place, ...], list[_Round]] = {}
    by_zero: dict[int, dict[Place, Reading]] = {}
    for r in c.readings:
        by_zero.setdefault(r.zero, {})[r.slot.place, r.slot.force_N] = r
    for number, under in by_zero.items():
        rounds.setdefault(tuple(under), []).append(_round(run, number, under, weights))
    squares: Number = 0.0
    dof: Number = 0.0
    for group in rounds.values():
        values = stack([item.value_um for item in group])
        summed = np.square(values - values.mean(axis=-1, keepdims=True)).sum(axis=-1)
        variance = mean([item.variance for item in group])
        # Places that a variation does not pick tell nothing of it.
        told = np.greater(variance, 0.0)
        squares = squares + np.divide(summed, variance, out=np.zeros(np.shape(summed)), where=told)
        dof = dof + (len(group) - 1.0) * told
    s = np.sqrt(np.divide(squares, dof, out=np.zeros(np.broadcast(squares, dof).shape), where=np.greater(dof, 0.0)))
    return plain(s), plain(_one(dof))


def _round(run: RunView, number: int, under: dict[Place, Reading], weights: dict[Place, Number]) -> _Round:
    # A place that has rounds to itself tells how a single difference scatters, whatever its weight.
    own = weights if len(under) > 1 else dict.fromkeys(under, 1.0)
    value: Number = 0.0
    common: Number = 0.0
    alone: Number = 0.0
    for key, reading in under.items():
        value = value + own[key] * run.difference_um(reading)
        common = common + own[key]
        alone = alone + np.square(own[key])
    return _Round(value, alone + np.square(common) / len(run.zeros(number)))


def _one(dof: Number) -> Number:
    """One number where all runs have the same."""
    return dof if np.ndim(dof) and np.ptp(dof) else float(np.max(dof))


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """Scatter of a single reading that is known from before.

    Attributes:
        standard_um: standard deviation [um].
        dof: its degrees of freedom [1].
        origin: where it comes from, in words.
        probability: of the F-test that the run's own must stand [1]; None where it counts in any case.
    """

    standard_um: float
    dof: float
    origin: str
    probability: float | None

    def exceeded_by(self, s_um: Number, dof: float) -> bool | NDArray[np.bool_]:
        """Whether readings scatter more than is known from before.

        Source: F-test of two variances, NIST/SEMATECH e-Handbook, 1.3.5.9 and 2.3.5.1.
        """
        if self.probability is None or dof == 0.0:
            return False
        return np.square(s_um) > f_quantile(self.probability, dof, self.dof) * self.standard_um**2


def accepted_of(settings: RepeatabilitySettings, run: RunView) -> Accepted | None:
    """Scatter of a single reading that is known from before: as the routine states it, else the book; None if neither.

    Source: JCGM 100:2008, H.1.3.2 (differences).
    """
    known = settings.pooled
    if known is None:
        return _of_the_book(run) if settings.history else None
    lifts = mean([float(len(run.zeros(r.zero)) or 1) for r in run.of_kind(SlotKind.READ)] or [1.0])
    of_difference = math.sqrt(1.0 + 1.0 / float(lifts)) if known.of == "differences" else 1.0
    standard_um = known.standard / of_difference
    return Accepted(standard_um=standard_um, dof=known.dof, origin="pooled in the routine", probability=None)


def _of_the_book(run: RunView) -> Accepted | None:
    history = run.history
    if history is None or not history.scatter_um:
        return None
    origin = f"{history.runs} earlier runs of {history.comparator or 'this comparator'}"
    return Accepted(standard_um=history.scatter_um, dof=history.dof, origin=origin, probability=HISTORY_PROBABILITY)


def larger_than_before(run: RunView) -> bool | NDArray[np.bool_]:
    """Whether the run scatters more than the book knows of the comparator."""
    known = _of_the_book(run)
    return known is not None and known.exceeded_by(*run.scatter_um)


def _with_history(settings: RepeatabilitySettings, run: RunView) -> tuple[Number, float, str]:
    """Scatter of a single reading [um], its degrees of freedom [1] and where it comes from.

    Source: JCGM 100:2008, 4.2.4 (pooled estimate).
    """
    history, (s, dof) = run.history, run.scatter_um
    own = "of single readings in this run"
    if history is None or history.scatter_um is None or not settings.history:
        return s, dof, own
    both = dof + history.dof
    pooled = np.sqrt((dof * np.square(s) + history.dof * history.scatter_um**2) / both)
    larger = larger_than_before(run)
    if np.all(larger):
        return s, dof, own
    origin = f"of this run pooled with {history.runs} earlier runs of {history.comparator or 'this comparator'}"
    if not np.any(larger):
        return plain(pooled), both, origin
    # In a rehearsal some runs are told from the past and some are not: fewer degrees of freedom for all.
    return np.where(larger, s, pooled), dof, origin


def plain(number: Number) -> Number:
    """A float where it is one number; the array of a rehearsal as it is."""
    return number if np.ndim(number) else float(number)


def root_sum_square(numbers: Sequence[Number]) -> Number:
    """Root of the sum of the squares of some numbers, in their unit."""
    return np.sqrt(sum((np.square(number) for number in numbers), start=np.float64(0.0)))
