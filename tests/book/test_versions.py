"""Books of other versions: told apart before anything is written, and brought up by command."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pytest
from sqlalchemy import inspect, text

from holdzero.book import Book, Criteria, open_book, schema
from holdzero.book.schema import HEAD, BookVersionError
from holdzero.book.store import BookError, upgrade_book
from holdzero.cli import ended

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest

FORMER = HEAD
NEXT = """\
import sqlalchemy as sa
from alembic import op

revision = "next"
down_revision = "0002_acts"
branch_labels = depends_on = None

def upgrade():
    op.add_column("keys", sa.Column("colour", sa.Text))
"""


def said_version(book: Book, version: str) -> None:
    with book.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = :version"), {"version": version})


@pytest.fixture
def newer(book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The holdzero that comes next, with one more version of the tables; the book is of this one."""
    assert book.count() == 0
    folder = tmp_path / "migrations"
    shutil.copytree(schema.MIGRATIONS, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "versions" / "v_next.py").write_text(NEXT, "utf-8")
    monkeypatch.setattr(schema, "MIGRATIONS", folder)
    monkeypatch.setattr(schema, "REVISIONS", (*schema.REVISIONS, "next"))
    monkeypatch.setattr(schema, "HEAD", "next")
    return "next"


class TestABookOfANewerHoldzero:
    def test_is_refused_in_words_and_unchanged(self, book: Book, url: str, records_of: RecordsOf) -> None:
        book.add(records_of(2))
        said_version(book, "0777")
        for use in (lambda: open_book(url), lambda: open_book(url, create=True), lambda: upgrade_book(url)):
            with pytest.raises(BookVersionError, match="version 0777, and this holdzero knows versions up to") as told:
                use()
            assert "install that; nothing was changed" in str(told.value)
        said_version(book, HEAD)
        assert len(book.find(Criteria())) == 2

    def test_is_unchanged_to_the_last_byte(self, tmp_path: Path, records_of: RecordsOf) -> None:
        path = tmp_path / "book.sqlite"
        book = open_book(str(path), create=True)
        book.add(records_of(2))
        said_version(book, "0777")
        book.engine.dispose()
        before = path.read_bytes()
        with pytest.raises(BookVersionError):
            open_book(str(path), create=True)
        assert path.read_bytes() == before


class TestABookOfAnOlderHoldzero:
    def test_is_told_to_upgrade_and_unchanged(self, book: Book, url: str, records_of: RecordsOf, newer: str) -> None:
        book.add(records_of(2))
        for create in (False, True):
            with pytest.raises(BookVersionError, match=f"version {FORMER}, this holdzero writes {newer}") as told:
                open_book(url, create=create)
            assert "copy it first, then: holdzero book upgrade" in str(told.value)
        assert "colour" not in [column["name"] for column in inspect(book.engine).get_columns("keys")]

    @pytest.mark.usefixtures("newer")
    def test_is_upgraded_and_keeps_what_is_in_it(self, book: Book, url: str, records_of: RecordsOf) -> None:
        texts = records_of(2)
        book.add(texts)
        assert upgrade_book(url) == FORMER
        again = open_book(url)
        assert [kept.text for kept in again.kept(Criteria())] == texts[::-1]
        assert "colour" in [column["name"] for column in inspect(again.engine).get_columns("keys")]
        assert upgrade_book(url) == "next"
        again.engine.dispose()

    @pytest.mark.usefixtures("newer")
    def test_stays_as_it_is_where_its_upgrade_fails(self, book: Book, url: str) -> None:
        path = schema.MIGRATIONS / "versions" / "v_next.py"
        path.write_text(f"{NEXT}    raise ZeroDivisionError\n", "utf-8")
        with pytest.raises(ZeroDivisionError):
            upgrade_book(url)
        with book.engine.connect() as connection:
            assert schema.version_of(connection) == FORMER
            assert "colour" not in [column["name"] for column in inspect(connection).get_columns("keys")]


class TestTheCommand:
    def test_says_that_there_is_nothing_to_do(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        open_book("book.sqlite", create=True).engine.dispose()
        assert upgraded(monkeypatch) == 0
        assert capsys.readouterr().out == f"of version {HEAD} already\n"

    def test_says_that_there_is_no_book(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        assert upgraded(monkeypatch) == 2
        assert "there is no book here" in capsys.readouterr().err
        assert list(tmp_path.iterdir()) == []


def upgraded(monkeypatch: pytest.MonkeyPatch) -> int:
    """Exit code of the command."""
    monkeypatch.setattr("sys.argv", ["holdzero", "book", "upgrade"])
    return ended()


class TestADatabaseOfSomethingElse:
    def test_is_told_and_unchanged(self, tmp_path: Path) -> None:
        path = tmp_path / "stock.db"
        with sqlite3.connect(path) as stock:
            stock.execute("CREATE TABLE parts (number TEXT)")
        stock.close()
        before = path.read_bytes()
        for create in (False, True):
            with pytest.raises(BookVersionError, match="tables of something else"):
                open_book(str(path), create=create)
        with pytest.raises(BookError, match="there is no book here"):
            upgrade_book(str(path))
        assert path.read_bytes() == before
