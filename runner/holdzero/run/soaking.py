"""A soak as it was watched: how everything stands, and whether that is enough to end it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from holdzero.outlook import Outlook, outlook_of
from holdzero.run.plan import Slot
from holdzero.run.state import Observed, State

__all__ = ["BETWEEN", "may_end", "outlooks_of", "settled"]

BETWEEN = "part less reference"
"""What the difference of two thermometers goes by."""


def outlooks_of(state: State, slot: Slot) -> tuple[Outlook, ...]:
    """How all that was watched in a soak stands: the reading, each temperature, part less reference.

    Args:
        state: of the run.
        slot: of the soak.
    """
    seen = [item for item in state.observed if item.slot.id == slot.id]
    step = state.comparator.resolution if state.comparator is not None else None
    found: list[Outlook | None] = []
    for of in dict.fromkeys(item.of for item in seen):
        own = [item for item in seen if item.of == of]
        times, values = [item.time_s for item in own], [item.value for item in own]
        if of:
            # Air goes up and down with its conditioning, and is only watched.
            within = slot.within_K if of != "air" else None
            found.append(outlook_of(times, values, of=of, unit="K", within=within))
        else:
            floor = step / math.sqrt(12.0) if step is not None else 0.0
            found.append(outlook_of(times, values, of=of, unit="um", within=slot.within_um, floor=floor))
    times, values = _difference(seen)
    found.append(outlook_of(times, values, of=BETWEEN, unit="K", within=slot.within_K))
    return tuple(outlook for outlook in found if outlook is not None)


def _difference(seen: Sequence[Observed]) -> tuple[list[float], list[float]]:
    """Times [s] and values [K] of part less reference, where both were seen."""
    last: dict[str, float] = {}
    times: list[float] = []
    values: list[float] = []
    for item in seen:
        if item.of not in ("part", "reference"):
            continue
        last[item.of] = item.value
        if len(last) == 2:  # noqa: PLR2004  part and reference
            times.append(item.time_s)
            values.append(last["part"] - last["reference"])
    return times, values


def settled(outlooks: Sequence[Outlook]) -> bool | None:
    """Whether all that the routine limits is at rest; None where nothing of it was watched."""
    judged = [outlook for outlook in outlooks if outlook.within is not None]
    return all(outlook.settled for outlook in judged) if judged else None


def may_end(outlooks: Sequence[Outlook], *, over: bool) -> bool:
    """Whether a soak may end without a reason.

    Args:
        outlooks: how everything stands.
        over: whether its time is over.
    """
    at_rest = settled(outlooks)
    return over if at_rest is None else at_rest
