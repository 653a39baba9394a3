"""Geometry of a report's pictures: values over the parts in order, and how often which value came.

Numbers in, places in; the template draws. Lengths arrive in the small unit that is shown.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from holdzero.hooks import exceeds
from holdzero_plugins.writers._pictures import WIDTH, Passing, Tick, differ, nice_ticks, tick_text

__all__ = ["FEWEST", "Bars", "Course", "Mark", "Point", "bars_of", "courses_of"]

_LEFT, _RIGHT = 62.0, WIDTH - 10.0
_TOP, _PLOT = 18.0, 170.0
_PER_COURSE = 40
_LABEL = 22.0  # room that a number below needs
FEWEST = 5
"""With fewer values there is no histogram: it would tell less than the table (common practice, no source)."""
_MOST_BARS = 20
_SLIMMEST = 60  # bars that the whole width has room for


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A value to draw, in the small unit.

    Attributes:
        number: of its record.
        value: measured.
        expanded: U.
        lower: limit; None if there is none.
        upper: limit; None if there is none.
        guard: guard band; None where the place does not decide.
        passes: least and largest value that passes, None for no end; empty where none does.
        verdict: gives the mark its shape.
        note: letters below it.
        stands: whether no later record replaces it.
        words: all of it, for those who can't see the picture.
    """

    number: int
    value: float
    expanded: float
    lower: float | None
    upper: float | None
    guard: float | None
    passes: Passing
    verdict: str
    note: str
    stands: bool
    words: str


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch in which one verdict holds."""

    kind: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit over some records; `text` is empty where its neighbour says the same."""

    x: float
    end: float
    y: float
    text: str
    text_y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A value as it is drawn; `off` is -1 below and 1 above the picture."""

    x: float
    y: float
    low: float
    high: float
    off: int
    verdict: str
    stands: bool
    number: str
    note: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Values over some of the records, in order."""

    bands: tuple[Band, ...]
    limits: tuple[LimitLine, ...]
    ticks: tuple[Tick, ...]
    marks: tuple[Mark, ...]
    first: int
    last: int
    bottom: float = _TOP + _PLOT


@dataclass(frozen=True, slots=True)
class Bar:
    """How many values are in one stretch."""

    x: float
    y: float
    width: float
    height: float
    count: int
    words: str

    @property
    def text(self) -> str:
        """The number above the bar; empty where there is no room or nothing to say."""
        return str(self.count) if self.count and self.width >= 7.0 * len(str(self.count)) else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """A histogram, with limits if they are the same for all values; `below` and `above` are off the picture."""

    bars: tuple[Bar, ...]
    ticks: tuple[Tick, ...]
    counts: tuple[Tick, ...]
    limits: tuple[Tick, ...]
    below: int
    above: int
    bottom: float = _TOP + _PLOT


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float

    def y(self, value: float) -> float:
        """The height of a value, kept within the picture."""
        share = (self.high - value) / (self.high - self.low)
        return round(_TOP + _PLOT * min(max(share, 0.0), 1.0), 2)

    def x(self, value: float) -> float:
        """The place of a value from left to right."""
        share = (value - self.low) / (self.high - self.low)
        return round(_LEFT + (_RIGHT - _LEFT) * min(max(share, 0.0), 1.0), 2)

    def off(self, value: float) -> int:
        return (value > self.high) - (value < self.low)


def courses_of(points: Sequence[Point]) -> tuple[Course, ...]:
    """The pictures of values in order, all on one scale.

    Args:
        points: in their order.
    """
    if not points:
        return ()
    scale = _scale(points)
    size = -(-len(points) // -(-len(points) // _PER_COURSE))
    return tuple(_course(points[start : start + size], scale, size) for start in range(0, len(points), size))


def _scale(points: Sequence[Point]) -> _Scale:
    """What the pictures show: all limits; each value too, unless it would squash the others."""
    around = [
        end
        for point in points
        for limit in (point.lower, point.upper)
        if limit is not None
        for end in (limit - (point.guard or 0.0), limit + (point.guard or 0.0))
    ]
    bars = [(point.value - point.expanded, point.value + point.expanded) for point in points]
    if around:
        # Where half of the values are belongs into it, however far the limits are.
        around.append(statistics.median(point.value for point in points))
        low, high = min(around), max(around)
        room = 1.5 * max(high - low, *(end - start for start, end in bars))
        around += [end for bar in bars if bar[0] > low - room and bar[1] < high + room for end in bar]
    else:
        around = [end for bar in bars for end in bar]
    low, high = min(around), max(around)
    # Numbers that are all alike have no width of their own; any will do.
    pad = 0.1 * (high - low) if differ(low, high) else max(abs(high) * 0.1, 1.0)
    return _Scale(low - pad, high + pad)


def _course(points: Sequence[Point], scale: _Scale, size: int) -> Course:
    step = (_RIGHT - _LEFT) / size
    every = math.ceil(_LABEL / step)
    bands: list[Band] = []
    limits: list[LimitLine] = []
    start = 0
    for (lower, upper, guard, passes), run in groupby(points, key=lambda p: (p.lower, p.upper, p.guard, p.passes)):
        count = len(tuple(run))
        x, width = _LEFT + step * start, step * count
        edges = passes if guard is not None else (lower, upper)
        bands += _bands(scale, (lower, upper), guard, edges, (round(x, 2), round(width, 2)))
        limits += _limits(scale, lower, upper, (round(x, 2), round(x + width, 2)), limits)
        start += count
    return Course(
        bands=tuple(bands),
        limits=tuple(limits),
        ticks=tuple(Tick(scale.y(tick), tick_text(tick)) for tick in nice_ticks(scale.low, scale.high, 6)),
        marks=tuple(
            _mark(point, scale, round(_LEFT + step * (place + 0.5), 2), numbered=place % every == 0)
            for place, point in enumerate(points)
        ),
        first=points[0].number,
        last=points[-1].number,
    )


def _bands(
    scale: _Scale,
    limits: tuple[float | None, float | None],
    guard: float | None,
    passes: Passing,
    place: tuple[float, float],
) -> Iterable[Band]:
    lower, upper = limits
    if lower is None and upper is None:
        return
    x, width = place
    out_low = scale.low if lower is None else lower - (guard or 0.0)
    out_high = scale.high if upper is None else upper + (guard or 0.0)
    least, most = passes or (out_high, out_high)
    in_low, in_high = scale.low if least is None else least, scale.high if most is None else most
    kinds = ("out", "out", "in", "out", "out") if guard is None else ("fail", "undecided", "pass", "undecided", "fail")
    cuts = (scale.low, out_low, in_low, in_high, out_high, scale.high)
    for kind, start, end in zip(kinds, cuts, cuts[1:], strict=False):
        top, bottom = scale.y(end), scale.y(start)
        if bottom > top:
            yield Band(kind, x, top, width, round(bottom - top, 2))


def _limits(
    scale: _Scale,
    lower: float | None,
    upper: float | None,
    ends: tuple[float, float],
    before: Sequence[LimitLine],
) -> list[LimitLine]:
    made = []
    for name, limit in (("lower", lower), ("upper", upper)):
        if limit is not None:
            y = scale.y(limit)
            told = any(line.y == y for line in before)
            text = "" if told else f"{name} {tick_text(limit)}"
            made.append(LimitLine(*ends, y, text, y - 5.0 if name == "upper" else y + 13.0))
    return made


def _mark(point: Point, scale: _Scale, x: float, *, numbered: bool) -> Mark:
    return Mark(
        x=x,
        y=scale.y(point.value),
        low=scale.y(point.value - point.expanded),
        high=scale.y(point.value + point.expanded),
        off=scale.off(point.value),
        verdict=point.verdict,
        stands=point.stands,
        number=str(point.number) if numbered else "",
        note=point.note,
        words=point.words,
    )


# --- the histogram -----------------------------------------------------------------------------


def bars_of(values: Sequence[float], lower: float | None, upper: float | None) -> Bars | None:
    """How often which value came; None where there are too few.

    Args:
        values: in any order.
        lower: limit, if it is the same for all.
        upper: limit, if it is the same for all.
    """
    if len(values) < FEWEST:
        return None
    low, high = _ends(values, [limit for limit in (lower, upper) if limit is not None])
    inside = [value for value in values if low <= value <= high]
    span = high - low
    scale = _Scale(low - 0.08 * span, high + 0.08 * span)
    edges = _edges(inside, lower, upper, span)
    counts = Counter(edges.place(value) for value in inside)
    most = max(counts.values())
    return Bars(
        bars=tuple(_bar(scale, edges, place, count, most) for place, count in sorted(counts.items())),
        ticks=tuple(Tick(scale.x(tick), tick_text(tick)) for tick in nice_ticks(scale.low, scale.high, 10)),
        counts=tuple(
            Tick(round(_TOP + _PLOT * (1.0 - tick / (1.1 * most)), 2), f"{tick:.0f}")
            for tick in nice_ticks(0.0, float(most), 4)
            if tick == int(tick)
        ),
        limits=tuple(
            Tick(scale.x(limit), f"{name} {tick_text(limit)}")
            for name, limit in (("lower", lower), ("upper", upper))
            if limit is not None
        ),
        below=sum(value < low for value in values),
        above=sum(value > high for value in values),
    )


def _ends(values: Sequence[float], limits: Sequence[float]) -> tuple[float, float]:
    """From where to where values are drawn: limits, half of the values, and all that do not squash the rest."""
    core = [*limits, *statistics.quantiles(values, n=4)]
    low, high = min(core), max(core)
    room = 1.5 * (high - low)
    near = [value for value in values if low - room <= value <= high + room]
    low, high = min(low, *near), max(high, *near)
    if differ(low, high):
        return low, high
    # Numbers that are all alike have no width of their own; any will do.
    return low - max(abs(low) * 0.1, 1.0), high + max(abs(high) * 0.1, 1.0)


@dataclass(frozen=True, slots=True)
class _Edges:
    """Where bars begin and end: at the limits, so that none holds values of both sides."""

    origin: float
    step: float
    lower: float | None
    upper: float | None

    def place(self, value: float) -> int:
        """The bar that a value belongs to; a value on a limit belongs within."""
        place = math.floor((value - self.origin) / self.step)
        if self.upper is not None:
            last = round((self.upper - self.origin) / self.step) - 1
            place = max(place, last + 1) if exceeds(value, self.upper, self.step) else min(place, last)
        if self.lower is not None:
            place = min(place, -1) if exceeds(self.lower, value, self.step) else max(place, 0)
        return place


def _edges(inside: Sequence[float], lower: float | None, upper: float | None, span: float) -> _Edges:
    """Bars so that about the root of the number of values stand side by side."""
    number = min(max(math.isqrt(len(inside)), FEWEST), _MOST_BARS)
    raw = max((max(inside) - min(inside)) / number, span / _SLIMMEST)
    if lower is not None and upper is not None and upper > lower:
        return _Edges(lower, (upper - lower) / max(1, round((upper - lower) / raw)), lower, upper)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= raw * 0.999)
    origin = lower if lower is not None else upper if upper is not None else 0.0
    return _Edges(origin, step, lower, upper)


def _bar(scale: _Scale, edges: _Edges, place: int, count: int, most: int) -> Bar:
    start, end = (edges.origin + edges.step * (place + side) for side in (0, 1))
    left, right = scale.x(start), scale.x(end)
    height = round(_PLOT * count / (1.1 * most), 2)
    words = f"{tick_text(round(start, 9))} to {tick_text(round(end, 9))}: {count}"
    return Bar(left, round(_TOP + _PLOT - height, 2), round(right - left, 2), height, count, words)
