"""The state of a run: what was read, what is still open, which zero counts for which reading.

Everything here is derived from the events in their order; nothing is decided and nothing is said
in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from typing import Any, Literal

from holdzero.estimate import Estimate
from holdzero.limit import exceeds
from holdzero.model import Number
from holdzero.outlook import Outlook
from holdzero.register import Device
from holdzero.routine import schema
from holdzero.run.agenda import Agenda
from holdzero.run.plan import Slot, SlotKind

__all__ = [
    "Absence",
    "Chosen",
    "Given",
    "History",
    "Note",
    "Observed",
    "Phase",
    "Prepared",
    "Reading",
    "Reopened",
    "SoakTaken",
    "State",
    "TemperatureTaken",
]


class Phase(Enum):
    """Where a run stands as a whole."""

    NEW = "new"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    ABANDONED = "abandoned"


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


@dataclass(frozen=True, kw_only=True)
class State:
    """All that the events so far amount to."""

    phase: Phase = Phase.NEW
    seq: int = 0
    now_s: float = 0.0
    wall: str = ""
    routine: schema.Routine | None = None
    operator: str | None = None
    serials: tuple[str | None, ...] = ()
    slots: tuple[Slot, ...] = ()
    agenda: Agenda = field(default_factory=Agenda)
    done: frozenset[str] = frozenset()
    devices: dict[str, Chosen] = field(default_factory=dict)
    readings: Sequence[Reading] = ()
    temperatures: Sequence[TemperatureTaken] = ()
    given: Sequence[Given] = ()
    soaks: tuple[SoakTaken, ...] = ()
    observed: Sequence[Observed] = ()
    # Lines that answered nothing: entry, line, why.
    unused: tuple[tuple[int, str, str], ...] = ()
    # Which instruments were lost, in order: entry, of what, why.
    losses: tuple[tuple[int, str, str], ...] = ()
    prepared: Sequence[Prepared] = ()
    notes: tuple[Note, ...] = ()
    questions: tuple[Question, ...] = ()
    acknowledged: frozenset[str] = frozenset()
    absences: tuple[Absence, ...] = ()
    # After which breaks the run went on, however short: entry, how long [s]; None where nobody knows.
    breaks: tuple[tuple[int, float | None], ...] = ()
    reopened: tuple[Reopened, ...] = ()
    # The last event that shows somebody at the bench.
    here_seq: int = 0
    here_s: float = 0.0
    here_wall: str = ""
    # Whether the run's counter goes with the wall clock.
    paced: bool = False
    # Which group of slots each zero was set for, in order; the last one is in force.
    zeros: tuple[str, ...] = ()
    # How many visits to the reference there were.
    visits: int = 0
    # What was typed as the last reading that no instrument sent.
    typed: str = ""
    # Zeros that were given up because the dial was moved.
    lost_zeros: frozenset[int] = frozenset()
    # Those of them whose readings are taken anew with all that is done right before them.
    zeros_anew: frozenset[int] = frozenset()
    soak_from_s: float = 0.0
    abandoned: str | None = None
    sources: tuple[str, ...] = ()
    simulated: bool = False
    trials: int | Literal["adaptive"] | None = None
    seed: int = 0
    started: str = ""
    history: History | None = None
    trial: bool = False
    text_digest: str = ""
    aliases: dict[str, float] = field(default_factory=dict)

    @property
    def entries(self) -> tuple[Reading | TemperatureTaken | Given, ...]:
        """All that was read, measured or answered, struck out or not."""
        return (*self.readings, *self.temperatures, *self.given)

    @property
    def repeatable(self) -> tuple[Slot, ...]:
        """Steps that can be done again out of turn, in order: what was prepared, and soaks that are over."""
        done: list[Prepared | SoakTaken] = [*self.prepared, *self.soaks]
        slots = dict.fromkeys(item.slot for item in sorted(done, key=lambda item: item.seq))
        return tuple(slot for slot in slots if slot != self.first_open)

    @property
    def live(self) -> tuple[Reading, ...]:
        """Readings that count, in order."""
        return tuple(reading for reading in self.readings if reading.struck is None)

    @property
    def counted(self) -> tuple[Reading, ...]:
        """Readings that a result is made of: of a place that was read again, the last one.

        A zero that was given up, and that nothing which counts hangs on, tells nothing.
        """
        latest = {reading.slot.id: reading.seq for reading in self.live}
        last = [r for r in self.live if r.kind.is_reading and latest[r.slot.id] == r.seq]
        idle = self.lost_zeros - {r.zero for r in last if r.kind in (SlotKind.READ, SlotKind.CHECK)}
        return tuple(
            reading
            for reading in self.live
            if (
                reading.zero not in idle
                if reading.kind in (SlotKind.ZERO, SlotKind.RETURN)
                else latest[reading.slot.id] == reading.seq
            )
        )

    @cached_property
    def gone(self) -> frozenset[int]:
        """Numbers of readings that were not struck out and count no more all the same.

        Their zero was given up, and they are asked for again, or were read again already; or they are of such a zero.
        """
        counted = {reading.seq for reading in self.counted}
        again = {slot.id for slot in self.open_slots}
        part = [reading for reading in self.live if reading.kind in (SlotKind.READ, SlotKind.CHECK)]
        gone = {r.seq for r in part if r.seq not in counted or r.slot.id in again}
        idle = self.lost_zeros - {reading.zero for reading in part if reading.seq not in gone}
        return frozenset(gone | {r.seq for r in self.live if r.zero in idle})

    @property
    def comparator(self) -> schema.Comparator | None:
        """The comparator in use; None until it was chosen."""
        chosen = self.devices.get("comparator")
        return chosen.device if chosen and isinstance(chosen.device, schema.Comparator) else None

    @property
    def reference(self) -> schema.Reference | None:
        """The reference in use; None until it was chosen."""
        chosen = self.devices.get("reference")
        return chosen.device if chosen and isinstance(chosen.device, schema.Reference) else None

    @property
    def thermometer(self) -> schema.Thermometer | None:
        """The thermometer in use, if any."""
        chosen = self.devices.get("thermometer")
        return chosen.device if chosen and isinstance(chosen.device, schema.Thermometer) else None

    @cached_property
    def open_slots(self) -> tuple[Slot, ...]:
        """Slots that still wait for an answer, in the order of the plan."""
        return self.agenda.open

    @property
    def first_open(self) -> Slot | None:
        """The slot that waits for the next answer, whether the run goes on now or not; None where none waits."""
        return self.agenda.first

    @property
    def slot(self) -> Slot | None:
        """The slot that is asked for now; None where nothing is."""
        return self.first_open if self.phase is Phase.RUNNING else None
