"""From a finished run to results, findings and a verdict for one part.

The core's own terms are the reference, the difference read, the comparator's error and what the
routine adds by hand; everything else is the checks'. No clock, no file, no plugin is known here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from holdzero.acceptance import Shares, acceptance_of, shares_of_errors, shares_of_trials
from holdzero.characteristic import characteristic_of
from holdzero.checks import Checks, Failure, told
from holdzero.decide import Decision, DecisionRule, Truth, Verdict, decide, worst
from holdzero.distribution import MonteCarlo
from holdzero.error_distribution import ErrorDistribution, simulated_errors
from holdzero.hooks import CharacteristicView, Finding, Level, RunView, reference_deviation
from holdzero.model import Input, ModelError, Number, Propagated, Term
from holdzero.montecarlo import adaptive, first_order_validated, simulate
from holdzero.oversight import bracket_findings, run_findings, selection_findings
from holdzero.propagation import Model, Order, worked_out
from holdzero.risk import Acceptance, GlobalRisk, global_risk
from holdzero.routine.schema import Characteristic, Measure
from holdzero.run.state import State
from holdzero.views import view_of

__all__ = ["NOTICEABLE", "Evaluation", "Result", "evaluate", "model_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of one characteristic; all but its name and verdict are None where it has no number.

    Attributes:
        weights: how much each place counts in the measured difference [1].
        terms: summands of its value.
        propagated: by the order that the routine asks for.
        second: with the terms of second order, whatever the routine asks for.
        errors: simulated, where the terms of second order move the coverage of U.
        simulation: by Monte Carlo, where the run asks for it; `validated` says whether it agrees with propagation.
        decision: by the rule of the routine.
        acceptance: which measured values would pass; None without limits.
        stopped: whether a finding stops it; where the readings are arrays, one entry a run, or one for all.

    Where the readings are arrays there is no one verdict: `passed` and `failed` say it run by run, and weights,
    simulation, acceptance and risk are left out.
    """

    name: str
    spec: Characteristic
    verdict: Verdict
    weights: Mapping[str, Number] = field(default_factory=dict)
    terms: tuple[Term, ...] = ()
    propagated: Propagated | None = None
    second: Propagated | None = None
    errors: ErrorDistribution | None = None
    simulation: MonteCarlo | None = None
    validated: bool | None = None
    decision: Decision | None = None
    acceptance: Acceptance | None = None
    risk: GlobalRisk | None = None
    stopped: Truth = False

    @property
    def passed(self) -> Truth:
        """Whether it passes; an array has one entry a run."""
        return False if self.decision is None else self._alone(self.decision.passes, self.decision.fails)

    @property
    def failed(self) -> Truth:
        """Whether it fails; an array has one entry a run."""
        return False if self.decision is None else self._alone(self.decision.fails, self.decision.passes)

    def _alone(self, one: Truth, other: Truth) -> Truth:
        return np.logical_and(one, np.logical_not(np.logical_or(other, self.stopped)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What came of one part.

    Attributes:
        serial: of the part; None where it has none.
        results: one for each characteristic.
        findings: that hold, the heaviest first.
        verdict: of the part.
        check_standard: summands of what the comparator should show on the check standard [um], where
            the routine was run with ideal readings.
    """

    serial: str | None
    results: tuple[Result, ...]
    findings: tuple[Finding, ...]
    verdict: Verdict
    check_standard: tuple[Term, ...] = ()


def model_of(state: State, serial: str | None, name: str, checks: Checks) -> Model:
    """The model of one characteristic, as `evaluate` uses it.

    Raises:
        ModelError: the characteristic has no number.
    """
    view = view_of(state, serial, checks.materials)
    seen, _ = characteristic_of(view, name, view.routine.characteristics[name], checks.contrasts)
    model = None if seen is None else _model(view, checks.weigh(view, seen)[0], checks)[0]
    if model is None:
        raise ModelError(f"{name} has no number")
    return model


def evaluate(state: State, serial: str | None, checks: Checks) -> Evaluation:
    """Results, findings and verdict for the part `serial`.

    A stop finding makes what it concerns undecided: its characteristic, or the whole part.
    """
    view = view_of(state, serial, checks.materials)
    findings = list(run_findings(state))
    failures: list[Failure] = list(checks.missing)
    views: list[CharacteristicView] = []
    raw: list[Result] = []
    for name, spec in view.routine.characteristics.items():
        seen, problems = characteristic_of(view, name, spec, checks.contrasts)
        findings.extend(problems)
        if seen is None:
            raw.append(Result(name=name, spec=spec, verdict=Verdict.UNDECIDED))
            continue
        seen, problems, failed = checks.weigh(view, seen)
        findings.extend(problems)
        failures.extend(failed)
        views.append(seen)
        findings.extend(bracket_findings(view, seen))
        findings.extend(selection_findings(view, seen))
        model, failed = _model(view, seen, checks)
        failures.extend(failed)
        made = Result(name=name, spec=spec, verdict=Verdict.UNDECIDED)
        if model is not None:
            made, failed = _decided(state, view, seen, model, checks)
            failures.extend(failed)
        raw.append(made)
    findings.extend(finding for result in raw for finding in _of_the_model(view, result))
    judged, failed = checks.judge(view, views)
    failures.extend(failed)
    findings.extend(judged)
    findings.extend(_unique(failures))
    held = tuple(sorted((f for f in findings if np.any(f.holds)), key=_weight))
    results = tuple(_with_verdict(result, held) for result in raw)
    return Evaluation(serial=serial, results=results, findings=held, verdict=_verdict(results, held))


def _weight(finding: Finding) -> tuple[int, str, str]:
    """Stops before doubts before notes; then in an order that no order of keys can change."""
    return (list(Level)[::-1].index(finding.level), finding.code, finding.text)


def _unique(failures: Iterable[Failure]) -> list[Finding]:
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


# --- the number -------------------------------------------------------------------------------


def _model(view: RunView, seen: CharacteristicView, checks: Checks) -> tuple[Model | None, list[Failure]]:
    """The model of a characteristic; None where not even the core's terms stand."""
    core = list(_core_terms(view, seen))
    added, failures = checks.terms(view, seen)
    terms = [*core, *(term for _, term in added)]
    order = view.routine.decision.order
    try:
        return worked_out(terms, order), failures
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


def _decided(
    state: State, view: RunView, seen: CharacteristicView, model: Model, checks: Checks
) -> tuple[Result, list[Failure]]:
    """Value, uncertainty and decision of a characteristic; a rule that fails decides nothing."""
    decision = view.routine.decision
    try:
        return _number(state, view, seen, model, decision.numbers(checks.rule)), []
    except (Exception, SystemExit) as error:
        if checks.rule is None:
            raise
        failed = Failure(plugin=checks.rule.name, during="guard", message=told(error), what="rule")
    return _number(state, view, seen, model, decision.numbers(None)), [failed]


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
        sharp = simulation.stable and simulation.trials >= _ENOUGH_TRIALS
        if not validated and sharp and simulation.conformance_probability is not None:
            decision = decided((simulation.conformance_probability, simulation.trials))
            deciding = shares_of_trials(simulation, propagated, limits)
    acceptance = None if model.of_many else _acceptance(spec, propagated, decision, rule, deciding)
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


# With fewer trials the ends of the interval differ from first order by chance alone.
_ENOUGH_TRIALS = 100_000


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


def _acceptance(
    spec: Characteristic, propagated: Propagated, decision: Decision, rule: DecisionRule, deciding: Shares | None
) -> Acceptance | None:
    """Which measured values of one run would pass; `deciding` where a simulation did."""
    if decision.chance is None:
        return None
    return acceptance_of(
        decision,
        rule,
        standard_uncertainty_um=float(propagated.standard_uncertainty_um),
        dof=float(propagated.dof),
        limits_um=(spec.lower, spec.upper),
        simulated=deciding,
    )


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


def _of_the_model(view: RunView, result: Result) -> Iterable[Finding]:
    """Where propagation is not good enough."""
    if result.propagated is None:
        return
    if view.routine.decision.order == 1 and result.second is not None:
        yield _left_out(view, result.name, result.propagated, result.second)
    if result.errors is not None and result.decision is not None:
        yield _coverage(view, result.name, result.errors, result.decision)
    if result.simulation is not None:
        yield from _of_the_simulation(result.name, result.simulation)
    if result.validated is False:
        text = (
            f"{result.name}: propagation and simulation differ by more than the last digit that counts; where a "
            f"probability decides, it is the simulation's, if that is stable and has {_ENOUGH_TRIALS} trials or more."
        )
        yield Finding(level=Level.DOUBT, code="model/propagation", text=text, characteristic=result.name)


# By how much the terms of second order may raise an uncertainty before it is said that they are left out: as much as
# moves the second of two significant digits by one or more (JCGM 100:2008, 7.2.6).
NOTICEABLE = 0.05


def _left_out(view: RunView, name: str, first: Propagated, second: Propagated) -> Finding:
    """The routine asks for first order, and second order would count."""
    low, high = float(first.standard_uncertainty_um), float(second.standard_uncertainty_um)
    pair = next((f" ({row.input.name})" for row in second.contributions if row.is_pair), "")
    return Finding(
        level=Level.DOUBT,
        code="model/second_order",
        text=f"{name}: u is by first order, {view.length(low, 3)}, as the routine asks: "
        f"{view.routine.decision.order_why}. With the terms of second order{pair} it is {view.length(high, 3)}.",
        characteristic=name,
        data={"first_order_um": low, "second_order_um": high},
        holds=high > low * (1.0 + NOTICEABLE),
    )


def _coverage(view: RunView, name: str, errors: ErrorDistribution, decision: Decision) -> Finding:
    """U does not cover what it says, as the errors are far from normal."""
    stated = view.routine.decision.coverage_probability
    by = f"; the conformance probability is that of {errors.trials:,} simulated errors (seed {errors.seed})"
    return Finding(
        level=Level.DOUBT,
        code="model/coverage",
        text=f"{name}: U covers the true value in {100.0 * errors.coverage:.1f} % of cases, not in "
        f"{100.0 * stated:.4g} %: the effect of {errors.pair} is far from normal"
        f"{by if decision.chance is not None else ''}.",
        characteristic=name,
        data={"coverage": errors.coverage, "stated": stated},
    )


def _of_the_simulation(name: str, simulation: MonteCarlo) -> Iterable[Finding]:
    """What a simulation can't say, or did not come to."""
    trials = simulation.trials
    unstable = f"{name}: the simulation did not become stable in {trials} trials."
    if simulation.heavy_tails:
        few = "; ".join(f"{of}: {dof:.3g}" for of, dof in simulation.heavy_tails.items())
        text = (
            f"{name}: the simulation has no standard uncertainty, only an interval. With 2 degrees of freedom or fewer "
            f"an input has no standard deviation ({few}). More readings give it one. JCGM 101, 6.4.9.4."
        )
        yield Finding(level=Level.NOTE, code="model/no_standard_deviation", text=text, characteristic=name)
        unstable = (
            f"{name}: without a standard deviation no adaptive number of trials can become stable, and none was tried. "
            f"{trials} trials were made. For a decision by simulation ask for that number: --trials {trials}."
        )
    if not simulation.stable:
        yield Finding(level=Level.DOUBT, code="model/unstable", text=unstable, characteristic=name)


def _culprits(core: list[Term], added: list[tuple[str, Term]], order: Order) -> list[Failure]:
    """The checks whose terms spoil the model, found one by one."""
    culprits: list[Failure] = []
    good = list(core)
    for name in dict.fromkeys(name for name, _ in added):
        own = [term for other, term in added if other == name]
        try:
            worked_out([*good, *own], order)
        except Exception as error:  # noqa: BLE001  see above
            culprits.append(Failure(plugin=name, during="terms", message=f"{type(error).__name__}: {error}"))
        else:
            good.extend(own)
    return culprits


def _core_terms(view: RunView, seen: CharacteristicView) -> Iterable[Term]:
    spec, reference = seen.spec, view.reference
    if spec.measure is Measure.SIZE and reference is not None:
        offset = reference.size - (spec.nominal or 0.0)
        deviation = reference_deviation(reference)
        yield Term(
            name="reference",
            inputs=(deviation,),
            function=lambda dev: offset + dev,
            words=_of_reference(view, offset, float(deviation.estimate.value)),
            source="ISO 3650, deviation of a length from its nominal; JCGM 100:2008, eq. (H.3)",
        )
    read = seen.difference_read(view)
    yield Term(
        name="difference read",
        inputs=(read,),
        function=lambda d: d,
        words="the readings of the part, each less the zero that it was taken under",
        source="JCGM 100:2008, 4.2.1 (mean of the readings)",
    )
    if view.comparator is not None:
        error = Input(
            name="error of the comparator",
            estimate=view.comparator.error,
            unit="um",
            evaluation="B",
            why=view.comparator.error.why or "error of a difference that it shows",
        )
        yield Term(
            name="error of the comparator",
            inputs=(error,),
            function=lambda e: -e,
            words="what the comparator shows too much is taken off",
            source="JCGM 100:2008, 4.3",
        )
    for term in view.routine.terms:
        if term.characteristics is None or seen.name in term.characteristics:
            own = Input(name=term.name, estimate=term.estimate, unit="um", evaluation="B", why=term.why)
            words = "stated by the routine's author, and added as it stands"
            yield Term(name=term.name, inputs=(own,), function=lambda value: value, words=words)


def _of_reference(view: RunView, offset: float, deviation: float) -> str:
    longer = "longer" if deviation >= 0.0 else "shorter"
    words = f"the reference is {view.length(abs(deviation), 3)} {longer} than its nominal size, and so is the part"
    if offset:
        side = "above" if offset > 0.0 else "below"
        words += f"; its nominal size lies {view.length(abs(offset), 6)} {side} that of the part"
    return words
