"""Thermal check: what was read at the bench's temperatures is referred to 20 °C (ISO 1).

A size, and a difference within the part as well: both by the one model of `holdzero.length`. What is known of
temperatures and expansions stands in `_growth.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from holdzero.hooks import (
    CORRECTION_TO_20,
    MOST_GROWTH,
    Act,
    CharacteristicView,
    Check,
    Finding,
    Level,
    Measure,
    Number,
    Offer,
    RunView,
    SlotKind,
    TemperatureTaken,
    Term,
    exceeds,
    hookimpl,
    reference_deviation,
    shown,
    span_text,
    thermal_correction_um,
)
from holdzero_plugins.checks import _tables
from holdzero_plugins.checks._ground import asked_of_the_ground
from holdzero_plugins.checks._growth import Bodies, Known, bodies_of, joined
from holdzero_plugins.checks._moved import asked_where_moved, told_where_moved
from holdzero_plugins.checks._soaked import both_measured, cooling_of, halfwidth_K, left_of, short_soak
from holdzero_plugins.checks._thermal_settings import ThermalSettings

# Of the comparator's resolution: what has grown by less is not worth a word.
_UNSEEN = 1e-3
_FINEST_K = 1e-3  # no thermometer at a bench shows finer steps (common practice, no source)


def correction(settings: ThermalSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """Correction of a size, or of a difference within the part, to 20 °C [um].

    Source: JCGM 100:2008, H.1.2, eq. (H.1), solved for the length: see `thermal_correction_um`.
    """
    if "thermal" not in run.routine.checks:
        return  # it runs to watch the temperatures that are read, and nothing asks for a correction
    bodies, read, common = bodies_of(settings, run), characteristic.difference_read(run), characteristic.common_weight
    growth, reference_growth, reference = bodies.growth, bodies.reference_growth, run.reference
    length = Known((read,), lambda at: at[read.name])
    if growth is None:
        return
    if not common:
        corrected = joined(thermal_correction_um, length, growth)
        source = "ISO 1; JCGM 100:2008, H.1.2, linear expansion: d / (1 + α·θ), less d"
    elif reference is not None and reference_growth is not None:
        deviation, size = reference_deviation(reference), reference.size
        whole = Known((deviation,), lambda at: size + at[deviation.name])
        corrected = joined(_of_a_size, whole, reference_growth, growth, length)
        source = "ISO 1; JCGM 100:2008, H.1.2, eq. (H.1): [l_S·(1 + α_S·θ_S) + d] / (1 + α·θ), less l_S + d"
    else:
        return
    names = tuple(item.name for item in corrected.inputs)
    yield Term(
        name=CORRECTION_TO_20,
        inputs=corrected.inputs,
        function=lambda *numbers: corrected.number(dict(zip(names, numbers, strict=True))),
        words=_in_words(run, bodies, read.estimate.value, of_reference=bool(common)),
        source=source,
        linear_in=read.name,
    )


def _of_a_size(reference_um: Number, reference_growth: Number, growth: Number, difference_um: Number) -> Number:
    return thermal_correction_um(difference_um, growth, reference_um, reference_growth)


def _in_words(run: RunView, bodies: Bodies, read: Number, *, of_reference: bool) -> str:
    """Why the correction has its sign, for a run at the bench."""
    known = (bodies.above_K, bodies.growth, *((bodies.warmer_K, bodies.expands_more) if of_reference else ()))
    theta, growth, *others = (one.estimate if one is not None else 0.0 for one in known)
    delta_theta, delta_alpha = others or (0.0, 0.0)
    if any(np.ndim(number) for number in (theta, growth, delta_theta, delta_alpha, read)):
        return ""
    side = "above" if theta > 0.0 else "below"
    degrees = f"{shown(np.abs(theta))} K {side} 20 °C"
    parts = []
    if delta_theta:
        warmer, length, mend = ("warmer", "long", "subtract") if delta_theta > 0.0 else ("colder", "short", "add")
        gap = shown(np.abs(delta_theta))
        parts.append(f"the part is {gap} K {warmer} than the reference, so it reads {length}: {mend}")
    if theta and delta_alpha:
        grows = "more" if delta_alpha > 0.0 else "less"
        mend = "subtract" if theta * delta_alpha > 0.0 else "add"
        parts.append(f"the part expands {grows} than the reference and is {degrees}: {mend}")
    own = read * growth
    if np.abs(own) > _UNSEEN * run.resolution_um:
        what = f"the {run.length(np.abs(read), 4)} by which " + ("it differs" if of_reference else "its places differ")
        grown, mend = "grown" if growth > 0.0 else "shrunk", "subtract" if own > 0.0 else "add"
        parts.append(f"{what} have {grown} by {run.length(np.abs(own))} at {degrees}: {mend}")
    return "; ".join(parts) or _nothing(theta, own, of_reference=of_reference)


def _nothing(theta: Number, own: Number, *, of_reference: bool) -> str:
    """Why there is nothing to correct."""
    if not theta:
        return f"the part {'and the reference are' if of_reference else 'is'} at 20 °C: nothing to correct"
    if not own and of_reference:
        return "part and reference have one temperature and one expansion: nothing to correct"
    return "what was read has grown or shrunk by far less than the comparator shows: nothing to correct"


def _limits(settings: ThermalSettings, taken: Sequence[TemperatureTaken]) -> Iterable[Finding]:
    for item in taken:
        for limit, side, sign in ((settings.lowest, "below", -1.0), (settings.highest, "above", 1.0)):
            if limit is None:
                continue
            yield Finding(
                level=Level.STOP,
                code=f"thermal/{side}",
                text=f"The {item.slot.of} has {shown(item.value_degC, 4)} degC, {side} the limit of {limit:.4g} degC.",
                data={"temperature_degC": float(np.mean(item.value_degC)), "limit_degC": limit},
                holds=exceeds(sign * item.value_degC, sign * limit, _FINEST_K),
            )


def _seen_in_the_soak(settings: ThermalSettings, run: RunView) -> Iterable[Finding]:
    """What thermometers showed at the end of the last soak, where the routine counts on another difference.

    Source of the allowance: thermometers that nobody states may differ by some tenths of a kelvin (common practice,
    no source).
    """
    outlooks = run.soaks[-1].outlooks if run.soaks else ()
    seen = next((outlook for outlook in outlooks if outlook.of == _BETWEEN), None)
    if seen is None or settings.difference is None:
        return
    own = float(run.thermometer.error.standard_uncertainty) if run.thermometer is not None else _UNSTATED_K
    stated, u = float(settings.difference.value), float(settings.difference.standard_uncertainty)
    side = "warmer" if seen.now > stated else "colder"
    later = [reading for reading in run.readings if reading.seq > run.soaks[-1].seq]
    then = (
        f"The first reading came {(later[0].time_s - run.soaks[-1].time_s) / 60.0:.0f} min after it."
        if later
        else "Were they left long enough? Wait until the two agree, before the zero."
    )
    yield Finding(
        level=Level.DOUBT,
        code="thermal/soak",
        text=f"At the end of the soak the part was {shown(abs(seen.now))} K {side} than the reference; the routine "
        f"counts on {shown(stated)} K, with a standard uncertainty of {shown(u)} K. {then}",
        data={"difference_K": seen.now, "stated_K": stated},
        holds=abs(seen.now - stated) > _FAR * (u**2 + 2.0 * own**2) ** 0.5,
    )


_BETWEEN = "part less reference"
_UNSTATED_K, _FAR = 0.1, 3.0


def watch(settings: ThermalSettings, run: RunView) -> Iterable[Finding]:
    """Tell at once when a temperature is outside the routine's limits, not what it counts on, or moved."""
    yield from _limits(settings, run.temperatures)
    if run.soaks and not any(reading.seq > run.soaks[-1].seq for reading in run.readings):
        yield from _seen_in_the_soak(settings, run)
    yield from asked_where_moved(settings, run)
    yield from asked_of_the_ground(run)
    yield from _asked_cut_short(settings, run)


def _asked_cut_short(settings: ThermalSettings, run: RunView) -> Iterable[Finding]:
    """What a soak that was cut short leaves undecided, at each prompt until it is made up for."""
    short, table = short_soak(run), run.routine.checks.get("thermal")
    measured = {slot.of for slot in run.slots if slot.kind is SlotKind.TEMPERATURE} >= {"part", "reference"}
    sizes = any(spec.measure is Measure.SIZE for spec in run.routine.characteristics.values())
    if short is None or table is None or measured or not sizes or left_of(settings, run) is not None:
        return
    whole = span_text(short.soak.slot.at_least_s)
    yield Finding(
        level=Level.DOUBT,
        code=f"thermal/cut_short/{run.soaks.index(short.soak) + 1}",
        text=f"{span_text(short.missing_s)} of the soak of {whole} are missing: no size can be decided by "
        "what is read now. Let it soak, and read again what was read since?",
        offer=Offer(act=Act.SOAK),
    )


def judge(settings: ThermalSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Limits of the environment; and a size whose temperatures or expansions nobody knows is undecided."""
    yield from told_where_moved(settings, run)
    if "thermal" not in run.routine.checks:
        return
    yield from _limits(settings, run.temperatures)
    yield from _seen_in_the_soak(settings, run)
    if run.thermometer is None and any(taken.error is None for taken in run.temperatures):
        text = "Temperatures were measured with a thermometer that the routine does not state: they count as exact."
        yield Finding(level=Level.DOUBT, code="thermal/thermometer", text=text)
    bodies = bodies_of(settings, run)
    yield from _cut_short(settings, bodies, run, characteristics)
    yield from _unknown_cooling(settings, run)
    if bodies.warmer_K is not None and settings.largest_difference is not None:
        difference = bodies.warmer_K.estimate
        yield Finding(
            level=Level.STOP,
            code="thermal/difference",
            text=f"Part and reference differ by {shown(difference)} K; at most {settings.largest_difference:.2g} K is "
            "allowed. Let them soak longer.",
            holds=exceeds(np.abs(difference), settings.largest_difference, _FINEST_K),
        )
    if any(c.common_weight for c in characteristics):
        yield from _unknown(bodies, run)
    elif bodies.growth is None:
        yield from (_unknown_within(bodies, run, c) for c in characteristics)


def _cut_short(
    settings: ThermalSettings, bodies: Bodies, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """What a soak that was cut short does: it adds to the difference, or leaves that unknown."""
    short = short_soak(run)
    if short is None or bodies.warmer_K is None or both_measured(run):
        return
    left, entry = left_of(settings, run), {"soak_entry": float(short.soak.seq)}
    whole, part = span_text(short.soak.slot.at_least_s), span_text(short.soaked_s)
    if left is not None and settings.difference is not None:
        stated, more = halfwidth_K(settings.difference), shown(left.halfwidth_K)
        yield Finding(
            level=Level.DOUBT,
            code="thermal/soak_short",
            text=f"A soak of {whole} ended after {part}: {short.soak.reason}. By how much part and reference differ is "
            f"known within ±{shown(stated)} K as stated, and ±{more} K more that the soak may have left.",
            data={**entry, "stated_K": stated, "added_K": left.halfwidth_K},
        )
        return
    mend = "brought_from and time_constant" if settings.difference else "difference, brought_from and time_constant"
    of_difference = {item.name for item in bodies.warmer_K.inputs}
    for one in characteristics:
        read = one.difference_read(run).estimate.value
        used = bodies.above_K is not None and of_difference & {item.name for item in bodies.above_K.inputs}
        shows = exceeds(np.abs(read) * MOST_GROWTH, run.resolution_um, run.resolution_um) if used else False
        yield Finding(
            level=Level.STOP,
            code="thermal/soak_short",
            text=f"{one.name}: {span_text(short.missing_s)} of the soak of {whole} are missing "
            f"({short.soak.reason}), and nothing shows that all had one temperature: by how much part and reference "
            f"differ is not known. Soak again and read again what was read since, or state {mend} in [checks.thermal].",
            characteristic=one.name,
            data=entry,
            holds=True if one.common_weight else shows,
        )


def _unknown_cooling(settings: ThermalSettings, run: RunView) -> Iterable[Finding]:
    """What is missing to tell what a soak left of the difference that it began with."""
    if settings.brought_from is None or both_measured(run) or not run.soaks:
        return
    if cooling_of(settings, run.routine, run.reference, run.materials) is not None:
        return
    known = [name for name, row in run.materials.items() if row.density_kg_m3 and row.heat_J_kgK]
    yield Finding(
        level=Level.STOP,
        code="thermal/cooling",
        text=f"How fast the part cools is not known (material {run.routine.part.material or 'not stated'}), and so not "
        f"what the soak left of brought_from: state time_constant in [checks.thermal], or a material of [part] that is "
        f"known ({', '.join(known)}).",
    )


def _unknown(bodies: Bodies, run: RunView) -> Iterable[Finding]:
    """What is missing that refers a size to 20 °C."""
    if bodies.warmer_K is None:
        text = (
            "The temperatures are not known: measure part and reference, or state part_temperature and difference in "
            "[checks.thermal]."
        )
        yield Finding(level=Level.STOP, code="thermal/temperature", text=text)
    if bodies.expands_more is None:
        names = f"part {run.routine.part.material or 'not stated'}, reference "
        names += run.reference.material or "not stated" if run.reference else "not chosen"
        text = f"The expansion is not known ({names}): {_name_a_material(run)}"
        yield Finding(level=Level.STOP, code="thermal/expansion", text=text)


def _unknown_within(bodies: Bodies, run: RunView, characteristic: CharacteristicView) -> Finding:
    """The same for a difference within the part, as far as it could show; a few micrometres need no correction."""
    read = characteristic.difference_read(run).estimate.value
    unknown, code, mend = (
        ("expansion", "thermal/expansion", _name_a_material(run))
        if bodies.above_K is not None
        else ("temperature", "thermal/temperature", "measure it, or state part_temperature in [checks.thermal].")
    )
    return Finding(
        level=Level.STOP,
        code=code,
        text=f"{characteristic.name}: its places differ by {run.length(np.abs(read), 4)}, which can't be referred to "
        f"20 °C. The {unknown} of the part is not known: {mend}",
        characteristic=characteristic.name,
        data={"difference_um": float(np.mean(read))},
        holds=exceeds(np.abs(read) * MOST_GROWTH, run.resolution_um, run.resolution_um),
    )


def _name_a_material(run: RunView) -> str:
    materials = [name for name, row in run.materials.items() if row.expansion is not None]
    return f"use a material that is known ({', '.join(materials)}), or state it in [checks.thermal]."


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The thermal check."""
    return [
        Check(
            name="thermal",
            title="correction to 20 degC, and limits of temperature",
            settings=ThermalSettings,
            watch=watch,
            terms=correction,
            judge=judge,
            validate=_tables.thermal,
            arrays=True,
        )
    ]
