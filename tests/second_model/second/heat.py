"""How much heat may be in a value, once more and by force: many rates, every pair of them, least squares with bounds.

Written from what the check for heat says that it does, not from how. A reading is a constant of its zero, a constant of
its place, the heat of the whole part there, and a fade of its place by itself:

    y = zero + place + a·exp(−k·t) + b·exp(−l·t) + c[place]·exp(−m·(t − t_first[place]))

with a and b of one sign, or the one no more than 0.4 of the other where they are opposed. So (a, b) = ±(p·(1, −0.4) +
q·(−0.4, 1)) with p, q >= 0, and what is least while the heat in the value is held is a problem of least squares with
bounds. How far that heat may go while the sum of squares stays within a limit, a bisection finds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]

OPPOSED = 0.4
HELD = 1e4
"""How heavy the row counts that holds the heat in the value, of a reading's."""


@dataclass(frozen=True)
class Readings:
    """What was read, a row each.

    Attributes:
        times_s: when [s].
        values_um: what the dial showed [um].
        zeros: which zero each is counted from.
        places: which place each is of; −1 for a reading of a zero, which has no heat.
        weights: how much each counts in the value [1].
        step_um: of the dial [um].
    """

    times_s: Floats
    values_um: Floats
    zeros: NDArray[np.int64]
    places: NDArray[np.int64]
    weights: Floats
    step_um: float

    @property
    def of_places(self) -> Floats:
        """A column for each place."""
        return np.array(self.places[:, None] == np.arange(self.places.max() + 1), dtype=float)

    @property
    def constants(self) -> Floats:
        """A column for each zero and for each place."""
        return np.hstack([self.zeros[:, None] == np.arange(self.zeros.max() + 1), self.of_places])


@dataclass(frozen=True)
class Rates:
    """Of the whole part, in order; and of the fades of places, empty where one place is read [1/s]."""

    whole: Floats
    own: Floats

    @classmethod
    def between(cls, slowest_s: float, fastest_s: float, even_s: float, *, whole: int, own: int) -> Rates:
        """So many between bounds: of the whole part as given, of places up to four times as fast."""
        return cls(1.0 / np.geomspace(slowest_s, fastest_s, whole), 1.0 / np.geomspace(even_s, even_s / 4.0, own))


@dataclass(frozen=True)
class Answer:
    """The heat in the value [um], what is left of the readings at best [um²], and the limit on it [um²]."""

    low_um: float
    high_um: float
    least: float
    limit: float


class Course:
    """All courses with one rate of the places' own fades, for every pair of rates of the whole part.

    Without that rate, places have no fade of their own. Constants and own fades are taken out once, and of each pair
    three numbers are left to fit: in these it is exact.
    """

    def __init__(self, readings: Readings, whole: Floats, own: float | None) -> None:
        read = readings.places >= 0
        free = readings.constants
        held = np.zeros(free.shape[1])
        if own is not None:
            since = readings.times_s[:, None] - np.array(
                [readings.times_s[readings.places == place].min() for place in range(readings.places.max() + 1)]
            )
            fades = np.where(readings.of_places > 0.0, np.exp(-own * np.maximum(since, 0.0)), 0.0)
            free, held = np.hstack([free, fades]), np.hstack([held, readings.weights @ fades])
        shapes = np.exp(-np.outer(readings.times_s, whole)) * read[:, None]
        one, other = (index.ravel() for index in np.triu_indices(whole.size, 1))
        pairs = np.stack([shapes[:, one] - OPPOSED * shapes[:, other], shapes[:, other] - OPPOSED * shapes[:, one]])
        self._free = _Problem(free, pairs, readings.values_um, np.zeros_like(readings.values_um))
        below = np.zeros(readings.values_um.size + 1)
        below[-1] = HELD
        self._held = _Problem(
            np.vstack([free, HELD * held]),
            np.concatenate([pairs, HELD * (readings.weights @ pairs)[:, None]], axis=1),
            np.append(readings.values_um, 0.0),
            below,
        )
        # With both factors above zero, or both below it: each for itself has no gap. The search begins at its best fit.
        self._best = {sign: self._free.best(0.0, sign) for sign in (1.0, -1.0)}
        design = np.linalg.lstsq(free, np.column_stack([readings.values_um, *pairs]), rcond=1e-10)[0]
        data, of_pairs = held @ design[:, 0], np.stack(np.split(held @ design[:, 1:], 2))
        along = readings.weights @ pairs - of_pairs
        self._middle = {sign: data + np.einsum("sp,sp->p", best.factors, along) for sign, best in self._best.items()}

    @property
    def least(self) -> float:
        """The smallest sum of squares of all pairs [um²]."""
        return min(float(best.squares.min()) for best in self._best.values())

    def farthest(self, limit: float, side: float, far_um: float) -> float:
        """The most heat to one side [um]; minus infinity times the side where no course is within the limit."""
        return side * max(side * self._of_sign(limit, side, far_um, sign) for sign in self._best)

    def _of_sign(self, limit: float, side: float, far_um: float, sign: float) -> float:
        possible, middle = self._best[sign].squares <= limit, self._middle[sign]
        if not possible.any():
            return -side * math.inf
        inside, outside = np.zeros(middle.size), np.full(middle.size, far_um)
        for _ in range(50):
            tried = (inside + outside) / 2.0
            within = self._held.best(middle + side * tried, sign).squares <= limit
            inside, outside = np.where(within, tried, inside), np.where(within, outside, tried)
        return float(side * np.max(side * (middle + side * inside)[possible]))


@dataclass(frozen=True)
class Best:
    """The smallest sums of squares of each pair [um²], and the factors (p, q) that they have [um]."""

    squares: Floats
    factors: Floats


class _Problem:
    """min ‖y + h·z − free·x − p·u − q·v‖² with p, q >= 0, or both <= 0, for many (u, v) at once."""

    def __init__(self, free: Floats, pairs: Floats, values: Floats, more: Floats) -> None:
        left, sizes, _ = np.linalg.svd(free / np.linalg.norm(free, axis=0).clip(1e-300), full_matrices=False)
        basis = left[:, sizes > 1e-10 * sizes[0]]

        def beyond(of: Floats) -> Floats:
            once = of - basis @ (basis.T @ of)
            return np.asarray(once - basis @ (basis.T @ once))

        y, z = beyond(values), beyond(more)
        columns = np.stack([beyond(pairs[0]), beyond(pairs[1])]).transpose(2, 1, 0)
        data = np.broadcast_to(np.column_stack([y, z]), (columns.shape[0], y.size, 2))
        triangle: Floats = np.asarray(np.linalg.qr(np.concatenate([columns, data], axis=2), mode="r"))
        self.a, self.b, self.c = triangle[:, 0, 0], triangle[:, 0, 1], triangle[:, 1, 1]
        self.y, self.z = triangle[:, :, 2], triangle[:, :, 3]
        self.tiny = 1e-9 * np.maximum(np.linalg.norm(pairs[0]), 1.0)

    def best(self, held: Floats | float, sign: float) -> Best:
        """With h held: both factors, one of them or none, whichever has the sign and is least."""
        data = self.y + np.broadcast_to(held, self.a.shape)[:, None] * self.z
        first, second = data[:, 0], data[:, 1]
        rest = np.square(data[:, 2:]).sum(axis=1)
        squares, factors = np.square(first) + np.square(second) + rest, np.zeros((2, self.a.size))
        a, c = (np.where(np.abs(one) > self.tiny, one, np.inf) for one in (self.a, self.c))
        width = np.hypot(self.b, self.c)
        width = np.where(width > self.tiny, width, np.inf)
        q = second / c
        nothing = np.zeros_like(q)
        alone = (self.b * first + self.c * second) / width**2
        for one, other in (
            ((first - self.b * q) / a, q),
            (first / a, nothing),
            (nothing, alone),
        ):
            found = np.square(first - self.a * one - self.b * other) + np.square(second - self.c * other) + rest
            better = (sign * one >= 0.0) & (sign * other >= 0.0) & (found < squares)
            squares = np.where(better, found, squares)
            factors = np.where(better, np.stack([one, other]), factors)
        return Best(squares, factors)


def heat_in_value(readings: Readings, rates: Rates) -> Answer:
    """The interval of 95 % of the heat in the value, over all courses.

    The limit is the least sum of squares and (t·s + r·√n)², with Student's t at 0.975, the scatter s about the best
    course, never below a step over √12, and r, the most by which rounding shows wrong.
    """
    places = readings.places.max() + 1
    own = list(rates.own) if places > 1 else [None]
    courses = [Course(readings, rates.whole, rate) for rate in own]
    least = min(course.least for course in courses)
    # Constants, a fade of each place and its rate, and of the whole part an amplitude and a rate.
    taken = np.linalg.matrix_rank(readings.constants) + (places + 1 if places > 1 else 0) + 2
    dof = readings.times_s.size - float(taken)
    if dof <= 0.0:
        return Answer(-math.inf, math.inf, least, math.inf)
    scatter = max(math.sqrt(least / dof), readings.step_um / math.sqrt(12.0))
    shown = float(stdtrit(dof, 0.975)) * scatter + _rounding_um(scatter, readings.step_um) * math.sqrt(
        readings.times_s.size
    )
    limit = least + shown**2
    far_um = 1e6 * max(scatter, readings.step_um)
    low, high = (side * max(side * course.farthest(limit, side, far_um) for course in courses) for side in (-1.0, 1.0))
    return Answer(low, high, least, limit)


def _rounding_um(scatter_um: float, step_um: float) -> float:
    """−q/π·ln(1 − exp(−2π²s²/q²)) with s² less q²/12, at most q/2 (Widrow and Kollár, from memory)."""
    if not step_um:
        return 0.0
    before = max((scatter_um / step_um) ** 2 - 1.0 / 12.0, 0.0)
    share = math.exp(-2.0 * math.pi**2 * before)
    return step_um / 2.0 if share >= 1.0 else min(step_um / 2.0, -step_um / math.pi * math.log1p(-share))
