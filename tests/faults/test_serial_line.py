"""A serial line that misbehaves: noise, pauses, a cable that comes out, two programs on one port.

Real pseudo-terminals, raw on both ends; the instrument is a script or a thread that writes to the other end.
"""

from __future__ import annotations

import contextlib
import os
import re
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from holdzero.errors import SourceError
from holdzero.hooks import Said, Sends
from holdzero_plugins.sources import _port, serial
from holdzero_plugins.sources._port import Port, opened
from holdzero_plugins.sources._profile import Profile, usual
from holdzero_plugins.sources._profile_file import load_profile, read_profile
from holdzero_plugins.sources.serial import SerialLine

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals", allow_module_level=True)

import pty
import termios
import tty

LINES = Path(__file__).parents[2] / "routines" / "lines"
PAGE = (LINES / "README.md").read_text("utf-8")
IDLE_S = 0.15
QUIET_S = IDLE_S + 0.07  # long enough for a line to count as begun, or as broken off
WAIT_S = 60.0  # how long anything may take that must happen
QUICK = usual().model_copy(update={"idle": IDLE_S})
ASKED = """
format = 1
title = "asked"
sends = "asked"
request = "value\\n"
every = "0.3 s"
idle = "0.15 s"
unit = "um"
pattern = '(?P<number>[0-9]+\\.[0-9])|fault (?P<error>[0-9])'
errors = { 1 = "the probe is not plugged in" }
"""


class Counter:
    """The run's counter, moved by hand: what a silence means does not hang on how fast this machine is."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.looks = 0

    def __call__(self) -> float:
        self.looks += 1
        return self.now_s

    def heard_on(self) -> None:
        """Wait until the line was listened to for a while: whoever reads it looks here two or three times a round."""
        goal = self.looks + 10
        until(lambda: self.looks >= goal)

    def silent(self, for_s: float = QUIET_S) -> None:
        """A silence [s] that whoever reads the line has noticed."""
        self.heard_on()
        self.now_s += for_s
        self.heard_on()


class Bench:
    """An instrument with a cable, plugged in under one name.

    Args:
        folder: where the name of the port is.
    """

    def __init__(self, folder: Path) -> None:
        self.port = folder / "port"
        self.ends: list[int] = []
        self.plug()

    def plug(self) -> None:
        """A new device under the same name."""
        self.unplug()
        master, slave = pty.openpty()
        for end in (master, slave):
            tty.setraw(end)
        new = self.port.with_name("new")
        new.symlink_to(os.ttyname(slave))
        new.replace(self.port)
        self.ends = [master, slave]

    def unplug(self) -> None:
        """The device and its name go."""
        self.port.unlink(missing_ok=True)
        self.hang_up()

    def hang_up(self) -> None:
        for end in self.ends:
            os.close(end)
        self.ends = []

    def switch_off(self) -> None:
        """The instrument is gone and the name of its device stays: another program must not get that meanwhile."""
        os.close(self.ends.pop(0))

    def say(self, *pieces: bytes) -> None:
        """Send bytes."""
        for piece in pieces:
            os.write(self.ends[0], piece)

    def heard(self) -> bytes:
        """What the instrument was sent."""
        os.set_blocking(self.ends[0], False)
        with contextlib.suppress(BlockingIOError):
            return os.read(self.ends[0], 1000)
        return b""


@pytest.fixture(autouse=True)
def _sooner(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial, "AGAIN_S", 0.2)
    monkeypatch.setattr(_port, "LOOK_S", 0.02)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.unplug()


@pytest.fixture
def counter() -> Counter:
    return Counter()


@pytest.fixture
def line(bench: Bench, counter: Counter) -> Iterator[SerialLine]:
    """An open line, silent for long enough that the next byte begins a line."""
    made = SerialLine(str(bench.port), QUICK, counter)
    counter.silent()
    yield made
    made.close()


def until(done: Callable[[], object]) -> None:
    end = time.monotonic() + WAIT_S
    while not done():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.01)


def fault_of(line: SerialLine) -> str:
    """What the line says as soon as it is out; it may be back before it is asked again."""
    told = ""

    def look() -> str:
        nonlocal told
        told = line.fault()
        return told

    until(look)
    return told


def lines_until(line: SerialLine, done: Callable[[Sequence[Said]], bool]) -> list[Said]:
    found: list[Said] = []

    def look() -> bool:
        found.extend(line.lines())
        return done(found)

    until(look)
    return found


def next_lines(line: SerialLine, number: int) -> list[Said]:
    return lines_until(line, lambda found: len(found) >= number)


def meant(said: Sequence[Said]) -> list[str | None]:
    return [item.answer for item in said]


class TestWhatArrives:
    def test_a_line_in_pieces_is_one_line_with_the_time_of_its_end(
        self, bench: Bench, line: SerialLine, counter: Counter
    ) -> None:
        for piece in (b"+0012", b".34", b"5 um\r"):
            counter.silent(IDLE_S / 2)
            bench.say(piece)
        ended_s = counter.now_s
        counter.silent(IDLE_S / 2)
        bench.say(b"\n")
        (said,) = next_lines(line, 1)
        assert (said.answer, said.line, said.of) == ("+0012.345 um", "+0012.345 um", "")
        assert said.at_s == ended_s

    def test_a_line_that_broke_off_gives_no_number_and_neither_does_its_rest(
        self, bench: Bench, line: SerialLine, counter: Counter
    ) -> None:
        bench.say(b"+0012.3")
        counter.silent()
        bench.say(b"45 um\r\n", b"+1.5 um\r\n")
        said = next_lines(line, 3)
        assert meant(said) == [None, None, "+1.5 um"]
        assert [item.why for item in said[:2]] == ["the line broke off before its end", "its beginning was lost"]

    def test_noise_and_a_wrong_baud_rate_are_shown_as_what_they_are(self, bench: Bench, line: SerialLine) -> None:
        bench.say(b"\xfe\x80\xf8\r\n", b"+1\x00.5 um\r\n", b"+1.5 um\r\n")
        said = next_lines(line, 3)
        assert [item.line for item in said] == ["\\xfe\\x80\\xf8", "+1\\x00.5 um", "+1.5 um"]
        assert "baud rate, parity, or the cable" in said[0].why
        assert meant(said) == [None, None, "+1.5 um"]

    def test_rubbish_without_an_end_is_told_once(self, bench: Bench, line: SerialLine) -> None:
        bench.say(*[b"\xff" * 500] * 4, b"\r\n", b"+1.5 um\r\n")
        said = next_lines(line, 2)
        assert meant(said) == [None, "+1.5 um"]
        assert "no end of a line" in said[0].why

    def test_an_instrument_that_says_the_same_all_the_time_is_heard_each_time(
        self, bench: Bench, line: SerialLine
    ) -> None:
        bench.say(*[b"+1.5 um\r\n"] * 20)
        assert meant(next_lines(line, 20)) == ["+1.5 um"] * 20

    @pytest.mark.long
    def test_nothing_is_lost_of_a_hundred_lines_a_second(self, bench: Bench, counter: Counter) -> None:
        # A stall of this machine between two pieces breaks no line off.
        line = SerialLine(str(bench.port), QUICK.model_copy(update={"idle": 100.0}), counter)
        counter.silent(101.0)
        sent = [f"{number / 1000:+.3f} mm" for number in range(200)]

        def stream() -> None:
            for text in sent:
                whole = text.encode() + b"\r\n"
                bench.say(whole[:5])
                time.sleep(0.002)
                bench.say(whole[5:])
                time.sleep(0.007)
                counter.now_s += 0.009

        thread = threading.Thread(target=stream)
        thread.start()
        said = next_lines(line, len(sent))
        thread.join()
        assert meant(said) == sent
        assert [item.at_s for item in said] == sorted(item.at_s for item in said)
        line.close()

    def test_a_reader_that_never_fetches_takes_no_more_than_the_newest(
        self, bench: Bench, counter: Counter, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(serial, "KEPT", 3)
        line = SerialLine(str(bench.port), QUICK, counter)
        counter.silent()
        bench.say(b"1 um\r\n2 um\r\n3 um\r\n4 um\r\n5 um\r\n")
        counter.heard_on()
        assert meant(line.lines()) == ["3 um", "4 um", "5 um"]
        line.close()


class TestOpening:
    def test_what_was_sent_before_is_no_answer(self, bench: Bench, counter: Counter) -> None:
        bench.say(b"+9.1 um\r\n" * 5)
        line = SerialLine(str(bench.port), QUICK, counter)
        counter.silent()
        bench.say(b"+1.5 um\r\n")
        found = lines_until(line, lambda found: "+1.5 um" in meant(found))
        assert "+9.1 um" not in meant(found)
        line.close()

    def test_a_line_under_way_is_not_taken(self, bench: Bench, counter: Counter) -> None:
        bench.say(b"+12")
        line = SerialLine(str(bench.port), usual(), counter)
        counter.silent(usual().idle / 2)
        bench.say(b"3.5 um\r\n", b"+1.5 um\r\n")
        said = next_lines(line, 2)
        assert meant(said) == [None, "+1.5 um"]
        assert said[0].why == "its beginning was sent before anybody listened"
        line.close()

    def test_a_stream_under_way_is_no_news(self, bench: Bench, counter: Counter) -> None:
        profile = usual().model_copy(update={"sends": "stream"})
        line = SerialLine(str(bench.port), profile, counter)
        counter.silent(usual().idle / 2)
        bench.say(b"3.5 um\r\n", b"+1.5 um\r\n")
        assert meant(next_lines(line, 1)) == ["+1.5 um"]
        line.close()

    @pytest.mark.parametrize("on", [True, False])
    def test_sets_the_lines_that_cables_live_on(self, on: bool) -> None:
        # the looped port of the library shows RTS as CTS, and DTR as DSR
        port: Any = opened("loop://", QUICK.model_copy(update={"rts": on, "dtr": on}))
        assert (port.cts, port.dsr) == (on, on)
        port.close()

    def test_lines_that_wait_are_counted_and_none_is_taken(
        self, bench: Bench, counter: Counter, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        old = b"+9.1 um\r\n" * 3

        def late(port: str, profile: Profile) -> Port:
            made = opened(port, profile)
            bench.say(old)
            until(lambda: made.in_waiting == len(old))
            return made

        monkeypatch.setattr(serial, "opened", late)
        line = SerialLine(str(bench.port), QUICK, counter)
        (said,) = next_lines(line, 1)
        assert (said.answer, said.line) == (None, "+9.1 um")
        assert said.why == "3 old lines came as the listening began; none is used"
        line.close()

    def test_a_second_program_is_refused(self, bench: Bench, line: SerialLine) -> None:
        assert line.fault() == ""
        with pytest.raises(SourceError, match="another program listens to it; close that program first"):
            SerialLine(str(bench.port), QUICK, time.monotonic)

    def test_a_closed_line_may_be_opened_again(self, bench: Bench) -> None:
        for _ in range(2):
            line = SerialLine(str(bench.port), QUICK, time.monotonic)
            line.close()
            line.close()
        assert line.fault() == ""

    @pytest.mark.parametrize(
        ("argument", "part"),
        [
            ("", "name the port"),
            (" ,x.toml", "name the port"),
            ("/no/such/port", "there is no such port; check the cable"),
            ("\0", "check the name"),
            ("x" * 5000, "check the name"),
            ("nothing://x", "check the name"),
            ("/dev/null", "it can't be opened as a serial line"),
            ("/dev/null,no-such.toml", "no-such.toml: No such file"),
        ],
    )
    def test_is_refused_in_words(self, argument: str, part: str) -> None:
        (source,) = serial.holdzero_sources()
        assert source.listen is not None
        with pytest.raises(SourceError, match=part):
            source.listen(argument, time.monotonic)

    def test_a_device_that_goes_while_it_is_opened_is_refused_in_words(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def gone(*_: object) -> None:
            raise termios.error(5, "Input/output error")

        monkeypatch.setattr("serial.serialposix.termios.tcflush", gone)
        with pytest.raises(SourceError, match=r"check the name\. .*Input/output error"):
            SerialLine(str(bench.port), QUICK, time.monotonic)

    def test_says_what_to_install_where_the_library_is_missing(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(sys.modules, "serial", None)
        with pytest.raises(SourceError, match=r"pip install 'holdzero\[serial\]'"):
            SerialLine(str(bench.port), QUICK, time.monotonic)


class TestACableThatComesOut:
    @pytest.mark.long
    @pytest.mark.parametrize("how", [Bench.unplug, Bench.switch_off, lambda bench: bench.port.unlink()])
    def test_is_told_and_the_line_comes_back_by_itself(
        self, bench: Bench, line: SerialLine, counter: Counter, how: Callable[[Bench], None]
    ) -> None:
        bench.say(b"+1.5 um\r\n", b"+2.")
        assert meant(next_lines(line, 1)) == ["+1.5 um"]
        how(bench)
        counter.now_s += 1.0  # the name is looked for now and then
        fault = fault_of(line)
        assert "out; " in fault
        assert str(bench.port.parent) not in fault  # it goes on record
        bench.plug()
        until(lambda: not line.fault())
        counter.silent()
        bench.say(b"5 um\r\n")
        found = lines_until(line, lambda found: "5 um" in meant(found))
        assert [item.line for item in found if item.answer is None] in ([], ["+2."])  # told if it was heard to end

    def test_and_is_in_again_before_anybody_looks_is_told_once(
        self, bench: Bench, line: SerialLine, counter: Counter, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        tries, back = 0, threading.Event()

        def tried(port: str, profile: Profile) -> Port:
            nonlocal tries
            tries += 1
            again = opened(port, profile)
            back.set()
            return again

        monkeypatch.setattr(serial, "opened", tried)
        bench.unplug()
        until(lambda: tries)
        bench.plug()
        assert back.wait(WAIT_S)
        counter.heard_on()
        assert "out; " in line.fault()
        assert line.fault() == ""

    def test_another_device_under_the_same_name_is_opened_anew(
        self, bench: Bench, line: SerialLine, counter: Counter
    ) -> None:
        ends, bench.ends = bench.ends, []
        bench.plug()
        counter.now_s += 1.0
        until(line.fault)
        until(lambda: not line.fault())
        counter.silent()
        bench.say(b"5 um\r\n")
        assert meant(next_lines(line, 1)) == ["5 um"]
        for end in ends:
            os.close(end)

    def test_closing_does_not_wait_for_it(
        self, bench: Bench, line: SerialLine, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def reading() -> bool:
            return any(thread.name == "serial line" for thread in threading.enumerate())

        monkeypatch.setattr(serial, "AGAIN_S", 10 * WAIT_S)
        bench.unplug()
        until(line.fault)
        assert reading()
        line.close()
        until(lambda: not reading())

    @pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
    def test_a_reader_that_ends_of_itself_is_told(self, bench: Bench) -> None:
        times = iter([0.0, 0.1, 0.2, 0.3])
        line = SerialLine(str(bench.port), QUICK, lambda: next(times))
        assert "no longer read" in fault_of(line)


class TestAnInstrumentThatIsAsked:
    @pytest.mark.long
    def test_is_asked_after_a_silence_and_no_more_often_than_its_profile_says(
        self, bench: Bench, counter: Counter
    ) -> None:
        line = SerialLine(str(bench.port), read_profile(ASKED, "asked.toml"), counter)
        assert line.habits.sends is Sends.ASKED
        line.request()
        counter.silent(0.05)
        assert bench.heard() == b""
        heard = b""
        for _ in range(20):
            line.request()
            counter.silent(0.05)
            heard += bench.heard()
        assert heard.count(b"value\n") in (3, 4)  # after 0.15 s, and each 0.3 s
        bench.say(b"1.5\r\n", b"fault 1\r\n")
        said = next_lines(line, 2)
        assert meant(said) == ["1.5 um", None]
        assert said[1].why == "the instrument says 1: the probe is not plugged in"
        line.close()

    def test_is_not_asked_when_nobody_wants_it(self, bench: Bench, counter: Counter) -> None:
        line = SerialLine(str(bench.port), read_profile(ASKED, "asked.toml"), counter)
        counter.silent()
        counter.silent()
        assert bench.heard() == b""
        line.close()

    def test_is_lost_when_it_takes_no_request(
        self, bench: Bench, counter: Counter, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(_port, "WRITE_S", 0.1)
        profile = read_profile(ASKED.replace('"value', '"' + "value" * 10_000), "asked.toml")
        line = SerialLine(str(bench.port), profile, counter)
        counter.silent()
        line.request()
        assert fault_of(line) == "the line is out: it takes no request; check the cable and the instrument"
        line.close()

    def test_another_is_never_written_to(self, bench: Bench, line: SerialLine, counter: Counter) -> None:
        line.request()
        counter.silent()
        assert bench.heard() == b""


class TestTheShippedProfiles:
    """Each with its own settings of the port; the letters and lines are invented, and no maker's."""

    def test_one_that_is_asked_is_sent_its_request_and_gives_its_frame(self, bench: Bench, counter: Counter) -> None:
        line = SerialLine(str(bench.port), load_profile(str(LINES / "asked.toml")), counter)
        counter.silent(1.0)
        line.request()
        until(lambda: bench.heard() == b"\x05")
        bench.say(b"\x02a4n00012345\x03", b"\x02!h\x03")
        said = next_lines(line, 2)
        assert meant(said) == ["-0001.2345 mm", None]
        assert said[1].why == "the instrument says h: over the range"
        line.close()

    def test_one_that_is_pressed_opens_the_port_with_its_settings(self, bench: Bench, counter: Counter) -> None:
        profile = load_profile(str(LINES / "press.toml"))
        assert (profile.baud, profile.bits, profile.parity, profile.stop) == (2400, 8, "odd", 1)
        line = SerialLine(str(bench.port), profile, counter)
        # a pseudo-terminal keeps the speed that it is set to, of bits and parity it knows nothing
        assert termios.tcgetattr(bench.ends[1])[4:6] == [termios.B2400, termios.B2400]
        counter.silent(1.0)
        bench.say(b"- 0.0012 mm\r\n", b"fault 2\r\n")
        said = next_lines(line, 2)
        assert meant(said) == ["-0.0012 mm", None]
        assert said[1].why == "the instrument says 2: the probe is at the end of its travel"
        line.close()

    def test_the_page_s_line_with_a_channel_and_a_unit_in_capitals(self, bench: Bench, counter: Counter) -> None:
        (text,) = (text for text in re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL) if "#2" in text)
        line = SerialLine(str(bench.port), read_profile(text, "README.md"), counter)
        counter.silent(1.0)
        bench.say(b"#2 +0001.25 UM\r\n", b"#1 +0001.25 UM\r\n", b"#2 -0040.00 UIN\r\n")
        assert meant(next_lines(line, 3)) == ["+0001.25 um", None, "-0040.00 uin"]
        line.close()


class TestANetworkBox:
    def test_is_a_line_like_any_other(self, counter: Counter) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(WAIT_S)
            line = SerialLine(f"socket://127.0.0.1:{server.getsockname()[1]}", QUICK, counter)
            box, _ = server.accept()
            with box:
                counter.silent()
                box.sendall(b"+1.5 um\r\n")
                assert meant(next_lines(line, 1)) == ["+1.5 um"]
            assert "the line is out" in fault_of(line)
            box, _ = server.accept()
            with box:
                box.sendall(b"+9.1 um\r\n+9.2 um\r\n")  # what it kept while nobody listened
                until(lambda: not line.fault())
                counter.silent()
                box.sendall(b"+1.6 um\r\n")
                # Old lines that were there before the port was open are gone; others are told. None is used.
                *old, fresh = meant(lines_until(line, lambda found: bool(found) and found[-1].line == "+1.6 um"))
                assert fresh == "+1.6 um"
                assert set(old) <= {None}
                line.close()
