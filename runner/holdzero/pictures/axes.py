"""Scales of pictures: from numbers to places, and round numbers on an axis."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Scale", "Tick", "number_text", "round_ticks", "scale_of"]


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on an axis and what stands beside it."""

    at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Maps numbers to places: `low` to `start`, `high` to `end`; beyond, to the nearer end."""

    low: float
    high: float
    start: float
    end: float

    def at(self, number: float) -> float:
        """The place of a number."""
        share = (number - self.low) / (self.high - self.low)
        return round(self.start + (self.end - self.start) * min(max(share, 0.0), 1.0), 2)

    @property
    def ticks(self) -> tuple[Tick, ...]:
        """Round numbers and their places."""
        step, numbers = round_ticks(self.low, self.high)
        return tuple(Tick(self.at(number), number_text(number, step)) for number in numbers)


def scale_of(numbers: Iterable[float], *, start: float, end: float, zero: bool = False) -> Scale:
    """A scale that all finite numbers fit on, with some room at both ends.

    Args:
        numbers: that must fit.
        start: place of the low end.
        end: place of the high end.
        zero: whether the scale begins at zero.
    """
    kept = [number for number in numbers if math.isfinite(number)] or [0.0]
    low, high = (0.0 if zero else min(kept)), max(kept)
    if high <= low:
        low, high = (0.0, 1.0) if zero else (low - 1.0, high + 1.0)
    room = 0.06 * (high - low)
    return Scale(low=low if zero else low - room, high=high + room, start=start, end=end)


def round_ticks(low: float, high: float, about: int = 6) -> tuple[float, tuple[float, ...]]:
    """Round numbers from `low` to `high`, `about` so many, and their step.

    >>> round_ticks(-0.31, 0.34)
    (0.1, (-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3))
    """
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= raw * 0.9)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return step, tuple(round(index * step, 12) + 0.0 for index in range(first, last + 1))


def number_text(number: float, step: float = 0.001) -> str:
    """A number with its sign, to the digits of a step.

    >>> number_text(-0.25, 0.01), number_text(0.0, 0.01)
    ('−0.25', '0.00')
    """
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    text = f"{number:+.{digits}f}".replace("-", "−")
    return text if float(f"{number:.{digits}f}") else text[1:]
