"""Amending a device: the record of the same events, its results computed anew with what really lay there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from holdzero.amendment import AmendmentError, amended, amendment_of, device_as_measured, goes_by
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.record import digest_of_record
from holdzero.routine.load import routine_from_document
from holdzero.software import not_loaded, software_of
from holdzero.verify import Outcome, recompute, recomputed_as

__all__ = ["amend_devices"]


def amend_devices(
    record: Mapping[str, Any],
    catalogue: Catalogue,
    *,
    reason: str,
    by: str,
    at: str,
    changes: Mapping[str, str | None],
    devices: Mapping[str, Mapping[str, Any]],
) -> dict[str, Any]:
    """Another record of the same events, with the devices that lay there.

    Args:
        record: that is replaced.
        catalogue: of plugins, to compute with.
        reason: why; it goes for a device that is overdue or unfit, too.
        by: who answers for it.
        at: when, with its offset from UTC.
        changes: serial and operator that hold from now on; None where they stay.
        devices: entries of those that lay there, by role.

    Raises:
        RecordError: the record does not recompute here, nothing is changed, or the readings mean something else on the
            device that was there.
    """
    if lost := not_loaded(record.get("software"), catalogue):
        raise AmendmentError(f"it can't be computed anew here: plugins that it used are not loaded: {', '.join(lost)}")
    before = recompute(record, catalogue)
    if before.outcome is Outcome.DIFFERS:
        raise AmendmentError(f"it does not recompute as it stands: {before.differences[0]}")
    for role, new in devices.items():
        if device_as_measured(record, role) is None:
            raise AmendmentError(f"there was no {role} in that run")
        if {key: item for key, item in record["register"][role].items() if key != "overruled"} == new:
            raise AmendmentError(f"{role} is {goes_by(new)} already; nothing is corrected by that")
    made = amended(record, reason=reason, by=by, at=at, changes=changes, devices=devices)
    computed, misread = recomputed_as(record, amendment_of(made), catalogue)
    if misread:
        raise AmendmentError(f"on that device the readings mean something else, measure again: {misread[0]}")
    checks, _ = bind(routine_from_document(record["routine"]["document"]), catalogue)
    software = software_of(checks.plugins)
    names = {item["name"] for item in software["plugins"]}
    # Sources and units of then, which nothing is computed with.
    software["plugins"] += [item for item in record["software"]["plugins"] if item["name"] not in names]
    head = {"format": computed["format"], "amends": made["amends"]}
    made = {**head, **computed, "events": record["events"], "software": software}
    return {**made, "digest": digest_of_record(made)}
