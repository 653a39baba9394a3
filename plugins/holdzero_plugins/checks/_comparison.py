"""What readings are to `[checks.drift]`: its settings, the solved design of a characteristic, and its scatter."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    Characteristic,
    CharacteristicView,
    LengthEstimate,
    Measure,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    stack,
)
from holdzero_plugins.checks._designs import Array, DesignError, Solution, f_quantile, half_steps, solved

F_PROBABILITY = 0.99  # test of the scatter, NIST Monograph 180, 4.4.2 (from memory)
_ORTHOGONAL = 1e-9  # cosine between a column of the design and the drift that counts as none


class Accepted(Settings):
    """`accepted`: what is known of the scatter within a run from the runs before."""

    standard: Size = Field(
        description="Standard deviation: of a single reading for `linear`, of a difference for `pairs`."
    )
    dof: float = Field(ge=1.0, description="Its degrees of freedom.")


class CheckPlace(Settings):
    """`check`: a block of the comparison whose difference is known from the runs before."""

    place: str = Field(description="Its place.")
    against: str | None = Field(
        None, description="Place that it is compared with; where left out, the other places of `from`."
    )
    value: LengthEstimate = Field(description="Accepted difference, with its uncertainty from run to run.")


class DriftSettings(Settings):
    """`[checks.drift]`."""

    design: Literal["linear", "pairs"] = Field(
        "linear",
        description="`linear`: single readings, evenly spaced, drift by reading; `pairs`: two readings make a "
        "difference, first less second, drift by difference.",
    )
    bias: bool = Field(
        False,
        description="For `pairs`: take out what all differences share too, a bias between left and right "
        "or a steady drift from the first reading to the second.",
    )
    accepted: Accepted | None = Field(
        None,
        description="Accepted scatter: where the F-test (99 %) finds no more in the run, it counts in place of what "
        "the design leaves over.",
    )
    check: CheckPlace | None = Field(None, description="Check standard within the design.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A solved design of one characteristic.

    Attributes:
        places: the items, in the order of the columns.
        readings: in the order in which they make observations.
        observations: readings, or differences of pairs [um], last axis.
        solution: what least squares makes of them.
        drift: weights of the drift for each half step [1].
        slanted: whether the design's order is not orthogonal to the drift.
        pairs: whether an observation is a difference.
    """

    places: tuple[str, ...]
    readings: tuple[Reading, ...]
    observations: Array
    solution: Solution
    drift: Array
    slanted: bool
    pairs: bool

    def row(self, at: Iterable[str], base: Iterable[str]) -> Array:
        """Weights of the observations in mean(at) − mean(base) [1]."""
        upper = np.mean([self.solution.items[self.places.index(p)] for p in at], axis=0)
        lower = np.mean([self.solution.items[self.places.index(p)] for p in base], axis=0)
        row: Array = upper - lower
        return row


def is_of_the_design(spec: Characteristic) -> bool:
    """Whether a design weighs a characteristic: a size or step, with the mean of its places."""
    weighed = spec.base is not None and spec.measure is not Measure.VARIATION and spec.of.value == "mean"
    return weighed and not spec.at_no_force


def _planned(reading: Reading) -> list[int]:
    """Where a reading stands in the plan: the numbers of its slot count steps, rounds and lifts."""
    return [int(number) for number in re.findall(r"[0-9]+", reading.slot.id)]


def fitted(settings: DriftSettings, run: RunView, characteristic: CharacteristicView) -> Fit:
    """The design of a characteristic, solved.

    Raises:
        DesignError: the readings make no design that can be solved.
    """
    readings = tuple(sorted(characteristic.readings, key=lambda r: r.seq))
    spec = characteristic.spec
    places = tuple(dict.fromkeys(spec.places))
    single = _columns([str(r.slot.place) for r in readings], places)
    values = stack([run.difference_um(r) for r in readings])
    pairs = settings.design == "pairs"
    if pairs:
        _are_pairs(readings)
        rows, observations = single[0::2] - single[1::2], values[..., 0::2] - values[..., 1::2]
        common = np.ones((len(rows), 1 if settings.bias else 0))
    else:
        rows, observations = single, values
        zeros = [r.zero for r in readings]
        common = _columns(zeros, tuple(dict.fromkeys(zeros)))
    drift = half_steps(len(rows))
    restraint = np.array([1.0 if place in (spec.base or ()) else 0.0 for place in places])
    solution = solved(rows, restraint, np.hstack([common, drift[:, None]]))
    return Fit(
        places=places,
        readings=readings,
        observations=observations,
        solution=solution,
        drift=solution.nuisance[-1],
        slanted=_slanted(rows if pairs else rows - rows.mean(axis=0), drift),
        pairs=pairs,
    )


def _columns(labels: Sequence[object], columns: Sequence[object]) -> Array:
    return np.array([[1.0 if label == column else 0.0 for column in columns] for label in labels])


def _slanted(rows: Array, drift: Array) -> bool:
    cosines = np.abs(drift @ rows) / (np.linalg.norm(drift) * np.linalg.norm(rows, axis=0))
    return bool(np.any(cosines > _ORTHOGONAL))


def _are_pairs(readings: Sequence[Reading]) -> None:
    """Whether consecutive readings make pairs.

    Raises:
        DesignError: they do not.
    """
    if [r.seq for r in sorted(readings, key=_planned)] != [r.seq for r in readings]:
        raise DesignError("a reading was taken again out of its turn, so its pair is torn: read the series again")
    if len(readings) % 2:
        raise DesignError(f"{len(readings)} readings do not make pairs")
    for number, (first, second) in enumerate(zip(readings[0::2], readings[1::2], strict=True), 1):
        if first.slot.place == second.slot.place:
            raise DesignError(f"pair {number} is {first.slot.place} against itself")
        if first.zero != second.zero:
            raise DesignError(f"the dial was set anew within pair {number}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How an observation scatters, as it goes into the uncertainty.

    Attributes:
        s_um: its standard deviation [um].
        dof: degrees of freedom [1].
        why: where it comes from.
    """

    s_um: Number
    dof: Number
    why: str


def f_of(accepted: Accepted, fit: Fit) -> tuple[Number, float]:
    """Ratio of the run's variance to the accepted one [1], and what it is at most with a probability of 99 % [1].

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 (seen), 2.3.5 (second-hand).
    """
    ratio = np.square(fit.solution.scatter(fit.observations) / accepted.standard)
    return ratio, f_quantile(F_PROBABILITY, fit.solution.dof, accepted.dof)


def scatter_of(settings: DriftSettings, run: RunView, fit: Fit) -> Scatter:
    """Standard deviation that counts: the accepted one, unless the run scatters more than that allows.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.1.2 (seen: a standard deviation of fewer than ten
    degrees of freedom is no reliable estimate, pooled ones are) and 2.3.3.3 (seen: the repeatability standard
    deviation of the process makes that of the test item).
    """
    accepted, dof = settings.accepted, fit.solution.dof
    own = Scatter(s_um=fit.solution.scatter(fit.observations), dof=float(dof), why="left over by the design")
    if accepted is None and dof:
        return own
    if accepted is None:
        s, of_repeats = run.scatter_um
        s = s * math.sqrt(2.0 if fit.pairs else 1.0)
        return Scatter(s_um=s, dof=of_repeats, why="of the repeats, the drift within")
    known = Scatter(s_um=accepted.standard, dof=accepted.dof, why="accepted, of earlier runs")
    if not dof:
        return known
    ratio, limit = f_of(accepted, fit)
    good = ratio <= limit
    if np.all(good):
        return replace(known, why=f"{known.why}, as the F-test allows")
    why = f"{own.why}, larger than the F-test allows the accepted one to be taken for"
    if not np.any(good):
        return replace(own, why=why)
    # In a rehearsal some runs keep it and some are stopped.
    s_um, dofs = np.where(good, accepted.standard, own.s_um), np.where(good, accepted.dof, own.dof)
    return Scatter(s_um=s_um, dof=dofs, why=known.why)
