"""Functions with their derivatives up to the third, exactly: truncated Taylor polynomials of several variables.

The note to JCGM 100:2008, 5.1.2 needs second and third derivatives. Here they follow from the rules of
differentiation, sum by sum and product by product; nothing is differenced.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Jet:
    """A function of n variables at one point.

    Attributes:
        value: f.
        first: ∂f/∂i, shape (n,).
        second: ∂²f/∂i∂j, shape (n, n).
        third: ∂³f/∂i∂j∂k, shape (n, n, n).
    """

    value: float
    first: Floats
    second: Floats
    third: Floats

    def __add__(self, other: Jet | float) -> Jet:
        if not isinstance(other, Jet):
            return Jet(self.value + other, self.first, self.second, self.third)
        return Jet(
            self.value + other.value, self.first + other.first, self.second + other.second, self.third + other.third
        )

    __radd__ = __add__

    def __neg__(self) -> Jet:
        return self * -1.0

    def __sub__(self, other: Jet | float) -> Jet:
        return self + (-other)

    def __rsub__(self, other: float) -> Jet:
        return -self + other

    def __mul__(self, other: Jet | float) -> Jet:
        if not isinstance(other, Jet):
            return Jet(self.value * other, self.first * other, self.second * other, self.third * other)
        mixed = np.multiply.outer(self.first, other.first)
        # Leibniz' rule: each of three differentiations goes to the one factor or to the other.
        bent = _one_of_three(self.second, other.first) + _one_of_three(other.second, self.first)
        return Jet(
            self.value * other.value,
            self.first * other.value + self.value * other.first,
            self.second * other.value + mixed + mixed.T + self.value * other.second,
            self.third * other.value + bent + self.value * other.third,
        )

    __rmul__ = __mul__

    def __truediv__(self, other: Jet | float) -> Jet:
        if not isinstance(other, Jet):
            return self * (1.0 / other)
        return self * other.reciprocal()

    def reciprocal(self) -> Jet:
        """1/f: with h = f/f₀ − 1 it is (1 − h + h² − h³)/f₀, whose further terms have no derivative up to the third."""
        h = self * (1.0 / self.value) + -1.0
        square = h * h
        return (1.0 - h + square - square * h) * (1.0 / self.value)


def _one_of_three(second: Floats, first: Floats) -> Floats:
    """Two differentiations to the one factor and one to the other, in each of the three ways."""
    product = np.multiply.outer(second, first)
    return product + product.transpose(0, 2, 1) + product.transpose(2, 1, 0)


def variables(point: Floats) -> list[Jet]:
    """The variables themselves, at a point."""
    n = len(point)
    none: Any = np.zeros((n, n)), np.zeros((n, n, n))
    return [Jet(float(value), row, *none) for value, row in zip(point, np.eye(n), strict=True)]
