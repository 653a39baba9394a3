"""The bench page as a program: killed, started again, raced and called from elsewhere; nothing is lost or doubled."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import select
import shutil
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cached_property
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.catalogue import load_catalogue
from holdzero.journal import read_journal
from holdzero.testing import GOOD, PLAIN
from holdzero.verify import verify
from tests.support.patience import PATIENCE_S

pytestmark = pytest.mark.long

Record: TypeAlias = dict[str, Any]


class Program:
    """`holdzero bench` as a process."""

    def __init__(self, folder: Path, starter: Any, *arguments: str) -> None:
        self.folder = folder
        self.state = folder / "state"
        port = () if "--port" in arguments else ("--port", "0")
        words = ("bench", "--out", "out", *port, *arguments)
        env = {key: item for key, item in os.environ.items() if not key.startswith("HOLDZERO")}
        env["XDG_STATE_HOME"] = str(self.state)
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

    def asks(self, path: str, **headers: str) -> tuple[int, str]:
        """The status of an answer, and the cookie that came with it."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        try:
            line.request("GET", path, headers=headers)
            answer = line.getresponse()
            answer.read()
            return answer.status, (answer.getheader("set-cookie") or "").partition(";")[0]
        finally:
            line.close()

    @cached_property
    def cookie(self) -> str:
        """What the link that was printed first is exchanged for."""
        status, cookie = self.asks(f"/?key={self.key}")
        assert (status, bool(cookie)) == (200, True)
        return cookie

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
        old = begin(visit(program.port, program.cookie).listens())
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
        old.port, old.cookie = program.port, program.cookie
        assert old.posts("answer", text="9").status == 409
        page = visit(program.port, program.cookie).listens()
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
        one = begin(visit(program.port, program.cookie).listens())
        other = visit(program.port, program.cookie).listens()
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
        begin(visit(program.port, program.cookie).listens()).types("0")
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


EVERYTHING = ("/", "/stream", "/static/bench.js", "/record/a.html", "/nothing")
ANOTHER = """\
import sys, urllib.error, urllib.request
for path in sys.argv[3:]:
    try:
        print(urllib.request.urlopen(f"http://127.0.0.1:{sys.argv[1]}{path}").status)
    except urllib.error.HTTPError as error:
        print(error.code)
try:
    print(open(sys.argv[2]).read())
except PermissionError:
    print("closed")
"""


def _python_of_the_system() -> str:
    """One that any user may start: that of an environment may lie in somebody's own folder."""
    found = shutil.which("python3", path="/usr/local/bin:/usr/bin:/bin")
    if found is None:
        pytest.skip("no python3 of the system is installed here")
    return found


class TestOnThisMachine:
    def test_another_user_sees_nothing_and_can_not_read_who_was_let_in(self, serve: Serve, tmp_path: Path) -> None:
        if os.geteuid() != 0:
            pytest.skip("only root can be another user")
        program = serve()
        assert program.cookie
        for folder in (tmp_path, *tmp_path.parents):  # so that what holds the other up is the folder itself
            if folder.owner() == "root" and folder != Path("/"):
                folder.chmod(folder.stat().st_mode | stat.S_IXOTH)
        (kept,) = (program.state / "holdzero").iterdir()
        other = subprocess.run(
            [_python_of_the_system(), "-c", ANOTHER, str(program.port), str(kept), *EVERYTHING],
            capture_output=True,
            text=True,
            check=True,
            cwd="/",
            user="nobody",
            group="nogroup",
            extra_groups=[],
            env={"PATH": os.environ["PATH"]},
        )
        assert other.stdout.split() == ["401"] * len(EVERYTHING) + ["closed"]

    def test_a_link_works_once_and_then_the_cookie_alone(self, serve: Serve) -> None:
        program = serve()
        cookie = program.cookie
        assert [program.asks(path)[0] for path in EVERYTHING] == [401] * len(EVERYTHING)
        assert program.asks(f"/?key={program.key}")[0] == 401
        assert program.asks("/", Cookie=cookie)[0] == 200
        assert program.asks(f"/?key={program.key}", Cookie=cookie)[0] == 200, "the old link, opened once more"
        assert program.said.count("?key=") == 2
        assert "can read along" not in program.said

    def test_a_start_of_the_server_needs_no_new_link(self, serve: Serve) -> None:
        program = serve()
        cookie = program.cookie
        (kept,) = (program.state / "holdzero").iterdir()
        assert cookie.partition("=")[2] not in kept.read_text("utf-8")
        assert stat.S_IMODE(kept.parent.stat().st_mode) == 0o700
        program.kill()
        program = serve("--port", str(program.port))
        assert program.asks("/", Cookie=cookie)[0] == 200
        assert program.asks("/", Cookie=cookie + "x")[0] == 401
        # Both browsers, and after one more start too.
        other = program.cookie
        assert program.ends(signal.SIGTERM) == 0
        program = serve("--port", str(program.port))
        assert [program.asks("/", Cookie=one)[0] for one in (cookie, other)] == [200, 200]

    def test_what_others_could_write_lets_nobody_in(self, serve: Serve) -> None:
        program = serve()
        cookie = program.cookie
        program.kill()
        (program.state / "holdzero").chmod(0o777)
        program = serve("--port", str(program.port))
        assert program.asks("/", Cookie=cookie)[0] == 401
        assert program.cookie
        assert "a new link is needed" in program.said

    def test_over_the_network_a_start_needs_a_new_link(self, serve: Serve) -> None:
        program = serve("--listen", "0.0.0.0")  # noqa: S104  as above
        cookie = program.cookie
        program.kill()
        program = serve("--listen", "0.0.0.0", "--port", str(program.port))  # noqa: S104  as above
        assert program.asks("/", Cookie=cookie)[0] == 401


def gone(line: socket.socket) -> bool:
    """Whether the other end has closed a connection, by now."""
    if not select.select([line], [], [], 0.0)[0]:
        return False
    try:
        return line.recv(65_536) == b""
    except OSError:
        return True


SLOW = {
    "half a head": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ",
    "nothing": b"",
    "a refused post without its body": (
        b"POST /do HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nX-Holdzero: bench\r\n"
        b"Content-Type: application/json\r\nContent-Length: 60000\r\n\r\n{"
    ),
}


class TestManyWhoAskForNothing:
    @pytest.mark.parametrize("what", SLOW)
    def test_shut_nobody_out_and_are_gone_after_ten_seconds(self, what: str, serve: Serve, visit: Any) -> None:
        program = serve()
        page = begin(visit(program.port, program.cookie).listens())
        sent = SLOW[what] % program.port if b"%d" in SLOW[what] else SLOW[what]
        with contextlib.ExitStack() as held:
            lines = []
            began = time.monotonic()
            for _ in range(520):
                line = held.enter_context(socket.create_connection(("127.0.0.1", program.port), timeout=PATIENCE_S))
                with contextlib.suppress(OSError):  # it was dropped already
                    line.sendall(sent)
                lines.append(line)
            # They are strangers from the very address of the page, and the page does not notice.
            for answer in GOOD[:3]:
                asked = time.monotonic()
                page.types(answer)
                assert time.monotonic() - asked < 9.0  # who waits for the strangers waits ten seconds
            again = visit(program.port, program.cookie)
            assert again.asks("/").status == 200
            assert again.listens().seq == page.seq
            ends = began + PATIENCE_S
            while left := [line for line in lines if not gone(line)]:
                assert time.monotonic() < ends, f"{len(left)} were never closed"
                for line in left:
                    with contextlib.suppress(OSError):
                        line.sendall(b"a")  # a byte now and then buys no time
                time.sleep(0.5)
        page.types(*GOOD[3:])
        compare(page)
        assert typed(program.record) == list(GOOD)

    def test_and_never_read_the_answers_shut_nobody_out(self, serve: Serve, visit: Any) -> None:
        program = serve()
        page = begin(visit(program.port, program.cookie).listens())
        asked = b"GET / HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % program.port * 4000
        with contextlib.ExitStack() as held:
            lines = []
            for _ in range(140):
                line = held.enter_context(socket.socket())
                line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
                line.settimeout(0.05)
                with contextlib.suppress(OSError):  # nothing more goes in, or it was dropped already
                    line.connect(("127.0.0.1", program.port))
                    while True:
                        line.sendall(asked)
                line.setblocking(False)
                lines.append(line)
            assert visit(program.port, program.cookie).asks("/").status == 200
            page.types(*GOOD[:3])
            ends = time.monotonic() + 30.0
            while left := [line for line in lines if not broken(line)]:
                assert time.monotonic() < ends, f"{len(left)} were never closed"
                time.sleep(0.5)
        page.types(*GOOD[3:])
        compare(page)
        assert typed(program.record) == list(GOOD)

    @pytest.mark.skipif(sys.platform != "linux", reason="there alone all of 127/8 is this machine")
    def test_from_many_addresses_of_this_machine_shut_nobody_out(self, serve: Serve, visit: Any) -> None:
        program = serve()
        page = begin(visit(program.port, program.cookie).listens())
        with contextlib.ExitStack() as held:
            for number in range(400):
                own = (f"127.0.1.{number % 200 + 1}", 0)
                line = socket.create_connection(("127.0.0.1", program.port), PATIENCE_S, own)
                held.enter_context(line)
            for _ in range(3):
                assert visit(program.port, program.cookie).asks("/").status == 200
            page.types(*GOOD)
            compare(page)


def broken(line: socket.socket) -> bool:
    """Whether the other end has closed a connection whose answers were never read."""
    try:
        line.send(b"G")
    except BlockingIOError:
        return False
    except OSError:
        return True
    return False


def test_a_link_of_no_form_is_answered_and_told_to_nobody(serve: Serve) -> None:
    program = serve()
    for query in ("key=a&b&c&d&e", "key=%ff%00", "key=" + "a" * 60_000, "key", "&" * 100):
        assert program.asks(f"/?{query}")[0] == 401
    assert "fault" not in program.said
