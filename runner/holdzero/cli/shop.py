"""`register add`, `list` and `show`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import typer

from holdzero.errors import HoldzeroError
from holdzero.register import KINDS, add_entry, load_register

__all__ = ["add", "list_entries", "show"]

_DONE, _INVALID = 0, 2


def add(shop: Path, kind: str, identifier: str, keys: list[str]) -> int:
    """Add or replace an entry; gives the exit code."""
    if kind not in KINDS:
        raise HoldzeroError(f"{kind!r} is no kind of entry; there are: {', '.join(KINDS)}")
    table = dict(_pair(key) for key in keys)
    try:
        register = add_entry(shop, kind, identifier, table)
    except OSError as error:
        raise HoldzeroError(f"{shop}: can't be written: {error.strerror}; it is as it was") from None
    typer.echo(f"{shop}: {kind} {identifier}")
    _print(register.entry(kind, identifier) or {})
    return _DONE


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
        (kind, identifier, str(table.get("name", "")), str(table.get("size", "")), str(table.get("due", "")))
        for kind in KINDS
        for identifier, table in register.data.get(kind, {}).items()
    ]
    if not lines:
        typer.echo(f"{shop}: no entries; add one with: holdzero register add reference ID size=… deviation=…")
        return _DONE
    head = ("kind", "identifier", "name", "size", "due")
    widths = [max(len(row[column]) for row in (head, *lines)) for column in range(len(head))]
    for row in (head, *lines):
        typer.echo("  ".join(word.ljust(width) for word, width in zip(row, widths, strict=True)).rstrip())
    return _DONE


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


def _print(entry: dict[str, Any]) -> None:
    for key, value in entry.items():
        typer.echo(f"    {key} = {value}")
