"""The state of a run: what was read, what is still open, which zero counts for which reading.

Everything here is derived from the events in their order; nothing is decided and nothing is said
in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from typing import Literal

from holdzero.routine import schema
from holdzero.run.agenda import Agenda
from holdzero.run.kept import (
    Absence,
    Chosen,
    Given,
    History,
    Note,
    Observed,
    Prepared,
    Question,
    Reading,
    Reopened,
    SoakTaken,
    TemperatureTaken,
)
from holdzero.run.plan import Slot, SlotKind

__all__ = ["Phase", "State"]


class Phase(Enum):
    """Where a run stands as a whole."""

    NEW = "new"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    ABANDONED = "abandoned"


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
