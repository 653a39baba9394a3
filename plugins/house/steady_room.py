"""Steady room: the air must not have moved in the hour before the readings, nor during them. A rule of the house.

The step `room_hour` asks what the room's logger says of the last hour; steps `temperature` with `of = "air"` tell
of the time after it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    Act,
    CharacteristicView,
    Check,
    Finding,
    Level,
    Number,
    Offer,
    RunView,
    Settings,
    SlotKind,
    StepKind,
    TemperatureDifference,
    Time,
    exceeds,
    hookimpl,
    shown,
    stack,
)

HOLDZERO_API = 3

_AIR = "air"
_LOWEST = "lowest air temperature of the last hour"
_HIGHEST = "highest air temperature of the last hour"
_HOUR_S = 3600.0  # what the logger is asked about [s]


class RoomHourSettings(Settings):
    """`do = "room_hour"`."""

    logger: str = Field("the room's logger", description="Which logger is read.")


class SteadyRoomSettings(Settings):
    """`[checks.steady_room]`."""

    limit: TemperatureDifference = Field(0.5, description="How far the air may move within a window. Left out: 0.5 K.")
    window: Time = Field(3600.0, description="Within how long, and how long before the readings. Left out: 1 h.")
    gap: Time = Field(
        1800.0, description="Longest stretch from the logger's hour to the last reading with no temperature. 30 min."
    )


@dataclass(frozen=True, slots=True)
class Known:
    """A temperature [degC] that the air had at some moment between two times of the run [s].

    Attributes:
        name: of what was asked or read.
        from_s: earliest moment; below zero before the run began.
        to_s: latest moment.
        value_degC: the temperature.
    """

    name: str
    from_s: float
    to_s: float
    value_degC: Number  # noqa: N815  the unit's own capital


def steps(settings: RoomHourSettings) -> Sequence[Mapping[str, Any]]:
    """Two questions that the check knows by their names."""
    return [
        {"do": "ask", "name": name, "answer": "temperature", "unit": "degC", "say": f"{word} {settings.logger}."}
        for name, word in (
            (_LOWEST, "Type the lowest air temperature of the last hour by"),
            (_HIGHEST, "Type the highest air temperature of the last hour by"),
        )
    ]


def _known(run: RunView) -> list[Known]:
    """All that is known of the air: what the logger's hours hold, and temperatures as they were read."""
    points = [Known(t.slot.of, t.time_s, t.time_s, t.value_degC) for t in run.temperatures if t.slot.of == _AIR]
    said = [
        # The logger does not tell when in its hour it was so.
        Known(given.slot.of, given.time_s - _HOUR_S, given.time_s, given.value)
        for given in run.given
        if given.slot.of in (_LOWEST, _HIGHEST) and given.slot.answer == "temperature"
        if not isinstance(given.value, str)
    ]
    return sorted((*said, *points), key=lambda known: known.from_s)


def _read_at_s(run: RunView) -> list[float]:
    """When the readings were taken that the part hangs on, and when the next one will be [s]."""
    zeros = {reading.zero for reading in run.of_kind(SlotKind.READ)}
    if not run.finished and run.readings:
        zeros.add(run.readings[-1].zero)
    times = [reading.time_s for reading in run.readings if reading.zero in zeros]
    own = run.asked is not None and run.asked.kind.is_reading and run.asked.serial in (run.serial, None)
    return [*times, run.now_s] if own else times


def _moved(known: Sequence[Known], window_s: float) -> Number:
    """Largest difference of two temperatures that one window can hold [K]."""
    differences: list[Number] = [0.0]
    for one, other in combinations(known, 2):
        apart_s = max(one.from_s, other.from_s) - min(one.to_s, other.to_s)
        if not exceeds(apart_s, window_s):
            differences.append(np.abs(one.value_degC - other.value_degC))
    largest: Number = stack(differences).max(axis=-1)
    return largest


def _unknown(known: Iterable[Known], from_s: float, to_s: float, gap_s: float) -> tuple[float, float] | None:
    """The first stretch [s] between two times of which nothing is known; None where there is none.

    The beginning must be known; after it, a stretch may be as long as `gap_s`.
    """
    reach_s, patience_s = from_s, 0.0
    for item in known:
        if item.to_s < from_s:
            continue
        if exceeds(item.from_s - reach_s, patience_s):
            break
        reach_s, patience_s = max(reach_s, item.to_s), gap_s
    if not exceeds(to_s - reach_s, patience_s):
        return None
    later = [item.from_s for item in known if item.from_s > reach_s]
    return reach_s, min([*later, to_s])


def _clock(seconds: float) -> str:
    """A span of time [s] in whole minutes, or in seconds where it is short.

    >>> _clock(3600.0), _clock(29.6)
    ('60 min', '30 s')
    """
    return f"{seconds / 60.0:.0f} min" if seconds >= _TWO_MINUTES_S else f"{seconds:.0f} s"


_TWO_MINUTES_S = 120.0


def _look(settings: SteadyRoomSettings, run: RunView, advice: Mapping[str, str]) -> Iterable[Finding]:
    times = _read_at_s(run)
    if not times:
        return
    first_s, last_s = min(times), max(times)
    from_s = first_s - settings.window
    known = _about(settings, _known(run), first_s, last_s)
    for lowest, highest in _crossed(known):
        text = (
            f"The lowest temperature of an hour was given as {shown(lowest, 4)} °C, which is above the highest, "
            f"{shown(highest, 4)} °C. {advice['crossed']}"
        )
        yield Finding(level=Level.STOP, code="steady_room/crossed", text=text)
    for name in (_LOWEST, _HIGHEST):
        stretch = _unknown([item for item in known if item.name in (name, _AIR)], from_s, last_s, settings.gap)
        if stretch is not None:
            side = "before" if stretch[0] < first_s else "after"
            text = (
                f"Of the air nothing is known for {_clock(stretch[1] - stretch[0])}, from "
                f"{_clock(abs(first_s - stretch[0]))} {side} the first reading. The {_clock(settings.window)} before "
                f"it must be known, and later no more than {_clock(settings.gap)} may be missing. {advice['unknown']}"
            )
            yield Finding(level=Level.STOP, code="steady_room/unknown", text=text)
            break
    moved = _moved(known, settings.window)
    wait_s = None if run.finished else _wait_s(settings, run, times)
    do = advice["moved"] if wait_s is None else f"Wait {_clock(wait_s)}, then look again."
    yield Finding(
        level=Level.STOP,
        code="steady_room/moved",
        text=f"The air moved by {shown(moved, 3)} K within {_clock(settings.window)}; at most {settings.limit:g} K is "
        f"allowed. {do}",
        data={"moved_K": float(np.max(moved)), "limit_K": settings.limit},
        holds=exceeds(moved, settings.limit),
        offer=None if wait_s is None else Offer(act=Act.LOOK),
    )


def _about(settings: SteadyRoomSettings, known: Iterable[Known], first_s: float, last_s: float) -> list[Known]:
    """What is known from a window before the first reading [s] to a gap after the last one [s]."""
    return [k for k in known if k.to_s >= first_s - settings.window and k.from_s <= last_s + settings.gap]


def _wait_s(settings: SteadyRoomSettings, run: RunView, times: Sequence[float]) -> float | None:
    """How long to wait until all that is known of the window is steady [s]; None where waiting alone mends nothing.

    It does not once something was read, nor where what is known is too old before the move is.
    """
    if list(times) != [run.now_s]:
        return None
    everything = _known(run)
    for at_s in sorted(item.to_s + settings.window + _A_SECOND_S for item in everything):
        known = _about(settings, everything, at_s, at_s)
        sides = ([item for item in known if item.name in (name, _AIR)] for name in (_LOWEST, _HIGHEST))
        unknown = any(_unknown(side, at_s - settings.window, at_s, settings.gap) is not None for side in sides)
        if at_s > run.now_s and not unknown and not np.any(exceeds(_moved(known, settings.window), settings.limit)):
            return at_s - run.now_s
    return None


_A_SECOND_S = 1.0  # later the move is out of the window


def _crossed(known: Sequence[Known]) -> Iterable[tuple[Number, Number]]:
    """A lowest and a highest temperature of one time that can't both be true [degC]."""
    for lowest, highest in product(known, known):
        together = max(lowest.from_s, highest.from_s) < min(lowest.to_s, highest.to_s)
        named = (lowest.name, highest.name) == (_LOWEST, _HIGHEST)
        if named and together and np.any(exceeds(lowest.value_degC, highest.value_degC)):
            yield lowest.value_degC, highest.value_degC


_NOW = {
    "crossed": "Which of the two is mistyped? Strike it out and give it again.",
    "unknown": "Is the answer about the last hour too old? Then strike it out and give it again. If the routine asks "
    "for none, its author must mend that.",
    "moved": "Will you wait until the room is steady, then strike out what was given, and what was read, and take it "
    "again?",
}
_AT_THE_END = {
    "crossed": "Measure again.",
    "unknown": "Measure again with a step room_hour before the first reading and steps temperature of the air after.",
    "moved": "Measure again in a steady room.",
}


def watch(settings: SteadyRoomSettings, run: RunView) -> Iterable[Finding]:
    """Whether the room is steady enough for the reading that is asked for, and was for those before it."""
    if run.asked is not None and run.asked.kind.is_reading:
        yield from _look(settings, run, _NOW)


def judge(
    settings: SteadyRoomSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """Whether the air is known to have been steady from the hour before the readings to their end."""
    del characteristics  # it is the same room for all of them
    yield from _look(settings, run, _AT_THE_END)


@hookimpl
def holdzero_steps() -> Sequence[StepKind]:
    """The questions about the last hour."""
    return [
        StepKind(
            name="room_hour",
            title="ask the room's logger for the last hour",
            settings=RoomHourSettings,
            steps=steps,
        )
    ]


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check of the room."""
    return [
        Check(
            name="steady_room",
            title="the room was steady before and during the readings",
            settings=SteadyRoomSettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
