"""The sheet on which a routine is chosen, or an open run to go on with."""

from __future__ import annotations

from holdzero.page.shown import Choosing, Option, Sheet
from holdzero.page.snapshot import OpenRun, RoutineHere, Snapshot
from holdzero.page.words import marks_of, sentence, wall_time

__all__ = ["choosing_of"]


def choosing_of(snapshot: Snapshot) -> Sheet:
    """What can be begun, or gone on with."""
    routines = snapshot.routines
    return Sheet(
        state="choosing",
        seq=snapshot.seq,
        key="choosing",
        tab="Choose a routine",
        title="Choose a routine",
        template="choose.html",
        refused=sentence(snapshot.refused.reason if snapshot.refused else snapshot.ended),
        problems=snapshot.problems,
        marks=marks_of(simulated=snapshot.simulated, trial=snapshot.trial, practice=bool(snapshot.greeting)),
        greeting=snapshot.greeting,
        choosing=Choosing(
            routines=tuple(map(_routine, routines)),
            members=tuple((routine.name, routine.members) for routine in routines if routine.members),
            batches=tuple(routine.name for routine in routines if routine.batch),
            chosen=snapshot.chosen,
            operator=snapshot.operator,
            open_runs=tuple(map(_open_run, snapshot.open_runs)),
        ),
    )


def _routine(routine: RoutineHere) -> Option:
    part = " ".join(filter(None, (routine.part, routine.revision)))
    more = " · ".join(filter(None, (part, routine.name)))
    return Option(routine.name, routine.title or routine.name, more, routine.fault)


def _open_run(run: OpenRun) -> Option:
    serials = f", serial {', '.join(run.serials)}" if run.serials else ""
    by = f", by {run.operator}" if run.operator else ""
    state = "all is read; the record is to be made" if run.over else f"{run.readings} readings taken"
    left = f"{run.left[:10]} {wall_time(run.left)}" if run.left else ""
    return Option(run.name, f"{run.title}: {run.part}{serials}", f"left {left}{by}; {state}")
