"""Repeatability check: how much readings scatter, what that does to a value, and what looks odd.

The scatter comes from the run's own repeats, or pooled from the routine. A zero is a reading too:
its scatter counts once for all readings that share it and is not divided by their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import (
    Act,
    CharacteristicView,
    Check,
    Estimate,
    Finding,
    Input,
    Level,
    Number,
    Offer,
    Reading,
    RunView,
    SlotKind,
    Term,
    exceeds,
    f_quantile,
    hookimpl,
    slope_statistic,
    stack,
    student_quantile,
)
from holdzero_plugins.checks import _tables
from holdzero_plugins.checks._closures import closures, made_of
from holdzero_plugins.checks._repeats import Truth, farthest, groups_of, outliers, told, where
from holdzero_plugins.checks._scatter import (
    HISTORY_PROBABILITY,
    RepeatabilitySettings,
    accepted_of,
    alike,
    larger_than_before,
    plain,
    spread_of,
)

TREND_SIGNIFICANCE = 0.01  # common practice, no source
_LEAST_FOR_TREND = 3.0
_LEAST_FOR_STUCK = 4


def scatter(settings: RepeatabilitySettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """The scatter of readings and zeros as a term of zero [um].

    Source: JCGM 100:2008, 4.2.3, 4.2.4 (pooled), H.1.3.2; the larger of scatter and resolution
    counts, not both (common practice, no source).
    """
    spread = spread_of(settings, run, characteristic)
    made = made_of(run, characteristic, closures(run, characteristic))
    # F.2.2.1: half a step to either side, rectangular; one error for all that show the same step.
    floor = run.resolution_um / math.sqrt(12.0) * made.of_places
    s, dof, origin = spread.s_um, spread.dof, spread.origin
    standard = s * made.of_readings
    count = len(characteristic.readings)
    scattered = np.logical_and(standard >= floor, dof > 0.0)
    # The larger of two and a look-up take a fifth of the time of a choice run by run.
    larger = np.maximum(standard, floor) if np.any(dof) else floor
    if np.ndim(dof):
        dofs = np.where(scattered, dof, math.inf)
    else:
        dofs = np.array([math.inf, float(dof)])[np.asarray(scattered).astype(np.intp)]
    estimate = Estimate.of(0.0, plain(larger), dof=plain(dofs))
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


def _over_limit(settings: RepeatabilitySettings, run: RunView) -> Iterable[Finding]:
    s, dof = run.scatter_um
    if settings.limit is None or dof == 0.0:
        return
    found, allowed = run.against(s, settings.limit, 2)
    holds = exceeds(s, settings.limit, run.resolution_um)
    # Of many runs none may scatter so much: then nobody asks which reading it is.
    odd = farthest(run) if np.any(holds) else ()
    named = [_named(run, r, apart_um) for r, apart_um, is_it in odd if np.ravel(is_it)[np.argmax(holds)]]
    yield Finding(
        level=Level.STOP,
        code="repeatability/limit",
        text=f"Readings scatter by s = {found}; the routine allows {allowed}. {' '.join(named)}",
        data={"s_um": float(np.mean(s)), "limit_um": settings.limit},
        holds=holds,
    )


def _named(run: RunView, r: Reading, apart_um: Number) -> str:
    """The reading that lies farthest from its repeats, in words, and the scatter without it."""
    left = replace(run, readings=tuple(other for other in run.readings if other.seq != r.seq))
    s, dof = left.scatter_um
    rest = f"; without it s = {run.length(s)}" if dof else ""
    off = told(run, r.value_um, apart_um)
    repeats = next(group for group in groups_of(run.readings) if any(other.seq == r.seq for other in group))
    if len(repeats) == 2:  # noqa: PLR2004  of two, neither is nearer to what is right
        (other,) = (other for other in repeats if other.seq != r.seq)
        others = f"the other one, entry {other.seq}: one of the two is off"
        return f"Farthest from its repeats is entry {r.seq}, {where(r)}: {off} {others}{rest}."
    return f"Farthest from its repeats is entry {r.seq}, {where(r)}: {off} the others{rest}."


def _asked_over_limit(settings: RepeatabilitySettings, run: RunView, named: Truth) -> Iterable[Finding]:
    """The same while the part is under the tip, as a question about the reading that makes it so.

    Args:
        settings: of the check.
        run: so far.
        named: whether an outlier was asked about already.
    """
    for finding in _over_limit(settings, run):
        telling = np.logical_and(finding.holds, _tells(settings, run))
        for r, apart_um, is_it in farthest(run):
            holds = np.logical_and(np.logical_and(telling, is_it), np.logical_not(named))
            again = r.kind is SlotKind.READ or r.seq == run.readings[-1].seq
            if np.any(holds):
                yield replace(
                    finding,
                    level=Level.DOUBT,
                    code=f"repeatability/outlier/{r.seq}" if again else finding.code,
                    text=f"{finding.text.partition('. ')[0]}. {_named(run, r, apart_um)} Is everything clean, clamped "
                    "and at rest? While it is so, nothing can be decided.",
                    data={**finding.data, "entry": float(r.seq), "apart_um": float(np.mean(apart_um))},
                    holds=holds,
                    offer=Offer(act=Act.STRIKE, entries=(r.seq,)) if again else None,
                )


def _tells(settings: RepeatabilitySettings, run: RunView) -> Truth:
    """Whether a scatter beyond its limit tells anything yet: two readings that happen to differ do not.

    Once all places are read it does, as nothing more will come. Before, where a bench that scatters as much as its
    limit shows so much in 1 % of runs.

    Source: χ² test of a standard deviation, NIST/SEMATECH e-Handbook, 1.3.5.8 (from memory).
    """
    s, dof = run.scatter_um
    planned = sum(slot.kind is SlotKind.READ for slot in run.slots)
    if settings.limit is None or len(run.of_kind(SlotKind.READ)) >= planned:
        return True
    factor = math.sqrt(f_quantile(1.0 - _ASKED_BY_CHANCE, dof, math.inf))
    return exceeds(s, factor * settings.limit, run.resolution_um)


_ASKED_BY_CHANCE = 0.01


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


def _trend(run: RunView, significance: float) -> Iterable[Finding]:
    """Whether repeats creep, at a level of significance [1]."""
    readings = run.of_kind(SlotKind.READ)
    groups = [group for group in alike(readings) if len(group) > 1]
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
    limit = student_quantile(1.0 - significance / 2.0, dof)
    creep = np.abs(slope) * span
    yield Finding(
        level=Level.DOUBT,
        code="repeatability/trend",
        text=f"The repeats creep by {run.length(creep)} over the readings: heat, a soft film, a clamp that settles?",
        data={"creep_um": float(np.mean(creep)), "t": float(np.mean(np.clip(t, -1e9, 1e9)))},
        holds=np.logical_and(np.abs(t) > limit, exceeds(creep, run.resolution_um)),
    )


def _asked_of_trend(run: RunView) -> Iterable[Finding]:
    """The same while the part is there, once all places were read alike often; the check for heat asks by itself.

    Each pass has a part of the error for itself, so that all together have no more than the whole.
    """
    groups = [group for group in alike(run.of_kind(SlotKind.READ)) if group]
    counts = {len(group) for group in groups}
    newest = run.readings[-1] if run.readings else None
    if "heat" in run.routine.checks or len(counts) != 1 or newest is None or newest.kind is not SlotKind.READ:
        return
    (count,) = counts
    if count < _LEAST_PASSES:
        return
    significance = _CREEP_BY_CHANCE * (_LEAST_PASSES - 1) / (count * (count - 1))
    for finding in _trend(run, significance):
        yield replace(
            finding,
            text=f"{finding.text} Is it at rest, and has it the temperature of the bench?",
            offer=Offer(act=Act.ANEW),
        )


_CREEP_BY_CHANCE = 0.003
"""How often a sound run may be asked about a creep, over all its passes."""
_LEAST_PASSES = 3


def watch(settings: RepeatabilitySettings, run: RunView) -> Iterable[Finding]:
    """Ask while the part is there; what was given up with its zero is read again, and asked about then."""
    standing = tuple(r for r in run.readings if r.seq not in run.gone)
    run = run if len(standing) == len(run.readings) else replace(run, readings=standing)
    odd = list(outliers(run, accepted_of(settings, run), (), live=True))
    yield from odd
    yield from _asked_over_limit(settings, run, _any(finding.holds for finding in odd))
    yield from _asked_of_trend(run)


def _any(holds: Iterable[Truth]) -> Truth:
    some: Truth = False
    for one in holds:
        some = np.logical_or(some, one)
    return some


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
    larger = larger_than_before(run)
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
        if settings.pooled is None and not known_before and np.min(spread_of(settings, run, c).dof) == 0.0:
            text = (
                f"{c.name}: nothing was read twice, so its scatter is not known; only the resolution stands in for it."
            )
            yield Finding(level=Level.DOUBT, code="repeatability/unknown", text=text, characteristic=c.name)
    yield from _over_limit(settings, run)
    yield from outliers(run, accepted_of(settings, run), characteristics, live=False)
    yield from _stuck(run)
    yield from _trend(run, TREND_SIGNIFICANCE)


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
