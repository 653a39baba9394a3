"""`book report`: the records that were asked for, made into one file to read and to print by a writer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import closing
from itertools import islice
from pathlib import Path

import typer
from sqlalchemy import select

from holdzero.book import Book
from holdzero.book.export import filed
from holdzero.book.find import Criteria
from holdzero.book.rows import wall_of
from holdzero.book.tables import reviews, signatures
from holdzero.catalogue import Catalogue
from holdzero.checks import told
from holdzero.cli.book_criteria import Asked
from holdzero.cli.book_of import book_of, files_read
from holdzero.cli.house import open_shop
from holdzero.cli.writable import free_to_write
from holdzero.errors import HoldzeroError
from holdzero.hooks import Filed, Inquiry
from holdzero.whole_file import write_whole

__all__ = ["report_records"]

_DONE = 0
_BATCH = 200

Reports = Callable[[Iterable[Filed], Inquiry], bytes]


def report_records(
    asked: Asked, *, out: Path, writer: str, limit: int, replace: bool, book: str | None, shop: Path | None
) -> int:
    """Write a report of what is asked for; gives the exit code.

    Raises:
        HoldzeroError: there are too many records, no such writer, or the file can't be written.
    """
    report = _report_of(open_shop(shop).catalogue, writer)
    opened = book_of(book, shop)
    criteria = asked.criteria(opened, shop)
    free_to_write(out, replace=replace, reads=files_read(book, shop), option="--out")
    number = len(opened.find(criteria, limit + 1))
    if number > limit:
        raise HoldzeroError(
            f"there are more than {limit} records; narrow what is asked, or say --limit {10 * limit}: "
            "a report leaves none out"
        )
    name = opened.name.rsplit("/", 1)[-1] if "@" not in opened.name else opened.name
    now = dt.datetime.now().astimezone().isoformat(timespec="seconds")
    try:
        with closing(_filed(opened, criteria)) as records:
            content: object = report(records, Inquiry(asked=asked.words(), book=name, at=now))
    except HoldzeroError:
        raise
    except (Exception, SystemExit) as error:  # a plugin may raise anything
        raise HoldzeroError(f"writer {writer} could not make the report: {told(error)}") from error
    if not isinstance(content, bytes):
        raise HoldzeroError(f"writer {writer} made no report: it gave {type(content).__name__}, not bytes")
    try:
        write_whole(out, content)
    except OSError as error:
        raise HoldzeroError(f"{out}: it could not be written: {error.strerror}") from None
    typer.echo(f"{out}: {number} {'record' if number == 1 else 'records'}")
    return _DONE


def _report_of(catalogue: Catalogue, name: str) -> Reports:
    """What makes the report.

    Raises:
        HoldzeroError: no writer of that name makes reports.
    """
    known = {word: writer.report for word, (_, writer) in catalogue.writers.items() if writer.report is not None}
    if name not in known:
        has = f"these do: {', '.join(sorted(known))}" if known else "none that is loaded does; see holdzero plugins"
        raise HoldzeroError(f"no writer {name!r} makes reports; {has}")
    return known[name]


def _filed(book: Book, criteria: Criteria) -> Generator[Filed, None, None]:
    """Records as a report takes them, with what others said of them."""
    with closing(filed(book, criteria)) as items:
        while batch := list(islice(items, _BATCH)):
            digests = [item.kept.row["digest"] for item in batch]
            looked, signed = _reviews(book, digests), _signatures(book, digests)
            for item in batch:
                digest = item.kept.row["digest"]
                yield Filed(
                    record=item.kept.record,
                    replaced_by=item.replaced_by,
                    reviews=looked.get(digest, ()),
                    signatures=signed.get(digest, ()),
                )


def _reviews(book: Book, digests: Sequence[str]) -> dict[str, list[dict[str, str]]]:
    """Who looked at records, by digest, in order."""
    found: dict[str, list[dict[str, str]]] = {}
    for row in book.rows(select(reviews).where(reviews.c.digest.in_(digests)).order_by(reviews.c.id)):
        said = {name: row[name] for name in ("name", "meaning", "note")}
        signed = row["fingerprint"] or "" if row["signature"] else ""
        found.setdefault(row["digest"], []).append({**said, "at": wall_of(row["at_ms"], row["zone"]), "signed": signed})
    return found


def _signatures(book: Book, digests: Sequence[str]) -> dict[str, list[str]]:
    """Fingerprints of the keys that signed records, by digest."""
    found: dict[str, list[str]] = {}
    wanted = select(signatures.c.digest, signatures.c.fingerprint).where(signatures.c.digest.in_(digests))
    for row in book.rows(wanted.order_by(signatures.c.at_ms, signatures.c.fingerprint)):
        found.setdefault(row["digest"], []).append(row["fingerprint"])
    return found
