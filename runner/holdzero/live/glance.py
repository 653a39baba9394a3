"""What an instrument shows now, for any face; and what a face does while it waits for a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

from holdzero.hooks import Answer, Command, Prompt
from holdzero.outlook import Outlook

__all__ = ["Glance", "Meanwhile", "Stand"]


class Stand(Enum):
    """How the live value stands; the value is the word that is shown."""

    SILENT = "silent"
    """Nothing was heard for a while, or nothing yet."""
    MOVING = "moving"
    STILL = "still"
    UNREAD = "not understood"
    """The last line can't be taken; `why` says so."""
    LOST = "line is out"
    """The cable is out, or another program has the line; `why` says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What is live now.

    Attributes:
        stand: how the value stands.
        answer: the value as text with its unit; empty where there is none.
        value_um: the same [um]; None where there is none.
        line: the last line as received.
        why: what is wrong with it, or with the cable; empty where nothing is.
        at_s: when the value arrived, on the run's counter [s].
        temperatures: newest of each thermometer [degC], by what it hangs on.
        outlook: how near everything is to rest; None where too little is known.
        taking: whether the inspector accepted, and the value is waited for to stand still.
        trace: recent values, oldest first: time on the run's counter [s] and value [um]; thinned.
    """

    stand: Stand
    answer: str = ""
    value_um: float | None = None
    line: str = ""
    why: str = ""
    at_s: float = 0.0
    temperatures: Mapping[str, float] = field(default_factory=dict)
    outlook: Outlook | None = None
    taking: bool = False
    trace: Sequence[tuple[float, float]] = ()


class Meanwhile(Protocol):
    """What a face does while it waits for a person."""

    def look(self, prompt: Prompt) -> Answer | Command | None:
        """Look at what arrived; an answer that came by itself ends the wait. Call it twenty times a second."""
        ...

    def accept(self, prompt: Prompt) -> Answer | None:
        """The person accepts without typing; None where nothing live can be taken now."""
        ...

    @property
    def glance(self) -> Glance | None:
        """What to show now; None where nothing is live."""
        ...
