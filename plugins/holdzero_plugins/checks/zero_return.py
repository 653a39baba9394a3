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
    RunView,
    Settings,
    SlotKind,
    Term,
    exceeds,
    hookimpl,
    mean,
)
from holdzero_plugins.checks._closures import Closure, closures


class ZeroReturnSettings(Settings):
    """`[checks.zero_return]`: it has no keys; the limit stands in `[bracket]`."""


def drift(settings: ZeroReturnSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """Drift of the zero, linear in time between the visits to the reference [um].

    Source: linear interpolation between visits, as the drift model of the NIST/SEMATECH e-Handbook,
    2.3.3.1.2; when to correct: common practice, no source.
    """
    del settings
    for closure in closures(run, characteristic):
        yield _term(run, closure)


def _term(run: RunView, closure: Closure) -> Term:
    off, share = closure.off_um, closure.share
    gap, bound = run.against(off, closure.limit_um, 2, sign=True)
    if isinstance(off, np.ndarray) and off.ndim:
        # One of the two below, run by run; first order asks for no shape.
        # Sums of masked numbers take half the time of a choice run by run.
        out = closure.taken_out
        estimate = Estimate.of(off * out, np.abs(off) / math.sqrt(3.0) * np.logical_not(out))
        why = f"the zero drifted by {gap}: taken out by time where it is more than its uncertainty of {bound}"
    elif closure.taken_out:
        estimate = Estimate.exact(float(off))
        why = (
            f"the zero drifted by {gap}, more than its uncertainty of {bound}: taken out by time; how its readings "
            "scatter stands with the repeatability"
        )
    else:
        estimate = Estimate.within(0.0, abs(float(off)))
        why = f"the zero closed to {gap}, within its uncertainty of {bound}: carried, not taken out"
    name = f"drift of zero {closure.zero}.{closure.visit}"
    item = Input(name=name, estimate=estimate, unit="um", evaluation="B", why=why)
    return Term(
        name=name,
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
