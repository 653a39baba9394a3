"""What comes of parts of every size: the operating characteristic of a routine, and its risks over a process."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import reduce
from operator import add

import numpy as np
from numpy.typing import NDArray

from holdzero.errors import HoldzeroError
from holdzero.limit import between
from holdzero.process import ProductionProcess
from holdzero.rehearse.many import Rehearsal, Tally, rehearsed
from holdzero.result import Evaluation, Result
from holdzero.routine.schema import Measure

__all__ = [
    "Curve",
    "Point",
    "Process",
    "Shares",
    "band_of",
    "process_of",
    "true_sizes_um",
    "u_holds",
]

_FAR = 13
_STEEP = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0])  # standard uncertainties from a limit
_BEYOND_U = 2.0


def band_of(count: int, runs: int, confidence: float = 0.95) -> tuple[float, float]:
    """Limits of a probability of which so many of so many were seen.

    Args:
        count: how often it happened.
        runs: of how many.
        confidence: of the limits [1].

    Source: Clopper and Pearson, Biometrika 26 (1934) 404; by quantiles of the beta distribution.

    >>> [round(limit, 4) for limit in band_of(0, 10)]
    [0.0, 0.3085]
    """
    from scipy.special import betaincinv

    rest = 0.5 * (1.0 - confidence)
    low = 0.0 if count == 0 else float(betaincinv(count, runs - count + 1, rest))
    high = 1.0 if count == runs else float(betaincinv(count + 1, runs - count, 1.0 - rest))
    return low, high


def u_holds(covered: int, runs: int, probability: float) -> bool:
    """Whether U holds: nothing shows that the truth lies within it more seldom than U says.

    Args:
        covered: in how many runs the truth lay within U.
        runs: of how many.
        probability: that U stands for [1].
    """
    return band_of(covered, runs)[1] >= probability


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Parts of one true size [um], and what came of them."""

    true_um: float
    tally: Tally


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """What comes of parts [1]; None where there are no such parts.

    Attributes:
        good_not_passed: share of the conforming ones that do not pass.
        bad_passed: share of those beyond the limits that pass.
        undecided: share of all that are neither passed nor failed.
    """

    good_not_passed: float | None
    bad_passed: float | None
    undecided: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """The operating characteristic of a routine for one characteristic.

    Attributes:
        points: by true size, smallest first.
        total: all of them together.
    """

    points: tuple[Point, ...]

    @property
    def total(self) -> Tally:
        """All runs together."""
        return reduce(add, (point.tally for point in self.points), Tally())

    def evenly(self, lower_um: float | None, upper_um: float | None) -> Shares:
        """What comes of parts that lie evenly over all true sizes from the first point to the last.

        Args:
            lower_um: lower limit of the characteristic [um]; None for none.
            upper_um: upper limit [um]; None for none.

        Returns:
            Shares by the trapezoidal rule: however near the points lie together, they count no more for it.
        """
        sizes = np.array([point.true_um for point in self.points])
        middles, widths = 0.5 * (sizes[1:] + sizes[:-1]), np.diff(sizes)
        good = np.broadcast_to(between(middles, lower_um, upper_um), middles.shape)

        def mean(share: Callable[[Tally], float], among: NDArray[np.bool_]) -> float | None:
            shares = np.array([share(point.tally) for point in self.points])
            width = float(widths[among].sum())
            between = 0.5 * (shares[1:] + shares[:-1])
            return float((between * widths)[among].sum()) / width if width else None

        return Shares(
            good_not_passed=mean(lambda tally: 1.0 - tally.passed / tally.runs, good),
            bad_passed=mean(lambda tally: tally.passed / tally.runs, ~good),
            undecided=mean(lambda tally: tally.undecided / tally.runs, np.full(widths.shape, fill_value=True)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """What comes of the parts that a process makes.

    Attributes:
        sizes: how their true sizes lie.
        tally: what came of them.
    """

    sizes: ProductionProcess
    tally: Tally

    def __add__(self, other: Process) -> Process:
        """This lot of parts and another of the same process."""
        return replace(self, tally=self.tally + other.tally)

    @property
    def consumer_risk(self) -> float:
        """Share of all parts that are bad and pass [1] (JCGM 106:2012, 9.5.2)."""
        return self.tally.bad_passed / self.tally.runs

    @property
    def producer_risk(self) -> float:
        """Share of all parts that are good and do not pass [1] (JCGM 106:2012, 9.5.2)."""
        return self.tally.good_not_passed / self.tally.runs


def true_sizes_um(ideal: Evaluation, of: str, bias_um: float = 0.0, least_um: float = 0.0) -> tuple[float, ...]:
    """True sizes across the limits and beyond them [um].

    Args:
        ideal: evaluation with ideal readings, best with such as scatter: verdicts turn within its uncertainty.
        of: name of the characteristic.
        bias_um: by how much values lie above the truth on average: by that much below its limits verdicts turn [um].

        least_um: of a variation: smaller ones there are none, as its places lie [um].

    Raises:
        HoldzeroError: the characteristic has no limits.
    """
    result = _result(ideal, of)
    lower, upper = result.spec.lower, result.spec.upper
    u = float(result.propagated.standard_uncertainty_um) if result.propagated is not None else 0.0
    if lower is None and upper is None:
        raise HoldzeroError(f"{of} has no limits: nothing is decided of it")
    if result.spec.measure is Measure.VARIATION and lower is None:
        lower = 0.0
    apart = upper - lower if lower is not None and upper is not None else 6.0 * u or 1.0
    beyond = max(_BEYOND_U * 2.0 * u, 0.25 * apart)
    least = (lower if lower is not None else (upper or 0.0) - apart) - max(bias_um, 0.0)
    most = (upper if upper is not None else least + apart) - min(bias_um, 0.0)
    far = np.linspace(least - beyond, most + beyond, _FAR)
    # Where it turns from one verdict to the other the curve is steep.
    limits = [limit for limit in (lower, upper) if limit is not None]
    near = [limit - bias_um + side * u * _STEEP for limit in limits for side in (-1.0, 1.0)]
    step = _round_step(0.25 * u) if u else _round_step(apart / 100.0)
    sizes = np.unique(np.rint(np.concatenate([far, limits, *near]) / step)) * step
    if result.spec.measure is not Measure.VARIATION:
        return tuple(float(size) for size in sizes)
    return (*((least_um,) if least_um else ()), *(float(size) for size in sizes if size >= least_um))


def _round_step(most: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is no more than that."""
    power = 10.0 ** math.floor(math.log10(most))
    return next(power * factor for factor in (5.0, 2.0, 1.0) if power * factor <= most * (1.0 + 1e-9))


def process_of(
    what: Rehearsal, sizes: ProductionProcess, runs: int, lot: int = 0, *, ideal: Evaluation | None = None
) -> Process:
    """What comes of parts of a process.

    Args:
        what: is rehearsed.
        sizes: how their true sizes lie.
        runs: how many parts.
        lot: which lot of parts of the process it is; each has draws of its own.
        ideal: its evaluation with ideal readings, where it is known already.
    """
    generator = np.random.default_rng([what.seed, _PARTS, lot])
    tally = rehearsed(what, ideal or what.ideal(), sizes.draw(generator, runs), runs, (_PARTS, lot + 1))
    return Process(sizes=sizes, tally=tally)


_PARTS = 1_000_003  # draws of parts are no draws of a point


def _result(ideal: Evaluation, of: str) -> Result:
    found: Mapping[str, Result] = {result.name: result for result in ideal.results}
    if of not in found:
        raise HoldzeroError(f"there is no characteristic {of!r}; there are: {', '.join(found)}")
    return found[of]
