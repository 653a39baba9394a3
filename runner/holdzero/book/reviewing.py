"""What a review of a record means, and whether it may stand. Pure: who, when and which record are handed in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from holdzero.errors import HoldzeroError

__all__ = ["MEANINGS", "ReviewRefusedError", "alike", "allow", "standing"]

MEANINGS = ("reviewed", "approved", "rejected", "witnessed")
"""What a review can mean; `witnessed`: was there when it was measured."""
_SETTLES = ("reviewed", "approved", "rejected")

Row = Mapping[str, Any]


class ReviewRefusedError(HoldzeroError):
    """A review that may not stand; the message says why."""


def alike(name: str | None, other: str | None) -> bool:
    """Whether two names are of one person: small and capital letters and blanks do not count.

    >>> alike("T. Ester", "t.ester "), alike("T. Ester", None)
    (True, False)
    """
    return name is not None and other is not None and _plain(name) == _plain(other)


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()


def allow(*, name: str, meaning: str, note: str, operators: Sequence[str | None], second_person: bool) -> None:
    """Refuse a review that may not stand.

    Args:
        name: who reviews.
        meaning: one of `MEANINGS`.
        note: what was looked at, or why not.
        operators: who measured, as it was recorded and as it was corrected.
        second_person: whether the routine asks for somebody else.

    Raises:
        ReviewRefusedError: it may not stand.
    """
    if not name.strip():
        raise ReviewRefusedError("a review has a name; say who: --name")
    if meaning not in MEANINGS:
        raise ReviewRefusedError(f"{meaning!r} is no meaning of a review; write one of {', '.join(MEANINGS)}")
    if meaning == "rejected" and not note.strip():
        raise ReviewRefusedError('a record is not rejected without a word; say why: --note "…"')
    if not second_person:
        return
    if all(operator is None for operator in operators):
        mend = 'amend the record first: holdzero book amend RECORD --operator NAME --reason "…" --by NAME'
        raise ReviewRefusedError(f"a second person must review it, and it does not say who measured\n    {mend}")
    if any(alike(name, operator) for operator in operators):
        raise ReviewRefusedError(f"a second person must review it, and {name.strip()} measured it")


def standing(reviews: Iterable[Row], *, operator: str | None, second_person: bool) -> str:
    """How a record stands: `awaits review`, `rejected`, or nothing to say.

    Args:
        reviews: of the record, in the order in which they were made.
        operator: who measured.
        second_person: whether the routine asks for somebody else.
    """
    settling = [row for row in reviews if row["meaning"] in _SETTLES]
    if second_person:
        settling = [row for row in settling if not alike(row["name"], operator)]
    if settling and settling[-1]["meaning"] == "rejected":
        return "rejected"
    return "awaits review" if second_person and not settling else ""
