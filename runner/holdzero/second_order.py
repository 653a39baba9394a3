"""The terms of second order of the law of propagation: what pairs of inputs add to the uncertainty.

Every pair becomes a row of the budget beside the inputs' own rows, so that the rows still add up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from holdzero.estimate import Estimate
from holdzero.model import STEP, Contribution, Input, Number, Propagated, Term, combined, inputs_of

__all__ = ["bias_um", "with_second_order"]

Array = NDArray[np.float64]


def with_second_order(terms: Sequence[Term], first: Propagated) -> Propagated:
    """The same value with the terms of second order in its uncertainty.

    A pair of inputs is the product of their deviations from their estimates: an input of its own, about zero, with
    the product of both standard uncertainties and infinite degrees of freedom. Its contribution is the root of what
    the pair adds to the variance; a pair that takes something away (a third derivative against the slope) has a
    negative one, whose square counts negative.

    Args:
        terms: summands of the value [um each].
        first: what first order makes of them.

    Returns:
        Value [um], combined standard uncertainty [um], effective degrees of freedom [1], budget with pairs.

    Raises:
        ModelError: inputs clash.

    Source: JCGM 100:2008, 5.1.2 note; G.4.1 eq. (G.2b), where a pair adds nothing to the sum.
    """
    inputs, found = inputs_of(terms), _derivatives(terms)
    slopes = {row.input.name: row.sensitivity * row.input.estimate.standard_uncertainty for row in first.contributions}
    tops = {name: _most(slope) for name, slope in slopes.items()}
    least = _NOISE * float(np.min(first.standard_uncertainty_um)) ** 2
    added: dict[Pair, Number] = {}
    for (one, other), curve in found.second.items():
        if _at_most(tops, found, (one, other)) < least:
            continue  # before arrays of many runs are worked out for it
        if one == other:
            added[one, other] = 0.5 * curve**2 + slopes[one] * found.third[one, one]
        else:
            # JCGM 100:2008, 5.1.2 note: the sum goes over both orders of a pair
            added[one, other] = (
                curve**2 + slopes[one] * found.third[one, other] + slopes[other] * found.third[other, one]
            )
    whole = first.standard_uncertainty_um**2 + sum((np.abs(number) for number in added.values()), start=0.0)
    rows = [
        _row(inputs[one], inputs[other], found.second[one, other], number)
        for (one, other), number in added.items()
        if np.any(np.abs(number) > _NOISE * whole)
    ]
    return combined(first, rows)


def _most(number: Number) -> float:
    """Largest size over all runs."""
    return float(np.max(np.abs(number)))


def _at_most(tops: Mapping[str, float], found: _Derivatives, pair: Pair) -> float:
    """More than a pair can add to the variance in any run [um²]."""
    one, other = pair
    thirds = tops[one] * _most(found.third[one, other]) + tops[other] * _most(found.third[other, one])
    return _most(found.second[pair]) ** 2 + thirds


# What differences over an eighth of a standard uncertainty leave where there is nothing, in parts of a variance.
_NOISE = 1e-10


def bias_um(terms: Sequence[Term]) -> Number:
    """By how much the mean of the value lies off its value at the estimates [um].

    Source: JCGM 100:2008, F.2.4.4 note 2, from the expansion of 5.1.2 note.
    """
    curves = _derivatives(terms).second.items()
    return 0.5 * sum((curve for (one, other), curve in curves if one == other), start=0.0)


def _row(one: Input, other: Input, curve: Number, added: Number) -> Contribution:
    """The row of a pair: its sensitivity has the sign of the second derivative."""
    both = one.estimate.standard_uncertainty * other.estimate.standard_uncertainty
    same = one is other
    units = [_OF_A_DEVIATION.get(item.unit, item.unit) for item in (one, other)]
    product = Input(
        name=f"{one.name}, squared" if same else f"{one.name} × {other.name}",
        estimate=Estimate.of(0.0, both),
        unit=_PRODUCTS.get(frozenset(units), "·".join(units)),
        evaluation="A" if one.evaluation == other.evaluation == "A" else "B",
        why="second order: deviation of the one times deviation of the other (JCGM 100, 5.1.2 note)",
    )
    size = np.abs(added) ** 0.5
    contribution = np.copysign(size, added)
    sensitivity = np.sign(curve) * size / np.where(both, both, 1.0)
    return Contribution(
        input=product,
        of=(one.name,) if same else (one.name, other.name),
        sensitivity=sensitivity if np.ndim(sensitivity) else float(sensitivity),
        contribution_um=contribution if np.ndim(contribution) else float(contribution),
    )


_OF_A_DEVIATION = {"degC": "K"}
_PRODUCTS = {frozenset({"K", "1/K"}): "1"}


# --- derivatives, each input in its standard uncertainties ----------------------------------------

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Derivatives:
    """∂²/∂i∂j of a pair (each pair once), and ∂³/∂i∂j² of a pair in either order."""

    second: dict[Pair, Number]
    third: dict[Pair, Number]


def _derivatives(terms: Sequence[Term]) -> _Derivatives:
    """Of the sum of the terms; a pair that no term holds together has none.

    Central differences over one and two steps of an eighth of a standard uncertainty, exact up to third degree; what
    they leave is of the order of a 64th of the next term of the expansion.
    """
    second: dict[Pair, Number] = {}
    third: dict[Pair, Number] = {}
    place = {name: number for number, name in enumerate(inputs_of(terms))}
    for term in terms:
        own = sorted(
            {item.name for item in term.inputs if np.any(item.estimate.standard_uncertainty)}, key=place.__getitem__
        )
        if not own:
            continue
        points, rows = _stencils(len(own))
        numbers = _values(term, own, points)
        for (degree, i, j), row in rows.items():
            total = second if degree == 2 else third  # noqa: PLR2004  of two kinds
            pair = own[i], own[j]
            total[pair] = total.get(pair, 0.0) + sum((weight * numbers[at] for at, weight in row), start=0.0)
    return _Derivatives(second, third)


Move = tuple[int, int]
Row = tuple[tuple[int, float], ...]


@cache
def _stencils(size: int) -> tuple[NDArray[np.int64], dict[tuple[int, int, int], Row]]:
    """Points around the estimates in steps, and what makes derivatives of the values there.

    Five points along an input, the corners across two inputs. A row has the number of a point and its weight; its key
    is 2 and the two inputs of ∂²/∂i∂j, or 3 and those of ∂³/∂i∂j².
    """
    points = [(0,) * size]
    points += [_point(size, (i, steps)) for i in range(size) for steps in (-2, -1, 1, 2)]
    points += [_point(size, (i, a), (j, b)) for i in range(size) for j in range(i) for a in (-1, 1) for b in (-1, 1)]
    place = {point: index for index, point in enumerate(points)}
    rows: dict[tuple[int, int, int], Row] = {}

    def row(scale: float, *parts: tuple[float, tuple[Move, ...]]) -> Row:
        return tuple((place[_point(size, *moves)], weight / scale) for weight, moves in parts)

    corners = [(a, b) for a in (-1, 1) for b in (-1, 1)]
    for i in range(size):
        along = {steps: ((i, steps),) for steps in (-2, -1, 1, 2)}
        rows[2, i, i] = row(12 * STEP**2, (-30, ()), (16, along[1]), (16, along[-1]), (-1, along[2]), (-1, along[-2]))
        rows[3, i, i] = row(2 * STEP**3, (1, along[2]), (-1, along[-2]), (-2, along[1]), (2, along[-1]))
        for j in range(size):
            if i < j:
                rows[2, i, j] = row(4 * STEP**2, *((a * b, ((i, a), (j, b))) for a, b in corners))
            if i != j:
                middle = ((-2, along[1]), (2, along[-1]))
                rows[3, i, j] = row(2 * STEP**3, *((a, ((i, a), (j, b))) for a, b in corners), *middle)
    return np.array(points, dtype=np.int64).reshape(len(points), size), rows


def _point(size: int, *moves: Move) -> tuple[int, ...]:
    point = [0] * size
    for place, steps in moves:
        point[place] += steps
    return tuple(point)


def _values(term: Term, own: Sequence[str], points: NDArray[np.int64]) -> Sequence[Number]:
    """Values of a term at the points: all in one call for a single run, else point by point."""
    estimates = [(_value(term, item), item.estimate.standard_uncertainty) for item in term.inputs]
    columns = [own.index(item.name) if item.name in own else None for item in term.inputs]
    single = not any(np.ndim(value) or np.ndim(u) for value, u in estimates)
    if single and not np.ndim(_at(term, estimates, [None] * len(columns))):
        steps = [None if column is None else points[:, column] for column in columns]
        return list(np.broadcast_to(np.asarray(_at(term, estimates, steps), dtype=float), len(points)))
    return [_at(term, estimates, [None if column is None else point[column] for column in columns]) for point in points]


def _value(term: Term, item: Input) -> Number:
    """Where derivatives are taken: an array in each of many points would cost more than it tells."""
    value = item.estimate.value
    return float(np.mean(value)) if item.name == term.linear_in else value


def _at(
    term: Term, estimates: Sequence[tuple[Number, Number]], steps: Sequence[Number | NDArray[np.int64] | None]
) -> Number:
    moved = zip(estimates, steps, strict=True)
    return term.function(*(value if step is None else value + u * STEP * step for (value, u), step in moved))
