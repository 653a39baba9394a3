"""Picture of what the readings of a gauge study spread by: a bar for each component, on one scale of length.

Sums are no bars of their own: a bracket joins the bars that a sum holds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from holdzero.pictures.axes import Tick, scale_of
from holdzero.studies import CrossedStudy
from holdzero.studies.crossed import SPREAD, Component

__all__ = ["Bar", "Bracket", "Spreads", "spreads_of"]

_COMPONENTS = ("repeatability", "inspectors", "interaction", "parts")
_SUMS = {"reproducibility": ("inspectors", "interaction"), "gauge": ("repeatability", "inspectors", "interaction")}
_START, _END = 110.0, 400.0
_TOP, _LINE = 22.0, 30.0
_BRACKETS = (470.0, 590.0)  # where the brackets of the two sums stand
_TOOTH = 7.0
_DIGITS = 3


@dataclass(frozen=True, slots=True)
class Bar:
    """A component: its word, the middle of its line, how wide it is, and its length in words."""

    word: str
    y: float
    width: float
    text: str


@dataclass(frozen=True, slots=True)
class Bracket:
    """A sum: its word, its length in words, its line, and where its words stand."""

    word: str
    text: str
    path: str
    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """The picture.

    Attributes:
        words: all of it, for those who can't see it.
        bars: largest first.
        brackets: of the sums.
        ticks: of the axis below, in um.
        frame: width of the tolerance; None where there is none.
        frame_text: the tolerance in words.
        bottom: where the axis is.
    """

    words: str
    bars: tuple[Bar, ...]
    brackets: tuple[Bracket, ...]
    ticks: tuple[Tick, ...]
    frame: float | None
    frame_text: str
    bottom: float


def spreads_of(study: CrossedStudy, tolerance_um: float | None) -> Spreads:
    """The picture of a study: 6 standard deviations of each component, largest first, within the tolerance.

    Args:
        study: what it found.
        tolerance_um: width of the tolerance [um]; None if there is none.
    """
    found: dict[str, Component] = {name: getattr(study, name) for name in (*_COMPONENTS, *_SUMS)}
    widths_um = {name: SPREAD * item.standard_um for name, item in found.items()}
    order = sorted(_COMPONENTS, key=lambda name: -widths_um[name])
    scale = scale_of([*map(widths_um.__getitem__, order), tolerance_um or 0.0], start=_START, end=_END, zero=True)
    middles = {name: _TOP + _LINE * (place + 0.5) for place, name in enumerate(order)}
    texts = {name: _length(width_um) for name, width_um in widths_um.items()}
    frame = None if tolerance_um is None else scale.at(tolerance_um) - _START
    frame_text = "" if tolerance_um is None else f"tolerance {tolerance_um:g} µm"
    said = [f"{name} {texts[name]}" for name in (*order, *_SUMS)]
    return Spreads(
        words="; ".join([*said, *([frame_text] if frame_text else [])]),
        bars=tuple(
            Bar(name, middles[name], round(scale.at(widths_um[name]) - _START, 2), texts[name]) for name in order
        ),
        brackets=tuple(
            _bracket(name, texts[name], x, sorted(middles[held] for held in holds))
            for x, (name, holds) in zip(_BRACKETS, _SUMS.items(), strict=True)
        ),
        ticks=tuple(Tick(tick.at, tick.text.lstrip("+")) for tick in scale.ticks),
        frame=frame,
        frame_text=frame_text,
        bottom=_TOP + _LINE * len(order),
    )


def _bracket(word: str, text: str, x: float, held: Sequence[float]) -> Bracket:
    """A line beside bars, with a tooth at each that it holds: others may lie between them."""
    teeth = "".join(f"M{x:g} {y:g}h{-_TOOTH:g}" for y in held)
    return Bracket(word, text, f"M{x:g} {held[0]:g}V{held[-1]:g}{teeth}", x + 6.0, (held[0] + held[-1]) / 2.0)


def _length(length_um: float) -> str:
    """A length with three digits that count, never as a power of ten for what a bench shows.

    >>> _length(1.3610), _length(0.0)
    ('1.36 µm', '0 µm')
    """
    if length_um <= 0.0:
        return "0 µm"
    places = min(9, max(0, _DIGITS - 1 - math.floor(math.log10(length_um))))
    return f"{length_um:.{places}f} µm"
