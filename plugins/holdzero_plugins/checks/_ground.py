"""What a part lies on: a ground that is warmer than the part, or that keeps its heat in it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from holdzero.hooks import (
    Act,
    Finding,
    Level,
    Offer,
    RunView,
    SlotKind,
    SoakTaken,
    exceeds,
    length_text,
    longest_in_air_s,
    part_size_um,
    shown,
    time_constant_s,
)
from holdzero_plugins.checks._moved import error_K
from holdzero_plugins.checks._slow_fade import slow_fade_s

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["asked_of_the_ground"]

_FINEST_K = 1e-3  # no thermometer at a bench shows finer steps (common practice, no source)
_BODIES = ("part", "plate")
# A room of a bench drifts by no more in an hour; an expansion that nobody states is about that of steel (both common
# practice, no source).
_ROOM_K_PER_H, _USUAL_EXPANSION_PER_K = 0.2, 12e-6


def asked_of_the_ground(run: RunView) -> Iterator[Finding]:
    """A question where the ground warms the part, or a soak faded more slowly than still air lets it."""
    yield from _warmer(run)
    last_read = max((reading.seq for reading in run.of_kind(SlotKind.READ)), default=0)
    if run.soaks and run.soaks[-1].seq > last_read:
        yield from _warmer_in_the_soak(run, run.soaks[-1])
        yield from _slower(run, run.soaks[-1])


_THEN = "Does it stand on something warm, or did it come in cold? Let both soak, and read again."


def _warmer(run: RunView) -> Iterator[Finding]:
    """By the newest temperatures of plate and part since the last soak, until the part is read again."""
    since = max((soak.seq for soak in run.soaks), default=0)
    last_read = max((reading.seq for reading in run.of_kind(SlotKind.READ)), default=0)
    newest = {taken.slot.of: taken for taken in run.temperatures if taken.seq > since and taken.slot.of in _BODIES}
    if len(newest) < len(_BODIES) or max(taken.seq for taken in newest.values()) < last_read:
        return
    part, plate = (newest[of] for of in _BODIES)
    warmer, allowed = plate.value_degC - part.value_degC, sum(error_K(run, taken) for taken in newest.values())
    yield Finding(
        level=Level.DOUBT,
        code=f"thermal/ground/{max(part.seq, plate.seq)}",
        text=f"The plate has {shown(plate.value_degC, 4)} degC (entry {plate.seq}) and the part "
        f"{shown(part.value_degC, 4)} degC (entry {part.seq}): {shown(warmer)} K warmer, and the thermometers may be "
        f"{allowed:.2g} K apart. {_THEN}",
        data={"warmer_K": float(np.mean(warmer)), "allowed_K": allowed},
        holds=exceeds(warmer, allowed, _FINEST_K),
        offer=Offer(act=Act.SOAK),
    )


def _warmer_in_the_soak(run: RunView, soak: SoakTaken) -> Iterator[Finding]:
    """By what thermometers on both showed at the end of a soak."""
    now = {outlook.of: outlook.now for outlook in soak.outlooks if outlook.of in _BODIES}
    if len(now) < len(_BODIES):
        return
    warmer, allowed = now["plate"] - now["part"], 2.0 * error_K(run)
    yield Finding(
        level=Level.DOUBT,
        code=f"thermal/ground/{soak.seq}",
        text=f"At the end of the soak the plate had {shown(now['plate'], 4)} degC and the part {shown(now['part'], 4)} "
        f"degC: {shown(warmer)} K warmer, and the thermometers may be {allowed:.2g} K apart. {_THEN}",
        data={"warmer_K": warmer, "allowed_K": allowed},
        holds=exceeds(warmer, allowed, _FINEST_K),
        offer=Offer(act=Act.SOAK),
    )


def _slower(run: RunView, soak: SoakTaken) -> Iterator[Finding]:
    """Where the reading, or the part's thermometer, faded more slowly than still air lets a part of this size."""
    size_um = part_size_um(run.routine, run.reference)
    if size_um is None:
        return
    shortest_s, longest_s = _in_air_s(run, size_um)
    for outlook in soak.outlooks:
        if outlook.of not in ("", "part"):
            continue
        times, values = zip(*outlook.seen, strict=True)
        step = _thermometer_step(values) if outlook.of else run.resolution_um
        # What grows by a kelvin [1, or um], times what a room may drift.
        per_K = 1.0 if outlook.of else size_um * _expansion(run)  # noqa: N806  the unit's own capital
        drift = per_K * _ROOM_K_PER_H / 3600.0
        found_s = slow_fade_s(times, values, longest_s=longest_s, drift_per_s=drift, step=step)
        if found_s is None:
            continue
        least = f"{_minutes(shortest_s)} to " if shortest_s is not None else "up to "
        size = length_text(size_um, run.routine.routine.units)
        what, slow = "part" if outlook.of else "reading", f"{_minutes(found_s)} min or more"
        yield Finding(
            level=Level.DOUBT,
            code=f"thermal/slow/{soak.seq}",
            text=f"While it soaked, the {what} faded with a time constant of {slow}: slower than a part of {size} in "
            f"still air ({least}{_minutes(longest_s)} min). Does it lie on wood, felt or foam, or on something warm? "
            "Lay it on a metal plate, let it soak, and read again.",
            data={"least_constant_s": found_s, "longest_s": longest_s},
            offer=Offer(act=Act.SOAK),
        )
        return


def _expansion(run: RunView) -> float:
    material = run.materials.get(run.routine.part.material)
    known = material.expansion if material is not None else None
    return float(known.value) if known is not None else _USUAL_EXPANSION_PER_K


def _in_air_s(run: RunView, size_um: float) -> tuple[float | None, float]:
    """Shortest and longest time constant of the part in still air [s]; of an unknown material the longest alone."""
    material, section = run.materials.get(run.routine.part.material), run.routine.part.section
    if material is not None:
        try:
            return time_constant_s(material, size_um, "air", section_um=section)
        except ValueError:  # its heat is not known, or it is no length of a block
            pass
    return None, longest_in_air_s(size_um, section)


def _minutes(seconds: float) -> str:
    return f"{math.ceil(seconds / 60.0 - 0.5)}"


def _thermometer_step(values: Sequence[float]) -> float:
    """In which temperatures are shown [K]: no finer than their last decimal, and no coarser than they differ."""
    places = (Decimal(repr(value)).as_tuple().exponent for value in values)
    decimal = 10.0 ** min((place for place in places if isinstance(place, int)), default=0)
    levels = sorted(set(values))
    return max(decimal, min((higher - lower for lower, higher in pairwise(levels)), default=decimal))
