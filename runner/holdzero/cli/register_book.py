"""The register's history in the chain of the shop's book: what is in both can't be taken out of one unseen."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from holdzero.catalogue import Catalogue
from holdzero.cli import DEFAULT_SHOP
from holdzero.errors import HoldzeroError
from holdzero.json_text import read_json
from holdzero.register import load_register
from holdzero.register_history import Change, changes_of

__all__ = ["keep_changes", "lost_changes"]

_KIND = "register"


def keep_changes(shop: Path | None, book: str | None = None) -> str:
    """Put all changes into the book that it does not have.

    Args:
        shop: file of the register; the one here if None.
        book: file or address; that of the shop's settings if None, and none where they name none.

    Returns:
        What to tell whoever made the change; empty where all is well.
    """
    path = shop if shop is not None else DEFAULT_SHOP
    name = _book_of(path, book)
    if name is None:
        return ""
    try:
        from holdzero.book import open_book

        opened = open_book(name)
        there = {text for _, text in _kept(name)}
        for change in changes_of(path):
            if change.chain not in there:
                opened.act(_KIND, {"change": asdict(change)})
    except HoldzeroError as error:
        mend = "the history has the change; it goes into the book with the next one, or: holdzero book send"
        return f"{str(error).splitlines()[0]}\n    {mend}"
    return ""


def lost_changes(shop: Path) -> list[str]:
    """Changes that the shop's book knows, and the history does not have any more: in words.

    Raises:
        HoldzeroError: the book can't be reached.
    """
    name = _book_of(shop, None)
    if name is None:
        return []
    there = {change.chain for change in changes_of(shop)}
    return [
        f"the book has a change of {change.kind} {change.id} by {change.by} on {change.at} that the history lacks"
        for change, chain in _kept(name)
        if chain not in there
    ]


def _kept(name: str) -> list[tuple[Change, str]]:
    """The changes that a book has, each with its chain in the history."""
    from sqlalchemy import select

    from holdzero.book import open_book
    from holdzero.book.tables import acts

    rows = open_book(name).rows(select(acts.c.text).where(acts.c.kind == _KIND).order_by(acts.c.id))
    said = [read_json(row["text"])["change"] for row in rows]
    return [(Change(**{**item, "insisted": tuple(item["insisted"])}), item["chain"]) for item in said]


def _book_of(path: Path, book: str | None) -> str | None:
    from holdzero.cli.house import Shop

    return Shop(path=path, register=load_register(path), catalogue=Catalogue()).book(book)
