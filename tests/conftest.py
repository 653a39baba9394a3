"""What all tests share besides the kit: a person at a terminal, a run driven by hand, folders."""

from __future__ import annotations

import datetime as dt
import io
import os
import re
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.routine.load import load_routine
from holdzero.run import Run
from holdzero.run.answer import Ended, TakenReading, TakenTemperature, understand
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Asks
from holdzero.testing import PLAIN

ROOT = Path(__file__).parent.parent

pytest_plugins = ("holdzero.testing",)


class Person:
    """A person at a real terminal: waits for each prompt before typing, and can pull the plug.

    Args:
        arguments: of `holdzero`.
        folder: to be in.
        size: rows and columns of the terminal.
        env: on top of the environment.
    """

    MARKS = (
        r"(?:\? for help\)|Enter to compare|Enter to go on|s, (?:d, )?c or q|none\)|own words|another|Note): $"
        r"|measures\? $|leave it\) $|go on\) $"
    )

    def __init__(
        self, *arguments: str, folder: Path, size: tuple[int, int] = (24, 80), env: dict[str, str] | None = None
    ) -> None:
        import pexpect

        kept = {key: item for key, item in os.environ.items() if key not in ("COLUMNS", "LINES", "NO_COLOR")}
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "holdzero", *arguments],
            cwd=str(folder),
            dimensions=size,
            env={**kept, "TERM": "xterm-256color", **(env or {})},
            encoding="utf-8",
            timeout=15,
        )
        self.child.delaybeforesend = None
        self._log = io.StringIO()
        self.child.logfile_read = self._log
        self.end_of_file = pexpect.EOF

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

    def begin(self, text: str) -> None:
        """Type without Enter."""
        self.child.send(text)

    def interrupts(self) -> None:
        """Press Ctrl-C."""
        self.child.sendintr()

    def hangs_up(self) -> None:
        """Press Ctrl-D: end of input."""
        self.child.sendeof()

    def prompted(self) -> str:
        """Wait for the next prompt; gives what was shown since the last one."""
        self.child.expect(self.MARKS)
        return re.sub(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[78])", "", self.child.before + self.child.after)

    def types(self, *lines: str) -> str:
        """Type lines, each after its prompt came; gives what stood before the last one."""
        shown = ""
        for line in lines:
            shown = self.prompted()
            self.child.sendline(line)
        return shown

    def ends(self) -> int:
        """Wait for the end; gives the exit code."""
        self.child.expect(self.end_of_file)
        self.child.close()
        return int(self.child.exitstatus if self.child.exitstatus is not None else -self.child.signalstatus)

    def kill(self, sign: int = signal.SIGKILL) -> None:
        """Pull the plug: nothing can be tidied up."""
        os.kill(self.child.pid, sign)
        self.child.close()


@pytest.fixture
def person(tmp_path: Path) -> Iterator[Callable[..., Person]]:
    """Sit somebody down at a terminal in the folder of the test."""
    seated: list[Person] = []

    def sit(*arguments: str, size: tuple[int, int] = (24, 80), env: dict[str, str] | None = None) -> Person:
        seated.append(Person(*arguments, folder=tmp_path, size=size, env=env))
        return seated[-1]

    yield sit
    for someone in seated:
        someone.child.close(force=True)


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
