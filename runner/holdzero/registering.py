"""Changing the shop's register: one at a time, with who, when and why, and with what was there before.

`shop.history.jsonl` beside `shop.toml` has one line a change. Each names the chain of the line before, so that a
line that was taken out or changed shows. It is what is locked, too: whoever holds it changes the register.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import shutil
import time
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from holdzero.errors import HoldzeroError
from holdzero.limit import exceeds
from holdzero.register import KINDS, Device, Register, checked_register, load_register, plain_dates
from holdzero.routine.resolve import Text
from holdzero.routine.schema import Comparator, Reference, Thermometer

__all__ = [
    "Change",
    "RegisterError",
    "add_entry",
    "changes_of",
    "history_path",
    "planned",
    "tampered",
    "unlikely",
]

START = "sha256:" + hashlib.sha256(b"holdzero register 1").hexdigest()
_WAIT_S = 10.0
_AGAIN_S = 0.02

# ISO 3650:1998, table 5 (from memory): limit deviation te of grade 2 [um] up to and including a length [mm].
GRADE_2 = (
    (10, 0.45),
    (25, 0.60),
    (50, 0.80),
    (75, 1.00),
    (100, 1.20),
    (150, 1.60),
    (200, 2.00),
    (250, 2.40),
    (300, 2.80),
    (400, 3.60),
    (500, 4.40),
    (600, 5.00),
    (700, 6.00),
    (800, 6.50),
    (900, 7.50),
    (1000, 8.00),
)
"""No plugin may be imported here; a test holds these to the table of `[checks.block]`."""
_LIMITS = 10
"""A block further off than ten limits of the coarsest grade is a slip of the unit or sign (a choice of ours)."""


class RegisterError(HoldzeroError):
    """The register was not changed; the message says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of the register.

    Attributes:
        at: when, with its offset from UTC.
        by: who made it.
        why: in words; empty where nobody said.
        kind: of the entry.
        id: its identifier.
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


# --- what an entry can hardly mean ----------------------------------------------------------------


def unlikely(device: Device | None, materials: Collection[str]) -> tuple[str, ...]:
    """What in an entry is so odd that it is a slip: in words, empty where nothing is.

    Args:
        device: as it would be entered; None for an inspector.
        materials: all names that are known.
    """
    match device:
        case Reference():
            return (*_far_off(device), *_certain(device), *_of_what(device.material, materials))
        case Thermometer() if not float(device.error.standard_uncertainty):
            return ("its error has no uncertainty",)
        case Comparator() if device.tip is not None and device.tip.material:
            return tuple(f"tip: {said}" for said in _of_what(device.tip.material, materials))
        case _:
            return ()


def _far_off(device: Reference) -> Iterator[str]:
    size_mm, deviation_um = device.size / 1000.0, float(device.deviation.value)
    te_um = next((te for upto, te in GRADE_2 if not exceeds(size_mm, float(upto))), None)
    if te_um is not None and exceeds(abs(deviation_um), _LIMITS * te_um):
        limit = f"{_LIMITS} times the limit of grade 2 of ISO 3650 are {_LIMITS * te_um:g} um"
        yield f"its deviation is {deviation_um:+g} um; {limit} at {size_mm:g} mm"


def _certain(device: Reference) -> Iterator[str]:
    if not float(device.deviation.standard_uncertainty):
        yield "its deviation has no uncertainty: write what the certificate says, with its coverage factor"


def _of_what(material: str, materials: Collection[str]) -> Iterator[str]:
    if material not in materials:
        known = ", ".join(sorted(materials))
        yield f"its material is {repr(material) if material else 'not stated'}; known are {known}"


# --- changing it ----------------------------------------------------------------------------------


class _Any:
    """Whatever stands there may be replaced."""


ANY = _Any()


def add_entry(
    path: Path,
    kind: str,
    identifier: str,
    table: dict[str, Any],
    *,
    by: str = "",
    why: str = "",
    before: Mapping[str, Any] | _Any | None = ANY,
    insisted: tuple[str, ...] = (),
) -> Register:
    """Add an entry to the register file, or replace it; the file is written whole or not at all.

    All else in the file stays as it was, comments among it.

    Args:
        path: of the register.
        kind: of the entry.
        identifier: its name.
        table: its keys, as TOML gives them.
        by: who does it.
        why: in words.
        before: what was shown to whoever asked for this, as `Register.entry` gives it; if something else stands
            there by now, nothing is changed. ANY where it does not matter.
        insisted: what was doubtful in it.

    Raises:
        FileFaultsError: the entry is not valid, or the file can't be read.
        RegisterError: somebody else changes it, or has changed what was shown.
        OSError: a file can't be written.
    """
    own = path.resolve()
    _with(own, kind, identifier, table)  # what is not valid leaves no file behind
    with _alone(own) as history:
        register, text = _with(own, kind, identifier, table)
        there = load_register(own).entry(kind, identifier)
        if not isinstance(before, _Any) and there != before:
            raise RegisterError(f"{path}: {kind} {identifier} was changed meanwhile; look at it again, it is as it was")
        after = register.entry(kind, identifier) or {}
        at = dt.datetime.now().astimezone().isoformat(timespec="milliseconds")
        change = Change(at=at, by=by, why=why, kind=kind, id=identifier, before=there, after=after, insisted=insisted)
        _append(history, own, change, text)
    return register


def planned(path: Path, kind: str, identifier: str, table: dict[str, Any]) -> Register:
    """The register as it would be with an entry; nothing is written.

    Raises:
        FileFaultsError: the entry is not valid, or the file can't be read.
    """
    return _with(path.resolve(), kind, identifier, table)[0]


def _with(path: Path, kind: str, identifier: str, table: dict[str, Any]) -> tuple[Register, str]:
    """The register with an entry, and its text."""
    register = load_register(path)
    entries = {**register.data.get(kind, {}), identifier: plain_dates(table)}
    data = {"format": 1, **register.data, kind: entries}
    made = checked_register(Text(file=f"{kind} {identifier}", data=data, lines={}))
    return made, _rewritten(path, kind, identifier, table)


def _rewritten(path: Path, kind: str, identifier: str, table: dict[str, Any]) -> str:
    """The file's text with an entry; nothing else in it is touched."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    text = path.read_bytes().decode("utf-8-sig") if path.exists() else "format = 1\n"
    wanted = tomllib.loads(text)
    wanted.setdefault(kind, {})[identifier] = table
    for inline in (False, True):  # a table of its own where the layout has room for one
        try:
            document = tomlkit.parse(text)
            if kind not in document:
                document.append(kind, tomlkit.table(is_super_table=True))
            entries: Any = document[kind]
            if identifier in entries and hasattr(entries[identifier], "keys"):
                _amend(entries[identifier], table)
            else:
                entries[identifier] = _item(table, inline=inline)
            made = tomlkit.dumps(document)
            if tomllib.loads(made) == wanted:
                return made
        except (TOMLKitError, ValueError, KeyError, TypeError):
            continue
    raise RegisterError(f"{path}: [{kind}.{identifier}] can't be put into it as it is laid out; write it by hand")


def _amend(held: Any, table: Mapping[str, Any]) -> None:
    """Change what differs, so that a comment beside what stays is kept."""
    for key in [key for key in held if key not in table]:
        del held[key]
    for key, value in table.items():
        if key not in held or held[key] != value:
            held[key] = _item(value, inline=True)


def _item(value: Any, *, inline: bool) -> Any:
    import tomlkit

    if not isinstance(value, Mapping):
        return value
    made: Any = tomlkit.inline_table() if inline else tomlkit.table()
    for key, inner in value.items():
        made[key] = _item(inner, inline=True)
    return made


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[IO[bytes]]:
    """The history, open and locked: nobody else changes the register meanwhile."""
    history = history_path(path)
    end = time.monotonic() + _WAIT_S
    while (file := _locked(history)) is None:
        if time.monotonic() > end:
            raise RegisterError(f"{path}: somebody else is changing it since {_WAIT_S:g} s; try again, it is as it was")
        time.sleep(_AGAIN_S)
    try:
        if not file.seek(0, os.SEEK_END) and path.exists():
            with contextlib.suppress(OSError):  # who may change the register may write its history
                shutil.copymode(path, history)
        yield file
    finally:
        if not file.seek(0, os.SEEK_END):
            with contextlib.suppress(OSError):
                history.unlink()
        file.close()


def _locked(history: Path) -> IO[bytes] | None:
    """The file, locked; None where somebody else has it, or took it away before it was locked."""
    import portalocker

    file = history.open("a+b")
    try:
        portalocker.lock(file, portalocker.LOCK_EX | portalocker.LOCK_NB)
        if os.path.samestat(os.fstat(file.fileno()), history.stat()):
            return file
    except (portalocker.LockException, FileNotFoundError):
        pass
    except BaseException:
        file.close()
        raise
    file.close()
    return None


def _write_whole(path: Path, text: str) -> None:
    """Write beside, then rename over; who may read and write the file stays as it was."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with beside.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


# --- its history ----------------------------------------------------------------------------------


def history_path(path: Path) -> Path:
    """Where the history of a register is: beside it, where a link points."""
    own = path.resolve()
    return own.with_name(f"{own.stem}.history.jsonl")


def _append(history: IO[bytes], path: Path, change: Change, text: str) -> None:
    """Write the line, then the register; where that fails, the line is taken back."""
    history.seek(0)
    whole = history.read().rfind(b"\n") + 1  # a line that was cut off by a kill never came to the register
    history.truncate(whole)
    last = _changes(path)
    said = asdict(change) | {"chain": _chained(last[-1].chain if last else START, change)}
    try:
        history.write((_text(said) + "\n").encode("ascii"))
        history.flush()
        os.fsync(history.fileno())
        _write_whole(path, text)
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
    return _changes(path.resolve())


def _changes(path: Path) -> list[Change]:
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
            said = json.loads(line)
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
        last[change.kind, change.id] = change
    for (kind, identifier), change in last.items():
        there = register.entry(kind, identifier) if kind in KINDS else None
        if there != change.after:
            what = "is not there any more" if there is None else "is not what the history says"
            faults.append(f"{kind} {identifier} {what}: it was changed by hand since {change.at[:10]}")
    return faults
