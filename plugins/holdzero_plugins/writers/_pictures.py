"""Geometry of the tolerance picture: where limits, guard bands and the value stand on a line.

Numbers in, places in; the template draws. Lengths arrive in the small unit that is shown; places
are in the picture's own points.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

__all__ = ["WIDTH", "Passing", "Tick", "Tolerance", "Zone", "differ", "nice_ticks", "text_width", "tolerance_of"]

Passing: TypeAlias = tuple[()] | tuple[float | None, float | None]
"""Least and largest value that passes, None for no end; empty where none does."""

WIDTH = 680.0
_LEFT, _RIGHT = 20.0, WIDTH - 20.0
_TEXT_Y = 29.0
_SLIGHT = 1e-9  # of the small unit: less than any reading tells, and more than an axis of such floats could show
_LETTER = 6.6  # width of a letter, near enough to keep texts apart


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on an axis and what stands beside it."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of the line in which one verdict holds; `word` is empty where it has no room."""

    kind: str
    x: float
    width: float
    word: str

    @property
    def middle(self) -> float:
        """Where its word stands."""
        return self.x + self.width / 2.0


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit: where its line is, and where its text is."""

    x: float
    text_x: float
    text_y: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """The picture of one characteristic.

    Attributes:
        zones: fail, undecided, pass or open stretches, from left to right.
        limits: the lines of the limits.
        ticks: of the axis.
        value_x: where the value is; None where there is none.
        value_text_x: where its text is.
        value_text: the value with its uncertainty.
        bar: both ends of ±U.
        beyond: -1 or 1 where the value is off the picture to that side; else 0.
        cut_left: whether the bar goes on beyond the left edge.
        cut_right: whether the bar goes on beyond the right edge.
    """

    zones: tuple[Zone, ...]
    limits: tuple[Limit, ...]
    ticks: tuple[Tick, ...]
    value_x: float | None
    value_text_x: float
    value_text: str
    bar: tuple[float, float]
    beyond: int
    cut_left: bool
    cut_right: bool

    @property
    def top(self) -> float:
        """Where the picture begins: the texts of two limits that are close need a line each."""
        return 0.0 if any(limit.text_y < _TEXT_Y for limit in self.limits) else 14.0


@dataclass(frozen=True, slots=True)
class _Line:
    """Maps a length to a place."""

    low: float
    high: float

    def x(self, length: float) -> float:
        """The place of a length, kept within the picture."""
        share = (length - self.low) / (self.high - self.low)
        return round(_LEFT + (_RIGHT - _LEFT) * min(max(share, 0.0), 1.0), 2)


def text_width(text: str) -> float:
    """How much room a text takes, roughly."""
    return _LETTER * len(text)


def nice_ticks(low: float, high: float, about: int = 8) -> tuple[float, ...]:
    """Round numbers from `low` to `high`, `about` so many.

    >>> nice_ticks(-3.6, 3.6)
    (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)
    """
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * f for f in (1.0, 2.0, 5.0, 10.0) if power * f >= raw * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(round(index * step, 12) + 0.0 for index in range(first, last + 1))


def tick_text(number: float) -> str:
    """A tick's number, as short as it can be."""
    return f"{number:+.10g}".replace("-", "−") if number else "0"


def tolerance_of(
    *,
    lower: tuple[float, str] | None,
    upper: tuple[float, str] | None,
    guard: float,
    passes: Passing,
    value: float | None,
    expanded: float,
    value_text: str,
    from_zero: bool,
    decides: bool,
) -> Tolerance:
    """The picture of a value against its limits.

    Args:
        lower: lower limit and its text; None if there is none.
        upper: upper limit and its text; None if there is none.
        guard: by how much limits are drawn out for a fail; 0 for none.
        passes: least and largest value that passes, None for no end; empty where none does.
        value: measured; None where there is no number.
        expanded: U; 0 where it is not known.
        value_text: the value in words.
        from_zero: whether the value can't be below zero, so that zero belongs into the picture.
        decides: whether the place alone decides, so that stretches can be called pass and fail.
    """
    low, high = lower[0] if lower else None, upper[0] if upper else None
    line = _window(low, high, guard, value, expanded, from_zero=from_zero)
    beyond = 0 if value is None else (value > line.high) - (value < line.low)
    value_x = None if value is None else line.x(value)
    text = value_text + (", off the picture" if beyond else "")
    half = 1.15 * text_width(text) / 2.0  # it is set in bold
    return Tolerance(
        zones=tuple(_zones(line, (low, high), guard, passes, decides=decides)),
        limits=_limits(line, lower, upper),
        ticks=tuple(Tick(line.x(tick), tick_text(tick)) for tick in nice_ticks(line.low, line.high)),
        value_x=value_x,
        value_text_x=min(max(value_x or 0.0, half + 4.0), WIDTH - half - 4.0),
        value_text=text,
        bar=(0.0, 0.0) if value is None else (line.x(value - expanded), line.x(value + expanded)),
        beyond=beyond,
        cut_left=value is not None and value - expanded < line.low,
        cut_right=value is not None and value + expanded > line.high,
    )


def _window(
    low: float | None, high: float | None, guard: float, value: float | None, expanded: float, *, from_zero: bool
) -> _Line:
    """What the picture shows: all limits; the value too, unless it would squash them."""
    limits = [x for x in (low, high) if x is not None]
    around = [*(x - guard for x in limits), *(x + guard for x in limits)]
    if limits and from_zero:
        around.append(0.0)
    if value is None:
        return _padded(around)
    bar = [value - expanded, value + expanded]
    if not limits:
        return _padded(bar)
    span = max(*around, *limits) - min(*around, *limits)
    span = span or 4.0 * expanded or abs(value - limits[0])
    room = 1.5 * max(span, 2.0 * expanded)
    if min(around) - room <= value <= max(around) + room:
        return _padded([*around, *bar])
    return _padded([*around, min(around) - span / 2.0, max(around) + span / 2.0])


def _padded(points: Sequence[float]) -> _Line:
    if not points:
        return _Line(-1.0, 1.0)
    low, high = min(points), max(points)
    # Exact numbers have no width of their own; any will do.
    pad = 0.14 * (high - low) if differ(low, high) else max(abs(high) * 0.1, 1.0)
    return _Line(low - pad, high + pad)


def differ(low: float, high: float) -> bool:
    """Whether two lengths are far enough apart to be drawn apart."""
    return high - low > max(1e-9 * max(abs(low), abs(high)), _SLIGHT)


def _zones(
    line: _Line,
    limits: tuple[float | None, float | None],
    guard: float,
    passes: Passing,
    *,
    decides: bool,
) -> Iterable[Zone]:
    low, high = limits
    if low is None and high is None:
        return
    outer_low, outer_high = _edge(low, -guard, line.low), _edge(high, guard, line.high)
    least, most = passes or (outer_high, outer_high)
    inner_low, inner_high = _edge(least, 0.0, line.low), _edge(most, 0.0, line.high)
    cuts = (line.low, outer_low, inner_low, inner_high, outer_high, line.high)
    kinds = ("fail", "undecided", "pass", "undecided", "fail") if decides else ("out", "out", "in", "out", "out")
    words = {"fail": "fail", "undecided": "undecided", "pass": "pass", "out": "outside", "in": "inside"}
    for kind, start, end in zip(kinds, cuts, cuts[1:], strict=False):
        left, right = line.x(start), line.x(end)
        if right > left:
            word = words[kind] if right - left > text_width(words[kind]) + 8.0 else ""
            yield Zone(kind, left, round(right - left, 2), word)


def _edge(limit: float | None, shift: float, end: float) -> float:
    return end if limit is None else limit + shift


def _limits(line: _Line, lower: tuple[float, str] | None, upper: tuple[float, str] | None) -> tuple[Limit, ...]:
    placed: list[Limit] = []
    for given in (lower, upper):
        if given is not None:
            x, half = line.x(given[0]), text_width(given[1]) / 2.0
            text_x = min(max(x, half + 2.0), WIDTH - half - 2.0)
            close = placed and text_x - half < placed[0].text_x + text_width(placed[0].text) / 2.0 + 8.0
            placed.append(Limit(x, text_x, _TEXT_Y - 16.0 if close else _TEXT_Y, given[1]))
    return tuple(placed)
