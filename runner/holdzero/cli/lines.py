"""Lines from standard input, with a waiting time: so that a countdown can go on while nobody types."""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time

__all__ = ["Lines"]

_PATIENCE_S = 0.5
_MOMENT_S = 0.2
_MOST = 10_000  # lines that wait to be asked for
_LONGEST = 1_000_000  # bytes of a line


class Lines:
    """Reads standard input in a thread of its own, byte by byte past Python's buffers.

    A buffered read would hold a lock at the end of the process; a raw one can simply be left.
    """

    def __init__(self) -> None:
        self._queue: queue.Queue[str | None] = queue.Queue(_MOST)
        self._ended = False
        self._tty = sys.stdin.isatty()
        self._thread = threading.Thread(target=self._work, daemon=True, name="standard input")
        self._thread.start()

    def _work(self) -> None:
        pending = b""
        encoding = sys.stdin.encoding or "utf-8"
        while True:
            try:
                read = os.read(sys.stdin.fileno(), 4096)
            except (OSError, ValueError):
                read = b""
            if not read:
                break
            pending += read
            if len(pending) > _LONGEST and b"\n" not in pending:
                break  # no person types that: a device without end
            while b"\n" in pending:
                line, _, pending = pending.partition(b"\n")
                self._queue.put(line.decode(encoding, errors="replace").rstrip("\r"))
        self._queue.put(None)

    def drop_early(self) -> list[str]:
        """Forget what a person typed before the prompt was shown; the whole lines of it.

        A pipe is no person: what comes through it was meant for the prompts in their order.
        """
        dropped: list[str] = []
        if self._tty:
            self._let_read()
            _flush_input()
        while self._tty and not self._ended:
            try:
                line = self._queue.get_nowait()
            except queue.Empty:
                break
            if line is None:
                self._ended = True
            else:
                dropped.append(line)
        return dropped

    def _let_read(self) -> None:
        """Let the thread have the whole lines that lie there: what is flushed unread can't be told."""
        end_s = time.monotonic() + _MOMENT_S
        while self._thread.is_alive() and _lies_there() and time.monotonic() < end_s:
            time.sleep(_MOMENT_S / 100.0)

    def line(self, wait_s: float | None = None) -> str | None:
        """The next line; None when `wait_s` seconds [s] have passed without one.

        Raises:
            EOFError: there will be no more lines.
        """
        if self._ended:
            raise EOFError
        while True:
            # Short waits, so that Ctrl-C comes through on every system.
            try:
                line = self._queue.get(timeout=_PATIENCE_S if wait_s is None else wait_s)
                break
            except queue.Empty:
                if wait_s is not None:
                    return None
        if line is None:
            self._ended = True
            raise EOFError
        return line


def _lies_there() -> bool:
    """Whether a whole line waits to be read; on a system that can't tell, none does."""
    if sys.platform == "win32":
        return False
    import select

    with contextlib.suppress(OSError, ValueError):
        return bool(select.select([sys.stdin.fileno()], [], [], 0.0)[0])
    return False


def _flush_input() -> None:
    """Drop what was typed without Enter: it would stand in front of the next answer."""
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():
            msvcrt.getwch()
    else:
        import termios

        with contextlib.suppress(termios.error, OSError, ValueError):
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
