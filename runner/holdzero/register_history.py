"""What happened to the shop's register, and which routines were approved: one line each, chained.

`shop.history.jsonl` lies beside `shop.toml`. Each line names the chain of the line before, so that one that was taken
out or changed shows. It is what is locked, too: whoever holds it changes the register.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from holdzero.errors import HoldzeroError
from holdzero.json_text import read_json
from holdzero.locking import lock_alone
from holdzero.register import KINDS, Register
from holdzero.whole_file import UnconfirmedError, add_whole, keep_names

__all__ = [
    "Change",
    "RegisterError",
    "Routine",
    "alone",
    "append",
    "approved_before",
    "changes_of",
    "history_path",
    "keep_approval",
    "now",
    "tampered",
]

START = "sha256:" + hashlib.sha256(b"holdzero register 1").hexdigest()
_WAIT_S = 10.0
_AGAIN_S = 0.02


class RegisterError(HoldzeroError):
    """The register was not changed; the message says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of the register.

    Attributes:
        at: when, with its offset from UTC.
        by: who made it.
        why: in words; empty where nobody said.
        kind: of the entry; `approval` where a routine was approved.
        id: its identifier, or the routine's file.
        before: what was there; None for a new entry.
        after: what is there now.
        insisted: what was doubtful in it, and was written all the same.
        chain: of this line: SHA-256 of the chain before and all of this.
    """

    at: str
    by: str
    why: str
    kind: str
    id: str
    before: dict[str, Any] | None
    after: dict[str, Any]
    insisted: tuple[str, ...] = ()
    chain: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Routine:
    """Which routine is meant.

    Attributes:
        file: its path, seen from the register's folder.
        title: what it measures.
        parts: part numbers, one for each member of a family.
    """

    file: str
    title: str
    parts: tuple[str, ...]

    def is_of(self, said: Mapping[str, Any]) -> bool:
        """Whether an approval was of this routine."""
        same = said.get("title") == self.title and not set(self.parts).isdisjoint(said.get("parts", ()))
        return said.get("file") == self.file or same


def now() -> str:
    """The time at the bench, with its offset from UTC."""
    return dt.datetime.now().astimezone().isoformat(timespec="milliseconds")


@contextlib.contextmanager
def alone(path: Path) -> Iterator[IO[bytes]]:
    """The history, open and locked: nobody else changes the register meanwhile."""
    history = history_path(path)
    try:
        file = _waited_for(path, history)
        if not file.seek(0, os.SEEK_END) and path.exists():
            with contextlib.suppress(OSError):  # who may change the register may write its history
                shutil.copymode(path, history)
    except OSError as error:
        mend = "nothing was changed; see to the folder and the disk, then try again"
        found = f"{path}: its history {history.name} can't be opened and locked: {error.strerror}"
        raise RegisterError(f"{found}\n    {mend}") from None
    try:
        yield file
    finally:
        with contextlib.suppress(OSError):
            if not file.seek(0, os.SEEK_END):
                history.unlink()
        file.close()


def _waited_for(path: Path, history: Path) -> IO[bytes]:
    end = time.monotonic() + _WAIT_S
    while (file := _locked(history)) is None:
        if time.monotonic() > end:
            raise RegisterError(f"{path}: somebody else is changing it since {_WAIT_S:g} s; try again, it is as it was")
        time.sleep(_AGAIN_S)
    return file


def _locked(history: Path) -> IO[bytes] | None:
    """The file, locked; None where somebody else has it, or took it away before it was locked."""
    file = history.open("a+b", buffering=0)
    try:
        if lock_alone(file) and os.path.samestat(os.fstat(file.fileno()), history.stat()):
            return file
    except FileNotFoundError:
        pass
    except BaseException:
        file.close()
        raise
    file.close()
    return None


def history_path(path: Path) -> Path:
    """Where the history of a register is: beside it, where a link points."""
    own = path.resolve()
    return own.with_name(f"{own.stem}.history.jsonl")


def append(history: IO[bytes], path: Path, change: Change, then: Callable[[], None]) -> None:
    """Write a line, then do what it says; where that fails, the line is taken back.

    Args:
        history: open and locked, as `alone` gives it.
        path: of the register.
        change: without its chain.
        then: does it.
    """
    history.seek(0)
    whole = history.read().rfind(b"\n") + 1  # a line that was cut off by a kill never came to the register
    last = changes_of(path)
    said = asdict(change) | {"chain": _chained(last[-1].chain if last else START, change)}
    try:
        add_whole(history, (_text(said) + "\n").encode("ascii"), whole)
        if not whole:
            keep_names(path.parent)
        then()
    except UnconfirmedError:  # it is done
        raise
    except BaseException:
        with contextlib.suppress(OSError):
            history.truncate(whole)
        raise


def _text(said: Mapping[str, Any]) -> str:
    return json.dumps(said, ensure_ascii=True, sort_keys=True)


def _chained(before: str, change: Change) -> str:
    said = {key: item for key, item in asdict(change).items() if key != "chain"}
    return "sha256:" + hashlib.sha256(f"{before}{_text(said)}".encode()).hexdigest()


def changes_of(path: Path) -> list[Change]:
    """All changes of a register, oldest first; none where it has no history.

    Raises:
        RegisterError: the history can't be read.
    """
    history = history_path(path)
    try:
        lines = history.read_bytes().decode("utf-8").split("\n")[:-1]
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise RegisterError(f"{history}: it can't be read: {error}") from None
    found: list[Change] = []
    for number, line in enumerate(lines, 1):
        try:
            said = read_json(line)
            found.append(Change(**{**said, "insisted": tuple(said["insisted"])}))
        except (ValueError, TypeError, KeyError):
            mend = "put back a copy of it, or move it away: then a new history begins"
            raise RegisterError(f"{history}:{number}: this line is no change of the register\n    {mend}") from None
    return found


def tampered(path: Path, register: Register) -> list[str]:
    """Where the history does not hold, or the register is not what it says: in words, empty where all fits.

    An entry that the history never had was written by hand, which is no fault.
    """
    faults: list[str] = []
    before = START
    last: dict[tuple[str, str], Change] = {}
    for number, change in enumerate(changes_of(path), 1):
        if _chained(before, change) != change.chain:
            faults.append(f"change {number} does not follow from the one before: a line was changed or taken out")
        before = change.chain
        if change.kind in KINDS:
            last[change.kind, change.id] = change
    for (kind, identifier), change in last.items():
        there = register.entry(kind, identifier)
        if there != change.after:
            what = "is not there" if there is None else "is not what the history says"
            since = f"it was changed by hand since {change.at[:10]}"
            if there == change.before:
                since = f"the change of {change.at} did not come to it, or was undone by hand; enter it again"
            faults.append(f"{kind} {identifier} {what}: {since}")
    return faults


# --- approvals ------------------------------------------------------------------------------------


def keep_approval(
    path: Path, routine: Routine, *, by: str, on: dt.date, digest: str, note: str, then: Callable[[], None]
) -> None:
    """Remember that a routine was approved, so that its approval can't be undone by taking it out of the text.

    It is remembered before the text says so, as a register's change is: where the text can't be written, and the line
    can't be taken back either, the routine is for trials.

    Args:
        path: of the register.
        routine: which one.
        by: who approved it.
        on: on which day.
        digest: of its text.
        note: what was looked at.
        then: writes the approval into the text.

    Raises:
        RegisterError: the history can't be read, or somebody else holds it.
        OSError: it, or the text, can't be written.
    """
    own = path.resolve()
    said = {**asdict(routine), "parts": list(routine.parts), "by": by, "on": on.isoformat(), "digest": digest}
    with alone(own) as history:
        before = approved_before(own, routine)
        change = Change(at=now(), by=by, why=note, kind="approval", id=routine.file, before=before, after=said)
        append(history, own, change, then)


def approved_before(path: Path, routine: Routine) -> dict[str, Any] | None:
    """The last approval of a routine: of its file, or of its title and one of its parts; None if there was none.

    Raises:
        RegisterError: the history can't be read.
    """
    found = [item.after for item in changes_of(path) if item.kind == "approval" and routine.is_of(item.after)]
    return found[-1] if found else None
