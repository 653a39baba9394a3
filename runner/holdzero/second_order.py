"""Derivatives of the terms beyond the slope: how good first order is, and what second order adds.

All points of a term are evaluated in one call, in steps of one standard uncertainty of each input.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdzero.model import Term, inputs_of

__all__ = ["SecondOrder", "second_order"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOrder:
    """What the terms of second order amount to.

    Attributes:
        standard_uncertainty_um: combined standard uncertainty with them [um].
        bias_um: by how much the mean of the value lies off its value at the estimates [um].
        pairs: the largest of them: names of both inputs, and the root of the contribution [um].
    """

    standard_uncertainty_um: float
    bias_um: float
    pairs: tuple[tuple[str, str, float], ...]


def second_order(terms: Sequence[Term]) -> SecondOrder:
    """Combined standard uncertainty with the terms of second order.

    The derivatives are differences over one and two standard uncertainties to either side; they
    are exact for terms up to fourth degree in each input.

    Args:
        terms: summands of the value [um each].

    Returns:
        Standard uncertainty and bias [um].

    Raises:
        ModelError: inputs clash.

    Source: JCGM 100:2008, 5.1.2 note; the bias from the same expansion, F.2.4.4 note 2.
    """
    names = [name for name, item in inputs_of(terms).items() if item.estimate.standard_uncertainty]
    index = {name: place for place, name in enumerate(names)}
    size = len(names)
    slopes, hessian, thirds = np.zeros(size), np.zeros((size, size)), np.zeros((size, size))
    for term in terms:
        own = [item.name for item in term.inputs if item.name in index]
        if own:
            places = [index[name] for name in own]
            slope, second, third = _derivatives(term, own)
            slopes[places] += slope
            hessian[np.ix_(places, places)] += second
            thirds[np.ix_(places, places)] += third
    # GUM 5.1.2 note, in units of each input's standard uncertainty
    added = 0.5 * hessian**2 + slopes[:, None] * thirds
    variance = float((slopes**2).sum() + added.sum())
    return SecondOrder(
        standard_uncertainty_um=max(variance, 0.0) ** 0.5,
        bias_um=float(0.5 * np.trace(hessian)),
        pairs=_largest(names, added),
    )


def _largest(names: Sequence[str], added: Array, most: int = 3) -> tuple[tuple[str, str, float], ...]:
    both = added + added.T - np.diag(np.diag(added))
    rows = [
        (names[i], names[j], float(both[i, j]) ** 0.5)
        for i in range(len(names))
        for j in range(i, len(names))
        if both[i, j] > 0.0
    ]
    return tuple(sorted(rows, key=lambda row: -row[2])[:most])


def _derivatives(term: Term, own: Sequence[str]) -> tuple[Array, Array, Array]:
    """Slopes, second derivatives and ∂³/∂i∂j² of a term, each input in its standard uncertainties."""
    size = len(own)
    points = _points(size)
    values = _values(term, own, points)
    at: dict[tuple[int, ...], float] = {
        tuple(point): value for point, value in zip(points.tolist(), values.tolist(), strict=True)
    }

    def f(*moves: tuple[int, int]) -> float:
        point = [0] * size
        for place, steps in moves:
            point[place] += steps
        return at[tuple(point)]

    centre = f()
    slope = np.array([(8 * (f((i, 1)) - f((i, -1))) - (f((i, 2)) - f((i, -2)))) / 12 for i in range(size)])
    second, third = np.zeros((size, size)), np.zeros((size, size))
    for i in range(size):
        second[i, i] = (16 * (f((i, 1)) + f((i, -1))) - (f((i, 2)) + f((i, -2))) - 30 * centre) / 12
        third[i, i] = (f((i, 2)) - 2 * f((i, 1)) + 2 * f((i, -1)) - f((i, -2))) / 2
        for j in range(size):
            if i != j:
                corners = [[f((i, a), (j, b)) for b in (1, -1)] for a in (1, -1)]
                second[i, j] = (corners[0][0] - corners[0][1] - corners[1][0] + corners[1][1]) / 4
                ahead = corners[0][0] - 2 * f((i, 1)) + corners[0][1]
                behind = corners[1][0] - 2 * f((i, -1)) + corners[1][1]
                third[i, j] = (ahead - behind) / 2
    return slope, second, third


def _points(size: int) -> NDArray[np.int64]:
    rows = [np.zeros(size, dtype=np.int64)]
    unit = np.eye(size, dtype=np.int64)
    for i in range(size):
        rows.extend(steps * unit[i] for steps in (-2, -1, 1, 2))
        rows.extend(a * unit[i] + b * unit[j] for j in range(i) for a in (-1, 1) for b in (-1, 1))
    return np.array(rows)


def _values(term: Term, own: Sequence[str], points: NDArray[np.int64]) -> Array:
    columns = {name: points[:, place] for place, name in enumerate(own)}
    arguments = []
    for item in term.inputs:
        estimate = item.estimate
        steps = columns.get(item.name)
        value, u = float(estimate.value), float(estimate.standard_uncertainty)
        arguments.append(value + u * steps if steps is not None else value)
    return np.broadcast_to(np.asarray(term.function(*arguments), dtype=float), (len(points),))
