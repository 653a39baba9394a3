"""How a number came about, line by line, for a customer, an auditor or an apprentice.

Made of the record alone: whoever has the record can have the explanation.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from holdzero.amendment import amendment_of, as_measured
from holdzero.display import MICRO, decimals_for, in_micro, length_text, micro_text, value_and_uncertainty
from holdzero.errors import RecordError
from holdzero.limit import exceeds
from holdzero.model import truncated
from holdzero.plain_text import of_line
from holdzero.quantity import Dimension, parse_quantity
from holdzero.routine.approval import NOT_APPROVED, unapproved
from holdzero.temperatures import soaked_lines, temperature_effects, temperature_lines
from holdzero.wording import clock_text, percent_text, risk_text, stops_of

__all__ = ["explain"]

Row = Mapping[str, Any]


def explain(record: Mapping[str, Any], characteristic: str | None = None) -> list[str]:
    """The explanation as lines of text.

    Args:
        record: as plain data.
        characteristic: the one to explain; all if None.

    Raises:
        RecordError: there is no such characteristic.
    """
    results: Mapping[str, Row] = record["results"]
    if characteristic is not None and characteristic not in results:
        raise RecordError(f"there is no characteristic {characteristic!r}; there are: {of_line(', '.join(results))}")
    chosen = [characteristic] if characteristic is not None else list(results)
    lines = list(_head(record))
    for name in chosen:
        lines += ["", *_characteristic(record, name, results[name])]
    lines += ["", *_temperatures(record, chosen)]
    lines += ["", *_findings(record, chosen)]
    return lines


def _units(record: Mapping[str, Any]) -> str:
    units: str = record["routine"]["document"]["routine"].get("units", "mm")
    return units


def _head(record: Mapping[str, Any]) -> Iterator[str]:
    routine, run = record["routine"], record["run"]
    if record["simulated"]:
        yield "SIMULATED READINGS: no part was measured."
    trial = run.get("purpose") == "trial"
    if trial:
        yield "TRIAL of the routine: nothing may be accepted by it."
    if unapproved(record):
        yield f"{NOT_APPROVED}."
    serial = f", serial {run['serial']}" if run["serial"] else ""
    yield f"Part {routine['part']}{serial}: {record['verdict']}{' (trial)' if trial else ''}."
    yield f"Measured by {run['operator'] or 'not recorded'} on {run['started']}, readings from {run['source']}."
    if (amendment := amendment_of(record)) is not None:
        yield f"Amends record {amendment.digest}, by {amendment.by} on {amendment.at}: {amendment.reason}"
        yield from (f"  {told}." for told in amendment.told)
    revision = f", revision {routine['revision']}" if routine["revision"] else ""
    yield f"Routine: {routine['title']}{revision} ({routine['digest']})."


def _characteristic(record: Mapping[str, Any], name: str, r: Row) -> Iterator[str]:
    units = _units(record)
    yield f"{name.upper()}"
    yield f"  {_measurand(r, units)}"
    if r["value_um"] is None:
        yield "  It has no number; the findings say why."
        return
    yield ""
    yield "  1. What was read"
    yield from (f"     {line}" for line in _read(record, r, units))
    yield ""
    yield "  2. The value is the sum of these terms"
    yield from (f"     {line}" for line in _sum(r, units))
    yield ""
    yield "  3. How well each input is known (GUM, JCGM 100:2008)"
    yield from (f"     {line}" for line in _inputs(r, units))
    yield ""
    yield "  4. The uncertainty of the value"
    yield from (f"     {line}" for line in _uncertainty(r, units))
    yield ""
    yield "  5. The decision"
    yield from (f"     {line}" for line in _decision(record, r, units, stops_of(record, name)))


def _measurand(r: Row, units: str) -> str:
    at = ", ".join(r["at"])
    force = "" if r["force_N"] is None else f" at {r['force_N']:g} N" if r["force_N"] else ", at no force"
    if r["measure"] == "variation":
        return f"Variation: the largest less the smallest of the means at {at}{force}."
    if r["measure"] == "step":
        over = f"the mean at {at}" if r["of"] == "mean" else f"the {r['of']} of the means at {at}"
        return f"Step: {over} less the mean at {', '.join(r['from'])}{force}."
    if r["measure"] != "size":
        weights = ", ".join(f"{place} × {weight:.4g}" for place, weight in r["weights"].items()).replace("-", "−")
        return (
            f"{str(r['measure']).capitalize()} at {at}{force}: the sum of the means, each times its weight: {weights}."
        )
    of = {"mean": "mean", "largest": "largest", "smallest": "smallest"}[r["of"]]
    place = f"at {at}" if len(r["at"]) == 1 else f"the {of} of {at}"
    against = f", compared with the reference read at {', '.join(r['from'])}" if r["from"] else ""
    if r["nominal_um"] is None:
        return f"Size {place}{force}{against}, at 20 °C (ISO 1)."
    nominal = length_text(r["nominal_um"], units)
    return f"Size {place}{force}{against}, at 20 °C (ISO 1), as a deviation from {nominal}."


def _read(record: Mapping[str, Any], r: Row, units: str) -> Iterator[str]:
    readings = [row for row in record["readings"] if row["unit"] == "um"]
    places = (*r["at"], *(r["from"] or ()))
    used = [
        row
        for row in readings
        if row["counts"]
        and row["kind"] == "read"
        and row["place"] in places
        and row["serial"] == as_measured(record, "serial")
        and (not r["force_N"] or row["force_N"] == r["force_N"])
    ]
    for zero in dict.fromkeys(row["zero"] for row in used):
        lifts = [row for row in readings if row["counts"] and row["kind"] == "zero" and row["zero"] == zero]
        yield f"zero {zero}: {_listed(lifts, units)}"
        for place in places:
            here = [row for row in used if row["place"] == place and row["zero"] == zero]
            forces = list(dict.fromkeys(row["force_N"] for row in here))
            for force in forces:
                at = f"{place} at {force:g} N" if len(forces) > 1 else place
                yield f"{at}: {_listed([row for row in here if row['force_N'] == force], units)}"
        back = [row for row in readings if row["counts"] and row["kind"] == "return" and row["zero"] == zero]
        if back:
            place = record["routine"]["document"]["reference"].get("place")
            yield f"return to {'the reference' if place is None else f'place {place}'}: {_listed(back, units)}"
    struck = [row for row in readings if row["struck"]]
    for row in struck:
        yield f"struck out: entry {row['entry']}, {row['raw']} ({row['struck']})"


def _listed(rows: Sequence[Row], units: str) -> str:
    values = " ".join(micro_text(row["value"], units).split()[0] for row in rows)
    mean = sum(row["value"] for row in rows) / len(rows) if rows else 0.0
    unit = MICRO[units][0]
    entries = _entries([row["entry"] for row in rows])
    told = f"{values} {unit} ({entries})"
    return told if len(rows) == 1 else f"{told}, mean {_precise(mean, units)}"


def _entries(numbers: Sequence[int]) -> str:
    """Where readings stand in the record: a range only where nothing else stands between them.

    >>> _entries([8, 11, 14]), _entries([2, 3, 4]), _entries([2, 3]), _entries([7])
    ('entries 8, 11, 14', 'entries 2 to 4', 'entries 2, 3', 'entry 7')
    """
    if len(numbers) == 1:
        return f"entry {numbers[0]}"
    in_a_row = len(numbers) > 2 and list(numbers) == list(range(numbers[0], numbers[-1] + 1))  # noqa: PLR2004  a pair
    return f"entries {numbers[0]} to {numbers[-1]}" if in_a_row else "entries " + ", ".join(map(str, numbers))


def _precise(value_um: float, units: str, uncertainty_um: float = 0.01) -> str:
    """A step of the calculation: one digit more than the result has."""
    decimals = decimals_for(in_micro(uncertainty_um, units)) + 1
    value_um = value_um + 0.0  # no negative zero
    return f"{in_micro(value_um, units):+.{decimals}f} {MICRO[units][0]}".replace("-", "−")


def _sum(r: Row, units: str) -> Iterator[str]:
    u = r["standard_uncertainty_um"]
    symbols = [f"c{index}" for index in range(1, len(r["terms"]) + 1)]
    yield "y = " + " + ".join(symbols)
    yield "  = " + " ".join(f"({_precise(term['value_um'], units, u).split()[0]})" for term in r["terms"])
    yield f"  = {_precise(r['value_um'], units, u)}"
    for symbol, term in zip(symbols, r["terms"], strict=True):
        yield f"{symbol} {term['name']}: {_precise(term['value_um'], units, u)}"
        if term["words"]:
            yield f"    {term['words']}."
        if term["source"]:
            yield f"    Source: {term['source']}."


def _inputs(r: Row, units: str) -> Iterator[str]:
    for row in r["budget"]:
        if not row["standard_uncertainty"]:
            continue
        unit = {"um": "µm", "degC": "°C"}.get(row["unit"], row["unit"])
        dof = "∞" if row["degrees_of_freedom"] is None else f"{row['degrees_of_freedom']:.3g}"
        yield (
            f"{row['name']}: {row['estimate']:.6g} {unit}, u = {row['standard_uncertainty']:.2g} {unit}, "
            f"type {row['evaluation']}, degrees of freedom {dof}"
        )
        if row["why"]:
            yield f"    {row['why']}"
        share = micro_text(row["contribution_um"], units, row["contribution_um"], sign=False)
        yield f"    × sensitivity {row['sensitivity']:.3g} gives {share}"
    exact = [row["name"] for row in r["budget"] if not row["standard_uncertainty"]]
    if exact:
        yield "exact, or without influence here: " + ", ".join(exact)


def _uncertainty(r: Row, units: str) -> Iterator[str]:
    u, k, expanded = r["standard_uncertainty_um"], r["coverage_factor"], r["expanded_uncertainty_um"]
    parts = [row["contribution_um"] for row in r["budget"] if abs(row["contribution_um"]) > 0.001 * u]
    squares = " ".join(f"{'-' if part < 0.0 else '+'} {in_micro(abs(part), units):.3g}²" for part in parts)
    yield f"u = √({squares.removeprefix('+ ')}) = {micro_text(u, units, u, sign=False)}  (GUM 5.1.2 with its note)"
    dof = r["degrees_of_freedom"]
    if dof is None:
        yield "no input limits its degrees of freedom: they are infinite"
    else:
        whole = f"{truncated(dof):.0f}"
        yield f"effective degrees of freedom {dof:.3g}, truncated to {whole}  (GUM G.4.1, Welch–Satterthwaite)"
    told = micro_text(expanded, units, expanded, sign=False)
    yield f"U = k·u = {k:.3f} × {micro_text(u, units, u, sign=False)} = {told}"
    yield from _orders(r, units)
    if r.get("monte_carlo"):
        yield from _simulation(r["monte_carlo"], units, u)


def _simulation(simulated: Row, units: str, u: float) -> Iterator[str]:
    low, high = (micro_text(end, units, u) for end in simulated["interval_um"])
    good = "agrees" if simulated["first_order_validated"] else "does not agree to the last digit"
    standard = simulated["standard_uncertainty_um"]
    told = "no u (see below)" if standard is None else f"u = {micro_text(standard, units, u, sign=False)}"
    median = " (median)" if simulated.get("value_is") == "median" else ""
    yield (
        f"{simulated['trials']} Monte Carlo trials give {micro_text(simulated['value_um'], units, u)}{median}, {told}, "
        f"shortest {100 * simulated['coverage']:.4g} % interval {low} to {high}: propagation {good}  (JCGM 101, 8)"
    )
    for name, dof in (simulated.get("no_standard_deviation") or {}).items():
        yield (
            f"    {name} has {dof:.3g} degrees of freedom; with 2 or fewer there is no standard deviation, and so none "
            "of the result  (JCGM 101, 6.4.9.4)"
        )


def _orders(r: Row, units: str) -> Iterator[str]:
    """What the terms of second order do, and what U covers with them."""
    u, first, second = (r[f"{order}_uncertainty_um"] for order in ("standard", "first_order", "second_order"))
    if second is not None and u != second:
        told = micro_text(second, units, second, sign=False)
        yield f"first order, as the routine asks; with the terms of second order u would be {told}  (GUM 5.1.2 note)"
    elif (alone := micro_text(first, units, u, sign=False)) != micro_text(u, units, u, sign=False):
        yield f"by first order alone u would be {alone}"
    simulated = r["simulated_errors"]
    if simulated:
        trials, seed, coverage = (simulated[key] for key in ("trials", "seed", "coverage"))
        yield f"{trials} simulated errors (seed {seed}): U covers {100 * coverage:.1f} % of them  (JCGM 101)"


def _decision(record: Mapping[str, Any], r: Row, units: str, stops: Sequence[str]) -> Iterator[str]:
    measured = value_and_uncertainty(r["value_um"], r["expanded_uncertainty_um"], units)
    if stops:
        yield f"UNDECIDED: a stop overrules the rule, so {measured} decides nothing."
        yield from (f"STOP: {text}" for text in stops)
        return
    yield f"{measured}: {r['verdict']}"
    yield r["rule"]
    u = r["standard_uncertainty_um"]
    value, resolution = _precise(r["value_um"], units, u), _resolution_um(record)
    edges = _edges(r)
    if not edges:
        yield "with this uncertainty no value would pass"
    for word, limit, drawn, sign in zip(
        ("lower", "upper"), (r["lower_um"], r["upper_um"]), edges or (None, None), (1.0, -1.0), strict=True
    ):
        if limit is None:
            continue
        if drawn is None:
            yield f"{word} limit {_precise(limit, units, u)}"
            continue
        beyond = exceeds(sign * drawn, sign * r["value_um"], resolution)
        relation = ("<" if beyond else "≥") if sign > 0.0 else (">" if beyond else "≤")
        guard = sign * (drawn - limit)
        guarded = (
            f", drawn in by the guard band {_precise(guard, units, u)}: {_precise(drawn, units, u)}" if guard else ""
        )
        yield f"{word} limit {_precise(limit, units, u)}{guarded}; {value} {relation} {_precise(drawn, units, u)}"
    if r["conformance_probability"] is not None:
        told = percent_text(r["conformance_probability"])
        yield f"probability that the true value lies within the limits: {told}  (JCGM 106, 7)"
    if r["specific_risk"] is not None:
        yield f"risk that this decision is wrong: {percent_text(r['specific_risk'])}  (JCGM 106, 9.3.2)"
    if r["global_risk"] is not None:
        risk = r["global_risk"]
        yield (
            f"over the stated process: consumer's risk {risk_text(risk['consumers'])}, producer's risk "
            f"{risk_text(risk['producers'])}; {risk_text(risk['accepted'])} accepted  (JCGM 106, 9.5; measured values "
            "taken as normal about the true size, with this u)"
        )


def _resolution_um(record: Mapping[str, Any]) -> float:
    """Of the comparator that was in use, as the record has it [um]."""
    return parse_quantity(record["register"]["comparator"]["resolution"], Dimension.LENGTH).value


def _edges(r: Row) -> tuple[float | None, ...]:
    """Least and largest value that passes [um], None for no end; empty where none does.

    A record of before it was recorded has the limits, drawn in by the guard band.
    """
    if r.get("acceptance_um") is not None:
        return tuple(r["acceptance_um"])
    guard, lower, upper = r["guard_band_um"] or 0.0, r["lower_um"], r["upper_um"]
    return (None if lower is None else lower + guard, None if upper is None else upper - guard)


def _temperatures(record: Mapping[str, Any], chosen: Iterable[str]) -> Iterator[str]:
    """What thermometers showed, and what it does to each characteristic."""
    yield "TEMPERATURES"
    lines = temperature_lines(record)
    if not lines:
        yield "  None was read in this run."
    for line in lines:
        struck = "" if line.counts else ", struck out"
        yield f"  {clock_text(line.time_s)}  {line.of} {line.value} (entry {line.entry}{struck}), by {line.by}"
        if line.sent:
            yield f"      {line.sent}"
    yield from (f"  {told}" for told in soaked_lines(record))
    for name in chosen:
        yield from (f"  {told}" for told in temperature_effects(record, name))


def _findings(record: Mapping[str, Any], chosen: Iterable[str]) -> Iterator[str]:
    wanted = {None, *chosen}
    found = [f for f in record["findings"] if f["characteristic"] in wanted]
    if found:
        yield "FINDINGS"
    for finding in found:
        yield f"  {finding['level']}: {finding['text']}"
