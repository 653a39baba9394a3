"""Whether a journal that goes on has all that it had: by the mark beside it, and by records that were made of it.

Who cuts a journal may cut its mark too. A record that was made of the same run, beside it or in the book, has all
events up to the end.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from holdzero.cli.keeping import Keeper
from holdzero.errors import HoldzeroError
from holdzero.events import event_to_data
from holdzero.journal import End, JournalText, end_of
from holdzero.record import loads

__all__ = ["end_known"]


def end_known(path: Path, text: JournalText, begins: str, out: Path, keeper: Keeper | None) -> tuple[End, int]:
    """Whether a journal has all that it had, and how many entries are missing.

    Args:
        path: of the journal, which is not of a finished run.
        text: what it holds.
        begins: with which the names of the run's records begin.
        out: folder of the records.
        keeper: of the book; None for none. One that can't be reached knows nothing.
    """
    end, missing = end_of(path, text)
    if end in (End.CUT, End.OTHER):
        return end, missing
    own = json.loads(json.dumps([event_to_data(event) for event in text.events]))
    del own[0]["routine"]  # a record has it elsewhere, and its digest here
    for folder in dict.fromkeys((path.parent, out)):
        for record in folder.glob(f"{begins}*.record.json"):
            with contextlib.suppress(OSError, UnicodeDecodeError, HoldzeroError):
                if (found := _beyond(own, record.read_text("utf-8"))) is not None:
                    return found
    for kept in _in_book(text, keeper):
        if (found := _beyond(own, kept)) is not None:
            return found
    return end, missing


def _in_book(text: JournalText, keeper: Keeper | None) -> Iterator[str]:
    if keeper is not None:
        with contextlib.suppress(HoldzeroError):
            yield from keeper.begun_at(text.events[0].wall)


def _beyond(own: list[Any], record: str) -> tuple[End, int] | None:
    """What a record says of a journal whose run it is of; None where it is of another run."""
    with contextlib.suppress(HoldzeroError, RecursionError):
        theirs = loads(record, "a record").get("events")
        if isinstance(theirs, list) and theirs[:1] == own[:1] and own[: len(theirs)] != theirs:
            cut = theirs[: len(own)] == own
            return (End.CUT, len(theirs) - len(own)) if cut else (End.OTHER, 0)
    return None
