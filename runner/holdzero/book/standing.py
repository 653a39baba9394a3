"""How a check standard stands against its own baseline. Pure: points in, a standing out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from holdzero.book.rows import wall_of
from holdzero.charts import Control, Limits, Watch, baseline, state

__all__ = ["BASELINE", "FEWEST", "JUDGED", "Point", "Standing", "limits_of", "standing_of", "watch_of"]

BASELINE = 30
"""How many of the first values make the baseline, at most (common practice, no source)."""
FEWEST = 8
"""With fewer values nothing is said of control (common practice, no source)."""
JUDGED = 30
"""How many of the newest values are judged (common practice, no source)."""
_FINEST_UM = 1e-6
"""Differences below a picometre are rounding: no comparator shows them."""


class Point(NamedTuple):
    """One value that a run told of its bench; a tuple, for five years of them are tens of thousands.

    Attributes:
        at_ms: when the run began [ms since 1970, UTC].
        zone: offset of the bench's clock from UTC.
        value_um: of a check standard, its reading less its certificate; of a closure, the return less
            the zero; of a scatter, the standard deviation of a single reading [um].
        dof: degrees of freedom of a scatter [1]; None for others.
        limit_um: what the routine allowed [um]; None where it said nothing.
        comparator: what the comparator goes by.
        standard: what the block goes by.
        digest: of the record that tells it.
    """

    at_ms: int
    zone: str
    value_um: float
    dof: float | None
    limit_um: float | None
    comparator: str
    standard: str
    digest: str

    @property
    def when(self) -> str:
        """Day and minute at the bench."""
        return wall_of(self.at_ms, self.zone)[:16].replace("T", " ")

    @property
    def record(self) -> str:
        """How the digest of its record begins, as commands take it."""
        return self.digest.removeprefix("sha256:")[:12]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a check standard stands.

    Attributes:
        control: out of control where a rule fired at the newest value; unknown where there are too few.
        points: those that were judged, oldest first.
        limits: of the baseline; None where there are too few points.
        watch: what the rules say of the judged points; None where there are too few.
        sentences: the state in words: which rule, when, at which record.
    """

    control: Control
    points: tuple[Point, ...]
    limits: Limits | None
    watch: Watch | None
    sentences: tuple[str, ...]

    def fired(self, place: int) -> tuple[str, ...]:
        """Names of the rules that fired at a judged point."""
        signals = self.watch.signals if self.watch is not None else ()
        return tuple(signal.rule.name for signal in signals if place in signal.points)


def limits_of(points: Sequence[Point]) -> tuple[Limits, float]:
    """Limits by the first values, and the step in which all values come.

    A dial has counts. A value one count off its usual place says nothing yet, so that the scatter is never
    taken as smaller than half a count; where the first values are all alike, a third of what the routine allows
    is taken, so that its limit becomes the action limit.

    Args:
        points: from the begin of the baseline on, FEWEST or more.

    Returns:
        Limits [um] and step [um], 0 where all values are alike.
    """
    first = points[:BASELINE]
    values = [point.value_um for point in first]
    limits, step = baseline(values), _step([point.value_um for point in points])
    spread = max(limits.standard_deviation, step / 2.0)
    if max(values) - min(values) <= _FINEST_UM:
        allowed = [point.limit_um for point in first if point.limit_um]
        spread = min(allowed) / 3.0 if allowed else step / 2.0 or math.inf
    return Limits(centre=limits.centre, standard_deviation=spread, number=limits.number), step


def _step(values: Sequence[float]) -> float:
    """The smallest difference between two values [um]: a count of the dial, or less; 0 where all are alike."""
    apart = np.diff(np.sort(np.asarray(values)))
    return float(min(apart[apart > _FINEST_UM], default=0.0))


def _as_judged(points: Sequence[Point], limits: Limits, step: float) -> list[float]:
    """Values [um]; one that is within half a step of the centre lies on it, and on no side of it."""
    near = 0.5 * step + _FINEST_UM
    return [limits.centre if abs(p.value_um - limits.centre) <= near else p.value_um for p in points]


def watch_of(points: Sequence[Point], *, judged: int | None = None) -> tuple[Watch | None, Limits | None]:
    """What the run rules say of a check standard against its own baseline.

    Args:
        points: oldest first, from the begin of the baseline on.
        judged: how many of the newest are judged; all, the baseline among them, if None.

    Returns:
        The watch and the limits of the baseline; None where there are too few points.
    """
    if len(points) < FEWEST:
        return None, None
    limits, step = limits_of(points)
    return state(_as_judged(points if judged is None else points[-judged:], limits, step), limits), limits


def standing_of(points: Sequence[Point], *, since_ms: int | None = None) -> Standing:
    """How a check standard stands by its newest points.

    Args:
        points: oldest first, from the begin of the baseline on.
        since_ms: points before it make the baseline and are not judged [ms since 1970, UTC].
    """
    recent = tuple(point for point in points[-JUDGED:] if since_ms is None or point.at_ms >= since_ms)
    if len(points) < FEWEST or not recent:
        few = (
            f"{len(points)} {'value' if len(points) == 1 else 'values'} so far; {FEWEST} are needed before it is judged"
        )
        words = few if len(points) < FEWEST else "no value in this time"
        return Standing(control=Control.UNKNOWN, points=recent, limits=None, watch=None, sentences=(words,))
    watch, limits = watch_of(points, judged=len(recent))
    if watch is None or limits is None:
        raise ValueError("there are points enough, and nothing was judged")
    out = watch.control is Control.OUT_OF_CONTROL and watch.at_newest
    return Standing(
        control=Control.OUT_OF_CONTROL if out else Control.IN_CONTROL,
        points=recent,
        limits=limits,
        watch=watch,
        sentences=tuple(_sentences(recent, watch, limits)),
    )


def _sentences(points: Sequence[Point], watch: Watch, limits: Limits) -> list[str]:
    newest, place = points[-1], len(points) - 1
    now = [signal for signal in watch.signals if signal.points[0] == place]
    at = f"{newest.value_um:+.3f} µm on {newest.when}, record {newest.record}"
    if now:
        found = [f"{signal.rule.words}: {at}" for signal in now]
    else:
        found = [f"no rule fired at the newest of {len(points)} values: {at}"]
    for signal in (signal for signal in watch.signals if signal not in now):
        last = points[signal.points[0]]
        found.append(f"earlier: {signal.rule.words}, last on {last.when}, record {last.record}")
    if limits.number < BASELINE:
        found.append(f"the baseline has {limits.number} values of {BASELINE}: its limits are not well known yet")
    return found
