"""Finding records: what a person asks becomes one SELECT, with every value bound and none pasted in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import ColumnElement, Select, exists, false, or_, select

from holdzero.book.rows import column, kept_text
from holdzero.book.tables import documents, records, results, uses
from holdzero.book.writings import counts, instead_of, is_earlier
from holdzero.plain_text import same_key

if TYPE_CHECKING:
    from holdzero.book.store import Book

__all__ = ["Criteria", "KnownAs", "in_time", "matching", "spelled", "whole"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownAs:
    """What a device goes by where a record has no identifier for it.

    Attributes:
        names: as marked on it.
        certificates: their numbers, the ones before among them.
    """

    names: tuple[str, ...] = ()
    certificates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """What is asked for; None where it does not matter.

    Attributes:
        device: identifier or name of a block, comparator, thermometer or check standard that was used.
        reference: identifier or name of the reference.
        comparator: identifier or name of the comparator.
        part: part number.
        revision: of the routine or drawing.
        serial: of the part, to the last sign.
        serials: of the part, as it was typed at times; empty for any.
        operator: who measured.
        verdict: pass, fail, undecided or reported.
        characteristic: one that the record has.
        since_ms: begun at this time or later [ms since 1970, UTC].
        until_ms: begun before this time [ms since 1970, UTC].
        text: words that stand anywhere in what a person may read.
        simulated: whether readings are made up.
        purpose: production, trial, practice or simulated.
        known_as: what a device of the register goes by where a routine states it whole, by its identifier.
        latest: leave out records that do not count: amended ones, and earlier writings of a run.
        once: leave out earlier writings of a run alone.
    """

    device: str | None = None
    reference: str | None = None
    comparator: str | None = None
    part: str | None = None
    revision: str | None = None
    serial: str | None = None
    serials: tuple[str, ...] = ()
    operator: str | None = None
    verdict: str | None = None
    characteristic: str | None = None
    since_ms: int | None = None
    until_ms: int | None = None
    text: str | None = None
    simulated: bool | None = None
    purpose: str | None = None
    latest: bool = False
    known_as: Mapping[str, KnownAs] = field(default_factory=dict)
    once: bool = False


_PLAIN = ("part", "revision", "serial", "operator", "verdict", "simulated", "purpose")


def whole() -> Select[Any]:
    """All records with their documents, in no order."""
    return select(*records.c, documents.c.document).join(documents, documents.c.record_id == records.c.id)


def matching(criteria: Criteria, of: Select[Any] | None = None) -> Select[Any]:
    """The records that are asked for, newest first.

    Args:
        criteria: what is asked for.
        of: what is selected; all columns of `records` if None.
    """
    query = (select(*records.c) if of is None else of).where(*_conditions(criteria))
    return query.order_by(records.c.started_ms.desc(), records.c.id.desc())


def in_time(criteria: Criteria) -> Select[Any]:
    """The records that are asked for, whole, oldest first, each with `replaced_by`: what counts in its place."""
    query = matching(criteria, whole().add_columns(instead_of().label("replaced_by")))
    return query.order_by(None).order_by(records.c.started_ms, records.c.id)


def _conditions(criteria: Criteria) -> list[ColumnElement[bool]]:
    found = [_is(name, said, criteria) for name in _PLAIN if (said := getattr(criteria, name)) is not None]
    if criteria.serials:
        found.append(records.c.serial.in_(criteria.serials))
    if criteria.since_ms is not None:
        found.append(records.c.started_ms >= criteria.since_ms)
    if criteria.until_ms is not None:
        found.append(records.c.started_ms < criteria.until_ms)
    if criteria.text is not None:
        words = kept_text(criteria.text).lower().split()
        found.extend(records.c.words.contains(word, autoescape=True) for word in words)
    if criteria.characteristic is not None:
        found.append(_in_results(criteria.characteristic))
    for role, name in (("", criteria.device), ("reference", criteria.reference), ("comparator", criteria.comparator)):
        if name is not None:
            found.append(_in_uses(role, name, criteria) | _certified(name, criteria))
    if criteria.latest:
        found.append(counts())
    if criteria.once:
        found.append(~is_earlier())
    return found


def _is(name: str, said: str | bool, criteria: Criteria) -> ColumnElement[bool]:
    held: Any = records.c[name]
    if name == "operator" and (criteria.part is not None or criteria.serial is not None or criteria.serials):
        # Not by its own index: an inspector has measured thousands, and a database may think them few.
        held = held + ""
    return cast("ColumnElement[bool]", held == (column(said) if isinstance(said, str) else said))


def _in_results(characteristic: str) -> ColumnElement[bool]:
    own = results.c.record_id == records.c.id
    return exists(select(results.c.record_id).where(own, results.c.characteristic == column(characteristic)))


def _in_uses(role: str, name: str, criteria: Criteria) -> ColumnElement[bool]:
    """Records that used a device: the list of their numbers comes from the device's own index."""
    # One without an identifier goes by its name: another block of the same name and its own identifier is not meant.
    goes_by = [column(item) for item in (name, *criteria.known_as.get(name, KnownAs()).names)]
    query = select(uses.c.record_id).where(uses.c.identifier.in_(goes_by) | (uses.c.name == column(name)))
    if role:
        query = query.where(uses.c.role == role)
    if criteria.since_ms is not None:
        query = query.where(uses.c.started_ms >= criteria.since_ms)
    if criteria.until_ms is not None:
        query = query.where(uses.c.started_ms < criteria.until_ms)
    return records.c.id.in_(query)


def _certified(name: str, criteria: Criteria) -> ColumnElement[bool]:
    """Records that name one of its certificates, on a line of its own among their words."""
    certificates = criteria.known_as.get(name, KnownAs()).certificates
    lines = (f"\n{kept_text(item).lower()}\n" for item in certificates)
    return or_(false(), *(records.c.words.contains(line, autoescape=True) for line in lines))


def spelled(book: Book, serial: str) -> tuple[str, ...]:
    """How a serial may stand in the book: it is kept as it was typed, and compared in its normal form.

    Where neither what is asked for nor its normal form is there, each serial of the book is looked at.
    """
    typed = tuple(dict.fromkeys(column(text) for text in (serial, serial.strip(), same_key(serial))))
    if book.rows(select(records.c.id).where(records.c.serial.in_(typed)).limit(1)):
        return typed
    every = book.tuples(select(records.c.serial).where(records.c.serial.is_not(None)).distinct())
    return typed + tuple(other for (other,) in every if same_key(other) == same_key(serial))
