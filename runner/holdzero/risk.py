"""Risks of a wrong decision: specific, for the part at hand; global, for parts of a known process."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["GlobalRisk", "global_risk", "specific_risk"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """Risks over all parts of a process (JCGM 106:2012, clause 9).

    Attributes:
        consumers: probability that a part is accepted and does not conform [1].
        producers: probability that a part is rejected and conforms [1].
        accepted: probability that a part is accepted [1].
        conforming: probability that a part conforms, before it is measured [1].
    """

    consumers: float
    producers: float
    accepted: float
    conforming: float


@cache
def _rule() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes and weights of the integration: dear to make, and always the same."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return nodes, weights


def specific_risk(conformance_probability: float, *, accepted: bool) -> float:
    """Risk that the decision on this part is wrong.

    Args:
        conformance_probability: of its measured value [1].
        accepted: whether it was accepted.

    Returns:
        Specific consumer's risk if it was accepted, specific producer's risk if not [1].

    Source: JCGM 106:2012, 9.3.2.
    """
    return 1.0 - conformance_probability if accepted else conformance_probability


_REACH = 9.0  # standard deviations of the process; beyond it nothing is left in double precision
_NODES = 200  # of a Gauss-Legendre rule on each stretch between limits


def global_risk(
    *,
    process_mean_um: float,
    process_standard_um: float,
    standard_uncertainty_um: float,
    limits_um: tuple[float | None, float | None],
    acceptance_um: tuple[float | None, float | None],
) -> GlobalRisk:
    """Global consumer's and producer's risk for a normal process and a normal measurement.

    Args:
        process_mean_um: mean of the parts [um].
        process_standard_um: their standard deviation [um], above zero.
        standard_uncertainty_um: of a measurement [um], above zero.
        limits_um: lower and upper tolerance limit [um]; None for one that is missing.
        acceptance_um: lower and upper acceptance limit [um]; None for one that is missing.

    Returns:
        The risks [1].

    Source: JCGM 106:2012, 9.5.2, eq. (17) to (20), A.5; integrated by Gauss-Legendre.
    """
    from scipy.special import ndtr

    def standard(limit: float | None, missing: float) -> float:
        z = missing if limit is None else (limit - process_mean_um) / process_standard_um
        return float(np.clip(z, -_REACH, _REACH))

    low, high = standard(limits_um[0], -_REACH), standard(limits_um[1], _REACH)
    nodes, weights = _rule()

    def integral(start: float, end: float) -> tuple[float, float]:
        """Probability of a part in this stretch, and of one that is also accepted."""
        # Stretches of one standard deviation at most, and as fine as the measurement is sharp.
        pieces = max(1, int(np.ceil((end - start) * max(1.0, process_standard_um / standard_uncertainty_um / 8.0))))
        edges = np.linspace(start, end, pieces + 1)
        half = 0.5 * np.diff(edges)[:, None]
        z = 0.5 * (edges[:-1] + edges[1:])[:, None] + half * nodes[None, :]
        density = half * weights[None, :] * np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
        true = process_mean_um + process_standard_um * z
        lower, upper = acceptance_um
        below = 1.0 if upper is None else ndtr((upper - true) / standard_uncertainty_um)
        under = 0.0 if lower is None else ndtr((lower - true) / standard_uncertainty_um)
        chance = np.maximum(below - under, 0.0)
        return float(density.sum()), float((density * chance).sum())

    inside, inside_accepted = integral(low, high)
    outside_accepted = integral(-_REACH, low)[1] + integral(high, _REACH)[1]
    return GlobalRisk(
        consumers=outside_accepted,
        producers=inside - inside_accepted,
        accepted=inside_accepted + outside_accepted,
        conforming=inside,
    )
