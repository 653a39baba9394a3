"""How a value stands against its limits: JCGM 106:2012 and the default rule of ISO 14253-1:2017 (known second-hand)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from scipy.stats import t as student

from second.propagation import Propagated, truncated

FLOATS_LEAVE_UM = 1e-9  # of sums of lengths up to a metre: some times 2⁻⁵² · 1e6 um
CONFORMANCE = 0.95  # ISO 14253-1:2017, default conformance probability (known second-hand)


def conformance_probability(result: Propagated, lower: float, upper: float) -> float:
    """Probability that the true value lies within the limits, a limit that is missing being infinite.

    JCGM 106:2012, 7.4 eq. (11), with Student's t of the truncated degrees of freedom for a result that is a scaled and
    shifted t (JCGM 101:2008, 6.4.9.7).
    """
    dof = truncated(result.dof)
    below = student.cdf((lower - result.value) / result.u, dof) if math.isfinite(lower) else 0.0
    above = student.sf((upper - result.value) / result.u, dof) if math.isfinite(upper) else 0.0
    return float(1.0 - below - above)


def verdict(
    decision: Mapping[str, Any],
    result: Propagated,
    limits: tuple[float, float],
    probability: float,
    *,
    simulated: bool = False,
) -> str:
    """`pass`, `fail` or `undecided`; where the probability is simulated no guard band stands for it (DEVELOPERS.md)."""
    (lower, upper), y = limits, result.value
    shown, rule = float(decision.get("conformance", CONFORMANCE)), decision.get("rule", "guarded")
    if rule == "simple":  # JCGM 106:2012, 8.2; the limits belong to the interval: 3.3.5 note 1, 3.3.9 note 1
        return "pass" if lower - FLOATS_LEAVE_UM <= y <= upper + FLOATS_LEAVE_UM else "fail"
    if rule == "probability" or (simulated and "guard" not in decision):
        # JCGM 106:2012, 3.3.7 and 7.1: conformity, or nonconformity, has at least this probability
        return "pass" if probability >= shown else "fail" if 1.0 - probability >= shown else "undecided"
    if "guard" in decision:  # JCGM 106:2012, 8.3.2: g = r·U
        guard, reached = decision["guard"] * result.expanded, True
    else:
        # JCGM 106:2012, 8.3.3 example 2: one-sided Student's t. Between two limits that are near each other both tails
        # count, and the probability of 7.4 must be reached as well.
        guard, reached = float(student.ppf(shown, truncated(result.dof))) * result.u, probability >= shown
    if lower + guard <= y <= upper - guard and reached:
        return "pass"
    return "fail" if y <= lower - guard or y >= upper + guard else "undecided"
