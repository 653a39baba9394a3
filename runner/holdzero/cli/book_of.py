"""Which book is meant, and its rows in columns: what all commands of the book share."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import typer

from holdzero.book import Book, open_book
from holdzero.catalogue import Catalogue
from holdzero.cli import DEFAULT_SHOP
from holdzero.cli.house import Shop
from holdzero.register import load_register

__all__ = ["book_of", "files_read", "name_of", "print_table"]

_DEFAULT = "book.sqlite"


def book_of(book: str | None, shop: Path | None, *, create: bool = False) -> Book:
    """The book that is meant, open; book.sqlite in the current folder where none is named.

    Raises:
        BookError: it can't be opened.
    """
    return open_book(name_of(book, shop), create=create)


def name_of(book: str | None, shop: Path | None) -> str:
    """File or address of the book that is meant."""
    return _own(shop).book(book) or _DEFAULT


def files_read(book: str | None, shop: Path | None) -> tuple[Path, ...]:
    """Files that a command of the book reads and must not write over: settings, key, the book and its neighbours."""
    own = _own(shop)
    name = (own.book(book) or _DEFAULT).removeprefix("sqlite:///")
    beside = (Path(f"{name}{ending}") for ending in ("", "-wal", "-journal"))
    return (own.path, *(() if own.key is None else (own.key,)), *beside)


def _own(shop: Path | None) -> Shop:
    path = shop if shop is not None else DEFAULT_SHOP
    return Shop(path=path, register=load_register(path), catalogue=Catalogue())


def print_table(head: tuple[str, ...], lines: Iterable[tuple[str, ...]]) -> None:
    """Print lines under a head, in columns."""
    lines = list(lines)
    if not lines:
        typer.echo("no record")
        return
    # What a person typed may hold anything; a line is a line.
    lines = [tuple("".join(c if c.isprintable() else "·" for c in word) for word in line) for line in lines]
    widths = [max(len(row[column]) for row in (head, *lines)) for column in range(len(head))]
    for row in (head, *lines):
        typer.echo("  ".join(word.ljust(width) for word, width in zip(row, widths, strict=True)).rstrip())
