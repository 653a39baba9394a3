"""What can happen at the bench: one small frozen class for each thing, in the past tense.

Nothing else lives here: what an event does to a run is the business of the fold. A value may be an
array whose leading axis is the runs of a rehearsal.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal, TypeAlias, get_args

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config

from holdzero.errors import HoldzeroError
from holdzero.model import Number

__all__ = [
    "AnswerGiven",
    "AnswerStruck",
    "AnyEvent",
    "BenchKnown",
    "EntryChosen",
    "Event",
    "EventUnreadableError",
    "LineBack",
    "LineLost",
    "LineUnused",
    "NoteAdded",
    "PluginFailed",
    "PluginSlow",
    "PreparedAgain",
    "QuestionAsked",
    "ReadingTaken",
    "RunAbandoned",
    "RunContinued",
    "RunFinished",
    "RunPaused",
    "RunStarted",
    "SoakBegunAgain",
    "SoakEnded",
    "SoakObserved",
    "StepDone",
    "StopAcknowledged",
    "TemperatureRead",
    "ZeroRenewed",
    "event_from_data",
    "event_to_data",
]


class EventUnreadableError(HoldzeroError):
    """Data that should be an event are none of this version."""


_closed = with_config(ConfigDict(extra="forbid", arbitrary_types_allowed=True))


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What every event carries.

    Attributes:
        seq: place in the order of the run, from 1; order is by this number alone.
        wall: wall time with its offset from UTC, ISO 8601.
        time_s: seconds of the run [s], from a counter that never goes back.
    """

    seq: int
    wall: str
    time_s: float


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class RunStarted(Event):
    """A run began; all that it depends on is in here.

    Attributes:
        software: version of holdzero.
        routine: the resolved routine, as plain data.
        routine_digest: its digest.
        routine_file: name of its file, without folders.
        member: of the part family, if there is one.
        operator: who measures; None where that was not recorded.
        serials: of the parts; one None where no serial was given.
        source: where the readings come from.
        simulated: whether they are made up.
        overruled: reason given for each device that was used although it is unfit, by role.
        trials: of the Monte Carlo simulation; None for none.
        seed: of its draws.
        trial: whether the routine is tried out: nothing may be accepted by it.
        text_digest: of the routine as written, for its approval; empty where that is not known.
        aliases: what one of each further unit of readings is worth [um], by its name.
        paced: whether the run's counter goes with the wall clock, so that one tells of a fault of the other.
    """

    software: str
    routine: dict[str, Any]
    routine_digest: str
    routine_file: str
    member: str | None
    operator: str | None
    serials: tuple[str | None, ...]
    source: str
    simulated: bool
    overruled: dict[str, str]
    trials: int | Literal["adaptive"] | None = None
    seed: int = 0
    trial: bool = False
    text_digest: str = ""
    aliases: dict[str, float] = field(default_factory=dict)
    paced: bool = False


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class EntryChosen(Event):
    """The inspector named a device of the register; `entry` is what the register says of it."""

    slot: str
    role: str
    entry: dict[str, Any]
    overruled: str | None


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class BenchKnown(Event):
    """What the book knew of the bench and the part when the comparator was known.

    Attributes:
        book: where it was looked up, without folders or passwords.
        comparator: what the comparator goes by.
        scatter: standard deviation of a single reading pooled over earlier runs [um], its degrees of
            freedom [1] and the number of runs; None where nothing is known.
        standard: whether the check standard was in control, and what is known of it in words; None
            where nothing is.
        earlier: digest, verdict and start of each earlier record of the same parts, newest first.
    """

    book: str
    comparator: str
    scatter: dict[str, float] | None
    standard: dict[str, Any] | None
    earlier: list[dict[str, Any]]


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone(Event):
    """A step that only needs confirming was confirmed."""

    slot: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedAgain(Event):
    """A preparing step that was done before was done once more, out of turn."""

    slot: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerGiven(Event):
    """A question was answered: `raw` as typed, `value` as understood.

    A quantity is kept in the inside unit of its dimension; words are kept as they are.
    """

    slot: str
    raw: str
    value: Number | str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class SoakEnded(Event):
    """The wait was over, or was cut short for the reason given.

    Attributes:
        reason: why it was cut short; None where it was over.
        recorded: whether its time was; where not, it counts as confirmed.
    """

    slot: str
    reason: str | None
    recorded: bool = True


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class SoakBegunAgain(Event):
    """A soak that was over is waited for once more, out of turn."""

    slot: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingTaken(Event):
    """The comparator was read.

    Attributes:
        raw: as typed, or as the line of an instrument was understood.
        value_um: what that is [um].
        line: what the instrument sent, as received; empty where a person typed.
    """

    slot: str
    raw: str
    value_um: Number
    line: str = ""


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureRead(Event):
    """A thermometer was read: `value_degC` is what `raw` says [degC]; fields as in `ReadingTaken`.

    Attributes:
        line: what the instrument sent, or the rows of a logger; empty where a person typed.
        error: what is known of its error, as a routine writes an estimate; empty where it is that of the
            thermometer in use.
    """

    slot: str
    raw: str
    value_degC: Number  # noqa: N815  the unit's own capital
    line: str = ""
    error: dict[str, str] = field(default_factory=dict)


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class SoakObserved(Event):
    """Something was seen while the soak went on; it answers nothing.

    Attributes:
        of: what a thermometer hangs on; empty for the comparator.
        raw: as typed, or as the line of an instrument was understood.
        value: what that is [um, or degC].
    """

    slot: str
    of: str
    raw: str
    value: float


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class LineUnused(Event):
    """An instrument sent a line that answers nothing: it came too early, twice, or can't be understood."""

    line: str
    why: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class LineLost(Event):
    """An instrument can't be heard any more: `of` is the comparator or the thermometers."""

    of: str
    why: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class LineBack(Event):
    """An instrument can be heard again; a comparator may have lost its zero meanwhile."""

    of: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerStruck(Event):
    """An earlier reading or temperature was struck out; it stays on record."""

    target: int
    reason: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroRenewed(Event):
    """The dial was moved: the zero counts no more, and must be taken again.

    Attributes:
        reason: why.
        anew: whether preparing steps and soaks right before its readings are done again with them, and no return to it
            is asked for. Journals of before have it not, and go as they went.
    """

    reason: str
    anew: bool = False


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class NoteAdded(Event):
    """The inspector wrote something down."""

    text: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionAsked(Event):
    """A check asked about what it saw, while something could be done about it; nobody had to answer.

    Attributes:
        code: of the finding.
        text: as it was asked.
        act: what was offered.
        entries: numbers of those that would be struck out.
    """

    code: str
    text: str
    act: Literal["strike", "prepare", "soak", "anew", "look"]
    entries: tuple[int, ...] = ()


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class StopAcknowledged(Event):
    """The inspector saw a finding that stops the run, and went on all the same."""

    code: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class PluginFailed(Event):
    """A plugin raised or returned nonsense while the run went on."""

    plugin: str
    during: str
    message: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class PluginSlow(Event):
    """A plugin took longer over an event than it may; what it gave was taken all the same."""

    plugin: str
    during: str
    took_s: float


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class RunPaused(Event):
    """The inspector paused the run."""


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class RunContinued(Event):
    """The run went on after a pause or a break, a sleep of the machine, or a long time without an answer.

    Attributes:
        away_s: time since somebody was there [s]; None where nobody knows, as the clock was set back.
        source: where readings come from now; None where that is as before.
        simulated: whether they are made up.
        paced: as in `RunStarted`; counts where `source` is given.
        journal: whether the journal was as its mark says when it was opened again; empty where it was not closed, and
            of old, when there was no mark.
        missing: how many entries were there and are not [1].
    """

    away_s: float | None
    source: str | None = None
    simulated: bool = False
    paced: bool = False
    journal: Literal["", "whole", "no mark", "cut", "other"] = ""
    missing: int = 0


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class RunFinished(Event):
    """All was read: from here on the result stands."""

    slot: str


@_closed
@dataclass(frozen=True, slots=True, kw_only=True)
class RunAbandoned(Event):
    """The inspector gave the run up."""

    reason: str


AnyEvent: TypeAlias = (
    RunStarted
    | EntryChosen
    | BenchKnown
    | StepDone
    | PreparedAgain
    | AnswerGiven
    | SoakEnded
    | SoakBegunAgain
    | SoakObserved
    | ReadingTaken
    | TemperatureRead
    | LineUnused
    | LineLost
    | LineBack
    | AnswerStruck
    | ZeroRenewed
    | NoteAdded
    | QuestionAsked
    | StopAcknowledged
    | PluginFailed
    | PluginSlow
    | RunPaused
    | RunContinued
    | RunFinished
    | RunAbandoned
)


def _word(kind: type[Event]) -> str:
    name = kind.__name__
    return name[0].lower() + "".join(f"_{c.lower()}" if c.isupper() else c for c in name[1:])


_KINDS: dict[str, type[Event]] = {_word(kind): kind for kind in get_args(AnyEvent)}
_WORDS: dict[type[Event], str] = {kind: word for word, kind in _KINDS.items()}


@cache
def _adapter(word: str) -> TypeAdapter[Any]:
    return TypeAdapter(_KINDS[word])


def event_to_data(event: Event) -> dict[str, Any]:
    """The event as plain data, its kind under `event`."""
    data = {field.name: getattr(event, field.name) for field in dataclasses.fields(event)}
    if isinstance(event, RunStarted):
        data["serials"] = list(event.serials)
    if isinstance(event, QuestionAsked):
        data["entries"] = list(event.entries)
    if data.get("line") == "" and isinstance(event, ReadingTaken | TemperatureRead):
        del data["line"]  # typed by a person
    if isinstance(event, SoakEnded) and event.recorded:
        del data["recorded"]
    if isinstance(event, RunStarted | RunContinued) and not event.paced:
        del data["paced"]  # so that what was recorded before there was such a thing is as it was
    if isinstance(event, RunContinued) and not event.journal:
        del data["journal"]
    if isinstance(event, RunContinued) and not event.missing:
        del data["missing"]
    if isinstance(event, TemperatureRead) and not event.error:
        del data["error"]
    return {"event": _WORDS[type(event)], **data}


def event_from_data(data: Mapping[str, Any]) -> AnyEvent:
    """The event that `event_to_data` made these data from.

    Raises:
        EventUnreadableError: the data are no event of this version.
    """
    word = str(data.get("event"))
    if word not in _KINDS:
        raise EventUnreadableError(f"{word!r} is no kind of event known here")
    fields = {key: item for key, item in data.items() if key != "event"}
    try:
        event: AnyEvent = _adapter(word).validate_python(fields, strict=False)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise EventUnreadableError(f"{data['event']}: {place}: {first['msg']}") from None
    return event
