"""The book under kill, full disk, two hands and no connection: what was acknowledged is in it, whole and once."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest

from holdzero.book import Book, open_book
from holdzero.book.rows import document_of
from holdzero.book.store import START, BookError, chained
from holdzero.testing.many import WASHER

pytestmark = pytest.mark.long

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest
Tool: TypeAlias = Callable[..., subprocess.CompletedProcess[str]]

TOOL = [sys.executable, "-m", "holdzero"]
SOAK_S = float(os.environ.get("HOLDZERO_SOAK_S", "2"))

# Adds records until it is told to stop, own ones and ones that another bench adds too; says each digest once it is
# acknowledged.
WRITER = """\
import json, sys
from itertools import islice
from pathlib import Path
from holdzero.book import open_book
from holdzero.catalogue import load_catalogue
from holdzero.testing.many import Many

url, name, stop = sys.argv[1], sys.argv[2], Path(sys.argv[3])
catalogue = load_catalogue()
own = Many(catalogue=catalogue, serial=name, batch=2).texts(10_000_000)
common = Many(catalogue=catalogue, serial="common").texts(10_000_000)
book = open_book(url, create=True)
print("ready", flush=True)
while not stop.exists():
    batch = [*islice(own, 3), *islice(common, 1)]
    book.add(batch)
    print(" ".join(json.loads(text)["digest"] for text in batch), flush=True)
"""


def until(so: Callable[[], bool], at_most_s: float = 60.0) -> None:
    """Wait until it is so."""
    ends = time.monotonic() + at_most_s
    while not so():
        assert time.monotonic() < ends, "waited too long"
        time.sleep(0.01)


class Server(Protocol):
    """A PostgreSQL server; see conftest."""

    def start(self) -> None: ...
    def kill(self) -> None: ...


class Writer:
    """A process that writes into a book.

    Args:
        url: of the book.
        name: what its serials begin with.
        folder: for what it says.
        starter: begins it.
    """

    def __init__(self, url: str, name: str, folder: Path, starter: Any) -> None:
        self._said = folder / f"{name}.said"
        with (
            Path(os.devnull).open("rb") as nothing,
            self._said.open("wb") as said,
            (folder / f"{name}.faults").open("wb") as faults,
        ):
            streams = (nothing.fileno(), said.fileno(), faults.fileno())
            words = (url, name, str(folder / "stop"))
            self.process = starter.begin(*words, folder=folder, streams=streams, code=WRITER)
        until(lambda: self.process.poll() is not None or "ready" in self._said.read_text("utf-8"))
        assert self.process.poll() is None, (folder / f"{name}.faults").read_text("utf-8")

    @property
    def acknowledged(self) -> list[str]:
        """Digests that the book has acknowledged; a last line that is torn was not said."""
        text = self._said.read_text("utf-8")
        lines = text[: text.rfind("\n") + 1].splitlines()[1:]
        return [digest for line in lines for digest in line.split()]

    def writes(self, batches: int = 5) -> None:
        """Wait until it has written some batches more."""
        goal = len(self.acknowledged) + 4 * batches
        until(lambda: self.process.poll() is not None or len(self.acknowledged) >= goal)
        assert self.process.poll() is None


def sound(book: Book) -> list[str]:
    """The digests of a book, in order, that is found to be whole: every row what its record makes, one chain."""
    digests: list[str] = []
    told: dict[str, int] = {}
    chain = START
    rows = book.in_order()
    while some := list(itertools.islice(rows, 200)):
        beside = book.belonging([row["id"] for row in some])
        for row in some:
            chain = chained(chain, row["digest"])
            digests.append(row["digest"])
            assert (row["id"], row["chain"]) == (len(digests), chain)
            made, own = Book.checked(document_of(row["document"])), beside[row["id"]]
            assert {key: row[key] for key in made.record} == made.record
            assert by_text(own["results"]) == by_text(made.results)
            assert by_text(own["uses"]) == by_text(made.uses)
            assert own["bench"] in ([], list(made.bench))
            told[row["run"]] = told.get(row["run"], 0) + len(own["bench"])
    assert set(told.values()) <= {3}, "a run told its bench not at all, or more than once"
    assert len(set(digests)) == len(digests)
    return digests


def by_text(rows: Any) -> list[str]:
    return sorted(json.dumps(row, sort_keys=True) for row in rows)


class TestTwoBenchesThatWriteAtOnce:
    def test_lose_nothing_and_double_nothing_in_one_chain(self, url: str, tmp_path: Path, starter: Any) -> None:
        """Two seconds and seven batches each; `HOLDZERO_SOAK_S=600` for ten minutes."""
        writers = [Writer(url, name, tmp_path, starter) for name in ("east", "west")]
        time.sleep(SOAK_S)
        # One after the other, again and again: a machine that stalls holds one of them up for a while.
        for _ in range(7):
            for writer in writers:
                writer.writes(1)
        (tmp_path / "stop").touch()
        for writer in writers:
            assert writer.process.wait(120.0) == 0
        book = open_book(url)
        digests = sound(book)
        east, west = (writer.acknowledged for writer in writers)
        assert len(set(east) - set(west)) > 20 < len(set(west) - set(east))
        assert set(east) & set(west), "they had no record in common"
        assert set(digests) == {*east, *west}
        # They took turns: neither waited for the other's end.
        own = [digest in set(east) for digest in digests if (digest in set(east)) != (digest in set(west))]
        assert sum(one != other for one, other in itertools.pairwise(own)) > 2


class TestADatabaseServerThatIsKilled:
    def test_while_a_bench_writes_has_all_that_it_acknowledged(
        self, server: Server, request: pytest.FixtureRequest, tmp_path: Path, starter: Any
    ) -> None:
        postgresql: Any = server
        url = postgresql.database()
        acknowledged: list[str] = []
        for turn in range(3):
            writer = Writer(url, f"turn{turn}", tmp_path, starter)
            writer.writes()
            server.kill()
            try:
                assert writer.process.wait(120.0) == 1
            finally:
                server.start()
            assert "BookError" in (tmp_path / f"turn{turn}.faults").read_text("utf-8")
            acknowledged += writer.acknowledged
            digests = sound(open_book(url))
            assert set(acknowledged) <= set(digests)
            # At most the batch that it did not hear of any more.
            assert len(digests) - len(set(acknowledged)) <= 4 * (turn + 1)
        request.addfinalizer(lambda: postgresql.drop(url))


class TestABenchThatIsKilled:
    def test_while_it_writes_leaves_a_whole_book(self, url: str, tmp_path: Path, starter: Any) -> None:
        chance = random.Random(7)  # noqa: S311  no secret
        acknowledged: list[str] = []
        for turn in range(4):
            writer = Writer(url, f"turn{turn}", tmp_path, starter)
            writer.writes(2)
            time.sleep(chance.uniform(0.0, 0.05))
            writer.process.send_signal(signal.SIGKILL)
            writer.process.wait()
            acknowledged += writer.acknowledged
        book = open_book(url)
        digests = sound(book)
        assert set(acknowledged) <= set(digests)
        assert len(digests) - len(set(acknowledged)) <= 4 * 4
        if "://" not in url:
            with contextlib.closing(sqlite3.connect(url)) as file:
                assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.fixture
def tool(starter: Any) -> Tool:
    """Run the tool in a folder."""
    run: Tool = starter.run
    return run


def left_waiting(folder: Path, texts: list[str]) -> None:
    """Records as a run leaves them whose book could not be reached."""
    folder.mkdir(exist_ok=True)
    for number, text in enumerate(texts):
        (folder / f"run-{number:03d}.record.json").write_text(text, "utf-8")
        (folder / f"run-{number:03d}.waiting").write_text("", "utf-8")


def marks(folder: Path) -> int:
    return len(list(folder.glob("*.waiting")))


def fill(disk: Path) -> None:
    """Leave no room on a disk."""
    with (disk / "filler").open("wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(b"0" * 512)


class TestAFullDisk:
    @pytest.fixture
    def small(self, tmp_path: Path) -> Iterator[Path]:
        """A disk of 1 MB."""
        disk = tmp_path / "disk"
        disk.mkdir()
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], capture_output=True, check=False
        )
        if made.returncode != 0:
            pytest.skip("no small disk can be mounted here")
        yield disk
        subprocess.run(["umount", str(disk)], check=True)

    def test_is_told_the_record_waits_and_goes_in_once_when_there_is_room(
        self, small: Path, tmp_path: Path, records_of: RecordsOf, tool: Tool
    ) -> None:
        path, texts = small / "book.sqlite", records_of(40)
        book = open_book(str(path), create=True)
        book.add(texts[:20])
        fill(small)
        left_waiting(tmp_path / "records", texts)

        full = tool("book", "send", "records", "--book", str(path), folder=tmp_path)

        assert full.returncode == 2
        assert "the disk may be full" in full.stderr
        assert "nothing was lost" in full.stderr
        assert marks(tmp_path / "records") >= 20
        (small / "filler").unlink()
        assert set(sound(book)) >= {json.loads(text)["digest"] for text in texts[:20]}

        assert tool("book", "send", "records", "--book", str(path), folder=tmp_path).returncode == 0

        assert marks(tmp_path / "records") == 0
        assert sound(book)[:20] == [json.loads(text)["digest"] for text in texts[:20]]
        assert set(sound(book)) == {json.loads(text)["digest"] for text in texts}

    def test_that_lets_no_file_grow_is_told_too(self, tmp_path: Path, records_of: RecordsOf, tool: Tool) -> None:
        path, texts = tmp_path / "book.sqlite", records_of(30)
        book = open_book(str(path), create=True)
        book.add(texts[:1])
        left_waiting(tmp_path / "records", texts)

        import resource

        def lets_none_grow() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size, resource.RLIM_INFINITY))

        command = [*TOOL, "book", "send", "records", "--book", str(path)]
        full = subprocess.run(
            command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=300, preexec_fn=lets_none_grow
        )

        assert full.returncode == 2
        assert "the disk may be full" in full.stderr
        assert "nothing was lost" in full.stderr
        assert "Traceback" not in full.stderr
        assert marks(tmp_path / "records") > 0
        assert tool("book", "send", "records", "--book", str(path), folder=tmp_path).returncode == 0
        assert set(sound(book)) == {json.loads(text)["digest"] for text in texts}

    def test_at_the_end_of_a_run_leaves_the_verdict_alone(
        self, small: Path, bench: Bench, tmp_path: Path, tool: Tool
    ) -> None:
        open_book(str(small / "book.sqlite"), create=True)
        fill(small)

        done = bench.run(GOOD, "--book", str(small / "book.sqlite"))

        assert done.returncode == 0, done.stderr
        assert "the record waits beside the journal" in done.stderr
        (small / "filler").unlink()
        assert tool("book", "send", "out", "--book", str(small / "book.sqlite"), folder=tmp_path).returncode == 0
        assert sound(open_book(str(small / "book.sqlite"))) == [bench.record["digest"]]


GOOD = ("0", "+0.1", "-0.1", "+10.0", "+1.0", "+1.1", "+0.9", "0")
BAD = ("0", "+0.1", "-0.1", "+10.0", "+9.0", "+9.1", "+8.9", "0")
NOWHERE = "postgresql://holdzero@127.0.0.1:1/book"


class Bench:
    """A bench with a routine, in a folder."""

    def __init__(self, folder: Path, tool: Tool) -> None:
        self.folder = folder
        self._tool = tool
        (folder / "washer.toml").write_text(WASHER.text, "utf-8")

    def words(self, *more: str) -> list[str]:
        return ["run", "washer.toml", "--operator", "T. Ester", "--serial", "7", "--out", "out", *more]

    def run(self, readings: tuple[str, ...], *more: str) -> subprocess.CompletedProcess[str]:
        return self._tool(*self.words(*self.reads(readings), *more), folder=self.folder)

    def reads(self, readings: tuple[str, ...]) -> tuple[str, str]:
        """The words that take readings from a file."""
        rows = "".join(f'{6 * number},"{answer}"\n' for number, answer in enumerate(readings, 1))
        (self.folder / "readings.csv").write_text(f"time,answer\n{rows}", "utf-8")
        return "--source", "readings:readings.csv"

    @property
    def record(self) -> dict[str, Any]:
        """The only record."""
        (path,) = (self.folder / "out").glob("*.record.json")
        record: dict[str, Any] = json.loads(path.read_text("utf-8"))
        return record


@pytest.fixture
def bench(tmp_path: Path, tool: Tool) -> Bench:
    return Bench(tmp_path, tool)


class TestABookThatCanNotBeReached:
    @pytest.mark.parametrize(("readings", "verdict", "code"), [(GOOD, "pass", 0), (BAD, "fail", 1)])
    def test_costs_a_run_nothing(
        self, bench: Bench, tmp_path: Path, readings: tuple[str, ...], verdict: str, code: int
    ) -> None:
        done = bench.run(readings, "--book", NOWHERE)

        assert (done.returncode, bench.record["verdict"]) == (code, verdict)
        assert "the record waits beside the journal; when the book is back: holdzero book send out" in done.stderr
        notes = [event["text"] for event in bench.record["events"] if event["event"] == "note_added"]
        assert len(notes) == 1
        assert notes[0].startswith("the book could not be asked: ")
        assert marks(tmp_path / "out") == 1

    def test_says_no_password(self, bench: Bench, tmp_path: Path) -> None:
        done = bench.run(GOOD, "--book", NOWHERE.replace("holdzero@", "holdzero:geheim@"))
        files = "".join(path.read_text("utf-8") for path in (tmp_path / "out").iterdir())
        assert done.returncode == 0
        assert "geheim" not in done.stdout + done.stderr + files

    def test_gets_the_record_once_when_it_is_back(self, bench: Bench, url: str, tmp_path: Path, tool: Tool) -> None:
        bench.run(GOOD, "--book", NOWHERE)
        for _ in range(2):
            sent = tool("book", "send", "out", "--book", url, folder=tmp_path)
            assert sent.returncode == 0, sent.stderr
        assert "nothing waits" in sent.stdout
        assert marks(tmp_path / "out") == 0
        assert sound(open_book(url)) == [bench.record["digest"]]

    def test_still_leaves_it_waiting_when_it_is_not_back(self, bench: Bench, tmp_path: Path, tool: Tool) -> None:
        bench.run(GOOD, "--book", NOWHERE)
        sent = tool("book", "send", "out", "--book", NOWHERE, folder=tmp_path)
        assert sent.returncode == 2
        assert "connection failed" in sent.stderr
        assert marks(tmp_path / "out") == 1

    def test_that_dies_during_a_run_is_told_at_its_end(
        self, server: Server, bench: Bench, tmp_path: Path, tool: Tool
    ) -> None:
        postgresql: Any = server
        url = postgresql.database()
        with subprocess.Popen(
            [*TOOL, *bench.words("--book", url)],
            cwd=tmp_path,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as run:
            assert run.stdin is not None
            assert run.stdout is not None
            run.stdin.write("".join(f"{answer}\n" for answer in GOOD))
            run.stdin.flush()
            until(lambda: sum('"reading_taken"' in line for line in journal(tmp_path)) == len(GOOD))
            assert any('"bench_known"' in line for line in journal(tmp_path))
            server.kill()
            try:
                said, _ = run.communicate("\n", timeout=120.0)
            finally:
                server.start()
        assert run.returncode == 0, said
        assert "the record waits beside the journal" in said
        assert tool("book", "send", "out", "--book", url, folder=tmp_path).returncode == 0
        assert sound(open_book(url)) == [bench.record["digest"]]
        postgresql.drop(url)


def journal(folder: Path) -> list[str]:
    return [line for path in (folder / "out").glob("*.journal.jsonl") for line in path.read_text("utf-8").splitlines()]


class TestARecordThatWaits:
    def test_is_put_in_once_by_two_that_send_at_once(self, url: str, tmp_path: Path, records_of: RecordsOf) -> None:
        texts = records_of(30)
        left_waiting(tmp_path / "records", texts)
        both = [
            subprocess.Popen([*TOOL, "book", "send", "records", "--book", url], cwd=tmp_path, stderr=subprocess.PIPE)
            for _ in range(2)
        ]
        for sender in both:
            _, faults = sender.communicate(timeout=300)
            assert (sender.returncode, faults) == (0, b"")
        assert marks(tmp_path / "records") == 0
        assert sorted(sound(open_book(url))) == sorted(json.loads(text)["digest"] for text in texts)

    def test_waits_on_when_it_was_changed_and_the_others_go_in(
        self, url: str, tmp_path: Path, records_of: RecordsOf, tool: Tool
    ) -> None:
        texts = records_of(3)
        left_waiting(tmp_path / "records", [texts[0], texts[1].replace("T. Ester", "N. Obody"), texts[1]])
        (tmp_path / "records" / "run-001.record.json").write_text(texts[1].replace("A. Ivers", "N. Obody"), "utf-8")

        sent = tool("book", "send", "records", "--book", url, folder=tmp_path)

        assert sent.returncode == 2
        assert "run-001.record.json: not put in: the record was changed after it was made" in sent.stderr
        assert [path.name for path in (tmp_path / "records").glob("*.waiting")] == ["run-001.waiting"]
        assert len(sound(open_book(url))) == 2

    def test_is_marked_before_it_is_sent(self, bench: Bench, tmp_path: Path, tool: Tool) -> None:
        """A tool that is killed while the book keeps it waiting forgets nothing."""
        path = tmp_path / "book.sqlite"
        open_book(str(path), create=True)
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            words = bench.words(*bench.reads(GOOD), "--book", str(path))
            with subprocess.Popen([*TOOL, *words], cwd=tmp_path, stdout=subprocess.DEVNULL) as run:
                until(lambda: marks(tmp_path / "out") == 1)
                run.kill()
            other.execute("ROLLBACK")
        assert tool("book", "send", "out", "--book", str(path), folder=tmp_path).returncode == 0
        assert sound(open_book(str(path))) == [bench.record["digest"]]


class TestTheErrorOfABook:
    def test_is_one_that_a_run_can_take(self, tmp_path: Path) -> None:
        with pytest.raises(BookError, match="nothing was lost"):
            open_book(str(tmp_path), create=True)


# Holds what it is asked to, says so, and lets go when it is told to.
HOLDER = """\
import sqlite3, sys
name = sys.argv[1]
if "://" in name:
    import psycopg
    held = psycopg.connect(name)
    held.execute("LOCK TABLE records IN ACCESS EXCLUSIVE MODE")
else:
    held = sqlite3.connect(name, isolation_level=None)
    held.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.readline()
held.rollback()
"""


@contextlib.contextmanager
def held(url: str) -> Iterator[None]:
    """Another process holds the book: the file locked, or the table."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, url], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        try:
            yield
        finally:
            other.stdin.close()
            assert other.wait(60.0) == 0


@contextlib.contextmanager
def silent() -> Iterator[str]:
    """The address of a database that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as place:
        yield f"postgresql://holdzero@127.0.0.1:{place.getsockname()[1]}/book"


class Sitting:
    """A run that is answered line by line until the last answer alone is missing."""

    def __init__(self, bench: Bench, *more: str) -> None:
        self.folder = bench.folder
        self.process = subprocess.Popen(
            [*TOOL, *bench.words(*more)],
            cwd=bench.folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self.process.stdin is not None
        self.process.stdin.write("".join(f"{answer}\n" for answer in GOOD))
        self.process.stdin.flush()
        until(lambda: sum('"reading_taken"' in line for line in journal(bench.folder)) == len(GOOD))

    def last_answer(self) -> tuple[float, float, str]:
        """Give it: after how long the verdict stood there, after how long all was over [s], and what was said."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        began = time.monotonic()
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        said, shown_s = "", 0.0
        with self.process:
            for line in self.process.stdout:
                said += line
                if "PASS" in line and not shown_s:
                    shown_s = time.monotonic() - began
            assert self.process.wait(60.0) == 0, said
        return shown_s, time.monotonic() - began, said


class TestTheVerdict:
    """It stands there before the book is waited for, which is given five seconds; a minute was waited once."""

    def test_waits_for_no_other_program_that_holds_the_book(self, bench: Bench, url: str, tmp_path: Path) -> None:
        open_book(url, create=True)
        sitting = Sitting(bench, "--book", url)
        assert any('"bench_known"' in line for line in journal(tmp_path))
        with held(url):
            shown_s, over_s, said = sitting.last_answer()
        assert shown_s + 4.0 < over_s < shown_s + 30.0, said
        assert "another program holds the book" in said
        assert "the record waits beside the journal" in said
        assert marks(tmp_path / "out") == 1
        assert open_book(url).count() == 0

        # The next run puts it in, and says so.
        done = bench.run(BAD, "--book", url)
        assert done.returncode == 1, done.stderr
        assert "1 record that waited is in the book now" in done.stdout
        assert marks(tmp_path / "out") == 0
        assert len(sound(open_book(url))) == 2

    def test_waits_for_no_database_that_never_answers(self, bench: Bench, tmp_path: Path) -> None:
        with silent() as url:
            shown_s, over_s, said = Sitting(bench, "--book", url).last_answer()
        assert shown_s + 4.0 < over_s < shown_s + 30.0, said
        assert "the record waits beside the journal" in said
        assert marks(tmp_path / "out") == 1

    def test_waits_for_no_server_that_was_stopped_in_the_middle(self, server: Server, bench: Bench) -> None:
        postgresql: Any = server
        url = postgresql.database()
        open_book(url, create=True)
        sitting = Sitting(bench, "--book", url)
        # All of them: one that was forked already would answer.
        family = family_of(postgresql.pid)
        for number in family:
            os.kill(number, signal.SIGSTOP)
        try:
            shown_s, over_s, said = sitting.last_answer()
        finally:
            for number in family:
                os.kill(number, signal.SIGCONT)
        assert shown_s + 4.0 < over_s < shown_s + 30.0, said
        assert "the record waits beside the journal" in said
        postgresql.drop(url)

    def test_is_not_lost_by_ctrl_c_while_the_book_is_waited_for(self, bench: Bench, tmp_path: Path) -> None:
        path = tmp_path / "book.sqlite"
        open_book(str(path), create=True)
        sitting = Sitting(bench, "--book", str(path))
        with held(str(path)), sitting.process:
            assert sitting.process.stdin is not None
            assert sitting.process.stdout is not None
            sitting.process.stdin.write("\n")
            sitting.process.stdin.flush()
            said = ""
            while ".record.json" not in said:
                said += sitting.process.stdout.readline()
            time.sleep(0.5)
            sitting.process.send_signal(signal.SIGINT)
            said += sitting.process.stdout.read()
            assert sitting.process.wait(60.0) == 0, said
        assert "not waited for any longer" in said
        assert marks(tmp_path / "out") == 1


def family_of(parent: int) -> list[int]:
    """A process and its children, the parent first."""
    listed = subprocess.run(["ps", "-o", "pid=", "--ppid", str(parent)], capture_output=True, text=True, check=True)
    return [parent, *(int(word) for word in listed.stdout.split())]


class TestARecordThatWaitsForABook:
    def test_is_not_put_into_another_by_the_next_run(self, bench: Bench, tmp_path: Path, tool: Tool) -> None:
        bench.run(GOOD, "--book", NOWHERE)
        other = tmp_path / "other.sqlite"
        assert bench.run(BAD, "--book", str(other)).returncode == 1
        assert marks(tmp_path / "out") == 1
        assert open_book(str(other)).count() == 1
        # By hand it goes where one says.
        assert tool("book", "send", "out", "--book", str(other), folder=tmp_path).returncode == 0
        assert open_book(str(other)).count() == 2

    def test_waits_no_more_once_it_was_added(self, bench: Bench, tmp_path: Path, tool: Tool) -> None:
        bench.run(GOOD, "--book", NOWHERE)
        book = str(tmp_path / "book.sqlite")
        assert tool("book", "add", "out", "--book", book, folder=tmp_path).returncode == 0
        assert marks(tmp_path / "out") == 0
        assert open_book(book).count() == 1

    def test_that_was_changed_waits_on_and_holds_no_other_up(self, bench: Bench, url: str, tmp_path: Path) -> None:
        open_book(url, create=True)
        with held(url):
            bench.run(GOOD, "--book", url)
        (record,) = (tmp_path / "out").glob("*.record.json")
        record.write_text(record.read_text("utf-8").replace("T. Ester", "N. Obody"), "utf-8")
        done = bench.run(BAD, "--book", url)
        assert done.returncode == 1
        assert f"{record.relative_to(tmp_path)}: it waits on: the record was changed" in done.stderr
        assert marks(tmp_path / "out") == 1
        assert open_book(url).count() == 1


def spoiled(path: Path, how: str) -> None:
    """A book's file after a fault of the disk, or a hand."""
    content = bytearray(path.read_bytes())
    if how == "its beginning":
        content[:4096] = bytes(4096)
    elif how == "all behind it":
        content[4096:] = b"\xa5" * (len(content) - 4096)
    elif how == "cut off":
        del content[8192:]
    elif how == "emptied":
        content.clear()
    path.write_bytes(bytes(content))
    if how == "a table gone":
        with contextlib.closing(sqlite3.connect(path)) as file:
            file.execute("DROP TABLE documents")
    if how == "version gone":
        with contextlib.closing(sqlite3.connect(path)) as file:
            file.execute("DROP TABLE alembic_version")


DAMAGE = {
    "its beginning": "file is not a database: another file, or a book whose beginning is destroyed",
    "all behind it": "the book is damaged",
    "cut off": "the book is damaged",
    "emptied": "its file is empty",
    "a table gone": "the book is damaged: of its tables there is no more: documents",
    "version gone": "the book is damaged: of its tables there is no more: alembic_version",
}


class TestADamagedBook:
    @pytest.mark.parametrize("how", DAMAGE)
    def test_is_told_as_what_it_is_and_left_as_it_is(
        self, how: str, bench: Bench, tmp_path: Path, records_of: RecordsOf, tool: Tool
    ) -> None:
        path = tmp_path / "book.sqlite"
        open_book(str(path), create=True).add(records_of(10))
        with contextlib.closing(sqlite3.connect(path)) as file:
            file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        spoiled(path, how)
        found = path.read_bytes()

        done = bench.run(GOOD, "--book", str(path))
        listed = tool("book", "list", "--book", str(path), folder=tmp_path)
        added = tool("book", "add", "out", "--book", str(path), folder=tmp_path)

        assert done.returncode == 0, done.stderr
        assert "PASS" in done.stdout
        assert marks(tmp_path / "out") == 1
        for said in (done.stderr, listed.stderr, added.stderr):
            assert DAMAGE[how] in said
            assert "put the last copy in its place" in said
            assert "Traceback" not in said
            assert "fault of the tool" not in said
        assert (listed.returncode, added.returncode) == (2, 2)
        assert path.read_bytes() == found

    def test_that_lost_a_table_on_a_server_is_told_too(self, server: Server, bench: Bench, tmp_path: Path) -> None:
        postgresql: Any = server
        url = postgresql.database()
        open_book(url, create=True)
        with open_book(url).engine.begin() as connection:
            connection.exec_driver_sql("DROP TABLE documents")
        done = bench.run(GOOD, "--book", url)
        assert done.returncode == 0
        assert "the book is damaged: of its tables there is no more: documents" in done.stderr
        assert marks(tmp_path / "out") == 1
        postgresql.drop(url)

    def test_a_new_one_is_said_to_be_new(self, bench: Bench, tmp_path: Path) -> None:
        book = str(tmp_path / "book.sqlite")
        assert "there was no book here; a new one was made" in bench.run(GOOD, "--book", book).stdout
        assert "a new one was made" not in bench.run(GOOD, "--book", book).stdout
