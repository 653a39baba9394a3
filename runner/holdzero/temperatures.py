"""What a record says of temperatures: what thermometers showed, what is not measured but stated, and what it does.

From a record as plain data; nothing is computed again: a correction is the record's own, and so is each contribution.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from holdzero.display import micro_text
from holdzero.quantity import Dimension, parse_quantity

__all__ = ["CORRECTION_TO_20", "TemperatureLine", "soaked_lines", "temperature_effects", "temperature_lines"]

CORRECTION_TO_20 = "correction to 20 degC"
"""What the term goes by that refers a length to 20 °C."""

_OF_TEMPERATURE = frozenset({"degC", "K"})
_OF_HEAT = frozenset({"degC", "K", "1/K"})
_FINEST = 1e-3
_SPREADS = ("halfwidth", "standard", "expanded")

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureLine:
    """A temperature that was read.

    Attributes:
        entry: its number in the record.
        time_s: the run's counter [s].
        wall: wall time.
        of: part, reference, plate or air.
        value: with its unit.
        by: the thermometer, and what is known of its error.
        sent: what the instrument sent, or the rows of a logger; empty where a person typed.
        counts: whether it was not struck out.
    """

    entry: int
    time_s: float
    wall: str
    of: str
    value: str
    by: str
    sent: str
    counts: bool


def temperature_lines(record: Mapping[str, Any]) -> tuple[TemperatureLine, ...]:
    """The temperatures that were read, in order, struck out or not."""
    events = {event["seq"]: event for event in record["events"] if event["event"] == "temperature_read"}
    rows = [row for row in record["readings"] if row["unit"] == "degC" and row["kind"] == "temperature"]
    return tuple(
        TemperatureLine(
            entry=row["entry"],
            time_s=row["time_s"],
            wall=row["wall"],
            of=row["place"],
            value=_degrees(row["value"]),
            by=_thermometer(record, events.get(row["entry"], {})),
            sent=str(events.get(row["entry"], {}).get("line", "")),
            counts=row["counts"],
        )
        for row in rows
    )


def soaked_lines(record: Mapping[str, Any]) -> tuple[str, ...]:
    """What was seen of temperatures when each soak ended, in a sentence each."""
    seen: dict[str, dict[str, Row]] = {}
    lines = []
    for event in record["events"]:
        if event["event"] == "soak_observed" and event["of"]:
            seen.setdefault(event["slot"], {})[event["of"]] = event
        elif event["event"] == "soak_ended" and (last := seen.pop(event["slot"], None)):
            lines.append(_at_its_end(event, last))
    return tuple(lines)


def _at_its_end(ended: Row, last: Mapping[str, Row]) -> str:
    told = [f"{of} {_degrees(event['value'])} (entry {event['seq']})" for of, event in last.items()]
    text = f"At the end of the soak (entry {ended['seq']}): {', '.join(told)}"
    if "part" in last and "reference" in last:
        apart = last["part"]["value"] - last["reference"]["value"]
        text += f"; part less reference {apart:+.2g} K".replace("-", "−")
    oldest = max(ended["time_s"] - event["time_s"] for event in last.values())
    return f"{text}; the oldest was seen {oldest:.0f} s before." if oldest >= 1.0 else f"{text}."


def temperature_effects(record: Mapping[str, Any], name: str) -> tuple[str, ...]:
    """What temperatures do to a characteristic: the term of the record, and its part of U.

    Args:
        record: as plain data.
        name: of the characteristic.
    """
    result = record["results"][name]
    if result["value_um"] is None:
        return ()  # it has no number
    term = next((term for term in result["terms"] if term["name"] == CORRECTION_TO_20), None)
    if term is None or term["value_um"] is None:
        return (f"{name}: {_uncorrected(record)}",)
    words = f": {term['words']}" if term["words"] else ""
    known = "; ".join(_known(record, result["budget"]))
    amount = _amount(record, term["value_um"], _part_of_expanded_um(result))
    return (f"{name}: {known}{words}. Correction {amount}.",)


def _amount(record: Mapping[str, Any], value_um: float, part_um: float) -> str:
    """A correction and its part of U [um], with no digit finer than a thousandth of what the comparator shows."""
    units = record["routine"]["document"]["routine"].get("units", "mm")
    finest_um = _FINEST * parse_quantity(record["register"]["comparator"]["resolution"], Dimension.LENGTH).value
    if max(part_um, abs(value_um)) < finest_um:
        return f"less than {micro_text(finest_um, units, 10.0 * finest_um, sign=False)}, and no more of U"
    spread_um = max(part_um, finest_um)
    value = micro_text(value_um, units, spread_um)
    if part_um < finest_um:
        return f"{value}, and next to nothing of U"
    return f"{value}; of U, temperatures and expansions alone are ±{micro_text(part_um, units, spread_um, sign=False)}"


def _uncorrected(record: Mapping[str, Any]) -> str:
    read = any(line.counts for line in temperature_lines(record))
    if "thermal" in record["routine"]["document"].get("checks", {}):
        return "nothing refers it to 20 °C; the findings say what is not known."
    what = "the temperatures read do nothing to the number" if read else "no temperature is known"
    return f"{what}: the routine has no [checks.thermal], and the length is that at the bench."


def _known(record: Mapping[str, Any], budget: Sequence[Row]) -> Iterator[str]:
    """What the correction goes by: each temperature or difference, and whether anybody measured it."""
    read = Counter(line.of for line in temperature_lines(record) if line.counts)
    for row in budget:
        if row["unit"] not in _OF_TEMPERATURE or not row["name"].startswith("temperature"):
            continue
        what = row["name"].removeprefix("temperature of the ").removeprefix("temperature, ")
        unit, u = "°C" if row["unit"] == "degC" else row["unit"], row["standard_uncertainty"] or 0.0
        if row["evaluation"] == "A":
            how = "measured" if read[what] == 1 else f"mean of {read[what]} measured, u = {u:.2g} K"
        elif what.endswith("as stated"):
            how = f"the uncertainty that the routine adds: {_why(row, u)}"
        elif what.endswith("left by the soak"):
            how = f"worked out, not measured: {_why(row, u)}"
        else:
            how = f"stated by the routine, not measured: {_why(row, u)}"
        yield f"{what} {_number(row['estimate'])} {unit} ({how})"


def _why(row: Row, u: float) -> str:
    told = f"u = {u:.2g} K" if u else "exact"
    return told if row["why"] in ("", "stated in the routine") else f"{row['why']}, {told}"


def _part_of_expanded_um(result: Row) -> float:
    """What temperatures and expansions contribute to u, times k; pairs of second order with them [um].

    Source: JCGM 100:2008, 5.1.2 with its note; the square of a pair that takes away counts negative.
    """
    budget: Sequence[Row] = result["budget"]
    own = {row["name"] for row in budget if row["unit"] in _OF_HEAT}
    rows = [row["contribution_um"] or 0.0 for row in budget if {*row["name"].split(" × ")} <= own]
    square = sum(part * abs(part) for part in rows)
    return float(result["coverage_factor"] or 0.0) * math.sqrt(max(square, 0.0))


def _thermometer(record: Mapping[str, Any], event: Row) -> str:
    """The thermometer of an event, with what is known of its error."""
    entry = record["register"].get("thermometer") or {}
    name = " ".join(str(entry[key]) for key in ("id", "name") if entry.get(key))
    if event.get("error"):
        return f"logger, {_error(event['error'])}"
    if not entry:
        return "not stated: its error counts as nothing"
    return f"{name or 'thermometer'}, {_error(entry.get('error'))}"


def _error(error: object) -> str:
    """An error as a routine writes it."""
    if isinstance(error, Mapping):
        told = [f"{key} {error[key]}" for key in _SPREADS if key in error]
        told += [f"k = {error['coverage']}"] if "coverage" in error else []
        about = f"{error['value']}, " if error.get("value") else ""
        why = f" ({error['why']})" if error.get("why") else ""
        return f"error {about}{', '.join(told) or 'exact'}{why}"
    if isinstance(error, Sequence) and not isinstance(error, str):
        return "; ".join(_error(item) for item in error)
    return f"error {error}" if error else "error not stated"


def _degrees(value: float | None) -> str:
    return f"{_number(value)} °C"


def _number(value: float | None) -> str:
    return "not known" if value is None else f"{value:.6g}".replace("-", "−")
