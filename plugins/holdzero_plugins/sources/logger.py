"""Logger: temperatures from the CSV file that a logger writes, by the wall time at which they are asked for.

`--thermometers logger:FILE`, or `logger:FILE,TIME` with readings that were written down before: the wall time at which
that run began, by the logger's clock.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from pathlib import Path

from holdzero.hooks import Answer, Source, SourceError, hookimpl, read_whole
from holdzero_plugins.sources._log import Rows, read_log

__all__ = ["Logger", "holdzero_sources"]

_LARGEST = 10_000_000  # bytes


class Logger:
    """The file of a logger, which may still be written to.

    Args:
        path: of the file.
        starts: the wall time at which the run began; empty where that is the clock's business.

    Raises:
        SourceError: the file can't be read, or is no log; names the line.
    """

    def __init__(self, path: str, starts: str = "") -> None:
        self.starts = starts
        self._path = path
        self._raw = b""
        self._rows = self._read()

    def temperature(self, of: str, wall: str) -> Answer:
        """What the logger wrote of a thing about a moment; see `Rows.temperature`."""
        self._rows = self._read()
        return self._rows.temperature(of, wall)

    def close(self) -> None:
        """Nothing is held: the file is read whole each time."""

    def _read(self) -> Rows:
        """The rows as they are now."""
        raw = _bytes_of(self._path)
        if raw and raw == self._raw:
            return self._rows
        try:
            # A row that the logger has not written to its end is none yet.
            text = raw[: raw.rfind(b"\n") + 1].decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = raw.count(b"\n", 0, error.start) + 1
            raise SourceError(f"{self._path}:{line}: found bytes that are no text; save the file as UTF-8") from None
        rows = read_log(text.replace("\r\n", "\n"), Path(self._path).name, f"sha256:{hashlib.sha256(raw).hexdigest()}")
        self._raw = raw
        return rows


def _bytes_of(path: str) -> bytes:
    try:
        return read_whole(Path(path), _LARGEST)
    except OSError as error:
        mend = "check the logger's file, or export the day of the run alone"
        raise SourceError(f"{path}: {error.strerror or 'it cannot be read'}; {mend}") from None


def _log(argument: str) -> Logger:
    path, comma, starts = argument.rpartition(",")
    if not comma:
        path, starts = argument, ""
    if not path.strip():
        raise SourceError("name the file: --thermometers logger:FILE")
    if starts:
        try:
            aware = dt.datetime.fromisoformat(starts.strip()).tzinfo is not None
        except ValueError:
            aware = False
        if not aware:
            raise SourceError(
                f"--thermometers logger:{argument:.200}: found {starts!r:.60} after the comma; expected the wall time "
                "at which the run began, with its offset from UTC, such as 2026-11-30T14:05:00+01:00"
            )
    return Logger(path.strip(), starts.strip())


@hookimpl
def holdzero_sources() -> Sequence[Source]:
    """The logger."""
    return [
        Source(
            name="logger",
            title="temperatures from a logger's CSV file",
            log=_log,
            interactive=False,
            keeps_time=False,
            simulated=False,
        )
    ]
