"""What the book must hold, on each kind of database."""

from __future__ import annotations

from collections.abc import Callable

from holdzero.book import Book, Criteria


class TestAdding:
    def test_gives_back_every_byte(self, book: Book, records_of: Callable[..., list[str]]) -> None:
        texts = records_of(3)
        assert book.add(texts) == [True, True, True]
        assert [kept.text for kept in book.kept(Criteria())] == texts[::-1]
