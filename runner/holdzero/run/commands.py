"""What an inspector can do at any prompt besides answering it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["STRIKE_REASONS", "Abandon", "Acknowledge", "AddNote", "Again", "Command", "Pause", "RenewZero", "Strike"]

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
    """A preparing step was done once more: the slot that it fills."""

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
class Abandon:
    """Give the run up."""

    reason: str


Command = Strike | AddNote | Again | Pause | RenewZero | Acknowledge | Abandon
