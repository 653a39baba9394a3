"""`book add`, `send`, `list`, `show` and `export`: records go in, are found, and come out again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import typer
from sqlalchemy import RowMapping

from holdzero.book import Book, Rows
from holdzero.book.rows import ms_of, wall_of
from holdzero.book.store import BookError
from holdzero.cli.book_criteria import Asked
from holdzero.cli.book_of import book_of, print_table
from holdzero.cli.files import by_number
from holdzero.cli.register_book import keep_changes
from holdzero.cli.routines import files_of
from holdzero.cli.waiting import mark_of, marks_in, record_of
from holdzero.errors import HoldzeroError
from holdzero.json_text import escaped
from holdzero.plain_text import of_line
from holdzero.whole_file import read_whole_text

__all__ = [
    "add_records",
    "list_records",
    "moment_ms",
    "range_ms",
    "send_waiting",
    "show_record",
]

_DONE, _INVALID = 0, 2
_BATCH = 200


def add_records(paths: list[Path], *, book: str | None, shop: Path | None, key: Path | None = None) -> int:
    """Put records in; gives the exit code."""
    # In the order in which they were written: of several writings of a run the last one counts.
    files = sorted(files_of(paths, "*.record.json"), key=by_number)
    if not files:
        typer.echo("holdzero: no record was found", err=True)
        return _INVALID
    from holdzero.cli.book_sign import signer_for

    opened = book_of(book, shop, create=True)
    signer = signer_for(opened, key, shop)
    fresh, refused, signed = 0, 0, 0
    for batch in _batches(files):
        made: list[Rows] = []
        put: list[Path] = []
        for path in batch:
            try:
                made.append(Book.checked(read_whole_text(path)))
                put.append(path)
            except (OSError, UnicodeDecodeError, HoldzeroError) as error:
                typer.echo(f"{path}: not put in: {error}", err=True)
                refused += 1
        fresh += sum(opened.enter(made))
        if signer is not None:
            signed += signer.sign(rows.record["digest"] for rows in made)
        for path in put:
            mark_of(path).unlink(missing_ok=True)
    known = len(files) - refused - fresh
    told = "" if signer is None else f", {signed} signed as {signer.name}"
    typer.echo(f"{opened.name}: {fresh} put in, {known} there already, {refused} refused{told}")
    return _INVALID if refused else _DONE


def _batches(files: list[Path]) -> Iterator[list[Path]]:
    for start in range(0, len(files), _BATCH):
        yield files[start : start + _BATCH]


def _send_changes(shop: Path | None, book: str | None) -> None:
    """Put in what was changed in the register and waits for the book."""
    if trouble := keep_changes(shop, book):
        typer.echo(f"holdzero: {trouble}", err=True)


def send_waiting(folder: Path, *, book: str | None, shop: Path | None, key: Path | None = None) -> int:
    """Put in what waits in a folder; gives the exit code."""
    marks = list(marks_in(folder))
    if not marks:
        _send_changes(shop, book)
        typer.echo(f"{folder}: nothing waits")
        return _DONE
    from holdzero.cli.book_sign import signer_for

    opened = book_of(book, shop, create=True)
    _send_changes(shop, book)
    signer = signer_for(opened, key, shop)
    left = 0
    for mark in marks:
        path = record_of(mark)
        try:
            rows = Book.checked(read_whole_text(path))
            (fresh,) = opened.enter([rows])
            if signer is not None:
                signer.sign([rows.record["digest"]])
        except BookError:
            raise
        except (OSError, UnicodeDecodeError, HoldzeroError) as error:
            typer.echo(f"{path}: not put in: {error}", err=True)
            left += 1
            continue
        # Only what is in the book stops waiting; another one may have sent it at the same time.
        mark.unlink(missing_ok=True)
        typer.echo(f"{path}: {'put in' if fresh else 'was there already'}")
    return _INVALID if left else _DONE


def moment_ms(text: str | None, *, end: bool = False) -> int | None:
    """A day or time that a person typed, in milliseconds since 1970 in UTC; a day ends at midnight.

    Raises:
        HoldzeroError: it is neither.
    """
    if text is None:
        return None
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise HoldzeroError(f"{text!r} is no day or time; write it as 2026-03-02 or 2026-03-02T08:00+01:00") from None
    if end and len(text) == len("2026-03-02"):
        moment += dt.timedelta(days=1)
    return ms_of(moment.astimezone().isoformat() if moment.tzinfo is None else moment.isoformat())[0]


def range_ms(since: str | None, until: str | None) -> tuple[int | None, int | None]:
    """Begin and end that a person typed, in milliseconds since 1970 in UTC; None for an end that is open.

    Raises:
        HoldzeroError: one of them is no day or time, or the end lies before the begin.
    """
    since_ms, until_ms = moment_ms(since), moment_ms(until, end=True)
    if since_ms is not None and until_ms is not None and since_ms > until_ms:
        raise HoldzeroError(f"--since {since} lies after --until {until}: nothing lies between; exchange them")
    return since_ms, until_ms


def list_records(asked: Asked, *, book: str | None, shop: Path | None, limit: int) -> int:
    """Print one line for each record that is asked for, newest first; gives the exit code."""
    from holdzero.cli.book_amend import standings

    opened = book_of(book, shop)
    rows = opened.find(asked.criteria(opened, shop), limit + 1)
    more = len(rows) > limit
    said = standings(opened, rows[:limit])
    lines = [
        (
            str(row["digest"]).removeprefix("sha256:")[:12],
            wall_of(row["started_ms"], row["zone"])[:16].replace("T", " "),
            str(row["verdict"]).upper(),
            _marks(row, said.get(row["digest"], "")),
            row["part"],
            row["revision"],
            row["serial"] or "",
            row["operator"] or "",
        )
        for row in rows[:limit]
    ]
    print_table(("record", "started", "verdict", "", "part", "rev", "serial", "operator"), lines)
    if more:
        typer.echo(f"… and more; narrow it, or: --limit {limit * 10}")
    return _DONE


def _marks(row: RowMapping, said: str) -> str:
    words = (
        "SIMULATED" if row["simulated"] else "",
        "TRIAL" if row["purpose"] == "trial" else "",
        "amends" if row["replaces"] else "",
        said,
    )
    return ", ".join(word for word in words if word)


def show_record(digest: str, *, book: str | None, shop: Path | None, json: bool) -> int:
    """Print a record of the book: explained, or as it is; gives the exit code."""
    from holdzero.cli.book_amend import beside
    from holdzero.explain import explain

    opened = book_of(book, shop)
    kept = opened.get(digest)
    if json:
        typer.echo(escaped(kept.text.rstrip("\n")))
        return _DONE
    for line in (*beside(opened, kept), *explain(kept.record)):
        typer.echo(of_line(line))  # what a record says begins no line of its own
    return _DONE
