"""Changing the shop's register: one at a time, with who, when and why, and with what was there before.

See `register_history`, which is what is locked too.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from holdzero.limit import exceeds
from holdzero.register import Device, Register, checked_register, load_register, plain_dates
from holdzero.register_history import Change, RegisterError, alone, append, now
from holdzero.routine.load import sound_text
from holdzero.routine.resolve import Text
from holdzero.routine.schema import Comparator, Reference, Thermometer
from holdzero.whole_file import UnconfirmedError, write_whole

__all__ = [
    "GRADE_2",
    "add_entry",
    "planned",
    "unlikely",
]


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
UNCONFIRMED = (
    "it is changed, and the system could not say that this is on disk: {}\n"
    "    see to the disk; then look whether it is so: holdzero register history"
)


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
        RegisterError: somebody else changes it, or has changed what was shown, or a file can't be written.
    """
    own = path.resolve()
    _with(own, kind, identifier, table)  # what is not valid leaves no file behind
    with alone(own) as history:
        register, text = _with(own, kind, identifier, table)
        there = load_register(own).entry(kind, identifier)
        if not isinstance(before, _Any) and there != before:
            raise RegisterError(f"{path}: {kind} {identifier} was changed meanwhile; look at it again, it is as it was")
        after = register.entry(kind, identifier) or {}
        change = Change(
            at=now(), by=by, why=why, kind=kind, id=identifier, before=there, after=after, insisted=insisted
        )
        try:
            append(history, own, change, lambda: write_whole(own, text.encode("utf-8")))
        except UnconfirmedError as error:
            raise RegisterError(f"{path}: {UNCONFIRMED.format(error.strerror)}") from None
        except OSError as error:
            mend = "it is as it was; see to the folder and the disk, then enter it again"
            raise RegisterError(f"{path}: can't be written: {error.strerror}\n    {mend}") from None
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
    # As it is when it is read again: what is written must not shut the shop out of its own register.
    made = checked_register(sound_text(Text(file=f"{kind} {identifier}", data=data, lines={})))
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
