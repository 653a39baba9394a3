"""From a finished run to results, findings and a verdict for one part. No clock, no file, no plugin is known here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from holdzero.acceptance import Shares, acceptance_of, shares_of_errors, shares_of_trials
from holdzero.characteristic import characteristic_of
from holdzero.checks import Checks, Failure, told
from holdzero.core_terms import core_terms
from holdzero.decide import Decision, DecisionRule, Truth, Verdict, decide, worst
from holdzero.distribution import MonteCarlo
from holdzero.error_distribution import simulated_errors
from holdzero.hooks import CharacteristicView, Finding, Level, RunView
from holdzero.mistyped import mistyped_doubts
from holdzero.model import ModelError, Number, Propagated, Term
from holdzero.model_findings import ENOUGH_TRIALS, model_findings, rests_on
from holdzero.montecarlo import adaptive, first_order_validated, simulate
from holdzero.oversight import bracket_findings, run_findings, selection_findings, stop, told_once
from holdzero.propagation import Model, Order, worked_out
from holdzero.result import Evaluation, Result
from holdzero.risk import Acceptance, GlobalRisk, global_risk
from holdzero.routine.schema import Characteristic
from holdzero.run.state import State
from holdzero.views import view_of

__all__ = ["each_once", "evaluate"]


def evaluate(state: State, serial: str | None, checks: Checks) -> Evaluation:
    """Results, findings and verdict for the part `serial`.

    A stop finding makes what it concerns undecided: its characteristic, or the whole part.
    """
    view = view_of(state, serial, checks.materials)
    findings = [*run_findings(state), *mistyped_doubts(view)]
    failures: list[Failure] = list(checks.missing)
    views: list[CharacteristicView] = []
    raw: list[Result] = []
    for name, spec in view.routine.characteristics.items():
        seen, problems, failed = _weighed(view, name, spec, checks)
        findings.extend(problems)
        failures.extend(failed)
        if seen is None:
            raw.append(Result(name=name, spec=spec, verdict=Verdict.UNDECIDED))
            continue
        views.append(seen)
        findings.extend(bracket_findings(view, seen))
        model, failed = _model(view, seen, checks)
        failures.extend(failed)
        made = Result(name=name, spec=spec, verdict=Verdict.UNDECIDED)
        if model is not None:
            made, failed = _decided(state, view, seen, model, checks)
            failures.extend(failed)
            findings.extend(_resting(view, made, checks))
        value = 0.0 if made.propagated is None else made.propagated.value_um
        findings.extend(selection_findings(view, seen, value, made.decision))
        raw.append(made)
    findings.extend(finding for result in raw for finding in model_findings(view, result))
    judged, failed = checks.judge(view, views)
    failures.extend(failed)
    findings = [*told_once(findings, judged), *judged, *each_once(failures)]
    held = tuple(sorted((f for f in findings if np.any(f.holds)), key=_weight))
    results = tuple(_with_verdict(result, held) for result in raw)
    return Evaluation(serial=serial, results=results, findings=held, verdict=_verdict(results, held))


def _weight(finding: Finding) -> tuple[int, str, str]:
    """Stops before doubts before notes; then in an order that no order of keys can change."""
    return (list(Level)[::-1].index(finding.level), finding.code, finding.text)


def each_once(failures: Iterable[Failure]) -> list[Finding]:
    """What is told of failures: of several that say the same, one."""
    return [failure.finding for failure in dict.fromkeys(failures)]


def _stopped(findings: Iterable[Finding], characteristic: str | None) -> Truth:
    """In which runs a finding stops a characteristic, or the whole part."""
    stops = (f.holds for f in findings if f.level is Level.STOP and f.characteristic in (None, characteristic))
    stopped: Truth = False
    for holds in stops:
        stopped = np.logical_or(stopped, holds)
    return stopped


def _with_verdict(result: Result, findings: tuple[Finding, ...]) -> Result:
    stopped = _stopped(findings, result.name)
    if result.decision is None or np.ndim(result.decision.passes) or np.any(stopped):
        return replace(result, verdict=Verdict.UNDECIDED, stopped=stopped)
    return replace(result, verdict=result.decision.verdict, stopped=stopped)


def _verdict(results: Sequence[Result], findings: tuple[Finding, ...]) -> Verdict:
    if np.any(_stopped(findings, None)):
        return Verdict.UNDECIDED
    return worst(result.verdict for result in results)


def _weighed(
    view: RunView, name: str, spec: Characteristic, checks: Checks
) -> tuple[CharacteristicView | None, list[Finding], list[Failure]]:
    """The characteristic as its readings count, or what keeps it from having a number; and failures."""
    seen, problems = characteristic_of(view, name, spec, checks.contrasts)
    if seen is None:
        return None, problems, []
    seen, problems, failures = checks.weigh(view, seen)
    if spec.at_no_force and seen.scatter is None:
        text = f"{name}: nothing can be read at 0 N, and no check told its thickness there from other forces."
        return None, [*problems, stop("reading/no_force", text, name)], failures
    return seen, problems, failures


# --- the number -------------------------------------------------------------------------------


def _model(view: RunView, seen: CharacteristicView, checks: Checks) -> tuple[Model | None, list[Failure]]:
    """The model of a characteristic; None where not even the core's terms stand."""
    core = list(core_terms(view, seen))
    added, failures = checks.terms(view, seen)
    terms = [*core, *(term for _, term in added)]
    order = view.routine.decision.order
    try:
        model = worked_out(terms, order)
        return model, [*failures, *_fickle(model, added, checks)]
    except Exception:  # noqa: BLE001  a term is a plugin's function; the culprit is named below
        try:
            worked_out(core, order)
        except ModelError as error:
            return None, [*failures, Failure(plugin="terms", during="the routine's own terms", message=str(error))]
        culprits = _culprits(core, added, order)
        failures.extend(culprits)
        names = {culprit.plugin for culprit in culprits}
        sound = [*core, *(term for name, term in added if name not in names)]
        return (worked_out(sound, order) if culprits else None), failures


def _fickle(model: Model, added: Sequence[tuple[str, Term]], checks: Checks) -> Iterable[Failure]:
    """Strangers' checks whose terms give something else when they are asked again with the same numbers."""
    for name, term in added:
        if name not in checks.strangers:
            continue
        try:
            first = model.propagated.corrections_um[term.name]
            again = term.function(*(item.estimate.value for item in term.inputs))
            same, message = (
                np.array_equal(first, again),
                f"its term {term.name:.80} gave {first!r:.60}, and {again!r:.60}",
            )
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            same, message = False, told(error)
        if not same:
            yield Failure(
                plugin=name, during="terms", message=f"{message} when it was asked again with the same numbers"
            )


def _resting(view: RunView, made: Result, checks: Checks) -> list[Finding]:
    """What strangers' checks do to a value that nobody would expect of a correction; of one run at a bench.

    Each is left out by itself, and where none alone does it, all of them: many small corrections are a large one.
    """
    if made.propagated is None or made.decision is None or np.ndim(made.propagated.value_um):
        return []
    having = {item.check.name for item in checks.bound if item.check.terms or item.check.weigh}
    own = [name for name in checks.strangers if name in having]
    found = [finding for name in own for finding in _without(view, made, checks, (name,))]
    return found or (list(_without(view, made, checks, tuple(own))) if len(own) > 1 else [])


def _without(view: RunView, made: Result, checks: Checks, names: tuple[str, ...]) -> Iterable[Finding]:
    rest = checks.without(names)
    seen, _, _ = _weighed(view, made.name, made.spec, rest)
    plain = None if seen is None else _model(view, seen, rest)[0]
    return rests_on(view, made, names, None if plain is None else plain.propagated)


def _decided(
    state: State, view: RunView, seen: CharacteristicView, model: Model, checks: Checks
) -> tuple[Result, list[Failure]]:
    """Value, uncertainty and decision of a characteristic; a rule that fails decides nothing."""
    decision = view.routine.decision
    try:
        return _number(state, view, seen, model, decision.numbers(checks.rule)), []
    except (Exception, SystemExit) as error:
        if checks.rule is None and not checks.strangers:
            raise
        why = told(error)
    if checks.rule is not None:
        failed = Failure(plugin=checks.rule.name, during="guard", message=why, what="rule")
        try:
            return _number(state, view, seen, model, decision.numbers(None)), [failed]
        except (Exception, SystemExit) as error:
            if not checks.strangers:
                raise
            why = told(error)
    # A term is a plugin's function, and a simulation asks it for numbers that nobody else does.
    names = dict.fromkeys(name for name, _ in checks.terms(view, seen)[0] if name in checks.strangers)
    lost = [Failure(plugin=name, during="its terms, when they were simulated", message=why) for name in names]
    plain, _ = _model(view, seen, checks.without(names))
    if plain is None:
        return Result(name=seen.name, spec=seen.spec, verdict=Verdict.UNDECIDED), lost
    return _number(state, view, seen, plain, decision.numbers(checks.rule)), lost


def _number(state: State, view: RunView, seen: CharacteristicView, model: Model, rule: DecisionRule) -> Result:
    """Value, uncertainty and decision of a characteristic."""
    spec, propagated = seen.spec, model.propagated
    limits = (spec.lower, spec.upper)
    simulation = _simulated(state, model.terms, spec, rule.coverage_probability, seen.name)

    def decided(simulated: tuple[Number, int] | None = None) -> Decision:
        return decide(
            propagated.value_um,
            propagated.standard_uncertainty_um,
            propagated.dof,
            lower_um=spec.lower,
            upper_um=spec.upper,
            rule=rule,
            resolution_um=view.resolution_um,
            simulated=simulated,
        )

    decision, validated, errors = decided(), None, None
    deciding: Shares | None = None
    if view.routine.decision.order != 1:
        errors = simulated_errors(
            model.terms,
            propagated,
            coverage_factor=decision.coverage_factor,
            coverage=rule.coverage_probability,
            seed=state.seed,
            name=seen.name,
        )
    if errors is not None and decision.chance is not None:
        chance = errors.conformance_probability(
            propagated.value_um, propagated.standard_uncertainty_um, spec.lower, spec.upper
        )
        decision, deciding = decided((chance, errors.trials)), shares_of_errors(errors, propagated, limits)
    if simulation is not None:
        value, u = float(propagated.value_um), float(propagated.standard_uncertainty_um)
        validated = first_order_validated(value, u, float(decision.expanded_uncertainty_um), simulation)[0]
        sharp = simulation.stable and simulation.trials >= ENOUGH_TRIALS
        if not validated and sharp and simulation.conformance_probability is not None:
            decision = decided((simulation.conformance_probability, simulation.trials))
            deciding = shares_of_trials(simulation, propagated, limits)
    acceptance = None if model.of_many else acceptance_of(decision, rule, propagated, limits, deciding)
    return Result(
        name=seen.name,
        spec=spec,
        verdict=Verdict.UNDECIDED,
        weights={} if model.of_many else _place_sums(seen),
        terms=model.terms,
        propagated=propagated,
        second=model.second,
        errors=errors,
        simulation=simulation,
        validated=validated,
        decision=decision,
        acceptance=acceptance,
        risk=_risk(view, spec, propagated, acceptance),
    )


def _place_sums(seen: CharacteristicView) -> dict[str, Number]:
    """The weight of each place [1]: the sum over its readings."""
    sums: dict[str, Number] = {}
    for reading, weight in zip(seen.readings, seen.weights, strict=True):
        place = str(reading.slot.place)
        sums[place] = sums.get(place, 0.0) + weight
    return sums


def _simulated(
    state: State, terms: Sequence[Term], spec: Characteristic, coverage: float, name: str
) -> MonteCarlo | None:
    """The simulation that the run asks for; each characteristic has draws of its own."""
    if state.trials is None:
        return None
    generator = np.random.default_rng([state.seed, *name.encode()])
    limits = (spec.lower, spec.upper)
    if state.trials == "adaptive":
        return adaptive(terms, generator, coverage, limits)
    return simulate(terms, generator, state.trials, coverage, limits)


def _risk(
    view: RunView, spec: Characteristic, propagated: Propagated, acceptance: Acceptance | None
) -> GlobalRisk | None:
    """Risks over the process, where the routine says how its parts lie."""
    process = view.routine.process_of(spec)
    if process is None or acceptance is None:
        return None
    return global_risk(
        process=process.distribution,
        standard_uncertainty_um=float(propagated.standard_uncertainty_um),
        limits_um=(spec.lower, spec.upper),
        acceptance_um=acceptance,
    )


def _culprits(core: list[Term], added: list[tuple[str, Term]], order: Order) -> list[Failure]:
    """The checks whose terms spoil the model, found one by one."""
    culprits: list[Failure] = []
    good = list(core)
    for name in dict.fromkeys(name for name, _ in added):
        own = [term for other, term in added if other == name]
        try:
            worked_out([*good, *own], order)
        except Exception as error:  # noqa: BLE001  see above
            culprits.append(Failure(plugin=name, during="terms", message=told(error)))
        else:
            good.extend(own)
    return culprits
