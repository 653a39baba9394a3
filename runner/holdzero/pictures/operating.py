"""The picture of an operating characteristic: how often parts of each true size pass, fail, or neither."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from holdzero.display import MICRO, in_micro
from holdzero.pictures.axes import Scale, Tick, number_text, round_ticks
from holdzero.pictures.plot import BOTTOM, LEFT, RIGHT, TOP, Path, Plot, path_of
from holdzero.rehearse import Point, band_of

__all__ = ["plot_of_points"]

# Above the hundred there is room for its label and the title.
_UPRIGHT = Scale(low=0.0, high=106.0, start=BOTTOM, end=TOP)


def plot_of_points(
    points: Sequence[Point], limits_um: tuple[float | None, float | None], units: str, title: str
) -> Plot:
    """Shares of pass, fail and undecided against the true size, with the limits.

    Args:
        points: two or more, by true size.
        limits_um: lower and upper [um]; None for one that is missing.
        units: `mm` or `in`.
        title: whose curve it is: several can stand on one page.
    """
    sizes = [in_micro(point.true_um, units) for point in points]
    across = Scale(low=sizes[0], high=sizes[-1], start=LEFT, end=RIGHT)
    xs = [across.at(size) for size in sizes]

    def line(kind: str, share: Callable[[Point], float]) -> Path:
        return path_of(kind, xs, [100.0 * share(point) for point in points], _UPRIGHT)

    step, ticks = round_ticks(sizes[0], sizes[-1], 8)
    limits = [across.at(in_micro(limit, units)) for limit in limits_um if limit is not None]
    return Plot(
        name=f"{title}: share of runs that pass, fail and are undecided, against the true size",
        marks=(),
        paths=(
            *(Path("tolerance", f"{x:g},{TOP:g} {x:g},{BOTTOM:g}") for x in limits),
            line("moving-limit", lambda point: band_of(point.tally.passed, point.tally.runs)[0]),
            line("moving-limit", lambda point: band_of(point.tally.passed, point.tally.runs)[1]),
            line("passing", lambda point: point.tally.passed / point.tally.runs),
            line("failing", lambda point: point.tally.failed / point.tally.runs),
            line("undecided", lambda point: point.tally.undecided / point.tally.runs),
        ),
        upright=tuple(Tick(_UPRIGHT.at(share), f"{share:g}") for share in (0.0, 25.0, 50.0, 75.0, 100.0)),
        below=tuple(Tick(across.at(size), number_text(size, step)) for size in ticks),
        unit=f"% of runs; below: true size [{MICRO[units][0]}]",
    )
