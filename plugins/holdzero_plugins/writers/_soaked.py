"""Geometry of what was seen while everything soaked: one picture for each thing that was watched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from holdzero.hooks import in_micro, micro_text
from holdzero_plugins.writers._pictures import WIDTH, Tick, nice_ticks, tick_text
from holdzero_plugins.writers._text import clock, said, small_unit

__all__ = ["Soaked", "soaked_of"]

_LEFT, _RIGHT = 62.0, WIDTH - 10.0
_TOP, _BOTTOM = 16.0, 136.0
_FEWEST = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Soaked:
    """One thing that was watched, and its picture.

    Attributes:
        of: what it is, in words.
        unit: of the axis.
        words: all of it, for those who can't see the picture.
        marks: places of the points, along and down.
        ticks: beside the picture.
        minutes: below it.
        first: entry number of the first point.
        last: entry number of the last one.
    """

    of: str
    unit: str
    words: str
    marks: tuple[tuple[float, float], ...]
    ticks: tuple[Tick, ...]
    minutes: tuple[Tick, ...]
    first: int
    last: int


def soaked_of(record: Mapping[str, Any], units: str) -> tuple[Soaked, ...]:
    """What was seen during each soak of a record, thing by thing.

    Args:
        record: as plain data.
        units: `mm` or `in`.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for event in record["events"]:
        if event["event"] == "soak_observed":
            groups.setdefault((str(event["slot"]), str(event["of"])), []).append(event)
    return tuple(_soaked(of, events, units) for (_, of), events in groups.items() if len(events) >= _FEWEST)


def _soaked(of: str, events: Sequence[Mapping[str, Any]], units: str) -> Soaked:
    raw = [float(event["value"]) for event in events]
    values = raw if of else [in_micro(value, units) for value in raw]
    texts = [f"{value:.2f} °C" if of else micro_text(value, units) for value in (raw[0], raw[-1])]
    times = [float(event["time_s"]) / 60.0 for event in events]
    low, high = min(values), max(values)
    pad = 0.1 * (high - low or max(abs(high) * 0.2, 0.1))
    low, high = low - pad, high + pad
    begin, span = times[0], (times[-1] - times[0]) or 1.0

    def x(minute: float) -> float:
        return round(_LEFT + (_RIGHT - _LEFT) * (minute - begin) / span, 2)

    def y(value: float) -> float:
        return round(_TOP + (_BOTTOM - _TOP) * (high - value) / (high - low), 2)

    lasted = clock(events[-1]["time_s"] - events[0]["time_s"])
    return Soaked(
        of=f"temperature of the {said(of)}" if of else "the reading",
        unit="°C" if of else small_unit(units),
        words=f"{len(events)} values over {lasted}, from {texts[0]} to {texts[1]}",
        marks=tuple((x(minute), y(value)) for minute, value in zip(times, values, strict=True)),
        ticks=tuple(Tick(y(number), tick_text(number)) for number in nice_ticks(low, high, 4)),
        minutes=tuple(Tick(x(begin + number), f"{number:g}") for number in nice_ticks(0.0, span, 6)),
        first=int(events[0]["seq"]),
        last=int(events[-1]["seq"]),
    )
