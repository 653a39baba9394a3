"""Heat: a size or a tilt that fades from pass to pass is heat of the hand, not size or shape.

What may be heat is asked at every time constant that a part of that size and material can have (`_fading`). What moved
is either known well enough to say where it ends, or it is said that it is not; and what may be heat without anything
that moved counts alike. Beyond an allowance both leave the characteristic undecided.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import (
    Act,
    Characteristic,
    CharacteristicView,
    Check,
    Finding,
    Level,
    Measure,
    Number,
    Offer,
    Reading,
    RunView,
    SlotKind,
    exceeds,
    hookimpl,
    part_size_um,
    span_text,
)
from holdzero_plugins.checks import _heat_plan, _heat_words
from holdzero_plugins.checks._fading import Heat, Spans, fading
from holdzero_plugins.checks._heat_plan import HeatSettings
from holdzero_plugins.checks._heat_rows import (
    allowance_um,
    open_still,
    other_bodies,
    own_places,
    own_weights,
    passes,
    rows_of,
    spans_of,
    stands,
)

LEAST_PASSES = 3
SIGNIFICANCE = 0.01  # of what moved, on the record (common practice, no source)
ASKED_BY_CHANCE = 0.005
"""How often a sound run may be asked whether its part is warm, over all passes and characteristics."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the readings of one characteristic say of heat."""

    heat: Heat
    spans: Spans

    def seen(self, spec: Characteristic) -> NDArray[np.bool_]:
        """Whether something moved that the value has in it."""
        return self.heat.size_seen if spec.measure is Measure.SIZE else self.heat.shape_seen


def _told(
    run: RunView, spec: Characteristic, readings: Sequence[Reading], weights: Sequence[Number], significance: float
) -> Told | None:
    """None where too few were read, or no times are known."""
    if not readings or passes(spec, readings) < LEAST_PASSES:
        return None
    rows = rows_of(run, spec, readings, weights)
    if rows is None:
        return None
    size = part_size_um(run.routine, run.reference)
    spans = spans_of(run.routine, run.materials.get(run.routine.part.material), size)
    return Told(fading(rows, spans, significance=significance), spans)


_CLOSED = (
    " A return has closed what was read, and giving the zero up takes none of it back: measure anew in another run."
)


# --- while the part is there ------------------------------------------------------------------


def watch(settings: HeatSettings, run: RunView) -> Iterable[Finding]:
    """From the third pass on: whether the part is warm, as far as its readings moved beyond scatter."""
    specs = run.routine.characteristics
    for name, spec in specs.items():
        then, readings, count = _whole_passes(run, spec)
        if count < LEAST_PASSES:
            continue
        # Each pass has a part of the error for itself, so that all together have no more than the whole.
        significance = ASKED_BY_CHANCE / len(specs) * (LEAST_PASSES - 1) / (count * (count - 1))
        told = _told(then, spec, readings, own_weights(then, spec, readings), significance)
        if told is None:
            continue
        allowance = allowance_um(settings.allowance, spec, run.resolution_um)
        span_s = readings[-1].time_s - readings[0].time_s
        story = _heat_words.moved(run, name, spec, told.heat, _changed(run, spec, readings), span_s)
        wait = _heat_words.advice(run, spec, told.heat, told.spans, span_s, settings.limit or allowance)
        open_yet = open_still(run, readings)
        yield Finding(
            level=Level.DOUBT,
            code=f"heat/fades/{name}",
            text=f"{story}, more than scatter does: hand heat? {wait}{'' if open_yet else _CLOSED}",
            characteristic=name,
            data=_heat_words.data(told.heat, told.spans, allowance),
            holds=told.seen(spec),
            offer=Offer(act=Act.ANEW) if open_yet else None,
        )


def _whole_passes(run: RunView, spec: Characteristic) -> tuple[RunView, list[Reading], int]:
    """The run up to its last whole pass, the readings of a characteristic in it, and how many passes these are.

    A pass is whole when all places were read that are read as often as the characteristic's own. What comes after it is
    looked at with the next one, so that each pass is one look.
    """
    own, others = set(own_places(spec)), other_bodies(run)
    planned = Counter(slot.place for slot in run.slots if slot.kind is SlotKind.READ)
    least = min(planned[place] for place in own)
    wanted = own | {place for place, times in planned.items() if times >= least and place not in others}
    of_place: dict[str, list[Reading]] = {str(place): [] for place in wanted}
    for r in run.of_kind(SlotKind.READ):
        counts = r.slot.place not in own or spec.force in (None, r.slot.force_N)
        if r.slot.place in of_place and counts and stands(run, r):
            of_place[str(r.slot.place)].append(r)
    count = min(len(readings) for readings in of_place.values())
    last = max((r.seq for readings in of_place.values() for r in readings[:count]), default=0)
    then = replace(run, readings=tuple(r for r in run.readings if r.seq <= last))
    return then, sorted((r for place in own for r in of_place[place][:count]), key=lambda r: r.seq), count


def _changed(run: RunView, spec: Characteristic, readings: Sequence[Reading]) -> NDArray[np.float64]:
    """By how much the value fell from its first pass to its last [um]."""
    weights = own_weights(run, spec, readings)
    first: dict[str, int] = {}
    last = {str(r.slot.place): r.seq for r in readings}
    for r in readings:
        first.setdefault(str(r.slot.place), r.seq)
    count = passes(spec, readings)
    fallen = [
        weight
        * count
        * run.difference_um(r)
        * ((r.seq == first[str(r.slot.place)]) - (r.seq == last[str(r.slot.place)]))
        for r, weight in zip(readings, weights, strict=True)
    ]
    return np.asarray(sum(fallen))


# --- on the record ----------------------------------------------------------------------------


def judge(settings: HeatSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """A characteristic stays undecided while more of its value may be heat than is allowed."""
    taken: list[Spans] = []
    for c in characteristics:
        told = _told(run, c.spec, c.readings, c.weights, SIGNIFICANCE)
        if told is not None and told.spans not in taken:
            taken.append(told.spans)
            yield Finding(level=Level.NOTE, code="heat/possible", text=_heat_words.prior(run, told.spans))
        if told is None:
            yield Finding(
                level=Level.STOP,
                code="heat/few",
                text=f"{c.name}: heat shows over {LEAST_PASSES} passes or more, with the times at which they were "
                "read. How much of it is heat is not known.",
                characteristic=c.name,
            )
        else:
            yield from _judged(settings, run, c, told)


def _judged(settings: HeatSettings, run: RunView, c: CharacteristicView, told: Told) -> Iterable[Finding]:
    heat, spans = told.heat, told.spans
    allowance = allowance_um(settings.allowance, c.spec, run.resolution_um)
    much, seen = exceeds(heat.in_value.most, allowance, run.resolution_um), told.seen(c.spec)
    readings = [r for r in c.readings if r.kind is SlotKind.READ]
    span_s = max(r.time_s for r in readings) - min(r.time_s for r in readings)
    story = (
        f"{_heat_words.moved(run, c.name, c.spec, heat, _fallen(run, c), span_s)}: {_heat_words.cause(c.spec, heat)}"
    )
    most, data = _heat_words.most_text(run, heat.in_value, allowance), _heat_words.data(heat, spans, allowance)
    ending = _heat_words.ending(run, heat, _value_um(run, c), allowance)
    wait = _heat_words.advice(run, c.spec, heat, spans, span_s, settings.limit or allowance)
    yield Finding(
        level=Level.STOP,
        code="heat/explains",
        text=f"{story}. The value is not corrected for it. {ending} {most} {wait}",
        characteristic=c.name,
        data=data,
        holds=np.logical_and(seen, much),
    )
    yield Finding(
        level=Level.NOTE,
        code="heat/little",
        text=f"{story}. {ending} {most}",
        characteristic=c.name,
        data=data,
        holds=np.logical_and(seen, np.logical_not(much)),
    )
    hidden = np.logical_and(np.logical_not(seen), much)
    # It is looked for only where it is said: that takes longer than all the rest.
    enough = _heat_plan.enough_text(run, c, told.spans, heat.scatter_um, allowance) if np.any(hidden) else ""
    yield Finding(
        level=Level.STOP,
        code="heat/not_told",
        text=f"{c.name}: nothing moved beyond scatter in {span_text(span_s)}, and heat that fades slowly would hide in "
        f"it. {most} {enough}",
        characteristic=c.name,
        data=data,
        holds=hidden,
    )
    yield Finding(
        level=Level.NOTE,
        code="heat/none",
        text=f"{c.name}: no heat shows in {span_text(span_s)}. {most}",
        characteristic=c.name,
        data=data,
        holds=np.logical_not(np.logical_or(seen, much)),
    )


def _value_um(run: RunView, c: CharacteristicView) -> Number:
    """The value as read [um]; of a size with what is certified of the reference, as a deviation from the nominal."""
    read, reference = c.difference_read(run).estimate.value, run.reference
    if c.spec.measure is not Measure.SIZE or reference is None:
        return read
    nominal = reference.size if c.spec.nominal is None else c.spec.nominal
    return reference.size - nominal + reference.deviation.value + read


def _fallen(run: RunView, c: CharacteristicView) -> NDArray[np.float64]:
    """By how much the value fell from its first pass to its last [um]; 0 where a design weighs its readings."""
    own = [r for r in c.readings if r.slot.place in (*c.spec.at, *(c.spec.base or ()))]
    return _changed(run, c.spec, own)


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
            validate=_heat_plan.validate,
            arrays=True,
        )
    ]
