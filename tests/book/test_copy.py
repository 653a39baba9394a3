"""A book copied into another: the same records, the same chain, and all that belongs to them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import select

from holdzero.book import Book, open_book
from holdzero.book.copying import copy_book
from holdzero.book.tables import keys, records, reviews, signatures
from holdzero.errors import RecordError

RecordsOf = Callable[..., list[str]]  # see conftest

REVIEW = {"digest": "sha256:00", "name": "C. Reeve", "meaning": "reviewed", "note": "", "at_ms": 1, "zone": "+01:00"}
KEY = {"fingerprint": "f" * 64, "name": "C. Reeve", "public": "key", "added_ms": 1}


@pytest.fixture
def filled(tmp_path: Path, records_of: RecordsOf) -> Book:
    """A SQLite book with records, a key, a signature and a review."""
    source = open_book(str(tmp_path / "source.sqlite"), create=True)
    source.add(records_of(7))
    source.put(keys, KEY)
    source.put(signatures, {"digest": "sha256:00", "fingerprint": "f" * 64, "signature": "s", "at_ms": 2})
    source.put(reviews, REVIEW)
    return source


def chains(book: Book) -> list[str]:
    return [row["chain"] for row in book.rows(select(records.c.chain).order_by(records.c.id))]


class TestIntoAnEmptyBook:
    def test_everything_arrives_and_the_chain_is_the_same(self, filled: Book, book: Book) -> None:
        copied = copy_book(filled, book)
        assert (copied.records, copied.known, copied.others) == (7, 0, 3)
        assert chains(book) == chains(filled)
        for table in (keys, signatures):
            assert book.rows(select(table)) == filled.rows(select(table))
        (review,) = book.rows(select(reviews))
        assert {name: review[name] for name in REVIEW} == REVIEW

    def test_each_record_is_the_same_byte_for_byte(self, filled: Book, book: Book) -> None:
        copy_book(filled, book)
        for row in filled.rows(select(records.c.digest)):
            assert book.get(row["digest"]).text == filled.get(row["digest"]).text


class TestIntoAFilledBook:
    def test_what_is_there_stays_and_nothing_is_doubled(self, filled: Book, book: Book) -> None:
        copy_book(filled, book)
        copied = copy_book(filled, book)
        assert (copied.records, copied.known, copied.others) == (0, 7, 0)
        assert book.count() == 7

    def test_it_tells_how_far_it_is(self, filled: Book, book: Book) -> None:
        seen: list[int] = []
        copy_book(filled, book, seen.append)
        assert seen == [7]


def test_a_record_that_was_changed_is_not_carried_on(filled: Book, book: Book) -> None:
    from holdzero.book.rows import packed
    from holdzero.book.tables import documents

    text = filled.get(filled.rows(select(records.c.digest))[0]["digest"]).text
    with filled.engine.begin() as connection:
        changed = packed(
            text.replace('"verdict":"pass"', '"verdict":"fail"').replace('"verdict": "pass"', '"verdict": "fail"')
        )
        connection.execute(documents.update().where(documents.c.record_id == 1).values(document=changed))
    with pytest.raises(RecordError):
        copy_book(filled, book)
    assert book.count() == 0
