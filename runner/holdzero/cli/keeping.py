"""What a run has to do with the book: it asks it at the start, and puts its records in at the end."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdzero.errors import HoldzeroError
from holdzero.run.state import State

if TYPE_CHECKING:
    from holdzero.book import Book

__all__ = ["Keeper"]


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
        return fields_known(
            self._opened(),
            comparator=comparator.id or comparator.name,
            standard=None if standard is None else standard.id or standard.name,
            part=routine.routine.part,
            serials=state.serials,
            title=routine.routine.title,
        )

    def keep(self, path: Path, text: str) -> str:
        """Put a record in; until it is in, a mark lies beside it, so that it goes in later.

        Returns:
            What to tell the inspector; empty where all is well.
        """
        from holdzero.cli.book_find import WAITING

        mark, mend = path.with_name(path.name.removesuffix(".record.json") + WAITING), f"holdzero book add {path}"
        # The mark first: whatever ends the tool in between, the record is not forgotten.
        with contextlib.suppress(OSError):
            mark.write_text(f"{path.name}\n", "utf-8")
            mend = f"holdzero book send {path.parent}"
        try:
            self._put_in(text)
        except HoldzeroError as error:
            reason = str(error).splitlines()[0]
            return f"{reason}\n    the record waits beside the journal; when the book is back: {mend}"
        with contextlib.suppress(OSError):
            mark.unlink(missing_ok=True)
        return ""

    def _put_in(self, text: str) -> None:
        from holdzero.book import Book

        rows = Book.checked(text)
        self._opened().enter([rows])
        if self.key is not None:
            from holdzero.cli.book_sign import signer_of

            signer_of(self._opened(), self.key).sign([rows.record["digest"]])

    def _opened(self) -> Book:
        from holdzero.book import open_book

        if self._book is None:
            self._book = open_book(self.name, create=True)
        return self._book
