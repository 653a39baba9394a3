"""What can be done at any prompt besides answering it: by the inspector, or by what an instrument does."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "COMPARATOR",
    "STRIKE_REASONS",
    "THERMOMETERS",
    "Abandon",
    "Absent",
    "Acknowledge",
    "AddNote",
    "Again",
    "Command",
    "LineIn",
    "LineOut",
    "Look",
    "Pause",
    "Recorded",
    "RenewZero",
    "Strike",
    "Unused",
]

COMPARATOR, THERMOMETERS = "comparator", "thermometers"
"""What an instrument can be of."""

# Short list of the causes that a bench knows (common practice, no source).
STRIKE_REASONS = ("mistyped", "part slipped", "dirt", "bumped", "interrupted", "wrong part")


@dataclass(frozen=True, slots=True)
class Strike:
    """Strike out the entry with this sequence number."""

    target: int
    reason: str


@dataclass(frozen=True, slots=True)
class AddNote:
    """Write something down."""

    text: str


@dataclass(frozen=True, slots=True)
class Again:
    """A preparing step was done once more, or a soak is to be: the slot that it fills."""

    slot: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Stop for a while."""


@dataclass(frozen=True, slots=True)
class RenewZero:
    """The dial was moved: take the zero again."""

    reason: str


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Go on in spite of a finding that stops the result."""

    code: str


@dataclass(frozen=True, slots=True)
class Look:
    """Time has mended it, perhaps: let the checks look again. It leaves no trace."""


@dataclass(frozen=True, slots=True)
class Abandon:
    """Give the run up."""

    reason: str


@dataclass(frozen=True, slots=True)
class Absent:
    """Nobody was there, by the clocks: the machine slept, one of them was set, or nothing was done for long."""


@dataclass(frozen=True, slots=True)
class Unused:
    """An instrument sent a line that answers nothing, and why."""

    line: str
    why: str


@dataclass(frozen=True, slots=True)
class LineOut:
    """An instrument can't be heard: the comparator or the thermometers, and why."""

    of: str
    why: str


@dataclass(frozen=True, slots=True)
class LineIn:
    """An instrument can be heard again: the comparator or the thermometers."""

    of: str


Recorded = Strike | AddNote | Again | Pause | RenewZero | Acknowledge | Abandon | Absent | Unused | LineOut | LineIn
"""What becomes an event of the run."""

Command = Recorded | Look
