"""Readings of a warm part as least squares takes them, and how far something reaches: numbers alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Floats", "Reach", "Rows"]

Floats = NDArray[np.float64]


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

    def parts(self, most: int) -> list[Rows]:
        """The same of so many runs at most each, in their order; of one run it is all."""
        runs = max([one.shape[0] for one in (self.values_um, self.weights) if one.ndim > 1], default=0)
        if runs <= most:
            return [self]

        def cut(numbers: Floats, first: int) -> Floats:
            return numbers[first : first + most] if numbers.ndim > 1 else numbers

        return [
            replace(self, values_um=cut(self.values_um, first), weights=cut(self.weights, first))
            for first in range(0, runs, most)
        ]

    @property
    def many(self) -> int:
        """Number of places."""
        return int(self.places.max()) + 1

    def shapes(self, rates: Floats) -> Floats:
        """exp(−k·t) at each reading that is warm, else 0; a row for each rate [1/s]."""
        return np.asarray(np.exp(-rates[:, None] * self.times_s) * self.warm)

    @property
    def constants(self) -> Floats:
        """A column of ones and zeros for each zero and one for each place."""
        of_zeros = self.zeros[:, None] == np.arange(int(self.zeros.max()) + 1)
        return np.hstack([of_zeros, self.of_places])

    @property
    def firsts_s(self) -> Floats:
        """When each place was read first [s]."""
        return np.array([self.times_s[self.places == place].min() for place in range(self.many)])

    def own(self, rate: float) -> Floats:
        """A fade of each place by itself, at one rate [1/s], from its first reading on; a column each."""
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
    def most(self) -> Floats:
        """The larger of both ends, in size."""
        return np.asarray(np.maximum(np.abs(self.low), np.abs(self.high)))

    @classmethod
    def joined(cls, parts: Sequence[Reach]) -> Reach:
        """Of all runs of some parts, in their order."""
        return cls(np.concatenate([one.low for one in parts]), np.concatenate([one.high for one in parts]))

    @classmethod
    def over(cls, reaches: Sequence[Reach]) -> Reach:
        """From the lowest to the highest of them; anything where none reaches anywhere."""
        low = np.min([one.low for one in reaches], axis=0)
        high = np.max([one.high for one in reaches], axis=0)
        return cls(np.asarray(low), np.asarray(high)).unknown(low > high)

    def unknown(self, where: NDArray[np.bool_]) -> Reach:
        """The same, and anything where nothing can be told."""
        return Reach(np.where(where, -np.inf, self.low), np.where(where, np.inf, self.high))
