"""Walking the book for `verify`: what is to be checked, page by page, and what belongs to no record."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Column, Table, exists, select

from holdzero.book.acting import not_as_said
from holdzero.book.store import ACTED, Book
from holdzero.book.tables import acts, bench, documents, keys, records, results, reviews, signatures, uses
from holdzero.book.trust import Entry, Keys, Link

__all__ = ["PAGE", "astray", "keys_of", "links_of", "loose_ends", "pages", "undone"]

PAGE = 40
"""Records of a page: enough to make handing them to another process worth it, few enough to share them out."""


def links_of(book: Book) -> list[Link]:
    """The chain of all records and of what was done, in the order in which they were put in."""
    query = select(records.c.id, records.c.digest, records.c.chain).order_by(records.c.id)
    made = [Link(number=row["id"], digest=row["digest"], chain=row["chain"]) for row in book.streamed(query)]
    done = book.rows(select(acts).order_by(acts.c.after, acts.c.id))
    if not done:
        return made
    said = []
    for row in done:
        link = Link(number=row["id"], digest=row["digest"], chain=row["chain"], act=row["kind"])
        said.append((row["after"], link))
    placed = [*((link.number, link) for link in made), *said]
    return [link for _, link in sorted(placed, key=lambda item: (item[0], bool(item[1].act), item[1].number))]


def undone(book: Book) -> list[str]:
    """Reviews and baselines that are not what the chain says that was done."""
    rows = {kind: _plain(book, table) for kind, table in ACTED.items()}
    return list(not_as_said(_plain(book, acts), rows))


def _plain(book: Book, table: Table) -> list[dict[str, Any]]:
    return [dict(row) for row in book.rows(select(table).order_by(table.c.id))]


def keys_of(book: Book) -> Keys:
    """The public keys, by fingerprint."""
    return {row["fingerprint"]: dict(row) for row in book.rows(select(keys).order_by(keys.c.added_ms))}


def pages(book: Book, numbers: Sequence[int]) -> Iterator[list[Entry]]:
    """What the book says of these records, a page at a time.

    Args:
        book: open.
        numbers: of the records, in the order in which they are to come.
    """
    for start in range(0, len(numbers), PAGE):
        yield _page(book, numbers[start : start + PAGE])


def _page(book: Book, numbers: Sequence[int]) -> list[Entry]:
    rows = [dict(row) for row in book.rows(select(records).where(records.c.id.in_(numbers)).order_by(records.c.id))]
    digests, runs = [row["digest"] for row in rows], [row["run"] for row in rows]
    bodies = {
        row["record_id"]: row["document"]
        for row in book.rows(select(documents).where(documents.c.record_id.in_(numbers)))
    }
    firsts, rewritten = _writings(book, runs)
    told = book.rows(select(bench).where(bench.c.record_id.in_(numbers) | bench.c.run.in_(runs)).order_by(bench.c.id))
    own = {table.name: _by(book, table, table.c.record_id, numbers) for table in (results, uses)}
    of = {table.name: _by(book, table, table.c.digest, digests) for table in (signatures, reviews)}
    return [
        Entry(
            row=row,
            document=bodies.get(row["id"]),
            results=own["results"][row["id"]],
            uses=own["uses"][row["id"]],
            bench=[
                {**item, "first_id": firsts.get(item["record_id"], item["record_id"])}
                for item in told
                if item["record_id"] == row["id"] or item["run"] == row["run"]
            ],
            rewritten=row["id"] in rewritten,
            signatures=of["signatures"][row["digest"]],
            reviews=of["reviews"][row["digest"]],
        )
        for row in rows
    ]


def _writings(book: Book, runs: Sequence[str]) -> tuple[dict[int, int], set[int]]:
    """Number of the first writing of a part, by that of each writing; and those that a later one follows."""
    columns = (records.c.id, records.c.run, records.c.serial)
    query = select(*columns).where(records.c.run.in_(runs), records.c.replaces.is_(None)).order_by(records.c.id)
    of_part: dict[tuple[str, str | None], list[int]] = defaultdict(list)
    for row in book.rows(query):
        of_part[row["run"], row["serial"]].append(row["id"])
    firsts = {number: numbers[0] for numbers in of_part.values() for number in numbers}
    return firsts, {number for numbers in of_part.values() for number in numbers[:-1]}


def _by(book: Book, table: Table, column: Column[Any], of: Sequence[Any]) -> dict[Any, list[dict[str, Any]]]:
    """Rows of a table by what they belong to, in a fixed order."""
    found: dict[Any, list[dict[str, Any]]] = defaultdict(list)
    for row in book.rows(select(table).where(column.in_(of)).order_by(*table.primary_key)):
        found[row[column.name]].append(dict(row))
    return found


def astray(book: Book) -> list[str]:
    """Rows of the other tables that belong to no record: it was deleted, or they were put in."""
    faults: list[str] = []
    for table in (documents, results, uses, bench):
        no_record = ~exists(select(records.c.id).where(records.c.id == table.c.record_id))
        query = select(table.c.record_id).where(no_record).distinct().order_by(table.c.record_id)
        faults.extend(f"{table.name}: rows of record {row['record_id']}, which is missing" for row in book.rows(query))
    for table in (signatures, reviews):
        no_record = ~exists(select(records.c.id).where(records.c.digest == table.c.digest))
        query = select(table.c.digest).where(no_record).distinct().order_by(table.c.digest)
        faults.extend(f"{table.name}: rows of {row['digest']}, which is missing" for row in book.rows(query))
    return faults


def loose_ends(book: Book) -> list[str]:
    """Amendments whose record is missing, or is of another run than theirs."""
    before = records.alias("before")
    query = (
        select(records.c.id, records.c.run, records.c.replaces, before.c.run.label("run_before"))
        .outerjoin(before, before.c.digest == records.c.replaces)
        .where(records.c.replaces.is_not(None))
        .order_by(records.c.id)
    )
    faults: list[str] = []
    for row in book.rows(query):
        if row["run_before"] is None:
            faults.append(f"record {row['id']} amends {row['replaces']}, which is missing")
        elif row["run_before"] != row["run"]:
            faults.append(f"record {row['id']} amends {row['replaces']}, which is of another run")
    return faults
