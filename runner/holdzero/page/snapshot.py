"""What the page shows at one moment, whole: replaced as something happens, never changed and never collected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

from holdzero.events import AnyEvent
from holdzero.hooks import Finding, Prompt
from holdzero.run import Run

__all__ = ["Entry", "OpenRun", "Refusal", "RoutineHere", "Snapshot", "Stage"]


class Stage(Enum):
    """What the page is about now; the value is the word for it."""

    CHOOSING = "choosing"
    """No run: a routine is chosen, or an open run to go on with."""
    RUNNING = "running"
    """A run; `prompt` is asked. Without a prompt the tool is at work (it loads, or makes the record)."""
    STOPPED = "stopped"
    """`stop` stops the result: strike out and read again, carry on (`acknowledge`), or abandon."""
    PAUSED = "paused"
    """The inspector is away: `go_on`."""
    OVERRULE = "overrule"
    """A device is unfit (`unfit` says why): a reason to use it all the same, or none."""
    FINISHED = "finished"
    """The run is over and its records are there."""
    ABANDONED = "abandoned"
    """The run was given up; `run` says why, and its records are there."""
    INTERRUPTED = "interrupted"
    """The run stopped by a fault of a file, a source or the disk (`ended` says which); it can be gone on with."""

    @property
    def is_end(self) -> bool:
        """Whether the run is over for this page."""
        return self in (Stage.FINISHED, Stage.ABANDONED, Stage.INTERRUPTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutineHere:
    """A routine that can be chosen.

    Attributes:
        name: what a post `start` names it by: its file, below the folder.
        title: of the routine; empty where it does not load.
        part: what it is for.
        revision: of the part.
        members: of its part family; one of them has to be named. Empty for a single part.
        batch: whether several serials can be given.
        fault: the first line of what is wrong; empty where it loads.
    """

    name: str
    title: str = ""
    part: str = ""
    revision: str = ""
    members: tuple[str, ...] = ()
    batch: bool = False
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRun:
    """A journal of a run that is not over.

    Attributes:
        name: what a post `resume` names it by: its file, in the folder of the runs.
        title: of the routine.
        part: what is measured.
        serials: of the parts; empty where none was given.
        operator: who measured; empty where nobody was named.
        started: wall time of the first entry, ISO 8601.
        left: wall time of the last entry, ISO 8601.
        readings: how many were taken.
        over: whether all is read and only the record was not written.
    """

    name: str
    title: str
    part: str
    serials: tuple[str, ...]
    operator: str
    started: str
    left: str
    readings: int
    over: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """A device of the register that can be named in answer to the prompt."""

    identifier: str
    name: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why the last answer was not taken.

    Attributes:
        reason: in words, without a full stop.
        seq: of the snapshot that it answered.
    """

    reason: str
    seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """All that the page shows.

    Attributes:
        seq: grows with every snapshot; a post names the one that it answers.
        stage: what the page is about.
        run: so far; None while nothing was started.
        prompt: what is asked; None where nothing is.
        findings: of the checks, now.
        refused: why the last answer was not taken; None once something was taken.
        taken: the last event that was taken on this page.
        stop: the finding to answer, while stopped.
        unfit: why a device must not be used, while that is asked.
        records: one for each part, when the run is over.
        files: names of what was written, in the folder of the runs.
        problems: what went wrong beside, in words (a writer that failed, a book that could not be reached).
        debrief: what was true and hidden at a virtual bench, in words, when the run is over; empty at any other.
        greeting: what a person at a practice bench has to know before; empty at any other.
        ended: how the run ended, where it was interrupted, or why none could be started; in words.
        code: exit code of the run, once it is over: 0, 1, 2, 3 or 4 as on the command line.
        now_s: the run's counter at `at_s` [s].
        at_s: the machine's counter when this was made [s]; it never goes back.
        pace: how much faster the run's counter goes than the machine's; 0 where a source keeps the time.
        source: what the readings come from, as on the command line.
        simulated: whether its readings are made up.
        trial: whether nothing may be accepted by it.
        operator: who was named last, for the next run.
        routines: what can be chosen, while choosing.
        open_runs: what can be gone on with, newest first, while choosing.
        chosen: name of the routine that was asked for on the command line or measured last; empty for none.
        register: devices that can be named, where the prompt asks for one.
        live: whether an instrument is listened to.
    """

    seq: int
    stage: Stage
    run: Run | None = None
    prompt: Prompt | None = None
    findings: tuple[Finding, ...] = ()
    refused: Refusal | None = None
    taken: AnyEvent | None = None
    stop: Finding | None = None
    unfit: str = ""
    records: tuple[Mapping[str, Any], ...] = ()
    files: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    debrief: tuple[str, ...] = ()
    greeting: tuple[str, ...] = ()
    ended: str = ""
    code: int | None = None
    now_s: float = 0.0
    at_s: float = 0.0
    pace: float = 1.0
    source: str = ""
    simulated: bool = False
    trial: bool = False
    operator: str = ""
    routines: tuple[RoutineHere, ...] = ()
    open_runs: tuple[OpenRun, ...] = ()
    chosen: str = ""
    register: tuple[Entry, ...] = ()
    live: bool = False

    def elapsed_s(self, counter_s: float) -> float:
        """The run's counter when the machine's is at `counter_s` [s]."""
        return self.now_s + max(0.0, counter_s - self.at_s) * self.pace
