"""Which measured values pass: the acceptance interval of a decision, found by asking the verdict itself.

A guard band alone does not say it: in a narrow tolerance both tails count, and where a probability decides there is
no band.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.decide import Decision, DecisionRule, GivenBand, decide
from holdzero.distribution import MonteCarlo
from holdzero.error_distribution import ErrorDistribution
from holdzero.model import Number, Propagated
from holdzero.risk import Acceptance

__all__ = ["Shares", "acceptance_of", "passing_interval", "shares_of_errors", "shares_of_trials"]

Limits: TypeAlias = tuple[float | None, float | None]

Shares: TypeAlias = Callable[[NDArray[np.float64]], tuple[Number, int]]
"""Conformance probability of each of some measured values [um] by a simulation [1], and its number of trials."""

Passes: TypeAlias = Callable[[NDArray[np.float64]], NDArray[np.bool_]]

_NO_HAIR = 5e-324  # resolution by which no two numbers are equal but equal ones: ends are the rule's own
_GRID = 257  # points of the first look, an odd number: the middle of the tolerance is one of them
_FINER = 65  # points of each further look
_LOOKS = 12  # each leaves a 64th of the last: far more than a double has digits
_BEYOND = 8.0  # scales beyond a limit up to which is looked
_FARTHEST = 60  # doublings of the scale away from a single limit


def acceptance_of(
    decision: Decision, rule: DecisionRule, propagated: Propagated, limits_um: Limits, simulated: Shares | None = None
) -> Acceptance | None:
    """The measured values that would pass with the same uncertainty, rule and limits.

    Args:
        decision: that was made of the value of one run.
        rule: by which.
        propagated: the value with its uncertainty [um].
        limits_um: lower and upper limit [um]; None for one that is missing.
        simulated: where a simulation decided, what it gives for other values.

    Returns:
        Least and largest such value [um]; None without limits.

    Source: JCGM 106:2012, clause 8 (acceptance interval).
    """
    if decision.chance is None:
        return None
    lower, upper = limits_um
    u, dof = float(propagated.standard_uncertainty_um), float(propagated.dof)
    band = decision.guard_band_um
    if isinstance(rule.rule, GivenBand) and band is not None:
        # It does not depend on the value: a stranger's function is not asked again.
        rule = replace(rule, rule=replace(rule.rule, guard=lambda _: band))

    def passes(values: NDArray[np.float64]) -> NDArray[np.bool_]:
        shares = None if simulated is None else simulated(values)
        made = decide(
            values, u, dof, lower_um=lower, upper_um=upper, rule=rule, resolution_um=_NO_HAIR, simulated=shares
        )
        return np.broadcast_to(np.logical_and(made.passes, np.logical_not(made.fails)), values.shape)

    return passing_interval(passes, limits_um, u)


def shares_of_errors(errors: ErrorDistribution, propagated: Propagated, limits_um: Limits) -> Shares:
    """What simulated errors make of other values with the same uncertainty."""
    u = propagated.standard_uncertainty_um
    return lambda values: (errors.conformance_probability(values, u, *limits_um), errors.trials)


def shares_of_trials(simulation: MonteCarlo, propagated: Propagated, limits_um: Limits) -> Shares:
    """What a simulation makes of other values: its distribution as it would lie about them."""

    def about(values: NDArray[np.float64]) -> tuple[Number, int]:
        off = values - propagated.value_um
        ends = (None if limit is None else limit - off for limit in limits_um)
        return simulation.share_within(*ends), simulation.trials

    return about


def passing_interval(passes: Passes, limits_um: Limits, scale_um: float) -> Acceptance:
    """Ends of the interval of values that pass, to the last digit.

    Args:
        passes: whether each of some values [um] passes; it must hold for one interval, open to the side where there
            is no limit.
        limits_um: lower and upper limit [um], one of them at least.
        scale_um: about how far from a limit the verdict turns [um].

    Returns:
        Least and largest value that passes [um], infinite where there is no limit; in the wrong order where none does.
    """
    lower, upper = limits_um
    points = _first_look(lower, upper, scale_um)
    hits = np.flatnonzero(passes(points))
    if not hits.size:
        return np.inf, -np.inf
    first, last = int(hits[0]), int(hits[-1])
    # For each end a value that passes, and beside it one that does not.
    low = None if lower is None or first == 0 else (points[first - 1], points[first])
    high = None if upper is None or last == points.size - 1 else (points[last + 1], points[last])
    ends = [pair for pair in (low, high) if pair is not None]
    for _ in range(_LOOKS):
        looks = [np.linspace(out, within, _FINER) for out, within in ends]
        each = np.split(passes(np.concatenate(looks)), len(looks)) if looks else []
        ends = [_turn(look, hit) for look, hit in zip(looks, each, strict=True)]
    found = iter(float(within) for _, within in ends)
    return (
        (-np.inf if lower is None else float(points[0])) if low is None else next(found),
        (np.inf if upper is None else float(points[-1])) if high is None else next(found),
    )


def _turn(look: NDArray[np.float64], hit: NDArray[np.bool_]) -> tuple[np.float64, np.float64]:
    """The neighbours between which it turns; from a value that does not pass to one that does."""
    at = max(int(np.argmax(hit)), 1)
    return look[at - 1], look[at]


def _first_look(lower: float | None, upper: float | None, scale_um: float) -> NDArray[np.float64]:
    """Values across the limits and beyond; from a single limit farther and farther inwards."""
    if lower is not None and upper is not None:
        across = np.linspace(lower - _BEYOND * scale_um, upper + _BEYOND * scale_um, _GRID)
        return np.unique(np.concatenate([across, np.linspace(lower, upper, _GRID)]))
    ends = ((lower, 1.0), (upper, -1.0))
    limit, inwards = next((limit, inwards) for limit, inwards in ends if limit is not None)
    steps = (scale_um or 1.0) * 2.0 ** np.arange(-10, _FARTHEST)
    return np.unique(np.concatenate([limit + inwards * steps, [limit], limit - inwards * _BEYOND * steps[:11]]))
