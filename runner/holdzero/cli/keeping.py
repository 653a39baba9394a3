"""What a run has to do with the book: it asks it at the start, and puts its records in at the end."""

from __future__ import annotations

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
    """

    name: str
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
        """Put a record in; where that fails, leave a mark beside it, so that it goes in later.

        Returns:
            What to tell the inspector; empty where all is well.
        """
        from holdzero.cli.book_find import WAITING

        try:
            self._opened().add([text])
        except HoldzeroError as error:
            mark = path.with_name(path.name.removesuffix(".record.json") + WAITING)
            mark.write_text(f"{self.name}\n", "utf-8")
            reason, mend = str(error).splitlines()[0], f"when the book is back: holdzero book send {path.parent}"
            return f"{reason}\n    the record waits beside the journal; {mend}"
        return ""

    def _opened(self) -> Book:
        from holdzero.book import open_book

        if self._book is None:
            self._book = open_book(self.name, create=True)
        return self._book
