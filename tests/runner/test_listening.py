"""Which line of an instrument answers what is asked, with a made-up instrument and a counter of our own."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import Checks
from holdzero.errors import AnswerRefusedError, EventRefusedError, SourceExhaustedError
from holdzero.hooks import Answer, Asks, Command, Finding, Habits, Prompt, Said, Sends, Source
from holdzero.journal import Journal, read_journal
from holdzero.live import Glance, Meanwhile, Stand
from holdzero.live.listening import Listening
from holdzero.live.logged import Logs
from holdzero.live.taking import Trace
from holdzero.register import Register
from holdzero.run import Run
from holdzero.run.commands import COMPARATOR, Acknowledge, LineIn
from holdzero.run.fold import take
from holdzero.session import Clock, Session
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of

ZERO = [{"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"}]
STREAM = Habits(sends=Sends.STREAM, still_number=3, still_within_um=0.2, silent_s=2.0)
NOBODY = Source(name="line", title="a line", interactive=True, keeps_time=False, simulated=False)


class Line:
    """An instrument in memory."""

    def __init__(self, habits: Habits) -> None:
        self.habits = habits
        self.waiting: list[Said] = []
        self.out = ""
        self.requests = 0
        self.closed = False

    def lines(self) -> list[Said]:
        given, self.waiting = self.waiting, []
        return given

    def request(self) -> None:
        self.requests += 1

    def fault(self) -> str:
        return self.out

    def close(self) -> None:
        self.closed = True


Script = Callable[["Bench", Prompt], str | None]


class Bench:
    """A run at a bench whose hands are a script: called again and again while a person is waited for."""

    def __init__(
        self,
        folder: Path,
        steps: list[dict[str, Any]],
        habits: Habits,
        script: Script,
        draft: Draft | None = None,
    ) -> None:
        self.now = 0.0
        self.line, self.thermometer = Line(habits), Line(Habits(sends=Sends.STREAM))
        self.script = script
        self.wall = "2026-03-02T08:00:00.000+00:00"
        self.refusals: list[str] = []
        self.glances: list[Glance | None] = []
        self.prompts: list[str] = []
        self.listening = Listening(self.ask, lambda: self.now, self.line, [self.thermometer])
        started = begun(loaded_of((draft or Draft()).with_steps(*steps), Catalogue()), simulated=False)
        self.path = folder / "run.journal.jsonl"
        self.journal = Journal.create(self.path)
        self.journal.append(started.events[0])
        self.session = Session(
            run=started,
            journal=self.journal,
            checks=Checks(),
            source=NOBODY,
            feed=self.listening,
            face=self,
            clock=Clock(lambda: self.wall, lambda: self.now),
            register=Register(),
            choices={},
            overrule=None,
            started_at_s=0.0,
        )
        self.listening.bind(self.session)

    def sends(self, text: str | None, *, why: str = "", after_s: float = 0.05, line: str = "", of: str = "") -> None:
        """A line arrives a moment later."""
        self.now += after_s
        said = Said(at_s=self.now, line=line or text or "noise", answer=text, why=why, of=of)
        (self.thermometer if of else self.line).waiting.append(said)

    def ask(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        for _ in range(10_000):
            came = meanwhile.look(prompt)
            if came is not None:
                return came
            self.glances.append(meanwhile.glance)
            self.now += 0.05
            typed = self.script(self, prompt)
            if typed == "":
                accepted = meanwhile.accept(prompt)
                if accepted is not None:
                    return accepted
            elif typed is not None:
                return Answer(typed)
        raise AssertionError(f"nothing ever answers {prompt.title}")

    def conduct(self) -> Run:
        try:
            return self.session.conduct()
        finally:
            self.journal.close()

    # --- the face -----------------------------------------------------------------------------

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        del run, findings
        self.prompts.append(prompt.title)

    def refused(self, reason: str) -> None:
        self.refusals.append(reason)
        assert len(self.refusals) < 50, self.refusals[-1]

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Nobody looks."""

    def stopped(self, run: Run, finding: Finding) -> Command:
        del run
        return Acknowledge(finding.code)

    def paused(self, run: Run) -> None:
        """Goes on at once."""

    def overrule(self, reason: str) -> str | None:
        del reason
        return None


def values(run: Run) -> list[float]:
    return [float(reading.value_um) for reading in run.state.live]


def of_kind(run: Run, kind: type[e.Event]) -> list[Any]:
    return [event for event in run.events if isinstance(event, kind)]


class TestAPress:
    def test_answers_the_step_that_is_shown_and_keeps_the_line_as_it_came(self, tmp_path: Path) -> None:
        texts = iter(("0 um", "+1.5 um", "+0.1 um"))

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            text = next(texts)
            bench.sends(text, line=f"#2 {text.upper()}", after_s=1.0)
            return None

        bench = Bench(tmp_path, ZERO, Habits(), hands)
        run = bench.conduct()
        assert values(run) == [0.0, 1.5, 0.1]
        assert [event.line for event in of_kind(run, e.ReadingTaken)] == ["#2 0 UM", "#2 +1.5 UM", "#2 +0.1 UM"]
        assert read_journal(bench.path).events == run.events

    def test_that_came_before_its_step_answers_nothing_and_is_on_record(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            if number == 0:
                # stamped a second ago: it waited in some buffer
                bench.line.waiting.append(Said(at_s=bench.now - 1.0, line="+9", answer="+9 um"))
            else:
                bench.sends(f"+{number} um", after_s=1.0)
            return None

        run = Bench(tmp_path, ZERO, Habits(), hands).conduct()
        assert values(run) == [1.0, 2.0, 3.0]
        assert [(event.line, event.why) for event in of_kind(run, e.LineUnused)] == [
            ("+9", "it came before the step was shown")
        ]

    def test_sent_twice_within_a_moment_counts_once(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            bench.sends("+1 um", after_s=1.0)
            if number == 0:
                bench.sends("+1 um", after_s=0.2)  # the key bounced
            return None

        run = Bench(tmp_path, ZERO, Habits(double_s=0.4), hands).conduct()
        assert values(run) == [1.0, 1.0, 1.0]
        (unused,) = of_kind(run, e.LineUnused)
        assert unused.why in ("the same again after 0.20 s counts as one", "another line came at the same moment")

    def test_that_bounces_while_the_last_digit_moves_counts_once(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            # After the first press, when the next step is shown already, the key bounces.
            bench.sends("+1.1 um" if number == 1 else "+1 um", after_s=0.1 if number == 1 else 1.0)
            return None

        run = Bench(tmp_path, ZERO, Habits(double_s=0.4), hands).conduct()
        assert values(run) == [1.0, 1.0, 1.0]
        (unused,) = of_kind(run, e.LineUnused)
        assert (unused.line, unused.why) == ("+1.1 um", "0.15 s after the last press it counts as the same")

    def test_that_nobody_can_have_pressed_does_not_fill_step_after_step(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            if number < 100:
                bench.sends(f"+0.{number % 10} um", after_s=0.1)
                return None
            return "+1 um"

        run = Bench(tmp_path, ZERO, Habits(), hands).conduct()
        # The first line may have been a press; what follows is known for what it is.
        assert values(run) == [0.0, 1.0, 1.0]
        told = [event.why for event in of_kind(run, e.LineUnused)]
        assert len(told) < 5
        assert 'it sends by itself and not when it is pressed: say sends = "stream" in its profile' in told

    def test_in_divisions_sent_twice_counts_once(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            bench.sends("+1 div", after_s=0.1 if next(sent) == 1 else 1.0)
            return None

        draft = Draft().with_table("comparator", division="2 um")
        bench = Bench(tmp_path, ZERO, Habits(double_s=0.4), hands, draft)
        run = bench.conduct()
        division = run.state.comparator.division if run.state.comparator else None
        assert values(run) == [division] * 3
        assert len(of_kind(run, e.LineUnused)) == 1
        assert any(glance is not None and glance.value_um == division for glance in bench.glances)

    def test_in_a_soak_or_at_a_question_answers_nothing(self, tmp_path: Path) -> None:
        steps = [{"do": "prepare", "say": "Wipe."}, *ZERO]
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            number = next(sent)
            if number == 0:
                bench.sends("+7 um", after_s=1.0)
                return None
            if prompt.asks is Asks.CONFIRM:
                return ""
            bench.sends("+1 um", after_s=1.0)
            return None

        run = Bench(tmp_path, steps, Habits(), hands).conduct()
        assert values(run) == [1.0, 1.0, 1.0]
        assert [event.why for event in of_kind(run, e.LineUnused)] == ["no reading was asked for"]

    def test_a_line_that_is_not_understood_is_told_and_never_half_used(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            if next(sent) == 0:
                bench.sends(None, why="it has 4 decimals, not 5", line="+0012.3")
            else:
                bench.sends("+1 um", after_s=1.0)
            return None

        bench = Bench(tmp_path, ZERO, Habits(), hands)
        run = bench.conduct()
        assert [(event.line, event.why) for event in of_kind(run, e.LineUnused)] == [
            ("+0012.3", "it has 4 decimals, not 5")
        ]
        assert Stand.UNREAD in {glance.stand for glance in bench.glances if glance is not None}

    def test_garbage_in_one_go_keeps_nobody_who_types_waiting(self, tmp_path: Path) -> None:
        noted: list[int] = []

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.slot.place == "a" and len(noted) < 100:
                at_s, before = bench.now, len(of_kind(bench.session.run, e.LineUnused))
                garbage = [Said(at_s=at_s, line=f"x{n}", answer=None, why=f"it is no {n}") for n in range(500)]
                bench.line.waiting += garbage
                noted.append(before)
                return None
            return "" if prompt.asks is Asks.CONFIRM else "0"

        run = Bench(tmp_path, ZERO, Habits(sends=Sends.PRESS), hands).conduct()
        each = [after - before for before, after in itertools.pairwise(noted)]
        assert max(each) <= 5, "each is put on disk, and that takes time"
        assert 200 <= len(of_kind(run, e.LineUnused)) < 300

    def test_enter_alone_takes_nothing(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM or next(sent) == 0:
                return ""
            bench.sends("+1 um", after_s=1.0)
            return None

        bench = Bench(tmp_path, ZERO, Habits(), hands)
        bench.conduct()
        assert bench.refusals == ["nothing was sent; press the key of the indicator, or type what it shows"]

    def test_a_typed_reading_is_taken_as_well(self, tmp_path: Path) -> None:
        run = Bench(
            tmp_path, ZERO, Habits(), lambda _, prompt: "" if prompt.asks is Asks.CONFIRM else "+2 um"
        ).conduct()
        assert values(run) == [2.0, 2.0, 2.0]
        assert [event.line for event in of_kind(run, e.ReadingTaken)] == ["", "", ""]


class TestAStream:
    def test_is_taken_when_it_stands_still_after_the_inspector_accepted(self, tmp_path: Path) -> None:
        run, bench = self.read(tmp_path, [5.0, 4.0, 3.0, 2.0, 1.0, 1.1, 1.0, 1.1])
        assert values(run)[:1] == [pytest.approx(1.0)]
        assert any(glance is not None and glance.taking for glance in bench.glances)
        assert {glance.stand for glance in bench.glances if glance} >= {Stand.MOVING, Stand.SILENT}

    @staticmethod
    def read(folder: Path, course: list[float]) -> tuple[Run, Bench]:
        """Each step: the value moves along its course and stays; the inspector accepts at its begin."""
        state: dict[str, Any] = {"title": "", "sent": iter(())}

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            if state["title"] != prompt.title:
                state["title"], state["sent"] = prompt.title, iter(course)
                bench.sends(f"{course[0]} um")
                state["begin"] = True
                return None
            bench.sends(f"{next(state['sent'], course[-1])} um")
            begin, state["begin"] = state["begin"], False
            return "" if begin else None

        bench = Bench(folder, ZERO, STREAM, hands)
        return bench.conduct(), bench

    def test_that_never_stands_still_is_refused_in_words(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            number = next(sent)
            if prompt.asks is Asks.CONFIRM:
                return ""
            if bench.refusals:
                return "+1 um"
            bench.sends(f"{number % 2} um")
            return "" if number == 3 else None

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        bench.conduct()
        assert bench.refusals[0].startswith("the value does not stand still: the last 3 lines lie within 1 um, 0.2 um")

    def test_that_shows_the_same_all_along_is_asked_about_once(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            for _ in range(3):
                bench.sends("+1.0 um")
            return ""

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        run = bench.conduct()
        assert values(run) == [1.0, 1.0, 1.0]
        assert len(bench.refusals) == 2  # the second and the third reading
        assert "is it on hold?" in bench.refusals[0]

    def test_that_only_flickers_is_not_read_again_by_an_enter_too_many(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            for _ in range(3):
                bench.sends(f"+1.{next(sent) % 2} um")
            return ""

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        bench.conduct()
        assert len(bench.refusals) == 2

    def test_with_lines_that_are_none_between_is_not_told_of_each(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            if number < 200:
                bench.sends("+1.0 um" if number % 2 else None, why="it has not the form that the profile says")
                return None
            return "+1 um"

        assert len(of_kind(Bench(tmp_path, ZERO, STREAM, hands).conduct(), e.LineUnused)) == 1

    def test_that_says_it_is_in_error_gives_no_value_of_before(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            if bench.refusals:
                return "+1 um"
            if number < 5:
                bench.sends("+9.0 um")
                return None
            bench.sends(None, why="the instrument says 1: the probe is not plugged in", line="fault 1")
            return "" if number == 5 else None

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        assert values(bench.conduct()) == [1.0, 1.0, 1.0]
        assert "none to be taken now" in bench.refusals[0]

    def test_that_seldom_sends_is_waited_for(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            if not prompt.title.startswith("Zero"):
                return "+2 um"
            bench.sends("1.0 um", after_s=4.0)
            return None if next(sent) else ""

        bench = Bench(tmp_path, ZERO, Habits(sends=Sends.STREAM, still_number=5, silent_s=15.0), hands)
        assert values(bench.conduct()) == [1.0, 2.0, 2.0]
        assert bench.refusals == []

    def test_that_is_silent_takes_nothing(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM or next(sent) == 0:
                return ""
            assert bench.line.habits is STREAM
            return "+1 um"

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        bench.conduct()
        assert bench.refusals == ["nothing is heard from the indicator; look at its cable, or type what it shows"]

    def test_of_garbage_is_told_once_and_not_for_every_line(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            if next(sent) < 40:
                bench.sends(None, why="it is no reading", line="\\xfe\\x80")
                return None
            return "+1 um"

        assert len(of_kind(Bench(tmp_path, ZERO, STREAM, hands).conduct(), e.LineUnused)) == 1

    def test_that_is_asked_is_asked_again_and_again(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            bench.now += 0.2
            return "+1 um" if bench.line.requests > 4 else None

        bench = Bench(tmp_path, ZERO, Habits(sends=Sends.ASKED), hands)
        bench.conduct()
        assert bench.line.requests > 4


class TestALineThatIsLost:
    @staticmethod
    def lost(folder: Path, habits: Habits, at: str) -> tuple[Run, Bench]:
        """The cable comes out when the step `at` is shown for the first time, and goes in again."""
        state = {"lost": False}

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.title == at and not state["lost"]:
                state["lost"] = True
                bench.line.out = "the cable is out"
                return None
            if bench.line.out:
                bench.now += 1.0
                bench.line.out = ""
                return None
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        bench = Bench(folder, ZERO, habits, hands)
        return bench.conduct(), bench

    def test_keeps_the_run_and_asks_for_a_zero_check_when_it_is_back(self, tmp_path: Path) -> None:
        run, bench = self.lost(tmp_path, STREAM, "Return to the reference")
        assert [event.why for event in of_kind(run, e.LineLost)] == ["the cable is out"]
        assert len(of_kind(run, e.LineBack)) == 1
        # what was read is closed by a return, then a fresh zero is set, and the routine's own return comes after it
        after = bench.prompts[bench.prompts.index("Return to the reference") + 1 :]
        assert [title.split(",")[0] for title in after] == [
            "Return to the reference",
            "Return to the reference",
            "Zero on the reference",
            "Return to the reference",
            "Compare",
        ]

    def test_that_is_loose_asks_for_one_return_and_one_zero(self, tmp_path: Path) -> None:
        state = {"plugs": 0}

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.title.startswith("Return") and state["plugs"] < 10:
                state["plugs"] += 1
                bench.line.out = "" if bench.line.out else "the cable is out"
                return None
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        run = Bench(tmp_path, ZERO, STREAM, hands).conduct()
        assert len(of_kind(run, e.LineBack)) == 5
        assert [reading.kind.value for reading in run.state.readings] == ["zero", "read", "return", "zero", "return"]

    def test_before_any_zero_asks_for_nothing_more(self, tmp_path: Path) -> None:
        run, _ = self.lost(tmp_path, STREAM, "Zero on the reference")
        assert len(run.state.zeros) == 1

    def test_takes_nothing_while_it_is_out_but_what_is_typed(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            bench.line.out = "the cable is out"
            if prompt.asks is Asks.CONFIRM:
                return ""
            return "+1 um" if bench.refusals else ""

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        run = bench.conduct()
        assert bench.refusals == [
            "the line to the indicator is out: the cable is out; mend it, or type what the dial shows"
        ]
        assert values(run) == [1.0, 1.0, 1.0]

    def test_when_the_run_was_left_is_back_when_it_goes_on(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.title.startswith("Read"):
                if bench.line.out:
                    raise SourceExhaustedError("the keyboard was closed")
                bench.line.out = "the cable is out"
                return None
            return "+1 um"

        bench = Bench(tmp_path, ZERO, STREAM, hands)
        with pytest.raises(SourceExhaustedError):
            bench.conduct()
        (tmp_path / "on").mkdir()
        again = Bench(tmp_path / "on", ZERO, STREAM, hands)
        again.journal.close()
        again.session.run = Run.of(bench.session.run.events)
        again.listening.bind(again.session)
        prompt = again.session.run.prompt
        assert prompt is not None
        assert again.listening.look(prompt) == LineIn(COMPARATOR)
        assert again.listening.look(prompt) is None

    def test_and_back_while_enter_was_pressed_is_told(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.title.startswith("Return"):
                number = next(sent)
                bench.line.out = "" if number else "the cable is out"
                if number == 0:
                    # Only this look sees it out: it is back before the next.
                    with pytest.raises(AnswerRefusedError):
                        bench.listening.accept(prompt)
                    bench.line.out = ""
                    return None
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        run = Bench(tmp_path, ZERO, STREAM, hands).conduct()
        assert [type(event) for event in run.events if isinstance(event, e.LineLost | e.LineBack)] == [
            e.LineLost,
            e.LineBack,
        ]


class Broken(Line):
    """An instrument whose plugin fails at one of its functions."""

    def __init__(self, at: str, habits: Habits = STREAM) -> None:
        super().__init__(habits)
        self.at = at

    def __getattribute__(self, name: str) -> Any:
        found = object.__getattribute__(self, name)
        if name in ("lines", "fault", "request", "close") and name == self.at:

            def failing() -> None:
                raise RuntimeError("no such handle")

            return failing
        return found


class TestAPluginThatFails:
    @pytest.mark.parametrize("at", ["lines", "fault", "request"])
    def test_is_told_and_typing_goes_on(self, tmp_path: Path, at: str) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            return "" if prompt.asks is Asks.CONFIRM or not bench.refusals else "+1 um"

        bench = Bench(tmp_path, ZERO, Habits(sends=Sends.ASKED), hands)
        bench.listening = Listening(bench.ask, lambda: bench.now, Broken(at, Habits(sends=Sends.ASKED)), [])
        bench.session.feed = bench.listening
        bench.listening.bind(bench.session)
        run = bench.conduct()
        assert values(run) == [1.0, 1.0, 1.0]
        (lost,) = of_kind(run, e.LineLost)
        assert lost.why == ("its plugin failed (RuntimeError: no such handle); end the run here and go on with it anew")

    def test_beside_the_indicator_costs_no_reading(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.CONFIRM:
                bench.sends("+1 um", after_s=1.0)
                return None
            return ""

        bench = Bench(tmp_path, ZERO, Habits(), hands)
        bench.listening = Listening(bench.ask, lambda: bench.now, bench.line, [Broken("lines"), Broken("close")])
        bench.session.feed = bench.listening
        bench.listening.bind(bench.session)
        run = bench.conduct()
        assert values(run) == [1.0, 1.0, 1.0]
        assert [event.of for event in of_kind(run, e.LineLost)] == ["thermometers"]
        bench.listening.close()
        assert bench.line.closed

    @pytest.mark.parametrize("line", [None, Said(at_s=float("nan"), line="", answer="+1 um")])
    def test_by_what_is_no_line_is_told(self, tmp_path: Path, line: Any) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            bench.line.waiting.append(line)
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        assert len(of_kind(Bench(tmp_path, ZERO, Habits(), hands).conduct(), e.LineLost)) == 1

    def test_by_another_clock_does_not_move_the_run_into_the_future(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.CONFIRM:
                bench.now += 1.0
                bench.line.waiting.append(Said(at_s=1.8e9, line="+1", answer="+1 um"))
                return None
            return ""

        assert Bench(tmp_path, ZERO, Habits(), hands).conduct().state.now_s < 60.0


class TestASoak:
    STEPS = ({"do": "soak", "at_least": "20 min", "within": "0.1 um"}, *ZERO)
    # 5 mm long: nothing so thin is slower than 3 min, so that its reading alone may end a soak early.
    PIN = Draft().with_table("part", section=["1 mm", "1 mm"])

    @staticmethod
    def fading(tau_s: float, amplitude: float, every_s: float = 2.0) -> Script:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.WAIT:
                bench.now += every_s
                wiggle = 0.01 * (-1) ** int(bench.now / every_s)
                value = amplitude * 2.718281828 ** (-bench.now / tau_s) + wiggle
                bench.sends(f"{value:.3f} um")
                return None
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        return hands

    def test_ends_early_when_it_is_at_rest_and_the_curve_is_on_record(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path, list(self.STEPS), STREAM, self.fading(60.0, 2.0), self.PIN)
        run = bench.conduct()
        (soak,) = run.state.soaks
        assert soak.reason is None
        assert 100.0 < soak.elapsed_s < 900.0
        # from here the made-up curve has less to come than is allowed
        assert 2.0 * 2.718281828 ** (-soak.elapsed_s / 60.0) < 0.1
        assert len(run.state.observed) >= 10
        assert any(glance is not None and glance.outlook is not None for glance in bench.glances)

    def test_is_seen_when_the_lines_came_and_not_when_they_were_looked_at(self, tmp_path: Path) -> None:
        looked = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.WAIT and next(looked) == 0:
                # Somebody types something long: the lines of a minute and a half wait.
                for number in range(9):
                    bench.sends(f"{number} um", after_s=10.0)
                    bench.sends("20.1 degC", after_s=0.1, of="part")
                return None
            if prompt.asks is Asks.WAIT:
                return "that is enough"
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        run = Bench(tmp_path, list(self.STEPS), STREAM, hands).conduct()
        for of, first_s in (("", 10.05), ("part", 10.15)):
            times = [item.time_s for item in run.state.observed if item.of == of]
            assert times == pytest.approx([first_s + 10.1 * number for number in range(9)])

    def test_folds_to_the_same_again(self, tmp_path: Path) -> None:
        run = Bench(tmp_path, list(self.STEPS), STREAM, self.fading(60.0, 2.0)).conduct()
        again = Run.of(run.events)
        assert again.state.soaks == run.state.soaks

    def test_with_nothing_under_the_tip_puts_no_end_of_travel_on_record(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.WAIT:
                bench.now += 10.0
                bench.sends("+9999.0 um" if bench.now < 100.0 else f"{(-1) ** int(bench.now / 10.0) * 0.01:.2f} um")
                return None
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        run = Bench(tmp_path, list(self.STEPS), STREAM, hands).conduct()
        assert max(item.value for item in run.state.observed) < 1.0

    def test_that_is_not_at_rest_goes_on_after_its_time(self, tmp_path: Path) -> None:
        run = Bench(tmp_path, list(self.STEPS), STREAM, self.fading(900.0, 5.0, 30.0)).conduct()
        (soak,) = run.state.soaks
        assert soak.elapsed_s > 1200.0
        assert soak.reason is None
        assert 5.0 * 2.718281828 ** (-soak.elapsed_s / 900.0) < 0.1

    @pytest.mark.parametrize("watched", [True, False])
    def test_is_not_ended_by_a_clock_on_the_wall_that_jumps(self, tmp_path: Path, watched: bool) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.WAIT:
                return "" if prompt.asks is Asks.CONFIRM else "+1 um"
            bench.now += 10.0
            if bench.now > 100.0:
                bench.wall = "2026-03-03T20:00:00.000+00:00"
            if watched and bench.now < 600.0:
                bench.sends(f"{20.0 - bench.now / 60.0:.1f} um")
            return "called away" if bench.now > 1000.0 and watched else None

        run = Bench(tmp_path, list(self.STEPS), STREAM, hands).conduct()
        (soak,) = run.state.soaks
        assert soak.elapsed_s > (1000.0 if watched else 1199.0)
        assert soak.reason == ("called away" if watched else None)

    def test_an_end_without_rest_and_without_a_reason_is_refused_by_the_fold(self, tmp_path: Path) -> None:
        run = Bench(tmp_path, list(self.STEPS), STREAM, self.fading(900.0, 5.0, 30.0)).conduct()
        at = next(index for index, event in enumerate(run.events) if isinstance(event, e.SoakEnded))
        state = Run.of(run.events[: at - 20]).state
        slot = state.slot
        assert slot is not None
        ended = e.SoakEnded(seq=state.seq + 1, wall=state.wall, time_s=state.now_s, slot=slot.id, reason=None)
        with pytest.raises(EventRefusedError, match="and no reason is given"):
            take(state, ended)

    def test_works_from_typed_readings_too_only_coarser(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.WAIT:
                bench.now += 30.0
                number = next(sent)
                return f"{2.0 * 2.718281828 ** (-number / 3.0):.2f} um"
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        run = Bench(tmp_path, list(self.STEPS), Habits(), hands, self.PIN).conduct()
        (soak,) = run.state.soaks
        assert soak.reason is None
        assert 6 <= len(run.state.observed) <= 39
        assert soak.elapsed_s < 1200.0

    def test_by_thermometers_looks_at_part_less_reference(self, tmp_path: Path) -> None:
        steps = [{"do": "soak", "at_least": "20 min", "within_temperature": "0.05 K"}, *ZERO]

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.WAIT:
                return "" if prompt.asks is Asks.CONFIRM else "+1 um"
            bench.now += 10.0
            wiggle = 0.002 * (-1) ** int(bench.now / 10.0)
            part = 20.0 + 1.5 * 2.718281828 ** (-bench.now / 90.0) + wiggle
            bench.sends(f"{part:.3f} degC", of="part")
            bench.sends(f"{20.0 - wiggle:.3f} degC", of="reference")
            return None

        run = Bench(tmp_path, steps, Habits(), hands).conduct()
        (soak,) = run.state.soaks
        assert {outlook.of for outlook in soak.outlooks} == {"part", "reference", "part less reference"}
        assert all(outlook.settled for outlook in soak.outlooks)
        assert 1.5 * 2.718281828 ** (-soak.elapsed_s / 90.0) < 0.05


class TestAThermometer:
    def test_with_two_channels_of_nothing_is_not_told_of_each(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.CONFIRM:
                return ""
            number = next(sent)
            if number < 600:
                bench.thermometer.waiting.append(
                    Said(
                        at_s=bench.now, line="T", answer=None, why=f"the channel {3 + number % 2} is not in the profile"
                    )
                )
                bench.sends("+1.0 um")
                return None
            return "+1 um"

        assert 1 <= len(of_kind(Bench(tmp_path, ZERO, STREAM, hands).conduct(), e.LineUnused)) <= 7

    STEPS = ({"do": "temperature", "of": "part"}, *ZERO)

    def test_answers_with_what_came_after_the_step_was_shown(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.TEMPERATURE:
                bench.sends("20.31 degC", of="part", line="T1 +20.31")
                return ""
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        run = Bench(tmp_path, list(self.STEPS), Habits(), hands).conduct()
        (event,) = of_kind(run, e.TemperatureRead)
        assert (event.value_degC, event.line) == (20.31, "T1 +20.31")

    def test_whose_line_is_out_is_shown_no_more(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.TEMPERATURE:
                return "" if prompt.asks is Asks.CONFIRM else "+1 um"
            number = next(sent)
            if number == 0:
                bench.sends("20.31 degC", of="part")
            bench.thermometer.out = "the cable is out" if number else ""
            return "" if number == 4 else "20.5" if bench.refusals else None

        bench = Bench(tmp_path, list(self.STEPS), Habits(), hands)
        bench.conduct()
        told = [dict(glance.temperatures) for glance in bench.glances if glance is not None]
        assert {"part": 20.31} in told
        assert told[-1] == {}
        assert bench.refusals == ["nothing was typed; type what the thermometer shows"]

    def test_that_is_silent_is_told(self, tmp_path: Path) -> None:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.TEMPERATURE:
                return "" if prompt.asks is Asks.CONFIRM else "+1 um"
            number = next(sent)
            if number == 0:
                bench.thermometer.waiting.append(Said(at_s=-1.0, line="T1", answer="20 degC", of="part"))
                return None
            return "20.5" if bench.refusals else "" if number == 1 else None

        bench = Bench(tmp_path, list(self.STEPS), Habits(), hands)
        bench.conduct()
        assert bench.refusals == ["nothing is heard of the part; look at the thermometer, or type it"]


class _Log:
    """A log in memory: nothing, until a row is there."""

    starts = ""

    def __init__(self) -> None:
        self.rows: dict[str, str] = {}
        self.asked: list[tuple[str, str]] = []

    def temperature(self, of: str, wall: str) -> Answer:
        self.asked.append((of, wall))
        if of not in self.rows:
            raise AnswerRefusedError(f"room.csv: no row of the {of} yet")
        return Answer(self.rows[of], line="line 3: 20.31", error={"halfwidth": "0.05 K"})

    def close(self) -> None: ...


class TestALogger:
    STEPS = ({"do": "temperature", "of": "part"}, *ZERO)

    def bench(self, folder: Path, log: Any, script: Script) -> Bench:
        bench = Bench(folder, list(self.STEPS), Habits(), script)
        bench.listening = bench.session.feed = Listening(
            bench.ask, lambda: bench.now, bench.line, (), Logs([log]), lambda: bench.wall
        )
        bench.listening.bind(bench.session)
        return bench

    def test_answers_of_the_moment_when_it_was_asked_first(self, tmp_path: Path) -> None:
        log = _Log()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is not Asks.TEMPERATURE:
                return "" if prompt.asks is Asks.CONFIRM else "+1 um"
            if bench.refusals:
                log.rows["part"] = "20.31 degC"
            bench.now, bench.wall = bench.now + 60.0, "2026-03-02T08:01:00.000+00:00"
            return ""

        bench = self.bench(tmp_path, log, hands)
        run = bench.conduct()
        (event,) = of_kind(run, e.TemperatureRead)
        assert bench.refusals == ["room.csv: no row of the part yet"]
        assert log.asked == [("part", "2026-03-02T08:00:00.000+00:00")] * 2
        assert (event.value_degC, event.line, event.error) == (20.31, "line 3: 20.31", {"halfwidth": "0.05 K"})
        assert event.time_s == 0.0
        (taken,) = run.state.temperatures
        assert taken.error is not None
        assert taken.error.standard_uncertainty == pytest.approx(0.05 / 3**0.5)  # JCGM 100:2008, 4.3.7
        assert Run.of(read_journal(bench.path).events).state == run.state

    def test_is_told_of_where_a_temperature_is_asked_for_and_nothing_is_live(self, tmp_path: Path) -> None:
        seen: dict[Asks, set[str | None]] = {}

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            glance = bench.listening.glance
            seen.setdefault(prompt.asks, set()).add(None if glance is None else glance.why)
            return "20.5" if prompt.asks is Asks.TEMPERATURE else "" if prompt.asks is Asks.CONFIRM else "+1 um"

        bench = self.bench(tmp_path, _Log(), hands)
        bench.listening = bench.session.feed = Listening(bench.ask, lambda: bench.now, logs=Logs([_Log()]))
        bench.listening.bind(bench.session)
        bench.conduct()
        assert seen[Asks.TEMPERATURE] == {"accepting takes what the logger has of the moment when this was asked first"}
        assert seen[Asks.READING] == {None}

    def test_leaves_it_to_the_person_to_type(self, tmp_path: Path) -> None:
        def hands(bench: Bench, prompt: Prompt) -> str | None:
            del bench
            return "20.5" if prompt.asks is Asks.TEMPERATURE else "" if prompt.asks is Asks.CONFIRM else "+1 um"

        (event,) = of_kind(self.bench(tmp_path, _Log(), hands).conduct(), e.TemperatureRead)
        assert (event.value_degC, event.line, event.error) == (20.5, "", {})

    @pytest.mark.parametrize(
        ("given", "said"), [(None, "None is no answer"), (ZeroDivisionError("x"), "its plugin failed")]
    )
    def test_whose_plugin_fails_harms_nothing(self, tmp_path: Path, given: Any, said: str) -> None:
        class Broken(_Log):
            def temperature(self, of: str, wall: str) -> Answer:
                del of, wall
                if given is not None:
                    raise given
                return cast("Answer", given)  # the fault that is tried

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if prompt.asks is Asks.TEMPERATURE:
                return "20.5" if bench.refusals else ""
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        bench = self.bench(tmp_path, Broken(), hands)
        bench.conduct()
        assert said in bench.refusals[0]


def test_a_clock_that_is_set_back_an_hour_moves_no_reading(tmp_path: Path) -> None:
    def conducted(folder: Path, *, back: bool) -> Run:
        sent = itertools.count()

        def hands(bench: Bench, prompt: Prompt) -> str | None:
            if back and prompt.asks is Asks.READING and next(sent) == 1:
                bench.wall = "2026-03-02T07:00:00.000+00:00"
            if prompt.asks is Asks.WAIT:
                bench.now += 300.0
                return None
            return "" if prompt.asks is Asks.CONFIRM else "+1 um"

        folder.mkdir()
        bench = Bench(folder, [{"do": "soak", "at_least": "20 min"}, *ZERO], Habits(), hands)
        run = bench.conduct()
        assert Run.of(read_journal(bench.path).events).state == run.state
        return run

    plain, moved = conducted(tmp_path / "plain", back=False), conducted(tmp_path / "moved", back=True)
    assert len({event.wall for event in moved.events}) == 2
    assert [(r.value_um, r.time_s, r.zero) for r in moved.state.readings] == [
        (r.value_um, r.time_s, r.zero) for r in plain.state.readings
    ]
    assert moved.state.soaks == plain.state.soaks


def test_a_face_that_nobody_sits_at_any_more_ends_the_run_resumably(tmp_path: Path) -> None:
    def hands(bench: Bench, prompt: Prompt) -> str | None:
        raise SourceExhaustedError(f"nobody answers {prompt.title} any more, at {bench.now} s")

    with pytest.raises(SourceExhaustedError):
        Bench(tmp_path, ZERO, Habits(), hands).conduct()


class TestATrace:
    def test_begins_where_the_tip_stands_still_after_it_was_lifted_last(self) -> None:
        trace = Trace()
        lowering = (0.2, 20.0, 20.0, 7.0, 2.0, 1.4, 1.1, 1.0, 1.1)
        for number, value in enumerate(lowering):
            trace.add(float(number), value)
        assert [value for _, value in trace.since_lifted(0.0, 0.5)] == [1.1, 1.0, 1.1]

    def test_has_nothing_of_a_tip_that_still_falls(self) -> None:
        trace = Trace()
        for number, value in enumerate((8.0, 8.0, 1.9, 0.9, 0.3)):
            trace.add(float(number), value)
        assert trace.since_lifted(0.0, 0.02) == [(4.0, 0.3)]

    def test_is_whole_where_it_was_never_lifted(self) -> None:
        trace = Trace()
        for number, value in enumerate((1.0, 3.0, 5.0)):
            trace.add(float(number), value)
        assert len(trace.since_lifted(0.0, 0.5)) == 3
        assert trace.since_lifted(10.0, 0.5) == []
