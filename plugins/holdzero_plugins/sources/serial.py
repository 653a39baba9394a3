"""Serial: an instrument on a serial line, or on a network box that hands one on.

`--source serial:PORT` or `serial:PORT,PROFILE.toml`; PORT may be a URL such as `socket://host:port`.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from holdzero.hooks import Habits, Said, Sends, Source, SourceError, hookimpl
from holdzero_plugins.sources._lines import UNDER_WAY, Heard, Lines
from holdzero_plugins.sources._meaning import Meaning
from holdzero_plugins.sources._port import FAILS, mark_of, opened
from holdzero_plugins.sources._profile import Profile
from holdzero_plugins.sources._profile_file import load_profile

__all__ = ["AGAIN_S", "KEPT", "SerialLine", "habits_of", "holdzero_sources"]

KEPT: Final = 10_000  # lines that wait to be fetched: some minutes of a fast stream
_AT_ONCE: Final = 500  # lines that are fetched in one go
_PATH_S: Final = 0.25  # how often the device's name is looked for
AGAIN_S: Final = 1.0  # how long to wait before a lost line is tried again


class SerialLine:
    """An open line to an instrument; a thread of its own reads it, and opens it again when it is lost.

    Args:
        port: name of the device, or a URL.
        profile: of its lines.
        counter_s: the run's counter [s].

    Raises:
        SourceError: the line can't be opened.
    """

    def __init__(self, port: str, profile: Profile, counter_s: Callable[[], float]) -> None:
        self.habits = habits_of(profile)
        self._name = port
        self._profile = profile
        self._meaning = Meaning(profile)
        self._counter_s = counter_s
        self._said: deque[Said] = deque(maxlen=KEPT)
        self._fault = ""
        self._untold = ""
        self._wanted = threading.Event()
        self._closed = threading.Event()
        self._asked_s = float("-inf")
        self._port = opened(port, profile)
        self._mark = mark_of(port)
        self._thread = threading.Thread(target=self._work, name="serial line", daemon=True)
        self._thread.start()

    def lines(self) -> Sequence[Said]:
        """The whole lines since the last call, in order, so many that nobody is kept waiting; never waits itself."""
        found: list[Said] = []
        while self._said and len(found) < _AT_ONCE:
            found.append(self._said.popleft())
        return found

    def request(self) -> None:
        """Ask for a line, where the instrument sends when it is asked; at once, or when it is due again."""
        if self.habits.sends is Sends.ASKED:
            self._wanted.set()

    def fault(self) -> str:
        """Why the instrument can't be heard now; empty while it can, but once after a loss that nobody asked about."""
        told = self._fault or self._untold
        if told:
            self._untold = ""
        return told

    def close(self) -> None:
        """Let go of the line."""
        self._closed.set()
        self._thread.join(timeout=2.0)

    def _work(self) -> None:
        """Read until the line is closed; the only place that touches the port after it was opened."""
        try:
            while not self._closed.is_set():
                try:
                    self._listen()
                except FAILS as error:
                    # Nobody looks while a run is paused, and the instrument may have lost its origin all the same.
                    self._untold = self._fault = _lost(error)
                    self._port.close()
                    self._reopen()
        finally:
            self._port.close()
            if not self._closed.is_set():
                self._fault = "the line is no longer read; end the run here and go on with it anew"

    def _listen(self) -> None:
        """Hand on lines until the line is closed or lost."""
        began_s = self._counter_s()
        lines = Lines(
            self._profile.terminator,
            encoding=self._profile.encoding,
            idle_s=self._profile.idle,
            since_s=began_s,
        )
        self._throw_away_old(lines, began_s)
        self._fault = ""
        looked_s = began_s
        while not self._closed.is_set():
            if lines.rested:  # so that the first answer is seen from its beginning
                self._ask()
            before_s = self._counter_s()
            data = self._port.read(max(1, self._port.in_waiting))
            now_s = self._counter_s()
            for heard in lines.feed(data, now_s) if data else lines.idle(before_s):
                if heard.why != UNDER_WAY or self.habits.sends is not Sends.STREAM:  # of a stream that is no news
                    self._said.append(self._said_of(heard))
            if now_s - looked_s >= _PATH_S:
                looked_s = now_s
                if self._mark is not None and mark_of(self._name) != self._mark:
                    raise FileNotFoundError(self._name)

    def _throw_away_old(self, lines: Lines, began_s: float) -> None:
        """What comes in one go as the listening begins was sent before: by a box that kept it, or to nobody."""
        old = []
        now_s = began_s
        while now_s - began_s < self._profile.idle and not self._closed.is_set():
            data = self._port.read(max(1, self._port.in_waiting))
            if not data:
                lines.idle(now_s)
                break
            now_s = self._counter_s()
            old += lines.feed(data, now_s)
        if old and self.habits.sends is Sends.PRESS:
            text = f"{len(old)} old line{'' if len(old) == 1 else 's'} came as the listening began; none is used"
            self._said.append(Said(at_s=old[-1].at_s, line=_printable(old[-1].text), answer=None, why=text))

    def _ask(self) -> None:
        """Send the request when it is wanted, and no more often than the profile says."""
        now_s = self._counter_s()
        if self._wanted.is_set() and now_s - self._asked_s >= self._profile.every:
            self._wanted.clear()
            self._asked_s = now_s
            self._port.write(self._profile.request.encode(self._profile.encoding))

    def _reopen(self) -> None:
        """Try the same name again until the line is back or closed."""
        while not self._closed.wait(AGAIN_S):
            try:
                self._port = opened(self._name, self._profile)
            except SourceError:
                continue
            self._mark = mark_of(self._name)
            return

    def _said_of(self, heard: Heard) -> Said:
        line = _printable(heard.text)
        if heard.why:
            return Said(at_s=heard.at_s, line=line, answer=None, why=heard.why)
        meant = self._meaning.of_line(heard.text)
        return Said(at_s=heard.at_s, line=line, answer=meant.answer, why=meant.why, of=meant.of)


def habits_of(profile: Profile) -> Habits:
    """How an instrument with these lines behaves."""
    return Habits(
        sends=Sends(profile.sends),
        still_number=profile.still.number,
        still_within_um=profile.still.within,
        double_s=profile.double,
        silent_s=profile.silent_s,
    )


def _lost(error: Exception) -> str:
    """Why an open port is lost, for the record too: without the name of anything on this machine."""
    if isinstance(error, FileNotFoundError):
        return "the cable is out; put it in again"
    if "timeout" in str(error).lower():
        return "the line is out: it takes no request; check the cable and the instrument"
    return "the line is out; check the cable, and whether another program reads it"


def _printable(text: str) -> str:
    """The line with its invisible signs shown, so that it can be shown, kept and compared."""
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii") for sign in text)


def _listen(argument: str, counter_s: Callable[[], float]) -> SerialLine:
    port, _, profile = argument.partition(",")
    if not port.strip():
        raise SourceError("name the port: --source serial:PORT or serial:PORT,PROFILE.toml")
    return SerialLine(port.strip(), load_profile(profile.strip()), counter_s)


@hookimpl
def holdzero_sources() -> Sequence[Source]:
    """The serial line."""
    return [
        Source(
            name="serial",
            title="an instrument on a serial line",
            listen=_listen,
            interactive=True,
            keeps_time=False,
            simulated=False,
        )
    ]
