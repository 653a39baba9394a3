"""Lets the call with a number fail: of those that change files beneath a folder, or ask a database.

Wrapped are names of the standard library and of the database drivers alone, so that what is tried is what the system
may do, whoever calls it.
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import fcntl
import io
import os
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import portalocker
import portalocker.portalocker
import pytest

__all__ = ["Failing", "Kind"]

T = TypeVar("T")


class Kind(StrEnum):
    """What a call that fails does.

    A short write puts in half of what it was given and says so, as a system does; the next one finds no room. A
    statement to a database is carried out then, and its answer lost.
    """

    EIO = "EIO"
    ENOSPC = "ENOSPC"
    SHORT = "short write"

    @property
    def number(self) -> int:
        """What the system says."""
        return errno.EIO if self is Kind.EIO else errno.ENOSPC


@dataclass(slots=True)
class Failing:
    """Counts calls, and lets some of them fail.

    Attributes:
        folder: beneath which files are meant.
        at: number of the call that fails, from 1 on; 0 for none.
        kind: how.
        always: whether all calls after it fail too.
        made: the calls, by name.
    """

    folder: Path
    at: int = 0
    kind: Kind = Kind.EIO
    always: bool = False
    made: list[str] = field(default_factory=list)
    _half: bool = False

    @contextlib.contextmanager
    def within(self) -> Iterator[Failing]:
        """Count and fail while the block lasts."""
        with pytest.MonkeyPatch.context() as patch:
            for name in ("replace", "rename", "link"):
                patch.setattr(os, name, self._two(name, getattr(os, name)))
            for name in ("mkdir", "unlink", "chmod", "truncate"):
                patch.setattr(os, name, self._one(name, getattr(os, name)))
            for name in ("fsync", "fdatasync", "ftruncate"):
                patch.setattr(os, name, self._handle(name, getattr(os, name)))
            patch.setattr(os, "write", self._write(os.write))
            patch.setattr(os, "open", self._open(os.open))
            patch.setattr(io, "open", self._file(io.open))
            patch.setattr(builtins, "open", io.open)
            lock = self._lock(fcntl.flock)
            patch.setattr(fcntl, "flock", lock)
            if portalocker.portalocker.LOCKER is not lock:  # bound when it was imported
                patch.setattr(portalocker.portalocker, "LOCKER", lock)
            from tests.faults.failing.sql import failing_sql

            failing_sql(self, patch, sqlite3.connect)
            yield self

    def calls(self, name: str, path: object = None) -> None:
        """Count a call.

        Raises:
            OSError: it is one that fails.
        """
        if self.fails(name):
            number = errno.ENOLCK if name == "lock" and self.kind is not Kind.EIO else self.kind.number
            raise OSError(number, os.strerror(number), *([] if path is None else [str(path)]))

    def fails(self, name: str) -> bool:
        """Count a call; whether it fails."""
        self.made.append(name)
        number = len(self.made)
        return bool(self.at) and (number == self.at or (self.always and number > self.at))

    def writes(self, data: Any, write: Callable[[bytes], T]) -> T:
        """Count a write, and make it as far as it goes."""
        content = bytes(data)
        fails = self.fails("write")
        half, self._half = self._half, False
        if half or (fails and (self.kind is not Kind.SHORT or len(self.made) > self.at or len(content) == 1)):
            number = errno.ENOSPC if half else self.kind.number
            raise OSError(number, os.strerror(number))
        self._half = fails
        return write(content[: len(content) // 2] if fails else content)

    def has(self, path: object) -> bool:
        """Whether a path, or an open file's number, is meant."""
        if isinstance(path, int):
            try:
                path = Path(f"/proc/self/fd/{path}").readlink()
            except OSError:
                return False
        if not isinstance(path, str | bytes | os.PathLike):
            return False
        return os.path.abspath(os.fsdecode(path)).startswith(str(self.folder))  # noqa: PTH100  it follows no link

    # --- what stands in for each name -------------------------------------------------------------

    def _one(self, name: str, own: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Any, *args: Any, **kwargs: Any) -> Any:
            if self.has(path):
                self.calls(name, path)
            return own(path, *args, **kwargs)

        return call

    def _two(self, name: str, own: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Any, to: Any, **kwargs: Any) -> Any:
            if self.has(to):
                self.calls(name, to)
            return own(path, to, **kwargs)

        return call

    def _handle(self, name: str, own: Callable[..., Any]) -> Callable[..., Any]:
        def call(file: Any, *args: Any) -> Any:
            if self.has(file if isinstance(file, int) else file.fileno()):
                self.calls(name)
            return own(file, *args)

        return call

    def _write(self, own: Callable[[int, Any], int]) -> Callable[[int, Any], int]:
        def write(handle: int, data: Any) -> int:
            return self.writes(data, lambda content: own(handle, content)) if self.has(handle) else own(handle, data)

        return write

    def _open(self, own: Callable[..., int]) -> Callable[..., int]:
        def opened(path: Any, flags: int, *args: Any, **kwargs: Any) -> int:
            if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT) and self.has(path):
                self.calls("open", path)
            return own(path, flags, *args, **kwargs)

        return opened

    def _lock(self, own: Callable[[Any, int], None]) -> Callable[[Any, int], None]:
        def lock(file: Any, flags: int) -> None:
            if not flags & fcntl.LOCK_UN and self.has(file if isinstance(file, int) else file.fileno()):
                self.calls("lock")
            own(file, flags)

        return lock

    def _file(self, own: Callable[..., Any]) -> Callable[..., Any]:
        def opened(  # noqa: PLR0917  as the function that it stands in for
            file: Any,
            mode: str = "r",
            buffering: int = -1,
            encoding: str | None = None,
            errors: str | None = None,
            newline: str | None = None,
            closefd: bool = True,
            opener: Any = None,
        ) -> Any:
            reads = not set(mode) & set("wax+")
            if reads or not self.has(file):
                return own(file, mode, buffering, encoding, errors, newline, closefd, opener)
            if not isinstance(file, int) and opener is None:
                self.calls("open", file)
            raw = _Raw(self, file, mode.replace("b", "").replace("t", ""), closefd, opener)
            if "b" in mode and buffering == 0:
                return raw
            binary = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
            return binary if "b" in mode else io.TextIOWrapper(binary, encoding, errors, newline)

        return opened


class _Raw(io.FileIO):
    """A file below all buffers: what reaches it reaches the system."""

    def __init__(self, failing: Failing, file: Any, mode: str, closefd: bool, opener: Any) -> None:
        super().__init__(file, mode, closefd, opener)
        self._failing = failing

    def write(self, data: Any) -> int:
        return self._failing.writes(data, super().write)

    def truncate(self, size: int | None = None) -> int:
        self._failing.calls("truncate")
        return super().truncate(size)
