"""How the true sizes of the parts of a process are distributed: what is known of a part before it is measured.

JCGM 106:2012, 9.5, takes such a distribution for the global risks. No routine, reading or decision is known here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import ClassVar, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["GammaProcess", "ListedProcess", "NormalProcess", "ProductionProcess"]

Array: TypeAlias = NDArray[np.float64]

_REACH = 9.0  # standard deviations of a normal process; beyond it nothing is left in double precision
_REST = 1e-18  # share of a gamma process that is left out at either end
_NODES = 100  # of a Gauss-Legendre rule on each stretch


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalProcess:
    """Parts whose true sizes are normally distributed.

    Attributes:
        mean_um: of the true sizes [um].
        standard_um: their standard deviation [um], above zero.
    """

    mean_um: float
    standard_um: float
    kind: ClassVar[str] = "normal"

    def nodes(self, breaks_um: Iterable[float]) -> tuple[Array, Array]:
        """Sizes and shares that stand for all parts in a sum; see `ProductionProcess`."""
        breaks = ((size - self.mean_um) / self.standard_um for size in breaks_um)
        z, width = _gauss(_edges(-_REACH, _REACH, 1.0, breaks))
        return self.mean_um + self.standard_um * z, _normed(width * np.exp(-0.5 * z * z))

    def draw(self, generator: np.random.Generator, parts: int) -> Array:
        """True sizes of so many parts [um]."""
        return generator.normal(self.mean_um, self.standard_um, parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class GammaProcess:
    """Parts whose true sizes begin at a lowest one and have a tail upwards: form, run-out, roughness.

    Attributes:
        lowest_um: below it there is no part [um].
        mean_um: of the true sizes [um], above `lowest_um`.
        standard_um: their standard deviation [um], above zero.
    """

    lowest_um: float
    mean_um: float
    standard_um: float
    kind: ClassVar[str] = "gamma"

    @property
    def shape(self) -> float:
        """Shape parameter [1]: mean² / variance of what lies above the lowest size."""
        return ((self.mean_um - self.lowest_um) / self.standard_um) ** 2

    @property
    def scale_um(self) -> float:
        """Scale parameter [um]: variance / mean of what lies above the lowest size."""
        return self.standard_um**2 / (self.mean_um - self.lowest_um)

    def nodes(self, breaks_um: Iterable[float]) -> tuple[Array, Array]:
        """Sizes and shares that stand for all parts in a sum; see `ProductionProcess`.

        The density is t^(k−1)·e^(−t)/Γ(k), t in scale parameters. It has a pole or a kink at zero unless k is a whole
        number; in v with t = v^m there is none that a rule of so many nodes would see.
        """
        from scipy.special import gammainccinv, gammaincinv

        k = self.shape
        start = float(gammaincinv(k, _REST)) if k > _FAR_FROM_ZERO else 0.0
        breaks = ((size - self.lowest_um) / self.scale_um for size in breaks_um)
        edges = _edges(start, float(gammainccinv(k, _REST)), max(1.0, math.sqrt(k)), breaks)
        t, width = _gauss(edges)
        # Of t/k, which keeps its digits near the mean however large k is.
        log_t, log_width = np.log1p((t - k) / k), np.log(width)
        if start == 0.0:
            power = max(1.0, _SMOOTH / k)
            v, step = _gauss(np.array([0.0, 1.0]))
            log_t[: v.size] = math.log(edges[1] / k) + power * np.log(v)
            log_width[: v.size] = np.log(step * power * k) + log_t[: v.size] - np.log(v)
            t[: v.size] = k * np.exp(log_t[: v.size])
        return self.lowest_um + self.scale_um * t, _normed(np.exp((k - 1.0) * log_t - (t - k) + log_width))

    def draw(self, generator: np.random.Generator, parts: int) -> Array:
        """True sizes of so many parts [um]."""
        return self.lowest_um + generator.gamma(self.shape, self.scale_um, parts)


_FAR_FROM_ZERO = 25.0  # shape beyond which zero lies five standard deviations or more below the mean
_SMOOTH = 5.0  # degree with which the density of a gamma process begins, after a change of variable


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedProcess:
    """Parts as they were measured or counted: each size with its share, and no others.

    Attributes:
        values_um: true sizes [um].
        counts: how often each came [1], zero or more; they need not be whole numbers.
    """

    values_um: tuple[float, ...]
    counts: tuple[float, ...]
    kind: ClassVar[str] = "values"

    @property
    def mean_um(self) -> float:
        """Mean of the parts [um]."""
        sizes, shares = self.nodes(())
        return float((shares * sizes).sum())

    @property
    def standard_um(self) -> float:
        """Standard deviation of the parts, of which the list holds all [um]."""
        sizes, shares = self.nodes(())
        return math.sqrt(float((shares * (sizes - self.mean_um) ** 2).sum()))

    def nodes(self, breaks_um: Iterable[float]) -> tuple[Array, Array]:
        """The sizes and their shares; see `ProductionProcess`."""
        del breaks_um
        return np.array(self.values_um), _normed(np.array(self.counts, dtype=np.float64))

    def draw(self, generator: np.random.Generator, parts: int) -> Array:
        """True sizes of so many parts [um]."""
        sizes, shares = self.nodes(())
        return generator.choice(sizes, parts, p=shares)


ProductionProcess: TypeAlias = NormalProcess | GammaProcess | ListedProcess
"""Each has a `kind` in a word, `mean_um`, `standard_um`, draws of parts, and
`nodes(breaks_um)`: sizes x [um] and shares p [1] such that Σ p·f(x) is the mean of f over all parts, for
any f that is smooth between the breaks; no node of a continuous process lies on a break. Source of the mean over a
process: JCGM 106:2012, 9.5.2, eq. (17) to (20); by Gauss-Legendre."""


def _normed(weights: Array) -> Array:
    """Shares: what is cut off at the ends, and what logarithms of large numbers lose, goes to all alike."""
    shares: Array = weights / weights.sum()
    return shares


def _edges(low: float, high: float, step: float, breaks: Iterable[float]) -> Array:
    """Ends of stretches from low to high, none longer than a step, with an end at each break in between."""
    cuts = [low, *sorted({cut for cut in breaks if low < cut < high}), high]
    pieces = [np.linspace(start, end, math.ceil((end - start) / step) + 1)[:-1] for start, end in pairwise(cuts)]
    return np.concatenate([*pieces, [high]])


def _gauss(edges: Array) -> tuple[Array, Array]:
    """Nodes of all stretches in a row, and their weights."""
    nodes, weights = _rule()
    half = 0.5 * np.diff(edges)[:, None]
    middle = 0.5 * (edges[:-1] + edges[1:])[:, None]
    return (middle + half * nodes).ravel(), (half * weights).ravel()


@cache
def _rule() -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights, cached."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return nodes, weights
