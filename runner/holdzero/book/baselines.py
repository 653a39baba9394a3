"""From when on a bench is judged anew: a check standard was recalibrated, a comparator repaired, a cause found."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from holdzero.book.rows import column, kept_text
from holdzero.book.store import Book, BookError
from holdzero.book.tables import baselines, bench

__all__ = ["Baseline", "baseline_of", "set_baseline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What was said of a bench.

    Attributes:
        comparator: what it goes by.
        standard: what the check standard goes by; None where all of the comparator begins anew, its scatter too.
        from_ms: values before this time are no longer judged by [ms since 1970, UTC].
        reason: what was found and done.
        name: who answers for it.
        at_ms: when it was said [ms since 1970, UTC].
        zone: offset of that time from UTC.
    """

    comparator: str
    standard: str | None
    from_ms: int
    reason: str
    name: str
    at_ms: int
    zone: str


def set_baseline(book: Book, said: Baseline) -> None:
    """Put down that a bench is judged anew.

    Raises:
        BookError: reason or name is missing, the time has not come yet, or the book knows no such bench.
    """
    if not said.reason.strip() or not said.name.strip():
        raise BookError("a new baseline needs a reason and a name: they stand in the book beside it")
    if said.from_ms > said.at_ms:
        raise BookError("a new baseline can't begin after today: until then nothing would be watched")
    known = select(bench.c.id).where(bench.c.comparator == column(said.comparator))
    if said.standard is not None:
        known = known.where(bench.c.kind == "standard", bench.c.standard == column(said.standard))
    if not book.rows(known.limit(1)):
        of = f" with check standard {said.standard}" if said.standard is not None else ""
        raise BookError(f"{book.name}: no record tells of comparator {said.comparator}{of}; see holdzero book watch")
    row = {
        "comparator": column(said.comparator),
        "standard": None if said.standard is None else column(said.standard),
        "from_ms": said.from_ms,
        "reason": kept_text(said.reason.strip()),
        "name": kept_text(said.name.strip()),
        "at_ms": said.at_ms,
        "zone": said.zone,
    }
    book.put(baselines, row)


def baseline_of(
    book: Book, comparator: str, standard: str | None = None, *, until_ms: int | None = None
) -> Baseline | None:
    """The baseline that holds: what was said last of the standard or of the whole comparator, the later begin of both.

    Args:
        book: open.
        comparator: what it goes by.
        standard: what the check standard goes by; None for what holds for the comparator alone.
        until_ms: leave out those that begin at this time or later [ms since 1970, UTC].

    Returns:
        None where nothing was said: all that the book has counts.
    """
    columns = [item for item in baselines.c if item.name != "id"]
    query = select(*columns).where(baselines.c.comparator == column(comparator)).order_by(baselines.c.id)
    if until_ms is not None:
        query = query.where(baselines.c.from_ms < until_ms)
    last = {row["standard"]: Baseline(**row) for row in book.rows(query)}
    holding = [last[key] for key in (None, None if standard is None else column(standard)) if key in last]
    return max(holding, key=lambda item: item.from_ms, default=None)
