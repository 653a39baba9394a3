"""Risks of a wrong decision: specific, for the part at hand; global, for parts of a known process."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.limit import between
from holdzero.process import ListedProcess, ProductionProcess

__all__ = ["Acceptance", "GlobalRisk", "global_risk", "specific_risk"]

Acceptance: TypeAlias = tuple[float, float]
"""Least and largest measured value that passes [um]; infinite where there is no end. The least lies above the largest
where none passes."""


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


_REACH = 9.0  # standard uncertainties from an acceptance limit; beyond it nothing is left in double precision


def global_risk(
    *,
    process: ProductionProcess,
    standard_uncertainty_um: float,
    limits_um: tuple[float | None, float | None],
    acceptance_um: Acceptance,
) -> GlobalRisk:
    """Global consumer's and producer's risk.

    The measured value of a part lies normally about its true size, with the standard uncertainty as it was found;
    what is not accepted counts as rejected, whether it fails or is undecided.

    Args:
        process: how the true sizes of the parts lie.
        standard_uncertainty_um: of a measurement [um].
        limits_um: lower and upper tolerance limit [um]; None for one that is missing.
        acceptance_um: which measured values pass [um].

    Returns:
        The risks [1].

    Source: JCGM 106:2012, 9.5.2, eq. (17) to (20), A.5; integrated by Gauss-Legendre, summed for a list of values.
    """
    lower, upper = limits_um
    least, most = -math.inf if lower is None else lower, math.inf if upper is None else upper
    near = [limit + side * _REACH * standard_uncertainty_um for limit in acceptance_um for side in (-1, 0, 1)]
    sizes, shares = process.nodes(place for place in (least, most, *near) if math.isfinite(place))
    # A size that is written down is on its limit by the tool's own comparison; of others none is.
    listed = isinstance(process, ListedProcess)
    conforms = between(sizes, lower, upper) if listed else (sizes >= least) & (sizes <= most)
    passing = shares * _chance(sizes, standard_uncertainty_um, acceptance_um)
    return GlobalRisk(
        consumers=float(passing[~conforms].sum()),
        producers=float((shares - passing)[conforms].sum()),
        accepted=float(passing.sum()),
        conforming=float(shares[conforms].sum()),
    )


def _chance(
    sizes: NDArray[np.float64], standard_uncertainty_um: float, acceptance_um: Acceptance
) -> NDArray[np.float64]:
    """Probability that a part of a true size is accepted [1]: JCGM 106:2012, 9.5.2, normal measurement."""
    from scipy.special import ndtr

    low, high = acceptance_um
    if standard_uncertainty_um == 0.0:
        return np.asarray((sizes >= low) & (sizes <= high), dtype=np.float64)
    below = ndtr((high - sizes) / standard_uncertainty_um)
    under = ndtr((low - sizes) / standard_uncertainty_um)
    return np.asarray(np.maximum(below - under, 0.0))
