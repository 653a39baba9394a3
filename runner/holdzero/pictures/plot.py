"""What a picture is made of: marks, lines across, paths and ticks, all in the picture's own points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdzero.pictures.axes import Scale, Tick

__all__ = ["BOTTOM", "LEFT", "RIGHT", "TOP", "WIDTH", "Across", "Badge", "Mark", "Path", "Plot", "apart", "path_of"]

WIDTH = 680.0
LEFT, RIGHT = 64.0, 600.0
TOP, BOTTOM = 14.0, 214.0
_BADGES = 17.0  # a line of badges
_LINE = 12.0  # from one text to the next below it


@dataclass(frozen=True, slots=True)
class Mark:
    """A point: its place, which mark it has, what it is in words, and what happened to it."""

    x: float
    y: float
    kind: str
    title: str
    state: str = ""


@dataclass(frozen=True, slots=True)
class Badge:
    """Whose readings stand above it: its place, the line of badges it is in, its letter, and the name."""

    x: float
    line: int
    letter: str
    name: str


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
        badges: below the picture, whose readings stand where.
    """

    name: str
    marks: tuple[Mark, ...]
    across: tuple[Across, ...] = ()
    paths: tuple[Path, ...] = ()
    upright: tuple[Tick, ...]
    below: tuple[Tick, ...] = ()
    unit: str = "µm"
    badges: tuple[Badge, ...] = ()

    @property
    def foot(self) -> float:
        """Room that the badges take below the picture."""
        return _BADGES * (1 + max((badge.line for badge in self.badges), default=-1))

    @property
    def kinds(self) -> list[str]:
        """Which marks occur, for the legend."""
        return list(dict.fromkeys(mark.kind for mark in self.marks))

    @property
    def lines(self) -> list[str]:
        """Which lines through points occur, for the legend."""
        return list(dict.fromkeys(path.kind for path in self.paths))

    @property
    def states(self) -> list[str]:
        """What happened to some of them, for the legend."""
        return list(dict.fromkeys(mark.state for mark in self.marks if mark.state))


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
