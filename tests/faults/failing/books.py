"""What keeps rows: the book on SQLite, and on a PostgreSQL server."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import select, text

from holdzero.book import Book, open_book
from holdzero.book.schema import HEAD
from holdzero.book.store import upgrade_book
from holdzero.book.tables import metadata, records, reviews
from holdzero.book.trust import broken_links
from holdzero.book.walk import astray, links_of, loose_ends, undone
from holdzero.catalogue import load_catalogue
from holdzero.errors import HoldzeroError
from holdzero.record import amend_record, dumps
from holdzero.testing.many import Many
from tests.faults.failing.trying import Said

__all__ = ["BookSubject", "NewBookSubject", "OldBookSubject", "ServerBookSubject"]


def _texts() -> list[str]:
    """A record, and what amends it."""
    (made,) = Many(catalogue=load_catalogue()).texts(1)
    said = {"reason": "read from the wrong tag", "by": "M. Oduya", "at": "2026-03-02T09:00:00.000+01:00"}
    return [made, dumps(amend_record(json.loads(made), **said, changes={"serial": "S-9", "operator": None}))]


@dataclass
class BookSubject:
    """A book into which a record, a review and an amendment are put.

    Attributes:
        texts: of the records.
    """

    name: str = "book on SQLite"
    wanted: tuple[str, ...] = ("record", "review", "amendment")
    texts: list[str] = field(default_factory=_texts)
    _opened: tuple[Path, Book] | None = None

    def prepared(self, folder: Path) -> None:
        open_book(self.address(folder), create=True)

    def fresh(self, folder: Path) -> None: ...

    def address(self, folder: Path) -> str:
        """Of the book."""
        return str(folder / "book.sqlite")

    def does(self, folder: Path, said: Said) -> None:
        book = open_book(self.address(folder), create=True)
        book.add(self.texts[:1])
        said.done.append("record")
        if not book.rows(select(reviews)):
            book.put(reviews, self.review())
        said.done.append("review")
        book.add(self.texts[1:])
        said.done.append("amendment")

    def review(self) -> dict[str, Any]:
        """Of the first record."""
        digest = json.loads(self.texts[0])["digest"]
        row = {"digest": digest, "name": "C. Reeve", "meaning": "reviewed", "note": "", "zone": "+00:00"}
        return {**row, "at_ms": 1_772_000_000_000}

    def book(self, folder: Path) -> Book | None:
        """The book, if there is one; opened once for all that is looked at in it."""
        try:
            if self._opened is None or self._opened[0] != folder:
                self._opened = folder, open_book(self.address(folder))
            return self._opened[1]
        except HoldzeroError as error:
            if "there is no book here" in str(error):
                return None
            raise

    def found(self, folder: Path) -> list[str]:
        book = self.book(folder)
        if book is None:
            return []
        names = dict(zip((json.loads(text)["digest"] for text in self.texts), ("record", "amendment"), strict=True))
        there = [names[row["digest"]] for row in book.rows(select(records.c.digest))]
        return [*there, *("review" for _ in book.rows(select(reviews.c.id)))]

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        del said
        if (book := self.book(folder)) is not None:
            yield from (*broken_links(links_of(book)), *astray(book), *loose_ends(book), *undone(book))
            if len(found := self.found(folder)) != len(set(found)):
                yield f"something is there twice: {found}"


@dataclass
class NewBookSubject(BookSubject):
    """A book that is made."""

    name: str = "new book on SQLite"
    wanted: tuple[str, ...] = ("made",)

    def prepared(self, folder: Path) -> None: ...

    def does(self, folder: Path, said: Said) -> None:
        open_book(self.address(folder), create=True)
        said.done.append("made")

    def found(self, folder: Path) -> list[str]:
        return [] if self.book(folder) is None else ["made"]

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        del folder, said
        yield from ()


@dataclass
class OldBookSubject(BookSubject):
    """A book of the first version, which is upgraded."""

    name: str = "upgrade of a book on SQLite"
    wanted: tuple[str, ...] = ("upgraded",)

    def prepared(self, folder: Path) -> None:
        book = open_book(self.address(folder), create=True)
        book.add(self.texts)
        book.put(reviews, self.review())
        with sqlite3.connect(self.address(folder)) as connection:  # as the first version had it
            connection.execute("DROP TABLE acts")
            connection.execute("UPDATE alembic_version SET version_num = '0001'")
        connection.close()

    def does(self, folder: Path, said: Said) -> None:
        upgrade_book(self.address(folder))
        said.done.append("upgraded")

    def found(self, folder: Path) -> list[str]:
        if self.book(folder) is None:
            return []
        there = super().found(folder)
        return ["upgraded"] if sorted(there) == sorted(BookSubject.wanted) else [f"only {there}"]

    def book(self, folder: Path) -> Book | None:
        with sqlite3.connect(self.address(folder)) as connection:
            version = connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]
            rows = connection.execute("SELECT count(*) FROM records").fetchone()[0]
        connection.close()
        if rows != len(self.texts):
            raise HoldzeroError(f"{rows} records are left")
        return super().book(folder) if version == HEAD else None

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        if self.book(folder) is not None:
            yield from super().wrong(folder, said)


@dataclass
class ServerBookSubject(BookSubject):
    """The same on a PostgreSQL server.

    Attributes:
        database: address of a book that is emptied each time.
    """

    name: str = "book on PostgreSQL"
    database: str = ""

    def address(self, folder: Path) -> str:
        del folder
        return self.database

    def fresh(self, folder: Path) -> None:
        tables = ", ".join(metadata.tables)
        with open_book(self.address(folder)).engine.begin() as connection:
            connection.execute(text(f"TRUNCATE {tables} RESTART IDENTITY"))
