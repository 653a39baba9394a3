"""The bench page as a program: killed, started again, raced and called from elsewhere; nothing is lost or doubled."""

from __future__ import annotations

import json
import os
import re
import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.catalogue import load_catalogue
from holdzero.journal import read_journal
from holdzero.testing import GOOD, PLAIN
from holdzero.verify import verify

Record: TypeAlias = dict[str, Any]
PATIENCE_S = 60.0


class Program:
    """`holdzero bench` as a process."""

    def __init__(self, folder: Path, starter: Any, *arguments: str) -> None:
        self.folder = folder
        words = ("bench", "--port", "0", "--out", "out", *arguments)
        env = {key: item for key, item in os.environ.items() if not key.startswith("HOLDZERO")}
        self._said = folder / f"said-{time.monotonic_ns()}"
        with Path(os.devnull).open("rb") as nothing, self._said.open("w") as said:
            streams = (nothing.fileno(), said.fileno(), said.fileno())
            self.process = starter.begin(*words, folder=folder, env=env, streams=streams)
        ends = time.monotonic() + PATIENCE_S
        while (found := re.search(r"http://[^:/]+:(\d+)/(?:\?key=(\S+))?\n", self.said)) is None:
            if self.process.poll() is not None or time.monotonic() > ends:
                raise AssertionError(self.said)
            time.sleep(0.02)
        self.port, self.key = int(found[1]), found[2]

    @property
    def said(self) -> str:
        return self._said.read_text("utf-8")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(PATIENCE_S)

    def ends(self, sign: int) -> int:
        self.process.send_signal(sign)
        return int(self.process.wait(PATIENCE_S))

    @property
    def journals(self) -> list[Path]:
        return sorted((self.folder / "out").glob("*.journal.jsonl"))

    @property
    def record(self) -> Record:
        (path,) = (self.folder / "out").glob("*.record.json")
        record: Record = json.loads(path.read_text("utf-8"))
        return record


Serve: TypeAlias = Callable[..., Program]


@pytest.fixture
def serve(tmp_path: Path, starter: Any) -> Iterator[Serve]:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    started: list[Program] = []

    def go(*arguments: str) -> Program:
        started.append(Program(tmp_path, starter, *arguments))
        return started[-1]

    yield go
    for program in started:
        if program.process.poll() is None:
            program.kill()


def begin(page: Any) -> Any:
    page.does("start", routine="washer.toml", member=None, operator="T. Ester", serials=["7"])
    return page.until(lambda: "Zero on the reference" in page.shown)


def compare(page: Any) -> Any:
    page.until(lambda: "Compare" in page.shown)
    page.types("")
    return page.until(lambda: page.stage == "finished")


def typed(record: Record) -> list[str]:
    return [event["raw"] for event in record["events"] if event["event"] == "reading_taken"]


def numbers(record: Record) -> list[float]:
    """They rest a little on the moments of the readings, which are those of each run."""
    result = record["results"]["thickness"]
    return [result["value_um"], result["expanded_uncertainty_um"]]


class TestAServerThatIsKilled:
    def test_goes_on_from_the_journal_to_the_same_record(self, serve: Serve, visit: Any, measure: Any) -> None:
        program = serve()
        old = begin(visit(program.port).listens())
        for number, answer in enumerate(GOOD[:3], 1):
            seq = old.seq
            assert old.posts("answer", text=answer).status == 200
            # On disk before the page is told so: the plug may be pulled at any moment after that.
            (journal,) = program.journals
            assert len(read_journal(journal).events) == 1 + number
            if number < 3:
                old.until(lambda seq=seq: old.seq != seq)
        program.kill()

        program = serve()
        old.port = program.port
        assert old.posts("answer", text="9").status == 409
        page = visit(program.port).listens()
        assert "Go on with an open run" in page.shown
        page.does("resume", journal=journal.name)
        page.until(lambda: "Read place a" in page.shown)
        assert old.posts("pen").status == 200
        assert old.posts("answer", text="9").status == 409, "it answers what is shown no more"
        assert page.posts("pen").status == 200
        page.types(*GOOD[3:])
        compare(page)
        assert "PASS" in page.shown
        plain = measure(PLAIN, (*GOOD, "")).record
        assert program.record["verdict"] == plain["verdict"]
        assert typed(program.record) == typed(plain) == list(GOOD)
        assert numbers(program.record) == pytest.approx(numbers(plain), rel=0.05)
        assert program.journals == [journal]
        assert verify(program.record, load_catalogue()) == []

        page.does("done")
        assert page.stage == "choosing"
        assert "Go on with an open run" not in page.shown
        assert program.ends(signal.SIGTERM) == 0


class TestPagesThatRace:
    def test_double_nothing_and_lose_nothing(self, serve: Serve, visit: Any) -> None:
        program = serve()
        one = begin(visit(program.port).listens())
        other = visit(program.port).listens()
        taken = []
        for answer in GOOD:
            seq = one.seq
            other.until(lambda seq=seq: other.seq == seq)

            def race(page: Any, answer: str = answer, seq: int = seq) -> int:
                # Whoever has the pen by then writes; the other is told so.
                page.posts("pen")
                return int(page.posts("answer", seq, text=answer).status)

            with ThreadPoolExecutor(2) as hands:
                replies = list(hands.map(race, (one, other)))
            taken.append(replies.count(200))
            if not taken[-1]:
                one.posts("pen")
                one.until(lambda: one.writes)
                one.types(answer)
            one.until(lambda seq=seq: one.seq != seq)
        assert set(taken) <= {0, 1}
        one.posts("pen")
        compare(one)
        assert typed(program.record) == list(GOOD)


class TestTheEnd:
    def test_by_the_keyboard_says_how_to_go_on(self, serve: Serve, visit: Any) -> None:
        program = serve()
        begin(visit(program.port).listens()).types("0")
        assert program.ends(signal.SIGINT) == 4
        assert f"holdzero resume out/{program.journals[0].name}" in program.said
        assert "holdzero bench again" in program.said
        assert "Traceback" not in program.said

    def test_over_the_network_a_link_is_printed_that_works_once(self, serve: Serve, visit: Any) -> None:
        program = serve("--listen", "0.0.0.0")  # noqa: S104  what is tested is that it needs a link
        assert program.key
        page = visit(program.port)
        assert page.asks("/").status == 401
        let_in = page.asks(f"/?key={program.key}")
        assert let_in.status == 200
        assert page.asks(f"/?key={program.key}").status == 401
        begin(visit(program.port, let_in.headers["set-cookie"].partition(";")[0]).listens())
        assert program.ends(signal.SIGTERM) == 4
        assert program.said.count("?key=") == 2
        assert "can read along" in program.said
        assert f"holdzero resume out/{program.journals[0].name}" in program.said
