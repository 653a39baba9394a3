"""What a picture is made of: marks, lines across, paths and ticks, all in the picture's own points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdzero.pictures.axes import Scale, Tick

__all__ = ["BOTTOM", "LEFT", "RIGHT", "SHAPES", "TOP", "WIDTH", "Across", "Mark", "Path", "Plot", "apart", "path_of"]

WIDTH = 680.0
LEFT, RIGHT = 64.0, 600.0
TOP, BOTTOM = 14.0, 214.0
SHAPES = ("disc", "square", "triangle", "diamond", "ring", "box", "saltire", "plus")
"""So that no mark is told apart by its colour; after the last they begin again."""
_LINE = 12.0  # from one text to the next below it


@dataclass(frozen=True, slots=True)
class Mark:
    """A point: its place, its shape, and what it is in words."""

    x: float
    y: float
    shape: str
    title: str


@dataclass(frozen=True, slots=True)
class Across:
    """A line across the picture; its kind says how it is drawn, and its text stands at its right end."""

    y: float
    kind: str
    text: str
    text_y: float


@dataclass(frozen=True, slots=True)
class Path:
    """A line through points; its kind says how it is drawn."""

    kind: str
    points: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A picture.

    Attributes:
        name: what it shows, for who can't see it.
        marks: points.
        across: lines across.
        paths: lines through points.
        upright: of the axis at the left.
        below: of the axis at the bottom.
        unit: what the numbers at the left are.
    """

    name: str
    marks: tuple[Mark, ...]
    across: tuple[Across, ...] = ()
    paths: tuple[Path, ...] = ()
    upright: tuple[Tick, ...]
    below: tuple[Tick, ...] = ()
    unit: str = "µm"


def path_of(kind: str, xs: Sequence[float], values: Sequence[float], scale: Scale) -> Path:
    """A line through values."""
    return Path(kind, " ".join(f"{x:g},{scale.at(value):g}" for x, value in zip(xs, values, strict=True)))


def apart(lines: Sequence[tuple[float, str, str]], scale: Scale) -> tuple[Across, ...]:
    """Lines across at values, with kind and text; the texts of close lines are moved apart."""
    found: list[Across] = []
    for value, kind, text in sorted(lines):
        y = scale.at(value)
        room = found[-1].text_y - _LINE if found else y
        found.append(Across(y, kind, text, min(y, room)))
    return tuple(found)
