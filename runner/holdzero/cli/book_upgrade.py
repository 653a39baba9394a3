"""`book upgrade`: the tables of a book become those that this holdzero writes."""

from __future__ import annotations

from pathlib import Path

import typer

from holdzero.book.schema import HEAD
from holdzero.book.store import upgrade_book
from holdzero.cli.book_of import name_of

__all__ = ["upgrade_tables"]


def upgrade_tables(*, book: str | None, shop: Path | None) -> int:
    """Upgrade a book and say what was done; gives the exit code."""
    name = name_of(book, shop)
    before = upgrade_book(name)
    typer.echo(
        f"of version {HEAD} already" if before == HEAD else f"from version {before} to {HEAD}: what was in it stays"
    )
    return 0
