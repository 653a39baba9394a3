"""From records to rows of plain tables: results, readings, records. Pure; a cell is a number, a text, or None."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

from holdzero.amendment import as_measured
from holdzero.book.rows import ms_of

__all__ = ["LISTINGS", "Cell", "Kind", "Listing"]

Cell = str | int | float | bool | None


class Kind(Enum):
    """What a column holds."""

    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole number"
    FLAG = "yes or no"
    TIME = "time with its offset from UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A table: its columns, and what makes its rows.

    Attributes:
        columns: names and kinds, in order; a name ends in its unit.
        rows: of a record; the second argument is the digest of a record that replaces it.
    """

    columns: Mapping[str, Kind]
    rows: Callable[[Mapping[str, Any], str | None], Iterator[dict[str, Cell]]]


_HEAD = {
    "digest": Kind.TEXT,
    "part": Kind.TEXT,
    "revision": Kind.TEXT,
    "serial": Kind.TEXT,
    "operator": Kind.TEXT,
    "routine": Kind.TEXT,
    "started": Kind.TIME,
    "zone": Kind.TEXT,
    "purpose": Kind.TEXT,
    "simulated": Kind.FLAG,
    "record_verdict": Kind.TEXT,
    "replaces": Kind.TEXT,
    "replaced_by": Kind.TEXT,
}
_OF_RESULT = {
    "measure": Kind.TEXT,
    "verdict": Kind.TEXT,
    "nominal_um": Kind.NUMBER,
    "value_um": Kind.NUMBER,
    "expanded_uncertainty_um": Kind.NUMBER,
    "coverage_factor": Kind.NUMBER,
    "standard_uncertainty_um": Kind.NUMBER,
    "degrees_of_freedom": Kind.NUMBER,
    "lower_um": Kind.NUMBER,
    "upper_um": Kind.NUMBER,
    "guard_band_um": Kind.NUMBER,
    "conformance_probability": Kind.NUMBER,
    "rule": Kind.TEXT,
}
_OF_READING = {
    "entry": Kind.WHOLE,
    "time_s": Kind.NUMBER,
    "wall": Kind.TIME,
    "kind": Kind.TEXT,
    "place": Kind.TEXT,
    "force_N": Kind.NUMBER,
    "zero": Kind.TEXT,
    "raw": Kind.TEXT,
    "value": Kind.NUMBER,
    "unit": Kind.TEXT,
    "struck": Kind.TEXT,
    "counts": Kind.FLAG,
}
_ROLES = ("reference", "comparator", "thermometer", "check_standard")
_OF_RECORD = {
    "finished": Kind.TIME,
    "duration_s": Kind.NUMBER,
    "source": Kind.TEXT,
    "approval": Kind.TEXT,
    **{f"{role}_{key}": Kind.TEXT for role in _ROLES for key in ("id", "name", "certificate", "due")},
    "characteristics": Kind.WHOLE,
    "stops": Kind.WHOLE,
    "doubts": Kind.WHOLE,
    "amended_by": Kind.TEXT,
    "amended_because": Kind.TEXT,
    "routine_digest": Kind.TEXT,
    "journal_sha256": Kind.TEXT,
}


def _text(item: object) -> str | None:
    """A text; half a surrogate pair, which no file can hold, becomes the sign for what can't be shown."""
    if item is None:
        return None
    return str(item).encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def _number(item: object) -> float | None:
    """A number; None for anything else, and for a whole number that no float can hold."""
    if isinstance(item, bool) or not isinstance(item, int | float):
        return None
    try:
        number = float(item)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _whole(item: object) -> int | None:
    return item if isinstance(item, int) and not isinstance(item, bool) and abs(item) < _LARGEST else None


_LARGEST = 2**63
_MADE: Mapping[Kind, Callable[[object], Cell]] = {
    Kind.TEXT: _text,
    Kind.TIME: _text,
    Kind.NUMBER: _number,
    Kind.WHOLE: _whole,
    Kind.FLAG: bool,
}


def _cells(columns: Mapping[str, Kind], said: Mapping[str, Any]) -> dict[str, Cell]:
    return {name: _MADE[kind](said.get(name)) for name, kind in columns.items()}


def _head(record: Mapping[str, Any], replaced_by: str | None) -> dict[str, Cell]:
    routine, run = record["routine"], record["run"]
    return _cells(
        _HEAD,
        {
            "digest": record["digest"],
            "part": routine["part"],
            "revision": routine["revision"],
            "serial": run["serial"],
            "operator": run["operator"],
            "routine": routine["title"],
            "started": run["started"],
            "zone": _zone(run["started"]),
            "purpose": run["purpose"],
            "simulated": record["simulated"],
            "record_verdict": record["verdict"],
            "replaces": (record.get("amends") or {}).get("digest"),
            "replaced_by": replaced_by,
        },
    )


def _zone(wall: str) -> str:
    """The offset that a wall time is written with, in letters that no spreadsheet takes for a number.

    >>> _zone("2026-03-02T09:00:00.250+01:00"), _zone("2026-03-02T09:00:00Z")
    ('UTC+01:00', 'UTC+00:00')
    """
    return f"UTC{ms_of(wall)[1]}"


def _results(record: Mapping[str, Any], replaced_by: str | None) -> Iterator[dict[str, Cell]]:
    head = _head(record, replaced_by)
    for name, result in record["results"].items():
        yield {**head, "characteristic": _text(name), **_cells(_OF_RESULT, result)}


def _readings(record: Mapping[str, Any], replaced_by: str | None) -> Iterator[dict[str, Cell]]:
    """Readings of the part and those that all parts of its run share; other parts' come with their own record."""
    head, own = _head(record, replaced_by), as_measured(record, "serial")
    for row in record.get("readings", ()):
        if row.get("serial") in (None, own):
            yield {**head, **_cells(_OF_READING, row)}


def _records(record: Mapping[str, Any], replaced_by: str | None) -> Iterator[dict[str, Cell]]:
    routine, run, amends = record["routine"], record["run"], record.get("amends") or {}
    levels = [finding["level"] for finding in record["findings"]]
    devices = {
        f"{role}_{key}": (record["register"].get(role) or {}).get(key)
        for role in _ROLES
        for key in ("id", "name", "certificate", "due")
    }
    said = {
        **{key: run.get(key) for key in ("finished", "duration_s", "source", "journal_sha256")},
        **devices,
        "approval": routine.get("approval"),
        "characteristics": len(record["results"]),
        "stops": levels.count("stop"),
        "doubts": levels.count("doubt"),
        "amended_by": amends.get("by"),
        "amended_because": amends.get("reason"),
        "routine_digest": routine["digest"],
    }
    yield {**_head(record, replaced_by), **_cells(_OF_RECORD, said)}


LISTINGS: Mapping[str, Listing] = {
    "results": Listing(columns={**_HEAD, "characteristic": Kind.TEXT, **_OF_RESULT}, rows=_results),
    "readings": Listing(columns={**_HEAD, **_OF_READING}, rows=_readings),
    "records": Listing(columns={**_HEAD, **_OF_RECORD}, rows=_records),
}
"""One row a characteristic, a reading, or a record."""
