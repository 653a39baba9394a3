r"""Framing: bytes and when they arrived, to whole lines. It knows no port, no clock and no meaning.

A line is whole when its beginning and its terminator were both seen. What a serial library calls a
line is not enough: a read that times out in the middle of `+0012.345` gives `+0012.3` and then `45`,
and each looks like a number. So there is one buffer, it is split at the terminator alone, and what
follows a piece that was thrown away is thrown away up to the next terminator.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

__all__ = ["LONGEST", "UNDER_WAY", "Heard", "Lines", "Terminator"]

LONGEST = 200
"""Longest line that is kept [bytes]; an instrument's line has some tens (common practice, no source)."""

UNDER_WAY = "its beginning was sent before anybody listened"
"""Why a line is not taken that was under way when the listening began."""

_STX, _ETX = 0x02, 0x03
_CR, _LF = 0x0D, 0x0A


class Terminator(Enum):
    """How lines end; the value is how a profile says it."""

    CR = "CR"
    LF = "LF"
    CR_LF = "CR LF"
    EITHER = "CR or LF"
    """Either of them, or both: an empty line is nothing."""
    FRAME = "STX ETX"
    """A frame that begins with STX and ends with ETX; what stands between two frames is nothing."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A line, or a piece that is none.

    Attributes:
        at_s: when its end arrived [s].
        text: the line without its terminator; bytes that are no text are shown as such.
        why: why it is no whole line in plain text; empty where it is.
    """

    at_s: float
    text: str
    why: str = ""


class Lines:
    r"""Lines out of bytes.

    >>> lines = Lines(Terminator.CR_LF)
    >>> lines.feed(b"+0012.3", 10.0)
    []
    >>> [heard.text for heard in lines.feed(b"45\r\n", 10.1)]
    ['+0012.345']

    Args:
        terminator: how lines end.
        encoding: of the text.
        idle_s: a line that stops for longer than this in its middle is broken [s].
        since_s: when the listening began [s]: a line that is under way then has no beginning. None where
            the first byte is known to begin a line.
    """

    def __init__(
        self, terminator: Terminator, *, encoding: str = "ascii", idle_s: float = 0.5, since_s: float | None = None
    ) -> None:
        self._terminator = terminator
        self._encoding = encoding
        self._idle_s = idle_s
        self._part = bytearray()
        self._last_s = since_s
        self._quiet_s = float("-inf")
        self._open = terminator is not Terminator.FRAME  # whether bytes belong to a line
        self._lost = ""  # why what comes up to the next terminator is no line
        self._fresh = since_s is not None  # whether nothing was heard since the listening began

    @property
    def rested(self) -> bool:
        """Whether the next byte begins a line, or is judged by what was heard before it."""
        return not self._fresh or self._last_s is None or self._quiet_s - self._last_s > self._idle_s

    def feed(self, data: bytes, at_s: float) -> list[Heard]:
        """The lines that `data`, which arrived at `at_s` [s], brings to their end."""
        heard = self._broken(at_s)
        if data and self._fresh:
            if self._open and not self.rested:
                self._lost = UNDER_WAY
            self._fresh = False
        if data:
            self._last_s = at_s
        for byte in data:
            heard += self._take(byte, at_s)
        return heard

    def idle(self, now_s: float) -> list[Heard]:
        """Up to `now_s` [s] nothing more has arrived: the piece that nothing followed for too long, told once.

        Only a silence that somebody saw counts as one: who sleeps for a second hears nothing, and that proves nothing.
        """
        self._quiet_s = now_s
        return self._broken(now_s)

    def _broken(self, now_s: float) -> list[Heard]:
        if not self._part or self._last_s is None or now_s - self._last_s <= self._idle_s:
            return []
        return [self._drop(self._last_s, "the line broke off before its end")]

    def _take(self, byte: int, at_s: float) -> Iterator[Heard]:
        if self._terminator is Terminator.FRAME:
            yield from self._framed(byte, at_s)
            return
        self._part.append(byte)
        if (length := self._ends()) > 0:
            del self._part[-length:]
            yield from self._whole(at_s)
        elif len(self._part) > LONGEST:
            yield from self._overlong(at_s)

    def _framed(self, byte: int, at_s: float) -> Iterator[Heard]:
        if byte == _STX:
            if self._part:
                yield self._drop(at_s, "another line began before its end")
            self._open, self._lost = True, ""
        elif byte == _ETX and self._open:
            self._open = False
            yield from self._whole(at_s)
        elif self._open or byte not in (_CR, _LF, _ETX):
            self._part.append(byte)
            if not self._open and not self._lost:
                self._lost = "it stands outside a frame"
            if len(self._part) > LONGEST:
                yield from self._overlong(at_s)

    def _ends(self) -> int:
        """Length of the terminator at the end of what was heard [bytes]; 0 where there is none."""
        last = self._part[-1]
        match self._terminator:
            case Terminator.CR:
                return int(last == _CR)
            case Terminator.LF:
                return int(last == _LF)
            case Terminator.EITHER:
                return int(last in (_CR, _LF))
            case _:
                return 2 if self._part[-2:] == bytes((_CR, _LF)) else 0

    def _overlong(self, at_s: float) -> Iterator[Heard]:
        """Keep what could be half a terminator, so that the line after it is found."""
        half = self._part[-1:] if self._part[-1] == _CR else b""
        reported = self._lost == _OVERLONG
        dropped = self._drop(at_s, _OVERLONG)
        self._part += half
        if not reported:
            yield dropped

    def _whole(self, at_s: float) -> Iterator[Heard]:
        why, self._lost = self._lost, ""
        raw = bytes(self._part)
        self._part.clear()
        if not raw or why == _OVERLONG:  # that was said when it was dropped
            return
        text, why_not = self._text(raw)
        yield Heard(at_s, text, why or why_not)

    def _drop(self, at_s: float, why: str) -> Heard:
        text, _ = self._text(bytes(self._part))
        heard = Heard(at_s, text, self._lost or why)
        self._part.clear()
        self._lost = _OVERLONG if why == _OVERLONG else "its beginning was lost"
        if self._terminator is Terminator.FRAME:
            self._open = False
        return heard

    def _text(self, raw: bytes) -> tuple[str, str]:
        try:
            return raw.decode(self._encoding), ""
        except UnicodeDecodeError:
            text = raw.decode(self._encoding, "backslashreplace")
            return text, "it has bytes that are no text: baud rate, parity, or the cable"


_OVERLONG = f"no end of a line within {LONGEST} bytes"
