"""Drift check: comparison designs whose order takes a steady drift out of the value.

The blocks are read as places; a characteristic names the part's place in `at`, the reference's in
`from` and all others of the comparison in `with`. Least squares over the whole design weighs the
readings; what is left over is their scatter, and controls the run.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Finding,
    LengthEstimate,
    Level,
    Measure,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    Weighting,
    exceeds,
    hookimpl,
    shown,
    stack,
    student_quantile,
    thermal_correction_um,
)
from holdzero_plugins.checks import _tables
from holdzero_plugins.checks._designs import Array, DesignError, Solution, f_quantile, half_steps, solved
from holdzero_plugins.checks._growth import bench_of

F_PROBABILITY = 0.99  # test of the scatter, NIST Monograph 180, 4.4.2 (from memory)
CHECK_PROBABILITY = 0.9973  # three sigma, NIST Monograph 180, 4.4.2 (from memory)
_LONG_PAUSE = 3.0  # usual gaps between observations; common practice, no source
_SHORT_S = 60.0  # a pause that matters to no design; common practice, no source
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
        description="Accepted scatter: where the F-test (99 %) finds no more in the run, it counts in place of what the "
        "design leaves over.",
    )
    check: CheckPlace | None = Field(None, description="Check standard within the design.")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
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


def _is_of_the_design(characteristic: CharacteristicView) -> bool:
    spec = characteristic.spec
    return spec.base is not None and spec.measure is not Measure.VARIATION and spec.of.value == "mean"


def _planned(reading: Reading) -> list[int]:
    """Where a reading stands in the plan: the numbers of its slot count steps, rounds and lifts."""
    return [int(number) for number in re.findall(r"[0-9]+", reading.slot.id)]


def _fitted(settings: DriftSettings, run: RunView, characteristic: CharacteristicView) -> _Fit:
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
    return _Fit(
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
class _Scatter:
    """How an observation scatters, as it goes into the uncertainty.

    Attributes:
        s_um: its standard deviation [um].
        dof: degrees of freedom [1].
        why: where it comes from.
    """

    s_um: Number
    dof: float
    why: str


def _f_of(accepted: Accepted, fit: _Fit) -> tuple[Number, float]:
    """Ratio of the run's variance to the accepted one [1], and what it is at most with a probability of 99 % [1].

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 (seen), 2.3.5 (second-hand).
    """
    ratio = np.square(fit.solution.scatter(fit.observations) / accepted.standard)
    return ratio, f_quantile(F_PROBABILITY, fit.solution.dof, accepted.dof)


def _scatter(settings: DriftSettings, run: RunView, fit: _Fit) -> _Scatter:
    """Standard deviation that counts: the accepted one, unless the run scatters more than that allows.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.1.2 (seen: a standard deviation of fewer than ten
    degrees of freedom is no reliable estimate, pooled ones are) and 2.3.3.3 (seen: the repeatability standard
    deviation of the process makes that of the test item).
    """
    accepted, dof = settings.accepted, fit.solution.dof
    own = _Scatter(s_um=fit.solution.scatter(fit.observations), dof=float(dof), why="left over by the design")
    if accepted is None and dof:
        return own
    if accepted is None:
        s, of_repeats = run.scatter_um
        s = s * math.sqrt(2.0 if fit.pairs else 1.0)
        return _Scatter(s_um=s, dof=of_repeats, why="of the repeats, the drift within")
    known = _Scatter(s_um=accepted.standard, dof=accepted.dof, why="accepted, of earlier runs")
    if not dof:
        return known
    ratio, limit = _f_of(accepted, fit)
    good = ratio <= limit
    if np.all(good):
        return replace(known, why=f"{known.why}, as the F-test allows")
    why = f"{own.why}, larger than the F-test allows the accepted one to be taken for"
    if not np.any(good):
        return replace(own, why=why)
    # In a rehearsal some runs keep it and some are stopped; nothing is decided by the degrees of freedom of those.
    return _Scatter(s_um=np.where(good, accepted.standard, own.s_um), dof=accepted.dof, why=known.why)


def weigh(settings: DriftSettings, run: RunView, characteristic: CharacteristicView) -> Weighting | None:
    """Weights of the readings by least squares [1]; None where it is no design that can be solved.

    A difference of a pair scatters by √2 of a single reading, so that s·√(Σ weight²) over the single
    readings is the published factor times the s of a difference.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3.2.1 (seen), 2.3.3.1.2 (seen).
    """
    if not _is_of_the_design(characteristic):
        return None
    try:
        fit = _fitted(settings, run, characteristic)
    except DesignError:
        return None  # judge says why, and stops the characteristic
    row = fit.row(characteristic.spec.at, characteristic.spec.base or ())
    if fit.pairs:
        row = np.stack([row, -row], axis=-1).ravel()
    by_entry = {r.seq: float(weight) for r, weight in zip(fit.readings, row, strict=True)}
    counts = _scatter(settings, run, fit)
    single = counts.s_um / math.sqrt(2.0) if fit.pairs else counts.s_um
    return Weighting(weights=tuple(by_entry[r.seq] for r in characteristic.readings), scatter=(single, counts.dof))


def _length_of(weights: Array) -> float:
    return float(np.sqrt(np.square(weights).sum()))


def _noted(run: RunView, name: str, fit: _Fit, counts: _Scatter, *, accepted: bool) -> Iterable[Finding]:
    s, own, spare = counts.s_um, fit.solution.scatter(fit.observations), fit.solution.dof
    # a step of the order is two half steps
    drift, u = 2.0 * (fit.observations @ fit.drift), 2.0 * _length_of(fit.drift) * s
    unit = "difference" if fit.pairs else "reading"
    left = f"s = {run.length(own)} ({spare} degrees of freedom) is left over. " if spare else ""
    text = (
        f"{name}: {fit.observations.shape[-1]} {unit}s of {len(fit.places)} places. {left}A {unit} counts with "
        f"s = {run.length(s)} ({counts.dof:g} degrees of freedom, {counts.why}). A drift of "
        f"{run.length(drift, sign=True)} from one {unit} to the next was taken out (standard uncertainty "
        f"{run.length(u)})."
    )
    if fit.slanted:
        text += " The order is not balanced against the drift; least squares takes it out all the same."
    data = {"s_um": s, "drift_um": drift, "drift_standard_um": u} | ({"left_over_um": own} if spare else {})
    numbers = {key: float(np.mean(value)) for key, value in data.items()}
    numbers |= {"degrees_of_freedom": counts.dof, "left_over_dof": spare, "condition": fit.solution.condition}
    yield Finding(level=Level.NOTE, code="drift/design", text=text, characteristic=name, data=numbers)
    if not fit.solution.dof:
        known = "" if accepted else " State accepted, the scatter of earlier runs."
        yield Finding(
            level=Level.NOTE if accepted else Level.DOUBT,
            code="drift/no_spare",
            text=f"{name}: the design has no reading to spare, so it does not control itself.{known}",
            characteristic=name,
        )


def _paced(name: str, fit: _Fit) -> Iterable[Finding]:
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


def _f_test(settings: DriftSettings, run: RunView, name: str, fit: _Fit) -> Iterable[Finding]:
    """Scatter of the run against the accepted one, see `_f_of`."""
    accepted = settings.accepted
    if accepted is None or not fit.solution.dof:
        return
    s = fit.solution.scatter(fit.observations)
    f, limit = _f_of(accepted, fit)
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
    check: CheckPlace, run: RunView, characteristic: CharacteristicView, fit: _Fit, known: tuple[Number, float]
) -> Iterable[Finding]:
    """The check standard of the design against its accepted difference.

    Source: three sigma, NIST Monograph 180, 4.4.2 (from memory); e-Handbook 2.3.5 (second-hand);
    for few degrees of freedom Student's t of the same probability (JCGM 100:2008, G.4.1).
    """
    name, place = characteristic.name, check.place
    base = tuple(p for p in characteristic.spec.base or () if p != place)
    against = (check.against,) if check.against else base
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
    """What a difference of masters, or of places of the part, is more at 20 °C [um]; of two materials it is not known.

    Source: JCGM 100:2008, H.1.2, linear expansion, see `thermal_correction_um`.
    """
    bench, masters = bench_of(run), characteristic.spec.base or ()
    if bench is None or len({place in masters for place in places}) > 1:
        return 0.0
    return thermal_correction_um(read_um, bench.reference_growth if places[0] in masters else bench.growth)


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
        fit = _fitted(settings, run, characteristic)
    except DesignError as error:
        text = f"{name}: the design of the readings can't be solved: {error}."
        yield Finding(level=Level.STOP, code="drift/unsolved", text=text, characteristic=name)
        return
    counts = _scatter(settings, run, fit)
    yield from _noted(run, name, fit, counts, accepted=settings.accepted is not None)
    yield from _paced(name, fit)
    yield from _f_test(settings, run, name, fit)
    if settings.check is not None:
        known = settings.accepted
        s, dof = (counts.s_um, counts.dof) if known is None else (known.standard, known.dof)
        # readings that all show the same step have scatter all the same (JCGM 100:2008, F.2.2.1)
        rounding = run.resolution_um * math.sqrt((2.0 if fit.pairs else 1.0) / 12.0)
        yield from _check(settings.check, run, characteristic, fit, (np.maximum(s, rounding), dof))


def judge(settings: DriftSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Scatter and drift of each design, the F-test, the check standard; and a design that can't be solved."""
    own = [characteristic for characteristic in characteristics if _is_of_the_design(characteristic)]
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
            validate=_tables.drift,
            arrays=True,
        )
    ]
