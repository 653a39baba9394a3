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

from sqlalchemy import ColumnElement, FromClause, ScalarSelect, and_, exists, or_, select

from holdzero.book.tables import records

if TYPE_CHECKING:
    from holdzero.book.store import Book

__all__ = ["Instead", "counts", "instead", "instead_of", "is_earlier"]


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
    later = records.alias("later")
    return ~exists(select(later.c.id).where(_counts_before(later)))


def is_earlier() -> ColumnElement[bool]:
    """Whether a record is a writing that does not count, though it was not amended itself."""
    later, amending = records.alias("later"), records.alias("amending")
    amended = exists(select(amending.c.id).where(amending.c.replaces == records.c.digest))
    return and_(~amended, exists(select(later.c.id).where(_counts_before(later))))


def instead_of() -> ScalarSelect[Any]:
    """Digest of the record that counts in the place of one; None where it counts itself."""
    later = records.alias("later")
    query = select(later.c.digest).where(_counts_before(later))
    # An amendment first, then the newest writing.
    return query.order_by(later.c.replaces.is_(None), later.c.id.desc()).limit(1).scalar_subquery()


def instead(book: Book, digests: Sequence[str]) -> dict[str, Instead]:
    """What counts in the place of records, by their digests; those that count themselves are left out."""
    other = instead_of()
    amending = records.alias("amending")
    amends = exists(select(amending.c.id).where(amending.c.replaces == records.c.digest))
    query = select(records.c.digest, other.label("other"), amends.label("amends"))
    return {
        row["digest"]: Instead(digest=row["other"], amends=bool(row["amends"]))
        for row in book.rows(query.where(records.c.digest.in_(digests)))
        if row["other"] is not None
    }


def _counts_before(later: FromClause) -> ColumnElement[bool]:
    """Whether `later` counts in the place of a row of `records`."""
    root = records.alias("root")
    amended = (
        select(root.c.digest)
        .where(root.c.run == records.c.run, root.c.replaces.is_(None))
        .where(root.c.serial.is_not_distinct_from(records.c.serial), root.c.digest != records.c.digest)
        .correlate(records)
    )
    written_anew = and_(
        later.c.replaces.is_(None),
        later.c.serial.is_not_distinct_from(records.c.serial),
        later.c.id > records.c.id,
    )
    other_writing = and_(records.c.replaces.is_(None), or_(written_anew, later.c.replaces.in_(amended)))
    return and_(later.c.run == records.c.run, or_(later.c.replaces == records.c.digest, other_writing))
