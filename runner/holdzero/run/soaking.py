"""A soak as it was watched: how everything stands, and whether that is enough to end it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise

from holdzero.cooling import longest_in_air_s
from holdzero.display import length_text, span_text
from holdzero.fades import SLOWEST_S
from holdzero.limit import exceeds
from holdzero.outlook import FEWEST, Hidden, Outlook, outlook_of, unbroken
from holdzero.run.kept import Observed
from holdzero.run.plan import Slot
from holdzero.run.sizes import part_size_um
from holdzero.run.state import State
from holdzero.wording import drift_text

__all__ = [
    "BETWEEN",
    "hidden_text",
    "left_text",
    "looked_behind",
    "may_end",
    "missing_text",
    "outlooks_of",
    "reading_step",
    "settled",
]

BETWEEN = "part less reference"
"""What the difference of two thermometers goes by."""

_ENOUGH = 0.25
"""Part of a soak's time that must be watched before it may end early: what hardly moves in a moment may still be slow
(common practice, no source)."""
_FINER, _COARSER = 0.5, 25.0
_ALMOST = 1e-6


def outlooks_of(state: State, slot: Slot) -> tuple[Outlook, ...]:
    """How all that was watched in a soak stands: the reading, each temperature, part less reference.

    What seems at rest, but was watched too little, does not end a soak before its time. A reading that stands still
    shows no fade that is slower than the time for which it was watched: so it must be watched for as long as the part
    may take in still air, unless a thermometer on the part is at rest.

    Args:
        state: of the run.
        slot: of the soak.
    """
    # A soak that begins anew, after a reading between, knows nothing of what was under the tip before.
    seen = [item for item in state.observed if item.slot.id == slot.id and item.time_s >= state.soak_from_s]
    resolution = state.comparator.resolution if state.comparator is not None else None
    found: list[Outlook | None] = []
    for of in dict.fromkeys(item.of for item in seen):
        own = [item for item in seen if item.of == of]
        times, values = [item.time_s for item in own], [item.value for item in own]
        if of:
            step = _thermometer_step(values)
            found.append(outlook_of(times, values, of=of, unit="K", within=_limit(slot, of), step=step))
        else:
            step = reading_step(values, resolution)
            found.append(outlook_of(times, values, of=of, unit="um", within=slot.within_um, step=step))
    times, values = _difference(seen)
    # Both of a difference are rounded.
    step = sum(_thermometer_step([item.value for item in seen if item.of == of]) for of in ("part", "reference"))
    found.append(outlook_of(times, values, of=BETWEEN, unit="K", within=slot.within_K, step=step))
    outlooks = tuple(outlook for outlook in found if outlook is not None)
    if not _enough(seen, slot):
        until_s = state.soak_from_s + _ENOUGH * slot.at_least_s
        outlooks = tuple(_too_short(outlook, until_s) for outlook in outlooks)
    shown = any(outlook.of == "part" and outlook.settled for outlook in outlooks)
    return outlooks if shown else tuple(looked_behind(outlook, state, slot, seen) for outlook in outlooks)


def looked_behind(outlook: Outlook, state: State, slot: Slot, seen: Sequence[Observed]) -> Outlook:
    """The same; of a reading, not watched for long enough where the part may fade too slowly for it to show."""
    if outlook.of or outlook.within is None:
        return outlook
    times = [item.time_s for item in seen if not item.of]
    hidden, from_s = _hidden(state), times[-unbroken(times)]
    if not exceeds(from_s + hidden.constant_s, times[-1]):
        return outlook
    # When its own time is over, it ends by that.
    until_s = min(from_s + hidden.constant_s, state.soak_from_s + slot.at_least_s)
    return replace(_too_short(outlook, until_s), hidden=hidden)


def _hidden(state: State) -> Hidden:
    """The slowest fade that the part may have, by its size."""
    size = part_size_um(state.routine, state.reference) if state.routine is not None else None
    if size is None or state.routine is None:
        return Hidden(None, SLOWEST_S)
    return Hidden(size, longest_in_air_s(size, state.routine.part.section))


def _too_short(outlook: Outlook, until_s: float) -> Outlook:
    """The same, not watched for long enough before the end of a time [s]."""
    left_s = max(outlook.left_s, until_s - outlook.at_s) if outlook.left_s is not None else None
    return replace(outlook, enough=False, left_s=left_s if left_s != 0.0 else None)


def _limit(slot: Slot, of: str) -> float | None:
    """What may still be to come; air goes up and down with its conditioning, and is only watched."""
    if not of:
        return slot.within_um
    return slot.within_K if of != "air" else None


def _enough(seen: Sequence[Observed], slot: Slot) -> bool:
    """Whether all that the routine limits was watched for long enough, and of temperatures the part's at least."""
    limited = {item.of for item in seen if _limit(slot, item.of) is not None}
    if limited - {"", "part"} and "part" not in limited:
        return False
    for of in limited:
        times = [item.time_s for item in seen if item.of == of]
        times = times[-unbroken(times) :]
        if len(times) < FEWEST or times[-1] - times[0] < _ENOUGH * slot.at_least_s:
            return False
    return True


def reading_step(values: Sequence[float], resolution: float | None) -> float:
    """The step in which readings are shown [um]: the comparator's resolution, unless values are clearly finer.

    Args:
        values: that were shown [um].
        resolution: of the comparator [um]; None where it is not known.
    """
    finest = _finest_gap(values)
    if resolution is None:
        return finest or 0.0
    return finest if finest is not None and finest < _FINER * resolution else resolution


def _thermometer_step(values: Sequence[float]) -> float:
    """In which a temperature is shown [K]: no finer than its last decimal; the sensor may have coarser steps."""
    places = (Decimal(repr(value)).as_tuple().exponent for value in values)
    decimal = 10.0 ** min((place for place in places if isinstance(place, int)), default=0)
    return min(max(decimal, _finest_gap(values) or 0.0), _COARSER * decimal)


def _finest_gap(values: Sequence[float]) -> float | None:
    """The least difference between two values that were seen; None where all are alike."""
    levels = sorted({round(value, 9) for value in values})
    return min((higher - lower for lower, higher in pairwise(levels)), default=None)


def _difference(seen: Sequence[Observed]) -> tuple[list[float], list[float]]:
    """Times [s] and values [K] of part less reference, whenever both were seen since the last one: none is old."""
    newest: dict[str, float] = {}
    times: list[float] = []
    values: list[float] = []
    for item in seen:
        if item.of in ("part", "reference"):
            newest[item.of] = item.value
        if len(newest) == 2:  # noqa: PLR2004  part and reference
            times.append(item.time_s)
            values.append(newest.pop("part") - newest.pop("reference"))
    return times, values


def settled(outlooks: Sequence[Outlook]) -> bool | None:
    """Whether all that the routine limits is at rest; None where nothing of it was watched."""
    judged = [outlook for outlook in outlooks if outlook.judged]
    return all(outlook.settled for outlook in judged) if judged else None


def may_end(outlooks: Sequence[Outlook], *, over: bool) -> bool:
    """Whether a soak may end without a reason.

    Args:
        outlooks: how everything stands.
        over: whether its time is over.
    """
    at_rest = settled(outlooks)
    return over if at_rest is None else at_rest


def missing_text(slot: Slot, left_s: float, outlooks: Sequence[Outlook]) -> str:
    """What is missing where a soak is ended now, in words.

    Args:
        slot: of the soak.
        left_s: what is left of its time [s]; 0 or less where that is over.
        outlooks: how everything stands.
    """
    time = (
        f"{span_text(left_s)} of {span_text(slot.at_least_s)} are missing"
        if exceeds(left_s, 0.0)
        else "Its time is over"
    )
    judged = [outlook for outlook in outlooks if outlook.judged]
    if judged:
        return f"{time}, and what was watched is not at rest: {'; '.join(map(left_text, judged))}."
    if hiding := [text for text in map(hidden_text, outlooks) if text]:
        return f"{time}. It {hiding[0]}."
    seen = "what was watched has no limit, or not enough was seen" if outlooks else "nothing was watched"
    return f"{time}, and {seen}: nothing shows that all has one temperature."


def hidden_text(outlook: Outlook, units: str = "mm", *, over: bool = False) -> str:
    """What would not show in what was watched, and what would show it; empty where nothing hides.

    Args:
        outlook: of what seems at rest.
        units: in which a length is shown, `mm` or `in`.
        over: whether it was watched, and is not any more.
    """
    hidden = outlook.hidden
    if hidden is None or not outlook.near:
        return ""
    body = "a part" if hidden.size_um is None else f"a part of {length_text(hidden.size_um, units)}"
    fact = f"seems at rest, but {body} may have a fade of {_minutes(hidden.constant_s)}, which nothing shows"
    if over:
        return fact
    more = f"{_minutes(outlook.left_s)} more" if outlook.left_s else "watch it for longer"
    return f"{fact} yet: {more}, or a thermometer on it"


def _minutes(seconds: float) -> str:
    """Rounded up, so that nobody comes back too early."""
    return f"{math.ceil(seconds / 60.0 - _ALMOST)} min"


def left_text(outlook: Outlook) -> str:
    """What is still to come, and what may be."""
    of = f"{outlook.of}: " if outlook.of else ""
    unit = "µm" if outlook.unit == "um" else outlook.unit
    if outlook.steady:
        drift = drift_text(outlook.rate_per_min, 2.0 * outlook.rate_u, unit)
        return f"{of}it drifts by {drift}, with no end in sight"
    if outlook.moved:
        return f"{of}it may have moved shortly before, or was not seen for a while, so that nothing can be told"
    if outlook.early:
        return f"{of}too little was seen to tell what was still to come"
    return f"{of}at most {outlook.bound:.2g} {unit} still to come, {outlook.within:g} {unit} allowed"
