"""What all tests share besides the kit: a person at a terminal, a run driven by hand, folders, databases."""

from __future__ import annotations

import contextlib
import datetime as dt
import http.client
import io
import json
import os
import re
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from holdzero import events as e
from holdzero.book import Book, open_book
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import Patience
from holdzero.cli.house import Shop
from holdzero.routine.load import load_routine
from holdzero.run import Run
from holdzero.run.answer import Ended, TakenReading, TakenTemperature, understand
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Asks
from holdzero.testing import PLAIN
from holdzero.testing.many import Many

ROOT = Path(__file__).parent.parent
# How long anything may take that must happen [s]: nobody waits for it, unless it is wrong.
PATIENCE_S = 60.0

pytest_plugins = ("holdzero.testing",)

# The same examples for everybody, so that a red suite is red for all; a soak looks for new ones:
# `HYPOTHESIS_PROFILE=soak python -m pytest tests/laws` tries each law a hundred thousand times.
settings.register_profile("suite", max_examples=200, deadline=None, derandomize=True)
settings.register_profile(
    "soak", max_examples=100_000, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
# Whoever begins the tests may have them ignore Ctrl-C, as a job in the background does: what they begin must hear it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))


class Begun:
    """The tool as a process of its own, begun by a `Starter`.

    Args:
        report: where its number comes, and how it ended.
    """

    def __init__(self, report: int) -> None:
        self._report = os.fdopen(report, "rb", buffering=0)
        self.returncode: int | None = None
        self.pid = int(self._said())

    def poll(self) -> int | None:
        """How it ended; None while it has not."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end; gives the exit code, less than zero for a signal."""
        if self.returncode is None:
            if not select.select([self._report], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired("holdzero", timeout or 0.0)
            self.returncode = int(self._said())
            self._report.close()
        return self.returncode

    def send_signal(self, sign: int) -> None:
        """Send a signal, unless it has ended."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):  # it ended meanwhile
                os.kill(self.pid, sign)

    def kill(self) -> None:
        """Pull the plug: nothing can be tidied up."""
        self.send_signal(signal.SIGKILL)

    def _said(self) -> bytes:
        line = self._report.readline()
        assert line, "the process that begins others has ended"
        return line


class Starter:
    """Begins the tool as `python -m holdzero` does, without the second of its imports; see `prepared_tool.py`."""

    def __init__(self) -> None:
        self._line, other = socket.socketpair()
        command = [sys.executable, str(ROOT / "tests" / "prepared_tool.py"), str(other.fileno())]
        with other:
            self._process = subprocess.Popen(command, pass_fds=[other.fileno()], stdin=subprocess.DEVNULL)

    def begin(
        self,
        *arguments: str,
        folder: Path,
        streams: tuple[int, int, int],
        env: Mapping[str, str] | None = None,
        terminal: bool = False,
        code: str = "",
    ) -> Begun:
        """Begin it in a folder, with stdin, stdout and stderr, which may be a terminal; the streams stay open here.

        Code takes the place of the tool, as with `python -c`. Where the environment says something else to the
        interpreter, that is begun anew.
        """
        given = dict(os.environ if env is None else env)
        python = {key for key in {*given, *os.environ} if key.startswith(("PYTHON", "LC_", "LANG"))}
        asked = {
            "arguments": arguments,
            "folder": str(folder),
            "env": given,
            "terminal": terminal,
            "code": code,
            "anew": any(given.get(key) != os.environ.get(key) for key in python),
        }
        ours, its = os.pipe()
        line = json.dumps(asked).encode() + b"\n"
        sent = socket.send_fds(self._line, [line], [*streams, its])
        self._line.sendall(line[sent:])
        os.close(its)
        return Begun(ours)

    def run(
        self,
        *arguments: str,
        folder: Path,
        given: str | None = None,
        env: Mapping[str, str] | None = None,
        timeout: float = 120.0,
    ) -> subprocess.CompletedProcess[str]:
        """Run it to its end, what is typed given beforehand; nothing to be typed if left out."""
        with tempfile.TemporaryFile() as typed, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            typed.write((given or "").encode())
            typed.seek(0)
            begun = self.begin(*arguments, folder=folder, streams=(typed.fileno(), out.fileno(), err.fileno()), env=env)
            try:
                code = begun.wait(timeout)
            finally:
                begun.kill()
            said = []
            for stream in (out, err):
                stream.seek(0)
                said.append(stream.read().decode("utf-8").replace("\r\n", "\n"))
        return subprocess.CompletedProcess(["holdzero", *arguments], code, *said)

    def close(self) -> None:
        """Begin no more."""
        self._line.close()
        self._process.wait()


@pytest.fixture(scope="session")
def starter() -> Iterator[Starter]:
    """Begins the tool as a process of its own, soon."""
    made = Starter()
    yield made
    made.close()


class Person:
    """A person at a real terminal: waits for each prompt before typing, and can pull the plug.

    Args:
        arguments: of `holdzero`.
        starter: begins it.
        folder: to be in.
        size: rows and columns of the terminal.
        env: on top of the environment.
    """

    MARKS = (
        r"(?:\? for help\)|Enter to compare|Enter to go on|s, (?:d, )?(?:z, )?(?:w, )?c or q|none\)|own words"
        r"|another|Note): $|measures\? $|leave it\) $|go on\) $"
    )

    def __init__(
        self,
        *arguments: str,
        starter: Starter,
        folder: Path,
        size: tuple[int, int] = (24, 80),
        env: dict[str, str] | None = None,
    ) -> None:
        import pty
        import termios

        from pexpect import EOF
        from pexpect.fdpexpect import fdspawn

        kept = {key: item for key, item in os.environ.items() if key not in ("COLUMNS", "LINES", "NO_COLOR")}
        ours, its = pty.openpty()
        termios.tcsetwinsize(its, size)
        self.tool = starter.begin(
            *arguments,
            folder=folder,
            streams=(its, its, its),
            env={**kept, "TERM": "xterm-256color", **(env or {})},
            terminal=True,
        )
        os.close(its)
        self.child = fdspawn(ours, encoding="utf-8", timeout=PATIENCE_S)
        self.child.delaybeforesend = None
        self._log = io.StringIO()
        self.child.logfile_read = self._log
        self.end_of_file = EOF

    @property
    def raw(self) -> str:
        """All that was sent to the terminal so far, with the terminal's own signs."""
        return self._log.getvalue()

    @property
    def screen(self) -> str:
        """All that was shown so far, without the terminal's own signs."""
        return re.sub(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[78])", "", self._log.getvalue()).replace("\r\n", "\n")

    def say(self, line: str) -> None:
        """Type a line at once, with Enter."""
        self.child.sendline(line)

    def says_at_once(self, *lines: str, half: str = "") -> None:
        """Type lines faster than the first of them can be answered, and half a line more; no stall comes between."""
        self.child.send("".join(f"{line}\n" for line in lines) + half)

    def begin(self, text: str) -> None:
        """Type without Enter."""
        self.child.send(text)

    def interrupts(self) -> None:
        """Press Ctrl-C."""
        self.child.send("\x03")

    def hangs_up(self) -> None:
        """Press Ctrl-D: end of input."""
        self.child.send("\x04")

    def shows(self, pattern: str) -> None:
        """Wait until the screen shows something more."""
        self.child.expect(pattern)

    def prompted(self) -> str:
        """Wait for the next prompt; gives what was shown since the last one."""
        self.child.expect(self.MARKS)
        return re.sub(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[78])", "", self.child.before + self.child.after)

    def types(self, *lines: str) -> str:
        """Type lines, each after its prompt came; gives what stood before the last one. One may hold several."""
        shown = ""
        for line in "\n".join(lines).split("\n") if lines else ():
            shown = self.prompted()
            self.child.sendline(line)
        return shown

    def ends(self) -> int:
        """Wait for the end; gives the exit code."""
        from pexpect import TIMEOUT

        try:
            self.child.expect(self.end_of_file)
        except TIMEOUT:
            raise AssertionError(f"it did not end; last on the screen: {self.screen[-2500:]}") from None
        self.child.close()
        return self.tool.wait(PATIENCE_S)

    def kill(self, sign: int = signal.SIGKILL) -> None:
        """Pull the plug: nothing can be tidied up."""
        self.tool.send_signal(sign)
        self.tool.wait(PATIENCE_S)
        self.child.close()

    def leaves(self) -> None:
        """Nothing is left of it."""
        self.kill()


@pytest.fixture
def person(tmp_path: Path, starter: Starter) -> Iterator[Callable[..., Person]]:
    """Sit somebody down at a terminal in the folder of the test."""
    seated: list[Person] = []

    def sit(*arguments: str, size: tuple[int, int] = (24, 80), env: dict[str, str] | None = None) -> Person:
        seated.append(Person(*arguments, starter=starter, folder=tmp_path, size=size, env=env))
        return seated[-1]

    yield sit
    for someone in seated:
        someone.leaves()


@pytest.fixture(scope="session", autouse=True)
def _unhurried() -> Iterator[None]:
    """A check may take as long as it likes where a test's shop says nothing else: a machine that stalls is no check."""

    def patience(shop: Shop) -> Patience:
        said = shop.register.plugins
        budget_s = said.budget if "budget" in said.model_fields_set else PATIENCE_S
        return Patience(budget_s=budget_s, limit_s=said.limit if "limit" in said.model_fields_set else PATIENCE_S)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Shop, "patience", property(patience))
        yield


@pytest.fixture(scope="session")
def routines() -> Path:
    """The folder of the shipped routines."""
    return ROOT / "routines"


class Bench:
    """Drives the sans-I/O run by hand: an answer a second, events as the session would make them."""

    def __init__(self, routine: str, folder: Path, serials: tuple[str | None, ...] = ("1",)) -> None:
        path = folder / "bench.toml"
        path.write_text(routine, "utf-8")
        self.loaded = load_routine(path)
        self.run = Run()
        self.time_s = 0.0
        self.take(
            e.RunStarted,
            software="test",
            routine=self.loaded.document,
            routine_digest=self.loaded.digest,
            routine_file=path.name,
            member=None,
            operator="T. Ester",
            serials=serials,
            source="keyboard",
            simulated=False,
            overruled={},
        )

    def event(self, kind: type[Any], **fields: Any) -> Any:
        """The next event, not yet taken."""
        wall = (dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC) + dt.timedelta(seconds=self.time_s)).isoformat()
        return kind(seq=self.run.state.seq + 1, wall=wall, time_s=self.time_s, **fields)

    def take(self, kind: type[Any], **fields: Any) -> Bench:
        """Take an event."""
        self.run = self.run.take(self.event(kind, **fields))
        return self

    def answer(self, *texts: str) -> Bench:
        """Answer prompts in their order; a soak is waited for."""
        for text in texts:
            prompt = self.run.prompt
            assert prompt is not None, "nothing is asked"
            self.time_s = max(self.time_s + 1.0, prompt.until_s if prompt.asks is Asks.WAIT else 0.0)
            said = understand(text, prompt, self.run.state.comparator, self.time_s)
            match said:
                case TakenReading(value):
                    self.take(e.ReadingTaken, slot=prompt.slot.id, raw=text, value_um=value)
                case TakenTemperature(value):
                    self.take(e.TemperatureRead, slot=prompt.slot.id, raw=text, value_degC=value)
                case Ended(reason):
                    self.take(e.SoakEnded, slot=prompt.slot.id, reason=reason)
                case _ if prompt.slot.kind is SlotKind.COMPARE:
                    self.take(e.RunFinished, slot=prompt.slot.id)
                case _:
                    self.take(e.StepDone, slot=prompt.slot.id)
        return self

    def strike(self, seq: int, reason: str = "mistyped") -> Bench:
        """Strike out an entry."""
        return self.take(e.AnswerStruck, target=seq, reason=reason)

    def asked(self) -> str:
        """What is asked now, as `kind` or `kind place`; empty where nothing is."""
        slot = self.run.prompt.slot if self.run.prompt else None
        return "" if slot is None else f"{slot.kind.value} {slot.place or ''}".strip()


@pytest.fixture
def start(tmp_path: Path) -> Callable[..., Bench]:
    """Start a run on a routine text."""

    def go(routine: str = PLAIN, serials: tuple[str | None, ...] = ("1",)) -> Bench:
        return Bench(routine, tmp_path, serials)

    return go


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The built-in plugins."""
    return load_catalogue()


class Visitor:
    """A page in a browser: it is loaded, listens and posts.

    Args:
        port: of the server on this machine.
        cookie: that it sends; empty for none.
    """

    def __init__(self, port: int, cookie: str = "") -> None:
        self.port = port
        self.cookie = cookie
        self.told: dict[str, Any] = {}
        self._news = threading.Condition()
        self._line: http.client.HTTPConnection | None = None
        shown = self.asks("/").text
        self.name = found[1] if (found := re.search(r'data-pen="([^"]+)"', shown)) else ""

    def asks(self, path: str, method: str = "GET", body: bytes | None = None, **headers: str) -> Reply:
        """Ask for something; `_` stands for `-` in a header's name."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookie:
            sent.setdefault("Cookie", self.cookie)
        try:
            line.request(method, path, body, sent)
            response = line.getresponse()
            return Reply(response.status, dict(response.getheaders()), response.read().decode("utf-8"))
        finally:
            line.close()

    def posts(self, what: str, seq: int | None = None, **fields: Any) -> Reply:
        """Post something in answer to what is shown, or to what was."""
        data = {"pen": self.name, "seq": self.seq if seq is None else seq, "what": what, **fields}
        headers = {"X_Holdzero": "bench", "Content_Type": "application/json"}
        return self.asks("/do", "POST", json.dumps(data).encode(), **headers)

    def does(self, what: str, **fields: Any) -> Visitor:
        """Post something that is taken, and wait until something else is shown."""
        seq = self.seq
        assert self.posts(what, **fields).status == 200, (what, fields, self.told.get("sheet"))
        return self.until(lambda: self.seq != seq)

    def types(self, *texts: str) -> None:
        """Answer prompts in their order, each when it is shown."""
        for text in texts:
            if not text:
                time.sleep(0.35)  # a bare press right after a step came is a bounce
            self.does("answer", text=text)

    def listens(self) -> Visitor:
        """Listen from now on; comes back when the first sheet is there."""
        self.told.clear()
        self._line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        headers = {"Cookie": self.cookie} if self.cookie else {}
        self._line.request("GET", f"/stream?pen={self.name}", headers=headers)
        threading.Thread(target=self._hear, args=(self._line.getresponse(),), daemon=True).start()
        return self.until(lambda: {"sheet", "pen"} <= self.told.keys())

    def leaves(self) -> None:
        """Close the page."""
        if self._line is not None and self._line.sock is not None:
            with contextlib.suppress(OSError):
                self._line.sock.shutdown(socket.SHUT_RDWR)
            self._line.close()

    def until(self, true: Callable[[], bool]) -> Visitor:
        """Wait until something that is heard makes it true."""
        with self._news:
            assert self._news.wait_for(true, PATIENCE_S), self.told
        return self

    @property
    def seq(self) -> int:
        """Of what is shown."""
        return int(self.told["sheet"]["seq"])

    @property
    def shown(self) -> str:
        """The markup that is shown."""
        return str(self.told["sheet"]["html"])

    @property
    def stage(self) -> str:
        """What the page is about."""
        return str(re.findall(r'data-state="([^"]+)"', self.shown)[0])

    @property
    def writes(self) -> bool:
        """Whether it has the pen."""
        return bool(self.told["pen"]["mine"])

    def _hear(self, stream: http.client.HTTPResponse) -> None:
        kind = ""
        with contextlib.suppress(OSError, ValueError, AttributeError, http.client.HTTPException):
            while line := stream.readline().decode("utf-8").rstrip("\n"):
                kind = line.removeprefix("event: ")
                if kind.startswith(":"):
                    stream.readline()
                    continue
                data = stream.readline().decode("utf-8")
                stream.readline()
                with self._news:
                    self.told[kind] = json.loads(data.removeprefix("data: "))
                    self._news.notify_all()


@dataclass(frozen=True)
class Reply:
    """What a server answered."""

    status: int
    headers: dict[str, str]
    text: str

    @property
    def why(self) -> str:
        """Why it refused."""
        return str(json.loads(self.text)["why"])


@pytest.fixture
def visit() -> Iterator[Callable[..., Visitor]]:
    """Open pages of a server on this machine."""
    opened: list[Visitor] = []

    def go(port: int, cookie: str = "") -> Visitor:
        opened.append(Visitor(port, cookie))
        return opened[-1]

    yield go
    for page in opened:
        page.leaves()


class Server:
    """A PostgreSQL server of its own, in a folder that is gone afterwards.

    It waits for no disk: it may be killed here, not its machine, and what it wrote is then with the system. It refuses
    to run as root: root runs it as another user.

    Args:
        programs: folder of the server's programs.
    """

    def __init__(self, programs: Path) -> None:
        self._programs = programs
        self._folder = Path(tempfile.mkdtemp(prefix="holdzero-postgresql-", dir="/tmp"))  # a socket's path is short
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            self._as = {"user": _another_user(), "group": "nogroup", "extra_groups": []}
            shutil.chown(self._folder, self._as["user"], self._as["group"])
        self.port = _lasting_port()
        self._count = 0
        self._process: subprocess.Popen[bytes] | None = None
        options = ["-A", "trust", "-U", "holdzero", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync"]
        command = [str(programs / "initdb"), "-D", str(self._folder / "data"), *options]
        subprocess.run(command, cwd=self._folder, check=True, capture_output=True, **self._as)
        self.start()

    def url(self, database: str) -> str:
        """The address of a database."""
        return f"postgresql://holdzero@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        """Start it, or start it again after it was killed; it takes connections then."""
        ends = time.monotonic() + PATIENCE_S
        command = [str(self._programs / "postgres"), "-D", str(self._folder / "data"), "-p", str(self.port)]
        command += ["-k", str(self._folder), "-c", "listen_addresses=127.0.0.1", "-c", "fsync=off"]
        while time.monotonic() < ends:
            if self._process is None or self._process.poll() is not None:
                # Killed, its children hold its memory for a moment, and it gives up: once more.
                with (self._folder / "log").open("ab") as log:
                    self._process = subprocess.Popen(command, cwd=self._folder, stdout=log, stderr=log, **self._as)
            with contextlib.suppress(Exception):  # not up yet: whatever a driver says then
                self._do("SELECT 1")
                return
            time.sleep(0.05)
        raise RuntimeError((self._folder / "log").read_text("utf-8"))

    def kill(self) -> None:
        """Pull the plug."""
        self._ended(signal.SIGKILL)

    def database(self) -> str:
        """A new database; gives its address."""
        self._count += 1
        self._do(f"CREATE DATABASE book{self._count}")
        return self.url(f"book{self._count}")

    def drop(self, url: str) -> None:
        """Drop a database, whoever is in it."""
        self._do(f"DROP DATABASE {url.rpartition('/')[2]} WITH (FORCE)")

    def remove(self) -> None:
        """Stop it, and leave nothing behind."""
        self._ended(signal.SIGINT)
        shutil.rmtree(self._folder)

    def _ended(self, sign: int) -> None:
        if self._process is not None:
            self._process.send_signal(sign)
            self._process.wait(PATIENCE_S)

    def _do(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.url("postgres"), autocommit=True, connect_timeout=int(PATIENCE_S)) as connection:
            connection.execute(statement.encode())


def _lasting_port() -> int:
    """A free port that the system hands to nobody who asks for any: it may be left for a while, and had again."""
    first = 20_000 + 13 * os.getpid() % 10_000  # so that two that run at once look at different ones
    for number in range(first, first + 200):
        with contextlib.suppress(OSError), socket.socket() as free:
            free.bind(("127.0.0.1", number))
            return number
    raise RuntimeError(f"no port is free from {first} on")


def _another_user() -> str:
    import pwd

    known = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in known else "nobody"


def _programs() -> Path | None:
    """Where PostgreSQL's server programs are: on the path, or where Debian keeps them, the newest first."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).resolve().parent
    folders = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    return max((path.parent for path in folders), key=lambda path: float(path.parent.name), default=None)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server for all tests of this run."""
    programs = _programs()
    if programs is None:
        if os.environ.get("HOLDZERO_NEEDS_POSTGRESQL") == "1":
            pytest.fail("HOLDZERO_NEEDS_POSTGRESQL is set, and no PostgreSQL server is installed")
        pytest.skip("no PostgreSQL server is installed here")
    started = Server(programs)
    yield started
    started.remove()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a book that is not there yet: on each kind of database."""
    if request.param == "sqlite":
        yield str(tmp_path / "book.sqlite")
        return
    postgresql: Server = request.getfixturevalue("server")
    made = postgresql.database()
    yield made
    postgresql.drop(made)


@pytest.fixture
def book(url: str) -> Iterator[Book]:
    """An empty book on each kind of database."""
    opened = open_book(url, create=True)
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="session")
def records_of(catalogue: Catalogue) -> Callable[..., list[str]]:
    """Make real records, distinct and as texts, oldest first: `records_of(3, operators=["T. Ester"])`; see `Many`.

    Devices and routine are changed with `draft=WASHER.with_table(…)`.
    """

    def make(count: int, **changes: Any) -> list[str]:
        return list(Many(catalogue=catalogue, **changes).texts(count))

    return make
