"""When devices in use are due for calibration: by what records say of them last, and by the shop's register."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import and_, func, select

from holdzero.book.rows import column
from holdzero.book.store import Book
from holdzero.book.tables import records, uses
from holdzero.register import Device, Register, Urgency, urgency

__all__ = ["Due", "due_days"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A device and its day.

    Attributes:
        identifier: what it goes by.
        name: in words.
        roles: what it was used as; in the register alone, what it is.
        day: on which it is due; None where nobody says.
        source: `shop.toml` or `record`: who says so.
        used_ms: when a run that used it last began [ms since 1970, UTC]; None if none did.
        urgency: how near the day is.
    """

    identifier: str
    name: str
    roles: tuple[str, ...]
    day: dt.date | None
    source: str
    used_ms: int | None
    urgency: Urgency


def due_days(book: Book, register: Register, today: dt.date, *, comparator: str | None = None) -> list[Due]:
    """Devices that real runs used, and all of the register, the most urgent first.

    Args:
        book: open.
        register: of the shop; where it knows a device, its day counts, and not that of an old record.
        today: at the bench.
        comparator: only what was used with it, and it; None for all.
    """
    said = {
        identifier: (kind, entry.name, entry.due)
        for kind, entries in _entries(register).items()
        for identifier, entry in entries.items()
    }
    found = _used(book, comparator)
    if comparator is None:
        for identifier, (kind, name, _) in said.items():
            found.setdefault(identifier, (name, {kind}, None, None))
    made = []
    for identifier, (name, roles, recorded, used_ms) in found.items():
        day = said[identifier][2] if identifier in said else recorded
        made.append(
            Due(
                identifier=identifier,
                name=name,
                roles=tuple(sorted(roles)),
                day=day,
                source="shop.toml" if identifier in said else "record",
                used_ms=used_ms,
                urgency=urgency(day, today),
            )
        )
    order = list(Urgency)
    return sorted(made, key=lambda due: (order.index(due.urgency), due.day or dt.date.max, due.identifier))


def _entries(register: Register) -> Mapping[str, Mapping[str, Device]]:
    return {"reference": register.reference, "comparator": register.comparator, "thermometer": register.thermometer}


_Used = tuple[str, set[str], dt.date | None, int | None]


def _used(book: Book, comparator: str | None) -> dict[str, _Used]:
    """Devices of real runs, by what they go by: name, roles, day of the newest record, begin of that run."""
    real = records.c.simulated.is_(False)
    newest = (
        select(uses.c.role, uses.c.identifier, func.max(uses.c.started_ms).label("started_ms"))
        .join(records, records.c.id == uses.c.record_id)
        .where(real)
        .group_by(uses.c.role, uses.c.identifier)
    )
    if comparator is not None:
        other = uses.alias("other")
        with_it = select(other.c.record_id).where(
            other.c.role == "comparator", other.c.identifier == column(comparator)
        )
        newest = newest.where(uses.c.record_id.in_(with_it))
    last = newest.subquery()
    same = and_(
        uses.c.role == last.c.role, uses.c.identifier == last.c.identifier, uses.c.started_ms == last.c.started_ms
    )
    query = (
        select(uses.c.role, uses.c.identifier, uses.c.name, uses.c.due, uses.c.started_ms)
        .join(last, same)
        .order_by(uses.c.started_ms, uses.c.record_id)
    )
    found: dict[str, _Used] = {}
    for row in book.rows(query):
        before = found.get(row["identifier"])
        roles = {row["role"], *(before[1] if before is not None else ())}
        found[row["identifier"]] = (row["name"], roles, _day(row["due"]), row["started_ms"])
    return found


def _day(text: str | None) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text) if text else None
    except ValueError:
        return None
