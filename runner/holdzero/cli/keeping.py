"""What a run has to do with the book: it asks it at the start, and puts its records in at the end."""

from __future__ import annotations

import contextlib
import shlex
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from holdzero.cli.waiting import book_of_mark, mark_of, marks_in, record_of, wait_for
from holdzero.errors import HoldzeroError
from holdzero.patience import GivenUpError, within
from holdzero.run.state import State

if TYPE_CHECKING:
    from holdzero.book import Book

__all__ = ["Keeper"]


T = TypeVar("T")
_WAIT_S = 5.0  # for another that holds the book
_GIVEN_UP_S = 8.0  # for a database that does not answer at all: it may have waited for more than one lock


class _Own(NamedTuple):
    """A record of this run, and whether a mark beside it says that it waits."""

    path: Path
    text: str
    marked: bool


@dataclass(slots=True)
class Keeper:
    """A book that a run knows by name; opened when it is needed, and left alone when it can't be reached.

    Attributes:
        name: file or database address.
        key: file of the key that signs what is put in; None for none.
    """

    name: str
    key: Path | None = None
    _book: Book | None = None
    _own: list[_Own] = field(default_factory=list)

    def known(self, state: State) -> Mapping[str, Any] | None:
        """What the book knows of the bench in use: see `Session.known`.

        Raises:
            HoldzeroError: it can't be reached.
        """
        from holdzero.book.known import fields_known

        routine, comparator = state.routine, state.comparator
        if routine is None or comparator is None or state.simulated:
            return None
        standard = routine.check_standard
        return self._in_time(
            lambda: fields_known(
                self._opened(),
                comparator=comparator.id or comparator.name,
                standard=None if standard is None else standard.id or standard.name,
                part=routine.routine.part,
                serials=state.serials,
                title=routine.routine.title,
            )
        )

    def begun_at(self, wall: str) -> list[str]:
        """Texts of the records in the book whose run began at a moment, ISO 8601 with its offset.

        Raises:
            HoldzeroError: it can't be reached.
        """
        from holdzero.book.find import Criteria
        from holdzero.book.rows import ms_of

        at_ms, _ = ms_of(wall)
        then = Criteria(since_ms=at_ms, until_ms=at_ms + 1)
        return self._in_time(lambda: [kept.text for kept in self._opened().kept(then)])

    def waits(self, path: Path, text: str) -> None:
        """Take a record that was written; a mark beside it says that it waits, until it is in.

        The mark first: whatever ends the tool from here on, the record is not forgotten.
        """
        from holdzero.book.reach import shown_name

        marked = False
        with contextlib.suppress(HoldzeroError):
            marked = wait_for(path, shown_name(self.name))
        self._own.append(_Own(path, text, marked))

    def send(self) -> tuple[list[str], list[str]]:
        """Put the records of this run in, and then what waits beside them for this book from before.

        Returns:
            What to tell the inspector, and what went wrong; both empty where all is well.
        """
        own, self._own = self._own, []
        if not own:
            return [], []
        try:
            self._in_time(lambda: self._put_in([one.text for one in own]))
        except KeyboardInterrupt:
            return [], [f"the book was not waited for any longer\n    {_mend(own)}"]
        except HoldzeroError as error:
            return [], [f"{_told(error)}\n    {_mend(own)}"]
        for one in own:
            with contextlib.suppress(OSError):
                mark_of(one.path).unlink(missing_ok=True)
        made = self._book is not None and self._book.made
        said = [f"{self.name}: there was no book here; a new one was made"] if made else []
        with contextlib.suppress(KeyboardInterrupt):
            more, problems = self._send_older(own[0].path.parent)
            return [*said, *more], problems
        return said, []

    def _send_older(self, folder: Path) -> tuple[list[str], list[str]]:
        """Put in what earlier runs left waiting for this book; what takes too long waits on."""
        from holdzero.book.reach import shown_name

        name, ends_s = shown_name(self.name), time.monotonic() + _WAIT_S
        count, problems = 0, []
        for mark in marks_in(folder):
            path = record_of(mark)
            if book_of_mark(mark) != name:
                continue
            if time.monotonic() > ends_s:
                problems.append(f"more records wait in {folder}: holdzero book send {folder}")
                break
            try:
                text = path.read_text("utf-8")
                self._in_time(lambda text=text: self._put_in([text]))  # type: ignore[misc]
                mark.unlink(missing_ok=True)
            except (OSError, UnicodeDecodeError, HoldzeroError) as error:
                problems.append(f"{path}: it waits on: {str(error).splitlines()[0]}")
                continue
            count += 1
        return ([f"{_records(count)} that waited {_are(count)} in the book now"] if count else []), problems

    def _put_in(self, texts: Sequence[str]) -> None:
        from holdzero.book import Book

        rows = [Book.checked(text) for text in texts]
        self._opened().enter(rows)
        if self.key is not None:
            from holdzero.cli.book_sign import signer_of

            signer_of(self._opened(), self.key).sign([row.record["digest"] for row in rows])

    def _in_time(self, work: Callable[[], T]) -> T:
        """What `work` gives; a database that takes connections and never answers is given up."""
        from holdzero.book.reach import BookError, shown_name

        try:
            return within(_GIVEN_UP_S, work, "book")
        except GivenUpError:
            raise BookError(f"{shown_name(self.name)}: it did not answer within {_GIVEN_UP_S:g} s") from None

    def _opened(self) -> Book:
        from holdzero.book import open_book

        if self._book is None:
            self._book = open_book(self.name, create=True, wait_s=_WAIT_S)
        return self._book


def _told(error: HoldzeroError) -> str:
    """The first line alone where waiting helps, and what to do else."""
    from holdzero.book.reach import BookDamagedError

    return str(error) if isinstance(error, BookDamagedError) else str(error).splitlines()[0]


def _mend(own: Sequence[_Own]) -> str:
    marked = all(one.marked for one in own)
    paths = shlex.join(str(one.path) for one in own)
    how = f"holdzero book send {own[0].path.parent}" if marked else f"holdzero book add {paths}"
    wait = "the record waits" if len(own) == 1 else f"{len(own)} records wait"
    if marked:
        return f"{wait} beside the journal; when the book is back: {how}\n    or the next run puts {_it(own)} in"
    return f"{wait} beside the journal; when the book is back: {how}"


def _it(own: Sequence[_Own]) -> str:
    return "it" if len(own) == 1 else "them"


def _records(count: int) -> str:
    return "1 record" if count == 1 else f"{count} records"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"
