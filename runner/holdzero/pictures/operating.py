"""The picture of an operating characteristic: how often parts of each true size pass, fail, or neither."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from holdzero.display import MICRO, in_micro
from holdzero.pictures.axes import Scale, Tick, number_text, round_ticks
from holdzero.pictures.plot import BOTTOM, LEFT, RIGHT, TOP, Path, Plot, path_of
from holdzero.rehearse import Point, band_of

__all__ = ["plot_beside", "plot_of_points"]

# Above the hundred there is room for its label and the title.
_UPRIGHT = Scale(low=0.0, high=106.0, start=BOTTOM, end=TOP)


Limits = tuple[float | None, float | None]


def plot_of_points(points: Sequence[Point], limits_um: Limits, units: str, title: str) -> Plot:
    """Shares of pass, fail and undecided against the true size, with the limits.

    Args:
        points: two or more, by true size.
        limits_um: lower and upper [um]; None for one that is missing.
        units: `mm` or `in`.
        title: whose curve it is: several can stand on one page.
    """
    axis = _Axis(points, units)
    return axis.plot(
        f"{title}: share of runs that pass, fail and are undecided, against the true size",
        *axis.upright("tolerance", limits_um),
        *axis.band("moving-limit", points),
        axis.line("passing", points, _passed),
        axis.line("failing", points, lambda point: point.tally.failed / point.tally.runs),
        axis.line("undecided", points, lambda point: point.tally.undecided / point.tally.runs),
    )


def plot_beside(curves: Sequence[tuple[Sequence[Point], Limits]], units: str, title: str) -> Plot:
    """Share of pass of two routines against the same true sizes, with the limits of both.

    Args:
        curves: two, each with points by true size, two or more, and limits [um].
        units: `mm` or `in`.
        title: of the picture.
    """
    (first, limits_um), (second, others_um) = curves
    axis = _Axis(first, units)
    differing = (other if other != own else None for own, other in zip(limits_um, others_um, strict=True))
    return axis.plot(
        f"{title}: share of runs that pass, against the true size",
        *axis.upright("tolerance", limits_um),
        *axis.upright("tolerance-second", differing),
        *axis.band("band", first),
        *axis.band("band-second", second),
        axis.line("passing", first, _passed),
        axis.line("passing-second", second, _passed),
    )


def _passed(point: Point) -> float:
    return point.tally.passed / point.tally.runs


class _Axis:
    """True sizes across a picture, and shares of runs upright."""

    def __init__(self, points: Sequence[Point], units: str) -> None:
        self.units = units
        self.sizes = [in_micro(point.true_um, units) for point in points]
        self.across = Scale(low=self.sizes[0], high=self.sizes[-1], start=LEFT, end=RIGHT)
        self.xs = [self.across.at(size) for size in self.sizes]

    def line(self, kind: str, points: Sequence[Point], share: Callable[[Point], float]) -> Path:
        """A line through a share of each true size."""
        return path_of(kind, self.xs, [100.0 * share(point) for point in points], _UPRIGHT)

    def band(self, kind: str, points: Sequence[Point]) -> tuple[Path, Path]:
        """The limits of the share that passes."""
        bands = [band_of(point.tally.passed, point.tally.runs) for point in points]
        low, high = ([100.0 * band[end] for band in bands] for end in (0, 1))
        return path_of(kind, self.xs, low, _UPRIGHT), path_of(kind, self.xs, high, _UPRIGHT)

    def upright(self, kind: str, limits_um: Iterable[float | None]) -> tuple[Path, ...]:
        """Lines at the limits of the part."""
        xs = (self.across.at(in_micro(limit, self.units)) for limit in limits_um if limit is not None)
        return tuple(Path(kind, f"{x:g},{TOP:g} {x:g},{BOTTOM:g}") for x in xs)

    def plot(self, name: str, *paths: Path) -> Plot:
        """The picture of these lines."""
        step, ticks = round_ticks(self.sizes[0], self.sizes[-1], 8)
        return Plot(
            name=name,
            marks=(),
            paths=paths,
            upright=tuple(Tick(_UPRIGHT.at(share), f"{share:g}") for share in (0.0, 25.0, 50.0, 75.0, 100.0)),
            below=tuple(Tick(self.across.at(size), number_text(size, step)) for size in ticks),
            unit=f"% of runs; below: true size [{MICRO[self.units][0]}]",
        )
