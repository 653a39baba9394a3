"""`book copy`: from a file to a server, or back."""

from __future__ import annotations

from pathlib import Path

import typer
from rich.console import Console

from holdzero.book import open_book
from holdzero.book.copying import copy_book
from holdzero.cli.book_of import book_of

__all__ = ["copy_records"]

_DONE = 0


def copy_records(to: str, *, book: str | None, shop: Path | None) -> int:
    """Copy the book into another; gives the exit code."""
    source, target = book_of(book, shop), open_book(to, create=True)
    console = Console(stderr=True)
    with console.status("copying …") as status:
        copied = copy_book(source, target, lambda looked: status.update(f"copying … {looked} records"))
    typer.echo(
        f"{target.name}: {copied.records} records put in, {copied.known} there already; "
        f"{copied.others} keys, signatures, reviews and the like"
    )
    typer.echo(f"Look at it before you part with {source.name}: holdzero book verify --book {to}")
    return _DONE
