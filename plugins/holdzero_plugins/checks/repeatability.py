"""Repeatability check: how much readings scatter, what that does to a value, and what looks odd.

The scatter comes from the run's own repeats, or pooled from the routine. A zero is a reading too:
its scatter counts once for all readings that share it and is not divided by their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import reduce
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Estimate,
    Finding,
    Input,
    Level,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    Term,
    exceeds,
    f_quantile,
    grubbs_critical,
    grubbs_statistic,
    hookimpl,
    pooled_standard_deviation,
    shown,
    slope_statistic,
    stack,
    student_quantile,
)
from holdzero_plugins.checks import _tables

Truth: TypeAlias = bool | NDArray[np.bool_]

OUTLIER_SIGNIFICANCE = 0.05  # e-Handbook 1.3.5.17.1 works its example at this level
TREND_SIGNIFICANCE = 0.01  # common practice, no source
_LEAST_FOR_OUTLIER = 3
_LEAST_FOR_TREND = 3.0
_LEAST_FOR_STUCK = 4


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
    outlier_significance: float = Field(
        OUTLIER_SIGNIFICANCE, gt=0.0, lt=0.5, description="Level of Grubbs' test for an outlier; 0.05 where left out."
    )


def _groups(readings: Iterable[Reading]) -> list[list[Reading]]:
    """Readings of the part that should be alike: one place, one force, one zero."""
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for r in readings:
        groups.setdefault((r.zero, r.slot.serial, r.slot.place, r.slot.force_N), []).append(r)
    return list(groups.values())


def _own_zeros(characteristic: CharacteristicView) -> bool:
    """Whether every reading of a place has a zero of its own, so that differences are what repeats."""
    zeros = {r.zero for r in characteristic.readings}
    return len(zeros) > 1 and all(len(group) == 1 for group in _groups(characteristic.readings))


def _differences_scatter(run: RunView, characteristic: CharacteristicView) -> tuple[Number, float]:
    places: dict[object, list[Number]] = {}
    for r in characteristic.readings:
        places.setdefault((r.slot.place, r.slot.force_N), []).append(run.difference_um(r))
    return pooled_standard_deviation(places.values())


def _root_sum_square(numbers: Iterable[Number]) -> Number:
    return np.sqrt(sum((np.square(number) for number in numbers), start=np.float64(0.0)))


def _spread_factor(run: RunView, characteristic: CharacteristicView, *, differences: bool) -> Number:
    """Standard uncertainty of the measured difference in units of s [1]."""
    shared = characteristic.zero_weights()
    if differences:
        # Readings that share a zero may share all of the scatter: the larger of both extremes.
        return np.maximum(_root_sum_square(characteristic.weights), _root_sum_square(shared.values()))
    zeros = [weight / math.sqrt(len(run.zeros(number))) for number, weight in shared.items()]
    return _root_sum_square((*characteristic.weights, *zeros))


def _resolution_floor(run: RunView, characteristic: CharacteristicView) -> Number:
    """What rounding alone leaves [um]: the same for all repeats that show the same step.

    Source: JCGM 100:2008, F.2.2.1 (half-width of half a step, rectangular).
    """
    places: dict[tuple[int, object], Number] = {}
    for r, weight in zip(characteristic.readings, characteristic.weights, strict=True):
        key = (r.zero, r.slot.place)
        places[key] = places[key] + weight if key in places else weight
    factor = _root_sum_square((*places.values(), *characteristic.zero_weights().values()))
    return run.resolution_um / math.sqrt(12.0) * factor


def scatter(settings: RepeatabilitySettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """The scatter of readings and zeros as a term of zero [um].

    Source: JCGM 100:2008, 4.2.3, 4.2.4 (pooled), H.1.3.2; the larger of scatter and resolution
    counts, not both (common practice, no source).
    """
    differences = _own_zeros(characteristic)
    if settings.pooled is not None:
        s: Number = settings.pooled.standard
        dof: Number = settings.pooled.dof
        differences = settings.pooled.of == "differences"
        origin = f"pooled in the routine, of {settings.pooled.of}"
    elif characteristic.scatter is not None:
        s, dof = characteristic.scatter
        differences, origin = False, "as the check of the design gives it"
    elif differences:
        s, dof = _differences_scatter(run, characteristic)
        origin = "of differences in this run"
    else:
        s, dof, origin = _with_history(settings, run)
    floor = _resolution_floor(run, characteristic)
    standard = s * _spread_factor(run, characteristic, differences=differences)
    count = len(characteristic.readings)
    scattered = np.logical_and(standard >= floor, dof > 0.0)
    # The larger of two and a look-up take a fifth of the time of a choice run by run.
    larger = np.maximum(standard, floor) if np.any(dof) else floor
    if np.ndim(dof):
        dofs = np.where(scattered, dof, math.inf)
    else:
        dofs = np.array([math.inf, float(dof)])[np.asarray(scattered).astype(np.intp)]
    estimate = Estimate.of(0.0, _plain(larger), dof=_plain(dofs))
    least = float(np.min(dof))
    if np.all(scattered):
        why = f"s = {run.length(s)} ({least:g} degrees of freedom), {origin}; {count} readings, zeros counted once"
    else:
        why = (
            f"resolution of {run.length(run.resolution_um)}, the larger of the two; "
            f"scatter alone (s = {run.length(s)}, {least:g} degrees of freedom) would give {run.length(standard)}"
        )
    name = f"repeatability, {characteristic.name}"
    item = Input(name=name, estimate=estimate, unit="um", evaluation="A", why=why)
    yield Term(
        name="repeatability",
        inputs=(item,),
        function=lambda r: r,
        words="no correction: carries how much readings and zeros scatter",
        source="JCGM 100:2008, 4.2.3, 4.2.4, F.2.2.1",
    )


HISTORY_PROBABILITY = 0.99  # of the F-test, as for a check standard (e-Handbook 2.3.5.1)


def _larger_than_before(run: RunView) -> Truth:
    """Whether the run scatters more than the book knows of the comparator.

    Source: F-test of two variances, NIST/SEMATECH e-Handbook, 1.3.5.9 and 2.3.5.1.
    """
    history, (s, dof) = run.history, run.scatter_um
    if history is None or not history.scatter_um or dof == 0.0:
        return False
    limit = f_quantile(HISTORY_PROBABILITY, dof, history.dof)
    return np.square(s) > limit * history.scatter_um**2


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
    larger = _larger_than_before(run)
    if np.all(larger):
        return s, dof, own
    origin = f"of this run pooled with {history.runs} earlier runs of {history.comparator or 'this comparator'}"
    if not np.any(larger):
        return _plain(pooled), both, origin
    # In a rehearsal some runs are told from the past and some are not: fewer degrees of freedom for all.
    return np.where(larger, s, pooled), dof, origin


def _plain(number: Number) -> Number:
    """A float where it is one number; the array of a rehearsal as it is."""
    return number if np.ndim(number) else float(number)


def _known_dof(run: RunView, characteristic: CharacteristicView) -> float:
    """Degrees of freedom of the scatter that this characteristic is given [1]."""
    if characteristic.scatter is not None:
        return float(np.min(characteristic.scatter[1]))
    if _own_zeros(characteristic):
        return _differences_scatter(run, characteristic)[1]
    return run.scatter_um[1]


def _outliers(settings: RepeatabilitySettings, run: RunView, *, live: bool) -> Iterable[Finding]:
    for group in _groups(run.of_kind(SlotKind.READ)):
        if len(group) < _LEAST_FOR_OUTLIER:
            continue
        readings = [r.value_um for r in group]
        # One step of the dial is no outlier, however alike the others are.
        apart = 1.5 * run.resolution_um
        wide = exceeds(reduce(np.maximum, readings) - reduce(np.minimum, readings), apart, run.resolution_um)
        if not np.any(wide):
            continue
        values = stack(_only(wide, readings))
        g, index = grubbs_statistic(values, step=run.resolution_um)
        critical = grubbs_critical(len(group), settings.outlier_significance)
        farthest = group[int(np.atleast_1d(index)[0])]
        own = np.arange(len(group)) == np.asarray(index)[..., None]
        away = np.abs(values - np.take_along_axis(values, np.asarray(index)[..., None], axis=-1))
        gap = np.where(own, np.inf, away).min(axis=-1)
        place = farthest.slot.place
        ask = "Dust, a bad seat, a slip? Wipe and read again." if live else "It was kept: nothing is dropped."
        yield Finding(
            level=Level.DOUBT,
            code=f"repeatability/outlier/{place}",
            text=f"Entry {farthest.seq}, {farthest.raw} at {place}, lies farther from its repeats than they scatter "
            f"(Grubbs' test: {shown(g, 4)}, limit {critical:.4g}). {ask}",
            data={"grubbs": float(np.mean(g)), "critical": critical, "entry": float(farthest.seq)},
            holds=_of_all(wide, np.logical_and(g > critical, exceeds(gap, apart, run.resolution_um))),
        )


def _over_limit(settings: RepeatabilitySettings, run: RunView, *, live: bool) -> Iterable[Finding]:
    s, dof = run.scatter_um
    if settings.limit is None or dof == 0.0:
        return
    ask = " Is everything clean, clamped and at rest? While it is so, nothing can be decided." if live else ""
    found, allowed = run.against(s, settings.limit, 2)
    yield Finding(
        level=Level.DOUBT if live else Level.STOP,
        code="repeatability/limit",
        text=f"Readings scatter by s = {found}; the routine allows {allowed}.{ask}",
        data={"s_um": float(np.mean(s)), "limit_um": settings.limit},
        holds=exceeds(s, settings.limit, run.resolution_um),
    )


def _only(where: Truth, numbers: Sequence[Number]) -> Sequence[Number]:
    """The numbers of those runs in which something may hold; of a run at the bench as they are."""
    if not isinstance(where, np.ndarray) or not where.ndim:
        return numbers
    chosen = np.flatnonzero(where)
    return [np.broadcast_to(number, where.shape)[chosen] for number in numbers]


def _of_all(where: Truth, holds: Truth) -> Truth:
    """What holds in those runs, said of all of them: it does not in the others."""
    if not isinstance(where, np.ndarray) or not where.ndim:
        return holds
    everywhere = np.zeros(where.shape, dtype=bool)
    everywhere[where] = holds
    return everywhere


def _step(run: RunView, readings: NDArray[np.float64]) -> NDArray[np.float64]:
    """Which steps of the dial readings are."""
    steps: NDArray[np.float64] = np.rint(readings / run.resolution_um)
    return steps


def _stuck(run: RunView) -> Iterable[Finding]:
    """Everything that was read shows the same step of the dial: part, reference and returns alike."""
    readings = run.of_kind(SlotKind.ZERO, SlotKind.READ, SlotKind.RETURN)
    places = {r.slot.place for r in readings if r.kind is SlotKind.READ}
    if len(readings) < _LEAST_FOR_STUCK or not places or run.resolution_um == 0.0:
        return
    shape = np.broadcast_shapes(*(np.shape(r.value_um) for r in readings))
    first, second, *others = (np.ravel(np.broadcast_to(r.value_um, shape)) for r in readings)
    # Of many runs only those are looked at further in which all were the same so far.
    left = np.flatnonzero(_step(run, second) == _step(run, first))
    for other in others:
        left = left[_step(run, other[left]) == _step(run, first[left])]
    if not left.size:
        return
    same = np.zeros(first.size, dtype=bool)
    same[left] = True
    yield Finding(
        level=Level.DOUBT,
        code="repeatability/stuck",
        text=f"All {len(readings)} readings show the same. Does the tip move, and does it touch the part?",
        holds=same.reshape(shape),
    )


def _trend(run: RunView) -> Iterable[Finding]:
    readings = run.of_kind(SlotKind.READ)
    groups = [group for group in _groups(readings) if len(group) > 1]
    numbered = [(index, r) for index, group in enumerate(groups) for r in group]
    if not numbered:
        return
    order = stack([float(r.seq) for _, r in numbered])
    values = stack([r.value_um for _, r in numbered])
    span = float(order.max()) - float(order.min())
    of = [index for index, _ in numbered]
    slope, t, dof = slope_statistic(order, values, of, matters=run.resolution_um / span if span else 0.0)
    if dof < _LEAST_FOR_TREND:
        return
    limit = student_quantile(1.0 - TREND_SIGNIFICANCE / 2.0, dof)
    creep = np.abs(slope) * span
    yield Finding(
        level=Level.DOUBT,
        code="repeatability/trend",
        text=f"The repeats creep by {run.length(creep)} over the readings: heat, a soft film, a clamp that settles?",
        data={"creep_um": float(np.mean(creep)), "t": float(np.mean(np.clip(t, -1e9, 1e9)))},
        holds=np.logical_and(np.abs(t) > limit, exceeds(creep, run.resolution_um)),
    )


def watch(settings: RepeatabilitySettings, run: RunView) -> Iterable[Finding]:
    """Ask while the part is still under the tip."""
    yield from _outliers(settings, run, live=True)
    yield from _over_limit(settings, run, live=True)


def judge(
    settings: RepeatabilitySettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """Scatter against its limit, outliers, a stuck indicator, a trend; and the scatter itself as a note."""
    s, dof = run.scatter_um
    if dof > 0.0:
        yield Finding(
            level=Level.NOTE,
            code="repeatability/scatter",
            text=f"Single readings scatter by s = {run.length(s)} ({dof:g} degrees of freedom)."
            if np.any(s)
            else f"Repeats are all alike ({dof:g} degrees of freedom).",
            data={"s_um": float(np.mean(s)), "degrees_of_freedom": dof},
        )
    larger = _larger_than_before(run)
    if settings.history and run.history is not None and run.history.scatter_um is not None:
        found, known = run.against(s, run.history.scatter_um, 2)
        yield Finding(
            level=Level.DOUBT,
            code="repeatability/more_than_before",
            text=f"Readings scatter by s = {found}, more than the {known} that the book knows of this "
            f"comparator ({run.history.dof:g} degrees of freedom, F-test at {100.0 * HISTORY_PROBABILITY:g} %). "
            "What is loose, dirty or in a hurry?",
            data={"s_um": float(np.mean(s)), "known_um": run.history.scatter_um},
            holds=larger,
        )
    for c in characteristics:
        known_before = settings.history and run.history is not None and run.history.scatter_um is not None
        if settings.pooled is None and not known_before and _known_dof(run, c) == 0.0:
            text = (
                f"{c.name}: nothing was read twice, so its scatter is not known; only the resolution stands in for it."
            )
            yield Finding(level=Level.DOUBT, code="repeatability/unknown", text=text, characteristic=c.name)
    yield from _over_limit(settings, run, live=False)
    yield from _outliers(settings, run, live=False)
    yield from _stuck(run)
    yield from _trend(run)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The repeatability check."""
    return [
        Check(
            name="repeatability",
            title="scatter of readings and zeros, outliers, trend",
            settings=RepeatabilitySettings,
            watch=watch,
            terms=scatter,
            judge=judge,
            validate=_tables.repeatability,
            arrays=True,
        )
    ]
