"""Nobody at the bench, however it came: a pause, a kill, a sleeping machine, a clock that was set, an open prompt."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import Checks
from holdzero.errors import EventRefusedError, SourceExhaustedError
from holdzero.events import event_from_data, event_to_data
from holdzero.hooks import Answer, Asks, Command, Finding, Level, Prompt, Source
from holdzero.journal import Journal
from holdzero.live import Meanwhile
from holdzero.live.listening import Listening
from holdzero.oversight import run_findings
from holdzero.register import Register
from holdzero.run import Run
from holdzero.run.commands import Acknowledge, AddNote, Pause
from holdzero.run.state import State
from holdzero.session import Clock, Session
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of
from holdzero.verify import verify

HOUR = 3600.0
PERSON = Source(name="keyboard", title="a person", interactive=True, keeps_time=False, simulated=False)
BRACKET = ({"do": "zero"}, {"do": "read", "at": "a"}, {"do": "read", "at": "b"}, {"do": "return"}, {"do": "compare"})
VALUES = {"Zero on the reference": "0", "Read place a": "1", "Read place b": "1", "Return to the reference": "0.1"}


def draft(*steps: dict[str, Any]) -> Draft:
    return Draft().with_characteristic("thickness", at=["a", "b"]).with_steps(*(steps or BRACKET))


class Clocks:
    """A counter and a wall clock [s], each of which can be at fault."""

    def __init__(self, began: str = "2026-03-02T08:00:00+00:00") -> None:
        self.began = dt.datetime.fromisoformat(began)
        self.counter_s = 0.0
        self.wall_s = 0.0

    def wall(self) -> str:
        return (self.began + dt.timedelta(seconds=self.wall_s)).isoformat(timespec="milliseconds")

    def goes_by(self, span_s: float) -> None:
        """Time goes by as it should."""
        self.counter_s += span_s
        self.wall_s += span_s

    def sleeps(self, span_s: float) -> None:
        """The machine sleeps: its counter stands."""
        self.wall_s += span_s

    def leaps(self, span_s: float) -> None:
        """The counter leaps; the wall clock does not."""
        self.counter_s += span_s

    def is_set_back(self, span_s: float) -> None:
        """Somebody sets the wall clock."""
        self.wall_s -= span_s


Happening: TypeAlias = Callable[[Clocks], None]


class Person:
    """A person at a session with clocks of our own; at one prompt something happens, once.

    Args:
        folder: for the journal.
        routine: what is measured.
        at: title of the prompt.
        happens: what becomes of the clocks while it is shown.
        wants: what is wanted there before, in place of an answer.
        clocks: of the machine.
    """

    def __init__(
        self,
        folder: Path,
        routine: Draft,
        *,
        at: str = "Read place b",
        happens: Happening = lambda _: None,
        wants: Command | None = None,
        clocks: Clocks | None = None,
    ) -> None:
        self.clocks = clocks or Clocks()
        self.at, self.happens, self.wants = at, happens, wants
        self.prompts: list[str] = []
        self.refusals: list[str] = []
        self._done = False
        listening = Listening(self.ask, lambda: self.clocks.counter_s)
        first = begun(loaded_of(routine, Catalogue()), simulated=False).events[0]
        assert isinstance(first, e.RunStarted)
        run = Run.of([replace(first, wall=self.clocks.wall(), paced=True)])
        self.journal = Journal.create(folder / "run.journal.jsonl")
        self.journal.append(run.events[0])
        self.session = Session(
            run=run,
            journal=self.journal,
            checks=Checks(),
            source=PERSON,
            feed=listening,
            face=self,
            clock=Clock(self.clocks.wall, lambda: self.clocks.counter_s),
            register=Register(),
            choices={},
            overrule=None,
            started_at_s=0.0,
        )
        listening.bind(self.session)

    def measures(self) -> Run:
        with self.journal:
            run = self.session.conduct()
        assert Run.of(run.events).state == run.state  # whoever folds the events again finds the same
        return run

    def ask(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        for _ in range(20_000):
            came = meanwhile.look(prompt)
            if came is not None:
                return came
            if prompt.title == self.at and not self._done:
                self._done = True
                if self.wants is None:
                    self.happens(self.clocks)
                    continue
                return self.wants
            self.clocks.goes_by(5.0)
            if prompt.asks is not Asks.WAIT:
                return Answer(VALUES.get(prompt.title, ""))
        raise AssertionError(f"nothing ever answers {prompt.title}")

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        del run, findings
        self.prompts.append(prompt.title)

    def refused(self, reason: str) -> None:
        self.refusals.append(reason)
        assert len(self.refusals) < 20, reason

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Nobody looks."""

    def stopped(self, run: Run, finding: Finding) -> Command:
        del run
        return Acknowledge(finding.code)

    def paused(self, run: Run) -> None:
        del run
        self.happens(self.clocks)

    def overrule(self, reason: str) -> str | None:
        del reason
        return None


def told(state: State) -> list[Finding]:
    return [finding for finding in run_findings(state) if finding.code == "run/absence"]


def kinds(run: Run) -> list[str]:
    return [type(event).__name__ for event in run.events]


CAUSES: list[Any] = [
    pytest.param(Pause(), lambda clocks: clocks.goes_by(2 * HOUR), 2 * HOUR, id="a pause"),
    pytest.param(None, lambda clocks: clocks.goes_by(10 * HOUR), 10 * HOUR, id="an open prompt"),
    pytest.param(None, lambda clocks: clocks.sleeps(9 * HOUR), 9 * HOUR, id="a machine that slept"),
    pytest.param(Pause(), lambda clocks: clocks.sleeps(9 * HOUR), 9 * HOUR, id="a machine that slept in a pause"),
    pytest.param(None, lambda clocks: clocks.leaps(3 * HOUR), 3 * HOUR, id="a counter that leapt"),
    pytest.param(None, lambda clocks: clocks.is_set_back(HOUR), None, id="a clock that was set back"),
    pytest.param(Pause(), lambda clocks: clocks.is_set_back(60.0), None, id="a clock that was set back in a pause"),
]


class TestAnAbsence:
    @pytest.mark.parametrize(("wants", "happens", "length_s"), CAUSES)
    def test_whatever_its_cause_closes_the_old_zero_asks_for_a_fresh_one_and_is_a_doubt(
        self, tmp_path: Path, wants: Command | None, happens: Happening, length_s: float | None
    ) -> None:
        person = Person(tmp_path, draft(), happens=happens, wants=wants)
        run = person.measures()
        assert kinds(run).count("RunContinued") == 1
        asked = [title for title, before in zip(person.prompts, ["", *person.prompts], strict=False) if title != before]
        after = asked[asked.index("Read place b") :]
        assert after == [
            *("Read place b", "Return to the reference", "Zero on the reference"),
            *("Read place b", "Return to the reference", "Compare"),
        ]
        (absence,) = run.state.absences
        assert absence.length_s == (None if length_s is None else pytest.approx(length_s, abs=10.0))
        (finding,) = told(run.state)
        assert finding.level is Level.DOUBT
        assert ("is not known" in finding.text) is (length_s is None)
        zeros = {reading.slot.place: reading.zero for reading in run.state.live if reading.slot.place}
        assert zeros == {"a": 1, "b": 2}

    def test_at_an_open_prompt_says_why_the_answer_is_not_taken(self, tmp_path: Path) -> None:
        person = Person(tmp_path, draft(), happens=lambda clocks: clocks.goes_by(10 * HOUR))
        person.measures()
        (reason,) = person.refusals
        assert reason.startswith("Back after 10:00:05 ")
        assert "longer than 30:00: the reference once more, then a fresh zero" in reason

    def test_ends_with_whatever_is_done_first(self, tmp_path: Path) -> None:
        """A note is written down all the same, and the bench is left alone before it."""
        person = Person(tmp_path, draft())
        asked = person.ask

        def ask(prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
            if prompt.title == "Read place b" and "NoteAdded" not in kinds(person.session.run):
                person.clocks.goes_by(HOUR)
                return AddNote("the fire alarm")
            return asked(prompt, meanwhile)

        person.session.feed = Listening(ask, lambda: person.clocks.counter_s)
        person.session.feed.bind(person.session)
        run = person.measures()
        names = kinds(run)
        assert names[names.index("NoteAdded") - 1] == "RunContinued"
        assert len(told(run.state)) == 1

    @pytest.mark.parametrize(
        ("happens", "noticed"),
        [
            pytest.param(lambda clocks: clocks.goes_by(29 * 60.0), 0, id="somebody thinks"),
            pytest.param(lambda clocks: clocks.sleeps(20 * 60.0), 1, id="the machine sleeps for a while"),
            pytest.param(lambda clocks: clocks.sleeps(8.0), 0, id="a time server puts the clock right"),
            pytest.param(lambda clocks: clocks.is_set_back(8.0), 0, id="and back"),
        ],
    )
    def test_is_none_that_is_shorter_than_the_routine_allows(
        self, tmp_path: Path, happens: Happening, noticed: int
    ) -> None:
        run = Person(tmp_path, draft(), happens=happens).measures()
        assert kinds(run).count("RunContinued") == noticed
        assert run.state.absences == ()
        assert len(run.state.live) == 4

    def test_over_which_no_bracket_was_open_is_no_doubt(self, tmp_path: Path) -> None:
        steps = ({"do": "prepare", "say": "Wipe."}, *BRACKET)
        run = Person(tmp_path, draft(*steps), at="Prepare", happens=lambda clocks: clocks.goes_by(HOUR)).measures()
        assert len(run.state.absences) == 1
        assert told(run.state) == []
        assert len(run.state.live) == 4

    def test_is_measured_by_the_routine_s_own_time(self, tmp_path: Path) -> None:
        routine = draft().with_table("bracket", longest_absence="2 h")
        run = Person(tmp_path, routine, happens=lambda clocks: clocks.goes_by(1.9 * HOUR)).measures()
        assert run.state.absences == ()

    def test_is_none_while_somebody_is_busy_however_impatient_the_routine(self, tmp_path: Path) -> None:
        routine = draft().with_table("bracket", longest_absence="1 s")
        run = Person(tmp_path, routine, happens=lambda clocks: clocks.goes_by(4 * 60.0)).measures()
        assert run.state.absences == ()


class TestAfterAKill:
    def journal(self, folder: Path, at: str) -> Path:
        """A journal that ends before place b, by a wall clock that says this."""

        def pulls_the_plug(_: Clocks) -> None:
            raise SourceExhaustedError("the plug was pulled")

        person = Person(folder, draft(), happens=pulls_the_plug, clocks=Clocks(at))
        with person.journal, pytest.raises(SourceExhaustedError):
            person.session.conduct()
        return person.journal.path

    @pytest.mark.parametrize(
        ("at", "words"),
        [
            pytest.param("2020-03-02T08:00:00+00:00", "longer than 30:00", id="years ago"),
            pytest.param("2090-03-02T08:00:00+00:00", "the clock was set back. So: the reference", id="set back"),
        ],
    )
    def test_the_clock_tells_how_long_it_was_or_that_nobody_knows(
        self, starter: Any, tmp_path: Path, at: str, words: str
    ) -> None:
        path = self.journal(tmp_path, at)
        answers = "0.1\n0\n1\n0\n\n"
        done = starter.run("resume", str(path), "--out", "out", folder=tmp_path, given=answers)
        assert words in " ".join(done.stdout.split()), done.stdout + done.stderr
        (record,) = (json.loads(path.read_text("utf-8")) for path in tmp_path.glob("out/*.record.json"))
        codes = [(found["level"], found["code"]) for found in record["findings"]]
        assert ("doubt", "run/absence") in codes
        assert verify(record, load_catalogue()) == []


class TestASoak:
    STEPS = ({"do": "soak", "at_least": "50 min"}, *BRACKET)

    def soaked(self, folder: Path, happens: Happening) -> tuple[Run, float]:
        """The run, and when the soak ended on the wall [s]."""
        run = Person(folder, draft(*self.STEPS), at="Soak", happens=happens).measures()
        (end,) = (event for event in run.events if isinstance(event, e.SoakEnded))
        assert end.reason is None
        began = dt.datetime.fromisoformat(run.events[0].wall)
        return run, (dt.datetime.fromisoformat(end.wall) - began).total_seconds()

    def test_is_prescribed_and_no_absence(self, tmp_path: Path) -> None:
        run, end_s = self.soaked(tmp_path, lambda _: None)
        assert end_s == pytest.approx(3000.0, abs=10.0)
        assert run.state.absences == ()

    def test_between_the_readings_is_no_absence_either(self, tmp_path: Path) -> None:
        zero, read, *rest = BRACKET
        run = Person(tmp_path, draft(zero, read, {"do": "soak", "at_least": "50 min"}, *rest)).measures()
        assert told(run.state) == []
        assert len(run.state.live) == 4

    def test_is_not_over_where_the_counter_leapt(self, tmp_path: Path) -> None:
        run, end_s = self.soaked(tmp_path, lambda clocks: clocks.leaps(5 * HOUR))
        assert end_s == pytest.approx(3000.0, abs=10.0)
        assert run.state.soaks[0].elapsed_s == pytest.approx(3000.0, abs=10.0)

    def test_goes_on_after_the_machine_slept(self, tmp_path: Path) -> None:
        run, end_s = self.soaked(tmp_path, lambda clocks: clocks.sleeps(5 * HOUR))
        assert end_s == pytest.approx(5 * HOUR + 3000.0, abs=10.0)
        assert [absence.length_s for absence in run.state.absences] == [pytest.approx(5 * HOUR, abs=10.0)]

    def test_is_as_long_as_it_should_be_where_the_clock_was_set_back(self, tmp_path: Path) -> None:
        run, _ = self.soaked(tmp_path, lambda clocks: clocks.is_set_back(2 * HOUR))
        assert run.state.soaks[0].elapsed_s == pytest.approx(3000.0, abs=10.0)

    def test_that_ends_by_a_leap_alone_is_refused(self, tmp_path: Path) -> None:
        """Also where nothing noticed the leap before."""
        person = Person(tmp_path, draft(*self.STEPS))
        person.clocks.leaps(HOUR)
        slot = person.session.run.state.slots[0].id
        with person.journal, pytest.raises(EventRefusedError, match="3000 s to go, and no reason is given"):
            person.session.take(e.SoakEnded, slot=slot, reason=None)


class TestAReadingsFile:
    """Its counter is the file's; the wall clock of whoever plays it says nothing."""

    def test_with_ten_hours_in_the_bracket_is_a_doubt_and_recomputes(self, measure: Callable[..., Any]) -> None:
        answers = [(10.0, "0"), (20.0, "1"), (10 * HOUR, "1"), (10 * HOUR + 20.0, "0")]
        outcome = measure(draft().text, answers)
        (found,) = [found for found in outcome.record["findings"] if found["code"] == "run/absence"]
        assert found["level"] == "doubt"
        assert "Nothing was done for 9:59:40" in found["text"]
        assert found["data"] == {"away_s": 10 * HOUR - 20.0, "limit_s": 1800.0}
        assert verify(outcome.record, load_catalogue()) == []

    def test_without_a_gap_is_none(self, measure: Callable[..., Any]) -> None:
        for answers in ([(10.0, "0"), (20.0, "1"), (1810.0, "1"), (1830.0, "0")], ["0", "1", "1", "0"]):
            assert "run/absence" not in measure(draft().text, answers).codes("doubt")


class TestWhatComesByItself:
    def test_shows_nobody(self, start: Callable[..., Any]) -> None:
        """A line that can't be read comes every ten seconds, and nobody is there."""
        bench = start(draft().text).answer("0", "1")
        for _ in range(200):
            bench.time_s += 10.0
            bench.take(e.LineUnused, line="?", why="it can't be read")
        bench.answer("1", "0")
        (absence,) = bench.run.state.absences
        assert absence.length_s == pytest.approx(2001.0)
        assert len(told(bench.run.state)) == 1


class TestRecordsOfBefore:
    """Events without a word of the wall clock fold as they did."""

    def test_a_clock_that_went_back_is_nothing(self, start: Callable[..., Any]) -> None:
        bench = start(draft().text).answer("0", "1")
        event = bench.event(e.RunContinued, away_s=0.0)
        bench.run = bench.run.take(replace(event, wall="2026-03-01T08:00:00+00:00"))
        assert bench.asked() == "read b"
        assert bench.run.state.absences == ()

    def test_their_events_are_written_as_they_were_read(self, start: Callable[..., Any]) -> None:
        bench = start(draft().text).answer("0").take(e.RunContinued, away_s=3.0, source="keyboard")
        for event in bench.run.events:
            data = event_to_data(event)
            assert "paced" not in data
            assert event_to_data(event_from_data(json.loads(json.dumps(data)))) == data

    def test_new_ones_come_back_whole(self, start: Callable[..., Any]) -> None:
        bench = start(draft().text).answer("0").take(e.RunContinued, away_s=None, source="keyboard", paced=True)
        event = bench.run.events[-1]
        assert event_from_data(json.loads(json.dumps(event_to_data(event)))) == event
        assert bench.asked() == "zero"
