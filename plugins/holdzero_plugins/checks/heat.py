"""Heat: a size or a tilt that fades from pass to pass is heat of the hand, not shape.

All passes of a characteristic are fitted at once: each place settles at its own value from its own
start, and one time constant holds for the body. Readings of a rehearsal are fitted run by run in one go.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from holdzero.hooks import (
    Characteristic,
    CharacteristicView,
    Check,
    Decay,
    Finding,
    Level,
    Measure,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    exceeds,
    fit_decay,
    hookimpl,
    soak_time_s,
    stack,
    student_quantile,
    time_constant_s,
    value_and_uncertainty,
)
from holdzero_plugins.checks import _tables

Floats = NDArray[np.float64]

__all__ = ["HeatSettings", "fit_decay", "soak_time_s", "time_constant_s"]

LEAST_PASSES = 4
SIGNIFICANCE = 0.01  # of the fade against constants (common practice, no source)
LEAST_AMPLITUDE_U = 3.0  # in its standard uncertainty (common practice, no source)
ALLOWANCE_SHARE = 0.1  # of the tolerance's width (common practice, no source)
COVERAGE = 0.975  # upper end of a two-sided interval of 95 %
# A fade that is over within half a pass, or that does not bend within so many spans, can't be told
# from a bad first pass, or from a steady creep (common practice, no source).
_SHORTEST_PASS, _LONGEST_SPANS = 0.5, 4.0


class HeatSettings(Settings):
    """`[checks.heat]`."""

    limit: Size | None = Field(
        None, description="How much heat may be left in a last reading; the resolution where left out."
    )
    allowance: Size | None = Field(
        None,
        description="How much of a value heat may explain before it is undecided; a tenth of the tolerance's width, "
        "or the resolution where there is none, where left out.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fade:
    """What a fitted fade means for one characteristic; arrays have one entry a run.

    Attributes:
        first_um, last_um: the fitted quantity at the first and the last reading [um].
        settled_um, settled_u_um: where it ends, and its standard uncertainty [um].
        amplitude_um, amplitude_u_um: heat in it at the first reading [um].
        left_um: heat in it at the last reading [um].
        in_value_um: heat in the value as it is reported [um].
        tau_s, tau_u_s: time constant [s], or in readings where no times are known.
        dof: degrees of freedom [1].
        span_s: from the first reading to the last [s]; None where no times are known.
        sure: whether it is a fade: significant, large enough, and bent enough to tell its end.
        creeps: whether it changes, and its end can't be told.
    """

    first_um: Floats
    last_um: Floats
    settled_um: Floats
    settled_u_um: Floats
    amplitude_um: Floats
    amplitude_u_um: Floats
    left_um: Floats
    in_value_um: Floats
    tau_s: Floats
    tau_u_s: Floats
    dof: float
    span_s: float | None
    sure: NDArray[np.bool_]
    creeps: NDArray[np.bool_]

    def wait_s(self, limit_um: float) -> Floats:
        """How long until less heat than a limit [um] is left [s]."""
        return np.asarray(self.tau_s * np.log(np.maximum(np.abs(self.left_um) / limit_um, 1.0)))


def passes(spec: Characteristic, readings: Iterable[Reading]) -> int:
    """How often every place of a characteristic was read."""
    places = [str(r.slot.place) for r in readings]
    return min(places.count(place) for place in spec.places)


def fade_of(run: RunView, spec: Characteristic, readings: Sequence[Reading], weights: Sequence[Number]) -> Fade:
    """Fit the fade of one characteristic.

    Args:
        run: the readings' [um].
        spec: of the characteristic, each of its places read four times or more.
        readings: that it is made of.
        weights: one for each reading [1].

    Returns:
        The fade [um, s].

    Source: least squares, see `fit_decay`; F-test of the fade against constants, e.g. NIST/SEMATECH
    e-Handbook, 4.4.4.6 (from memory). Rounding alone leaves the resolution over √12, JCGM 100:2008,
    F.2.2.1.
    """
    series = _series(run, spec, readings, weights)
    pass_s = series.span / (passes(spec, readings) - 1)
    rates = (1.0 / (_LONGEST_SPANS * series.span), 1.0 / (_SHORTEST_PASS * pass_s))
    values = stack([run.difference_um(r) for r in readings])
    fit = fit_decay(series.times, values, series.labels, rates=rates, floor=run.resolution_um / math.sqrt(12.0))
    return _fade(fit, series, run.resolution_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Series:
    """Readings laid out for the fit.

    Attributes:
        times: from the first reading [s], or in readings where no times are known.
        timed: whether they are times.
        labels: which place each reading is of, from 0.
        weights: of each reading in the value [1].
        of_place: sum of the weights of each place [1].
    """

    times: Floats
    timed: bool
    labels: NDArray[np.int64]
    weights: Floats
    of_place: Floats

    @property
    def span(self) -> float:
        """From the first reading to the last."""
        return float(self.times.max())


def _series(run: RunView, spec: Characteristic, readings: Sequence[Reading], weights: Sequence[Number]) -> _Series:
    times = np.array([r.time_s for r in readings])
    timed = bool(np.ptp(times) > 0.0)
    if not timed:
        order = {r.seq: float(index) for index, r in enumerate(run.readings)}
        times = np.array([order[r.seq] for r in readings])
    labels = np.array([spec.places.index(str(r.slot.place)) for r in readings])
    shares = stack(list(weights))
    of_place = shares @ (labels[:, None] == np.arange(len(spec.places))).astype(np.float64)
    return _Series(times=times - times.min(), timed=timed, labels=labels, weights=shares, of_place=of_place)


def _fade(fit: Decay, series: _Series, resolution_um: float) -> Fade:
    from scipy.special import fdtri

    settled, settled_u = fit.settled_of(series.of_place)
    amplitude, amplitude_u = fit.amplitude_of(series.of_place)
    left = amplitude * fit.faded(np.array([series.span]))[..., 0]
    in_value = (series.weights * fit.amplitude[..., series.labels] * fit.faded(series.times)).sum(axis=-1)
    changes = fit.f > float(fdtri(fit.f_dof, fit.dof, 1.0 - SIGNIFICANCE))
    large = (np.abs(amplitude) > LEAST_AMPLITUDE_U * amplitude_u) & (np.abs(amplitude) > resolution_um)
    moved = np.abs(amplitude - left) > resolution_um
    return Fade(
        first_um=settled + amplitude,
        last_um=settled + left,
        settled_um=settled,
        settled_u_um=settled_u,
        amplitude_um=amplitude,
        amplitude_u_um=amplitude_u,
        left_um=left,
        in_value_um=in_value,
        tau_s=np.asarray(1.0 / fit.rate),
        tau_u_s=np.asarray(fit.rate_standard / np.square(fit.rate)),
        dof=fit.dof,
        span_s=series.span if series.timed else None,
        sure=np.asarray(changes & large & (fit.edge == 0)),
        creeps=np.asarray(changes & moved & (fit.edge < 0)),
    )


def _allowance_um(settings: HeatSettings, run: RunView, spec: Characteristic) -> float:
    if settings.allowance is not None:
        return settings.allowance
    lower = 0.0 if spec.measure is Measure.VARIATION and spec.lower is None else spec.lower
    if spec.upper is None or lower is None:
        return run.resolution_um
    return ALLOWANCE_SHARE * (spec.upper - lower)


# --- in words ---------------------------------------------------------------------------------


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{math.ceil(seconds / 60.0)} min"  # noqa: PLR2004  two minutes


def _named(name: str, measure: Measure | str) -> str:
    words: dict[Measure | str, str] = {Measure.SIZE: "size", Measure.VARIATION: "tilt", Measure.STEP: "a step"}
    what = words.get(measure, f"a {measure}")
    return f"{name}: what looks like {what}"


def _middle(number: Floats) -> float:
    return float(np.median(number))


def _story(run: RunView, name: str, spec: Characteristic, fade: Fade) -> str:
    """From where to where it went, in how long."""
    span = f" in {_minutes(fade.span_s)}" if fade.span_s is not None else ""
    change = _middle(fade.first_um - fade.last_um)
    if spec.measure is Measure.SIZE:
        verb = "shrank" if change > 0.0 else "grew"
        return f"{_named(name, spec.measure)} {verb} by {run.length(abs(change))}{span}"
    verb = "faded" if change > 0.0 else "grew"
    first, last = run.length(_middle(fade.first_um)), run.length(_middle(fade.last_um))
    return f"{_named(name, spec.measure)} {verb} from {first} to {last}{span}"


def _cause(spec: Characteristic, fade: Fade) -> str:
    if spec.measure is Measure.SIZE and _middle(fade.amplitude_um) < 0.0:
        return "a cold part that warms up, not its size"
    return f"heat of the hand, not {'size' if spec.measure is Measure.SIZE else 'shape'}"


def _ending(run: RunView, spec: Characteristic, fade: Fade) -> str:
    expanded = float(student_quantile(COVERAGE, fade.dof)) * _middle(fade.settled_u_um)
    units = run.routine.routine.units
    if spec.measure is Measure.SIZE:
        return f"It would settle at the value {value_and_uncertainty(-_middle(fade.in_value_um), expanded, units)}."
    return f"It would settle at {value_and_uncertainty(_middle(fade.settled_um), expanded, units)}."


def _advice(run: RunView, fade: Fade, limit_um: float) -> str:
    """How long to wait, from the fit; and what a metal plate would make of it, as guidance."""
    wait = _middle(fade.wait_s(limit_um))
    if fade.span_s is None:
        return "Wait and read again; note the times, and they tell how long."
    if not wait:
        return "Less than that is left now: read again."
    material, words = run.materials.get(run.routine.part.material), f"Wait about {_minutes(wait)} and read again."
    if run.reference is not None and material is not None and material.expansion is not None:
        length = run.reference.size
        start = abs(_middle(fade.left_um)) / (float(material.expansion.value) * length)
        try:
            shortest, longest = soak_time_s(material, length, start, limit_um, "lying")
        except ValueError:  # no block is so short or so long, or its heat is not known: nothing to say
            return words
        words += f" Lying on a metal plate, a block of this length needs {_minutes(shortest)} to {_minutes(longest)}."
    return words


def _data(fade: Fade, limit_um: float) -> dict[str, float]:
    return {
        "asymptote_um": _middle(fade.settled_um),
        "asymptote_standard_um": _middle(fade.settled_u_um),
        "amplitude_um": _middle(fade.amplitude_um),
        "amplitude_standard_um": _middle(fade.amplitude_u_um),
        "left_um": _middle(fade.left_um),
        "in_value_um": _middle(fade.in_value_um),
        "degrees_of_freedom": fade.dof,
    } | (
        {}
        if fade.span_s is None
        else {
            "tau_s": _middle(fade.tau_s),
            "tau_standard_s": _middle(fade.tau_u_s),
            "wait_s": _middle(fade.wait_s(limit_um)),
        }
    )


# --- the check --------------------------------------------------------------------------------


def watch(settings: HeatSettings, run: RunView) -> Iterable[Finding]:
    """After each pass from the fourth on: whether the readings fade."""
    if not run.readings or run.readings[-1].kind is not SlotKind.READ:
        return
    limit = settings.limit or run.resolution_um
    for name, spec in run.routine.characteristics.items():
        force = spec.force
        readings = [
            r
            for r in run.of_kind(SlotKind.READ)
            if r.slot.place in spec.places and force in (None, r.slot.force_N) and run.zeros(r.zero)
        ]
        even = len(readings) == len(spec.places) * (count := passes(spec, readings))
        if count < LEAST_PASSES or not even or readings[-1].seq != run.readings[-1].seq or limit == 0.0:
            continue
        fade = fade_of(run, spec, readings, _own_weights(run, spec, readings))
        yield Finding(
            level=Level.DOUBT,
            code=f"heat/fades/{name}/{count}",
            text=f"{_story(run, name, spec, fade)}: is the part still warm? {_advice(run, fade, limit)}",
            characteristic=name,
            data=_data(fade, limit),
            holds=fade.sure,
        )


def _own_weights(run: RunView, spec: Characteristic, readings: Sequence[Reading]) -> list[Number]:
    """Plain means of the places; of a variation, the highest place less the lowest."""
    count = len(readings) // len(spec.places)
    if spec.measure is Measure.VARIATION:
        means = stack(
            [stack([run.difference_um(r) for r in readings if r.slot.place == at]).mean(axis=-1) for at in spec.at]
        )
        order = np.arange(len(spec.at))
        of_place = (order == means.argmax(axis=-1)[..., None]) * 1.0 - (order == means.argmin(axis=-1)[..., None]) * 1.0
        return [of_place[..., spec.at.index(str(r.slot.place))] / count for r in readings]
    base = spec.base or ()
    plain = dict.fromkeys(spec.places, 0.0) | dict.fromkeys(spec.at, 1.0 / len(spec.at))
    plain |= dict.fromkeys(base, -1.0 / max(len(base), 1))
    return [plain[str(r.slot.place)] / count for r in readings]


def judge(settings: HeatSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """A characteristic stays undecided while heat explains more of its value than is allowed."""
    limit = settings.limit or run.resolution_um
    for c in characteristics:
        if passes(c.spec, c.readings) < LEAST_PASSES or limit == 0.0:
            yield Finding(
                level=Level.DOUBT,
                code="heat/few",
                text=f"{c.name}: heat shows over {LEAST_PASSES} passes or more, and there were fewer. It is not known.",
                characteristic=c.name,
            )
            continue
        fade = fade_of(run, c.spec, c.readings, c.weights)
        yield from _judged(settings, run, c, fade, limit)


def _judged(
    settings: HeatSettings, run: RunView, c: CharacteristicView, fade: Fade, limit_um: float
) -> Iterable[Finding]:
    allowance, data = _allowance_um(settings, run, c.spec), _data(fade, limit_um)
    much = exceeds(np.abs(fade.in_value_um), allowance, run.resolution_um)
    story = _story(run, c.name, c.spec, fade)
    explained, allowed = run.against(abs(_middle(fade.in_value_um)), allowance, 2)
    yield Finding(
        level=Level.STOP,
        code="heat/explains",
        text=f"{story}: {_cause(c.spec, fade)}. {_ending(run, c.spec, fade)} Heat explains {explained} of the "
        f"value; at most {allowed} is allowed. {_advice(run, fade, limit_um)}",
        characteristic=c.name,
        data={**data, "allowance_um": allowance},
        holds=fade.sure & much,
    )
    yield Finding(
        level=Level.NOTE,
        code="heat/little",
        text=f"{story}: {_cause(c.spec, fade)}. It explains {explained} of the value, within the {allowed} allowed.",
        characteristic=c.name,
        data={**data, "allowance_um": allowance},
        holds=fade.sure & np.logical_not(much),
    )
    yield Finding(
        level=Level.DOUBT,
        code="heat/creep",
        text=f"{story}, and it does not bend yet: its end can't be told. Wait and read again.",
        characteristic=c.name,
        data={"moved_um": _middle(fade.first_um - fade.last_um)},
        holds=fade.creeps,
    )


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check for heat."""
    return [
        Check(
            name="heat",
            title="size or tilt that fades over the passes",
            settings=HeatSettings,
            watch=watch,
            judge=judge,
            validate=_tables.heat,
            arrays=True,
        )
    ]
