"""Geometry of the picture of all readings in their order, kept readable when one lies far away.

Readings of zero, return and part set the scale; what is far from them, as a check standard is
meant to be, stands in a strip of its own with its value beside it. Many readings make several
pictures of one scale.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from holdzero_plugins.writers._entries import Taken
from holdzero_plugins.writers._pictures import WIDTH, Tick, nice_ticks, tick_text

__all__ = ["Mark", "Panel", "panels_of"]

_LEFT, _RIGHT = 62.0, WIDTH - 10.0
_PLOT = 150.0
_STRIP = 58.0
_PER_PANEL = 24
_LONGEST_LABEL = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A reading as it is drawn.

    Attributes:
        kind: zero, check, return, part or reading; each has a mark of its own.
        x: place along the picture.
        y: place down the picture.
        label: what it is of, cut to fit.
        seq: its entry number.
        words: all of it, for those who can't see the picture.
        value: its number, where it stands off the scale; else empty.
        off: -1 below, 1 above the scale, 0 on it.
        state: `struck` where it was struck out, `replaced` where another reading counts in its place; else empty.
    """

    kind: str
    x: float
    y: float
    label: str
    seq: int
    words: str
    value: str
    off: int
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One picture: marks, axis, where a fresh zero begins."""

    height: float
    top: float
    bottom: float
    label_y: float
    above: bool
    below: bool
    slanted: bool
    zero_y: float | None
    ticks: tuple[Tick, ...]
    zeros: tuple[Tick, ...]
    marks: tuple[Mark, ...]
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float

    def off(self, value: float) -> int:
        return (value > self.high) - (value < self.low)

    def y(self, value: float, top: float) -> float:
        return round(top + _PLOT * (self.high - value) / (self.high - self.low), 2)


def panels_of(readings: Sequence[Taken], values: Sequence[float], texts: Sequence[str]) -> tuple[Panel, ...]:
    """The pictures of all readings, in order.

    Args:
        readings: in their order.
        values: of each, in the small unit that is shown.
        texts: of each value, with its unit.
    """
    if not readings:
        return ()
    scale = _scale(readings, values)
    rows = list(zip(readings, values, texts, _zero_starts(readings), strict=True))
    count = -(-len(rows) // _PER_PANEL)
    size = -(-len(rows) // count)
    return tuple(_panel(rows[start : start + size], scale, size) for start in range(0, len(rows), size))


_Row = tuple[Taken, float, str, int]


def _scale(readings: Sequence[Taken], values: Sequence[float]) -> _Scale:
    core = [v for r, v in zip(readings, values, strict=True) if r.counts and r.kind != "check"] or list(values)
    low, high = min(core), max(core)
    span = high - low or max(abs(high) * 0.2, 1.0)
    # Something near enough is drawn to scale with the others.
    near = [v for v in values if low - 0.6 * span <= v <= high + 0.6 * span]
    low, high = min(low, *near), max(high, *near)
    pad = 0.12 * (high - low or span)
    return _Scale(low - pad, high + pad)


def _zero_starts(readings: Sequence[Taken]) -> Iterable[int]:
    """For each reading the number of the zero that begins with it; 0 where none does."""
    known: list[str] = []
    for reading in readings:
        fresh = reading.kind == "zero" and reading.group not in known
        if fresh:
            known.append(reading.group)
        yield len(known) if fresh else 0


def _panel(rows: Sequence[_Row], scale: _Scale, size: int) -> Panel:
    above = any(scale.off(value) > 0 for _, value, _, _ in rows)
    below = any(scale.off(value) < 0 for _, value, _, _ in rows)
    top = 16.0 + (_STRIP if above else 0.0)
    bottom = top + _PLOT
    foot = bottom + (_STRIP if below else 0.0)
    slanted = any(len(reading.label) > 3 for reading, _, _, _ in rows)  # noqa: PLR2004  what fits beside its neighbour
    longest = max(len(_cut(reading.label)) for reading, _, _, _ in rows)
    step = (_RIGHT - _LEFT) / size
    xs = [round(_LEFT + step * (index + 0.5), 2) for index in range(len(rows))]
    return Panel(
        height=foot + 34.0 + (longest * 4.9 if slanted else 12.0),
        top=top,
        bottom=bottom,
        label_y=foot + 30.0,
        above=above,
        below=below,
        slanted=slanted,
        zero_y=scale.y(0.0, top) if scale.off(0.0) == 0 else None,
        ticks=tuple(Tick(scale.y(t, top), tick_text(t)) for t in nice_ticks(scale.low, scale.high, 5)),
        zeros=tuple(Tick(x - step / 2.0, f"zero {row[3]}") for x, row in zip(xs, rows, strict=True) if row[3] > 1),
        marks=tuple(_mark(x, row, scale, top) for x, row in zip(xs, rows, strict=True)),
        first=rows[0][0].seq,
        last=rows[-1][0].seq,
    )


def _mark(x: float, row: _Row, scale: _Scale, top: float) -> Mark:
    reading, value, text, _ = row
    off = scale.off(value)
    y = {0: scale.y(value, top), 1: top - 14.0, -1: top + _PLOT + 14.0}[off]
    fate = f", struck out: {reading.struck}" if reading.struck else ""
    fate += f", entry {reading.superseded} counts in its place" if reading.superseded is not None else ""
    what = reading.label if reading.kind != "part" else f"part at {reading.label}"
    return Mark(
        kind=reading.kind,
        x=x,
        y=y,
        label=_cut(reading.label),
        seq=reading.seq,
        words=f"entry {reading.seq}, {what}: {text}{fate}",
        value=text if off else "",
        off=off,
        state="struck" if reading.struck else "replaced" if reading.superseded is not None else "",
    )


def _cut(label: str) -> str:
    return label if len(label) <= _LONGEST_LABEL else label[: _LONGEST_LABEL - 1] + "…"
