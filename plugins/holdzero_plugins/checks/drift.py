"""Drift check: comparison designs whose order takes a steady drift out of the value.

The blocks are read as places; a characteristic names the part's place in `at`, the reference's in
`from` and all others of the comparison in `with`. Least squares over the whole design weighs the
readings; what is left over is their scatter, and controls the run.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import partial

import numpy as np

from holdzero.hooks import (
    Apart,
    Characteristic,
    CharacteristicView,
    Check,
    Finding,
    Input,
    Level,
    Number,
    RunView,
    Term,
    Weighting,
    exceeds,
    hookimpl,
    shown,
    shown_difference_um,
    student_quantile,
    thermal_correction_um,
)
from holdzero_plugins.checks import _tables
from holdzero_plugins.checks._comparison import (
    F_PROBABILITY,
    CheckPlace,
    DriftSettings,
    Fit,
    Scatter,
    f_of,
    fitted,
    is_of_the_design,
    scatter_of,
)
from holdzero_plugins.checks._designs import Array, DesignError
from holdzero_plugins.checks._growth import bench_of

CHECK_PROBABILITY = 0.9973  # three sigma, NIST Monograph 180, 4.4.2 (from memory)
_LONG_PAUSE = 3.0  # usual gaps between observations; common practice, no source
_SHORT_S = 60.0  # a pause that matters to no design; common practice, no source


def weigh(settings: DriftSettings, run: RunView, characteristic: CharacteristicView) -> Weighting | None:
    """Weights of the readings by least squares [1]; None where it is no design that can be solved.

    A difference of a pair scatters by √2 of a single reading, so that s·√(Σ weight²) over the single
    readings is the published factor times the s of a difference.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3.2.1 (seen), 2.3.3.1.2 (seen).
    """
    if not is_of_the_design(characteristic.spec):
        return None
    try:
        fit = fitted(settings, run, characteristic)
    except DesignError:
        return None  # judge says why, and stops the characteristic
    row = fit.row(characteristic.spec.at, characteristic.spec.base or ())
    if fit.pairs:
        row = np.stack([row, -row], axis=-1).ravel()
    by_entry = {r.seq: float(weight) for r, weight in zip(fit.readings, row, strict=True)}
    counts = scatter_of(settings, run, fit)
    single = counts.s_um / math.sqrt(2.0) if fit.pairs else counts.s_um
    return Weighting(weights=tuple(by_entry[r.seq] for r in characteristic.readings), scatter=(single, counts.dof))


def _length_of(weights: Array) -> float:
    return float(np.sqrt(np.square(weights).sum()))


def _noted(run: RunView, name: str, fit: Fit, counts: Scatter, *, accepted: bool) -> Iterable[Finding]:
    s, own, spare = counts.s_um, fit.solution.scatter(fit.observations), fit.solution.dof
    # a step of the order is two half steps
    drift, u = 2.0 * (fit.observations @ fit.drift), 2.0 * _length_of(fit.drift) * s
    unit = "difference" if fit.pairs else "reading"
    left = f"s = {run.length(own)} ({spare} degrees of freedom) is left over. " if spare else ""
    text = (
        f"{name}: {fit.observations.shape[-1]} {unit}s of {len(fit.places)} places. {left}A {unit} counts with "
        f"s = {run.length(s)} ({float(np.min(counts.dof)):g} degrees of freedom, {counts.why}). A drift of "
        f"{run.length(drift, sign=True)} from one {unit} to the next was taken out (standard uncertainty "
        f"{run.length(u)})."
    )
    if fit.slanted:
        text += " The order is not balanced against the drift; least squares takes it out all the same."
    data = {"s_um": s, "drift_um": drift, "drift_standard_um": u} | ({"left_over_um": own} if spare else {})
    numbers = {key: float(np.mean(value)) for key, value in data.items()}
    numbers |= {
        "degrees_of_freedom": float(np.mean(counts.dof)),
        "left_over_dof": spare,
        "condition": fit.solution.condition,
    }
    yield Finding(level=Level.NOTE, code="drift/design", text=text, characteristic=name, data=numbers)
    if not fit.solution.dof:
        known = "" if accepted else " State accepted, the scatter of earlier runs."
        yield Finding(
            level=Level.NOTE if accepted else Level.DOUBT,
            code="drift/no_spare",
            text=f"{name}: the design has no reading to spare, so it does not control itself.{known}",
            characteristic=name,
        )


def _paced(name: str, fit: Fit) -> Iterable[Finding]:
    """A drift that is steady in time is steady in the order only where the order is evenly spaced.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3.1.2 (seen).
    """
    times = np.array([r.time_s for r in fit.readings])
    gaps = np.diff(times.reshape(-1, 2).mean(axis=1) if fit.pairs else times)
    longest, usual = float(gaps.max()), float(np.median(gaps))
    yield Finding(
        level=Level.DOUBT,
        code="drift/pause",
        text=f"{name}: a pause of {longest:.0f} s within the design, where {usual:.0f} s are usual. It takes even "
        "spacing for granted: a drift is taken out only in part.",
        characteristic=name,
        data={"longest_s": longest, "usual_s": usual},
        holds=longest > max(_LONG_PAUSE * usual, _SHORT_S),
    )


def _f_test(settings: DriftSettings, run: RunView, name: str, fit: Fit) -> Iterable[Finding]:
    """Scatter of the run against the accepted one, see `f_of`."""
    accepted = settings.accepted
    if accepted is None or not fit.solution.dof:
        return
    s = fit.solution.scatter(fit.observations)
    f, limit = f_of(accepted, fit)
    text = (
        f"{name}: the run scatters by s = {run.length(s)}, the accepted scatter is {run.length(accepted.standard)}: "
        f"F = {shown(f, 3)}, limit {limit:.3g} ({100.0 * F_PROBABILITY:g} %)."
    )
    data = {"f": float(np.mean(f)), "limit": limit}
    yield Finding(
        level=Level.STOP,
        code="drift/scatter",
        text=f"{text} Dirt, a loose block, heat, a drift that is not steady? Find it and read the series again.",
        characteristic=name,
        data=data,
        holds=f > limit,
    )
    yield Finding(
        level=Level.NOTE, code="drift/scatter_good", text=text, characteristic=name, data=data, holds=f <= limit
    )


def _check(
    check: CheckPlace, run: RunView, characteristic: CharacteristicView, fit: Fit, known: tuple[Number, float]
) -> Iterable[Finding]:
    """The check standard of the design against its accepted difference.

    Source: three sigma, NIST Monograph 180, 4.4.2 (from memory); e-Handbook 2.3.5 (second-hand);
    for few degrees of freedom Student's t of the same probability (JCGM 100:2008, G.4.1).
    """
    name, place = characteristic.name, check.place
    against = _against(check, characteristic.spec)
    strange = [p for p in (place, *against) if p not in fit.places]
    if strange or not against or against == (place,):
        words = f"{', '.join(strange) or place}: not among {', '.join(fit.places)}, or compared with itself"
        text = f"{name}: the check standard can't be looked at: {words}. Name place and against, and list them in with."
        yield Finding(level=Level.STOP, code="drift/check_missing", text=text, characteristic=name)
        return
    row = fit.row((place,), against)
    read = fit.observations @ row
    off = read + _referred_um(run, characteristic, (place, *against), read) - check.value.value
    own, dof = _length_of(row) * known[0], known[1]
    accepted = check.value.standard_uncertainty
    u = np.sqrt(np.square(own) + np.square(accepted))
    limit = _bound(u, own, dof, accepted, check.value.dof)
    text = (
        f"{name}: the check standard {place} less {' and '.join(against)} lies {run.length(off, 3, sign=True)} from "
        f"its accepted difference; at most {run.length(limit, 3)} is likely."
    )
    data = {"off_um": float(np.mean(off)), "limit_um": float(np.mean(limit)), "standard_um": float(np.mean(u))}
    out = exceeds(np.abs(off), limit, run.resolution_um)
    yield Finding(
        level=Level.STOP,
        code="drift/check",
        text=f"{text} A wrong block, dirt or wear? Clean, and read the series again.",
        characteristic=name,
        data=data,
        holds=out,
    )
    good = np.logical_not(out)
    yield Finding(level=Level.NOTE, code="drift/check_good", text=text, characteristic=name, data=data, holds=good)


def _referred_um(run: RunView, characteristic: CharacteristicView, places: Sequence[str], read_um: Number) -> Number:
    """What a difference is more at 20 °C [um].

    Source: JCGM 100:2008, H.1.2, linear expansion, see `thermal_correction_um`.
    """
    return thermal_correction_um(read_um, _growth_of(run, characteristic.spec, places))


def _growth_of(run: RunView, spec: Characteristic, places: Sequence[str]) -> Number:
    """How much masters, or places of the part, have grown since 20 °C [1]; of both together it is not known, and 0."""
    bench, masters = bench_of(run), spec.base or ()
    if bench is None or len({place in masters for place in places}) > 1:
        return 0.0
    return bench.reference_growth if places[0] in masters else bench.growth


def _against(check: CheckPlace, spec: Characteristic) -> tuple[str, ...]:
    """The places that the check standard is compared with."""
    return (check.against,) if check.against else tuple(place for place in spec.base or () if place != check.place)


def apart(settings: DriftSettings, run: RunView) -> Iterable[Apart]:
    """By how much the check standard lies higher than what it is compared with: its accepted difference.

    Source: JCGM 100:2008, H.1.2, see `shown_difference_um`.
    """
    check, told = settings.check, set[tuple[str, ...]]()
    for spec in run.routine.characteristics.values():
        if check is None or not is_of_the_design(spec):
            continue
        above = _against(check, spec)
        places = (check.place, *above)
        if not above or above == (check.place,) or places in told or not set(places) <= set(spec.places):
            continue  # judge says that it can't be looked at
        told.add(places)
        name, growth = f"accepted difference of {check.place}", _growth_of(run, spec, places)
        why = check.value.why or "stated in the routine"
        known = Input(name=name, estimate=check.value, unit="um", evaluation="B", why=why)
        shows = partial(shown_difference_um, growth=growth)
        yield Apart(place=check.place, above=above, term=Term(name=name, inputs=(known,), function=shows))


def _bound(u: Number, own: Number, dof: float, accepted: Number, accepted_dof: Number) -> Number:
    """By how much an observed difference may lie off [um] (JCGM 100:2008, eq. G.2b and G.3.2)."""
    shares = (np.square(np.square(own)) / dof if dof else 0.0) + np.square(np.square(accepted)) / accepted_dof
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.where(shares > 0.0, np.square(np.square(u)) / np.asarray(shares), np.inf)
    bound: Number = u * student_quantile(0.5 + CHECK_PROBABILITY / 2.0, np.maximum(effective, 1.0))
    return bound


def _judged(settings: DriftSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Finding]:
    name = characteristic.name
    try:
        fit = fitted(settings, run, characteristic)
    except DesignError as error:
        text = f"{name}: the design of the readings can't be solved: {error}."
        yield Finding(level=Level.STOP, code="drift/unsolved", text=text, characteristic=name)
        return
    counts = scatter_of(settings, run, fit)
    yield from _noted(run, name, fit, counts, accepted=settings.accepted is not None)
    yield from _paced(name, fit)
    yield from _f_test(settings, run, name, fit)
    if settings.check is not None:
        known = settings.accepted
        s, dof = (counts.s_um, float(np.min(counts.dof))) if known is None else (known.standard, known.dof)
        # readings that all show the same step have scatter all the same (JCGM 100:2008, F.2.2.1)
        rounding = run.resolution_um * math.sqrt((2.0 if fit.pairs else 1.0) / 12.0)
        yield from _check(settings.check, run, characteristic, fit, (np.maximum(s, rounding), dof))


def judge(settings: DriftSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Scatter and drift of each design, the F-test, the check standard; and a design that can't be solved."""
    own = [characteristic for characteristic in characteristics if is_of_the_design(characteristic.spec)]
    for characteristic in own:
        yield from _judged(settings, run, characteristic)
    if not own and characteristics:
        text = "No characteristic is a size or step with from, so there is no design whose drift could be taken out."
        yield Finding(level=Level.DOUBT, code="drift/nothing", text=text)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The drift check."""
    return [
        Check(
            name="drift",
            title="comparison designs: drift taken out, scatter and check standard controlled",
            settings=DriftSettings,
            judge=judge,
            weigh=weigh,
            apart=apart,
            validate=_tables.drift,
            arrays=True,
        )
    ]
