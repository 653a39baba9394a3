"""What was read, measured, answered and done in a run, each as it stands on record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from holdzero.estimate import Estimate
from holdzero.limit import exceeds
from holdzero.model import Number
from holdzero.outlook import Outlook
from holdzero.register import Device
from holdzero.run.plan import Slot, SlotKind

__all__ = [
    "Absence",
    "Chosen",
    "Given",
    "History",
    "Note",
    "Observed",
    "Prepared",
    "Question",
    "Reading",
    "Reopened",
    "SoakTaken",
    "TemperatureTaken",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading of the comparator.

    Attributes:
        seq: sequence number of its event.
        slot: what it answered.
        raw: the text as typed or received.
        value_um: as understood [um].
        time_s: seconds of the run [s].
        wall: wall time.
        zero: number of the zero in force, from 1; 0 before any zero.
        visit: for a return, which visit to the reference it belongs to: nothing else was read
            within one, struck out or not, of this part or another.
        struck: why it was struck out; None while it counts.
        line: what an instrument sent; empty where a person typed.
    """

    seq: int
    slot: Slot
    raw: str
    value_um: Number
    time_s: float
    wall: str
    zero: int
    visit: int = 0
    struck: str | None = None
    line: str = ""

    @property
    def kind(self) -> SlotKind:
        """What was read."""
        return self.slot.kind

    @property
    def where(self) -> str:
        """Where it was read, in words."""
        return {
            SlotKind.READ: f"at {self.slot.place}",
            SlotKind.ZERO: "on the reference",
            SlotKind.RETURN: "on return to the reference",
        }.get(self.kind, "on the check standard")


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureTaken:
    """One reading of a thermometer [degC]; fields as in `Reading`.

    Attributes:
        error: what is known of its error [K], where that is not the error of the thermometer in use.
    """

    seq: int
    slot: Slot
    raw: str
    value_degC: Number  # noqa: N815  the unit's own capital
    time_s: float
    wall: str
    struck: str | None = None
    error: Estimate | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """Something that was seen during a soak: when [s], of what, and the value [um, or degC]."""

    slot: Slot
    of: str
    value: float
    time_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakTaken:
    """A soak as it went.

    Attributes:
        time_s: when it ended, on the run's counter [s].
        elapsed_s: how long it lasted [s].
        reason: why it was ended in words; None where time, or what was seen, ended it.
        recorded: whether its time was; where not, it counts as confirmed.
        at_rest: whether all that the routine limits was seen at rest at its end; None where nothing of it was watched.
        outlooks: how all that was watched stood at its end.
    """

    seq: int
    slot: Slot
    time_s: float
    elapsed_s: float
    reason: str | None
    recorded: bool = True
    at_rest: bool | None = None
    outlooks: tuple[Outlook, ...] = ()

    @property
    def missing_s(self) -> float:
        """What is missing of its time [s]; 0 where it lasted as long as it should, or was seen at rest."""
        short = exceeds(self.slot.at_least_s, self.elapsed_s) and self.reason is not None and not self.at_rest
        return self.slot.at_least_s - self.elapsed_s if short else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """An answer to a question; fields as in `Reading`.

    Attributes:
        value: words as they are; a quantity in the inside unit of its dimension; a bare number.
    """

    seq: int
    slot: Slot
    raw: str
    value: Number | str
    time_s: float
    wall: str
    struck: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A preparing step as it was confirmed, each time; fields as in `Reading`."""

    seq: int
    slot: Slot
    time_s: float
    wall: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A device in use: what it is, what the register or routine says of it, why it was overruled."""

    device: Device
    entry: dict[str, Any]
    overruled: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What the book knew of the bench when the run began.

    Attributes:
        book: where it was looked up.
        comparator: what the comparator goes by.
        scatter_um: standard deviation of a single reading over earlier runs [um]; None where nothing
            is known.
        dof: its degrees of freedom [1].
        runs: over how many runs.
        in_control: whether the check standard was in control; None where nothing is known of it.
        told: what is known of the check standard, in words.
        earlier: verdict, start and digest of earlier records of the same parts, newest first.
    """

    book: str
    comparator: str
    scatter_um: float | None
    dof: float
    runs: int
    in_control: bool | None
    told: str
    earlier: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something the inspector wrote down, or what a plugin did wrong on the way.

    Attributes:
        plugin: the one that did wrong; None for the inspector's own.
        slow: whether it was slow and nothing worse.
    """

    seq: int
    text: str
    plugin: str | None = None
    slow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a check asked at the bench.

    Attributes:
        seq: its place in the run's order.
        wall: when.
        code: of the finding.
        text: as it was asked.
        act: what was offered.
        entries: numbers of those that would be struck out.
    """

    seq: int
    wall: str
    code: str
    text: str
    act: str
    entries: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence:
    """Time in which nobody was at the bench, longer than the routine allows; see `holdzero.run.absence`.

    Attributes:
        seq: of the event that ended it.
        after: of the last event before it that shows somebody.
        length_s: how long it was [s]; None where nobody knows, as the clock was set back.
    """

    seq: int
    after: int
    length_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reopened:
    """A journal that was opened again after a break.

    Attributes:
        seq: of the entry with which the run went on.
        away_s: how long the break was [s]; None where nobody knows.
        journal: as in `RunContinued`: `whole`, `no mark`, `cut` or `other`.
        missing: how many entries were there and are not [1].
    """

    seq: int
    away_s: float | None
    journal: str
    missing: int
