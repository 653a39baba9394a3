"""Decision rules: a value with its uncertainty against limits gives pass, fail or undecided.

The one place where a verdict is made. It sees unrounded numbers and fails closed: what can't be
decided is undecided, and no verdict at all is undecided.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.errors import HoldzeroError
from holdzero.limit import HAIR, between, exceeds
from holdzero.model import Number, student_cdf, student_quantiles, truncated

__all__ = [
    "Decision",
    "DecisionError",
    "DecisionRule",
    "GivenBand",
    "Rule",
    "Standing",
    "Verdict",
    "conformance_probability",
    "decide",
    "worst",
]


Truth: TypeAlias = bool | NDArray[np.bool_]
Quantile: TypeAlias = Callable[[float], Number]


class Verdict(StrEnum):
    """What is said of a characteristic, and of a part."""

    PASS = "pass"  # noqa: S105  a verdict
    FAIL = "fail"
    UNDECIDED = "undecided"
    REPORTED = "reported"


class Rule(StrEnum):
    """The decision rules of the core."""

    SIMPLE = "simple"
    GUARDED = "guarded"
    PROBABILITY = "probability"


# ISO 14253-1:2017 takes a conformance probability of 95 % where nothing else is agreed; for a
# normal result and U = 2u this is a guard band of 1.65 u (from memory).
DEFAULT_CONFORMANCE = 0.95


class DecisionError(HoldzeroError):
    """A rule gave a guard band that is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a decision rule may know of a result: everything but its value.

    Attributes:
        lower_um: lower limit [um]; None if there is none.
        upper_um: upper limit [um]; None if there is none.
        standard_uncertainty_um: of the value [um].
        dof: its effective degrees of freedom, truncated [1].
        coverage_factor: k [1].
        expanded_uncertainty_um: U = k·u [um].
    """

    lower_um: float | None
    upper_um: float | None
    standard_uncertainty_um: Number
    dof: Number
    coverage_factor: Number
    expanded_uncertainty_um: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenBand:
    """A rule that is not the core's own: its guard band [um] as a function, and its words."""

    name: str
    guard: Callable[[Standing], Number]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """A rule and its numbers.

    Attributes:
        rule: which one; or a rule that gives a guard band.
        guard: guard band as a multiple r of U [1]; None for the default of ISO 14253-1:2017.
        conformance: probability that a pass must reach, and a fail in its turn [1].
        coverage_probability: of the expanded uncertainty U [1].
    """

    rule: Rule | GivenBand = Rule.GUARDED
    guard: float | None = None
    conformance: float = DEFAULT_CONFORMANCE
    coverage_probability: float = 0.9545


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """How a value stands against its limits.

    Attributes:
        coverage_factor: k [1].
        expanded_uncertainty_um: U = k·u [um].
        guard_band_um: by how much the limits are drawn out for a fail, and at least in for a pass [um]; None
            where a probability decides and no band does. Which values pass, `acceptance_of` tells.
        chance: works out `conformance_probability`, which is dear for many runs; None without limits.
        passes: whether conformity is shown; an array has one entry a run.
        fails: whether nonconformity is shown.
        sentence: the rule in words, for the record.
    """

    coverage_factor: Number
    expanded_uncertainty_um: Number
    guard_band_um: Number | None
    chance: Callable[[], Number] | None
    passes: Truth
    fails: Truth
    sentence: str

    @property
    def conformance_probability(self) -> Number | None:
        """That the true value lies within the limits [1]; None without limits."""
        return None if self.chance is None else self.chance()

    @property
    def verdict(self) -> Verdict:
        """The verdict of a single run."""
        if self.chance is None:
            return Verdict.REPORTED
        if self.passes and not self.fails:
            return Verdict.PASS
        if self.fails and not self.passes:
            return Verdict.FAIL
        return Verdict.UNDECIDED


def conformance_probability(
    value_um: Number, standard_uncertainty_um: Number, dof: Number, lower_um: Number | None, upper_um: Number | None
) -> Number:
    """Probability that the true value lies within the limits.

    Args:
        value_um: measured value [um].
        standard_uncertainty_um: its standard uncertainty [um].
        dof: its effective degrees of freedom [1]; infinite for a normal result.
        lower_um: lower limit [um]; None if there is none.
        upper_um: upper limit [um]; None if there is none.

    Returns:
        Probability [1].

    Source: JCGM 106:2012, 7.2 to 7.4, eq. (10) and (11); Student's t in place of the normal
    distribution where the degrees of freedom are finite (JCGM 101:2008, 6.4.9.7).
    """
    below = _tail(value_um, standard_uncertainty_um, dof, upper_um, missing=1.0)
    under = _tail(value_um, standard_uncertainty_um, dof, lower_um, missing=0.0)
    return np.maximum(below - under, 0.0) if np.ndim(below) or np.ndim(under) else max(below - under, 0.0)


def _tail(value: Number, u: Number, dof: Number, limit: Number | None, *, missing: float) -> Number:
    """Probability that the true value is at most `limit`; a step where there is no uncertainty."""
    if limit is None:
        return missing
    if not np.all(u):
        # A value on an exact limit conforms: count it below an upper and not below a lower limit.
        step = np.where(value < limit, 1.0, np.where(value > limit, 0.0, missing))
        with np.errstate(invalid="ignore"):
            z = (limit - value) / np.where(u, u, np.inf)
        return np.where(u, student_cdf(z, dof), step) if np.ndim(step) or np.ndim(u) else float(step)
    return student_cdf((limit - value) / u, dof)


def decide(
    value_um: Number,
    standard_uncertainty_um: Number,
    dof: Number,
    *,
    lower_um: float | None,
    upper_um: float | None,
    rule: DecisionRule,
    resolution_um: float = 0.0,
    simulated: tuple[Number, int] | None = None,
) -> Decision:
    """Apply a decision rule to unrounded numbers.

    Args:
        value_um: measured value [um].
        standard_uncertainty_um: combined standard uncertainty [um].
        dof: effective degrees of freedom [1].
        lower_um: lower limit [um]; None if there is none.
        upper_um: upper limit [um]; None if there is none.
        rule: the rule and its numbers.
        resolution_um: of the comparator [um], by which a value on a limit is known, see `exceeds`; 0 where there
            is none, and then the larger limit stands for it.
        simulated: conformance probability of a simulation [1] and its number of trials [1], where
            the result is too far from Student's t. It takes the place of the one worked out here, and
            its own uncertainty may not decide.

    Returns:
        The decision; `reported` where there is no limit.

    Raises:
        DecisionError: a rule that is not the core's own gave a guard band that is none.

    Source: JCGM 100:2008, G.4.1 note 1 (degrees of freedom are truncated) and 6.2.1 (U = k·u);
    JCGM 106:2012, 8.2 (simple acceptance), 8.3 (guarded acceptance and rejection);
    ISO 14253-1:2017 (default: conformance probability of 95 %; from memory).
    """
    whole = truncated(dof)
    quantile = student_quantiles(whole)
    k = quantile(0.5 + rule.coverage_probability / 2.0)
    expanded = k * standard_uncertainty_um
    if lower_um is None and upper_um is None:
        return Decision(
            coverage_factor=k,
            expanded_uncertainty_um=expanded,
            guard_band_um=0.0,
            chance=None,
            passes=False,
            fails=False,
            sentence="No limits: the value is reported, nothing is decided.",
        )
    standing = Standing(
        lower_um=lower_um,
        upper_um=upper_um,
        standard_uncertainty_um=standard_uncertainty_um,
        dof=whole,
        coverage_factor=k,
        expanded_uncertainty_um=expanded,
    )
    finest = resolution_um or max(abs(limit) for limit in (lower_um, upper_um) if limit is not None)
    chances: list[Callable[[], Number]]
    chances = [partial(_chance, value_um, standing, finest, side) for side in (0.0, 1.0, -1.0)]
    sharp: Number = 0.0
    if simulated is not None:
        share, trials = simulated
        chances = [partial(_itself, share)] * 3
        # Two standard deviations of a share of so many trials (binomial).
        sharp = 2.0 * np.sqrt(np.maximum(share * (1.0 - share), 1.0 / trials) / trials)
    chance, most, least = chances
    band = _guard_band(standing, rule, quantile)
    guard: Number | None = band
    passes: Truth = _within(value_um, standing, band, finest)
    fails: Truth = _beyond(value_um, standing, band, finest)
    by_simulation = simulated is not None and rule.rule is Rule.GUARDED and rule.guard is None
    if rule.rule is Rule.PROBABILITY or by_simulation:
        passes = most() - sharp >= rule.conformance
        # A value within its limits never fails, however little is known of it.
        beyond = _beyond(value_um, standing, 0.0, finest)
        fails = np.logical_and(least() + sharp <= 1.0 - rule.conformance, beyond)
        guard = None
    elif rule.rule is Rule.GUARDED and rule.guard is None and lower_um is not None and upper_um is not None:
        # Where the tolerance is narrow against u both tails count, and one-sided guard bands
        # promise too much: the probability itself must be reached (JCGM 106, 7.4).
        passes = np.logical_and(passes, most() >= rule.conformance)
    return Decision(
        coverage_factor=k,
        expanded_uncertainty_um=expanded,
        guard_band_um=guard,
        chance=chance,
        passes=passes,
        fails=fails,
        sentence=_sentence(rule, by_simulation=by_simulation),
    )


def _itself(share: Number) -> Number:
    return share if np.ndim(share) else float(share)


def _chance(value: Number, standing: Standing, finest: float, side: float) -> Number:
    """Conformance probability [1] with the limits as they are, or moved out (1) or in (−1) by a hair.

    A hair is by how much floats of one decimal may differ: so a value at which a probability is just reached has it,
    whichever way it came. Where there is no uncertainty a value on a limit is within it.
    """
    u = standing.standard_uncertainty_um
    hair = HAIR * finest * np.where(u, side, 1.0)
    lower = None if standing.lower_um is None else standing.lower_um - hair
    upper = None if standing.upper_um is None else standing.upper_um + hair
    return conformance_probability(value, u, standing.dof, lower, upper)


def _guard_band(standing: Standing, rule: DecisionRule, quantile: Quantile) -> Number:
    if isinstance(rule.rule, GivenBand):
        return _checked_band(rule.rule, standing)
    if rule.rule is not Rule.GUARDED:
        return 0.0
    if rule.guard is not None:
        return rule.guard * standing.expanded_uncertainty_um
    # One-sided Student's t: JCGM 106:2012, 8.3.3 example 2 does so for few degrees of freedom.
    return quantile(rule.conformance) * standing.standard_uncertainty_um


def _checked_band(rule: GivenBand, standing: Standing) -> Number:
    """The band of a rule that is not the core's own: none below zero, so that it can pass nothing more.

    Raises:
        DecisionError: it is none.
    """
    said: object = rule.guard(standing)
    try:
        band = np.asarray(said, dtype=np.float64)
        np.broadcast_to(band, np.broadcast_shapes(np.shape(standing.expanded_uncertainty_um), band.shape))
    except (TypeError, ValueError):
        raise DecisionError(f"the rule {rule.name} gave {said!r:.100}, which is no guard band") from None
    if np.ndim(standing.expanded_uncertainty_um) < band.ndim or not np.all(band >= 0.0):
        raise DecisionError(f"the rule {rule.name} gave a guard band of {said!r:.100}; it must be 0 um or more")
    return band if band.ndim else float(band)


def _within(value: Number, standing: Standing, guard: Number, finest: float) -> Truth:
    lower = None if standing.lower_um is None else standing.lower_um + guard
    upper = None if standing.upper_um is None else standing.upper_um - guard
    return between(value, lower, upper, finest)


def _beyond(value: Number, standing: Standing, guard: Number, finest: float) -> Truth:
    under = False if standing.lower_um is None else exceeds(standing.lower_um - guard, value, finest)
    over = False if standing.upper_um is None else exceeds(value, standing.upper_um + guard, finest)
    return np.logical_or(under, over)


def _sentence(rule: DecisionRule, *, by_simulation: bool) -> str:
    if isinstance(rule.rule, GivenBand):
        return rule.rule.sentence
    if by_simulation:
        return (
            f"ISO 14253-1:2017, conformance probability {rule.conformance:.4g}, the probability taken from a Monte "
            "Carlo simulation (JCGM 101:2008), as the result is too far from Student's t: pass when it is reached "
            "beyond the uncertainty of the simulation, fail when a value beyond its limits has no more than the rest, "
            "undecided between."
        )
    if rule.rule is Rule.SIMPLE:
        return (
            "Simple acceptance (JCGM 106:2012, 8.2): pass when the measured value lies within the limits; "
            "at a limit the chance of a wrong decision is up to 50 %."
        )
    if rule.rule is Rule.PROBABILITY:
        return (
            f"Conformance probability (JCGM 106:2012, 7): pass at {rule.conformance:.4g} or more, "
            f"fail beyond the limits at {1.0 - rule.conformance:.4g} or less, undecided between."
        )
    if rule.guard is not None:
        return (
            f"Guarded acceptance and guarded rejection (JCGM 106:2012, 8.3) with a guard band of {rule.guard:g} U "
            "at each limit: pass within the limits drawn in by it, fail beyond the limits drawn out by it, "
            "undecided between."
        )
    return (
        f"ISO 14253-1:2017, conformance probability {rule.conformance:.4g}: pass when conformity is shown, fail when "
        "nonconformity is shown, undecided between; the guard band at each limit is the one-sided Student's t times "
        "the standard uncertainty (1.65 u for a normal result); more for a pass where both tails count."
    )


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict of a whole: fail before undecided before pass; reported only where all are.

    >>> worst([])
    <Verdict.UNDECIDED: 'undecided'>
    """
    found = set(verdicts)
    for verdict in (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS, Verdict.REPORTED):
        if verdict in found:
            return verdict
    return Verdict.UNDECIDED
