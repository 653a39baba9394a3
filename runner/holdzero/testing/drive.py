"""The sans-I/O run driven by texts: prompt by prompt, as a readings file answers, without file and clock."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.errors import SourceExhaustedError
from holdzero.expansion import kinds_of
from holdzero.routine.load import LoadedRoutine, load_routine
from holdzero.run import Run
from holdzero.run.answer import Confirmed, Ended, Named, Seen, TakenReading, TakenTemperature, Told, understand
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Asks, Prompt
from holdzero.testing.draft import Draft

__all__ = ["Answers", "Entries", "Say", "begun", "driven", "loaded_of", "scripted", "taken"]

Answers = Iterable[str | tuple[float, str]]
"""Answers in their order, each with or without the run's counter [s]."""

Entries = Mapping[str, Mapping[str, Mapping[str, Any]]]
"""What a shop's register has: by role, then by identifier."""

Say = Callable[[Run, Prompt], tuple[float, str]]
"""What answers a prompt: the run's counter [s] and the text."""

_BEGIN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
_NO_ENTRIES: Entries = MappingProxyType({})


def loaded_of(routine: str | Path | Draft, catalogue: Catalogue, member: str | None = None) -> LoadedRoutine:
    """The routine of a text, a file or a draft.

    Raises:
        FileFaultsError: with every fault found.
    """
    if isinstance(routine, Path):
        return load_routine(routine, member, kinds_of(catalogue))
    text = routine.text if isinstance(routine, Draft) else routine
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "routine.toml"
        path.write_text(text, "utf-8")
        return load_routine(path, member, kinds_of(catalogue))


def begun(
    loaded: LoadedRoutine,
    *,
    serials: Sequence[str | None] = ("1",),
    operator: str | None = "T. Ester",
    simulated: bool = False,
    trial: bool = False,
) -> Run:
    """A run that has just started."""
    started = e.RunStarted(
        seq=1,
        wall=_wall(0.0),
        time_s=0.0,
        software="test",
        routine=loaded.document,
        routine_digest=loaded.digest,
        routine_file="routine.toml",
        member=None,
        operator=operator,
        serials=tuple(serials) or (None,),
        source="readings",
        simulated=simulated,
        overruled={},
        trial=trial,
        text_digest=loaded.text_digest,
    )
    return Run().take(started)


def _wall(time_s: float) -> str:
    return (_BEGIN + dt.timedelta(seconds=time_s)).isoformat(timespec="milliseconds")


def driven(run: Run, say: Say, entries: Entries = _NO_ENTRIES) -> Iterator[Run]:
    """The run as it stands now, and after each answer, until it is over.

    Args:
        run: that has started.
        say: answers its prompts.
        entries: devices that a prompt can name.
    """
    yield run
    while (prompt := run.prompt) is not None:
        time_s, text = say(run, prompt)
        run = taken(run, prompt, text, time_s, entries)
        yield run


def taken(  # noqa: PLR0911  one arm an answer
    run: Run, prompt: Prompt, text: str, time_s: float, entries: Entries = _NO_ENTRIES
) -> Run:
    """The run after one answer.

    Raises:
        AnswerRefusedError: the text is no answer to the prompt.
        EventRefusedError: it is one that does not fit.
    """
    state, slot = run.state, prompt.slot
    head: dict[str, Any] = {"seq": state.seq + 1, "wall": _wall(time_s), "time_s": time_s, "slot": slot.id}
    match understand(text, prompt, state.comparator, time_s):
        case TakenReading(value):
            return run.take(e.ReadingTaken(**head, raw=text, value_um=value))
        case TakenTemperature(value):
            return run.take(e.TemperatureRead(**head, raw=text, value_degC=value))
        case Told(told):
            return run.take(e.AnswerGiven(**head, raw=text, value=told))
        case Seen(of, value):
            return run.take(e.SoakObserved(**head, of=of, raw=text, value=value))
        case Ended(reason):
            return run.take(e.SoakEnded(**head, reason=reason))
        case Named(identifier):
            entry = {"id": identifier, **entries.get(slot.of, {}).get(identifier, {})}
            return run.take(e.EntryChosen(**head, role=slot.of, entry=entry, overruled=None))
        case Confirmed():
            kind = e.RunFinished if slot.kind is SlotKind.COMPARE else e.StepDone
            return run.take(kind(**head))


def scripted(answers: Answers) -> Say:
    """Answers in their order; what only needs confirming is confirmed, a soak lasts as long as it should."""
    left = iter(answers)

    def say(run: Run, prompt: Prompt) -> tuple[float, str]:
        now_s = run.state.now_s
        if prompt.asks is Asks.CONFIRM:
            return now_s, ""
        if prompt.asks is Asks.WAIT:
            return max(now_s, prompt.until_s), ""
        said = next(left, None)
        if said is None:
            raise SourceExhaustedError(f"no answer is left for “{prompt.title}”")
        time_s, text = (now_s, said) if isinstance(said, str) else said
        return max(time_s, now_s), text

    return say
