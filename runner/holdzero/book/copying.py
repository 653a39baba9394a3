"""One book copied into another, whatever the two databases: records in their order, and all that belongs to them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import RowMapping, Table, select

from holdzero.book.rows import Rows, document_of
from holdzero.book.store import Book
from holdzero.book.tables import acts, bench, documents, metadata, records, results, uses
from holdzero.json_text import read_json

__all__ = ["Copied", "copy_book"]

_BATCH = 200
# Made anew of each record; all other tables are copied row by row.
_OF_RECORDS = (records, documents, results, uses, bench, acts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """What a copy brought.

    Attributes:
        records: that were new.
        known: records that were there already.
        others: keys, signatures, reviews and whatever else belongs to records, that were new.
    """

    records: int
    known: int
    others: int


def copy_book(source: Book, target: Book, step: Callable[[int], None] = lambda _: None) -> Copied:
    """Copy a book into another one; what is there already stays as it is.

    Into an empty book the records come in their order, so that the chain ends as it did.

    Args:
        source: open; nothing in it is changed.
        target: open.
        step: told how many records were looked at so far.

    Raises:
        RecordError: a record was changed in the book that it comes from; what came before it is copied.
        BookError: one of the two can't be read or written.
    """
    fresh = looked = others = 0
    for batch in _batches(source):
        if isinstance(batch, dict):
            others += target.act(batch.pop("kind"), batch)
            continue
        new = target.enter(batch)
        fresh, looked = fresh + sum(new), looked + len(new)
        step(looked)
    others += sum(_copied(source, target, table) for table in metadata.sorted_tables if table not in _OF_RECORDS)
    return Copied(records=fresh, known=looked - fresh, others=others)


def _batches(source: Book) -> Iterator[list[Rows] | dict[str, Any]]:
    """Records, and what was done between them, each as it was said, in their order: the chain comes out the same."""
    done = [(row["after"], _said(row)) for row in source.rows(select(acts).order_by(acts.c.after, acts.c.id))]
    batch: list[Rows] = []
    for row in source.in_order():
        while done and done[0][0] < row["id"]:
            if batch:
                yield batch
                batch = []
            yield done.pop(0)[1]
        batch.append(Book.checked(document_of(row["document"])))
        if len(batch) == _BATCH:
            yield batch
            batch = []
    if batch:
        yield batch
    yield from (said for _, said in done)


def _said(row: RowMapping) -> dict[str, Any]:
    said: dict[str, Any] = read_json(row["text"])
    return said


def _copied(source: Book, target: Book, table: Table) -> int:
    """How many rows of a table were new; a number that a database gave by itself means nothing in another."""
    own = [column.name for column in table.c if not (column.primary_key and column.autoincrement is True)]
    there = {_as_key(row) for row in target.rows(select(*(table.c[name] for name in own)))}
    new = [dict(row) for row in source.rows(select(*(table.c[name] for name in own))) if _as_key(row) not in there]
    for row in new:
        target.put(table, row)
    return len(new)


def _as_key(row: RowMapping) -> tuple[Any, ...]:
    return tuple(row.values())
