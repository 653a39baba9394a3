"""A run counts once: which record of a run and a part counts, where its journal was written to records more than once.

Records of the same run (the same events) and the same part are writings of one: after a plugin or a library changed,
`resume` makes another of the same journal. The newest counts, the one that came last into the book; the others are its
earlier writings. A writing that a person amended counts before all of them, as an amendment is not undone by writing
anew. What is amended keeps its part: by the serial of the record that was amended, whatever it says now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, ColumnElement, ScalarSelect, Select, and_, exists, func, or_, select

from holdzero.book.tables import records

if TYPE_CHECKING:
    from holdzero.book.store import Book

__all__ = ["Instead", "counts", "earlier", "instead", "instead_of", "is_earlier"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instead:
    """What counts in the place of a record.

    Attributes:
        digest: of the record that counts.
        amends: whether it amends this one; else it is another writing of the same run.
    """

    digest: str
    amends: bool


def counts() -> ColumnElement[bool]:
    """Whether no other record counts in the place of this one: neither amends it nor was written after it."""
    return and_(~exists(_amendment(records.c.id)), ~exists(_other_writing(records.c.id)))


def is_earlier() -> ColumnElement[bool]:
    """Whether a record is a writing that does not count, though it was not amended itself."""
    return and_(~exists(_amendment(records.c.id)), exists(_other_writing(records.c.id)))


def instead_of() -> ColumnElement[Any]:
    """Digest of the record that counts in the place of one; None where it counts itself."""
    return func.coalesce(_first(_amendment(records.c.digest)), _first(_other_writing(records.c.digest)))


def instead(book: Book, digests: Sequence[str]) -> dict[str, Instead]:
    """What counts in the place of records, by their digests; those that count themselves are left out."""
    amends = exists(_amendment(records.c.id))
    query = select(records.c.digest, instead_of().label("other"), amends.label("amends"))
    return {
        row["digest"]: Instead(digest=row["other"], amends=bool(row["amends"]))
        for row in book.rows(query.where(records.c.digest.in_(digests)))
        if row["other"] is not None
    }


def earlier(book: Book, digests: Sequence[str]) -> dict[str, list[str]]:
    """Digests of the earlier writings in whose place records count, by theirs."""
    own = select(records.c.run).where(records.c.digest.in_(digests))
    query = select(records.c.digest, instead_of().label("other")).where(records.c.run.in_(own), is_earlier())
    found: dict[str, list[str]] = {}
    for row in book.rows(query.order_by(records.c.id)):
        found.setdefault(row["other"], []).append(row["digest"])
    return found


_LATER = records.alias("later")


def _first(query: Select[Any]) -> ScalarSelect[Any]:
    """Of several an amendment, and of those the newest."""
    return query.order_by(_LATER.c.replaces.is_(None), _LATER.c.id.desc()).limit(1).scalar_subquery()


def _amendment(of: Column[Any]) -> Select[Any]:
    """What amends a row of `records`."""
    return select(_LATER.c[of.name]).where(_LATER.c.replaces == records.c.digest).correlate(records)


def _other_writing(of: Column[Any]) -> Select[Any]:
    """Writings of the same run and part that count before a row of `records`: later ones, and amendments of others."""
    root = records.alias("root")
    amended = (
        select(root.c.digest)
        .where(root.c.run == records.c.run, root.c.replaces.is_(None))
        # By the run's index and not by the serial's: parts without a serial are thousands.
        .where((root.c.serial + "").is_not_distinct_from(records.c.serial), root.c.digest != records.c.digest)
        .correlate(records)
    )
    anew = and_(
        _LATER.c.replaces.is_(None),
        _LATER.c.serial.is_not_distinct_from(records.c.serial),
        _LATER.c.id > records.c.id,
    )
    query = select(_LATER.c[of.name]).where(records.c.replaces.is_(None), _LATER.c.run == records.c.run)
    amends_another = and_(_LATER.c.replaces.is_not(None), _LATER.c.replaces.in_(amended))
    return query.where(or_(anew, amends_another)).correlate(records)
