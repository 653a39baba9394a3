"""What the book knows of a bench: its check standard over time, its closures, its scatter, what is due."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, exists, func, select

from holdzero.book.rows import column, kept_text, wall_of
from holdzero.book.store import Book
from holdzero.book.tables import bench, records
from holdzero.charts import Control, Limits, Watch, baseline, state

__all__ = ["BASELINE", "FEWEST", "JUDGED", "Point", "Scatter", "fields_known", "points_of", "scatter_of", "watch_of"]

BASELINE = 30
"""How many of the first values make the baseline, at most (common practice, no source)."""
FEWEST = 8
"""With fewer values nothing is said of control (common practice, no source)."""
JUDGED = 30
"""How many of the newest values are judged at the start of a run (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One value that a run told of its bench.

    Attributes:
        at_ms: when the run began [ms since 1970, UTC].
        value_um: of a check standard, its reading less its certificate; of a closure, the return less
            the zero; of a scatter, the standard deviation of a single reading [um].
        dof: degrees of freedom of a scatter [1]; None for others.
        limit_um: what the routine allowed [um]; None where it said nothing.
        comparator: what the comparator goes by.
        standard: what the block goes by.
        digest: of the record that tells it.
    """

    at_ms: int
    value_um: float
    dof: float | None
    limit_um: float | None
    comparator: str
    standard: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Scatter of a comparator, pooled over runs.

    Attributes:
        s_um: standard deviation of a single reading [um].
        dof: its degrees of freedom [1].
        runs: over how many runs.
    """

    s_um: float
    dof: float
    runs: int


def points_of(
    book: Book,
    kind: str,
    *,
    comparator: str | None = None,
    standard: str | None = None,
    since_ms: int | None = None,
    until_ms: int | None = None,
) -> list[Point]:
    """What runs told of a bench, oldest first; simulated runs are left out.

    Args:
        book: open.
        kind: `standard`, `closure` or `scatter`.
        comparator: what it goes by; None for all.
        standard: what the block goes by; None for all.
        since_ms: not before [ms since 1970, UTC].
        until_ms: before [ms since 1970, UTC].
    """
    wanted = [bench.c[name] for name in ("at_ms", "value_um", "dof", "limit_um", "comparator", "standard")]
    query = _real(select(*wanted, records.c.digest), kind).order_by(bench.c.at_ms, bench.c.id)
    for name, said in (("comparator", comparator), ("standard", standard)):
        if said is not None:
            query = query.where(bench.c[name] == column(said))
    if since_ms is not None:
        query = query.where(bench.c.at_ms >= since_ms)
    if until_ms is not None:
        query = query.where(bench.c.at_ms < until_ms)
    return [Point(**row) for row in book.rows(query)]


def _real(query: Select[Any], kind: str) -> Select[Any]:
    joined = query.join(records, records.c.id == bench.c.record_id)
    return joined.where(bench.c.kind == kind, records.c.simulated.is_(False))


def scatter_of(book: Book, comparator: str, *, before_ms: int | None = None) -> Scatter | None:
    """Scatter of a comparator over all runs in the book; None where nothing is known.

    Source: JCGM 100:2008, 4.2.4: pooled variance Σ ν s² / Σ ν.
    """
    square = func.sum(bench.c.dof * bench.c.value_um * bench.c.value_um).label("square")
    sums: tuple[Any, ...] = (square, func.sum(bench.c.dof).label("freedom"), func.count().label("runs"))
    query = _real(select(*sums).select_from(bench), "scatter")
    query = query.where(bench.c.comparator == column(comparator), bench.c.dof > 0)
    if before_ms is not None:
        query = query.where(bench.c.at_ms < before_ms)
    (row,) = book.rows(query)
    total, freedom, runs = (row[name] for name in ("square", "freedom", "runs"))
    if not runs or not freedom:
        return None
    return Scatter(s_um=math.sqrt(float(total) / float(freedom)), dof=float(freedom), runs=int(runs))


def watch_of(points: Sequence[Point], *, judged: int | None = None) -> tuple[Watch | None, Limits | None]:
    """How a check standard stands against its own baseline.

    Args:
        points: oldest first.
        judged: how many of the newest are judged; all behind the baseline, and it, if None.

    Returns:
        The watch and the limits of the baseline; None where there are too few points.
    """
    if len(points) < FEWEST:
        return None, None
    values = [point.value_um for point in points]
    limits = baseline(values[:BASELINE])
    if limits.standard_deviation == 0.0:
        # All alike on a coarse dial: a third of what the routine allows, so that its limit is the action limit.
        allowed = [point.limit_um for point in points[:BASELINE] if point.limit_um]
        spread = min(allowed) / 3.0 if allowed else math.inf
        limits = Limits(centre=limits.centre, standard_deviation=spread, number=limits.number)
    return state(values if judged is None else values[-judged:], limits), limits


def fields_known(
    book: Book, *, comparator: str, standard: str | None, part: str, serials: Sequence[str | None], title: str
) -> dict[str, Any]:
    """What goes on record of the bench and the parts when a run begins: the fields of `BenchKnown`.

    Args:
        book: open.
        comparator: what the comparator in use goes by; empty where it has no name.
        standard: what the check standard goes by; None where the routine has none.
        part: part number.
        serials: of the parts; a part without a serial can't be told from others and has no past.
        title: of the routine.
    """
    scatter = scatter_of(book, comparator) if comparator else None
    told = None
    if comparator and standard is not None:
        points = points_of(book, "standard", comparator=comparator, standard=standard)
        watch, _ = watch_of(points, judged=JUDGED)
        if watch is not None:
            out = watch.control is Control.OUT_OF_CONTROL and watch.at_newest
            told = {"in_control": not out, "points": len(points), "text": f"{'; '.join(watch.sentences[:3])}."}
    return {
        "book": book.name.rsplit("/", 1)[-1] if "@" not in book.name else book.name,
        "comparator": comparator,
        "scatter": None if scatter is None else {"s_um": scatter.s_um, "dof": scatter.dof, "runs": float(scatter.runs)},
        "standard": told,
        "earlier": _earlier(book, part, [serial for serial in serials if serial is not None], title),
    }


_MOST_EARLIER = 20


def _earlier(book: Book, part: str, serials: Sequence[str], title: str) -> list[dict[str, Any]]:
    """Earlier records of the same parts by the same routine, newest first."""
    if not serials:
        return []
    wanted = (records.c.digest, records.c.verdict, records.c.serial, records.c.started_ms, records.c.zone)
    # An amended record stays in sight as it was put right: its serial may have been another part's.
    later = records.alias("later")
    query = select(*wanted).where(
        ~exists(select(later.c.id).where(later.c.replaces == records.c.digest)),
        records.c.part == column(part),
        records.c.serial.in_([column(serial) for serial in serials]),
        records.c.title == kept_text(title),
        records.c.simulated.is_(False),
        records.c.purpose == "production",
    )
    rows = book.rows(query.order_by(records.c.started_ms.desc()).limit(_MOST_EARLIER))
    return [
        {
            "digest": row["digest"],
            "verdict": row["verdict"],
            "serial": row["serial"],
            "started": wall_of(row["started_ms"], row["zone"]),
        }
        for row in rows
    ]
