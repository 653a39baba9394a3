"""The standard streams of a process: whole, and showing nothing that acts.

What a record, a register, a person or a plugin wrote is shown as it stands, but for characters that move a cursor or
turn the writing: each of them is a dot. That is done here, where everything comes through, and not at each place that
prints something.
"""

from __future__ import annotations

import atexit
import contextlib
import io
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any, TextIO, cast

from holdzero.plain_text import plain

__all__ = ["Stopped", "as_it_stands", "ends_when_told", "stand_in_for_closed", "to_nowhere", "without_controls"]


class _Plain(io.TextIOWrapper):
    """A stream that shows no character that acts."""

    as_it_stands: TextIO

    def write(self, text: str) -> int:
        """Called by whoever prints."""
        super().write(plain(text))
        return len(text)


def stand_in_for_closed() -> None:
    """Open what was closed before the tool began, so that no file of a run gets the number of a standard stream.

    Nothing can be read from it, and writing to it fails, as it would where a disk is full.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is given, and those below it are open by now.
            os.open(os.devnull, os.O_RDONLY)
        if getattr(sys, name) is None:
            mode = "r" if number == 0 else "w"
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


@contextlib.contextmanager
def without_controls() -> Iterator[None]:
    """Meanwhile neither standard stream shows a character that acts."""
    before = sys.stdout, sys.stderr
    made = tuple(_plain(stream) for stream in before)
    sys.stdout, sys.stderr = made
    try:
        yield
    finally:
        for stream in made:
            if isinstance(stream, _Plain):
                with contextlib.suppress(OSError, ValueError):
                    stream.detach()  # or it would close what it only borrowed
        sys.stdout, sys.stderr = before


def _plain(stream: TextIO) -> TextIO:
    buffer = getattr(stream, "buffer", None)
    if buffer is None or isinstance(stream, _Plain):
        return stream
    made = _Plain(buffer, encoding=stream.encoding, errors="backslashreplace", write_through=True)
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="backslashreplace", write_through=True)
    made.as_it_stands = stream
    return made


def as_it_stands(stream: TextIO) -> TextIO:
    """The stream below, for who writes controls of their own and looks after the rest."""
    return stream.as_it_stands if isinstance(stream, _Plain) else stream


def to_nowhere(stream: TextIO) -> None:
    """Have what is still to be written go nowhere: it would fail once more at the end of the process."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        handle = os.open(os.devnull, os.O_WRONLY)
        os.dup2(handle, stream.fileno())
        os.close(handle)


class Stopped(KeyboardInterrupt):
    """Somebody ended the process from outside; all that ends at Ctrl-C ends at this."""


_ONE_S = 5.0  # what comes within it is told once
_WORDS = {"SIGTERM": "ended from outside (SIGTERM)", "SIGHUP": "the terminal was closed (SIGHUP)"}


@contextlib.contextmanager
def ends_when_told() -> Iterator[None]:
    """End as at Ctrl-C where the process is told to, or its terminal is gone; who was told to be deaf stays so.

    Whoever closes a terminal or a machine sends several in a row: they are one, and the first is being seen to. Once
    there is an exit code, none changes it any more.
    """
    before: list[tuple[int, Any]] = []
    told: list[float] = []
    for name, words in _WORDS.items():
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            before.append((number, signal.signal(number, _stopping(words, told))))
            atexit.register(signal.signal, number, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def _stopping(words: str, told: list[float]) -> Callable[[int, FrameType | None], None]:
    def stop(number: int, frame: FrameType | None) -> None:
        del number, frame
        if not told or time.monotonic() - told[-1] > _ONE_S:
            told.append(time.monotonic())
            raise Stopped(words)

    return cast("Callable[[int, FrameType | None], None]", stop)
