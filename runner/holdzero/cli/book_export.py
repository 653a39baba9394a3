"""`book export`: records on their way to a spreadsheet, a script or a data frame."""

from __future__ import annotations

import dataclasses
from contextlib import closing
from pathlib import Path

import typer

from holdzero.book.export import Csv, ExportError, filed, listing_of, write_csv, write_jsonl, write_parquet
from holdzero.cli.book_criteria import Asked
from holdzero.cli.book_of import book_of, files_read
from holdzero.cli.writable import free_to_write
from holdzero.errors import HoldzeroError
from holdzero.whole_file import writing_whole

__all__ = ["export_records"]

_DONE = 0
_FORMS = ("csv", "jsonl", "parquet")


def export_records(
    asked: Asked,
    *,
    to: str,
    out: Path,
    what: str | None,
    decimal: str | None,
    separator: str | None,
    replace: bool,
    book: str | None,
    shop: Path | None,
) -> int:
    """Write what is asked for into a file; gives the exit code.

    Raises:
        HoldzeroError: something is asked for that can't be had, or the file can't be written.
    """
    if to not in _FORMS:
        raise ExportError(f"{to!r} is no form of file; write one of {', '.join(_FORMS)}")
    if to != "csv" and (decimal, separator) != (None, None):
        raise ExportError(f"--decimal and --separator belong to csv; numbers in {to} have one form alone")
    whole = to == "jsonl" and what is None
    listing, form = listing_of(what or "results"), Csv.of(decimal or "point", separator)
    opened = book_of(book, shop)
    # A run counts once: nobody who sums up what is handed on should have to know how often it was written.
    criteria = dataclasses.replace(asked.criteria(opened, shop), once=True)
    free_to_write(out, replace=replace, reads=files_read(book, shop), option="--out")
    try:
        with closing(filed(opened, criteria)) as records, writing_whole(out) as file:
            match to:
                case "csv":
                    rows = write_csv(records, listing, form, file)
                case "jsonl":
                    rows = write_jsonl(records, None if whole else listing, file)
                case _:
                    rows = write_parquet(records, listing, file)
    except OSError as error:
        raise HoldzeroError(f"{out}: it could not be written: {error.strerror}") from None
    typer.echo(f"{out}: {rows} {'records' if whole else 'rows of ' + (what or 'results')}")
    return _DONE
