"""Amendments: a record is never changed; another one of the same events names it, corrects who or what, and says why.

Serial and operator may be corrected, because a person can type them wrong. Readings and results never
are: they follow from what happened, and measuring again is another run.

Source: ISO/IEC 17025:2017, 7.8.8 (from memory).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from holdzero.errors import RecordError
from holdzero.unrecorded import unrecorded

__all__ = ["CORRECTED", "Amendment", "AmendmentError", "amended", "amendment_of", "as_measured", "corrected"]

CORRECTED = ("serial", "operator")
"""What may be corrected, all of it in the record's `run`."""

_KEYS = {"digest", "reason", "by", "at", "corrected"}
_DIGEST = re.compile(r"sha256:[0-9a-f]{64}")
_PAIR = 2


class AmendmentError(RecordError):
    """An amendment that may not be: without a reason, or of what can't be corrected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """What an amended record says of itself.

    Attributes:
        digest: of the record that it replaces.
        reason: why.
        by: who answers for it.
        at: when, with its offset from UTC.
        corrected: what the events say, and what holds in its place; by name.
    """

    digest: str
    reason: str
    by: str
    at: str
    corrected: Mapping[str, tuple[str | None, str]]

    @property
    def told(self) -> list[str]:
        """What was corrected, in words."""
        return [f"{name} was {old or 'not recorded'}, is {new}" for name, (old, new) in self.corrected.items()]


def amendment_of(record: Mapping[str, Any]) -> Amendment | None:
    """The amendment that a record is; None where it is none.

    Raises:
        AmendmentError: it is one that may not be.
    """
    said = record.get("amends")
    if said is None and "amends" not in record:
        return None
    if not isinstance(said, Mapping) or said.keys() != _KEYS:
        raise AmendmentError(f"amends: it must say {', '.join(sorted(_KEYS))}, and nothing else")
    for key in ("reason", "by"):
        if not isinstance(said[key], str) or not said[key].strip():
            raise AmendmentError(f"amends: it has no {key}; a record is not replaced without one")
    if not isinstance(said["digest"], str) or not _DIGEST.fullmatch(said["digest"]):
        raise AmendmentError("amends: it does not name the record that it replaces by its digest")
    _checked_time(said["at"])
    return Amendment(
        digest=said["digest"],
        reason=said["reason"],
        by=said["by"],
        at=said["at"],
        corrected=_pairs(said["corrected"]),
    )


def _checked_time(at: object) -> None:
    try:
        offset = dt.datetime.fromisoformat(str(at)).utcoffset()
    except ValueError:
        offset = None
    if offset is None:
        raise AmendmentError("amends: it does not say when, as a time with its offset from UTC")


def _pairs(said: object) -> dict[str, tuple[str | None, str]]:
    if not isinstance(said, Mapping):
        raise AmendmentError("amends: corrected is no table")
    for name, pair in said.items():
        if name not in CORRECTED:
            allowed = " and ".join(CORRECTED)
            raise AmendmentError(f"amends: {name} can't be corrected; only {allowed} can, measuring again is a new run")
        if not isinstance(pair, list | tuple) or len(pair) != _PAIR:
            raise AmendmentError(f"amends: {name} must be a pair, what was and what is")
        old, new = pair
        if not (old is None or isinstance(old, str)) or not isinstance(new, str) or not new.strip() or old == new:
            raise AmendmentError(f"amends: {name} must be a text that differs from the one before")
    return {name: (pair[0], pair[1]) for name, pair in said.items()}


def as_measured(record: Mapping[str, Any], name: str) -> str | None:
    """What the events of a record say of its serial or operator, whatever was corrected since.

    Raises:
        AmendmentError: it is an amendment that may not be.
    """
    amendment = amendment_of(record)
    if amendment is not None and name in amendment.corrected:
        return amendment.corrected[name][0]
    said: str | None = record["run"][name]
    return said


def corrected(computed: Mapping[str, Any], amendment: Amendment) -> dict[str, Any]:
    """What was computed from the events, with the corrections applied on top.

    Args:
        computed: a record or what was computed for one.
        amendment: what is corrected in it.

    Raises:
        AmendmentError: the events say otherwise than the amendment claims.
    """
    run = dict(computed["run"])
    for name, (old, new) in amendment.corrected.items():
        if run[name] != old:
            raise AmendmentError(f"amends: {name} was {run[name]!r} by the events, and not {old!r}")
        run[name] = new
    made = {**computed, "run": run}
    return {**made, "not_recorded": unrecorded(made)}


def amended(
    record: Mapping[str, Any], *, reason: str, by: str, at: str, changes: Mapping[str, str | None]
) -> dict[str, Any]:
    """Another record of the same events, which replaces one; without its digest.

    Args:
        record: that is replaced; it may be an amendment itself.
        reason: why.
        by: who answers for it.
        at: when, with its offset from UTC.
        changes: what holds from now on, by name; None where it stays as it was.

    Raises:
        AmendmentError: nothing is changed, or something that may not be.
    """
    before = amendment_of(record)
    pairs = dict(before.corrected) if before is not None else {}
    wanted = {name: new for name, new in changes.items() if new is not None}
    for name, new in wanted.items():
        if name in CORRECTED and record["run"][name] == new:
            raise AmendmentError(f"{name} is {new} already; nothing is corrected by that")
        old = as_measured(record, name) if name in CORRECTED else None
        pairs[name] = (old, new)
        if old == new:
            del pairs[name]  # as it was measured after all
    if not wanted:
        raise AmendmentError("nothing is corrected; say what: " + ", ".join(f"--{name}" for name in CORRECTED))
    told = {
        "digest": record["digest"],
        "reason": reason,
        "by": by,
        "at": at,
        "corrected": {name: list(pair) for name, pair in pairs.items()},
    }
    made = {"format": record["format"], "amends": told}
    made |= {key: item for key, item in record.items() if key not in ("format", "amends", "digest")}
    amendment = amendment_of(made)
    if amendment is None:
        raise AmendmentError("amends: it is empty")
    original = {**made, "run": {**record["run"], **{name: as_measured(record, name) for name in CORRECTED}}}
    return corrected(original, amendment)
