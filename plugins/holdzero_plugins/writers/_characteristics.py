"""What the HTML record says of each characteristic: number, decision, picture, corrections, budget."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from holdzero.hooks import (
    Routine,
    decimals_for,
    in_micro,
    length_text,
    limits_text,
    micro_text,
    percent_text,
    risk_text,
    stops_of,
    value_and_uncertainty,
)
from holdzero_plugins.writers._pictures import Passing, Tolerance, tolerance_of
from holdzero_plugins.writers._text import (
    MISSING,
    at_places,
    contribution_text,
    dof_text,
    estimate_pair,
    number_or_missing,
    said,
    sensitivity_text,
    significant,
    small_unit,
    unit_text,
    visible,
)

__all__ = ["BudgetRow", "Fact", "Section", "passing_small", "passing_um", "sections_of"]


NOTHING_DECIDED = "nothing decided"


@dataclass(frozen=True, slots=True)
class Fact:
    """A name and what is said under it."""

    name: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """A line of the budget, all text; `share` is its bar, as a part of the largest."""

    name: str
    estimate: str
    uncertainty: str
    unit: str
    sensitivity: str
    contribution: str
    share: float
    dof: str
    evaluation: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """All that is said of one characteristic."""

    name: str
    verdict: str
    because: str
    stops: tuple[str, ...]
    measured: str
    limits: str
    conforms: str
    rule: str
    facts: tuple[Fact, ...]
    picture: Tolerance
    picture_words: str
    small: str
    corrections: tuple[Fact, ...]
    total: str
    budget: tuple[BudgetRow, ...]
    combined: str
    dof: str


def sections_of(record: Mapping[str, Any], routine: Routine | None, units: str) -> tuple[Section, ...]:
    """What is said of each characteristic, in the routine's order."""
    return tuple(
        _section(name, result, routine, units, tuple(map(visible, stops_of(record, name))))
        for name, result in record["results"].items()
    )


def _section(name: str, r: Mapping[str, Any], routine: Routine | None, units: str, stops: tuple[str, ...]) -> Section:
    measured = measured_text(r, units)
    standard = number_or_missing(r, "standard_uncertainty_um")
    picture = _picture(r, routine, units, measured)
    if stops:
        picture = replace(picture, zones=())  # a value that decides nothing lies in no zone
    return Section(
        name=said(name),
        verdict=r["verdict"],
        because=_because(r, stopped=bool(stops)),
        stops=stops,
        measured=measured,
        limits=limits_of(r, units),
        conforms=NOTHING_DECIDED if stops else _conforms(r),
        rule=said(r["rule"]),
        facts=tuple(_facts(r, routine, units, stopped=bool(stops))),
        picture=picture,
        picture_words=_picture_words(r, units, measured),
        small=small_unit(units),
        corrections=tuple(_corrections(r, units)),
        total=MISSING if r["value_um"] is None else _finer(r["value_um"], units, standard),
        budget=tuple(_budget(r, units)),
        combined=contribution_text(standard, standard, units),
        dof=MISSING if standard is None else _dof_of_row(r),
    )


# --- the number and its limits -----------------------------------------------------------------


def measured_text(r: Mapping[str, Any], units: str) -> str:
    """A value with its expanded uncertainty, as far as there is one."""
    value, expanded = number_or_missing(r, "value_um"), number_or_missing(r, "expanded_uncertainty_um")
    if value is None:
        return "no value"
    if expanded is None:
        return f"{micro_text(value, units)}, uncertainty {MISSING}"
    return value_and_uncertainty(value, expanded, units)


def limits_of(r: Mapping[str, Any], units: str) -> str:
    """Limits in words."""
    return limits_text(number_or_missing(r, "lower_um"), number_or_missing(r, "upper_um"), units)


def _conforms(r: Mapping[str, Any]) -> str:
    if r["lower_um"] is None and r["upper_um"] is None:
        return "no limits"
    probability = number_or_missing(r, "conformance_probability")
    return MISSING if probability is None else percent_text(probability)


def _because(r: Mapping[str, Any], *, stopped: bool) -> str:
    match r["verdict"]:
        case "pass":
            return "Conformity is shown by the rule."
        case "fail":
            return "Nonconformity is shown by the rule."
        case "reported":
            return "There are no limits: the value is reported, nothing is decided."
    if stopped:
        return "A stop finding keeps it undecided, whatever the number is."
    if r["value_um"] is None:
        return "It has no number."
    return "By the rule, neither conformity nor nonconformity is shown."


def _facts(r: Mapping[str, Any], routine: Routine | None, units: str, *, stopped: bool) -> Iterable[Fact]:
    yield Fact("What", _what(r))
    yield from _sizes(r, units)
    limits = limits_of(r, units)
    deviation = " (deviation from nominal)" if r["nominal_um"] is not None and limits != "none" else ""
    yield Fact("Limits", limits + deviation)
    yield Fact("Guard band", _guard_text(r, units))
    if (r["lower_um"], r["upper_um"]) != (None, None) and r["value_um"] is not None and not stopped:
        yield Fact("Pass zone", _pass_zone(r, units))
    yield Fact("Conformance probability", NOTHING_DECIDED if stopped else _conforms(r))
    yield Fact("Standard uncertainty u", _standard(r, units))
    yield Fact("Expanded uncertainty U", _expanded(r, routine, units))
    if r.get("specific_risk") is not None:
        yield Fact("Risk that this decision is wrong", percent_text(r["specific_risk"]))
    if r.get("global_risk"):
        risk = r["global_risk"]
        told = (
            f"consumer's {risk_text(risk['consumers'])}, producer's {risk_text(risk['producers'])}; "
            f"{risk_text(risk['accepted'])} accepted (measured values normal about the true size, with this u)"
        )
        yield Fact("Risks over the stated process", told)
    if r.get("monte_carlo"):
        yield Fact("Monte Carlo, as a check", _monte_carlo(r["monte_carlo"], units))


def _monte_carlo(trial: Mapping[str, Any], units: str) -> str:
    standard = number_or_missing(trial, "standard_uncertainty_um")
    ends = [end for end in trial.get("interval_um") or () if end is not None]
    # Where there is no standard uncertainty, digits follow from the interval: about four of them wide.
    scale = standard if standard is not None or len(ends) < 2 else (ends[1] - ends[0]) / 4.0  # noqa: PLR2004  two ends
    interval = " to ".join(_length(float(end), units, scale) for end in ends) or MISSING
    value = number_or_missing(trial, "value_um")
    few = trial.get("no_standard_deviation")
    return (
        f"value {MISSING if value is None else _length(value, units, scale)}"
        f"{' (median)' if trial.get('value_is') == 'median' else ''}, "
        f"{'no u: ' + _of_few(few) if few else 'u ' + _standard(trial, units)}, "
        f"shortest interval {interval} (coverage {said(trial.get('coverage'))}), {said(trial.get('trials'))} trials; "
        f"propagation agrees with it: {said(trial.get('first_order_validated'))}"
    )


def _of_few(few: Mapping[str, Any]) -> str:
    """Why a simulation has no standard uncertainty (JCGM 101:2008, 6.4.9.4)."""
    inputs = "; ".join(f"{visible(str(name))}: {float(dof):.3g}" for name, dof in few.items())
    return f"an input has 2 degrees of freedom or fewer ({inputs}), and so no standard deviation (JCGM 101, 6.4.9.4)"


def _what(r: Mapping[str, Any]) -> str:
    places = at_places([visible(str(place)) for place in r.get("at") or ()])
    words = f"{said(r.get('measure'))} {places}".strip()
    if r.get("from"):
        words += f", risen from {at_places([visible(str(place)) for place in r['from']]).removeprefix('at ')}"
    if r.get("measure") in ("size", "step") and len(r.get("at") or ()) > 1:
        words += f"; the {said(r.get('of'))} of the places counts"
    force = number_or_missing(r, "force_N")
    if force is None:
        return words
    return words + (f"; readings at {force:g} N" if force else "; at no force, told from the readings at all forces")


def _sizes(r: Mapping[str, Any], units: str) -> Iterable[Fact]:
    """Nominal and whole size: what the drawing says, and what it comes to."""
    if r.get("measure") != "size":
        return
    nominal = number_or_missing(r, "nominal_um")
    yield Fact("Nominal", MISSING if nominal is None else length_text(nominal, units))
    value, expanded = number_or_missing(r, "value_um"), number_or_missing(r, "expanded_uncertainty_um")
    if value is not None and expanded is not None:
        um = 25400.0 if units == "in" else 1000.0
        decimals = decimals_for(expanded / um) if expanded else 7
        yield Fact(
            "Whole size", f"({((nominal or 0.0) + value) / um:.{decimals}f} ± {expanded / um:.{decimals}f}) {units}"
        )


def _guard_text(r: Mapping[str, Any], units: str) -> str:
    """By how much the limits are drawn out for a fail, and in for a pass where that is not more."""
    guard, expanded = number_or_missing(r, "guard_band_um"), number_or_missing(r, "expanded_uncertainty_um")
    edges = passing_um(r)
    if guard is None:
        return MISSING if r["value_um"] is None else "none: a probability decides" if edges else "none: nothing passes"
    if not guard:
        return "none"
    finer = expanded / 10.0 if expanded else None
    told = micro_text(guard, units, finer, sign=False) + " at each limit"
    lower, upper = number_or_missing(r, "lower_um"), number_or_missing(r, "upper_um")
    if lower is None or upper is None or not edges or edges[0] is None:
        return told
    inwards = micro_text(edges[0] - lower, units, finer, sign=False) + " at each limit"
    return told if inwards == told else f"{inwards} for a pass, as both tails count; {told} for a fail"


def passing_um(r: Mapping[str, Any]) -> Passing:
    """Least and largest value that passes [um], None for no end; empty where none does.

    A record of before it was recorded has the limits, drawn in by the guard band.
    """
    if r.get("acceptance_um") is not None:
        ends = r["acceptance_um"]
        return (ends[0], ends[1]) if ends else ()
    guard = number_or_missing(r, "guard_band_um") or 0.0
    lower, upper = number_or_missing(r, "lower_um"), number_or_missing(r, "upper_um")
    low, high = None if lower is None else lower + guard, None if upper is None else upper - guard
    return () if low is not None and high is not None and low > high else (low, high)


def passing_small(edges_um: Passing, units: str) -> Passing:
    """The same in the small unit that is shown."""
    if not edges_um:
        return ()
    low, high = (None if edge is None else in_micro(edge, units) for edge in edges_um)
    return low, high


def _pass_zone(r: Mapping[str, Any], units: str) -> str:
    expanded = number_or_missing(r, "expanded_uncertainty_um")
    edges = [None if edge is None else _finer(edge, units, expanded) for edge in passing_um(r)]
    if not edges:
        return "none: with this uncertainty no value would pass"
    low, high = edges
    if low is None or high is None:
        return f"up to {high}" if low is None else f"from {low}"
    return f"{low} to {high}"


def _expanded(r: Mapping[str, Any], routine: Routine | None, units: str) -> str:
    expanded, k = number_or_missing(r, "expanded_uncertainty_um"), number_or_missing(r, "coverage_factor")
    if expanded is None:
        return MISSING
    coverage = MISSING if routine is None else f"{100.0 * routine.decision.coverage_probability:.4g} %"
    dof = dof_text(number_or_missing(r, "degrees_of_freedom"))
    return (
        f"{micro_text(expanded, units, expanded, sign=False)}, k = {MISSING if k is None else f'{k:.2f}'}; "
        f"coverage probability {coverage}; effective degrees of freedom {dof}"
    )


def _standard(r: Mapping[str, Any], units: str) -> str:
    standard = number_or_missing(r, "standard_uncertainty_um")
    return MISSING if standard is None else micro_text(standard, units, standard or None, sign=False)


def _length(length_um: float, units: str, uncertainty_um: float | None) -> str:
    return micro_text(length_um, units, uncertainty_um or None)


# --- the picture -------------------------------------------------------------------------------


def _picture(r: Mapping[str, Any], routine: Routine | None, units: str, measured: str) -> Tolerance:
    value, expanded = number_or_missing(r, "value_um"), number_or_missing(r, "expanded_uncertainty_um")
    ends = {}
    for side in ("lower", "upper"):
        limit = number_or_missing(r, f"{side}_um")
        ends[side] = None if limit is None else (in_micro(limit, units), f"{side} {micro_text(limit, units)}")
    decides = r["guard_band_um"] is not None and routine is not None and routine.decision.rule != "probability"
    edges = passing_um(r) if decides else (r["lower_um"], r["upper_um"])
    return tolerance_of(
        lower=ends["lower"],
        upper=ends["upper"],
        guard=in_micro(number_or_missing(r, "guard_band_um") or 0.0, units),
        passes=passing_small(edges, units),
        value=None if value is None else in_micro(value, units),
        expanded=in_micro(expanded or 0.0, units),
        value_text=measured,
        from_zero=r.get("measure") == "variation",
        decides=decides,
    )


def _picture_words(r: Mapping[str, Any], units: str, measured: str) -> str:
    guard = number_or_missing(r, "guard_band_um")
    band = f", guard band {micro_text(guard, units, sign=False)} at each" if guard else ""
    return f"Value {measured}; limits {limits_of(r, units)}{band}; verdict {said(r['verdict'])}."


# --- corrections and budget --------------------------------------------------------------------


def _corrections(r: Mapping[str, Any], units: str) -> Iterable[Fact]:
    standard = number_or_missing(r, "standard_uncertainty_um")
    for name, correction in r["corrections_um"].items():
        text = MISSING if correction is None else _signed(correction, units, standard)
        yield Fact(said(name), text)


def _signed(correction_um: float, units: str, standard_um: float | None) -> str:
    """A correction with its sign; exactly nothing is said as 0, so that it is seen to be nothing."""
    if correction_um == 0.0:
        return f"0 {small_unit(units)}"
    return _finer(correction_um, units, standard_um)


def _finer(length_um: float, units: str, standard_um: float | None) -> str:
    """A length one digit finer than its uncertainty, so that a column adds up to what stands below it."""
    return _length(length_um, units, standard_um / 10.0 if standard_um else None)


def _budget(r: Mapping[str, Any], units: str) -> Iterable[BudgetRow]:
    standard = number_or_missing(r, "standard_uncertainty_um")
    sizes = [abs(number_or_missing(row, "contribution_um") or 0.0) for row in r["budget"]]
    largest = max(sizes, default=0.0)
    for size, row in sorted(zip(sizes, r["budget"], strict=True), key=lambda pair: -pair[0]):
        unit = str(row["unit"])
        pair = (number_or_missing(row, "estimate"), number_or_missing(row, "standard_uncertainty"))
        estimate, uncertainty = estimate_pair(*pair, unit, units)
        yield BudgetRow(
            name=said(row["name"]),
            estimate=estimate,
            uncertainty=uncertainty,
            unit=visible(unit_text(unit, units)),
            sensitivity=visible(sensitivity_text(number_or_missing(row, "sensitivity"), unit, units)),
            contribution=contribution_text(number_or_missing(row, "contribution_um"), standard, units),
            share=round(size / largest, 4) if largest else 0.0,
            dof=_dof_of_row(row),
            evaluation=said(row["evaluation"]),
            why=said(row["why"]),
        )


def _dof_of_row(row: Mapping[str, Any]) -> str:
    dof = number_or_missing(row, "degrees_of_freedom")
    return "∞" if dof is None else significant(dof)
