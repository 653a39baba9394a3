"""Run rules as data: which patterns on a control chart are too rare for a bench that is in control.

A rule sees distances from the centre in standard deviations, in order of time, and says which points
complete its pattern. Published sets differ; each rule says where it comes from and how that is known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.charts.limits import ewma, ewma_deviation
from holdzero.limit import exceeds

__all__ = [
    "DEFAULT_RULES",
    "RULES",
    "RunRule",
    "alternating",
    "away_from_centre",
    "beyond",
    "ewma_beyond",
    "near_centre",
    "one_side",
    "several_beyond",
    "trend",
]

Distances: TypeAlias = NDArray[np.float64]
Pattern: TypeAlias = Callable[[Distances], NDArray[np.bool_]]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRule:
    """A pattern, and what it is called.

    Attributes:
        name: for settings and records.
        words: what the pattern is, for a person.
        completes: from distances in standard deviations [1] to the points that complete the pattern.
        source: where the rule comes from, and how that is known.
    """

    name: str
    words: str
    completes: Pattern
    source: str


def _more(one: Distances | float, other: Distances | float) -> NDArray[np.bool_]:
    """Where a distance is more than another; what differs by the rounding of floats is on it."""
    return np.asarray(exceeds(one, other, 1.0))


def _run_lengths(holds: NDArray[np.bool_]) -> NDArray[np.intp]:
    """How many points in a row, up to and with each, hold."""
    places = np.arange(1, holds.size + 1)
    broken = np.where(holds, 0, places)
    return np.asarray(places - np.maximum.accumulate(broken)) if holds.size else places


def beyond(k: float) -> Pattern:
    """Pattern: a point more than k standard deviations [1] from the centre."""

    def completes(distances: Distances) -> NDArray[np.bool_]:
        return _more(np.abs(distances), k)

    return completes


def one_side(count: int) -> Pattern:
    """Pattern: so many points [1] in a row on one side; a point on the centre breaks the run."""

    def completes(distances: Distances) -> NDArray[np.bool_]:
        above, below = _run_lengths(_more(distances, 0.0)), _run_lengths(_more(0.0, distances))
        return np.asarray(np.maximum(above, below) >= count)

    return completes


def trend(count: int) -> Pattern:
    """Pattern: so many points [1] in a row of which each is above, or each below, the one before."""

    def completes(distances: Distances) -> NDArray[np.bool_]:
        before, after = distances[:-1], distances[1:]
        steps = np.maximum(_run_lengths(_more(after, before)), _run_lengths(_more(before, after)))
        # n points have n − 1 steps between them.
        return np.concatenate([np.zeros(min(1, distances.size), dtype=bool), steps >= count - 1])

    return completes


def several_beyond(some: int, count: int, k: float) -> Pattern:
    """Pattern: `some` of `count` points [1] in a row more than k standard deviations [1] out on one side.

    The point that completes it is itself one of them. Fewer than `count` points at the start are enough.
    """

    def on_a_side(out: NDArray[np.bool_]) -> NDArray[np.bool_]:
        total = np.concatenate([[0], np.cumsum(out)])
        places = np.arange(1, out.size + 1)
        return np.asarray(out & (total[places] - total[np.maximum(places - count, 0)] >= some))

    def completes(distances: Distances) -> NDArray[np.bool_]:
        return on_a_side(_more(distances, k)) | on_a_side(_more(-k, distances))

    return completes


def alternating(count: int) -> Pattern:
    """Pattern: so many points [1] in a row that go up and down by turns."""

    def completes(distances: Distances) -> NDArray[np.bool_]:
        before, after = distances[:-1], distances[1:]
        steps = _more(after, before).astype(int) - _more(before, after)
        turns = _run_lengths(steps[1:] * steps[:-1] < 0)
        # n points have n − 1 steps and n − 2 turns.
        return np.concatenate([np.zeros(min(2, distances.size), dtype=bool), turns >= count - 2])

    return completes


def near_centre(count: int) -> Pattern:
    """Pattern: so many points [1] in a row within one standard deviation of the centre."""

    def completes(distances: Distances) -> NDArray[np.bool_]:
        return np.asarray(_run_lengths(_more(1.0, np.abs(distances))) >= count)

    return completes


def away_from_centre(count: int) -> Pattern:
    """Pattern: so many points [1] in a row, on either side, none within one standard deviation."""

    def completes(distances: Distances) -> NDArray[np.bool_]:
        return np.asarray(_run_lengths(_more(np.abs(distances), 1.0)) >= count)

    return completes


def ewma_beyond(weight: float, k: float, *, exact: bool = False) -> Pattern:
    """Pattern: the moving average of weight λ [1] is more than k of its standard deviations [1] out.

    It starts at the centre. With `exact` the limits of the first points are narrower, as their average
    scatters less.
    """

    def completes(distances: Distances) -> NDArray[np.bool_]:
        finite = np.isfinite(distances)
        averages = ewma(np.where(finite, distances, 0.0), weight, 0.0)
        spread = np.full(averages.shape, ewma_deviation(weight))
        if exact:
            left = np.array(list(accumulate([1.0] + [(1.0 - weight) ** 2] * averages.size, lambda a, b: a * b))[1:])
            spread = spread * np.sqrt(1.0 - left)
        # A baseline without scatter puts a point infinitely far out: so is every average that holds it.
        return np.asarray(np.logical_or.accumulate(~finite) | _more(np.abs(averages), k * spread))

    return completes


_ISO = "ISO 7870-2:2013 (from memory, not verified)"
_ZONES = "Western Electric, Statistical Quality Control Handbook, 1956, zone rules (from memory)"
_EIGHT = "Nelson, J. Quality Technology 16 (1984) 237, eight tests, those of ISO 8258:1991 too (from memory)"

RULES: tuple[RunRule, ...] = (
    RunRule(name="action", words="a point beyond an action limit (3 s)", completes=beyond(3.0), source=_ISO),
    RunRule(name="side-7", words="7 points in a row on one side of the centre", completes=one_side(7), source=_ISO),
    RunRule(name="trend-7", words="7 points in a row rising or falling", completes=trend(7), source=_ISO),
    RunRule(
        name="2-of-3",
        words="2 of 3 points in a row beyond 2 s on one side",
        completes=several_beyond(2, 3, 2.0),
        source=_ZONES,
    ),
    RunRule(
        name="4-of-5",
        words="4 of 5 points in a row beyond 1 s on one side",
        completes=several_beyond(4, 5, 1.0),
        source=_ZONES,
    ),
    RunRule(name="side-8", words="8 points in a row on one side of the centre", completes=one_side(8), source=_ZONES),
    RunRule(name="side-9", words="9 points in a row on one side of the centre", completes=one_side(9), source=_EIGHT),
    RunRule(name="trend-6", words="6 points in a row rising or falling", completes=trend(6), source=_EIGHT),
    RunRule(
        name="alternating-14",
        words="14 points in a row going up and down by turns",
        completes=alternating(14),
        source=_EIGHT,
    ),
    RunRule(name="near-15", words="15 points in a row within 1 s", completes=near_centre(15), source=_EIGHT),
    RunRule(
        name="away-8",
        words="8 points in a row beyond 1 s on either side",
        completes=away_from_centre(8),
        source=_EIGHT,
    ),
    RunRule(
        name="ewma",
        words="the moving average (weight 0.2) beyond 3 of its standard deviations",
        completes=ewma_beyond(0.2, 3.0),
        source="NIST/SEMATECH e-Handbook, 2.3.5.2 (seen in part)",
    ),
)
"""Every rule that is known by name."""

DEFAULT_RULES: tuple[RunRule, ...] = RULES[:5]
"""Where nothing else is asked for: the rules of ISO 7870-2 and two zone rules (a choice of ours)."""
