"""Pictures of a bench: control chart of a check standard, zero returns, scatter of the runs."""

from __future__ import annotations

import math
from collections.abc import Sequence

from holdzero.book.standing import Point
from holdzero.book.watching import Closures, Precisions, StandardChart
from holdzero.limit import exceeds
from holdzero.pictures.axes import Scale, Tick, scale_of
from holdzero.pictures.plot import BOTTOM, LEFT, RIGHT, TOP, Mark, Plot, apart, path_of

__all__ = ["plot_of_closures", "plot_of_precisions", "plot_of_standard"]

_STATES = {"o": "", "!": "fired", "x": "beyond", ".": "unjudged"}
_WORDS = {"o": "good", "!": "a rule fired", "x": "beyond the action limit", ".": "not judged"}
_DATES = 5


def plot_of_standard(chart: StandardChart) -> Plot:
    """Values of a check standard, its limits, and the moving average."""
    xs, limits, moving = _xs(chart.points), chart.standing.limits, chart.moving
    values = [point.value_um for point in chart.points]
    centre, s = (limits.centre, limits.standard_deviation) if limits is not None else (0.0, math.inf)
    lines = [(0.0, "zero", "certificate")] if limits is None else [(centre, "centre", "mean")]
    if math.isfinite(s):
        lines += [(centre + k * s, kind, f"{k:+g} s".replace("-", "−")) for k, kind in _LIMITS]
    scale = _scale([*values, *(value for value, _, _ in lines)])
    paths = []
    if moving is not None:
        widths = moving.half_widths_um
        paths = [
            path_of("moving", xs, moving.averages_um, scale),
            path_of("moving-limit", xs, [centre + width for width in widths], scale),
            path_of("moving-limit", xs, [centre - width for width in widths], scale),
        ]
    return Plot(
        name=f"Check standard {chart.standard} on {chart.comparator}, newest {len(values)} values",
        marks=tuple(
            Mark(x, scale.at(point.value_um), "check", _title(point, _WORDS[sign]), _STATES[sign])
            for x, point, sign in zip(xs, chart.points, chart.marks, strict=True)
        ),
        across=apart(lines, scale),
        paths=tuple(paths),
        upright=scale.ticks,
        below=_dates(chart.points),
    )


_LIMITS = ((-3.0, "action"), (-2.0, "warning"), (2.0, "warning"), (3.0, "action"))


def plot_of_closures(closures: Closures) -> Plot:
    """Zero returns against the limits of their routines."""
    xs, points = _xs(closures.points), closures.points
    limits = [math.nan if point.limit_um is None else point.limit_um for point in points]
    known = [limit for limit in limits if math.isfinite(limit)]
    scale = _scale([0.0, *(point.value_um for point in points), *known, *(-limit for limit in known)])
    paths = []
    if known and len(known) == len(points):
        paths = [path_of("limit", xs, [sign * limit for limit in limits], scale) for sign in (1.0, -1.0)]
    return Plot(
        name=f"Zero returns of {closures.comparator}, newest {len(points)}",
        marks=tuple(
            _within("return", x, point, scale, beyond=bool(exceeds(abs(point.value_um), limit)))
            for x, point, limit in zip(xs, points, limits, strict=True)
        ),
        across=apart([(0.0, "centre", "zero")], scale),
        paths=tuple(paths),
        upright=scale.ticks,
        below=_dates(points),
    )


def plot_of_precisions(precisions: Precisions) -> Plot:
    """Scatter of the runs against the limits of the baseline."""
    xs, points = _xs(precisions.points), precisions.points
    limits = precisions.limits_um or (math.inf,) * len(points)
    scale = _scale([*(point.value_um for point in points), *limits], zero=True)
    centre = precisions.centre_um
    return Plot(
        name=f"Scatter of the runs on {precisions.comparator}, newest {len(points)}",
        marks=tuple(
            _within("scatter", x, point, scale, beyond=bool(exceeds(point.value_um, limit)))
            for x, point, limit in zip(xs, points, limits, strict=True)
        ),
        across=() if centre is None else apart([(centre, "centre", "pooled")], scale),
        paths=(path_of("limit", xs, limits, scale),) if precisions.limits_um else (),
        upright=scale.ticks,
        below=_dates(points),
    )


def _scale(numbers: Sequence[float], *, zero: bool = False) -> Scale:
    return scale_of(numbers, start=BOTTOM, end=TOP, zero=zero)


def _xs(points: Sequence[Point]) -> list[float]:
    """Places in order of time, evenly apart: rules count points, not days."""
    room = (RIGHT - LEFT) / max(1, len(points))
    return [round(LEFT + room * (place + 0.5), 2) for place in range(len(points))]


def _dates(points: Sequence[Point]) -> tuple[Tick, ...]:
    """Days of some points, far enough apart to be read."""
    every = max(1, math.ceil(len(points) / _DATES))
    return tuple(Tick(x, points[place].when[:10]) for place, x in enumerate(_xs(points)) if place % every == 0)


def _within(kind: str, x: float, point: Point, scale: Scale, *, beyond: bool) -> Mark:
    words = "beyond its limit" if beyond else "good"
    return Mark(x, scale.at(point.value_um), kind, _title(point, words), "beyond" if beyond else "")


def _title(point: Point, words: str) -> str:
    return f"{point.when}: {point.value_um:+.3f} µm, {words}, record {point.record}"
