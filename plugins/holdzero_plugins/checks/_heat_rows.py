"""Which readings tell of heat in a characteristic, laid out for `_fading`; and which time constants it can have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdzero.hooks import (
    Characteristic,
    Material,
    Measure,
    Number,
    Reading,
    Routine,
    RunView,
    SlotKind,
    evening_time_s,
    stack,
    time_constant_s,
)
from holdzero_plugins.checks._fading import Spans
from holdzero_plugins.checks._warm_rows import Rows

__all__ = [
    "FAR",
    "SOURCE",
    "UNKNOWN",
    "allowance_um",
    "open_still",
    "other_bodies",
    "own_places",
    "own_weights",
    "passes",
    "rows_of",
    "spans_of",
    "stands",
    "width_um",
]

UNKNOWN = Spans(slowest_s=2700.0, fastest_s=15.0, even_s=2700.0)
"""Where size or material is not known: up to 45 min, as a long block of steel in still air (worked out)."""
SOURCE = "lumped body, Bergman and others, Fundamentals of Heat and Mass Transfer, 7th ed., 5.1, from memory"


def spans_of(routine: Routine, material: Material | None, size_um: float | None) -> Spans:
    """Time constants that a part can have: between lying flat on a plate and standing in still air.

    Args:
        routine: of the run.
        material: of the part; None where it is not known.
        size_um: how long the part is [um]; None where nobody says.
    """
    if material is None or size_um is None:
        return UNKNOWN
    section = routine.part.section
    try:
        fastest, _ = time_constant_s(material, size_um, "lying", section_um=section)
        _, slowest = time_constant_s(material, size_um, "air", section_um=section)
        even = evening_time_s(material, size_um, section)
    except ValueError:  # no block is so short or so long, or its heat is not known
        return UNKNOWN
    return Spans(slowest_s=slowest, fastest_s=fastest, even_s=min(even, slowest))


FAR = 30.0
"""Beyond so many times what is allowed, how much heat there may be is no number that helps anybody."""
ALLOWANCE_SHARE = 0.1  # of the tolerance's width (common practice, no source)


def allowance_um(stated: float | None, spec: Characteristic, resolution_um: float) -> float:
    """How much of a value may be heat [um]: as stated, else a tenth of the tolerance's width, else the resolution."""
    width = width_um(spec)
    return stated if stated is not None else resolution_um if width is None else ALLOWANCE_SHARE * width


def width_um(spec: Characteristic) -> float | None:
    """Width of the tolerance [um]; None where it has no two limits."""
    lower = 0.0 if spec.measure is Measure.VARIATION and spec.lower is None else spec.lower
    return None if spec.upper is None or lower is None else spec.upper - lower


def passes(spec: Characteristic, readings: Sequence[Reading]) -> int:
    """How often every place of a characteristic was read."""
    places = [str(r.slot.place) for r in readings]
    return min(places.count(place) for place in own_places(spec))


def own_places(spec: Characteristic) -> tuple[str, ...]:
    """The places that make up its value."""
    return (*spec.at, *(spec.base or ()))


def own_weights(run: RunView, spec: Characteristic, readings: Sequence[Reading]) -> list[Number]:
    """Plain means of the places; of a variation, the highest place less the lowest."""
    counts = {place: sum(r.slot.place == place for r in readings) for place in own_places(spec)}
    if spec.measure is Measure.VARIATION:
        means = stack(
            [stack([run.difference_um(r) for r in readings if r.slot.place == at]).mean(axis=-1) for at in spec.at]
        )
        order = np.arange(len(spec.at))
        of_place = (order == means.argmax(axis=-1)[..., None]) * 1.0 - (order == means.argmin(axis=-1)[..., None]) * 1.0
        return [of_place[..., spec.at.index(str(r.slot.place))] / counts[str(r.slot.place)] for r in readings]
    base = spec.base or ()
    plain = dict.fromkeys(spec.at, 1.0 / len(spec.at)) | dict.fromkeys(base, -1.0 / max(len(base), 1))
    return [plain[str(r.slot.place)] / counts[str(r.slot.place)] for r in readings]


@dataclass(frozen=True, slots=True)
class _Picked:
    """Readings of the part, what each counts in the value, and what it is of."""

    readings: list[Reading]
    weights: list[Number]
    labels: list[object]


def rows_of(run: RunView, spec: Characteristic, readings: Sequence[Reading], weights: Sequence[Number]) -> Rows | None:
    """Readings of one characteristic, with all others of the part: they have its heat as well.

    Args:
        run: the readings'.
        spec: of the characteristic.
        readings: that it is made of.
        weights: one for each reading [1].

    Returns:
        The rows; None where no times are known.
    """
    if len({r.time_s for r in readings}) < len(readings) / 2.0:
        return None
    if spec.base is not None and spec.measure is Measure.SIZE:
        return _of_differences(run, spec, readings, weights)
    counted = dict(zip((r.seq for r in readings), weights, strict=True))
    others = other_bodies(run)
    own = [r for r in run.of_kind(SlotKind.READ) if r.seq in counted or (stands(run, r) and r.slot.place not in others)]
    zeros = [r for number in dict.fromkeys(r.zero for r in own) for r in run.zeros(number)]
    on_part = run.routine.zero_place is not None
    of_zero: dict[int, Number] = {}
    for r in own:
        of_zero[r.zero] = of_zero.get(r.zero, 0.0) + counted.get(r.seq, 0.0)
    rows = [*zeros, *own]
    labels = [(r.slot.place, r.slot.force_N) for r in own]
    return _laid_out(
        run,
        rows,
        [r.value_um for r in rows],
        [*(-of_zero[r.zero] / len(run.zeros(r.zero)) for r in zeros), *(counted.get(r.seq, 0.0) for r in own)],
        labels=[*(None for _ in zeros), *labels],
        warm=[*(on_part for _ in zeros), *(True for _ in own)],
    )


def stands(run: RunView, r: Reading) -> bool:
    """Whether the zero of a reading was taken, and the reading not given up with it."""
    return bool(run.zeros(r.zero)) and r.seq not in run.gone


def open_still(run: RunView, readings: Sequence[Reading]) -> bool:
    """Whether to give the zero up takes all of these back: no return has closed any, none is of an older zero."""
    in_force = max((r.zero for r in run.readings), default=0)
    closed = max((visit[-1].seq for visit in run.returns(in_force)), default=0)
    return all(r.zero == in_force and r.seq > closed for r in readings)


def other_bodies(run: RunView) -> set[str]:
    """Places where other blocks are read, which have heat of their own."""
    sizes = (spec for spec in run.routine.characteristics.values() if spec.measure is Measure.SIZE)
    return {place for spec in sizes if spec.base is not None for place in (*spec.base, *(spec.beside or ()))}


def _of_differences(
    run: RunView, spec: Characteristic, readings: Sequence[Reading], weights: Sequence[Number]
) -> Rows | None:
    """Where the reference is read at places of its own: the part less it, round by round, is one series."""
    counts: dict[str, int] = {}
    rounds: dict[int, list[tuple[Reading, Number]]] = {}
    for r, weight in zip(readings, weights, strict=True):
        place = str(r.slot.place)
        counts[place] = number = counts.get(place, 0) + 1
        rounds.setdefault(number, []).append((r, weight))
    whole = [one for one in rounds.values() if {str(r.slot.place) for r, _ in one} >= set(own_places(spec))]
    plain = {place: 1.0 / len(spec.at) for place in spec.at} | {
        place: -1.0 / len(spec.base or ()) for place in spec.base or ()
    }
    own = [[(r, w) for r, w in one if r.slot.place in plain] for one in whole]
    if not own:
        return None
    values = [sum((plain[str(r.slot.place)] * run.difference_um(r) for r, _ in one), start=0.0) for one in own]
    of_round = [sum((w for r, w in one if r.slot.place in spec.at), start=0.0) for one in own]
    return _laid_out(
        run, [one[0][0] for one in own], values, of_round, labels=[spec.at for _ in own], warm=[True for _ in own]
    )


def _laid_out(
    run: RunView,
    readings: Sequence[Reading],
    values: Sequence[Number],
    weights: Sequence[Number],
    *,
    labels: Sequence[object],
    warm: Sequence[bool],
) -> Rows:
    times = np.array([r.time_s for r in readings])
    places = {label: number for number, label in enumerate(dict.fromkeys(one for one in labels if one is not None))}
    zeros = {zero: number for number, zero in enumerate(dict.fromkeys(r.zero for r in readings))}
    return Rows(
        times_s=times - times.min(),
        values_um=stack(list(values)),
        zeros=np.array([zeros[r.zero] if None in labels else 0 for r in readings]),
        places=np.array([-1 if label is None else places[label] for label in labels]),
        weights=stack(list(weights)),
        warm=np.array(warm, dtype=bool),
        step_um=run.resolution_um,
    )
