"""Zero return check: what the reference reads when the tip comes back to it.

The bracket itself, zero before and return after within a limit, is a rule of the engine. This
check carries what the return tells: a drift is taken out where it is larger than its own
uncertainty, and is carried as uncertainty where it is not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

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
    SlotKind,
    Term,
    exceeds,
    hookimpl,
    mean,
    student_quantile,
)

_COVERAGE = 0.9545  # k = 2 for a normal closure (JCGM 100:2008, G.1.3)


class ZeroReturnSettings(Settings):
    """`[checks.zero_return]`: it has no keys; the limit stands in `[bracket]`."""


def _moment(run: RunView, readings: Sequence[Reading], *, by_order: bool) -> float:
    """When a visit was made: seconds of the run, or place among the readings where no times are known."""
    if by_order:
        places = {r.seq: float(place) for place, r in enumerate(run.readings)}
        return sum(places[r.seq] for r in readings) / len(readings)
    return sum(r.time_s for r in readings) / len(readings)


def _known_of_closure(run: RunView, zeros: int, returns: int) -> tuple[Number, Number, Number]:
    """Standard uncertainty of a closure [um], its degrees of freedom [1] and its expanded uncertainty [um].

    Source: JCGM 100:2008, 5.1.2 on a difference of two means; F.2.2.1 for the resolution.
    """
    s, dof = run.scatter_um
    scatter = s * math.sqrt(1.0 / zeros + 1.0 / returns)
    floor = run.resolution_um / math.sqrt(12.0) * math.sqrt(2.0)
    scattered = np.logical_and(dof > 0.0, scatter >= floor)
    standard = np.maximum(scatter, floor) if dof > 0.0 else floor
    # A quantile for each of the two, and not one a run.
    both = np.array([math.inf, dof or math.inf])
    factors = np.array([student_quantile(0.5 + _COVERAGE / 2.0, float(d)) for d in both])
    chosen = np.asarray(scattered).astype(np.intp)
    return _plain(standard), _plain(both[chosen]), _plain(standard * factors[chosen])


def _plain(number: Number) -> Number:
    """A float where it is one number; the array of a rehearsal as it is."""
    return number if np.ndim(number) else float(number)


def drift(settings: ZeroReturnSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """Drift of the zero, linear in time between the visits to the reference [um].

    Source: linear interpolation between visits, as the drift model of the NIST/SEMATECH e-Handbook,
    2.3.3.1.2; when to correct: common practice, no source.
    """
    del settings
    for number in characteristic.zero_weights():
        visits = run.returns(number)
        zeros = run.zeros(number)
        if visits:
            yield from _drift_of(run, characteristic, number, zeros, visits)


def _drift_of(
    run: RunView,
    characteristic: CharacteristicView,
    number: int,
    zeros: Sequence[Reading],
    visits: Sequence[Sequence[Reading]],
) -> Iterable[Term]:
    by_order = _moment(run, visits[-1], by_order=False) <= _moment(run, zeros, by_order=False)
    nodes = [_moment(run, group, by_order=by_order) for group in (zeros, *visits)]
    under = [(r, w) for r, w in zip(characteristic.readings, characteristic.weights, strict=True) if r.zero == number]
    for index, visit in enumerate(visits, 1):
        shape = [1.0 if node == index else 0.0 for node in range(len(nodes))]
        share = sum(
            (weight * float(np.interp(_moment(run, [r], by_order=by_order), nodes, shape)) for r, weight in under),
            start=0.0,
        )
        closure = mean([r.value_um for r in visit]) - run.zero_um(number)
        known = _known_of_closure(run, len(zeros), len(visit))
        yield _term(run, f"{number}.{index}", closure, share, known)


def _term(run: RunView, visit: str, closure: Number, share: Number, known: tuple[Number, Number, Number]) -> Term:
    standard, dof, limit = known
    gap, bound = run.against(closure, limit, 2, sign=True)
    drifted = exceeds(np.abs(closure), limit, run.resolution_um)
    if isinstance(closure, np.ndarray) and closure.ndim:
        # One of the two below, run by run; first order asks for no shape.
        # Sums of masked numbers take half the time of a choice run by run.
        with np.errstate(divide="ignore"):
            dof_of_drift = np.divide(dof, drifted)  # infinite where nothing drifted
        estimate = Estimate.of(
            closure * drifted,
            standard * drifted + np.abs(closure) / math.sqrt(3.0) * np.logical_not(drifted),
            dof=dof_of_drift,
        )
        why = f"the zero drifted by {gap}: taken out by time where it is more than its uncertainty of {bound}"
    elif drifted:
        estimate = Estimate.of(closure, standard, dof=dof)
        why = f"the zero drifted by {gap}, more than its uncertainty of {bound}: taken out by time"
    else:
        estimate = Estimate.within(0.0, abs(float(closure)))
        why = f"the zero closed to {gap}, within its uncertainty of {bound}: carried, not taken out"
    item = Input(name=f"drift of zero {visit}", estimate=estimate, unit="um", evaluation="B", why=why)
    return Term(
        name=f"drift of zero {visit}",
        inputs=(item,),
        function=lambda c: -share * c,
        words=why,
        source="NIST/SEMATECH e-Handbook, 2.3.3.1.2 (linear drift)",
    )


def watch(settings: ZeroReturnSettings, run: RunView) -> Iterable[Finding]:
    """Tell at once when a return is out of limit, while the reference is still under the tip."""
    del settings
    last = run.readings[-1] if run.readings else None
    if last is None or last.kind is not SlotKind.RETURN or not run.zeros(last.zero) or last.slot.lift < last.slot.lifts:
        return  # the mean of the visit decides, as it will at the end
    if last.zero in run.lost_zeros:
        return  # it was given up, and what hangs on it is read again
    visit = run.returns(last.zero)[-1]
    closure, limit = mean([r.value_um for r in visit]) - run.zero_um(last.zero), run.bracket_limit_um
    off, allowed = run.against(closure, limit, sign=True)
    yield Finding(
        level=Level.STOP,
        code=f"zero_return/limit/{last.seq}",
        text=f"The reference reads {off} off its zero; at most {allowed} is allowed. "
        "Dirt, a bumped stand, warmth? Strike this reading out, wipe and read again; or go on, and what was read "
        "since the last good zero is undecided.",
        data={"closure_um": float(np.mean(closure)), "limit_um": limit},
        holds=exceeds(np.abs(closure), limit, run.resolution_um),
    )


def judge(
    settings: ZeroReturnSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """How each zero closed, as a note."""
    del settings
    for number in sorted({number for c in characteristics for number in c.zero_weights()}):
        for visit in run.returns(number):
            closure = mean([r.value_um for r in visit]) - run.zero_um(number)
            off, allowed = run.against(closure, run.bracket_limit_um, sign=True)
            yield Finding(
                level=Level.NOTE,
                code="zero_return/closure",
                text=f"Zero {number} closed to {off} (limit {allowed}).",
                data={"closure_um": float(np.mean(closure)), "limit_um": run.bracket_limit_um},
            )


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The zero return check."""
    return [
        Check(
            name="zero_return",
            title="closure of the zero, and its drift",
            settings=ZeroReturnSettings,
            watch=watch,
            terms=drift,
            judge=judge,
            arrays=True,
        )
    ]
