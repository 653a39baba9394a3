"""What came of a run, from its records: verdict, results, findings, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from holdzero.hooks import Level
from holdzero.page.shown import Part, Result, Told
from holdzero.routine.approval import unapproved
from holdzero.wording import VERDICT_WORDS, limits_text, measured_text, percent_text, stops_of

__all__ = ["part_of"]

_WORDS = {"stop": "STOP", "doubt": "Doubt", "note": "Note"}
_ORDER = list(_WORDS)


def part_of(record: Mapping[str, Any]) -> Part:
    """One part, from its record."""
    units = record["routine"]["document"]["routine"].get("units", "mm")
    run, routine = record["run"], record["routine"]
    serial = f", serial {run['serial']}" if run["serial"] else ""
    marks = ("SIMULATED",) if record["simulated"] else ()
    if run["purpose"] == "trial":
        marks = (*marks, "TRIAL")
    if unapproved(record):
        marks = (*marks, "NOT APPROVED")
    findings = sorted(record["findings"], key=lambda found: _ORDER.index(Level(found["level"]).value))
    return Part(
        verdict=record["verdict"],
        word=VERDICT_WORDS[record["verdict"]],
        what=f"{routine['part']}{serial}",
        marks=marks,
        results=tuple(
            _result(name, result, units, stopped=bool(stops_of(record, name)))
            for name, result in record["results"].items()
        ),
        rules=tuple(dict.fromkeys(str(result["rule"]) for result in record["results"].values())),
        findings=tuple(
            Told(level=found["level"], word=_WORDS[found["level"]], text=found["text"], code=found["code"])
            for found in findings
        ),
    )


def _result(name: str, result: Mapping[str, Any], units: str, *, stopped: bool) -> Result:
    probability = result["conformance_probability"]
    return Result(
        name=name,
        measured=measured_text(result, units),
        limits=limits_text(result["lower_um"], result["upper_um"], units),
        conforms="" if probability is None else percent_text(probability),
        verdict=result["verdict"],
        word=VERDICT_WORDS[result["verdict"]],
        stopped=stopped and result["value_um"] is not None,
    )
