"""Recompute a record: fold its events again, evaluate again, compare every number."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Any

from holdzero.amendment import (
    Amendment,
    AmendmentError,
    amendment_of,
    as_measured,
    corrected,
    goes_by,
    with_devices,
)
from holdzero.calling import Failure
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.difference import differences as differences_of
from holdzero.errors import AnswerRefusedError, EventRefusedError, HoldzeroError, RecordError
from holdzero.evaluate import evaluate
from holdzero.events import (
    AnswerGiven,
    AnyEvent,
    ReadingTaken,
    RunStarted,
    SoakEnded,
    SoakObserved,
    TemperatureRead,
    event_from_data,
)
from holdzero.model_version import MODEL_VERSION
from holdzero.record import computed_of, digest_of_record
from holdzero.routine.schema import Measure, walk
from holdzero.run import Run
from holdzero.run.answer import TakenReading, TakenTemperature, Told, Understood, seen_value, understand
from holdzero.run.fold import take

__all__ = ["Outcome", "Recomputed", "recompute", "recomputed_as", "verify"]


class Outcome(Enum):
    """What came of recomputing a record."""

    IDENTICAL = "recomputes identically"
    DIFFERS = "DIFFERS"
    OTHER_MODEL = "made by another version of the model: neither confirmed nor refuted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """A record and what its events give here.

    Attributes:
        outcome: whether they are the same.
        differences: what is not, in words.
        results: `results` of the record as they are computed here; empty where they can't be.
        verdict: as it is computed here; None where it can't be.
        left_out: what had no say here and had one in the record, in words.
    """

    outcome: Outcome
    differences: tuple[str, ...]
    results: Mapping[str, Any] = field(default_factory=dict)
    verdict: str | None = None
    left_out: tuple[str, ...] = ()


def verify(record: Mapping[str, Any], catalogue: Catalogue) -> list[str]:
    """Refold, re-evaluate and compare; what differs, in words. An empty list: it recomputes identically."""
    return list(recompute(record, catalogue).differences)


def recompute(record: Mapping[str, Any], catalogue: Catalogue, *, built_in: bool = False) -> Recomputed:
    """Refold, re-evaluate and compare.

    Args:
        record: as it was read.
        catalogue: what is loaded.
        built_in: whether checks that are not loaded are left out, in place of stopping the result: of a catalogue
            of built-in plugins alone, so that it shows what these make of the events.

    A record of another version of the model may differ in what the model makes of its events: results, findings and
    verdict. That is neither confirmed nor refuted. Its digest and all else must hold all the same, so that nobody
    gains by naming an older model.
    """
    model = record.get("model", _BEFORE_IT_WAS_NAMED)
    other = model != MODEL_VERSION and type(model) is int and model >= 1
    try:
        amendment = amendment_of(record)
        computed, misread = recomputed_as(record, amendment, catalogue, other=other, built_in=built_in)
        left_out = tuple(_left_out(record, catalogue, other=other)) if built_in else ()
    except AmendmentError as error:
        return _broken(record, str(error))
    except HoldzeroError as error:
        return _broken(record, f"events: {error}")
    except (KeyError, TypeError, AttributeError, IndexError, ValueError) as error:
        return _broken(record, f"structure: the record is not whole ({type(error).__name__}: {error})")
    again = json.loads(json.dumps({**computed, "model": model} if other else computed))
    differences = [*_of_the_digest(record), *misread]
    differences += differences_of(again, {key: record.get(key) for key in computed} | {"model": model})
    made_by_the_model = all(difference.startswith(_BY_THE_MODEL) for difference in differences)
    outcome = Outcome.DIFFERS if differences else Outcome.IDENTICAL
    if other and differences and made_by_the_model:
        outcome = Outcome.OTHER_MODEL
    return Recomputed(
        outcome=outcome,
        differences=tuple(differences),
        results=again["results"],
        verdict=again["verdict"],
        left_out=left_out,
    )


_BEFORE_IT_WAS_NAMED = 1
"""Version of the model of a record that names none: records did not before the second."""

# What the measurement model makes of the events, by the beginnings of its differences.
_BY_THE_MODEL = ("results", "findings", "verdict", "not_recorded")


def _broken(record: Mapping[str, Any], why: str) -> Recomputed:
    return Recomputed(outcome=Outcome.DIFFERS, differences=(*_of_the_digest(record), why))


def _of_the_digest(record: Mapping[str, Any]) -> Iterator[str]:
    if _safely_digested(record) != record["digest"]:
        yield "digest: the record was changed after it was made"


def recomputed_as(
    record: Mapping[str, Any],
    amendment: Amendment | None,
    catalogue: Catalogue,
    *,
    other: bool = False,
    built_in: bool = False,
) -> tuple[dict[str, Any], list[str]]:
    """All that follows from the events of a record with an amendment, whatever the record says of itself.

    Args:
        record: as plain data.
        amendment: of it; None for none.
        catalogue: of plugins.
        other: whether another version of the model made it.
        built_in: whether checks that are not loaded are left out, in place of stopping the result.

    Returns:
        What a record has, but for events, software and digest; and the events that do not say what their raw text does,
        to the device that was named or to the one that was there.

    Raises:
        AmendmentError: the events say otherwise than the amendment claims, or don't fit the device that was there.
        HoldzeroError: the events make no run.
    """
    events, serial = _read_events(record), as_measured(record, "serial")
    computed, misread = _computed_of(events, serial, catalogue, other=other, built_in=built_in)
    if amendment is None:
        return computed, misread
    if amendment.devices:
        for role in amendment.devices:
            named = {key: item for key, item in computed["register"].get(role, {}).items() if key != "overruled"}
            if named != amendment.corrected[role][0]:
                raise AmendmentError(f"amends: {role} was {goes_by(named)} by the events")
        try:
            again, unlike = _computed_of(
                with_devices(events, amendment), serial, catalogue, other=other, built_in=built_in
            )
        except EventRefusedError as error:
            raise AmendmentError(f"amends: with that device it could not have happened so: {error}") from None
        # The routine is the one that was followed, and the run the one that happened.
        run = {**again["run"], "journal_sha256": computed["run"]["journal_sha256"]}
        computed = {**again, "routine": computed["routine"], "run": run}
        misread = [*misread, *unlike]
    return corrected(computed, amendment), misread


def _computed_of(
    events: tuple[AnyEvent, ...], serial: str | None, catalogue: Catalogue, *, other: bool, built_in: bool
) -> tuple[dict[str, Any], list[str]]:
    run, misread = _refolded(events, other=other)
    started = events[0]
    if not isinstance(started, RunStarted) or serial not in started.serials or run.state.routine is None:
        raise RecordError("the first event does not start a run of this part")
    checks, _ = bind(run.state.routine, catalogue)
    if built_in:
        checks = replace(checks, missing=tuple(failure for failure in checks.missing if not _is_a_check(failure)))
    return computed_of(run, started, evaluate(run.state, serial, checks)), misread


def _is_a_check(failure: Failure) -> bool:
    return failure.what == "check" and failure.during == "loading"


def _left_out(record: Mapping[str, Any], catalogue: Catalogue, *, other: bool) -> Iterator[str]:
    """What of a record only plugins that do not come with the tool can compute, or made."""
    run, _ = _refolded(_read_events(record), other=other)
    if run.state.routine is None:
        return
    checks, _ = bind(run.state.routine, catalogue)
    for failure in checks.missing:
        rest = "its terms, findings and vetoes" if _is_a_check(failure) else "nothing is decided without it"
        yield f"the {failure.what} {failure.plugin}: {rest}"
    routine = run.state.routine
    for name, spec in routine.characteristics.items():
        if not isinstance(spec.measure, Measure) and spec.measure not in catalogue.contrasts:
            yield f"the measure {spec.measure}: {name} has no number without it"
    kinds = {step.kind for step in walk(routine.steps) if step.kind and step.kind not in catalogue.steps}
    yield from (f"the kind of step {kind}: its steps are taken as the record has them" for kind in sorted(kinds))
    named = {one.partition(":")[0] for source in run.state.sources for one in source.split(" + ")}
    others = sorted(named - set(catalogue.sources) - {"keyboard", "virtual", "practice"})
    yield from (f"the source {name}: its readings are taken as the record has them" for name in others)


def _safely_digested(record: Mapping[str, Any]) -> str:
    try:
        return digest_of_record(record)
    except (ValueError, TypeError):
        return ""


def _read_events(record: Mapping[str, Any]) -> tuple[AnyEvent, ...]:
    data = [dict(item) for item in record["events"]]
    data[0]["routine"] = record["routine"]["document"]
    return tuple(event_from_data(item) for item in data)


def _refolded(events: tuple[AnyEvent, ...], *, other: bool) -> tuple[Run, list[str]]:
    """The run of these events, and the readings and answers whose value is not what their raw text says.

    When what is watched may end a soak is the model's to say: by another version, a soak that would not end here
    counts as ended with a reason.
    """
    run = Run()
    misread: list[str] = []
    for event in events:
        if isinstance(event, ReadingTaken | TemperatureRead | AnswerGiven):
            misread.extend(_misread(run, event))
        elif isinstance(event, SoakObserved):
            misread.extend(_misseen(run, event))
        try:
            run = run.take(event)
        except EventRefusedError:
            if not other or not isinstance(event, SoakEnded) or event.reason is not None:
                raise
            by_reason = take(run.state, replace(event, reason=_BY_ANOTHER_VERSION))
            run = Run(events=(*run.events, event), state=by_reason)
    return run, misread


_BY_ANOTHER_VERSION = "another version of the model took it to be at rest"


def _misread(run: Run, event: ReadingTaken | TemperatureRead | AnswerGiven) -> Iterator[str]:
    """Whether the value of an event is what its raw text says to the prompt of then."""
    if (prompt := run.prompt) is None:
        return
    try:
        said = understand(event.raw, prompt, run.state.comparator, event.time_s)
    except AnswerRefusedError as error:
        yield f"events[{event.seq}]: {error}"
        return
    value, meant = _value_of(event), _meant(said)
    if meant != value:
        yield f"events[{event.seq}]: {event.raw!r} means {meant}, the record says {value}"


def _misseen(run: Run, event: SoakObserved) -> Iterator[str]:
    """The same of what was seen during a soak."""
    try:
        meant = seen_value(event.raw, event.of, run.state.comparator, run.state.aliases)
    except AnswerRefusedError as error:
        yield f"events[{event.seq}]: {error}"
        return
    if meant != event.value:
        yield f"events[{event.seq}]: {event.raw!r} means {meant}, the record says {event.value}"


def _value_of(event: ReadingTaken | TemperatureRead | AnswerGiven) -> object:
    match event:
        case ReadingTaken():
            return event.value_um
        case TemperatureRead():
            return event.value_degC
        case AnswerGiven():
            return event.value


def _meant(said: Understood) -> object:
    match said:
        case TakenReading(value) | TakenTemperature(value):
            return value
        case Told(told):
            return told
        case _:
            return None
