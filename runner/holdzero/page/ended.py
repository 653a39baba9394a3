"""What came of a run, from its records: verdict, results, findings, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from holdzero.display import length_text, micro_text, value_and_uncertainty
from holdzero.hooks import Level
from holdzero.page.shown import Part, Result, Told
from holdzero.page.words import VERDICTS

__all__ = ["limits_text", "part_of"]

_CERTAIN = 0.9995
_WORDS = {"stop": "STOP", "caution": "CAUTION", "note": "Note"}
_ORDER = list(_WORDS)


def part_of(record: Mapping[str, Any]) -> Part:
    """One part, from its record."""
    units = record["routine"]["document"]["routine"].get("units", "mm")
    run, routine = record["run"], record["routine"]
    serial = f", serial {run['serial']}" if run["serial"] else ""
    marks = ("SIMULATED",) if record["simulated"] else ()
    if run["purpose"] == "trial":
        marks = (*marks, "TRIAL")
    findings = sorted(record["findings"], key=lambda found: _ORDER.index(Level(found["level"]).value))
    return Part(
        verdict=record["verdict"],
        word=VERDICTS[record["verdict"]],
        what=f"{routine['part']}{serial}",
        marks=marks,
        results=tuple(_result(name, result, units) for name, result in record["results"].items()),
        rules=tuple(dict.fromkeys(str(result["rule"]) for result in record["results"].values())),
        findings=tuple(
            Told(level=found["level"], word=_WORDS[found["level"]], text=found["text"], code=found["code"])
            for found in findings
        ),
    )


def _result(name: str, result: Mapping[str, Any], units: str) -> Result:
    probability = result["conformance_probability"]
    return Result(
        name=name,
        measured=_measured(result, units),
        limits=limits_text(result["lower_um"], result["upper_um"], units),
        conforms="" if probability is None else _percent(probability),
        verdict=result["verdict"],
        word=VERDICTS[result["verdict"]],
    )


def _percent(probability: float) -> str:
    # Never round up to a certainty that is not there.
    if probability > _CERTAIN:
        return ">99.9 %"
    return f"{math.floor(1000 * probability) / 10:.1f} %"


def _measured(result: Mapping[str, Any], units: str) -> str:
    if result["value_um"] is None:
        return "not measured"
    nominal = f"{length_text(result['nominal_um'], units)} " if result["nominal_um"] is not None else ""
    return nominal + value_and_uncertainty(result["value_um"], result["expanded_uncertainty_um"], units)


def limits_text(lower_um: float | None, upper_um: float | None, units: str) -> str:
    """Limits in words."""
    if lower_um is None and upper_um is None:
        return "none"
    if lower_um is None:
        return f"at most {micro_text(float(upper_um or 0.0), units)}"
    if upper_um is None:
        return f"at least {micro_text(lower_um, units)}"
    return f"{micro_text(lower_um, units)} to {micro_text(upper_um, units)}"
