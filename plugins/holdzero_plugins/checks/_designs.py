"""Least squares of a comparison design: who is compared with whom, and what is taken out beside it.

It knows matrices alone; nothing of a run, of places' names or of a routine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import Number

Array = NDArray[np.float64]


class DesignError(ValueError):
    """A design that does not determine what it is asked for; its text says why."""


WORST_CONDITION = 1e6  # common practice, no source: designs of ±1 lie below 100, a lost rank above 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """What least squares makes of the observations Y.

    Attributes:
        items: one row for each item, one weight for each observation [1]: the item's deviation from
            the restraint is Σ weight · Y.
        nuisance: the same for each effect that is taken out [1].
        model: matrix of the unknowns that were solved for [1].
        inverse: its pseudo-inverse [1].
        dof: observations less unknowns [1].
        condition: ratio of the largest singular value to the smallest, columns at length one [1].
    """

    items: Array
    nuisance: Array
    model: Array
    inverse: Array
    dof: int
    condition: float

    def residuals(self, observations: Array) -> Array:
        """Observations less what the model makes of them [unit of the observations], last axis."""
        unknowns = observations @ self.inverse.T
        left: Array = observations - unknowns @ self.model.T
        return left

    def scatter(self, observations: Array) -> Number:
        """Residual standard deviation of one observation [unit of the observations].

        Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3.2.1 (seen); 0 where no
        observation is left over.
        """
        if self.dof == 0:
            return 0.0
        s = np.sqrt(np.square(self.residuals(observations)).sum(axis=-1) / self.dof)
        return s if np.ndim(s) else float(s)


def solved(rows: Array, restraint: Array, nuisance: Array) -> Solution:
    """Least-squares weights of a comparison design under a restraint.

    Args:
        rows: the design [1], observations × items: +1 for the item that is read, −1 for the one
            that it is compared with.
        restraint: weight of each item in the restraint [1]; the deviations that result add up to
            zero with these weights.
        nuisance: effects that are taken out [1], observations × effects: a drift, a bias.

    Returns:
        Weights [1] and degrees of freedom [1].

    Raises:
        DesignError: the observations do not determine all items and effects.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3.2.1 (seen): the restraint is
    built in here by solving for the items within it, which gives the same as its bordered matrix.
    """
    free = _within(restraint)
    model = np.hstack([rows @ free, nuisance])
    lengths = np.sqrt(np.square(model).sum(axis=0))
    if model.shape[0] < model.shape[1] or not np.all(lengths > 0.0):
        raise DesignError(f"{model.shape[0]} observations for {model.shape[1]} unknowns: too few, or an item is alone")
    singular = np.linalg.svd(model / lengths, compute_uv=False)
    condition = float(singular[0] / singular[-1]) if singular[-1] > 0.0 else math.inf
    if condition > WORST_CONDITION:
        raise DesignError("the observations leave something open: an item that is not tied to the others, or a drift")
    inverse = np.linalg.pinv(model / lengths) / lengths[:, None]
    split = free.shape[1]
    return Solution(
        items=free @ inverse[:split],
        nuisance=inverse[split:],
        model=model,
        inverse=inverse,
        dof=model.shape[0] - model.shape[1],
        condition=condition,
    )


def _within(restraint: Array) -> Array:
    """Directions of the items that leave the restraint as it is, as columns [1]."""
    turned = np.linalg.svd(restraint[None, :])[2]
    free: Array = turned[1:].T
    return free


def half_steps(count: int) -> Array:
    """A linear drift in half steps of the order: −(n−1), −(n−3), …, n−1 [1].

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.3.1.2 (seen).

    >>> half_steps(4)
    array([-3., -1.,  1.,  3.])
    """
    return np.arange(1 - count, count, 2, dtype=float)


def f_quantile(probability: float, dof: float, of_accepted: float) -> float:
    """Quantile of the ratio of two variances, Fisher's F.

    Args:
        probability: of a ratio below the quantile [1].
        dof: degrees of freedom of the upper variance [1].
        of_accepted: of the lower one [1]; infinite where it is known.

    Returns:
        The quantile [1].

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.3 (from memory).

    >>> round(f_quantile(0.99, 8, math.inf), 2)
    2.51
    """
    from scipy.special import chdtri, fdtri

    if math.isinf(of_accepted):
        return float(chdtri(dof, 1.0 - probability) / dof)
    return float(fdtri(dof, of_accepted, probability))
