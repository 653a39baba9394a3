"""Whether a body's temperature moved while the part was read, by more than the routine covers."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from holdzero.hooks import (
    Act,
    Estimate,
    Finding,
    Level,
    Number,
    Offer,
    RunView,
    SlotKind,
    TemperatureTaken,
    exceeds,
    mean,
    shown,
)
from holdzero_plugins.checks._thermal_settings import ThermalSettings

__all__ = ["asked_where_moved", "error_K", "told_where_moved"]

BODIES = ("part", "reference")
_FINEST_K = 1e-3  # no thermometer at a bench shows finer steps (common practice, no source)
# A room that nobody states is steady within so much while a part is read; a thermometer that nobody states, so much
# of a thermometer (common practice, no source).
_ROOM_K, _THERMOMETER_K = 0.5, 0.1
_NEARLY_ALL = 3.0  # standard uncertainties; of a normal error 99.7 % lies within


@dataclass(frozen=True, slots=True)
class _Cover:
    """How far two temperatures of one body may lie apart [K], and in words why."""

    limit_K: float  # noqa: N815  the unit's own capital
    why: str


def asked_where_moved(settings: ThermalSettings, run: RunView) -> Iterator[Finding]:
    """A question at the temperature that shows it, until the part is read again."""
    last_read = max((reading.seq for reading in run.of_kind(SlotKind.READ)), default=0)
    for of in BODIES:
        taken = _while_read(run, of)
        if taken and taken[-1].seq > last_read:
            pairs = [(one, taken[-1]) for one in taken[:-1]]
            mend = "Is it at rest? Let it soak, and read it again."
            code = f"thermal/moved/{taken[-1].seq}"
            yield from _found(settings, run, of, pairs, code=code, mend=mend, offer=Offer(act=Act.SOAK))


def told_where_moved(settings: ThermalSettings, run: RunView) -> Iterator[Finding]:
    """The doubt at the end, with what the number goes by."""
    for of in BODIES:
        pairs = list(combinations(_while_read(run, of), 2))
        if pairs:
            yield from _found(settings, run, of, pairs, code="thermal/moved", mend=_gone_by(run, of))


def _while_read(run: RunView, of: str) -> list[TemperatureTaken]:
    """The temperatures of a body that count and are of a time in which the part was read.

    What was read before a soak, and no reading of the part between, is of a body that was not at rest yet.
    """
    soaks = [soak.seq for soak in run.soaks]
    read_in = {bisect_left(soaks, reading.seq) for reading in run.of_kind(SlotKind.READ)}
    return [t for t in run.temperatures if t.slot.of == of and bisect_left(soaks, t.seq) in read_in]


Pair = tuple[TemperatureTaken, TemperatureTaken]


def _found(
    settings: ThermalSettings,
    run: RunView,
    of: str,
    pairs: Sequence[Pair],
    *,
    code: str,
    mend: str,
    offer: Offer | None = None,
) -> Iterator[Finding]:
    """What is said of the two temperatures of a body that lie farthest apart, the part read between them."""
    reads = [reading.seq for reading in run.of_kind(SlotKind.READ)]
    apart = [pair for pair in pairs if bisect_left(reads, pair[0].seq) < bisect_left(reads, pair[1].seq)]
    if not apart:
        return
    first, last = max(apart, key=lambda pair: float(np.mean(_moved_K(pair))))
    moved: Number = _moved_K(apart[0])
    for pair in apart[1:]:
        moved = np.maximum(moved, _moved_K(pair))
    cover = _cover(settings, run, of, (first, last))
    yield Finding(
        level=Level.DOUBT,
        code=code,
        text=f"While the part was read, the {of} went from {shown(first.value_degC, 4)} degC (entry {first.seq}) to "
        f"{shown(last.value_degC, 4)} degC (entry {last.seq}), by {shown(moved)} K; {cover.limit_K:.2g} K is covered: "
        f"{cover.why}. {mend}",
        data={"moved_K": float(np.mean(moved)), "limit_K": cover.limit_K},
        holds=exceeds(moved, cover.limit_K, _FINEST_K),
        offer=offer,
    )


def _moved_K(pair: Pair) -> Number:  # noqa: N802  the unit's own capital
    one, other = pair
    return np.abs(other.value_degC - one.value_degC)


def _cover(settings: ThermalSettings, run: RunView, of: str, pair: Pair) -> _Cover:
    """What the routine covers: its own limit, or what it states of temperatures and the thermometer's error."""
    if settings.largest_change is not None:
        return _Cover(settings.largest_change, "largest_change")
    told = settings.part_temperature if of == "part" else settings.reference_temperature
    if told is not None:
        room, why = 2.0 * _reach_K(told), "twice what the routine states of its temperature"
    elif settings.largest_difference is not None:
        room, why = settings.largest_difference, "largest_difference"
    else:
        room, why = _ROOM_K, f"{_ROOM_K:g} K of a room of which the routine states nothing"
    errors = [error_K(run, taken) for taken in pair]
    return _Cover(
        room + sum(errors), f"{why}, and {sum(errors):.2g} K by which two readings of a thermometer may differ"
    )


def error_K(run: RunView, taken: TemperatureTaken | None = None) -> float:  # noqa: N802  the unit's own capital
    """How far a thermometer may be off [K]: the one that a temperature was taken with, or that of the routine."""
    if taken is not None and taken.error is not None:
        return _reach_K(taken.error)
    return _reach_K(run.thermometer.error) if run.thermometer is not None else _THERMOMETER_K


def _reach_K(estimate: Estimate) -> float:  # noqa: N802  the unit's own capital
    """How far from its value a quantity may lie [K]: half-widths as stated, and three standard uncertainties."""
    return sum(part.halfwidth or _NEARLY_ALL * float(np.max(part.standard_uncertainty)) for part in estimate.parts)


def _gone_by(run: RunView, of: str) -> str:
    """Which of its temperatures the number goes by."""
    if "thermal" not in run.routine.checks:
        return (
            "No number goes by them, as the routine has no [checks.thermal]; what it did to the readings is not known."
        )
    every = [taken.value_degC for taken in run.temperatures if taken.slot.of == of]
    return (
        f"The correction goes by the mean of all {len(every)}, {shown(mean(every), 4)} degC; it is right only if the "
        "readings spread evenly over that time."
    )
