"""What keeps rows: the book on SQLite, and on a PostgreSQL server."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import select

from holdzero.book import Book, open_book
from holdzero.book.schema import HEAD
from holdzero.book.store import upgrade_book
from holdzero.book.tables import reviews
from holdzero.book.trust import broken_links
from holdzero.book.walk import astray, links_of, loose_ends, undone
from holdzero.catalogue import load_catalogue
from holdzero.errors import HoldzeroError
from holdzero.record import amend_record, dumps
from holdzero.testing.many import Many
from tests.faults.failing.trying import Said

__all__ = ["BookSubject", "OldBookSubject", "ServerBookSubject"]


def _texts() -> list[str]:
    """Two records, and what amends the first."""
    made = list(Many(catalogue=load_catalogue()).texts(2))
    said = {"reason": "read from the wrong tag", "by": "M. Oduya", "at": "2026-03-02T09:00:00.000+01:00"}
    amended = amend_record(json.loads(made[0]), **said, changes={"serial": "S-9", "operator": None})
    return [*made, dumps(amended)]


@dataclass
class BookSubject:
    """A book that is made, into which records, a review and an amendment are put.

    Attributes:
        texts: of the records.
    """

    name: str = "book on SQLite"
    wanted: tuple[str, ...] = ("record 1", "record 2", "review", "record 3")
    texts: list[str] = field(default_factory=_texts)

    def prepared(self, folder: Path) -> None: ...

    def fresh(self, folder: Path) -> None: ...

    def address(self, folder: Path) -> str:
        """Of the book."""
        return str(folder / "book.sqlite")

    def does(self, folder: Path, said: Said) -> None:
        book = open_book(self.address(folder), create=True)
        book.add([self.texts[0]])
        said.done.append("record 1")
        book.add([self.texts[1]])
        said.done.append("record 2")
        if not book.rows(select(reviews)):
            book.put(reviews, self.review())
        said.done.append("review")
        book.add([self.texts[2]])
        said.done.append("record 3")

    def review(self) -> dict[str, Any]:
        """Of the first record."""
        digest = json.loads(self.texts[0])["digest"]
        row = {"digest": digest, "name": "C. Reeve", "meaning": "reviewed", "note": "", "zone": "+00:00"}
        return {**row, "at_ms": 1_772_000_000_000}

    def book(self, folder: Path) -> Book | None:
        """The book, if there is one."""
        try:
            return open_book(self.address(folder))
        except HoldzeroError as error:
            if "there is no book here" in str(error):
                return None
            raise

    def found(self, folder: Path) -> list[str]:
        book = self.book(folder)
        if book is None:
            return []
        digests = [json.loads(text)["digest"] for text in self.texts]
        there = [f"record {digests.index(row['digest']) + 1}" for row in book.in_order()]
        return [*there, *("review" for _ in book.rows(select(reviews)))]

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        del said
        if (book := self.book(folder)) is not None:
            links = links_of(book)
            yield from (*broken_links(links), *astray(book), *loose_ends(book), *undone(book))
            found = self.found(folder)
            yield from (f"{item} is there twice" for item in set(found) if found.count(item) > 1)


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
        made: gives the address of a new database, empty, each time.
    """

    name: str = "book on PostgreSQL"
    made: Callable[[], str] = str
    _address: str = ""

    def fresh(self, folder: Path) -> None:
        del folder
        self._address = self.made()

    def address(self, folder: Path) -> str:
        del folder
        return self._address
