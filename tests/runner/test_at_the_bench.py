"""What a session does of itself beside asking: look at the part, ask the book, put on record, stop, see who is away."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.calling import Failure
from holdzero.catalogue import Catalogue
from holdzero.checks import Checks, Slow, Watched
from holdzero.errors import HoldzeroError, SourceError
from holdzero.hooks import Answer, Command, Finding, Level, Prompt, RunView, Source
from holdzero.journal import Journal
from holdzero.register import checked_register
from holdzero.routine.resolve import Text
from holdzero.run import Run
from holdzero.run.commands import Acknowledge
from holdzero.run.state import State
from holdzero.session import Clock, Session
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of
from holdzero.views import Act, Offer

Known = Callable[[State], Mapping[str, Any] | None]
Look = Callable[[RunView, Container[str]], Watched]

BEGAN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
ONE = ({"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"})
KNOWN: dict[str, Any] = {"book": "b", "comparator": "C1", "scatter": None, "standard": None, "earlier": []}
BLOCK = {"size": "5 mm", "deviation": "0 um", "material": "steel", "name": "Block"}
DIAL = {"resolution": "0.1 um", "travel": "50 um"}


class Desk:
    """Face, feed and clocks of a session in one: a person who answers 0 to all, after some time.

    Args:
        folder: for the journal.
        routine: what is measured.
        look: what the checks see each time.
        takes_s: how long the person needs the first time, by the kind of step; else a second [s].
        interactive: whether there is a person.
        keys: of the session.
    """

    def __init__(
        self,
        folder: Path,
        routine: Draft,
        *,
        serials: tuple[str, ...] = ("1",),
        look: Look = lambda _view, _without: Watched(findings=[], failures=[], slow=[]),
        takes_s: Mapping[str, float] | None = None,
        interactive: bool = True,
        **keys: Any,
    ) -> None:
        self.now_s = 0.0
        self.wall_s = 0.0
        self.takes_s = dict(takes_s or {})
        self.shown: list[list[Finding]] = []
        self.stops: list[str] = []
        self.answers = 0
        started = begun(loaded_of(routine, Catalogue()), serials=serials).events[0]
        assert isinstance(started, e.RunStarted)
        self.journal = Journal.create(folder / "run.journal.jsonl")

        class Looking(Checks):
            def watch(
                self, view: RunView, *, counter_s: Callable[[], float] | None = None, without: Container[str] = ()
            ) -> Watched:
                del counter_s
                return look(view, without)

        register = checked_register(
            Text(file="shop.toml", data={"format": 1, "reference": {"B": BLOCK}, "comparator": {"C": DIAL}}, lines={})
        )
        self.session = Session(
            run=Run.of([replace(started, paced=True)]),
            journal=self.journal,
            checks=Looking(),
            source=Source(name="x", title="x", interactive=interactive, keeps_time=False, simulated=False),
            feed=self,
            face=self,
            clock=Clock(self.wall, lambda: self.now_s),
            register=register,
            **{"choices": {"reference": "B", "comparator": "C"}, "overrule": None, "started_at_s": 0.0, **keys},
        )

    def wall(self) -> str:
        return (BEGAN + dt.timedelta(seconds=self.wall_s)).isoformat(timespec="milliseconds")

    def measures(self) -> Run:
        with self.journal:
            return self.session.conduct()

    def events(self, *kinds: type[e.Event]) -> list[Any]:
        return [event for event in self.session.run.events if isinstance(event, kinds)]

    # --- the feed -----------------------------------------------------------------------------

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        del now_s
        self.answers += 1
        assert self.answers < 20, "it never ends"
        span_s = self.takes_s.pop(prompt.slot.kind.value, 1.0)
        self.now_s += span_s
        self.wall_s += span_s
        return Answer("" if prompt.slot.kind.value in ("soak", "compare") else "0")

    def blame(self, reason: str) -> SourceError:
        return SourceError(reason)

    def close(self) -> None:
        """Nothing is held."""

    # --- the face -----------------------------------------------------------------------------

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        del run, prompt
        self.shown.append(list(findings))

    def refused(self, reason: str) -> None:
        assert reason.startswith("Back"), reason

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Nobody looks."""

    def stopped(self, run: Run, finding: Finding) -> Command:
        del run
        self.stops.append(finding.code)
        assert len(self.stops) < 20, "it never ends"
        return Acknowledge(finding.code)

    def paused(self, run: Run) -> None:
        """Goes on at once."""

    def overrule(self, reason: str) -> str | None:
        del reason
        return None


def plain(*steps: dict[str, Any]) -> Draft:
    return Draft().with_steps(*(steps or ONE))


def seen(*findings: Finding, failures: Sequence[Failure] = (), slow: Sequence[Slow] = ()) -> Watched:
    return Watched(findings=list(findings), failures=list(failures), slow=list(slow))


def found(code: str, level: Level = Level.DOUBT, **keys: Any) -> Finding:
    return Finding(level=level, code=code, text=f"about {code}", **keys)


class TestTheBook:
    """What it knows of the bench is asked once, as soon as comparator and reference are known."""

    def asked(self, folder: Path, routine: Draft, known: Known | None = None) -> tuple[Desk, list[State]]:
        states: list[State] = []

        def told(state: State) -> Mapping[str, Any] | None:
            states.append(state)
            return KNOWN if known is None else known(state)

        desk = Desk(folder, routine, known=told)
        desk.measures()
        return desk, states

    def test_is_asked_once_and_before_anything_is_read(self, tmp_path: Path) -> None:
        desk, states = self.asked(tmp_path, plain())
        assert len(states) == 1
        assert isinstance(desk.session.run.events[1], e.BenchKnown)
        assert desk.session.run.state.history is not None

    @pytest.mark.parametrize(
        ("table", "keys"),
        [("reference", {"size": "5 mm"}), ("comparator", {"largest_resolution": "0.1 um"})],
    )
    def test_is_not_asked_before_the_devices_are_chosen(self, tmp_path: Path, table: str, keys: dict[str, str]) -> None:
        routine = plain().without_table(table).with_table(table, **keys)
        desk, states = self.asked(tmp_path, routine)
        assert [(state.reference is not None, state.comparator is not None) for state in states] == [(True, True)]
        assert len(desk.events(e.EntryChosen, e.BenchKnown)) == 2

    def test_is_asked_where_the_zero_is_taken_on_the_part(self, tmp_path: Path) -> None:
        routine = (
            Draft.of(plain().text)
            .without_table("reference")
            .with_table("reference", place="b")
            .without_table("characteristics.thickness")
            .with_characteristic("flat", measure="variation", at=["a", "b"], upper="3 um")
            .with_steps({"do": "zero"}, {"do": "read", "at": "a"}, {"do": "read", "at": "b"}, {"do": "return"})
        )
        _, states = self.asked(tmp_path, routine)
        assert len(states) == 1

    def test_that_knows_nothing_is_not_asked_again(self, tmp_path: Path) -> None:
        desk, states = self.asked(tmp_path, plain(), lambda _: None)
        assert len(states) == 1
        assert desk.events(e.BenchKnown, e.NoteAdded) == []

    def test_that_cannot_be_asked_is_a_note_and_no_more(self, tmp_path: Path) -> None:
        def fails(_: State) -> None:
            raise HoldzeroError("there is no book\nnor a shelf")

        desk, states = self.asked(tmp_path, plain(), fails)
        assert len(states) == 1
        assert [event.text for event in desk.events(e.NoteAdded)] == ["the book could not be asked: there is no book"]

    def test_is_not_asked_again_where_a_run_goes_on(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, plain(), known=lambda _: pytest.fail("asked again"))
        desk.session.take(e.BenchKnown, **KNOWN)
        desk.measures()


class TestTheLook:
    def test_is_at_the_part_that_was_read_last_else_at_the_one_that_comes(self, tmp_path: Path) -> None:
        serials: list[str | None] = []

        def look(view: RunView, _: Container[str]) -> Watched:
            serials.append(view.serial)
            return seen()

        reads = [{"do": "read", "at": "a"}, {"do": "read", "at": "b"}]
        loop = {"do": "repeat", "over": "parts", "steps": reads}
        routine = plain({"do": "zero"}, loop, {"do": "return"}, {"do": "compare"})
        Desk(tmp_path, routine, serials=("7", "8"), look=look).measures()
        # Before the zero, the places a and b of 7, those of 8, the return and the end.
        assert serials == ["7", "7", "7", "7", "8", "8", "7"]

    def test_shows_what_holds(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, plain(), look=lambda *_: seen(found("a/is"), found("a/is_not", holds=False)))
        desk.measures()
        assert {finding.code for findings in desk.shown for finding in findings} == {"a/is"}

    def test_puts_a_check_that_fails_on_record_and_does_without_it(self, tmp_path: Path) -> None:
        def look(_: RunView, without: Container[str]) -> Watched:
            return seen() if "a" in without else seen(failures=[Failure(plugin="a", during="watch", message="broke")])

        desk = Desk(tmp_path, plain(), look=look)
        desk.measures()
        assert [(event.plugin, event.message) for event in desk.events(e.PluginFailed)] == [("a", "broke")]
        # The inspector is told, and not stopped for it: the part is still there.
        assert [[(f.code, f.level) for f in findings] for findings in desk.shown] == [
            [("a/failed", Level.DOUBT)] for _ in desk.shown
        ]
        assert desk.stops == []

    def test_puts_a_check_on_record_once_that_was_slow_twice(self, tmp_path: Path) -> None:
        numbers: list[int] = []

        def look(_: RunView, __: Container[str]) -> Watched:
            numbers.append(len(desk.session.run.events))
            return seen(slow=[Slow(plugin="a", during="watch", took_s=3.0)])

        desk = Desk(tmp_path, plain(), look=look)
        desk.measures()
        assert len(numbers) == 4
        (event,) = desk.events(e.PluginSlow)
        assert (event.plugin, event.took_s, event.seq) == ("a", 3.0, numbers[1] + 1)
        assert [[finding.code for finding in findings] for findings in desk.shown] == [[], *[["a/slow"]] * 3]

    def test_does_not_repeat_what_the_record_says_anyway(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, plain())
        desk.session.take(e.NoteAdded, text="the fire alarm")
        desk.measures()
        assert desk.shown == [[], [], [], []]


class TestAQuestion:
    def test_stands_on_record_once_with_what_was_offered(self, tmp_path: Path) -> None:
        again = Offer(act=Act.PREPARE)
        said = seen(
            found("a/offers", offer=again),
            found("a/offers", offer=again),
            found("a/says"),
            found("a/stops", Level.STOP, offer=again),
            found("a/notes", Level.NOTE, offer=again),
        )
        desk = Desk(tmp_path, plain(), look=lambda *_: said)
        desk.measures()
        asked = [(event.code, event.act) for event in desk.events(e.QuestionAsked)]
        assert asked == [("a/offers", "prepare"), ("a/notes", "prepare")]


class TestAStop:
    SAID = (found("a/doubt"), found("a/stop", Level.STOP), found("b/stop", Level.STOP))

    def test_is_asked_about_until_it_is_answered(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, plain(), look=lambda *_: seen(*self.SAID))
        desk.measures()
        assert desk.stops == ["a/stop", "b/stop"]

    def test_asks_nobody_where_nobody_is(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, plain(), look=lambda *_: seen(*self.SAID), interactive=False)
        desk.measures()
        assert desk.stops == []


HOUR = 3600.0


class TestWhoAnswersLate:
    """Where both clocks go on, only a zero that is in force can be left alone."""

    @pytest.mark.parametrize(
        ("takes_s", "longest", "breaks"),
        [
            ({"read": HOUR}, "30 min", 1),
            ({"read": 60.0}, "30 min", 0),
            # Before the zero nothing can move.
            ({"zero": HOUR}, "30 min", 0),
            # Whoever lays a part is busy for five minutes, however impatient the routine.
            ({"read": 240.0}, "1 min", 0),
            ({"read": 360.0}, "1 min", 1),
            # A soak is to be waited for.
            ({"soak": HOUR}, "30 min", 0),
        ],
    )
    def test_was_away(self, tmp_path: Path, takes_s: dict[str, float], longest: str, breaks: int) -> None:
        zero, *rest = ONE
        routine = plain(zero, {"do": "soak", "at_least": "50 min"}, *rest).with_table(
            "bracket", longest_absence=longest
        )
        desk = Desk(tmp_path, routine, takes_s={"soak": 3000.0, **takes_s})
        desk.measures()
        assert len(desk.events(e.RunContinued)) == breaks


class TestClocksThatPart:
    @pytest.mark.parametrize(
        ("counter_s", "wall_s", "parted"),
        [(60.0, 60.0, False), (60.0, 49.0, True), (49.0, 60.0, True), (60.0, 51.0, False)],
    )
    def test_since_the_last_event_are_seen(self, tmp_path: Path, counter_s: float, wall_s: float, parted: bool) -> None:
        desk = Desk(tmp_path, plain())
        with desk.journal:
            desk.now_s = desk.wall_s = 100.0
            desk.session.take(e.NoteAdded, text="begun")
            desk.now_s, desk.wall_s = 100.0 + counter_s, 100.0 + wall_s
            assert desk.session.parted() is parted

    def test_in_a_pause_and_where_the_wall_is_none_of_the_run_s_are_nothing(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, plain())
        with desk.journal:
            desk.now_s = HOUR
            assert desk.session.parted() is True
            desk.session.run = Run(state=replace(desk.session.run.state, paced=False))
            assert desk.session.parted() is False
            desk.session.run = Run(state=replace(desk.session.run.state, paced=True))
            desk.session.take(e.RunPaused)
            desk.now_s = 3 * HOUR
            assert desk.session.parted() is False
