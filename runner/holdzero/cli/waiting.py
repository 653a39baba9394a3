"""Records that wait for their book: a mark beside each, which is there before it is sent and goes when it is in."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from holdzero.cli.files import by_number
from holdzero.whole_file import write_whole

__all__ = ["RECORD", "WAITING", "book_of_mark", "mark_of", "marks_in", "record_of", "wait_for"]

RECORD, WAITING = ".record.json", ".waiting"


def mark_of(record: Path) -> Path:
    """The mark of a record, whether it is there or not."""
    return record.with_name(record.name.removesuffix(RECORD) + WAITING)


def record_of(mark: Path) -> Path:
    """The record that a mark is of."""
    return mark.with_name(mark.name.removesuffix(WAITING) + RECORD)


def marks_in(folder: Path) -> Iterator[Path]:
    """The marks in a folder, oldest run first."""
    yield from sorted(folder.glob(f"*{WAITING}"), key=by_number)


def wait_for(record: Path, book: str) -> bool:
    """Mark a record as one that waits for a book, named as on screen; whether that could be written."""
    with contextlib.suppress(OSError):
        write_whole(mark_of(record), f"{record.name}\n{book}\n".encode())
        return True
    return False


def book_of_mark(mark: Path) -> str:
    """The book that a record waits for; empty where the mark does not say it, or is gone."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        lines = mark.read_text("utf-8").splitlines()
        return lines[1] if len(lines) > 1 else ""
    return ""
