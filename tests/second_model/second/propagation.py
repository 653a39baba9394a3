"""From inputs and a function to u, ν, k and U."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import t as student

from second.estimates import Part
from second.jets import Jet, variables
from second.length import Measurand


@dataclass(frozen=True)
class Propagated:
    """A value with its uncertainty: y [um], u [um], ν (not truncated), k and U = k·u [um]."""

    value: float
    u: float
    dof: float
    k: float
    expanded: float


def at_estimates(inputs: Mapping[str, tuple[Part, ...]]) -> dict[str, float]:
    """Each input at its estimate: the sum of its parts."""
    return {name: sum(part.value for part in parts) for name, parts in inputs.items()}


def truncated(dof: float) -> float:
    """ν as the table of Student's t is entered: the next lower integer (JCGM 100:2008, G.4.1 note 1)."""
    # WS of inputs that all have ν = n comes to n only within rounding.
    return math.inf if math.isinf(dof) else max(1.0, float(math.floor(dof * (1.0 + 1e-12))))


def propagated(model: Measurand, *, order: int, coverage: float) -> Propagated:
    """The law of propagation of uncertainty, with its terms of second order where `order` is 2."""
    parts = [(name, part) for name, summands in model.inputs.items() for part in summands if part.standard > 0.0]
    estimates: dict[str, Any] = at_estimates(model.inputs)
    for (name, _), variable in zip(parts, variables(np.zeros(len(parts))), strict=True):
        estimates[name] = variable + estimates[name]
    value = model.function(estimates)
    if not isinstance(value, Jet):
        return Propagated(float(value), 0.0, math.inf, student.ppf(0.5 + coverage / 2.0, math.inf), 0.0)
    u = np.array([part.standard for _, part in parts])
    variance = float(((value.first * u) ** 2).sum())  # JCGM 100:2008, 5.1.2 eq. (10)
    if order == 2:
        # JCGM 100:2008, 5.1.2, note: ΣΣ [½·(∂²f/∂i∂j)² + ∂f/∂i·∂³f/∂i∂j²]·u²(i)·u²(j)
        bent = 0.5 * value.second**2 + value.first[:, None] * np.einsum("ijj->ij", value.third)
        variance += float((bent * np.outer(u**2, u**2)).sum())
    # JCGM 100:2008, G.4.1 eq. (G.2b); the terms of second order take no degrees of freedom (DEVELOPERS.md).
    denominator = sum((c * part.standard) ** 4 / part.dof for c, (_, part) in zip(value.first, parts, strict=True))
    dof = variance**2 / denominator if denominator > 0.0 else math.inf
    # JCGM 100:2008, G.3.2 and 6.2.1
    k = float(student.ppf(0.5 + coverage / 2.0, truncated(dof)))
    return Propagated(value.value, math.sqrt(variance), dof, k, k * math.sqrt(variance))
