"""The record: all that is needed to check a result and to recompute it, as one JSON document.

Nothing here knows files; the software's digests are handed in.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from operator import itemgetter
from typing import Any

import numpy as np

from holdzero.amendment import amended
from holdzero.checks import Checks
from holdzero.decide import Decision, Verdict
from holdzero.error_distribution import ErrorDistribution
from holdzero.errors import RecordError
from holdzero.evaluate import evaluate
from holdzero.events import (
    AnyEvent,
    RunStarted,
    event_to_data,
)
from holdzero.hooks import Finding
from holdzero.journal import chain_of
from holdzero.json_text import escaped, read_json
from holdzero.model import Contribution, Number, Propagated
from holdzero.model_version import MODEL_VERSION
from holdzero.quantity import Dimension
from holdzero.result import Evaluation, Result
from holdzero.risk import Acceptance, specific_risk
from holdzero.routine.approval import approval_state
from holdzero.run import Run
from holdzero.run.kept import Given, Reading, TemperatureTaken
from holdzero.run.plan import Slot
from holdzero.run.state import State
from holdzero.unrecorded import unrecorded
from holdzero.views import view_of

__all__ = ["FORMAT", "amend_record", "computed_of", "digest_of_record", "dumps", "loads", "make_record"]

FORMAT = 1
_LARGEST = 100_000_000  # bytes


def make_record(run: Run, serial: str | None, checks: Checks, software: Mapping[str, Any]) -> dict[str, Any]:
    """The record of one part of a run.

    Args:
        run: finished or abandoned.
        serial: of the part.
        checks: of its routine.
        software: what made it.

    Raises:
        RecordError: the run has not started.
    """
    started = run.events[0] if run.events else None
    if not isinstance(started, RunStarted):
        raise RecordError("a run that has not started has no record")
    evaluation = evaluate(run.state, serial, checks)
    record = {**computed_of(run, started, evaluation), "events": _events(run.events), "software": dict(software)}
    return {**record, "digest": digest_of_record(record)}


def amend_record(
    record: Mapping[str, Any], *, reason: str, by: str, at: str, changes: Mapping[str, str | None]
) -> dict[str, Any]:
    """Another record of the same events, which replaces one: see `amended`.

    Raises:
        RecordError: nothing is changed, or something that may not be.
    """
    record = amended(record, reason=reason, by=by, at=at, changes=changes)
    return {**record, "digest": digest_of_record(record)}


def computed_of(run: Run, started: RunStarted, evaluation: Evaluation) -> dict[str, Any]:
    """All of a record that follows from its events."""
    state, document = run.state, started.routine
    computed = {
        "format": FORMAT,
        "model": MODEL_VERSION,
        "verdict": evaluation.verdict.value,
        "simulated": state.simulated,
        "routine": {
            "title": document["routine"]["title"],
            "part": document["routine"]["part"],
            "revision": document["routine"].get("revision", ""),
            "file": started.routine_file,
            "member": started.member,
            "digest": started.routine_digest,
            "approval": approval_state(document.get("approval"), started.text_digest),
            "document": document,
        },
        "run": {
            "operator": started.operator,
            "serial": evaluation.serial,
            "batch": list(started.serials),
            "source": ", then ".join(dict.fromkeys(state.sources)),
            "started": started.wall,
            "finished": run.events[-1].wall,
            "duration_s": state.now_s - started.time_s,
            "bracket_limit_um": view_of(state, evaluation.serial).bracket_limit_um,
            "trials": state.trials,
            "purpose": _purpose(state),
            "seed": state.seed if state.trials is not None else None,
            "journal_sha256": chain_of(run.events),
        },
        "register": {
            **_on_the_part(document),
            **{role: {**chosen.entry, "overruled": chosen.overruled} for role, chosen in state.devices.items()},
            **({"check_standard": document["check_standard"]} if "check_standard" in document else {}),
        },
        "steps": [_step(slot) for slot in state.slots],
        "readings": _readings(state),
        "results": {result.name: _result(result) for result in evaluation.results},
        "findings": [_finding(finding) for finding in evaluation.findings],
    }
    return {**computed, "not_recorded": unrecorded(computed)}


def _purpose(state: State) -> str:
    """What the run was made for: nothing that is made up is of production, whoever made it up."""
    if state.trial:
        return "trial"
    if not state.simulated:
        return "production"
    return "practice" if any(source.partition(":")[0] == "practice" for source in state.sources) else "simulated"


def _on_the_part(document: Mapping[str, Any]) -> dict[str, Any]:
    """What stands in the place of a reference where the zero was taken on the part."""
    place = document["reference"].get("place")
    return {} if place is None else {"reference": {"name": f"place {place} of the part", "overruled": None}}


def _step(slot: Slot) -> dict[str, Any]:
    """A slot of the plan: events name it by its id."""
    return {
        "id": slot.id,
        "group": slot.group,
        "kind": slot.kind.value,
        "say": slot.say,
        "caution": slot.caution,
        "place": slot.place,
        "force_N": slot.force_N,
        "serial": slot.serial,
        "of": slot.of,
        "at_least_s": slot.at_least_s,
    }


def _readings(state: State) -> list[dict[str, Any]]:
    """What was read, in order: of what, under which zero, struck out or not, and whether it counts.

    The events say the same in their own terms; here a reader needs no routine and no fold.
    """
    counted = {reading.seq for reading in state.counted}
    rows = [
        {
            **_entry(r),
            "place": r.slot.place,
            "force_N": r.slot.force_N,
            "zero": r.zero,
            "value": _number(r.value_um),
            "unit": "um",
            "counts": r.seq in counted,
        }
        for r in state.readings
    ]
    rows += [
        {
            **_entry(g),
            "place": g.slot.of,
            "force_N": None,
            "zero": None,
            "value": None if isinstance(g.value, str) else _number(g.value),
            "unit": "" if isinstance(g.value, str) else _unit_of(g.slot),
            "counts": g.struck is None,
        }
        for g in state.given
    ]
    rows += [
        {
            **_entry(t),
            "place": t.slot.of,
            "force_N": None,
            "zero": None,
            "value": _number(t.value_degC),
            "unit": "degC",
            "counts": t.struck is None,
        }
        for t in state.temperatures
    ]
    return sorted(rows, key=itemgetter("entry"))


def _unit_of(slot: Slot) -> str:
    """The unit in which an answer is kept."""
    return next((dimension.unit for dimension in Dimension if dimension.title == slot.answer), slot.unit)


def _entry(item: Reading | TemperatureTaken | Given) -> dict[str, Any]:
    return {
        "entry": item.seq,
        "kind": item.slot.kind.value,
        "serial": item.slot.serial,
        "raw": item.raw,
        "time_s": item.time_s,
        "wall": item.wall,
        "struck": item.struck,
    }


def _events(events: Iterable[AnyEvent]) -> list[dict[str, Any]]:
    """The events, the routine left out of the first: it stands in the record already."""
    data = [event_to_data(event) for event in events]
    data[0] = {key: item for key, item in data[0].items() if key != "routine"}
    return data


def _result(result: Result) -> dict[str, Any]:
    spec, p, d = result.spec, result.propagated, result.decision
    # Where a finding stops it nothing is decided, and nothing may be stated of how sure a decision is.
    sure = None if np.any(result.stopped) else d
    made = {
        "measure": str(spec.measure),
        "at": list(spec.at),
        "from": list(spec.base) if spec.base else None,
        "with": list(spec.beside) if spec.beside else None,
        "of": spec.of.value,
        "force_N": spec.force,
        "weights": {place: _number(weight) for place, weight in result.weights.items()},
        "nominal_um": spec.nominal,
        "value_um": _number(p.value_um) if p else None,
        "standard_uncertainty_um": _number(p.standard_uncertainty_um) if p else None,
        "degrees_of_freedom": _number(p.dof) if p else None,
        "coverage_factor": _number(d.coverage_factor) if d else None,
        "expanded_uncertainty_um": _number(d.expanded_uncertainty_um) if d else None,
        "lower_um": spec.lower,
        "upper_um": spec.upper,
        "guard_band_um": _number(d.guard_band_um) if d and d.guard_band_um is not None else None,
        "acceptance_um": _acceptance(result.acceptance),
        "conformance_probability": _conformance(sure),
        "verdict": result.verdict.value,
        "rule": d.sentence if d else "No number: nothing is decided.",
        "corrections_um": {name: _number(value) for name, value in p.corrections_um.items()} if p else {},
        "terms": _terms(result),
        "budget": _budget(p),
        "first_order_uncertainty_um": _number(p.first_order_um) if p else None,
        "second_order_uncertainty_um": _number(result.second.standard_uncertainty_um) if result.second else None,
        "simulated_errors": _errors(result.errors),
        "specific_risk": _specific_risk(sure),
        "global_risk": asdict(result.risk) if result.risk and sure else None,
    }
    return made if result.simulation is None else {**made, "monte_carlo": _simulation(result)}


def _errors(errors: ErrorDistribution | None) -> dict[str, Any] | None:
    """What the simulation of the errors came to; the draws can be made again."""
    if errors is None:
        return None
    return {"trials": errors.trials, "seed": errors.seed, "coverage": errors.coverage, "pair": errors.pair}


def _acceptance(acceptance: Acceptance | None) -> list[float | None] | None:
    """Least and largest value that passes, null for no end; empty where none passes, null without limits."""
    if acceptance is None:
        return None
    low, high = acceptance
    return [_number(low), _number(high)] if low <= high else []


def _terms(result: Result) -> list[dict[str, Any]]:
    """Each summand of the value, with its sign in words and the source of its formula."""
    if result.propagated is None:
        return []
    corrections = result.propagated.corrections_um
    return [
        {"name": t.name, "value_um": _number(corrections[t.name]), "words": t.words, "source": t.source}
        for t in result.terms
    ]


def _specific_risk(decision: Decision | None) -> float | None:
    """Risk that the decision on this part is wrong; None where nothing is decided."""
    probability = _conformance(decision)
    if decision is None or probability is None or decision.verdict not in (Verdict.PASS, Verdict.FAIL):
        return None
    return specific_risk(probability, accepted=decision.verdict is Verdict.PASS)


def _simulation(result: Result) -> dict[str, Any]:
    simulation = result.simulation
    if simulation is None:
        return {}
    return {
        "value_um": simulation.value_um,
        "value_is": simulation.value_is,
        "standard_uncertainty_um": simulation.standard_uncertainty_um,
        "interval_um": list(simulation.shortest_um),
        "symmetric_interval_um": list(simulation.symmetric_um),
        "coverage": simulation.coverage,
        "trials": simulation.trials,
        "stable": simulation.stable,
        "no_standard_deviation": dict(simulation.heavy_tails),
        "conformance_probability": None if np.any(result.stopped) else simulation.conformance_probability,
        "first_order_validated": result.validated,
    }


def _conformance(decision: Decision | None) -> float | None:
    if decision is None or decision.conformance_probability is None:
        return None
    return _number(decision.conformance_probability)


def _budget(propagated: Propagated | None) -> list[dict[str, Any]]:
    return [_row(contribution) for contribution in propagated.contributions] if propagated else []


def _row(row: Contribution) -> dict[str, Any]:
    estimate = row.input.estimate
    return {
        "name": row.input.name,
        "estimate": _number(estimate.value),
        "standard_uncertainty": _number(estimate.standard_uncertainty),
        "unit": row.input.unit,
        "sensitivity": _number(row.sensitivity),
        "contribution_um": _number(row.contribution_um),
        "degrees_of_freedom": _number(estimate.dof),
        "evaluation": row.input.evaluation,
        "why": row.input.why or estimate.why,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "level": finding.level.value,
        "code": finding.code,
        "text": finding.text,
        "characteristic": finding.characteristic,
        "data": {name: _number(value) for name, value in finding.data.items()},
    }


def _number(number: Number) -> float | None:
    """A number as JSON can hold it; infinite becomes null."""
    value = float(number)
    return value if math.isfinite(value) else None


def digest_of_record(record: Mapping[str, Any]) -> str:
    """SHA-256 over the record without its digest, canonical by RFC 8785."""
    import rfc8785

    bare = {key: item for key, item in record.items() if key != "digest"}
    return "sha256:" + hashlib.sha256(rfc8785.dumps(bare)).hexdigest()


def dumps(record: Mapping[str, Any]) -> str:
    """The record as text for a file: indented, so that a person can read it."""
    return escaped(json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)) + "\n"


def loads(text: str, name: str) -> dict[str, Any]:
    """The record in a text.

    Raises:
        RecordError: the text is no record, or one of a newer format.
    """
    try:
        record = read_json(text) if len(text) <= _LARGEST else None
    except ValueError as error:
        raise RecordError(f"{name}: no JSON document: {error}") from None
    if not isinstance(record, dict) or "digest" not in record or "events" not in record:
        raise RecordError(f"{name}: no record of holdzero: it has no events and digest")
    if record.get("format") != FORMAT:
        raise RecordError(f"{name}: format {record.get('format')!r}; this version reads format {FORMAT}")
    return record
