"""The journal: one event a line, on disk before the next prompt is shown.

Each line carries a running SHA-256 over all events so far. A last line that was torn by a power cut
was never acknowledged to anybody and is dropped; any other damage is an error that names the line.

A journal that is cut at the end of a line is sound in itself. So a mark beside it (`….journal.end`) says how many
entries it has and which digest it ends with. It is written after each, and never before: it may lag behind, where power
was cut, and can't be ahead.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import itertools
import json
import os
import re
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import IO, Any, Self

from holdzero.errors import HoldzeroError, JournalError
from holdzero.events import AnyEvent, event_from_data, event_to_data
from holdzero.json_text import read_json
from holdzero.locking import lock_alone
from holdzero.whole_file import add_whole, keep_names, read_whole, write_all

__all__ = ["End", "Journal", "JournalExistsError", "JournalText", "chain_of", "end_of", "mark_of", "read_journal"]

_START = hashlib.sha256(b"holdzero journal 1").hexdigest()
_HEAD = '{"chain":"'
_MIDDLE = '","event":'
_LARGEST = 100_000_000  # bytes


class JournalExistsError(JournalError):
    """A journal that was to be begun is there already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalText:
    """What a journal file holds.

    Attributes:
        events: all sound events, in order.
        chain: the running digest after the last of them.
        length: bytes up to the end of the last sound line.
        torn: whether something was behind it.
        chains: the running digest after each of the events.
    """

    events: tuple[AnyEvent, ...]
    chain: str
    length: int
    torn: bool
    chains: tuple[str, ...] = ()


class End(StrEnum):
    """Whether a journal has what the mark beside it says."""

    WHOLE = "whole"
    NO_MARK = "no mark"
    CUT = "cut"
    OTHER = "other"


_MARK = re.compile(rb"([0-9]{9}) ([0-9a-f]{64})\n")
_MARK_LENGTH = 75  # bytes


def mark_of(path: Path) -> Path:
    """Where the end of a journal is kept, beside it.

    >>> mark_of(Path("records/7.journal.jsonl")).as_posix()
    'records/7.journal.end'
    """
    return path.with_name(f"{path.name.removesuffix('.jsonl')}.end")


def end_of(path: Path, text: JournalText) -> tuple[End, int]:
    """Whether a journal has all that its mark says, and how many entries are missing.

    Args:
        path: of the journal.
        text: what it holds.
    """
    mark = mark_of(path)
    try:
        said = _MARK.fullmatch(_beginning(mark)) if mark.is_file() else None
    except OSError:
        said = None
    if said is None:
        return End.NO_MARK, 0
    number, chain, chains = int(said[1]), said[2].decode(), (_START, *text.chains)
    if chains[number : number + 1] == (chain,) or _is_half(said[0], chains):
        return End.WHOLE, 0
    return (End.CUT, number - len(text.chains)) if number > len(text.chains) else (End.OTHER, 0)


def _is_half(mark: bytes, chains: Sequence[str]) -> bool:
    """Whether a mark was broken off while it was written over: it begins as one, and ends as the one before."""
    marks = [_mark_text(number, chain) for number, chain in enumerate(chains)]
    for before, after in itertools.pairwise(marks):
        begins = sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], zip(mark, after, strict=True)))
        if mark[begins:] == before[begins:]:
            return True
    return False


def _mark_text(count: int, chain: str) -> bytes:
    return f"{count:09d} {chain}\n".encode()


def _beginning(mark: Path) -> bytes:
    with mark.open("rb") as file:
        return file.read(_MARK_LENGTH + 1)


def _line_text(data: dict[str, Any]) -> str:
    """An event as it stands in its line, its keys in their own order: a routine's order means something."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False)


def _next(chain: str, data: dict[str, Any]) -> str:
    """The running digest, over sorted keys: a record that was written anew gives the same one."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256((chain + text).encode()).hexdigest()


def chain_of(events: Iterable[AnyEvent]) -> str:
    """The running digest that a journal of these events ends with."""
    chain = _START
    for event in events:
        chain = _next(chain, event_to_data(event))
    return chain


def read_journal(path: Path) -> JournalText:
    """Read and check a journal.

    Raises:
        JournalError: it can't be read, holds no event, or a line was changed.
    """
    raw = _content(path)
    lines = raw.split(b"\n")
    events: list[AnyEvent] = []
    chains: list[str] = []
    chain, length = _START, 0
    for number, line in enumerate(lines, 1):
        ended = number < len(lines)
        if not line and not ended:
            break
        try:
            said, data = _digest_and_data(line)
            following = _next(chain, data)
            if said != following:
                raise ValueError("its running digest is wrong: it, or one before it, was changed")  # noqa: TRY301
            events.append(event_from_data(data))
        except (ValueError, RecursionError, HoldzeroError) as error:
            if not ended:
                break  # torn: without its end it was never acknowledged
            raise _damaged(path, number, str(error), len(events)) from None
        chain = following
        chains.append(chain)
        length += len(line) + ended
    if not events:
        raise JournalError(path, "it holds no event", "nothing was measured in it: start a new run")
    return JournalText(events=tuple(events), chain=chain, length=length, torn=length < len(raw), chains=tuple(chains))


def _content(path: Path) -> bytes:
    try:
        return read_whole(path, _LARGEST)
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise JournalError(path, f"it has more than {_LARGEST} bytes", "is this a journal?") from None
        reason = error.strerror or "it can't be read"
        raise JournalError(path, reason, "check the name and its permissions") from None


def _digest_and_data(line: bytes) -> tuple[str, dict[str, Any]]:
    """The digest that a line carries, and its event as data."""
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        raise ValueError("it is no text: it was damaged, or this is no journal") from None
    start = len(_HEAD) + 64
    if not (text.startswith(_HEAD) and text[start : start + len(_MIDDLE)] == _MIDDLE and text.endswith("}")):
        raise ValueError("it is empty" if not text else "it is no whole entry of a journal")
    data = read_json(text[start + len(_MIDDLE) : -1])
    if not isinstance(data, dict):
        raise ValueError("it is no event")  # noqa: TRY004  a fault of the file, not of a caller
    return text[len(_HEAD) : start], data


def _damaged(path: Path, number: int, reason: str, sound: int) -> JournalError:
    before = "no entry before it is sound" if not sound else f"the {sound} entries before it are sound"
    mend = f"{before}; keep the file as it is and look for a copy"
    return JournalError(f"{path}:{number}", reason, mend)


class Journal:
    """An open journal, locked against a second run. Use it as a context manager.

    Args:
        path: of the file.
        file: open for appending, and locked.
        chain: running digest so far.
        length: bytes so far.
        count: entries so far.
    """

    def __init__(self, path: Path, file: IO[bytes], chain: str, length: int, count: int = 0) -> None:
        self.path = path
        self.chain = chain
        self._file = file
        self._length = length
        self._count = count
        self._mark = _opened_mark(mark_of(path))

    @classmethod
    def create(cls, path: Path) -> Self:
        """Start a journal; the file must not exist.

        Raises:
            JournalExistsError: the file exists.
            JournalError: it can't be made or locked.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _unwritable(path, error) from None
        try:
            file = path.open("xb", buffering=0)
        except FileExistsError:
            mend = "resume it, or choose another folder with --out"
            raise JournalExistsError(path, "it exists already", mend) from None
        except OSError as error:
            raise _unwritable(path, error) from None
        try:
            _lock(path, file)
            keep_names(path.parent)
        except BaseException as error:
            file.close()
            with contextlib.suppress(OSError):
                path.unlink()
            if isinstance(error, OSError):
                raise _unwritable(path, error) from None
            raise
        return cls(path, file, _START, 0)

    @classmethod
    def reopen(cls, path: Path) -> tuple[Self, JournalText]:
        """Go on with a journal; a torn last line is cut off.

        Raises:
            JournalError: it can't be read or locked, or was changed.
        """
        try:
            if path.exists() and not path.is_file():
                raise JournalError(path, "it is a pipe, a device or a folder", "name the journal of the run")
            file = path.open("r+b", buffering=0)
        except OSError as error:
            raise _unwritable(path, error) from None
        try:
            _lock(path, file)
            text = read_journal(path)
            file.truncate(text.length)
            file.seek(text.length)
            length = text.length
            if path.read_bytes()[-1:] != b"\n":
                add_whole(file, b"\n", length)
                length += 1
        except OSError as error:
            file.close()
            raise _unwritable(path, error) from None
        except JournalError:
            file.close()
            raise
        return cls(path, file, text.chain, length, len(text.events)), text

    def append(self, event: AnyEvent) -> None:
        """Put an event on disk; when this returns, it survives a power cut.

        Raises:
            JournalError: it could not be written. All events before it are safe.
        """
        data = event_to_data(event)
        chain = _next(self.chain, data)
        line = f"{_HEAD}{chain}{_MIDDLE}{_line_text(data)}}}\n".encode()
        try:
            add_whole(self._file, line, self._length)
        except OSError as error:
            raise self._unsaved(event.seq, error) from None
        self.chain = chain
        self._length += len(line)
        self._count += 1
        self._keep_end()

    def _keep_end(self) -> None:
        """Say beside the journal where it ends. It is on disk already; a mark that can't be written harms no run."""
        if self._mark is None:
            return
        with contextlib.suppress(OSError):
            self._mark.seek(0)
            write_all(self._mark, _mark_text(self._count, self.chain))
            self._mark.truncate(_MARK_LENGTH)

    def _unsaved(self, seq: int, error: OSError) -> JournalError:
        reason = f"entry {seq} could not be saved: {error.strerror or error}"
        mend = f"all {seq - 1} entries before it are safe; make room, then: holdzero resume {self.path}"
        if seq == 1:
            mend = "nothing was read yet: make room, or choose another folder with --out, then start again"
        return JournalError(self.path, reason, mend)

    def close(self) -> None:
        """Let go of the file and its lock; one without an entry is none, and goes."""
        if not self._count:
            with contextlib.suppress(OSError):
                self.path.unlink()
                mark_of(self.path).unlink(missing_ok=True)
        if self._mark is not None:
            self._mark.close()
        self._file.close()

    def __enter__(self) -> Self:
        """The journal itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()


def _opened_mark(path: Path) -> IO[bytes] | None:
    """The mark as a file to write over in place; None where it can't be had. What it says stays until then."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        handle = os.open(path, flags, 0o666)
    except OSError:
        return None
    if not stat.S_ISREG(os.fstat(handle).st_mode):  # a pipe would hold the run up
        os.close(handle)
        return None
    return os.fdopen(handle, "r+b", buffering=0)


def _unwritable(path: Path, error: OSError) -> JournalError:
    reason = error.strerror or "it can't be written"
    return JournalError(path, reason, "choose another folder with --out, or check permissions and space")


def _lock(path: Path, file: IO[bytes]) -> None:
    if not lock_alone(file):
        raise JournalError(path, "another run holds it", "end that run first; two runs can't share a journal")
