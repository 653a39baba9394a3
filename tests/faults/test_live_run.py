"""A whole run that is read from an instrument on a real pseudo-terminal, and what may happen to it on the way."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from holdzero.testing import PLAIN

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals", allow_module_level=True)

import fcntl
import pty
import termios
import tty

from tests.support.patience import PATIENCE_S

pytestmark = [pytest.mark.long, pytest.mark.terminal]

PROFILE = """
format = 1
title = "a stream in um"
terminator = "CR LF"
sends = "stream"
pattern = '(?P<sign>[+-])(?P<number>[0-9]{3}\\.[0-9]{2})'
unit = "um"
decimals = 2
silent = "60 s"
still = { number = 4, within = "0.3 um" }
"""


def until(so: Callable[[], bool]) -> None:
    """Wait until it is so."""
    ends = time.monotonic() + PATIENCE_S
    while not so():
        assert time.monotonic() < ends, "waited too long"
        time.sleep(0.01)


class Indicator:
    """Sends what it shows thirty times a second, a hundredth up and down; it can be unplugged, and plugged in again."""

    def __init__(self, folder: Path) -> None:
        self.port = folder / "port"
        self.shows = 0.0
        self.sent: list[str] = []
        self._ends: tuple[int, ...] = ()
        self._lock = threading.Lock()
        self._over = threading.Event()
        self.plug()
        threading.Thread(target=self._work, daemon=True).start()

    def plug(self) -> None:
        """A device of another number under the old name."""
        ends = pty.openpty()
        for end in ends:
            tty.setraw(end)
        os.set_blocking(ends[0], False)
        new = self.port.with_name("new")
        new.symlink_to(os.ttyname(ends[1]))
        with self._lock:
            new.replace(self.port)
            self._ends = ends

    def unplug(self, broken: bytes = b"") -> None:
        """The cable comes out, in the middle of a line if there is one."""
        with self._lock:
            if broken:
                os.write(self._ends[0], broken)
            self.port.unlink(missing_ok=True)
            for end in self._ends:
                os.close(end)
            self._ends = ()

    def is_heard(self, lines: int) -> None:
        """Wait until so many lines more were sent, and the tool has read them."""
        goal = len(self.sent) + lines
        until(lambda: self._read() >= goal)

    def _read(self) -> int:
        """How many lines the tool has read: what was sent, less what still waits for it."""
        with self._lock:
            waits = fcntl.ioctl(self._ends[1], termios.FIONREAD, bytes(4))
            return len(self.sent) - -(-int.from_bytes(waits, sys.byteorder) // len("+000.00\r\n"))

    def close(self) -> None:
        self._over.set()
        if self._ends:
            self.unplug()

    def _work(self) -> None:
        number = 0
        while not self._over.wait(0.03):
            number += 1
            line = f"{self.shows + 0.01 * (number % 2):+07.2f}"
            with self._lock, contextlib.suppress(OSError):
                if self._ends:
                    os.write(self._ends[0], f"{line}\r\n".encode())
                    self.sent.append(line)


@pytest.fixture
def indicator(tmp_path: Path) -> Iterator[Indicator]:
    made = Indicator(tmp_path)
    yield made
    made.close()


@pytest.fixture
def begin(person: Callable[..., Any], tmp_path: Path, indicator: Indicator) -> Callable[..., Any]:
    """Begin a run of the plain routine at the indicator."""

    def go(text: str = PLAIN) -> Any:
        (tmp_path / "routine.toml").write_text(text, "utf-8")
        (tmp_path / "profile.toml").write_text(PROFILE, "utf-8")
        who = ("--operator", "T. Ester", "--serial", "7", "--out", "out")
        return person("run", "routine.toml", *who, "--source", f"serial:{indicator.port},profile.toml")

    return go


def settles(indicator: Indicator, value: float) -> None:
    """The tip is lifted and lowered on something else, and the value has come to the tool."""
    indicator.shows = 40.0
    indicator.is_heard(6)
    indicator.shows = value
    # Four that lie together are taken; half a second of what comes as the listening begins is not.
    indicator.is_heard(24)


def record_of(folder: Path) -> dict[str, Any]:
    (path,) = (folder / "out").glob("*.record.json")
    found: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return found


def read_all(at_bench: Any, indicator: Indicator, *values: float) -> None:
    """Each value settles, and Enter accepts it."""
    for value in values:
        step(at_bench)
        settles(indicator, value)
        before = taken(indicator.port.parent)
        at_bench.say("")
        # It may still have to come to rest, and is lifted only after that.
        until(lambda before=before: taken(indicator.port.parent) > before)  # type: ignore[misc]  # bound now


def step(at_bench: Any) -> None:
    """Wait until the next step is asked for; the mark alone comes again whenever what is live takes more lines."""
    at_bench.child.expect(r"Step \d+ of", timeout=2 * PATIENCE_S)
    at_bench.prompted()


def taken(folder: Path) -> int:
    """How many readings are on disk."""
    return sum(path.read_text("utf-8").count('"reading_taken"') for path in (folder / "out").glob("*.journal.jsonl"))


class TestASoakThatIsWatched:
    # Within half a minute nothing finer can be told of what is still to come.
    # A wire of a tenth of a millimetre takes no longer to cool.
    STEP = '[part]\nsection = ["0.1 mm", "0.1 mm"]\n\n[[steps]]\ndo = "soak"\nat_least = "2 min"\nwithin = "20 mm"\n\n'

    def test_ends_when_it_is_at_rest_and_recomputes_to_that(
        self, begin: Callable[..., Any], person: Callable[..., Any], indicator: Indicator, tmp_path: Path
    ) -> None:
        at_bench = begin(PLAIN.replace("[[steps]]", self.STEP + "[[steps]]", 1))
        assert "to go" in at_bench.prompted()
        read_all(at_bench, indicator, 0.0, 0.1, -0.1, 1.0, 1.1, 0.9, 0.0)
        step(at_bench)
        at_bench.say("")
        assert at_bench.ends() == 0
        record = record_of(tmp_path)
        (told,) = [finding["text"] for finding in record["findings"] if finding["code"] == "soak/at_rest"]
        assert "20000 µm allowed" in told
        assert person("verify", "out").ends() == 0
        seen = next(event for event in record["events"] if event["event"] == "soak_observed")
        seen["value"] += 5.0
        (path,) = (tmp_path / "out").glob("*.record.json")
        path.write_text(json.dumps(record), "utf-8")
        again = person("verify", "out")
        assert again.ends() == 1
        assert f"events[{seen['seq']}]" in again.screen


class TestARunThatIsReadFromALine:
    def test_ends_in_a_pass_with_every_line_that_was_used_in_the_record(
        self, begin: Callable[..., Any], indicator: Indicator, tmp_path: Path
    ) -> None:
        at_bench = begin()
        read_all(at_bench, indicator, 0.0, 0.1, -0.1, 1.0, 1.1, 0.9, 0.0)
        step(at_bench)
        at_bench.say("")
        assert at_bench.ends() == 0
        record = record_of(tmp_path)
        lines = [event["line"] for event in record["events"] if event["event"] == "reading_taken"]
        assert len(lines) == 7
        assert set(lines) <= set(indicator.sent)
        expected = [0.0, 0.1, -0.1, 1.0, 1.1, 0.9, 0.0]
        assert [row["value"] for row in record["readings"]] == pytest.approx(expected, abs=0.02)

    def test_that_loses_its_cable_keeps_what_was_read_and_checks_the_zero(
        self, begin: Callable[..., Any], indicator: Indicator, tmp_path: Path
    ) -> None:
        at_bench = begin()
        read_all(at_bench, indicator, 0.0, 0.1, -0.1, 1.0)
        step(at_bench)
        indicator.unplug(b"+001")  # half a line: a valid number, and not the reading
        at_bench.child.expect("The line to the comparator is out")
        step(at_bench)
        at_bench.say("")
        at_bench.child.expect("mend it, or type what the dial shows")
        indicator.plug()
        at_bench.child.expect("The line to the comparator is back")
        # the reference once more, a fresh zero, and what was still to be read
        read_all(at_bench, indicator, 0.1, 0.0, 0.1, -0.1, 1.1, 0.9, 0.0)
        step(at_bench)
        at_bench.say("")
        assert at_bench.ends() == 0
        record = record_of(tmp_path)
        kinds = [row["kind"] for row in record["readings"]]
        assert kinds == ["zero"] * 3 + ["read", "return"] + ["zero"] * 3 + ["read"] * 2 + ["return"]
        assert "+001" not in [event.get("line") for event in record["events"] if event["event"] == "reading_taken"]
        assert "line/lost" in [finding["code"] for finding in record["findings"]]

    def test_that_is_killed_goes_on_with_the_same_line(
        self, begin: Callable[..., Any], person: Callable[..., Any], indicator: Indicator, tmp_path: Path
    ) -> None:
        at_bench = begin()
        read_all(at_bench, indicator, 0.0, 0.1, -0.1, 1.0)
        step(at_bench)
        at_bench.kill()
        (journal,) = (tmp_path / "out").glob("*.journal.jsonl")
        again = person("resume", f"out/{journal.name}", "--source", f"serial:{indicator.port},profile.toml")
        read_all(again, indicator, 1.1, 0.9, 0.0)
        step(again)
        again.say("")
        assert again.ends() == 0
        assert [row["kind"] for row in record_of(tmp_path)["readings"]] == ["zero"] * 3 + ["read"] * 3 + ["return"]
