"""Derivatives of the terms beyond the slope: how good first order is, and what second order adds.

All points of a term are evaluated in one call, in steps of a part of each standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from holdzero.model import STEP, Term, inputs_of

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

    The derivatives are central differences over one and two steps of an eighth of a standard
    uncertainty; slopes are exact up to fourth degree, the others up to third. What they leave is
    of the order of a 64th of the next term of the expansion.

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
    points, stencils = _stencils(size)
    numbers = stencils @ _values(term, own, points)
    square = size * size
    second = numbers[size : size + square].reshape(size, size) / STEP**2
    third = numbers[size + square :].reshape(size, size) / STEP**3
    return numbers[:size] / STEP, second, third


Move = tuple[int, int]


@cache
def _stencils(size: int) -> tuple[NDArray[np.int64], Array]:
    """Points around the estimates, and the rows that make derivatives of the values there.

    Central differences of five points along an input (exact up to fourth degree), of the corners
    across two inputs.
    """
    points = [(0,) * size]
    points += [_point(size, (i, steps)) for i in range(size) for steps in (-2, -1, 1, 2)]
    points += [_point(size, (i, a), (j, b)) for i in range(size) for j in range(i) for a in (-1, 1) for b in (-1, 1)]
    place = {point: index for index, point in enumerate(points)}

    def row(*parts: tuple[float, tuple[Move, ...]]) -> Array:
        weights = np.zeros(len(points))
        for weight, moves in parts:
            weights[place[_point(size, *moves)]] += weight
        return weights

    rows = [_along(i, row, (8 / 12, -1 / 12)) for i in range(size)]
    for i in range(size):
        rows.extend(_across_twice(i, j, row) for j in range(size))
    for i in range(size):
        rows.extend(_across_thrice(i, j, row) for j in range(size))
    return np.array(points, dtype=np.int64).reshape(len(points), size), np.array(rows)


def _point(size: int, *moves: Move) -> tuple[int, ...]:
    point = [0] * size
    for place, steps in moves:
        point[place] += steps
    return tuple(point)


Row = Callable[..., Array]


def _along(i: int, row: Row, weights: tuple[float, float]) -> Array:
    one, two = weights
    return row((one, ((i, 1),)), (-one, ((i, -1),)), (two, ((i, 2),)), (-two, ((i, -2),)))


def _across_twice(i: int, j: int, row: Row) -> Array:
    """∂²/∂i∂j."""
    if i == j:
        outer = [(-1 / 12, ((i, 2),)), (-1 / 12, ((i, -2),))]
        return row((-30 / 12, ()), (16 / 12, ((i, 1),)), (16 / 12, ((i, -1),)), *outer)
    return row(*((a * b / 4, ((i, a), (j, b))) for a in (-1, 1) for b in (-1, 1)))


def _across_thrice(i: int, j: int, row: Row) -> Array:
    """∂³/∂i∂j²."""
    if i == j:
        return _along(i, row, (-1.0, 0.5))
    corners = [(a / 2, ((i, a), (j, b))) for a in (-1, 1) for b in (-1, 1)]
    return row(*corners, (-1.0, ((i, 1),)), (1.0, ((i, -1),)))


def _values(term: Term, own: Sequence[str], points: NDArray[np.int64]) -> Array:
    columns = {name: points[:, place] for place, name in enumerate(own)}
    arguments = []
    for item in term.inputs:
        estimate = item.estimate
        steps = columns.get(item.name)
        value, u = float(estimate.value), float(estimate.standard_uncertainty)
        arguments.append(value + u * STEP * steps if steps is not None else value)
    return np.broadcast_to(np.asarray(term.function(*arguments), dtype=float), (len(points),))
