"""The book: every record kept, found and watched over, in SQLite or PostgreSQL."""

from __future__ import annotations

from holdzero.book.find import Criteria
from holdzero.book.rows import Rows, rows_of
from holdzero.book.store import Book, Kept, open_book

__all__ = ["Book", "Criteria", "Kept", "Rows", "open_book", "rows_of"]
