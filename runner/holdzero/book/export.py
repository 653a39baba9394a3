"""Records handed on as CSV, JSON lines or Parquet: a stream in, bytes out, a few rows in memory at a time.

CSV: numbers in full precision and never in quotes; texts always in quotes. A text that a spreadsheet
would run, or that begins with an apostrophe, gets an apostrophe before it: who takes one apostrophe
off each cell that begins with one has the texts again.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Generator, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from typing import IO, TYPE_CHECKING

from holdzero.book.find import Criteria, in_time
from holdzero.book.listing import LISTINGS, Cell, Kind, Listing
from holdzero.book.rows import document_of
from holdzero.book.store import Book, Kept
from holdzero.errors import HoldzeroError
from holdzero.json_text import escaped
from holdzero.plain_text import of_line

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["Csv", "ExportError", "Filed", "filed", "line_of", "listing_of", "write_csv", "write_jsonl", "write_parquet"]

_SEPARATORS = (";", ",", "\t", "|")
_ROWS = 4_000  # of a group in a Parquet file
# What a spreadsheet takes for a formula, after blanks too, in the wide letters of East Asia too
# (common practice, no source); the apostrophe so that it can be taken off again.
_RISKY = re.compile(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n']")


class ExportError(HoldzeroError):
    """What was asked for can't be written so; the message says what can."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """A record of the book, and the digest of a later one that replaces it."""

    kept: Kept
    replaced_by: str | None


def filed(book: Book, criteria: Criteria) -> Generator[Filed, None, None]:
    """The records that are asked for, oldest first, one at a time; to be closed where it is left before its end."""
    with closing(book.streamed(in_time(criteria))) as rows:
        for row in rows:
            own = {key: value for key, value in row.items() if key not in ("document", "replaced_by")}
            kept = Kept(row=own, text=document_of(row["document"]))
            yield Filed(kept=kept, replaced_by=row["replaced_by"])


# --- CSV ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Csv:
    """How a CSV file is written.

    Attributes:
        decimal: the sign before decimals, a point or a comma.
        separator: between cells.
    """

    decimal: str
    separator: str

    @classmethod
    def of(cls, decimal: str, separator: str | None) -> Csv:
        """The form that is asked for; a semicolon goes with a decimal comma.

        Args:
            decimal: `point` or `comma`.
            separator: None for the one that goes with it; `tab` for a tab.

        Raises:
            ExportError: it could not be read back.
        """
        if decimal not in ("point", "comma"):
            raise ExportError(f"{decimal!r} is no decimal sign; write point or comma")
        sign = "," if decimal == "comma" else "."
        between = {None: ";" if sign == "," else ",", "tab": "\t"}.get(separator, separator)
        if between not in _SEPARATORS:
            raise ExportError(f"{separator!r} can't stand between cells; write one of ; , | or tab")
        if between == sign:
            raise ExportError("a comma can't be the decimal sign and stand between cells; leave --separator out")
        return cls(sign, str(between))

    def line(self, cells: Iterable[Cell]) -> str:
        """A line of the file."""
        return self.separator.join(map(self._cell, cells)) + "\r\n"

    def _cell(self, item: Cell) -> str:
        match item:
            case None:
                return ""
            case bool():
                return '"yes"' if item else '"no"'
            case int():
                return str(item)
            case float():
                return repr(item).replace(".", self.decimal)
            case str():
                told = of_line(item)
                safe = f"'{told}" if _RISKY.match(item) or _RISKY.match(told) else told
                return '"' + safe.replace('"', '""') + '"'


def write_csv(records: Iterable[Filed], listing: Listing, form: Csv, out: IO[bytes]) -> int:
    """Write a table; UTF-8 with a mark at its beginning, lines that end in CR LF (RFC 4180).

    Returns:
        How many rows were written, the head left out.
    """
    out.write(("\ufeff" + form.line(listing.columns)).encode("utf-8"))
    return sum(_put(out, form.line(row[name] for name in listing.columns)) for row in _rows(records, listing))


def _put(out: IO[bytes], line: str) -> int:
    """Write one line; gives 1, so that lines are counted as they go."""
    out.write(line.encode("utf-8"))
    return 1


def _rows(records: Iterable[Filed], listing: Listing) -> Iterator[dict[str, Cell]]:
    for item in records:
        yield from listing.rows(item.kept.record, item.replaced_by)


# --- JSON lines --------------------------------------------------------------------------------


def line_of(text: str) -> str:
    """A record's own text on one line: line breaks and what indents after them are left out, nothing else is touched.

    In a JSON document a line break stands between its signs alone: within a text it is written as an
    escape. Numbers keep their digits, and `record.dumps` of what was read gives the file again.
    """
    return "".join(part.lstrip(" \t") for part in re.split(r"[\r\n]+", text))


def write_jsonl(records: Iterable[Filed], listing: Listing | None, out: IO[bytes]) -> int:
    """Write JSON lines: whole records, or the rows of a table if one is given; gives how many."""
    return sum(_put(out, f"{line}\n") for line in _lines(records, listing))


def _lines(records: Iterable[Filed], listing: Listing | None) -> Iterator[str]:
    if listing is None:
        # Read, though it is handed on as it was written: what says two things of one key goes no further.
        yield from (escaped(line_of(item.kept.text)) for item in records if item.kept.record)
        return
    for row in _rows(records, listing):
        yield escaped(json.dumps(row, ensure_ascii=False, allow_nan=False))


# --- Parquet -----------------------------------------------------------------------------------


def write_parquet(records: Iterable[Filed], listing: Listing, out: IO[bytes]) -> int:
    """Write a Parquet file with typed columns; times are UTC to the microsecond, `zone` has the offset.

    Returns:
        How many rows were written.

    Raises:
        ExportError: pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError:
        raise ExportError('Parquet needs pyarrow, which is not installed: pip install "holdzero[parquet]"') from None
    schema = _schema(listing.columns)
    times = [name for name, kind in listing.columns.items() if kind is Kind.TIME]
    rows, number = _rows(records, listing), 0
    with parquet.ParquetWriter(out, schema) as writer:
        while group := list(islice(rows, _ROWS)):
            timed = [{**row, **{name: _moment(row[name]) for name in times}} for row in group]
            writer.write_table(pa.Table.from_pylist(timed, schema=schema))
            number += len(group)
    return number


def _schema(columns: Mapping[str, Kind]) -> pa.Schema:
    import pyarrow as pa

    types = {
        Kind.TEXT: pa.string(),
        Kind.NUMBER: pa.float64(),
        Kind.WHOLE: pa.int64(),
        Kind.FLAG: pa.bool_(),
        Kind.TIME: pa.timestamp("us", tz="UTC"),
    }
    return pa.schema([(name, types[kind]) for name, kind in columns.items()])


def _moment(wall: object) -> dt.datetime | None:
    try:
        moment = dt.datetime.fromisoformat(str(wall))
    except ValueError:
        return None
    return moment.astimezone(dt.UTC) if moment.tzinfo is not None else None


def listing_of(name: str) -> Listing:
    """The table of a name.

    Raises:
        ExportError: there is none.
    """
    if name not in LISTINGS:
        raise ExportError(f"{name!r} can't be exported; write one of {', '.join(LISTINGS)}")
    return LISTINGS[name]
