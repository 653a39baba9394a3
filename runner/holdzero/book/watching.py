"""What the book tells of the benches: check standards, zero returns, scatter and due days, put together to be shown."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from sqlalchemy import select

from holdzero.book.baselines import Baseline, baseline_of
from holdzero.book.due import Due
from holdzero.book.known import Scatter, points_of
from holdzero.book.rows import document_of
from holdzero.book.standing import BASELINE, FEWEST, Point, Standing, limits_of, standing_of
from holdzero.book.store import Book
from holdzero.book.tables import documents, records
from holdzero.charts import Control, Precision, ewma, ewma_deviation, precision_baseline
from holdzero.limit import exceeds
from holdzero.record import loads

__all__ = ["Closures", "Drift", "Moving", "Precisions", "Shown", "StandardChart", "Watched", "watched"]

WEIGHT = 0.2
"""Of the newest value in the moving average: NIST/SEMATECH e-Handbook, 2.3.5.2 (seen in part)."""
_WIDE = 3.0  # standard deviations of the moving average to its limits, as above
SHOWN = 40
"""So many of the newest points are drawn."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A time: from this to before that [ms since 1970, UTC]; None where it is open."""

    since_ms: int | None = None
    until_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Moving:
    """The moving average at the points that are shown.

    Attributes:
        averages_um: after each point [um].
        half_widths_um: from the centre to its limit, at each [um].
        beyond: whether the newest one is beyond its limit: a small shift that lasts.
    """

    averages_um: tuple[float, ...]
    half_widths_um: tuple[float, ...]
    beyond: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardChart:
    """A check standard on a comparator.

    Attributes:
        comparator: what it goes by.
        standard: what the check standard goes by.
        number: values in the book, from the begin of the baseline on and in this time [1].
        before: values from before the baseline, which are no longer judged by [1].
        baseline: what was said of its begin; None if nothing.
        standing: how it stands.
        points: the newest ones, which are drawn.
        marks: of each of them: `x` beyond an action limit, `!` a rule fired, `o` good, `.` not judged.
        moving: the moving average; None where there are too few values.
    """

    comparator: str
    standard: str
    number: int
    before: int
    baseline: Baseline | None
    standing: Standing
    points: tuple[Point, ...]
    marks: str
    moving: Moving | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How fast the zero of a comparator goes away.

    Attributes:
        rate_um_per_h: least squares through zero over the runs [um/h].
        standard_um_per_h: its standard deviation [um/h]; None for a single run.
        runs: whose times tell it [1].
    """

    rate_um_per_h: float
    standard_um_per_h: float | None
    runs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Closures:
    """Zero returns of a comparator.

    Attributes:
        comparator: what it goes by.
        number: in this time [1].
        beyond: of these, beyond the limit of their routine [1].
        points: the newest ones, which are drawn.
        drift: None where no times tell it.
    """

    comparator: str
    number: int
    beyond: int
    points: tuple[Point, ...]
    drift: Drift | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Precisions:
    """Scatter of the runs on a comparator.

    Attributes:
        comparator: what it goes by.
        number: runs in this time [1].
        pooled: over these, the repeatability of the comparator; None where no run has a degree of freedom.
        control: out of control where the newest run scatters beyond its limit.
        points: the newest runs, which are drawn.
        limits_um: upper limit of each of them [um]; none where there are too few runs.
        centre_um: scatter of the baseline [um]; None where there are too few runs.
        sentence: the state in words.
    """

    comparator: str
    number: int
    pooled: Scatter | None
    control: Control
    points: tuple[Point, ...]
    limits_um: tuple[float, ...]
    centre_um: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """All that is shown."""

    standards: tuple[StandardChart, ...]
    closures: tuple[Closures, ...]
    precisions: tuple[Precisions, ...]
    due: tuple[Due, ...]

    @property
    def control(self) -> Control:
        """Of all together: out of control where one is, unknown where nothing is known."""
        states = {chart.standing.control for chart in self.standards} | {item.control for item in self.precisions}
        for state in (Control.OUT_OF_CONTROL, Control.IN_CONTROL):
            if state in states:
                return state
        return Control.UNKNOWN


def watched(
    book: Book,
    due: Sequence[Due],
    *,
    comparator: str | None = None,
    standard: str | None = None,
    time: Shown = Shown(),
) -> Watched:
    """Put together what is shown.

    Args:
        book: open.
        due: of the devices in use.
        comparator: what it goes by; None for all.
        standard: what the check standard goes by; None for all.
        time: what is shown and judged; a baseline may be older.
    """
    checks = points_of(book, "standard", comparator=comparator, standard=standard, until_ms=time.until_ms)
    closures = points_of(book, "closure", comparator=comparator, since_ms=time.since_ms, until_ms=time.until_ms)
    scatters = points_of(book, "scatter", comparator=comparator, until_ms=time.until_ms)
    return Watched(
        standards=tuple(_standard(book, found, time) for found in _grouped(checks, by_standard=True)),
        closures=tuple(_closures(book, found) for found in _grouped(closures)),
        precisions=tuple(_precisions(book, found, time) for found in _grouped(scatters)),
        due=tuple(due),
    )


def _grouped(points: Iterable[Point], *, by_standard: bool = False) -> Iterator[list[Point]]:
    def key(point: Point) -> tuple[str, str]:
        return point.comparator, point.standard if by_standard else ""

    for _, found in groupby(sorted(points, key=key), key=key):
        yield list(found)


def _within(points: Sequence[Point], since_ms: int | None) -> list[Point]:
    return [point for point in points if since_ms is None or point.at_ms >= since_ms]


def _standard(book: Book, points: Sequence[Point], time: Shown) -> StandardChart:
    comparator, standard = points[0].comparator, points[0].standard
    begin = baseline_of(book, comparator, standard, until_ms=time.until_ms)
    own = _within(points, begin.from_ms if begin is not None else None)
    standing, drawn = standing_of(own, since_ms=time.since_ms), _within(own, time.since_ms)
    return StandardChart(
        comparator=comparator,
        standard=standard,
        number=len(drawn),
        before=len(points) - len(own),
        baseline=begin,
        standing=standing,
        points=tuple(drawn[-SHOWN:]),
        marks=_marks(standing, len(drawn[-SHOWN:])),
        moving=_moving(own, len(drawn[-SHOWN:])),
    )


def _marks(standing: Standing, drawn: int) -> str:
    """A sign for each point that is drawn; those before the judged ones have none of their own."""
    said = ""
    for place in range(len(standing.points)):
        fired = standing.fired(place)
        said += "x" if "action" in fired else "!" if fired else "o"
    if standing.watch is None:
        said = "." * len(said)
    return said.rjust(drawn, ".")[-drawn:] if drawn else ""


def _moving(points: Sequence[Point], drawn: int) -> Moving | None:
    """The moving average over all points since the baseline began, of which the newest are drawn."""
    if len(points) < FEWEST or not drawn:
        return None
    limits, _ = limits_of(points)
    if math.isinf(limits.standard_deviation):
        return None
    averages = ewma([point.value_um for point in points], WEIGHT, limits.centre).tolist()
    first = len(points) - drawn
    widths = [
        _WIDE * limits.standard_deviation * ewma_deviation(WEIGHT, after=number)
        for number in range(first + 1, len(points) + 1)
    ]
    beyond = bool(exceeds(abs(averages[-1] - limits.centre), widths[-1]))
    return Moving(averages_um=tuple(averages[first:]), half_widths_um=tuple(widths), beyond=beyond)


def _closures(book: Book, points: Sequence[Point]) -> Closures:
    return Closures(
        comparator=points[0].comparator,
        number=len(points),
        beyond=sum(
            point.limit_um is not None and bool(exceeds(abs(point.value_um), point.limit_um)) for point in points
        ),
        points=tuple(points[-SHOWN:]),
        drift=_drift(book, points[-SHOWN:]),
    )


def _drift(book: Book, points: Sequence[Point]) -> Drift | None:
    """Drift by the closures and the times of their records; a run with several zeros or returns tells none.

    Source: least squares of a line through zero: b = Σ t y / Σ t², s_b² = s² / Σ t².
    """
    once = [point for point in points if sum(other.digest == point.digest for other in points) == 1]
    spans = _spans(book, [point.digest for point in once])
    pairs = [(spans[point.digest], point.value_um) for point in once if spans.get(point.digest)]
    weight = math.fsum(t * t for t, _ in pairs)
    if not pairs or weight == 0.0:
        return None
    rate = math.fsum(t * y for t, y in pairs) / weight
    free = len(pairs) - 1
    squares = math.fsum((y - rate * t) ** 2 for t, y in pairs)
    return Drift(
        rate_um_per_h=rate, standard_um_per_h=math.sqrt(squares / free / weight) if free else None, runs=len(pairs)
    )


def _spans(book: Book, digests: Sequence[str]) -> dict[str, float]:
    """From the zero of a record to the return [h]."""
    query = select(records.c.digest, documents.c.document).join(documents, documents.c.record_id == records.c.id)
    found: dict[str, float] = {}
    for row in book.rows(query.where(records.c.digest.in_(digests))):
        span_h = _span(loads(document_of(row["document"]), row["digest"]))
        if span_h is not None:
            found[row["digest"]] = span_h
    return found


_HOUR = 3600.0


def _span(record: Mapping[str, Any]) -> float | None:
    rows = [row for row in record.get("readings", ()) if row["counts"] and row["kind"] in ("zero", "return")]
    times = {kind: [row["time_s"] for row in rows if row["kind"] == kind] for kind in ("zero", "return")}
    if len({row["zero"] for row in rows}) != 1 or not all(times.values()):
        return None
    span = math.fsum(times["return"]) / len(times["return"]) - math.fsum(times["zero"]) / len(times["zero"])
    return span / _HOUR if span > 0.0 else None


def _precisions(book: Book, points: Sequence[Point], time: Shown) -> Precisions:
    comparator = points[0].comparator
    begin = baseline_of(book, comparator, until_ms=time.until_ms)
    own = [point for point in _within(points, begin.from_ms if begin else None) if point.dof is not None and point.dof]
    drawn = _within(own, time.since_ms)
    base = _base(own)
    limits = [base.limit(point.dof or math.nan) for point in drawn] if base is not None else []
    control, sentence = _precision_words(drawn, limits, len(own))
    return Precisions(
        comparator=comparator,
        number=len(drawn),
        pooled=_pooled(drawn),
        control=control,
        points=tuple(drawn[-SHOWN:]),
        limits_um=tuple(limits[-SHOWN:]),
        centre_um=None if base is None else base.pooled_standard_deviation,
        sentence=sentence,
    )


def _base(points: Sequence[Point]) -> Precision | None:
    """The baseline of the scatter; None where there are too few runs, or a dial too coarse to see any."""
    if len(points) < FEWEST:
        return None
    first = points[:BASELINE]
    base = precision_baseline([point.value_um for point in first], [point.dof or math.nan for point in first])
    return base if base.pooled_standard_deviation > 0.0 else None


def _pooled(points: Sequence[Point]) -> Scatter | None:
    """Pooled scatter.

    Source: JCGM 100:2008, 4.2.4: pooled variance Σ ν s² / Σ ν.
    """
    if not points:
        return None
    pooled = precision_baseline([point.value_um for point in points], [point.dof or math.nan for point in points])
    return Scatter(s_um=pooled.pooled_standard_deviation, dof=pooled.dof, runs=len(points))


def _precision_words(points: Sequence[Point], limits: Sequence[float], number: int) -> tuple[Control, str]:
    if not points:
        return Control.UNKNOWN, "no run in this time repeats a reading"
    if not limits:
        few = f"{number} runs so far; {FEWEST} are needed before they are judged"
        return Control.UNKNOWN, few if number < FEWEST else "the dial shows no scatter: it is too coarse to judge it"
    newest, limit = points[-1], limits[-1]
    at = f"{newest.value_um:.3f} µm on {newest.when}, record {newest.record}; its limit is {limit:.3f} µm"
    if exceeds(newest.value_um, limit):
        return Control.OUT_OF_CONTROL, f"the newest run scatters more than the baseline explains (F, 1 %): {at}"
    beyond = sum(exceeds(point.value_um, upper) for point, upper in zip(points, limits, strict=True))
    return Control.IN_CONTROL, f"the newest run is within its limit: {at}; {beyond} of {len(points)} were beyond theirs"
