"""Which device is meant: one that the book or the register knows, under all that it goes by."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path

from sqlalchemy import select

from holdzero.book import Book
from holdzero.book.find import KnownAs
from holdzero.book.rows import column
from holdzero.book.tables import uses
from holdzero.cli import DEFAULT_SHOP
from holdzero.errors import HoldzeroError
from holdzero.register import Register, load_register
from holdzero.register_history import RegisterError, changes_of

__all__ = ["known_device"]

_KINDS = {"reference": ("reference",), "check_standard": ("reference",), "comparator": ("comparator",)}
_DEVICES = ("reference", "comparator", "thermometer")
_NEAR, _MOST = 0.5, 5


def known_device(book: Book, shop: Path | None, name: str, role: str = "") -> KnownAs:
    """What a device goes by besides the name that it was asked by.

    Args:
        book: open.
        shop: file of the register; the one here if None.
        name: identifier or name, as typed.
        role: in which it was used; empty for any.

    Raises:
        HoldzeroError: neither the book nor the register knows it; the message has the nearest that they do.
    """
    path = shop if shop is not None else DEFAULT_SHOP
    register = load_register(path)
    kinds = _KINDS.get(role, _DEVICES)
    entries = [entry for kind in kinds if (entry := register.entry(kind, name)) is not None]
    entries.extend(_before(path, kinds, name))
    if not entries:
        _seen(book, register, kinds, name, role)
    return KnownAs(
        names=_distinct(entry.get("name") for entry in entries),
        certificates=_distinct(entry.get("certificate") for entry in entries),
    )


def _before(path: Path, kinds: tuple[str, ...], name: str) -> list[dict[str, object]]:
    """What the register said of it before: its former certificates count too."""
    try:
        changes = changes_of(path)
    except RegisterError:
        return []  # which register history tells
    return [item.before for item in changes if item.kind in kinds and item.id == name and item.before is not None]


def _distinct(said: Iterable[object]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(item) for item in said if item))


def _seen(book: Book, register: Register, kinds: tuple[str, ...], name: str, role: str) -> None:
    query = select(uses.c.identifier, uses.c.name).distinct()
    if role:
        query = query.where(uses.c.role == role)
    used = {text for row in book.tuples(query) for text in row if text}
    if column(name) in used:
        return
    known = used | {
        text for kind in kinds for key, entry in getattr(register, kind).items() for text in (key, entry.name)
    }
    folded = {text.casefold(): text for text in sorted(known) if text}
    near = [folded[text] for text in difflib.get_close_matches(name.casefold(), folded, _MOST, _NEAR)]
    mend = "did you mean " + ", or ".join(near) + "?" if near else "see: holdzero book watch, holdzero register list"
    raise HoldzeroError(
        f"neither {book.name} nor the register knows a {role.replace('_', ' ') or 'device'} {name!r}\n    {mend}"
    )
