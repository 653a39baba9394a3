"""Reviews, baselines and changes of the register stand in the chain like records: none can be taken out unseen."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, insert, select, update
from typer.testing import CliRunner

from holdzero.book import Book, open_book, schema
from holdzero.book.acting import act_of
from holdzero.book.copying import copy_book
from holdzero.book.store import upgrade_book
from holdzero.book.tables import acts, baselines, reviews
from holdzero.book.trust import broken_links
from holdzero.book.walk import links_of, undone
from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.record import loads
from holdzero.register_history import history_path

RecordsOf = Callable[..., list[str]]
SETTINGS = 'format = 1\n\n[book]\nurl = "book.sqlite"\n'


def wrong(book: Book) -> list[str]:
    return [*broken_links(links_of(book)), *undone(book)]


def reviewed(book: Book, text: str, meaning: str, *, name: str = "R. Viewer", at_ms: int = 1_780_000_000_000) -> None:
    row: dict[str, Any] = {"digest": loads(text, "")["digest"], "name": name, "meaning": meaning, "note": "a burr"}
    book.put(reviews, {**row, "at_ms": at_ms, "zone": "+00:00"})


BASELINE = {"comparator": "K-1", "standard": None, "from_ms": 1, "reason": "repaired", "name": "T. Ester"}


@pytest.fixture
def said(book: Book, records_of: RecordsOf) -> Book:
    """Two records, a rejection and a baseline between them, another review after them."""
    first, second = records_of(2)
    book.add([first])
    reviewed(book, first, "rejected")
    book.put(baselines, {**BASELINE, "at_ms": 2, "zone": "+00:00"})
    book.add([second])
    reviewed(book, second, "approved")
    assert wrong(book) == []
    return book


def done(book: Book, statement: Any) -> None:
    with book.engine.begin() as connection:
        connection.execute(statement)


class TestAReview:
    def test_that_was_deleted_shows_and_is_named(self, said: Book) -> None:
        done(said, delete(reviews).where(reviews.c.meaning == "rejected"))
        (fault,) = wrong(said)
        assert "rejected by R. Viewer" in fault
        assert "a burr is missing" in fault

    def test_that_was_deleted_with_its_entry_shows(self, said: Book) -> None:
        done(said, delete(reviews).where(reviews.c.meaning == "rejected"))
        done(said, delete(acts).where(acts.c.id == 1))
        assert any("entry 1 is missing" in fault for fault in wrong(said))

    def test_and_its_entry_can_not_be_numbered_anew_unseen(self, said: Book) -> None:
        done(said, delete(reviews).where(reviews.c.meaning == "rejected"))
        done(said, delete(acts).where(acts.c.id == 1))
        done(said, update(acts).values(id=acts.c.id - 1))
        assert wrong(said) != []

    @pytest.mark.parametrize(
        ("column", "value"), [("meaning", "approved"), ("note", "fine"), ("name", "X"), ("at_ms", 5)]
    )
    def test_that_was_changed_shows(self, said: Book, column: str, value: object) -> None:
        done(said, update(reviews).where(reviews.c.meaning == "rejected").values({column: value}))
        assert {fault.split(" is ")[1][:10] for fault in wrong(said)} == {"missing: i", "not in the"}

    def test_that_was_changed_with_what_its_entry_says_shows(self, said: Book) -> None:
        done(said, update(reviews).where(reviews.c.meaning == "rejected").values(meaning="approved"))
        row = next(row for row in said.rows(select(reviews)) if row["note"] == "a burr")
        made = act_of("review", dict(row))
        done(said, update(acts).where(acts.c.id == 1).values(text=made.text))
        assert any("acts.text of entry 1" in fault for fault in wrong(said))
        done(said, update(acts).where(acts.c.id == 1).values(digest=made.digest))
        assert any("does not follow" in fault for fault in wrong(said))

    def test_that_was_put_in_by_hand_shows(self, said: Book) -> None:
        row = {**next(iter(said.rows(select(reviews)))), "meaning": "approved"}
        del row["id"]
        done(said, insert(reviews).values(row))
        assert "is not in the chain" in wrong(said)[0]


class TestABaseline:
    def test_that_was_deleted_shows(self, said: Book) -> None:
        done(said, delete(baselines))
        (fault,) = wrong(said)
        assert "K-1: repaired is missing" in fault


class TestACopy:
    def test_ends_with_the_same_chain_and_holds(self, said: Book, tmp_path: Path) -> None:
        target = open_book(str(tmp_path / "copy.sqlite"), create=True)
        said.act("register", {"change": {"id": "B12"}})
        copied = copy_book(said, target)
        assert (copied.records, copied.others) == (2, 4)
        assert links_of(target) == links_of(said)
        assert wrong(target) == []
        assert copy_book(said, target).others == 0
        assert links_of(target) == links_of(said)


class TestABookOfTheFirstVersion:
    def test_has_its_reviews_chained_by_the_upgrade(self, tmp_path: Path, records_of: RecordsOf) -> None:
        path = tmp_path / "book.sqlite"
        book = open_book(str(path), create=True)
        (text,) = records_of(1)
        book.add([text])
        end = links_of(book)[-1].chain
        for meaning in ("rejected", "approved"):
            reviewed(book, text, meaning)
        book.put(baselines, {**BASELINE, "at_ms": 2, "zone": "+00:00"})
        book.engine.dispose()
        with sqlite3.connect(path) as connection:  # as the first version had it
            connection.execute("DROP TABLE acts")
            connection.execute("UPDATE alembic_version SET version_num = '0001'")
        connection.close()
        assert upgrade_book(str(path)) == "0001"
        again = open_book(str(path))
        assert wrong(again) == []
        assert [link.act for link in links_of(again)] == ["", "baseline", "review", "review"]
        assert links_of(again)[0].chain == end
        reviewed(again, text, "witnessed")
        done(again, delete(reviews).where(reviews.c.meaning == "rejected"))
        assert ["rejected" in fault for fault in wrong(again)] == [True]

    def test_is_known(self) -> None:
        assert schema.REVISIONS[0] == "0001"


class TestAtTheCommandLine:
    @pytest.fixture
    def tool(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str]]:
        monkeypatch.chdir(tmp_path)
        (tmp_path / "shop.toml").write_text(SETTINGS, "utf-8")

        def call(*arguments: str) -> tuple[int, str]:
            result = CliRunner().invoke(app, arguments)
            if isinstance(result.exception, HoldzeroError):
                return 2, str(result.exception)
            assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
            return result.exit_code, result.output

        return call

    def test_a_deleted_signed_rejection_shows(
        self, tool: Callable[..., tuple[int, str]], tmp_path: Path, records_of: RecordsOf
    ) -> None:
        (tmp_path / "a.record.json").write_text(records_of(1)[0], "utf-8")
        assert tool("book", "add", "a.record.json")[0] == 0
        assert tool("book", "key", "--name", "R. Viewer", "--file", "key.pem")[0] == 0
        digest = loads((tmp_path / "a.record.json").read_text("utf-8"), "")["digest"]
        said = ("--name", "R. Viewer", "--meaning", "rejected", "--note", "a burr", "--key", "key.pem")
        assert tool("book", "review", digest, *said)[0] == 0
        assert tool("book", "verify", "--workers", "1")[0] == 0
        done(open_book("book.sqlite"), delete(reviews))
        code, text = tool("book", "verify", "--workers", "1")
        assert (code, "rejected by R. Viewer" in text) == (1, True)

    def test_a_change_of_the_register_is_in_the_books_chain(self, tool: Callable[..., tuple[int, str]]) -> None:
        open_book("book.sqlite", create=True).engine.dispose()
        for number in range(2):
            assert tool("register", "add", "comparator", f"D{number}", "resolution=0.1 um")[0] == 0
        assert [link.act for link in links_of(open_book("book.sqlite"))] == ["register", "register"]
        assert tool("register", "history")[0] == 0
        history = history_path(Path("shop.toml"))
        history.write_text(history.read_text("utf-8").splitlines(keepends=True)[0], "utf-8")
        code, text = tool("register", "history")
        assert (code, "the book has a change of comparator D1" in text) == (1, True)

    def test_a_change_waits_for_a_book_that_is_not_there(self, tool: Callable[..., tuple[int, str]]) -> None:
        code, text = tool("register", "add", "comparator", "D0", "resolution=0.1 um")
        assert (code, "holdzero book send" in text) == (0, True)
        open_book("book.sqlite", create=True).engine.dispose()
        assert tool("book", "send", ".")[0] == 0
        assert [link.act for link in links_of(open_book("book.sqlite"))] == ["register"]
