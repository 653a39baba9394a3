"""All courses that readings of a warm part can have at given time constants, by least squares; and how far they reach.

At fixed rates everything is linear, so that what is farthest is known in one step. Numbers alone; a leading axis of
the values is the runs of a rehearsal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdzero_plugins.checks._warm_rows import Floats, Reach, Rows

__all__ = [
    "NOTHING",
    "OWN_FASTER",
    "OWN_RATES",
    "RATES",
    "Courses",
    "Fits",
    "Space",
    "every_course",
    "fits_of",
    "space_of",
    "widest",
]

RATES = 24
"""So many rates of the whole part are tried.

With 40 and every pair of them, an interval is wider by less than 3 % in nine cases of ten (computed, and tried).
"""
OWN_RATES, OWN_FASTER = 4, 4.0
"""So many rates of differences within the part, from that of its slowest to so much faster."""
OPPOSED = 0.4
"""A second fade of the other sign is at most so much of the first.

A hand warms the stand too, which lifts the comparator, so that it shows less: 0.1 K in a steel column of 200 mm makes
0.23 µm, 0.4 of the 0.55 µm that a block has after a minute in the fingers (worked out; common practice, no source).
"""
NOTHING = 1e-10
"""Shapes that differ by less than this share of themselves are one: what is left is rounding."""
_APART = 1e-6
"""Two shapes are a pair where so much of the square of one is not in the other; else each alone says the same."""
_TINY = 1e-40
"""Added to a variance that may be nought, so that nothing is divided by it [1]."""


@dataclass(frozen=True, slots=True)
class Space:
    """What constants, and fades of places of their own, take up of the readings.

    Attributes:
        basis: orthonormal columns that span them; a row a reading.
        inverse: pseudo-inverse of the columns: a row a column, a column a reading.
        first_own: index of the first column that is a fade of a place.
    """

    basis: Floats
    inverse: Floats
    first_own: int

    def beyond(self, courses: Floats) -> Floats:
        """What is left of courses; their last axis the readings."""
        return np.asarray(courses - (courses @ self.basis) @ self.basis.T)

    def factors(self, courses: Floats) -> Floats:
        """Least-squares factors of the own fades in courses; last axis the places."""
        return np.asarray(courses @ self.inverse.T)[..., self.first_own :]

    @property
    def covariance(self) -> Floats:
        """Of the own fades' factors, in squares of the scatter."""
        own = self.inverse[self.first_own :]
        return np.asarray(own @ own.T)


def space_of(rows: Rows, rate: float | None, more: Floats | None = None) -> Space:
    """The space of some readings.

    Args:
        rows: the readings.
        rate: of the places' own fades [1/s]; None where they have none.
        more: other columns that it takes up; a row a reading.
    """
    constants = rows.constants if more is None else np.hstack([rows.constants, more])
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

    Each common shape, less what the space takes up, is brought to a length of one. Then what it explains is its
    product with the readings, squared.

    Attributes:
        space: of constants and own fades.
        raw: common shapes, a row each.
        units: of a length of one; zero where nothing is left.
        lengths: what they were before; one where nothing is left.
        onto: product of each with the readings [um]; last axis the shapes.
        own: factors of the own fades without a common one [um].
        rss: residual sum of squares without a common fade [um²].
    """

    space: Space
    raw: Floats
    units: Floats
    lengths: Floats
    onto: Floats
    own: Floats
    rss: Floats

    @property
    def resolved(self) -> NDArray[np.bool_]:
        """Which shapes have something of their own."""
        return np.asarray(self.units.any(axis=-1))

    @property
    def amplitudes(self) -> Floats:
        """Best factor of each shape alone [um]."""
        return np.asarray(self.onto / self.lengths)

    @property
    def squares(self) -> Floats:
        """Residual sum of squares with each shape alone [um²]."""
        return np.asarray(np.maximum(self.rss[..., None] - np.square(self.onto), 0.0))

    def wanted(self, wanted: _Wanted) -> _Along:
        """How a weighted sum goes with all that is fitted."""
        along = wanted.of_shapes - wanted.of_own @ self.space.factors(self.raw).T
        return _Along(
            np.asarray((wanted.of_own * self.own).sum(axis=-1)),
            np.asarray(np.einsum("...i,ij,...j->...", wanted.of_own, self.space.covariance, wanted.of_own)),
            np.asarray(np.where(self.resolved, along / self.lengths, 0.0)),
        )


@dataclass(frozen=True, slots=True)
class _Along:
    """A weighted sum of heat: without a common fade [um], its variance there, and its slope with each unit shape.

    The variance is in squares of the scatter.
    """

    value: Floats
    variance: Floats
    slopes: Floats


def fits_of(rows: Rows, shapes: Floats, rate: float | None) -> Fits:
    """Source: least squares in two steps, the projected part first (Frisch and Waugh 1933; from memory)."""
    space = space_of(rows, rate)
    left, beyond = space.beyond(rows.values_um), space.beyond(shapes)
    products = np.square(beyond).sum(axis=-1)
    resolved = products > NOTHING * shapes.shape[1]
    lengths = np.sqrt(np.where(resolved, products, 1.0))
    units = np.where(resolved[:, None], beyond / lengths[:, None], 0.0)
    return Fits(
        space=space,
        raw=shapes,
        units=units,
        lengths=lengths,
        onto=left @ units.T,
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
    """Least squares with pairs of shapes that can be told apart; last axis the pairs.

    The second unit shape is taken less what it has of the first, and brought to a length of one again.

    Attributes:
        pairs: indices of both.
        mixed: product of both unit shapes [1].
        apart: what is left of the second before it is brought to its length [1].
        onto: product of the first, and of what is left of the second, with the readings [um].
        signs: factors of these two for (a + 0.4·b), and for (b + 0.4·a), with the amplitudes a and b.
    """

    pairs: _Pairs
    mixed: Floats
    apart: Floats
    onto: tuple[Floats, Floats]
    signs: tuple[tuple[Floats, Floats], tuple[Floats, Floats]]

    def second(self, of_shapes: Floats) -> Floats:
        """What each shape has, for what is left of the second."""
        return np.asarray(
            (of_shapes[..., self.pairs.second] - self.mixed * of_shapes[..., self.pairs.first]) / self.apart
        )

    def signed(self, one: Floats, other: Floats) -> tuple[Floats, Floats]:
        """(a + 0.4·b) and (b + 0.4·a) of two factors.

        Both have one sign where the amplitudes have, and where one takes away no more of the other than it may.
        """
        (up, up_other), (down, down_other) = self.signs
        return np.asarray(up * one + up_other * other), np.asarray(down * one + down_other * other)


def _both(fits: Fits, pairs: _Pairs) -> _Both:
    mixed = np.einsum("ij,ij->i", fits.units[pairs.first], fits.units[pairs.second])
    resolved = fits.resolved[pairs.first] & fits.resolved[pairs.second]
    told = resolved & (1.0 - np.square(mixed) > _APART)
    pairs, mixed = _Pairs(pairs.first[told], pairs.second[told]), mixed[told]
    apart = np.sqrt(1.0 - np.square(mixed))
    of_one, of_other = 1.0 / fits.lengths[pairs.first], 1.0 / fits.lengths[pairs.second]
    # The amplitudes are a = (one − mixed/apart·other)/length and b = other/(apart·length).
    mixing, other = -mixed / apart * of_one, of_other / apart
    signs = ((of_one, mixing + OPPOSED * other), (OPPOSED * of_one, other + OPPOSED * mixing))
    one_onto = fits.onto[..., pairs.first]
    onto = (one_onto, np.asarray((fits.onto[..., pairs.second] - mixed * one_onto) / apart))
    return _Both(pairs, mixed, apart, onto, signs)


@dataclass(frozen=True, slots=True)
class Courses:
    """All courses with one rate of the own fades: one common fade, or a pair."""

    fits: Fits
    both: _Both
    wanted: tuple[_Wanted, _Wanted]
    """Heat in the value, and in what would be read at the time of the last reading."""

    @property
    def least(self) -> Floats:
        """The smallest residual sum of squares of an allowed course [um²]."""
        one, other = self.both.onto
        first, second = self.both.signed(one, other)
        of_pairs = np.where(first * second >= 0.0, np.square(one) + np.square(other), 0.0)
        explained = np.maximum(np.square(self.fits.onto).max(axis=-1), of_pairs.max(axis=-1, initial=0.0))
        return np.asarray(np.maximum(self.fits.rss - explained, 0.0))

    def reaches(self, limit: Floats) -> tuple[Reach, Reach]:
        """How far each weighted sum of heat may lie while the sum of squares stays below a limit [um²].

        At fixed rates the farthest is known in one step. Where its amplitudes are not allowed, it lies on the border
        of what is, and that is a shape alone.

        Source: profile likelihood; Bates and Watts, Nonlinear Regression Analysis (1988), 6.1 (from memory).
        """
        free = np.asarray(limit - self.fits.rss)[..., None]
        along = [self.fits.wanted(wanted) for wanted in self.wanted]
        in_value, left = (
            Reach(one.value + np.minimum(alone.low, pairs.low), one.value + np.maximum(alone.high, pairs.high))
            for one, alone, pairs in zip(along, self._alone(along, free), self._of_pairs(along, free), strict=True)
        )
        return in_value, left

    def _alone(self, along: list[_Along], free: Floats) -> list[Reach]:
        onto, resolved = self.fits.onto[..., self.fits.resolved], self.fits.resolved
        root = _root(np.square(onto) + free)
        found = []
        for one in along:
            slopes = one.slopes[..., resolved]
            middle, spread = onto * slopes, root * np.sqrt(one.variance[..., None] + np.square(slopes) + _TINY)
            found.append(_ends(middle - spread, middle + spread))
        return found

    def _of_pairs(self, along: list[_Along], free: Floats) -> list[Reach]:
        one, other = self.both.onto
        root = _root(np.square(one) + np.square(other) + free)
        signed = self.both.signed(one, other)
        found = []
        for wanted in along:
            slope, slope_other = wanted.slopes[..., self.both.pairs.first], self.both.second(wanted.slopes)
            size = np.sqrt(wanted.variance[..., None] + np.square(slope) + np.square(slope_other) + _TINY)
            middle, spread, scale = one * slope + other * slope_other, root * size, np.maximum(root, 0.0) / size
            turns = [scale * turn for turn in self.both.signed(slope, slope_other)]
            below = (signed[0] - turns[0]) * (signed[1] - turns[1]) >= 0.0
            above = (signed[0] + turns[0]) * (signed[1] + turns[1]) >= 0.0
            low, high = np.where(below, middle - spread, np.inf), np.where(above, middle + spread, -np.inf)
            found.append(_ends(low, high))
        return found


def _root(free: Floats) -> Floats:
    """√ of what is free below the limit; minus infinity where nothing is, so that it reaches nowhere."""
    return np.where(free < 0.0, -np.inf, np.sqrt(np.maximum(free, 0.0)))


def _ends(low: Floats, high: Floats) -> Reach:
    return Reach(low.min(axis=-1, initial=np.inf), high.max(axis=-1, initial=-np.inf))


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
    return Courses(fits, _both(fits, pairs), wanted)


def widest(courses: Sequence[Courses], limit: Floats) -> tuple[Reach, Reach]:
    """How far heat reaches over all courses while the sum of squares stays below a limit [um²].

    Returns:
        Of the value, and of what would be read at the time of the last reading; anything where the limit is infinite
        or where no course can be told from a constant.
    """
    if not np.all(np.isfinite(limit)):
        return Reach(-limit, limit), Reach(-limit, limit)
    in_value, left = zip(*(one.reaches(limit) for one in courses), strict=True)
    return Reach.over(in_value), Reach.over(left)
