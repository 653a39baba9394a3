"""What the book knows of a bench: its check standard over time, its closures, its scatter, what is due."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select

from holdzero.book.baselines import baseline_of
from holdzero.book.rows import column, kept_text, wall_of
from holdzero.book.standing import BASELINE, FEWEST, JUDGED, Point, standing_of, watch_of
from holdzero.book.store import Book
from holdzero.book.tables import bench, records
from holdzero.book.writings import counts
from holdzero.charts import Control

__all__ = ["BASELINE", "FEWEST", "JUDGED", "Point", "Scatter", "fields_known", "points_of", "scatter_of", "watch_of"]


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
    """What runs told of a bench, oldest first; simulated runs tell nothing.

    Args:
        book: open.
        kind: `standard`, `closure` or `scatter`.
        comparator: what it goes by; None for all.
        standard: what the block goes by; None for all.
        since_ms: not before [ms since 1970, UTC].
        until_ms: before [ms since 1970, UTC].
    """
    of = {"digest": records, "zone": records}
    query = select(*(of.get(name, bench).c[name] for name in Point._fields))
    query = query.join_from(bench, records, records.c.id == bench.c.record_id)
    query = query.where(bench.c.kind == kind).order_by(bench.c.at_ms, bench.c.id)
    for name, said in (("comparator", comparator), ("standard", standard)):
        if said is not None:
            query = query.where(bench.c[name] == column(said))
    if since_ms is not None:
        query = query.where(bench.c.at_ms >= since_ms)
    if until_ms is not None:
        query = query.where(bench.c.at_ms < until_ms)
    return [Point._make(row) for row in book.tuples(query)]


def scatter_of(
    book: Book, comparator: str, *, since_ms: int | None = None, before_ms: int | None = None
) -> Scatter | None:
    """Scatter of a comparator over all runs in the book; None where nothing is known.

    Args:
        book: open.
        comparator: what it goes by.
        since_ms: not before [ms since 1970, UTC].
        before_ms: before [ms since 1970, UTC].

    Source: JCGM 100:2008, 4.2.4: pooled variance Σ ν s² / Σ ν.
    """
    square = func.sum(bench.c.dof * bench.c.value_um * bench.c.value_um).label("square")
    sums: tuple[Any, ...] = (square, func.sum(bench.c.dof).label("freedom"), func.count().label("runs"))
    query = select(*sums).where(bench.c.kind == "scatter")
    query = query.where(bench.c.comparator == column(comparator), bench.c.dof > 0)
    if since_ms is not None:
        query = query.where(bench.c.at_ms >= since_ms)
    if before_ms is not None:
        query = query.where(bench.c.at_ms < before_ms)
    (row,) = book.rows(query)
    total, freedom, runs = (row[name] for name in ("square", "freedom", "runs"))
    if not runs or not freedom:
        return None
    return Scatter(s_um=math.sqrt(float(total) / float(freedom)), dof=float(freedom), runs=int(runs))


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
    scatter = None
    if comparator:
        repaired = baseline_of(book, comparator)
        scatter = scatter_of(book, comparator, since_ms=None if repaired is None else repaired.from_ms)
    told = _told_of(book, comparator, standard) if comparator and standard is not None else None
    return {
        "book": book.name.rsplit("/", 1)[-1] if "@" not in book.name else book.name,
        "comparator": comparator,
        "scatter": None if scatter is None else {"s_um": scatter.s_um, "dof": scatter.dof, "runs": float(scatter.runs)},
        "standard": told,
        "earlier": _earlier(book, part, [serial for serial in serials if serial is not None], title),
    }


def _told_of(book: Book, comparator: str, standard: str) -> dict[str, Any] | None:
    """How the check standard stands; None where there are too few values."""
    begin = baseline_of(book, comparator, standard)
    since_ms = None if begin is None else begin.from_ms
    points = points_of(book, "standard", comparator=comparator, standard=standard, since_ms=since_ms)
    found = standing_of(points)
    if found.control is Control.UNKNOWN:
        return None
    text = "; ".join(found.sentences[:3])
    if begin is not None:
        text += f"; baseline from {wall_of(begin.from_ms, begin.zone)[:10]}, {begin.name}: {begin.reason}"
    return {"in_control": found.control is Control.IN_CONTROL, "points": len(points), "text": f"{text}."}


_MOST_EARLIER = 20


def _earlier(book: Book, part: str, serials: Sequence[str], title: str) -> list[dict[str, Any]]:
    """Earlier records of the same parts by the same routine, newest first."""
    if not serials:
        return []
    wanted = (records.c.digest, records.c.verdict, records.c.serial, records.c.started_ms, records.c.zone)
    # An amended record stays in sight as it was put right: its serial may have been another part's.
    query = select(*wanted).where(
        counts(),
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
