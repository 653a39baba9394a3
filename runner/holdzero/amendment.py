"""Amendments: a record is never changed; another one of the same events names it, corrects who or what, and says why.

Serial and operator may be corrected, because a person can type them wrong, and so may a device, because a person can
name another than lay there: then results are computed anew. Readings never are corrected: they are what happened, and
measuring again is another run.

Source: ISO/IEC 17025:2017, 7.8.8 (from memory).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from holdzero.errors import RecordError
from holdzero.events import AnyEvent, BenchKnown, EntryChosen, RunStarted
from holdzero.routine.load import digest_of, routine_from_document
from holdzero.run.begin import device_and_requirement
from holdzero.unrecorded import unrecorded

__all__ = [
    "CORRECTED",
    "DEVICES",
    "Amendment",
    "AmendmentError",
    "amended",
    "amendment_of",
    "as_measured",
    "corrected",
    "device_as_measured",
    "goes_by",
    "with_devices",
]

CORRECTED = ("serial", "operator")
"""What may be corrected in the record's `run`."""
DEVICES = ("reference", "comparator", "thermometer")
"""Devices that may be: results follow from them, and are computed anew."""

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
    corrected: Mapping[str, tuple[Any, Any]]

    @property
    def told(self) -> list[str]:
        """What was corrected, in words."""
        return [
            f"{name} was {goes_by(old) or 'not recorded'}, is {goes_by(new)}"
            for name, (old, new) in self.corrected.items()
        ]

    @property
    def devices(self) -> dict[str, Mapping[str, Any]]:
        """What lay there in place of the device that was named, by role; empty where no device is corrected."""
        return {name: new for name, (_, new) in self.corrected.items() if name in DEVICES}


def goes_by(said: Any) -> str:
    """What a person or a device goes by: a text, or the identifier or name of an entry."""
    if isinstance(said, Mapping):
        certificate = f" (certificate {said['certificate']})" if said.get("certificate") else ""
        return f"{said.get('id') or said.get('name') or 'one without a name'}{certificate}"
    return str(said or "")


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


def _pairs(said: object) -> dict[str, tuple[Any, Any]]:
    if not isinstance(said, Mapping):
        raise AmendmentError("amends: corrected is no table")
    for name, pair in said.items():
        if name not in CORRECTED + DEVICES:
            allowed = f"{', '.join(CORRECTED)} and devices"
            raise AmendmentError(f"amends: {name} can't be corrected; only {allowed} can, measuring again is a new run")
        if not isinstance(pair, list | tuple) or len(pair) != _PAIR:
            raise AmendmentError(f"amends: {name} must be a pair, what was and what is")
        old, new = pair
        if name in DEVICES:
            if not isinstance(old, Mapping) or not isinstance(new, Mapping) or old == new:
                raise AmendmentError(f"amends: {name} must be an entry that differs from the one before")
        elif not (old is None or isinstance(old, str)) or not isinstance(new, str) or not new.strip() or old == new:
            raise AmendmentError(f"amends: {name} must be a text that differs from the one before")
    return {name: (pair[0], pair[1]) for name, pair in said.items()}


def as_measured(record: Mapping[str, Any], name: str) -> str | None:
    """What the events of a record say of its serial or operator, whatever was corrected since.

    Raises:
        AmendmentError: it is an amendment that may not be.
    """
    amendment = amendment_of(record)
    if amendment is not None and name in amendment.corrected:
        typed: str | None = amendment.corrected[name][0]
        return typed
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
        if name in DEVICES:
            continue
        if run[name] != old:
            raise AmendmentError(f"amends: {name} was {run[name]!r} by the events, and not {old!r}")
        run[name] = new
    made = {**computed, "run": run}
    return {**made, "not_recorded": unrecorded(made)}


def device_as_measured(record: Mapping[str, Any], role: str) -> dict[str, Any] | None:
    """What the events of a record say of a device, whatever was corrected since; None where there was none.

    Raises:
        AmendmentError: it is an amendment that may not be.
    """
    amendment = amendment_of(record)
    if amendment is not None and role in amendment.corrected:
        return dict(amendment.corrected[role][0])
    said = record["register"].get(role)
    return None if said is None else {key: item for key, item in said.items() if key != "overruled"}


def with_devices(events: Sequence[AnyEvent], amendment: Amendment) -> tuple[AnyEvent, ...]:
    """The events as they would have been, had the right devices been named.

    What the book knew of a comparator that was not there counts no more.

    Args:
        events: as they happened.
        amendment: of the devices; its reason goes for one that is overdue or unfit.
    """
    return tuple(_as_if(event, amendment.devices, amendment.reason) for event in events)


def _as_if(event: AnyEvent, devices: Mapping[str, Mapping[str, Any]], reason: str) -> AnyEvent:
    match event:
        case RunStarted():
            routine = routine_from_document(event.routine)
            whole = {role: dict(new) for role, new in devices.items() if device_and_requirement(routine, role)[0]}
            document = {**event.routine, **whole}
            overruled = event.overruled | dict.fromkeys(whole, reason)
            return replace(event, routine=document, routine_digest=digest_of(document), overruled=overruled)
        case EntryChosen(role=role) if role in devices:
            return replace(event, entry=dict(devices[role]), overruled=reason)
        case BenchKnown() if "comparator" in devices:
            new = devices["comparator"]
            return replace(event, comparator=str(new.get("id") or new.get("name")), scatter=None, standard=None)
        case _:
            return event


def amended(
    record: Mapping[str, Any],
    *,
    reason: str,
    by: str,
    at: str,
    changes: Mapping[str, str | None],
    devices: Mapping[str, Mapping[str, Any]] = MappingProxyType({}),
) -> dict[str, Any]:
    """Another record of the same events, which replaces one; without its digest.

    Args:
        record: that is replaced; it may be an amendment itself.
        reason: why.
        by: who answers for it.
        at: when, with its offset from UTC.
        changes: what holds from now on, by name; None where it stays as it was.
        devices: entries of those that lay there, by role; what follows from them is not computed here.

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
    pairs |= {role: (device_as_measured(record, role), dict(new)) for role, new in devices.items()}
    pairs = {name: pair for name, pair in pairs.items() if pair[0] != pair[1]}
    if not wanted and not devices:
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
