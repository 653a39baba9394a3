"""How far a reading may lie from its repeats: a limit from a known scatter, with the dial's steps in it.

A reading of a dial is a whole number of its steps. Three readings that scatter by less than a step show one or two
numbers, and no ratio of their distances tells a bad one from a good one; but how many steps two sound readings can lie
apart follows from the scatter that is known. A reading is held against the middle one of its repeats, of an even number
of them against the nearer of both.

Source: readings rounded to a step, JCGM 100:2008, F.2.2.1; order statistics of independent readings, from the binomial
distribution; Student-type where the scatter is an estimate: the rate is the mean over what its degrees of freedom leave
open (JCGM 101:2008, 6.4.9). How many false alarms are allowed, and from how many degrees of freedom on, is a choice of
ours.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from holdzero.model import Number

__all__ = [
    "FALSE_ALARMS",
    "LEAST_DOF",
    "LEAST_FOR_NOTE",
    "OutlierLimits",
    "distance_from_repeats",
    "false_alarm_rate",
    "outlier_limits",
]

FALSE_ALARMS = 0.01
"""In how many sound runs a reading may be called an outlier [1], all looks at all its places together."""

LEAST_DOF = 6.0
"""With fewer degrees of freedom [1] a scatter is not known well enough to call anything an outlier."""

LEAST_FOR_NOTE = 3.0
"""With fewer degrees of freedom [1] a scatter tells nothing at all."""

_FINE = 10.0  # a dial with more steps than these to the standard deviation is as good as one without steps
_SMOOTH = 2.0  # from so many steps to the standard deviation on, it is the same wherever the true value lies
_POSITIONS = 64  # of the true value between two counts
_REACH = 8.5  # standard deviations; beyond them lies less than 2e-17
_KNOWN_DOF = 1e4  # more degrees of freedom are as good as a known scatter


@dataclass(frozen=True, slots=True)
class OutlierLimits:
    """From what distance on a reading is called an outlier.

    Attributes:
        least: by the number of readings of a place, the smallest distance that is too far [unit of the step]; an array
            has one entry a run.
        rate: in how many sound runs anything is called an outlier, at most [1].
    """

    least: Mapping[int, Number]
    rate: float


def distance_from_repeats(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each reading lies from its repeats, by its sign above or below them.

    Args:
        values: readings of one place [any unit], last axis, two or more.

    Returns:
        Distance from the middle one of the others, of an even number of others from the nearer of both [same unit].

    >>> distance_from_repeats(np.array([1.5, 4.5, 2.0])).tolist()
    [0.0, 2.5, 0.0]
    """
    ordered = np.sort(values, axis=-1)
    lower, upper = (values.shape[-1] - 2) // 2, (values.shape[-1] - 1) // 2
    middle = [
        np.where(values > ordered[..., index, None], ordered[..., index, None], ordered[..., index + 1, None])
        for index in (lower, upper)
    ]
    distance: NDArray[np.float64] = values - np.clip(values, *middle)
    return distance


def outlier_limits(counts: Sequence[int], scatter: Number, dof: float, step: float, *, own: bool) -> OutlierLimits:
    """The smallest distances that are too far for a sound run.

    Args:
        counts: how often each place is read. Each of them is looked at when it is read, from its second reading on, and
            once more at the end where the scatter is the run's own and known better then; all these looks share the
            false alarms.
        scatter: standard deviation of a single reading [any unit]; an array for many runs, with `own`.
        dof: its degrees of freedom [1], at least `LEAST_FOR_NOTE`.
        step: of the dial [same unit]; 0 for none.
        own: whether the run itself gave the scatter, from readings that are rounded already. It counts as no less than
            what rounding leaves, and half a step is added; that the rate holds all the same was tried, not derived
            (`tests/benchmarks/outliers.py`).

    Raises:
        ValueError: there are too few degrees of freedom.
    """
    if dof < LEAST_FOR_NOTE:
        raise ValueError(f"{dof:g} degrees of freedom, {LEAST_FOR_NOTE:g} or more are needed")
    looks = [size for count in counts for size in range(2, count + 1)]
    if own:
        looks += [count for count in counts if count > 1]
    allowed = FALSE_ALARMS / max(1, len(looks))
    with_steps = not own and float(np.max(scatter)) < _FINE * step
    in_steps = float(scatter) / step if with_steps else _FINE
    found = {size: _least_steps(size, in_steps, dof, allowed) for size in set(looks)}
    found = _lowered(found, Counter(looks), in_steps, dof)
    rate = math.fsum(false_alarm_rate(size, found[size], in_steps, dof) for size in looks)
    if with_steps:
        return OutlierLimits(least={size: steps * step for size, steps in found.items()}, rate=rate)
    # JCGM 100:2008, F.2.2.1: the variance of what rounding takes away is step²/12. It is in what the run scatters.
    rounding = step**2 / 12.0
    s = np.sqrt(np.maximum(np.square(scatter) - rounding, rounding)) if own else scatter
    # Of two readings, each is up to half a step off; of sound ones hardly ever both, away from each other.
    least = {size: _whole((steps + 1) / _FINE * s + step / 2.0, step) for size, steps in found.items()}
    return OutlierLimits(least=least, rate=rate)


def _whole(distance: Number, step: float) -> Number:
    """A distance in whole steps, the next larger one."""
    return np.ceil(distance / step * (1.0 - _HAIR)) * step if step else distance


_HAIR = 1e-9


def _lowered(found: Mapping[int, int], looks: Mapping[int, int], scatter: float, dof: float) -> dict[int, int]:
    """What whole steps leave of the false alarms is given to those limits that need least of it to be a step lower."""
    steps = dict(found)
    while True:
        tried = []
        for size, now in steps.items():
            lower = {**steps, size: now - 1}
            if lower[size]:
                rate = math.fsum(n * false_alarm_rate(of, lower[of], scatter, dof) for of, n in looks.items())
                tried.append((rate, size))
        rate, size = min(tried, default=(1.0, 0))
        if rate > FALSE_ALARMS:
            return steps
        steps[size] -= 1


@cache
def _least_steps(count: int, scatter: float, dof: float, allowed: float) -> int:
    """The smallest number of steps that is rare enough; scatter in steps."""
    most = 1
    while false_alarm_rate(count, most, scatter, dof) > allowed:
        most *= 2
    least = most // 2  # too common
    while most - least > 1:
        middle = (least + most) // 2
        if false_alarm_rate(count, middle, scatter, dof) > allowed:
            least = middle
        else:
            most = middle
    return most


@cache
def false_alarm_rate(count: int, steps: int, scatter: float, dof: float = math.inf) -> float:
    """How often a reading of sound ones lies so many steps from its repeats.

    Args:
        count: readings of the place [1], two or more.
        steps: distance in whole steps of the dial [1], one or more.
        scatter: standard deviation of a reading before it is rounded [steps].
        dof: degrees of freedom of the scatter [1].

    Returns:
        The rate [1], wherever the true value lies between two counts: an upper bound, as the highest and the lowest
        reading are added up.
    """
    if dof > _KNOWN_DOF:
        return _rate(count, steps, scatter)
    # JCGM 101:2008, 6.4.9: what an estimate leaves open of the scatter, s · √(ν/χ²), here over the logarithm of χ²/ν.
    logs = np.linspace(-14.0 / math.sqrt(dof), 5.0 / math.sqrt(dof), 40)
    weights = np.exp(0.5 * dof * (logs - np.exp(logs) + 1.0))
    weights /= weights.sum()
    mattering = weights > 1e-9 / len(logs)
    rates = [_rate(count, steps, scatter * math.exp(-0.5 * log)) for log in logs[mattering]]
    return float(weights[mattering] @ rates)


def _rate(count: int, steps: int, scatter: float) -> float:
    """The same for a scatter that is known."""
    if steps <= scatter:
        return 1.0  # nearly; so low a limit is never taken
    positions = np.arange(_POSITIONS) / _POSITIONS if scatter < _SMOOTH else np.zeros(1)
    reach = math.ceil(_REACH * scatter) + 1
    counts = np.arange(-reach, reach + steps + 1)
    edges = counts + 0.5 - positions[:, None]
    below = _normal(edges / max(scatter, _HAIR))
    middle = (count + 1) // 2  # of all readings, the one that the highest is held against
    up_to, farther = below[:, : len(counts) - steps + 1], below[:, steps - 1 :]
    before = np.concatenate([np.zeros((len(positions), 1)), up_to[:, :-1]], axis=1)
    # Order statistics: the middle one shows this count, and none is so many steps higher.
    near = _at_least(middle, count, up_to, farther) - _at_least(middle, count, before, farther)
    far = np.maximum(0.0, 1.0 - near.sum(axis=1))
    if count == 2:  # noqa: PLR2004  of two the highest and the lowest are as far from each other
        return float(far.max())
    return min(1.0, float((far + np.roll(far[::-1], 1)).max()))


def _at_least(middle: int, count: int, below: NDArray[np.float64], farther: NDArray[np.float64]) -> NDArray[np.float64]:
    """How often so many readings or more are up to one count, and all of them up to a higher one."""
    chances = [
        math.comb(count, few) * below**few * (farther - below) ** (count - few) for few in range(middle, count + 1)
    ]
    chance: NDArray[np.float64] = np.sum(chances, axis=0)
    return chance


def _normal(x: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    below: NDArray[np.float64] = ndtr(x)
    return below
