"""Whether a part could pass at all: the best value that a characteristic can have, decided as a run would decide it.

The best value is the middle of two limits, or far from the only one. A variation can't be less than what its
corrections come to where all places are alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from holdzero.characteristic import laid_um
from holdzero.checks import Checks
from holdzero.decide import DecisionRule, GivenBand, Rule, decide
from holdzero.evaluate import evaluate
from holdzero.expect import Ideal, Lying, begun, conducted
from holdzero.model import Contribution, ModelError, Propagated
from holdzero.quantity import Dimension, parse_quantity
from holdzero.result import Result
from holdzero.routine.locate import KeyPath
from holdzero.routine.schema import Characteristic, Measure, Routine
from holdzero.run.plan import SlotKind

__all__ = ["Culprit", "Trial", "culprit_of", "passes_at_best"]

_READ = "difference read"  # the core's own term: what depends on how the part's places lie
_FAR_UM = 1e9  # a value with one limit may lie as far on its good side as it likes


def constant_um(propagated: Propagated) -> float:
    """What a value comes to beside the difference read: the reference, corrections, the author's terms [um]."""
    return float(propagated.value_um) - float(propagated.corrections_um[_READ])


def best_um(spec: Characteristic, least_um: float) -> float:
    """The value that passes if any does [um].

    Args:
        spec: of the characteristic, with a limit.
        least_um: what a variation comes to where all places are alike [um].

    Source: JCGM 106:2012, 7.4, eq. (11): of all values the middle of two limits conforms with the largest probability
    (worked out).
    """
    if spec.lower is not None and spec.upper is not None:
        value = 0.5 * (spec.lower + spec.upper)
    elif spec.upper is not None:
        value = spec.upper - _FAR_UM
    else:
        value = (spec.lower or 0.0) + _FAR_UM
    return max(value, least_um) if spec.measure is Measure.VARIATION else value


def passes_at_best(result: Result, rule: DecisionRule, resolution_um: float) -> bool:
    """Whether the best value passes with the uncertainty of a result.

    Args:
        result: with a limit and a number.
        rule: by which it is decided.
        resolution_um: of the comparator [um].
    """
    propagated = _of(result)
    return _passes(result, propagated, rule, resolution_um, constant_um(propagated))


def _of(result: Result) -> Propagated:
    """Value and uncertainty of a result.

    Raises:
        ModelError: it has none.
    """
    if result.propagated is None:
        raise ModelError(f"{result.name} has no number")
    return result.propagated


def _passes(result: Result, propagated: Propagated, rule: DecisionRule, resolution_um: float, least_um: float) -> bool:
    spec, errors = result.spec, result.errors
    values = np.array([best_um(spec, least_um)])
    u, dof = float(propagated.standard_uncertainty_um), float(propagated.dof)
    chance = None
    if errors is not None and u:
        # Errors that are not symmetric: the best value lies beside the middle.
        if spec.lower is not None and spec.upper is not None:
            values = np.concatenate([values, np.linspace(spec.lower, spec.upper, _PLACES)])
            values = np.maximum(values, least_um) if spec.measure is Measure.VARIATION else values
        chance = (errors.conformance_probability(values, u, spec.lower, spec.upper), errors.trials)
    decision = decide(
        values,
        u,
        dof,
        lower_um=spec.lower,
        upper_um=spec.upper,
        rule=rule,
        resolution_um=resolution_um,
        simulated=chance,
    )
    return bool(np.any(np.logical_and(decision.passes, np.logical_not(decision.fails))))


_PLACES = 201  # between two limits


# --- the part at its best -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A routine that is run with a part at its best.

    Attributes:
        document: the resolved routine as plain data.
        digest: its digest.
        checks: bound to it.
        entries: devices of the register for what the routine only requires, by role.
        scatter_um: standard deviation that repeats show [um].
    """

    document: Mapping[str, Any]
    digest: str
    checks: Checks
    entries: Mapping[str, Mapping[str, Any]]
    scatter_um: float = 0.0

    def hopeless(self, result: Result, rule: DecisionRule) -> Result | None:
        """The result of a part at its best, where not even that passes; None where one passes.

        Args:
            result: with ideal readings; it has a limit and a number.
            rule: by which it is decided.
        """
        best = result
        if best.propagated is None or passes_at_best(best, rule, self.resolution_um):
            return None
        for shown_degC in self._shown_degC():  # noqa: N806  the unit's own capital
            best = self._at_best(result, shown_degC)
            if best.propagated is None or passes_at_best(best, rule, self.resolution_um):
                return None
        return best

    @property
    def resolution_um(self) -> float:
        """Of the comparator that the routine states, or that is named for it [um]."""
        named = self.entries.get("comparator")
        said = named if named is not None else self.document["comparator"]
        return parse_quantity(str(said["resolution"]), Dimension.LENGTH).value if "resolution" in said else 0.0

    def _shown_degC(self) -> tuple[float, ...]:  # noqa: N802  the unit's own capital
        """What thermometers may show; where none is read, one will do."""
        slots = begun(self.document, self.digest).state.slots
        return _SHOWN_DEGC if any(slot.kind is SlotKind.TEMPERATURE for slot in slots) else _SHOWN_DEGC[-1:]

    def _at_best(self, result: Result, shown_degC: float) -> Result:  # noqa: N803  the unit's own capital
        for _ in range(_STEPS):
            if result.propagated is None:
                break
            constant = constant_um(result.propagated)
            read_um = best_um(result.spec, constant) - constant
            if abs(read_um) >= 0.5 * _FAR_UM:
                break  # one limit: how far off it the value lies changes nothing
            result = self._laid(result, read_um, shown_degC)
        return result

    def _laid(self, result: Result, read_um: float, shown_degC: float) -> Result:  # noqa: N803
        run, contrasts, spec = begun(self.document, self.digest), self.checks.contrasts, result.spec
        lying = Lying(places_um={place: laid_um(spec, place, read_um, contrasts) for place in spec.places})
        bench = Ideal(run, self.scatter_um, self.entries, contrasts, dict.fromkeys(_FELT, shown_degC), lying)
        evaluation = evaluate(conducted(run, bench).state, None, self.checks)
        return next(item for item in evaluation.results if item.name == result.name)


_STEPS = 2  # corrections change by less than a thousandth of what the readings do
_FELT = ("part", "reference", "air")
# Where a bench may be (common practice, no source); last the temperature that is told of (ISO 1:2022).
_SHOWN_DEGC = (15.0, 17.0, 19.0, 21.0, 23.0, 25.0, 27.0, 30.0, 20.0)


# --- why not --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Culprit:
    """Why not even the best value passes.

    Attributes:
        path: of the key that it stands under.
        why: in words; empty where it is U.
        mend: what to do.
    """

    path: KeyPath
    why: str
    mend: str


def culprit_of(routine: Routine, result: Result, rule: DecisionRule, resolution_um: float) -> Culprit:
    """What keeps the best value from passing: a correction, the rule, the inputs, or the limits.

    Args:
        routine: typed.
        result: of a part at its best.
        rule: by which it is decided.
        resolution_um: of the comparator [um].

    Raises:
        ModelError: the result has no number.
    """
    propagated, own = _of(result), ("characteristics", result.name)
    if result.spec.measure is Measure.VARIATION and _passes(result, propagated, rule, resolution_um, 0.0):
        return _of_a_term(routine, own, propagated)
    usual = DecisionRule(coverage_probability=rule.coverage_probability)
    if usual != rule and passes_at_best(result, usual, resolution_um):
        return _of_the_rule(rule)
    names = _fewest(result, propagated, rule, resolution_um)
    if not names:
        mend = "check the limits and their unit; or a finer comparator"
        return Culprit(path=own, why="its limits are closer than any reading is known", mend=mend)
    more = f", then that of {' and '.join(names[1:])}" if names[1:] else ""
    mend = f"the largest contribution is that of: {names[0]}{more}: check its number and unit"
    return Culprit(path=own, why="", mend=f"{mend}; holdzero budget shows what would help")


def _of_a_term(routine: Routine, own: KeyPath, propagated: Propagated) -> Culprit:
    terms = {name: abs(float(value)) for name, value in propagated.corrections_um.items() if name != _READ}
    name = max(terms, key=lambda name: terms[name])
    index = next((index for index, term in enumerate(routine.terms) if term.name == name), None)
    return Culprit(
        path=own if index is None else ("terms", index, "value"),
        why=f"even where all places are alike, {name} makes it {terms[name]:g} um",
        mend="nothing constant shifts a difference within the part: name the sizes in characteristics of the term",
    )


def _of_the_rule(rule: DecisionRule) -> Culprit:
    if isinstance(rule.rule, GivenBand):
        why = f"the rule {rule.rule.name} passes nothing here, and the rule guarded would"
        return Culprit(path=("decision", "rule"), why=why, mend="read what it asks of the limits, or take another rule")
    if rule.rule is Rule.GUARDED and rule.guard is not None:
        why = f"its guard band of {rule.guard:g} U at each limit leaves nothing"
        return Culprit(path=("decision", "guard"), why=why, mend="leave guard out, or take a smaller one")
    why = f"its very middle conforms with less than {rule.conformance:g}"
    return Culprit(path=("decision", "conformance"), why=why, mend="leave conformance out, or ask for less")


def _fewest(result: Result, propagated: Propagated, rule: DecisionRule, resolution_um: float) -> tuple[str, ...]:
    """The inputs that tell most, as few as would let the best value pass if they were known; none if not all would."""
    shares = dict[str, float]()
    for row in propagated.contributions:
        for name in row.of:  # of a pair, to both
            shares[name] = shares.get(name, 0.0) + float(row.contribution_um) ** 2
    names = sorted(shares, key=lambda name: -shares[name])
    for count in range(1, len(names)):
        gone = frozenset(names[:count])
        u, dof = _combined([row for row in propagated.contributions if gone.isdisjoint(row.of)])
        left = replace(propagated, standard_uncertainty_um=u, dof=dof)
        if u and _passes(replace(result, errors=None), left, rule, resolution_um, constant_um(left)):
            return tuple(names[:count])
    return ()


def _combined(rows: Sequence[Contribution]) -> tuple[float, float]:
    """Standard uncertainty [um] and degrees of freedom [1] of some contributions.

    Source: JCGM 100:2008, eq. (11a), 5.1.2 note (pairs, which may be taken away) and (G.2b).
    """
    parts = [float(row.contribution_um) for row in rows]
    u = math.sqrt(max(sum(math.copysign(part**2, part) for part in parts), 0.0))
    own = zip(parts, rows, strict=True)
    spread = sum(part**4 / float(row.input.estimate.dof) for part, row in own if not row.is_pair)
    return u, u**4 / spread if spread > 0.0 else math.inf
