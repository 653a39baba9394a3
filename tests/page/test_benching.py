from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from holdzero.book import open_book
from holdzero.cli.benching import Signals, Work, greeting_of, rounds
from holdzero.cli.conduct import Options
from holdzero.cli.house import open_shop
from holdzero.expansion import kinds_of
from holdzero.page.box import Reply
from holdzero.page.desk import Desk
from holdzero.page.open_runs import OpenRuns, RoutinesHere
from holdzero.page.pen import Pen
from holdzero.page.posts import Done, Post, Request, Resume, Start, Typed
from holdzero.page.sheet import sheet_of
from holdzero.page.snapshot import Snapshot, Stage
from holdzero.run.commands import Abandon
from holdzero.testing import GOOD, PLAIN, Draft
from tests.support.patience import PATIENCE_S

ME = "a-page-of-the-bench"
FAMILY = (
    Draft()
    .with_table("parameters", nominal="5 mm")
    .with_table("family.small")
    .with_table("family.large", nominal="6 mm")
    .with_table("characteristics.thickness", nominal="{nominal}")
    .text
)


class Rounds:
    """The bench page without a server: runs one after the other, answered by posts."""

    def __init__(self, folder: Path, member: str | None = None, shop: str = "", source: str = "keyboard") -> None:
        self.folder = folder
        path = folder / "shop.toml"
        path.write_text(f"format = 1\n{shop}", "utf-8")
        options = Options(source=source, out=folder / "out", json=False, shop=path, overrule=None, choices={})
        opened = open_shop(path, lazily=True)
        here = RoutinesHere(folder, kinds_of(opened.catalogue))
        self.work = Work(options, here, OpenRuns(folder / "out"), member, opened)
        pen = Pen()
        pen.take(ME)
        self.counted_s = 0.0  # by hand: a slow machine makes no press late
        self.desk = Desk(pen, lambda: self.counted_s, devices=self.work.devices)
        self._news = threading.Condition()
        self.desk.on_change = self._changed
        self.codes: list[int] = []
        seq = self.desk.snapshot.seq
        self.thread = threading.Thread(
            target=lambda: self.codes.append(rounds(self.desk, self.work, Signals())), daemon=True
        )
        self.thread.start()
        self.until(lambda now: now.seq != seq)

    def _changed(self) -> None:
        sheet_of(self.desk.snapshot)
        with self._news:
            self._news.notify_all()

    def until(self, true: Callable[[Snapshot], bool]) -> Snapshot:
        with self._news:
            assert self._news.wait_for(lambda: true(self.desk.snapshot), PATIENCE_S), self.desk.snapshot
        return self.desk.snapshot

    def does(self, request: Request) -> Snapshot:
        seq = self.desk.snapshot.seq
        assert self.desk.post(Post(ME, seq, request)).result(PATIENCE_S) == Reply(200)
        return self.until(lambda now: now.seq != seq)

    def begins(self, member: str | None = None, name: str = "washer.toml") -> Snapshot:
        self.does(Start(name, member, "T. Ester", ("7",)))
        # An instrument is shown a moment after the first step, and that is shown anew with it.
        live = self.work.options.source == "practice"
        return self.until(lambda now: now.stage is not Stage.RUNNING or (now.prompt is not None and now.live is live))

    def answers(self, *texts: str) -> Snapshot:
        for text in texts:
            self.does(Typed(text))
        return self.desk.snapshot

    def compares(self) -> Snapshot:
        self.counted_s += 0.35  # a press right after a step came is a bounce
        self.does(Typed(""))
        return self.until(lambda now: now.stage is Stage.FINISHED)

    def ends(self) -> int:
        self.desk.close()
        self.thread.join(PATIENCE_S)
        return self.codes[0]


@pytest.fixture
def sit(tmp_path: Path) -> Iterator[Callable[..., Rounds]]:
    made: list[Rounds] = []

    def go(routine: str = PLAIN, **options: Any) -> Rounds:
        (tmp_path / "washer.toml").write_text(routine, "utf-8")
        made.append(Rounds(tmp_path, **options))
        return made[-1]

    yield go
    for each in made:
        each.ends()


def test_run_after_run_with_the_operator_kept(sit: Callable[..., Rounds]) -> None:
    rounds = sit()
    rounds.begins()
    rounds.answers(*GOOD)
    end = rounds.compares()
    assert (end.code, [record["verdict"] for record in end.records]) == (0, ["pass"])
    assert {"record.json", "html"} <= {name.partition(".")[2] for name in end.files}
    now = rounds.does(Done())
    assert (now.stage, now.operator, now.chosen, now.open_runs) == (Stage.CHOOSING, "T. Ester", "washer.toml", ())
    rounds.begins()
    rounds.answers("0")
    rounds.does(Abandon("the part is scrap"))
    assert rounds.until(lambda later: later.stage.is_end).stage is Stage.ABANDONED
    assert rounds.does(Done()).stage is Stage.CHOOSING
    assert rounds.ends() == 0


def test_a_run_that_can_not_begin_says_why(sit: Callable[..., Rounds]) -> None:
    rounds = sit(Draft().with_check("drift", order="no").text)
    now = rounds.begins()
    assert now.stage is Stage.CHOOSING
    assert "checks.drift.order" in now.ended
    assert not list((rounds.folder / "out").glob("*"))


def test_a_run_whose_record_was_not_written_is_ended_when_it_is_gone_on_with(sit: Callable[..., Rounds]) -> None:
    rounds = sit()
    rounds.begins()
    rounds.answers(*GOOD)
    rounds.compares()
    # As if the plug had been pulled between the two.
    for path in (rounds.folder / "out").glob("*"):
        if ".journal." not in path.name:
            path.unlink()
    (found,) = rounds.does(Done()).open_runs
    assert found.over
    rounds.does(Resume(found.name))
    end = rounds.until(lambda now: now.stage is Stage.FINISHED)
    assert end.run is not None
    assert [record["verdict"] for record in end.records] == ["pass"]


def test_a_journal_that_another_program_holds_is_left_to_it(sit: Callable[..., Rounds]) -> None:
    one = sit()
    one.begins()
    one.answers("0")
    other = sit()
    (found,) = other.desk.snapshot.open_runs
    other.does(Resume(found.name))
    now = other.until(lambda later: later.stage is Stage.CHOOSING)
    assert "another run holds it" in now.ended
    assert one.answers("0.1").run is not None


def test_a_fault_of_the_tool_itself_is_told_and_the_page_goes_on(
    sit: Callable[..., Rounds], monkeypatch: pytest.MonkeyPatch
) -> None:
    rounds = sit()
    rounds.begins()
    seq = rounds.answers("0").seq

    def broken(*_: object) -> None:
        raise RuntimeError("no such thing")

    monkeypatch.setattr("holdzero.session.understand", broken)
    reply = rounds.desk.post(Post(ME, seq, Typed("0.1")))
    now = rounds.until(lambda later: later.stage is Stage.INTERRUPTED)
    assert reply.result(PATIENCE_S).status == 503
    assert "RuntimeError: no such thing" in now.ended
    monkeypatch.undo()
    (found,) = rounds.does(Done()).open_runs
    assert found.readings == 1
    rounds.does(Resume(found.name))
    assert rounds.until(lambda later: later.prompt is not None).run is not None


def test_a_member_that_was_named_is_the_only_one_offered(sit: Callable[..., Rounds]) -> None:
    rounds = sit(FAMILY, member="small")
    assert rounds.desk.snapshot.routines[0].members == ("small",)
    now = rounds.begins(member="small")
    assert now.prompt is not None, now.ended


def test_the_register_is_offered_where_a_device_is_to_be_named(sit: Callable[..., Rounds]) -> None:
    routine = Draft().without_table("reference").with_table("reference", size="5 mm", material="steel").text
    block = '[reference.B-7]\nname = "Block 5 mm"\nsize = "5 mm"\ndeviation = "0 um"\nmaterial = "steel"\n'
    rounds = sit(routine, shop=block)
    now = rounds.begins()
    assert now.prompt is not None, now.ended
    assert [entry.identifier for entry in now.register] == ["B-7"]
    assert rounds.answers("B-7").register == ()


def test_at_a_virtual_bench_the_page_tells_the_truth_at_the_end(sit: Callable[..., Rounds]) -> None:
    rounds = sit(source="practice")
    assert rounds.begins().simulated
    rounds.answers(*GOOD)
    ended = rounds.compares()
    assert ended.debrief[0].startswith("thickness: in truth +0 µm, within its limits. The value is off by")
    assert sheet_of(ended).debrief == ended.debrief


def test_the_page_says_for_which_part_a_scenario_is_written(routines: Path, tmp_path: Path) -> None:
    said = greeting_of(f"practice:{routines / 'practice' / 'dust.toml'}")
    assert "Written for part SR-2041: with another, its words may not fit." in said
    (tmp_path / "any.toml").write_text('format = 1\ntitle = "another block"\n', "utf-8")
    assert not [words for words in greeting_of(f"practice:{tmp_path / 'any.toml'}") if "Written for" in words]


@pytest.mark.long
def test_the_verdict_is_shown_while_another_program_holds_the_book(sit: Callable[..., Rounds], tmp_path: Path) -> None:
    book = tmp_path / "book.sqlite"
    open_book(str(book), create=True).engine.dispose()
    rounds = sit(shop=f'[book]\nurl = "{book}"\n')
    rounds.begins()
    rounds.answers(*GOOD)
    with contextlib.closing(sqlite3.connect(book, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        first = rounds.compares()
        assert (first.code, first.problems) == (0, ())
        assert [record["verdict"] for record in first.records] == ["pass"]
        assert list((tmp_path / "out").glob("*.waiting"))
        told = rounds.until(lambda now: now.seq != first.seq)
        other.execute("ROLLBACK")
    assert told.stage is Stage.FINISHED
    assert any("another program holds the book" in line for line in told.problems)
    rounds.does(Done())
    rounds.begins()
    rounds.answers(*GOOD)
    rounds.compares()
    # The next run has put both in by the time that what follows it is chosen.
    rounds.does(Done())
    assert not list((tmp_path / "out").glob("*.waiting"))
    assert open_book(str(book)).count() == 2


def test_an_end_that_was_seen_already_is_not_shown_anew(sit: Callable[..., Rounds], tmp_path: Path) -> None:
    rounds = sit(shop=f'[book]\nurl = "{tmp_path / "book.sqlite"}"\n')
    rounds.begins()
    rounds.answers(*GOOD)
    end = rounds.compares()
    assert rounds.does(Done()).seq == end.seq + 1
