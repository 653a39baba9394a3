"""`register add`, `list`, `show` and `history`."""

from __future__ import annotations

import datetime as dt
import getpass
import sys
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from holdzero.cli import DEFAULT_SHOP
from holdzero.cli.house import open_shop
from holdzero.cli.register_book import keep_changes, lost_changes
from holdzero.cli.who import plain_options
from holdzero.errors import HoldzeroError
from holdzero.register import KINDS, Inspector, Register, Urgency, load_register, urgency
from holdzero.register_history import changes_of, tampered
from holdzero.registering import add_entry, planned, unlikely

__all__ = ["Adding", "add", "history", "list_entries", "show"]

_DONE, _BROKEN = 0, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Adding:
    """What a person says of a change.

    Attributes:
        by: who makes it; the name of the account if empty.
        why: in words.
        replace: whether what is there may be replaced without being asked.
        insist: whether what is odd in it is written all the same.
    """

    by: str
    why: str
    replace: bool
    insist: bool


def add(named: Path | None, kind: str, identifier: str, keys: list[str], said: Adding) -> int:
    """Add or replace an entry; gives the exit code."""
    shop = named or DEFAULT_SHOP
    if kind not in KINDS:
        raise HoldzeroError(f"{kind!r} is no kind of entry; there are: {', '.join(KINDS)}")
    plain_options(by=said.by, why=said.why)
    table = dict(_pair(key) for key in keys)
    before = load_register(shop).entry(kind, identifier)
    new = planned(shop, kind, identifier, table)
    after = new.entry(kind, identifier) or {}
    if before is not None and before == after:
        typer.echo(f"{shop}: {kind} {identifier} is so already")
        return _DONE
    odd = _insisted(named, new, kind, identifier, said)
    why = said.why.strip() if before is None else _agreed(shop, f"{kind} {identifier}", before, after, said)
    by = said.by.strip() or _account()
    register = add_entry(shop, kind, identifier, table, by=by, why=why, before=before, insisted=odd)
    typer.echo(f"{shop}: {kind} {identifier} " + ("added" if before is None else "replaced"))
    _print(register.entry(kind, identifier) or {})
    if trouble := keep_changes(shop):
        typer.echo(f"holdzero: {trouble}", err=True)
    return _DONE


def _insisted(named: Path | None, new: Register, kind: str, identifier: str, said: Adding) -> tuple[str, ...]:
    """What is odd in an entry, where it is insisted on."""
    entry = getattr(new, kind)[identifier]
    known: Collection[str] = open_shop(named, lazily=True).catalogue.materials
    odd = () if isinstance(entry, Inspector) else unlikely(entry, known)
    if odd and not (said.insist and said.why.strip()):
        lines = "".join(f"\n    {line}" for line in odd)
        mend = 'put it right; where it is so all the same: --insist --why "…", which the history keeps'
        raise HoldzeroError(f"{kind} {identifier} is not added:{lines}\n    {mend}")
    return odd


def _agreed(shop: Path, what: str, before: Mapping[str, Any], after: Mapping[str, Any], said: Adding) -> str:
    """Why an entry is replaced, after it was shown and agreed to."""
    typer.echo(f"{shop} has {what} already; it would change:")
    for key in dict.fromkeys((*before, *after)):
        if before.get(key) != after.get(key):
            typer.echo(_line(f"    {key}: {_said(before.get(key))} -> {_said(after.get(key))}"))
    mend = 'it is as it was; to replace it: --replace --why "…"'
    asked = sys.stdin.isatty()
    if not said.replace and not (asked and typer.confirm("Replace it?")):
        raise HoldzeroError(f"{what} is not replaced; {mend}")
    why = said.why.strip() or (typer.prompt("Why", default="", show_default=False).strip() if asked else "")
    if not why:
        raise HoldzeroError(f"{what} is not replaced without a reason; {mend}")
    return why


def _said(value: Any) -> str:
    return "(not stated)" if value is None else str(value)


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # an account without a name
        return ""


def _pair(text: str) -> tuple[str, Any]:
    """A key and its value: as in TOML, or as plain text where that is no TOML."""
    key, sign, value = text.partition("=")
    if not sign or not key.strip():
        raise HoldzeroError(f'{text!r}: write KEY=VALUE, for example size="12 mm"')
    try:
        return key.strip(), tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        return key.strip(), value.strip()


def list_entries(shop: Path) -> int:
    """One line an entry; gives the exit code."""
    register = load_register(shop)
    lines = [
        (
            kind,
            identifier,
            str(table.get("name", "")),
            str(table.get("size", "")),
            str(table.get("due", "")),
            _mark(register, kind, identifier),
        )
        for kind in KINDS
        for identifier, table in register.data.get(kind, {}).items()
    ]
    if not lines:
        typer.echo(f"{shop}: no entries; add one with: holdzero register add reference ID size=… deviation=…")
        return _DONE
    head = ("kind", "identifier", "name", "size", "due", "")
    widths = [max(len(row[column]) for row in (head, *lines)) for column in range(len(head))]
    for row in (head, *lines):
        typer.echo(_line("  ".join(word.ljust(width) for word, width in zip(row, widths, strict=True)).rstrip()))
    return _DONE


def _mark(register: Register, kind: str, identifier: str) -> str:
    """`OVERDUE` or `DUE SOON`; empty for what is neither."""
    day = getattr(getattr(register, kind)[identifier], "due", None)
    how = urgency(day, dt.datetime.now().astimezone().date())
    return str(how).upper() if how in (Urgency.OVERDUE, Urgency.SOON) else ""


def show(shop: Path, identifier: str) -> int:
    """All keys of the entries with this identifier; gives the exit code."""
    register = load_register(shop)
    found = [(kind, entry) for kind in KINDS if (entry := register.entry(kind, identifier)) is not None]
    if not found:
        raise HoldzeroError(f"{shop}: no entry {identifier!r}; see: holdzero register list")
    for kind, entry in found:
        typer.echo(kind)
        _print(entry)
    return _DONE


def history(shop: Path, identifier: str | None) -> int:
    """All changes, oldest first, and whether the register is what they say; gives the exit code."""
    register = load_register(shop)
    for change in changes_of(shop):
        if identifier not in (None, change.id):
            continue
        what = "added" if change.before is None else "replaced"
        why = f": {change.why}" if change.why else ""
        typer.echo(_line(f"{change.at}  {change.kind} {change.id} {what} by {change.by or 'nobody named'}{why}"))
        for line in change.insisted:
            typer.echo(_line(f"    insisted on: {line}"))
        if change.before is not None:
            typer.echo("    before:")
            _print(change.before, "        ")
    faults = [*tampered(shop, register), *lost_changes(shop)]
    for fault in faults:
        typer.echo(_line(f"{shop}: {fault}"))
    if not faults:
        typer.echo(f"{shop}: the history holds, and the register is what it says")
    return _BROKEN if faults else _DONE


def _print(entry: Mapping[str, Any], indent: str = "    ") -> None:
    for key, value in entry.items():
        typer.echo(_line(f"{indent}{key} = {value}"))


def _line(text: str) -> str:
    """What a person typed may hold anything; a line is a line."""
    return "".join(c if c.isprintable() else "·" for c in text)
