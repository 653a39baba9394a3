"""Check standard: a second known block, read against its certified value.

It catches what repeats never show: a wrong master, a wrong unit, a sign turned round, a wrong gain. What the comparator
should show on it comes from the length model: away from 20 °C a block that differs from the reference in length,
material or temperature shows another difference than its certificate has.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    CheckStandard,
    ExpansionEstimate,
    Finding,
    Input,
    Level,
    Number,
    RunView,
    Settings,
    SlotKind,
    TemperatureEstimate,
    Term,
    exceeds,
    hookimpl,
    mean,
    reference_deviation,
    shown_difference_um,
)
from holdzero_plugins.checks._causes import Bench, causes_of
from holdzero_plugins.checks._growth import (
    Known,
    above_20,
    bodies_of,
    expansion_of,
    growth,
    joined,
    stated,
    thermal_settings,
)

_MEND = (
    "A wrong block under the zero, or dirt? Take the right one, wipe it, and give the zero up (z): it is set anew, and "
    "the check standard read again. Only this reading wrong? Strike it out (s)."
)


class CheckStandardSettings(Settings):
    """`[checks.check_standard]`; block and limit stand in `[check_standard]`."""

    temperature: TemperatureEstimate | None = Field(
        None, description="Of the check standard; that of the reference where left out."
    )
    expansion: ExpansionEstimate | None = Field(
        None,
        description="Of the check standard, in place of the table's; that of the reference where it is of the same "
        "material, or of none that is stated.",
    )


def _nothing(at: Mapping[str, Number]) -> Number:
    del at
    return 0.0


_NONE = Known((), _nothing)


def _growths(settings: CheckStandardSettings, run: RunView, block: CheckStandard) -> tuple[Known, Known] | None:
    """How much check standard and reference have grown since 20 °C [1]; None where that can't be known.

    A routine without `[checks.thermal]` takes everything as it is at the bench, and so does this.
    """
    thermal = thermal_settings(run)
    if thermal is None or run.reference is None:
        return _NONE, _NONE
    bodies = bodies_of(thermal, run)
    above = bodies.reference_above_K
    if settings.temperature is not None:
        above = above_20(stated("temperature of the check standard", settings.temperature, "degC"))
    alike = block.material in ("", run.reference.material) and settings.expansion is None
    expansion = (
        bodies.reference_expansion if alike else expansion_of(run, "check standard", settings.expansion, block.material)
    )
    own, of_reference = growth(expansion, above), bodies.reference_growth
    return None if own is None or of_reference is None else (own, of_reference)


def expected(settings: CheckStandardSettings, run: RunView) -> Iterable[Term]:
    """What the comparator should show on the check standard, zeroed on the reference [um].

    Source: JCGM 100:2008, H.1.2, eq. (H.1), see `shown_difference_um`.
    """
    block, reference = run.routine.check_standard, run.reference
    if block is None or reference is None:
        return
    own_growth, reference_growth = _growths(settings, run, block) or (_NONE, _NONE)
    why = block.deviation.why or " ".join(("certificate", block.certificate or "as the routine states it"))
    known = Input(name="deviation of the check standard", estimate=block.deviation, unit="um", evaluation="B", why=why)
    of_reference, size, zeroed_on = reference_deviation(reference), block.size, reference.size
    length = Known((known,), lambda at: size + at[known.name])
    reference_length = Known((of_reference,), lambda at: zeroed_on + at[of_reference.name])
    shows = joined(shown_difference_um, length, own_growth, reference_length, reference_growth)
    names = tuple(item.name for item in shows.inputs)
    yield Term(
        name="check standard less reference",
        inputs=shows.inputs,
        function=lambda *numbers: shows.number(dict(zip(names, numbers, strict=True))),
        words="the lengths of both at their temperatures",
        source="ISO 1; JCGM 100:2008, H.1.2, eq. (H.1): l·(1 + α·θ) − l_S·(1 + α_S·θ_S)",
    )


def _expected_um(settings: CheckStandardSettings, run: RunView) -> Number | None:
    """The same at the estimates [um]; None where there is nothing to compare."""
    terms = list(expected(settings, run))
    return sum((t.function(*(i.estimate.value for i in t.inputs)) for t in terms), start=0.0) if terms else None


def _bench(settings: CheckStandardSettings, run: RunView, block: CheckStandard, should: Number) -> Bench:
    """What a sound check standard would do: as certain as its certificates, the scatter and the limit let it be."""
    inputs = [(term, item) for term in expected(settings, run) for item in term.inputs]
    # JCGM 100:2008, 5.1.3, note 2: sensitivities by steps of one standard uncertainty.
    contributions = [_moved_by(term, item) for term, item in inputs]
    # The limit is taken for twice a standard uncertainty: a sound one lies within it (a choice of ours).
    parts = [*contributions, block.limit / 2.0, float(np.mean(run.scatter_um[0])), run.resolution_um / math.sqrt(12.0)]
    return Bench(
        expected_um=float(np.mean(should)),
        standard_um=math.hypot(*parts),
        limit_um=block.limit,
        step_um=run.resolution_um,
        turn_um=run.comparator.turn if run.comparator else None,
    )


def _moved_by(term: Term, of: Input) -> float:
    """By how much a term changes where an input is a standard uncertainty larger [um]."""
    at = [float(np.mean(item.estimate.value)) for item in term.inputs]
    moved = [
        value + float(np.mean(item.estimate.standard_uncertainty)) * (item is of)
        for value, item in zip(at, term.inputs, strict=True)
    ]
    return float(np.mean(term.function(*moved) - term.function(*at)))


def _digits(number: Number, limit: float) -> int:
    """So many significant digits of a number that a tenth of the limit shows."""
    times = float(np.max(np.abs(number))) / limit
    return max(4, math.floor(math.log10(times)) + 3) if times else 4


def _against_certificate(settings: CheckStandardSettings, run: RunView) -> Iterable[Finding]:
    block, should = run.routine.check_standard, _expected_um(settings, run)
    readings = [r for r in run.of_kind(SlotKind.CHECK) if run.zeros(r.zero)]
    if block is None or should is None or not readings:
        return
    bench, digits = _bench(settings, run, block, should), _digits(should, block.limit)
    by_zero: dict[int, list[Number]] = {}
    for r in readings:
        by_zero.setdefault(r.zero, []).append(run.difference_um(r))
    for _, differences in sorted(by_zero.items()):
        read = mean(differences)
        off = read - should
        likely = ", or ".join(cause.words for cause in causes_of(float(np.mean(read)), bench))
        data = {"read_um": float(np.mean(read)), "expected_um": float(np.mean(should)), "limit_um": block.limit}
        out = exceeds(np.abs(off), block.limit, run.resolution_um)
        yield Finding(
            level=Level.STOP,
            code="check_standard/limit",
            text=f"The check standard should read {run.length(should, digits)}, within "
            f"{run.length(block.limit, 3)}; it reads {run.length(read, digits)}. This looks like: {likely}.",
            data=data,
            holds=out,
        )
        yield Finding(
            level=Level.NOTE,
            code="check_standard/good",
            text=f"The check standard reads {run.length(off, 3, sign=True)} off its certificate "
            f"(limit {run.length(block.limit, 3)}).",
            data=data,
            holds=np.logical_not(out),
        )


def watch(settings: CheckStandardSettings, run: RunView) -> Iterable[Finding]:
    """Stop at once, before a part is read with a wrong zero."""
    last = max((r.seq for r in run.of_kind(SlotKind.CHECK)), default=0)
    # What was read under a zero that was given up is read again, and asked about then.
    standing = tuple(r for r in run.readings if r.kind is not SlotKind.CHECK or r.seq not in run.gone)
    run = run if len(standing) == len(run.readings) else replace(run, readings=standing)
    # Each reading is asked about anew: going on after one says nothing of the next.
    return [
        replace(f, code=f"{f.code}/{last}", text=f"{f.text} {_MEND}")
        for f in _against_certificate(settings, run)
        if f.level is Level.STOP
    ]


def judge(
    settings: CheckStandardSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """The same at the end; and a check standard that nobody read."""
    del characteristics
    yield from _against_certificate(settings, run)
    block = run.routine.check_standard
    if block is not None and run.of_kind(SlotKind.CHECK) and _growths(settings, run, block) is None:
        text = (
            "The check standard was compared as if all were at 20 °C: its temperature or expansion is not known. "
            "State them in [checks.thermal] and [checks.check_standard]."
        )
        yield Finding(level=Level.DOUBT, code="check_standard/growth", text=text)
    if not run.of_kind(SlotKind.CHECK):
        text = "The routine names a check standard, and it was not read."
        yield Finding(level=Level.STOP, code="check_standard/unread", text=text)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check standard."""
    return [
        Check(
            name="check_standard",
            title="second known block against its certificate",
            settings=CheckStandardSettings,
            watch=watch,
            judge=judge,
            expected=expected,
            arrays=True,
        )
    ]
