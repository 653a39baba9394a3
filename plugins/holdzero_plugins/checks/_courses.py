"""All courses that readings of a warm part can have at given time constants, by least squares; and how far they reach.

At fixed rates everything is linear, so that what is farthest is known in one step. Numbers alone; a leading axis of
the values is the runs of a rehearsal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "NOTHING",
    "OWN_FASTER",
    "OWN_RATES",
    "RATES",
    "Courses",
    "Fits",
    "Floats",
    "Reach",
    "Rows",
    "Space",
    "every_course",
    "fits_of",
    "space_of",
    "widest",
]

Floats = NDArray[np.float64]

RATES = 24
OWN_RATES, OWN_FASTER = 4, 4.0
"""How many rates are tried, of the whole part and of differences within it; and these are so much faster at most."""
OPPOSED = 0.4
"""A second fade of the other sign is at most so much of the first.

A hand warms the stand too, which lifts the comparator, so that it shows less: 0.1 K in a steel column of 200 mm makes
0.23 µm, 0.4 of the 0.55 µm that a block has after a minute in the fingers (worked out; common practice, no source).
"""
NOTHING = 1e-10
"""Shapes that differ by less than this share of themselves are one: what is left is rounding."""
_APART = 1e-6


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings as the fit takes them, one row each: of the part, and of the zeros that they are counted from.

    Attributes:
        times_s: when [s], last axis; the first at zero.
        values_um: what the dial showed [um]; last axis the rows.
        zeros: which zero each row is counted from, or is a reading of, from 0.
        places: which place it is of, from 0; −1 for a reading of a zero.
        weights: how much it counts in the measured value [1]; last axis the rows.
        warm: whether the heat of the part is in it; of a zero that is read on the part, it is.
        step_um: of the dial [um].
    """

    times_s: Floats
    values_um: Floats
    zeros: NDArray[np.int64]
    places: NDArray[np.int64]
    weights: Floats
    warm: NDArray[np.bool_]
    step_um: float

    @property
    def many(self) -> int:
        """Number of places."""
        return int(self.places.max()) + 1

    def shapes(self, rates: Floats) -> Floats:
        """exp(−k·t) at each row that is warm, a row for each rate."""
        return np.asarray(np.exp(-rates[:, None] * self.times_s) * self.warm)

    def constants(self) -> Floats:
        """A column for each zero and one for each place."""
        of_zeros = self.zeros[:, None] == np.arange(int(self.zeros.max()) + 1)
        return np.hstack([of_zeros, self.of_places])

    @property
    def firsts_s(self) -> Floats:
        """When each place was read first [s]."""
        return np.array([self.times_s[self.places == place].min() for place in range(self.many)])

    def own(self, rate: float) -> Floats:
        """A fade of each place by itself, from its first reading on; a column each."""
        since = np.maximum(self.times_s[:, None] - self.firsts_s, 0.0)
        return np.asarray(np.exp(-rate * since) * self.of_places)

    @property
    def of_places(self) -> Floats:
        """A column of ones and zeros for each place."""
        return np.asarray(self.places[:, None] == np.arange(self.many), dtype=np.float64)

    @property
    def sums(self) -> Floats:
        """How much each place counts in the measured value [1]; last axis the places."""
        return np.asarray(self.weights @ self.of_places)


@dataclass(frozen=True, slots=True)
class Reach:
    """From where to where something may lie, with 95 % confidence [um]; an entry for each run."""

    low: Floats
    high: Floats

    @property
    def middle(self) -> Floats:
        """Halfway between."""
        return np.asarray((self.low + self.high) / 2.0)

    @property
    def half(self) -> Floats:
        """Half of the width."""
        return np.asarray((self.high - self.low) / 2.0)

    @property
    def most(self) -> Floats:
        """The larger of both ends, in size."""
        return np.asarray(np.maximum(np.abs(self.low), np.abs(self.high)))

    def unknown(self, where: NDArray[np.bool_]) -> Reach:
        """The same, and anything where nothing can be told."""
        return Reach(np.where(where, -np.inf, self.low), np.where(where, np.inf, self.high))

    def within(self, bound: Floats | float) -> Reach:
        """No farther to either side than a bound [um]."""
        return Reach(np.asarray(np.clip(self.low, -bound, bound)), np.asarray(np.clip(self.high, -bound, bound)))


@dataclass(frozen=True, slots=True)
class Space:
    """What constants, and fades of places of their own, take up of the readings."""

    basis: Floats
    inverse: Floats
    first_own: int

    def beyond(self, rows: Floats) -> Floats:
        """What is left of rows."""
        return np.asarray(rows - (rows @ self.basis) @ self.basis.T)

    def factors(self, rows: Floats) -> Floats:
        """Least-squares factors of the own fades in rows."""
        return np.asarray(rows @ self.inverse.T)[..., self.first_own :]

    @property
    def covariance(self) -> Floats:
        """Of the own fades' factors, in squares of the scatter."""
        own = self.inverse[self.first_own :]
        return np.asarray(own @ own.T)


def space_of(rows: Rows, rate: float | None, more: Floats | None = None) -> Space:
    constants = rows.constants() if more is None else np.hstack([rows.constants(), more])
    columns = constants if rate is None else np.hstack([constants, rows.own(rate)])
    left, sizes, right = np.linalg.svd(columns, full_matrices=False)
    kept = sizes > NOTHING * sizes[0]
    inverse = (right[kept].T / sizes[kept]) @ left[:, kept].T
    return Space(left[:, kept], inverse, constants.shape[1])


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A weighted sum of heat: its factor for each common shape, and for each own fade; an entry for each run."""

    of_shapes: Floats
    of_own: Floats


@dataclass(frozen=True, slots=True)
class Fits:
    """Least squares at each common rate, for one rate of the own fades; last axis the rates.

    Attributes:
        space: of constants and own fades.
        shapes: common shapes, less what the space takes up.
        products: of each with itself.
        onto: of each with the readings.
        own: factors of the own fades without a common one.
        rss: residual sum of squares without a common fade.
    """

    space: Space
    raw: Floats
    shapes: Floats
    products: Floats
    onto: Floats
    own: Floats
    rss: Floats

    @property
    def resolved(self) -> NDArray[np.bool_]:
        """Which shapes have something of their own."""
        return np.asarray(self.products > NOTHING * self.raw.shape[1])

    @property
    def amplitudes(self) -> Floats:
        """Best factor of each shape alone."""
        return np.asarray(np.where(self.resolved, self.onto / np.where(self.resolved, self.products, 1.0), 0.0))

    @property
    def squares(self) -> Floats:
        """Residual sum of squares with each shape alone."""
        return np.asarray(np.maximum(self.rss[..., None] - self.amplitudes * self.onto, 0.0))

    def wanted(self, wanted: _Wanted) -> tuple[Floats, Floats, Floats]:
        """Of a weighted sum: its value without a common fade, the square of that, and how it goes with each shape."""
        value = (wanted.of_own * self.own).sum(axis=-1)
        square = np.einsum("...i,ij,...j->...", wanted.of_own, self.space.covariance, wanted.of_own)
        along = wanted.of_shapes - wanted.of_own @ self.space.factors(self.raw).T
        return np.asarray(value), np.asarray(square), np.asarray(along)


def fits_of(rows: Rows, shapes: Floats, rate: float | None) -> Fits:
    """Source: least squares in two steps, the projected part first (Frisch and Waugh 1933; from memory)."""
    space = space_of(rows, rate)
    left, beyond = space.beyond(rows.values_um), space.beyond(shapes)
    return Fits(
        space=space,
        raw=shapes,
        shapes=beyond,
        products=np.square(beyond).sum(axis=-1),
        onto=left @ beyond.T,
        own=space.factors(rows.values_um),
        rss=np.asarray(np.square(left).sum(axis=-1)),
    )


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Two common fades at once: what reaches farthest mostly has the slowest in it, or the fastest.

    Not so where places have fades of their own, which may take up the slowest one wholly: so the next one with each
    faster one as well, and every other rate with every other.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]

    @classmethod
    def of(cls, many: int) -> _Pairs:
        first, second = np.triu_indices(many, 1)
        kept = (first <= 1) | (second == many - 1) | ((first % 2 == 0) & (second % 2 == 0))
        return cls(first[kept], second[kept])

    def opposed(self, shapes: Floats) -> Floats:
        """Shapes in which one fade takes away as much of the other as it may at most."""
        first, second = shapes[self.first], shapes[self.second]
        return np.vstack([first - OPPOSED * second, second - OPPOSED * first])


@dataclass(frozen=True, slots=True)
class _Both:
    """Least squares with pairs of shapes: amplitudes, residual sum of squares, and the inverse of the products."""

    amplitudes: tuple[Floats, Floats]
    squares: Floats
    inverse: tuple[Floats, Floats, Floats]


def _both(fits: Fits, pairs: _Pairs) -> _Both:
    one, other = fits.shapes[pairs.first], fits.shapes[pairs.second]
    mixed = (one * other).sum(axis=-1)
    first, second = fits.products[pairs.first], fits.products[pairs.second]
    whole = first * second - np.square(mixed)
    known = (whole > _APART * first * second) & fits.resolved[pairs.first] & fits.resolved[pairs.second]
    whole = np.where(known, whole, 1.0)
    inverse = (second / whole, first / whole, -mixed / whole)
    onto, onto_other = fits.onto[..., pairs.first], fits.onto[..., pairs.second]
    amplitudes = (inverse[0] * onto + inverse[2] * onto_other, inverse[2] * onto + inverse[1] * onto_other)
    squares = fits.rss[..., None] - amplitudes[0] * onto - amplitudes[1] * onto_other
    return _Both(amplitudes, np.where(known, np.maximum(squares, 0.0), np.inf), inverse)


def _allowed(one: Floats, other: Floats) -> NDArray[np.bool_]:
    """Whether two amplitudes have one sign, or one takes away no more of the other than it may."""
    up = (one >= -OPPOSED * other) & (other >= -OPPOSED * one)
    down = (one <= -OPPOSED * other) & (other <= -OPPOSED * one)
    return np.asarray(up | down)


@dataclass(frozen=True, slots=True)
class Courses:
    """All courses with one rate of the own fades: one common fade, or a pair."""

    fits: Fits
    both: _Both
    pairs: _Pairs
    wanted: tuple[_Wanted, ...]

    @property
    def least(self) -> Floats:
        """The smallest residual sum of squares of an allowed course."""
        alone = np.where(self.fits.resolved, self.fits.squares, np.inf).min(axis=-1)
        pairs = np.where(_allowed(*self.both.amplitudes), self.both.squares, np.inf).min(axis=-1)
        return np.asarray(np.minimum(np.minimum(alone, pairs), self.fits.rss))

    def reach(self, wanted: _Wanted, limit: Floats) -> Reach:
        """How far a weighted sum of heat may lie while the sum of squares stays below a limit.

        At fixed rates the farthest is known in one step. Where its amplitudes are not allowed, it lies on the border
        of what is, and that is a shape alone.

        Source: profile likelihood; Bates and Watts, Nonlinear Regression Analysis (1988), 6.1 (from memory).
        """
        value, square, along = self.fits.wanted(wanted)
        alone, pairs = self._alone(value, square, along, limit), self._of_pairs(value, square, along, limit)
        return Reach(np.minimum(alone.low, pairs.low), np.maximum(alone.high, pairs.high))

    def _alone(self, value: Floats, square: Floats, along: Floats, limit: Floats) -> Reach:
        fits = self.fits
        free = limit[..., None] - fits.squares
        good = (free >= 0.0) & fits.resolved
        squares = square[..., None] + np.square(along) / np.where(fits.resolved, fits.products, 1.0)
        spread = np.sqrt(np.where(good, free, 0.0) * squares)
        middle = value[..., None] + fits.amplitudes * along
        low, high = np.where(good, middle - spread, np.inf), np.where(good, middle + spread, -np.inf)
        return Reach(low.min(axis=-1), high.max(axis=-1))

    def _of_pairs(self, value: Floats, square: Floats, along: Floats, limit: Floats) -> Reach:
        both, one, other = self.both, along[..., self.pairs.first], along[..., self.pairs.second]
        turn = both.inverse[0] * one + both.inverse[2] * other
        other_turn = both.inverse[2] * one + both.inverse[1] * other
        good = both.squares <= limit[..., None]
        free = np.where(good, limit[..., None] - np.where(good, both.squares, 0.0), 0.0)
        squares = np.maximum(square[..., None] + one * turn + other * other_turn, NOTHING**2)
        middle = value[..., None] + both.amplitudes[0] * one + both.amplitudes[1] * other
        spread, scale = np.sqrt(free * squares), np.sqrt(free / squares)
        ends = []
        for side in (-1.0, 1.0):
            there = _allowed(both.amplitudes[0] + side * scale * turn, both.amplitudes[1] + side * scale * other_turn)
            ends.append(np.where(good & there, middle + side * spread, -side * np.inf))
        return Reach(ends[0].min(axis=-1), ends[1].max(axis=-1))


def every_course(rows: Rows, rates: Floats, even_s: float) -> list[Courses]:
    """All courses at the common rates, for each rate of the places' own fades.

    Args:
        rows: the readings.
        rates: common, the slowest first [1/s].
        even_s: in which differences within the part even out, at most [s].
    """
    pairs, alone, last = _Pairs.of(rates.size), rows.shapes(rates), np.exp(-rates * rows.times_s.max())[:, None]
    shapes, ends = np.vstack([alone, pairs.opposed(alone)]), np.vstack([last, pairs.opposed(last)])[:, 0]
    even = 1.0 / np.geomspace(even_s, even_s / OWN_FASTER, OWN_RATES)
    own: list[float | None] = list(even) if rows.many > 1 else [None]
    return [_courses(rows, shapes, ends, pairs, rate) for rate in own]


def _courses(rows: Rows, shapes: Floats, ends: Floats, pairs: _Pairs, rate: float | None) -> Courses:
    fits = fits_of(rows, shapes, rate)
    sums = rows.sums
    own = rows.own(rate) if rate is not None else np.zeros((rows.times_s.size, 0))
    last = np.exp(-rate * (rows.times_s.max() - rows.firsts_s)) if rate is not None else np.zeros(0)
    wanted = (
        _Wanted(rows.weights @ shapes.T, rows.weights @ own),
        _Wanted(sums.sum(axis=-1)[..., None] * ends, sums * last if rate is not None else sums[..., :0]),
    )
    return Courses(fits, _both(fits, pairs), pairs, wanted)


def widest(courses: list[Courses], which: int, limit: Floats) -> Reach:
    """How far a weighted sum of heat reaches over all courses; anything where no course can be told from a constant."""
    if not np.all(np.isfinite(limit)):
        return Reach(-limit, limit)
    reaches = [one.reach(one.wanted[which], limit) for one in courses]
    low, high = np.min([one.low for one in reaches], axis=0), np.max([one.high for one in reaches], axis=0)
    return Reach(low, high).unknown(low > high)
