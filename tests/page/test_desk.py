from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.cli.conduct import Options, resume_run, run_routine
from holdzero.errors import HoldzeroError, JournalError
from holdzero.hooks import Answer, Asks, Command, Prompt
from holdzero.journal import Journal, read_journal
from holdzero.live import Glance, Stand
from holdzero.page.box import Reply
from holdzero.page.desk import Desk
from holdzero.page.offers import Offers
from holdzero.page.pen import Pen
from holdzero.page.posts import Accept, Done, GoOn, Overrule, Post, Request, Resume, Start, Typed
from holdzero.page.sheet import sheet_of
from holdzero.page.snapshot import OpenRun, RoutineHere, Snapshot, Stage
from holdzero.run.commands import Abandon, Acknowledge, AddNote, Again, Pause, Strike
from holdzero.testing import GOOD, PLAIN, Draft
from tests.support.patience import PATIENCE_S

ME, OTHER = "a-page-of-the-bench", "another-page-of-it"
# A pedal that comes later than this is no bounce.
LATER_S = 0.35


class Sat:
    """A run in a thread, and a page at its desk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.pen = Pen()
        self.pen.take(ME)
        # The desk's counter stands still but for `later`: how long a machine takes is no time at the bench.
        self.counted_s = 0.0
        self.desk = Desk(self.pen, lambda: self.counted_s)
        self.records: list[Any] = []
        self.codes: list[int] = []
        self._news = threading.Condition()
        self.desk.on_change = self._changed
        self._thread: threading.Thread | None = None
        self._threads: list[threading.Thread] = []

    def begins(self, routine: str = PLAIN, shop: Path | None = None) -> Sat:
        path = self.folder / "routine.toml"
        path.write_text(routine, "utf-8")
        return self._runs(
            lambda: run_routine(path, self.options(shop), operator="T. Ester", serials=("1",), member=None)
        )

    def goes_on(self) -> Sat:
        return self._runs(lambda: resume_run(self.journal, self.options(None), routine=None))

    def options(self, shop: Path | None) -> Options:
        return Options(
            source="keyboard",
            out=self.folder / "out",
            json=False,
            shop=shop or self.folder / "shop.toml",
            overrule=None,
            choices={},
            face=lambda source, _: (self.desk.sits_at(source), self.desk),
            seen=lambda record, _: self.records.append(record),
        )

    def _runs(self, work: Callable[[], int]) -> Sat:
        self._thread = self.aside(lambda: self.codes.append(work()))
        self.until(lambda now: now.prompt is not None or now.stage is not Stage.CHOOSING)
        return self

    def aside(self, work: Callable[[], object]) -> threading.Thread:
        """In a thread as that of the run; it ends with the desk at the latest."""

        def until_closed() -> None:
            # A run that could not begin raises; a desk that was closed too.
            with contextlib.suppress(HoldzeroError):
                work()

        thread = threading.Thread(target=until_closed, daemon=True)
        thread.start()
        self._threads.append(thread)
        return thread

    def leaves(self) -> None:
        self.desk.close()
        for thread in self._threads:
            thread.join(PATIENCE_S)

    def _changed(self) -> None:
        with self._news:
            self._news.notify_all()

    def until(self, true: Callable[[Snapshot], bool]) -> Snapshot:
        with self._news:
            assert self._news.wait_for(lambda: true(self.desk.snapshot), PATIENCE_S), self.desk.snapshot
        return self.desk.snapshot

    def posts(self, request: Request, seq: int | None = None, page: str = ME) -> Reply:
        number = self.desk.snapshot.seq if seq is None else seq
        return self.desk.post(Post(page, number, request)).result(PATIENCE_S)

    def does(self, request: Request) -> Snapshot:
        seq = self.desk.snapshot.seq
        assert self.posts(request) == Reply(200)
        return self.until(lambda now: now.seq != seq)

    def types(self, *texts: str) -> Snapshot:
        for text in texts:
            self.does(Typed(text))
        return self.desk.snapshot

    def later(self) -> None:
        """So much time goes by that a press is no bounce."""
        self.counted_s += LATER_S

    def compares(self) -> int:
        self.later()
        assert self.posts(Typed("")) == Reply(200)
        return self.ends()

    def ends(self) -> int:
        assert self._thread is not None
        self._thread.join(PATIENCE_S)
        return self.codes[-1]

    @property
    def journal(self) -> Path:
        (path,) = (self.folder / "out").glob("*.journal.jsonl")
        return path

    @property
    def entries(self) -> list[str]:
        return [type(event).__name__ for event in read_journal(self.journal).events]


@pytest.fixture
def sat(tmp_path: Path) -> Iterator[Sat]:
    made = Sat(tmp_path)
    yield made
    made.leaves()


class TestARunByPosts:
    def test_comes_to_the_record_that_the_same_answers_give_otherwise(self, sat: Sat, measure: Any) -> None:
        sat.begins().types(*GOOD)
        assert sat.compares() == 0
        (record,) = sat.records
        other = measure(PLAIN, (*GOOD, "")).record
        assert record["verdict"] == other["verdict"] == "pass"
        assert record["results"]["thickness"]["value_um"] == pytest.approx(1.0)

    def test_shows_what_is_asked_and_what_was_taken(self, sat: Sat) -> None:
        now = sat.begins().desk.snapshot
        assert (now.stage, now.prompt and now.prompt.title) == (Stage.RUNNING, "Zero on the reference, reading 1 of 3")
        now = sat.types("0")
        assert type(now.taken).__name__ == "ReadingTaken"
        assert now.run is not None
        assert len(now.run.state.readings) == 1

    def test_says_taken_only_when_it_is_on_disk(self, sat: Sat) -> None:
        sat.begins()
        for number, answer in enumerate(GOOD, 1):
            seq = sat.desk.snapshot.seq
            assert sat.posts(Typed(answer)) == Reply(200)
            assert sat.entries.count("ReadingTaken") == number
            sat.until(lambda now, seq=seq: now.seq != seq)  # type: ignore[misc]  # bound now

    def test_a_journal_that_cannot_be_written_is_no_taken(self, sat: Sat, monkeypatch: pytest.MonkeyPatch) -> None:
        sat.begins()

        def full(journal: Journal, event: Any) -> None:
            raise JournalError(
                journal.path, f"entry {event.seq} could not be saved: No space left on device", "make room"
            )

        monkeypatch.setattr(Journal, "append", full)
        reply = sat.desk.post(Post(ME, sat.desk.snapshot.seq, Typed("0")))
        assert sat.ends() == 4
        sat.aside(lambda: sat.desk.end(4, [], [], ["the disk is full"]))
        assert reply.result(PATIENCE_S).status == 503
        assert sat.until(lambda now: now.stage is Stage.INTERRUPTED).ended == "the disk is full"


class TestAPost:
    def test_that_answers_what_is_shown_no_more_changes_nothing(self, sat: Sat) -> None:
        first = sat.begins().desk.snapshot.seq
        now = sat.types("0")
        for seq in (first, now.seq + 1, -1, 0):
            assert sat.posts(Typed("0"), seq).status == 409
        assert sat.entries.count("ReadingTaken") == 1
        assert sat.desk.snapshot is now

    def test_that_races_with_others_is_taken_once(self, sat: Sat) -> None:
        sat.begins()
        for _ in range(5):
            seq = sat.desk.snapshot.seq
            with ThreadPoolExecutor(16) as pages:
                replies = list(
                    pages.map(lambda text, seq=seq: sat.posts(Typed(text), seq), [f"0.{n}" for n in range(9)])
                )
            assert sorted(reply.status for reply in replies) == [200, *[409] * 8]
            sat.until(lambda now, seq=seq: now.seq != seq)  # type: ignore[misc]  # bound now
        assert sat.entries.count("ReadingTaken") == 5

    def test_of_a_page_without_the_pen_changes_nothing(self, sat: Sat) -> None:
        sat.begins()
        assert sat.posts(Typed("0"), page=OTHER).status == 409
        sat.pen.take(OTHER)
        assert sat.posts(Typed("0")).status == 409
        assert sat.posts(Typed("0"), page=OTHER).status == 200

    def test_that_is_no_answer_is_told_why_and_all_see_it(self, sat: Sat) -> None:
        seq = sat.begins().desk.snapshot.seq
        reply = sat.posts(Typed("soap"))
        assert reply.status == 422
        assert "soap" in reply.why
        refused = sat.until(lambda now: now.seq != seq).refused
        assert refused is not None
        assert (refused.reason, refused.seq) == (reply.why, seq)
        assert sat.types("0").refused is None

    def test_that_fits_another_stage_is_refused(self, sat: Sat) -> None:
        sat.begins()
        for request in (GoOn(), Done(), Resume("x"), Acknowledge("x")):
            assert sat.posts(request).status == 422

    def test_that_was_called_off_in_time_is_not_taken(self, sat: Sat) -> None:
        sat.begins()
        pushed = sat.desk.post(Post(ME, sat.desk.snapshot.seq, Typed("0")))
        if pushed.cancel():
            assert sat.types("0.1").run is not None
        assert sat.entries.count("ReadingTaken") == 1


class TestThePedal:
    def test_right_after_a_step_came_is_a_bounce(self, sat: Sat) -> None:
        sat.begins(Draft().with_step("prepare", say="Wipe it.").text)
        assert sat.posts(Accept()) == Reply(422, "the step was only just shown", soft=True)
        assert sat.posts(Typed("")).soft
        sat.later()
        assert sat.posts(Accept()) == Reply(200)

    def test_takes_nothing_where_nothing_is_live(self, sat: Sat) -> None:
        sat.begins()
        sat.later()
        reply = sat.posts(Accept())
        assert (reply.status, sat.entries) == (422, ["RunStarted"])
        sat.until(lambda now: now.refused is not None)
        assert sat.types("0").run is not None

    def test_never_ends_a_run(self, sat: Sat) -> None:
        sat.begins().types(*GOOD)
        sat.later()
        assert sat.posts(Accept()).status == 422
        assert sat.compares() == 0


class TestCommands:
    def test_strike_note_pause_and_go_on(self, sat: Sat) -> None:
        sat.begins().types("0")
        sat.does(AddNote("the lamp flickered"))
        sat.does(Strike(2, "mistyped"))
        assert sat.does(Pause()).stage is Stage.PAUSED
        assert sat.posts(Typed("0")).status == 422
        assert sat.does(GoOn()).stage is Stage.RUNNING
        assert sat.entries[1:] == ["ReadingTaken", "NoteAdded", "AnswerStruck", "RunPaused", "RunContinued"]

    def test_that_do_not_fit_the_run_are_told_why(self, sat: Sat) -> None:
        sat.begins()
        assert sat.posts(Strike(77, "mistyped")).status == 422

    def test_giving_up(self, sat: Sat) -> None:
        sat.begins().types("0")
        assert sat.posts(Abandon("the part is scrap")) == Reply(200)
        sat.ends()
        sat.aside(lambda: sat.desk.end(3, sat.records, [], []))
        assert sat.until(lambda now: now.stage.is_end).stage is Stage.ABANDONED

    def test_a_stop_is_answered_by_its_own_code(self, sat: Sat) -> None:
        block = {"name": "Block", "size": "5 mm", "deviation": "0 um", "material": "steel", "limit": "0.5 um"}
        sat.begins(Draft().with_table("check_standard", **block).with_step("check", index=1).text)
        now = sat.types(*GOOD[:3], "+9")
        assert now.stage is Stage.STOPPED
        assert now.stop is not None
        assert sat.posts(Typed("0")).status == 422
        assert sat.posts(Acknowledge("another/code")).status == 422
        assert sat.does(Acknowledge(now.stop.code)).stage is Stage.RUNNING


class TestAnUnfitDevice:
    @pytest.fixture
    def overdue(self, sat: Sat) -> Sat:
        sat.begins(Draft().with_table("reference", due="2020-01-01").text)
        assert sat.until(lambda now: now.stage is Stage.OVERRULE).unfit
        return sat

    def test_is_used_with_a_reason(self, overdue: Sat) -> None:
        assert overdue.posts(Typed("0")).status == 422
        assert overdue.does(Overrule("the new one comes tomorrow")).stage is Stage.RUNNING
        assert overdue.types("0").run is not None

    def test_is_not_used_without_one(self, overdue: Sat) -> None:
        assert overdue.posts(Overrule(None)) == Reply(200)
        overdue.leaves()
        assert overdue.codes == []
        assert not list((overdue.folder / "out").glob("*.journal.jsonl"))


class TestAFaceThatIsClosed:
    def test_ends_the_run_so_that_it_can_be_gone_on_with(self, sat: Sat) -> None:
        sat.begins().types("0", "+0.1")
        sat.desk.close()
        assert sat.ends() == 4
        again = Sat(sat.folder)
        again.goes_on().types(*GOOD[2:])
        assert again.compares() == 0
        assert again.entries.count("ReadingTaken") == len(GOOD)


class TestASoak:
    def test_is_over_by_itself(self, sat: Sat) -> None:
        sat.begins(Draft().with_step("soak", at_least="0.2 s").text)
        sat.until(lambda now: now.prompt is not None and now.prompt.asks is not Asks.WAIT)
        assert sat.entries[1] == "SoakEnded"

    def test_ends_early_only_once_it_is_known_what_is_missing(self, sat: Sat) -> None:
        sat.begins(Draft().with_step("soak", at_least="20 min").text)
        reply = sat.posts(Typed("the shift ends"))
        assert reply.status == 422
        assert "20 min of 20 min are missing, and nothing was watched" in reply.why
        assert sat.entries == ["RunStarted"]
        sat.does(Typed("the shift ends", sure=True))
        assert sat.entries[1] == "SoakEnded"

    def test_is_done_again(self, sat: Sat) -> None:
        sat.begins(Draft().with_step("soak", at_least="20 min").text)
        sat.does(Typed("the shift ends", sure=True))
        (soak,) = sheet_of(sat.desk.snapshot).again
        assert soak.text == "soak of 20 min"
        again = sat.does(Again(soak.value))
        assert again.prompt is not None
        assert again.prompt.asks is Asks.WAIT
        assert sheet_of(again).again == ()


class TestChoosing:
    ROUTINES = (
        RoutineHere(name="a.toml", title="A"),
        RoutineHere(name="b.toml", title="B", members=("8 mm", "9 mm"), batch=True),
        RoutineHere(name="c.toml", fault="c.toml:3: error: x"),
    )
    OPEN = OpenRun(name="j", title="", part="", serials=(), operator="", started="", left="", readings=0)

    @pytest.fixture
    def chosen(self, sat: Sat) -> list[Any]:
        found: list[Any] = []
        offers = Offers(self.ROUTINES, (self.OPEN,))
        seq = sat.desk.snapshot.seq
        sat.aside(lambda: found.append(sat.desk.choose(lambda: offers)))
        sat.until(lambda now: now.seq != seq)
        return found

    @pytest.mark.parametrize(
        "request_",
        [
            Start("../a.toml", None, None, ()),
            Start("a.toml", "8 mm", None, ()),
            Start("a.toml", None, None, ("1", "2")),
            Start("b.toml", None, None, ()),
            Start("b.toml", "7 mm", None, ()),
            Start("c.toml", None, None, ()),
            Resume("another"),
            Typed("0"),
        ],
        ids=repr,
    )
    def test_what_was_not_offered_can_not_be_begun(self, sat: Sat, chosen: list[Any], request_: Request) -> None:
        assert sat.posts(request_).status == 422
        assert chosen == []

    def test_keeps_who_measures(self, sat: Sat, chosen: list[Any]) -> None:
        start = Start("b.toml", "8 mm", "T. Ester", ("1", "2"))
        now = sat.does(start)
        assert (now.stage, now.prompt, now.operator) == (Stage.RUNNING, None, "T. Ester")
        _soon(lambda: chosen == [start])

    def test_looks_again_when_it_is_told_to(self, sat: Sat, chosen: list[Any]) -> None:
        assert sat.does(Done()).stage is Stage.CHOOSING
        assert chosen == []


class Line:
    """What an instrument would do, by hand."""

    def __init__(self) -> None:
        self.glance: Glance | None = Glance(stand=Stand.MOVING, answer="+1.2 um", value_um=1.2)
        self.answer: Answer | Command | None = None
        self.stands = False
        self.looks = 0

    def look(self, prompt: Prompt) -> Answer | Command | None:
        del prompt
        self.looks += 1
        said, self.answer = self.answer, None
        if said is None and self.glance is not None and self.glance.taking and self.stands:
            return Answer("+1.25 um")
        return said

    def accept(self, prompt: Prompt) -> Answer | None:
        del prompt
        if self.stands:
            return Answer("+1.25 um")
        self.glance = Glance(stand=Stand.MOVING, taking=True)
        return None


class TestAnInstrument:
    @pytest.fixture
    def asked(self, sat: Sat, start: Any) -> Callable[[Line], list[Any]]:
        prompt = start().run.prompt
        assert prompt is not None

        def ask(line: Line) -> list[Any]:
            said: list[Any] = []
            sat.aside(lambda: said.append(sat.desk(prompt, line)))
            sat.until(lambda now: now.prompt is prompt)
            return said

        return ask

    def test_answers_by_itself(self, asked: Callable[[Line], list[Any]]) -> None:
        line = Line()
        said = asked(line)
        line.answer = Answer("+3 um")
        _soon(lambda: said != [])
        assert said == [Answer("+3 um")]

    def test_is_shown_while_it_is_listened_to(self, sat: Sat, asked: Callable[[Line], list[Any]]) -> None:
        line = Line()
        said = asked(line)
        assert sat.desk.snapshot.live
        _soon(lambda: sat.desk.glance == line.glance)
        line.answer = Answer("+3 um")
        _soon(lambda: said != [] and sat.desk.glance is None)

    def test_the_pedal_waits_until_it_stands_still(self, sat: Sat, asked: Callable[[Line], list[Any]]) -> None:
        line = Line()
        said = asked(line)
        sat.later()
        seq = sat.desk.snapshot.seq
        assert sat.posts(Accept()) == Reply(200)
        assert said == []
        assert sat.desk.snapshot.seq == seq
        line.stands = True
        _soon(lambda: said == [Answer("+1.25 um")])

    def test_a_line_that_answers_nothing_is_no_reply_to_the_pedal(
        self, sat: Sat, asked: Callable[[Line], list[Any]], start: Any
    ) -> None:
        class Noisy(Line):
            def accept(self, prompt: Prompt) -> Answer | None:
                del prompt
                unused = e.LineUnused(seq=9, wall="", time_s=0.0, line="+001", why="half a line")
                sat.desk.taken(start().run, unused)
                return Answer("+1.25 um")

        said = asked(Noisy())
        sat.later()
        pushed = sat.desk.post(Post(ME, sat.desk.snapshot.seq, Accept()))
        _soon(lambda: said == [Answer("+1.25 um")])
        assert not pushed.done()  # nothing is on disk yet
        sat.desk.refused("beyond the travel")
        assert pushed.result(PATIENCE_S) == Reply(422, "beyond the travel")

    def test_what_is_typed_comes_first_as_ever(self, sat: Sat, asked: Callable[[Line], list[Any]]) -> None:
        said = asked(Line())
        pushed = sat.desk.post(Post(ME, sat.desk.snapshot.seq, Typed("+2")))
        _soon(lambda: said == [Answer("+2")])
        sat.desk.refused("beyond the travel")
        assert pushed.result(PATIENCE_S) == Reply(422, "beyond the travel")

    def test_costs_nothing_while_it_says_the_same(self, sat: Sat, asked: Callable[[Line], list[Any]]) -> None:
        line = Line()
        line.glance = Glance(stand=Stand.STILL, answer="+1.2 um")
        asked(line)
        _soon(lambda: sat.desk.glance is not None)
        _looked_at(line, 1)  # so that its first glance was told
        changes: list[None] = []
        sat.desk.on_change = lambda: changes.append(None)
        _looked_at(line, 8)
        assert changes == []


def _looked_at(line: Line, times: int) -> None:
    """Wait until a line was looked at so many times more."""
    goal = line.looks + times
    _soon(lambda: line.looks >= goal)


def _soon(true: Callable[[], bool]) -> None:
    ends = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.005)


def test_the_pen_is_held_by_one_page() -> None:
    pen = Pen()
    pen.came(ME)
    pen.came(OTHER)
    assert (pen.holds(ME), pen.holds(OTHER), pen.holds("")) == (True, False, False)
    pen.left(ME)
    assert pen.holds(ME), "a network that is gone for a moment changes nothing"
    pen.came("a-third-page-of-the-bench")
    assert not pen.holds(ME)
    pen.take(OTHER)
    assert pen.holds(OTHER)


def test_a_record_of_the_page_says_nothing_of_it(sat: Sat) -> None:
    sat.begins().types(*GOOD)
    sat.compares()
    assert "page" not in json.dumps(sat.records[0]["run"])
