"""Every error that holdzero raises on purpose, sorted by who must act on it.

An error carries the fields that its message needs; it never prints and never exits.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

__all__ = [
    "AnswerRefusedError",
    "EventRefusedError",
    "Fault",
    "FileFaultsError",
    "HoldzeroError",
    "JournalError",
    "PluginRefusedError",
    "QuantityError",
    "RecordError",
    "SourceError",
    "SourceExhaustedError",
]


class HoldzeroError(Exception):
    """Root of the tree: whatever is below it has a message made for a person."""


class AnswerRefusedError(HoldzeroError):
    """The inspector must answer again: the text does not answer the prompt. Nothing was recorded."""


class EventRefusedError(HoldzeroError):
    """An event does not fit the state of the run. The run is unchanged."""


class QuantityError(HoldzeroError):
    """A text is not the quantity that was asked for.

    Args:
        found: what stands there, as written.
        expected: what could stand there.
        mend: how to put it right.
    """

    def __init__(self, found: str, expected: str, mend: str) -> None:
        super().__init__(f"found {found}; expected {expected}; {mend}")
        self.found = found
        self.expected = expected
        self.mend = mend


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong, or legal but unwise, in a file that somebody wrote."""

    file: str
    line: int | None
    key: str
    found: str
    expected: str
    mend: str
    warning: bool = False

    def __str__(self) -> str:
        """Two lines: where and what; then how to mend it."""
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        level = "warning" if self.warning else "error"
        found = f"found {self.found}" if self.found else "nothing found"
        expected = f"; expected {self.expected}" if self.expected else ""
        return f"{place}: {level}: {self.key}: {found}{expected}\n    {self.mend}"


class FileFaultsError(HoldzeroError):
    """The author of a routine, a register or a data file must mend it.

    Args:
        faults: all that was found, in the order of the lines.
    """

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults


class JournalError(HoldzeroError):
    """A journal can't be opened, read or written; the message says what is safe and what to do."""

    def __init__(self, path: PurePath | str, reason: str, mend: str) -> None:
        super().__init__(f"{path}: {reason}\n    {mend}")
        self.path = path
        self.reason = reason
        self.mend = mend


class RecordError(HoldzeroError):
    """A file is no record that can be read and refolded."""


class SourceError(HoldzeroError):
    """A source gave something that can't answer the prompt, and nobody is there to ask again."""


class SourceExhaustedError(HoldzeroError):
    """A source has no more answers: the run stops here and can be resumed."""


class PluginRefusedError(HoldzeroError):
    """A plugin was not loaded; the message names it, the rule and the mend."""
