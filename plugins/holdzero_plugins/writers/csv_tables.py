"""CSV writer: one table of results and one of readings, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from holdzero.hooks import Writer, hookimpl, of_line

_RESULTS = (
    "value_um",
    "expanded_uncertainty_um",
    "coverage_factor",
    "standard_uncertainty_um",
    "degrees_of_freedom",
    "lower_um",
    "upper_um",
    "guard_band_um",
    "conformance_probability",
)
_RISKY = re.compile(r"[\s\u00b7]*[=+\-@\uff1d\uff0b\uff0d\uff20]|'")


def cell(item: object) -> str:
    """A cell's text. Numbers stand as they are; a text that a spreadsheet would run gets a quote before it.

    A cell is one line, and shows no character that acts: each of them is a dot.
    """
    if item is None:
        return ""
    if isinstance(item, bool | int | float):
        return repr(item)
    text = of_line(str(item))
    return f"'{text}" if _RISKY.match(text) else text


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    out = io.StringIO()
    # All in quotation marks: where a semicolon parts the cells, one in a text would begin another cell.
    writer = csv.writer(out, lineterminator="\r\n", quoting=csv.QUOTE_ALL)
    writer.writerow(head)
    writer.writerows([cell(item) for item in row] for row in rows)
    return out.getvalue().encode("utf-8-sig")


def _results(record: Mapping[str, Any]) -> bytes:
    head = (
        "part",
        "revision",
        "serial",
        "operator",
        "simulated",
        "characteristic",
        "verdict",
        *_RESULTS,
        "rule",
        "digest",
    )
    shared = (
        record["routine"]["part"],
        record["routine"]["revision"],
        record["run"]["serial"],
        record["run"]["operator"],
        record["simulated"],
    )
    rows = [
        (*shared, name, r["verdict"], *(r[key] for key in _RESULTS), r["rule"], record["digest"])
        for name, r in record["results"].items()
    ]
    return _table(head, rows)


_READINGS = (
    "entry",
    "time_s",
    "wall",
    "kind",
    "place",
    "serial",
    "force_N",
    "zero",
    "raw",
    "value",
    "unit",
    "struck",
    "counts",
)


def _readings(record: Mapping[str, Any]) -> bytes:
    return _table(_READINGS, ([row[key] for key in _READINGS] for row in record["readings"]))


def write(record: Mapping[str, Any]) -> Mapping[str, bytes]:
    """The two tables of a record."""
    return {".results.csv": _results(record), ".readings.csv": _readings(record)}


@hookimpl
def holdzero_writers() -> Sequence[Writer]:
    """The CSV writer."""
    return [Writer(name="csv", title="tables of results and readings", write=write)]
