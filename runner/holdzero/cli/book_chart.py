"""A control chart of letters: the newest points with centre and limits, told apart by sign and not by colour."""

from __future__ import annotations

import math

from holdzero.book.watching import StandardChart

__all__ = ["chart_lines"]

_HALF = 6  # lines from the centre to ±3.5 standard deviations, and the height of the chart so 2 · 6 + 1
_TALL = 3.5  # standard deviations that the chart shows to each side
_MARKED = {0.0: "mean", 2.0: "+2 s", -2.0: "-2 s", 3.0: "+3 s", -3.0: "-3 s"}
_RULE = {0.0: "-", 2.0: ":", -2.0: ":", 3.0: "=", -3.0: "="}


def chart_lines(chart: StandardChart) -> list[str]:
    """Lines of the chart; none where there are no limits to draw it by."""
    limits = chart.standing.limits
    if limits is None or not math.isfinite(limits.standard_deviation):
        return []
    rows = {_row(k): (f"{name} {limits.at(abs(k))[k > 0]:+8.3f}", _RULE[k]) for k, name in _MARKED.items()}
    lines = []
    for row in range(_HALF, -_HALF - 1, -1):
        label, fill = rows.get(row, ("", " "))
        signs = "".join(
            sign if _row((point.value_um - limits.centre) / limits.standard_deviation) == row else fill
            for point, sign in zip(chart.points, chart.marks, strict=True)
        )
        lines.append(f"  {label:>13} |{fill}{signs}{fill}|")
    return lines


def _row(distance: float) -> int:
    """The line of a distance in standard deviations; what is off the chart stands in its first or last line."""
    return max(-_HALF, min(_HALF, round(distance * _HALF / _TALL)))
