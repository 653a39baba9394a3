"""Laws of the journal: what is written is what is read, any beginning is a run, a refused event leaves no trace."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from types import UnionType
from typing import Any, Literal, TypeAlias, Union, cast, get_args, get_origin, get_type_hints

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from holdzero import events as e
from holdzero.checks import Checks
from holdzero.errors import EventRefusedError, JournalError
from holdzero.events import AnyEvent, event_from_data, event_to_data
from holdzero.hooks import Asks, Prompt, Source
from holdzero.journal import Journal, chain_of, read_journal
from holdzero.register import Register
from holdzero.routine.load import LoadedRoutine, load_routine
from holdzero.run import Run
from holdzero.run.plan import SlotKind
from holdzero.run.state import Phase
from holdzero.session import Clock, Session

WALL = "2026-01-05T08:00:00.000+01:00"
SOME = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])

# A text that a file in UTF-8 can hold.
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
numbers = st.floats(allow_nan=False, allow_infinity=False)
# whole numbers that JSON keeps exactly: RFC 7493 (I-JSON), 2.2
scalars = st.none() | st.booleans() | st.integers(1 - 2**53, 2**53 - 1) | numbers | texts
tables = st.dictionaries(
    texts, st.recursive(scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3))
)
reasons = st.none() | texts

counts = st.integers(1, 2**40)
OF_TYPE: dict[Any, st.SearchStrategy[Any]] = {
    str: texts,
    bool: st.booleans(),
    int: counts,
    float: numbers,
    type(None): st.none(),
    Any: scalars,
    dict[str, Any]: tables,
}


def of_type(kind: Any) -> st.SearchStrategy[Any]:
    """Anything that a field of this type may hold; so that an event of tomorrow is covered too."""
    if kind in OF_TYPE:
        return OF_TYPE[kind]
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        # An array is for rehearsals, which have no journal; its alias is a type of its own in newer numpy.
        return st.one_of([of_type(one) for one in inner if get_origin(one) not in (np.ndarray, NDArray)])
    if origin is Literal:
        return st.sampled_from(inner)
    if origin is list:
        return st.lists(of_type(inner[0]), max_size=3)
    if origin is tuple:
        return st.lists(of_type(inner[0]), max_size=3).map(tuple)
    if origin is dict:
        return st.dictionaries(of_type(inner[0]), of_type(inner[1]), max_size=3)
    raise TypeError(f"say in these laws what a {kind} may be")


KINDS: tuple[type[e.Event], ...] = get_args(AnyEvent)


def of_kind(kind: type[e.Event]) -> st.SearchStrategy[AnyEvent]:
    """Any event of a kind, each field anything that it may hold."""
    hints = get_type_hints(kind)
    fields = {field.name: of_type(hints[field.name]) for field in dataclasses.fields(kind)}
    return cast("st.SearchStrategy[AnyEvent]", st.builds(kind, **fields))


def is_needed(field: dataclasses.Field[Any]) -> bool:
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING


any_event = st.one_of([of_kind(kind) for kind in KINDS])


class TestOneEvent:
    @pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
    def test_the_round_trip_through_json_is_the_identity(self, kind: type[e.Event]) -> None:
        @SOME
        @given(of_kind(kind))
        def law(event: AnyEvent) -> None:
            data = json.loads(json.dumps(event_to_data(event), allow_nan=False))
            assert event_from_data(data) == event

        law()

    @pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
    def test_a_key_too_many_or_too_few_is_refused(self, kind: type[e.Event]) -> None:
        @settings(SOME, max_examples=10)
        @given(of_kind(kind), st.data())
        def law(event: AnyEvent, data: st.DataObject) -> None:
            whole = event_to_data(event)
            with pytest.raises(e.EventUnreadableError):
                event_from_data({**whole, "extra": 1})
            needed = [field.name for field in dataclasses.fields(kind) if is_needed(field)]
            missing = data.draw(st.sampled_from(needed))
            with pytest.raises(e.EventUnreadableError):
                event_from_data({key: item for key, item in whole.items() if key != missing})

        law()


class TestAnyEvents:
    @SOME
    @given(events=st.lists(any_event, min_size=1, max_size=8))
    def test_what_is_written_is_what_is_read(
        self, tmp_path_factory: pytest.TempPathFactory, events: list[AnyEvent]
    ) -> None:
        path = written(tmp_path_factory, events)
        text = read_journal(path)
        assert text.events == tuple(events)
        assert text.chain == chain_of(tuple(events))
        assert not text.torn
        assert text.length == path.stat().st_size

    @SOME
    @given(events=st.lists(any_event, min_size=1, max_size=6), data=st.data())
    def test_cut_anywhere_whole_lines_are_read_and_nothing_else(
        self, tmp_path_factory: pytest.TempPathFactory, events: list[AnyEvent], data: st.DataObject
    ) -> None:
        path = written(tmp_path_factory, events)
        raw = path.read_bytes()
        end = data.draw(st.integers(0, len(raw)))
        path.write_bytes(raw[:end])
        whole = raw[: end + 1].count(b"\n") if raw[end : end + 1] == b"\n" else raw[:end].count(b"\n")
        if whole == 0:
            with pytest.raises(JournalError, match="it holds no event"):
                read_journal(path)
            return
        assert read_journal(path).events == tuple(events[:whole])

    @SOME
    @given(events=st.lists(any_event, min_size=2, max_size=6), data=st.data())
    def test_one_flipped_bit_never_goes_unseen(
        self, tmp_path_factory: pytest.TempPathFactory, events: list[AnyEvent], data: st.DataObject
    ) -> None:
        path = written(tmp_path_factory, events)
        raw = bytearray(path.read_bytes())
        place = data.draw(st.integers(0, len(raw) - 1))
        raw[place] ^= 1 << data.draw(st.integers(0, 7))
        path.write_bytes(bytes(raw))
        line = bytes(raw[:place]).count(b"\n") + 1
        try:
            read = read_journal(path)
        except JournalError as error:
            named = str(error.path).removeprefix(str(path)).lstrip(":")
            assert named in ("", str(line), str(line + 1))
        else:
            # The end of the last line was hit: it looks torn. Or the same event is written in another way.
            assert read.events in (tuple(events), tuple(events[:-1]))

    @SOME
    @given(first=st.lists(any_event, min_size=1, max_size=4), second=st.lists(any_event, max_size=4))
    def test_closed_and_opened_again_it_goes_on(
        self, tmp_path_factory: pytest.TempPathFactory, first: list[AnyEvent], second: list[AnyEvent]
    ) -> None:
        path = written(tmp_path_factory, first)
        journal, text = Journal.reopen(path)
        with journal:
            for event in second:
                journal.append(event)
        assert text.events == tuple(first)
        assert read_journal(path).events == (*first, *second)


def written(factory: pytest.TempPathFactory, events: list[AnyEvent]) -> Path:
    path = factory.mktemp("journal") / "x.journal.jsonl"
    with Journal.create(path) as journal:
        for event in events:
            journal.append(event)
    return path


# --- runs ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ring(routines: Path) -> LoadedRoutine:
    return load_routine(routines / "spacer-ring.toml", None)


def started(loaded: LoadedRoutine) -> e.RunStarted:
    return e.RunStarted(
        seq=1,
        wall=WALL,
        time_s=0.0,
        software="0",
        routine=loaded.document,
        routine_digest=loaded.digest,
        routine_file="spacer-ring.toml",
        member=None,
        operator=None,
        serials=(None,),
        source="keyboard",
        simulated=False,
        overruled={},
    )


Deed: TypeAlias = tuple[type[e.Event], dict[str, Any]]


def answered(draw: st.DrawFn, prompt: Prompt) -> Deed:
    slot = prompt.slot.id
    if prompt.asks is Asks.READING:
        return e.ReadingTaken, {"slot": slot, "raw": "x", "value_um": draw(st.floats(-50.0, 50.0))}
    if prompt.asks is Asks.TEMPERATURE:
        error = draw(st.sampled_from(({}, {"halfwidth": "0.1 K"}, {"standard": "0.05 K"})))
        return e.TemperatureRead, {"slot": slot, "raw": "x", "value_degC": draw(st.floats(15.0, 25.0)), "error": error}
    if prompt.asks is Asks.WAIT:
        return e.SoakEnded, {"slot": slot, "reason": "short of time"}
    return (e.RunFinished if prompt.slot.kind is SlotKind.COMPARE else e.StepDone), {"slot": slot}


@st.composite
def runs(draw: st.DrawFn, loaded: LoadedRoutine) -> tuple[AnyEvent, ...]:
    """A run as it may go at a bench: mostly answers, and now and then anything else that fits."""
    run = Run().take(started(loaded))
    for _ in range(draw(st.integers(0, 40))):
        if run.state.phase not in (Phase.RUNNING, Phase.PAUSED):
            break
        kind, fields = draw_deed(draw, run)
        gap = draw(st.sampled_from([0.0, 1.0, 10.0]))
        event: Any = kind(seq=run.state.seq + 1, wall=WALL, time_s=run.state.now_s + gap, **fields)
        try:
            run = run.take(event)
        except EventRefusedError:
            continue
    return tuple(run.events)


def draw_deed(draw: st.DrawFn, run: Run) -> Deed:
    prompt = run.prompt
    if prompt is None:
        return e.RunContinued, {"away_s": draw(st.sampled_from([1.0, 4000.0]))}
    others: list[Deed] = [
        (e.AnswerStruck, {"target": draw(st.integers(1, run.state.seq)), "reason": "mistyped"}),
        (e.ZeroRenewed, {"reason": "bumped"}),
        (e.NoteAdded, {"text": draw(texts)}),
        (e.RunPaused, {}),
        (e.RunContinued, {"away_s": draw(st.sampled_from([0.0, 4000.0])), "source": "keyboard"}),
        (e.PluginFailed, {"plugin": "house", "during": "watch", "message": "m"}),
        (e.StopAcknowledged, {"code": "c"}),
        (e.QuestionAsked, {"code": f"c/{run.state.seq}", "text": "dirt?", "act": "strike", "entries": (1,)}),
    ]
    if draw(st.integers(0, 4)):
        return answered(draw, prompt)
    deed: Deed = draw(st.sampled_from(others))
    return deed


class TestRuns:
    def test_any_prefix_of_lines_is_a_valid_run_and_replay_equals_live(
        self, ring: LoadedRoutine, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        @settings(SOME, max_examples=30)
        @given(runs(ring))
        def law(events: tuple[AnyEvent, ...]) -> None:
            path = written(tmp_path_factory, list(events))
            lines = path.read_bytes().splitlines(keepends=True)
            live = Run()
            for count, event in enumerate(events, 1):
                live = live.take(event)
                path.write_bytes(b"".join(lines[:count]))
                read = read_journal(path).events
                assert read == events[:count]
                # A prefix of the fold is checked on the way; the whole is folded anew at each tenth.
                if count % 10 == 0 or count == len(events):
                    assert Run.of(read) == live

        law()

    def test_an_event_that_the_fold_refuses_leaves_run_and_journal_as_they_were(
        self, ring: LoadedRoutine, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        refused: list[bool] = []

        @settings(SOME, max_examples=40)
        @given(events=runs(ring), other=any_event)
        def law(events: tuple[AnyEvent, ...], other: AnyEvent) -> None:
            path = written(tmp_path_factory, list(events))
            before = path.read_bytes()
            journal, text = Journal.reopen(path)
            with journal:
                run = Run.of(text.events)
                session = session_of(run, journal)
                fields = {
                    name: getattr(other, name)
                    for name in other.__dataclass_fields__
                    if name not in ("seq", "wall", "time_s")
                }
                state = run.state
                try:
                    session.take(type(other), **fields)
                except EventRefusedError:
                    refused.append(True)
                    assert session.run is run
                    assert session.run.state is state
                    assert path.read_bytes() == before
                else:
                    assert path.read_bytes().startswith(before)
                    assert read_journal(path).events == session.run.events

        law()
        assert refused

    def test_an_event_that_is_not_on_disk_did_not_happen(
        self, ring: LoadedRoutine, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        path = written(tmp_path_factory, [started(ring)])
        journal, text = Journal.reopen(path)
        run = Run.of(text.events)
        session = session_of(run, journal)
        journal.close()
        with pytest.raises(ValueError, match="closed file"):
            session.take(e.NoteAdded, text="lost")
        assert session.run is run


def session_of(run: Run, journal: Journal) -> Session:
    """A session of which only `take` is used: nobody looks, and no clock goes."""
    nobody = cast("Any", None)
    source = Source(name="none", title="", open=nobody, interactive=False, keeps_time=True, simulated=False)
    return Session(
        run=run,
        journal=journal,
        checks=Checks(),
        source=source,
        feed=nobody,
        face=nobody,
        clock=Clock(lambda: WALL, lambda: 0.0),
        register=Register(),
        choices={},
        overrule=None,
        started_at_s=0.0,
    )
