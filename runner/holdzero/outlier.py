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
    "looked_at",
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
# A place is looked at after each of so many readings, and then after these; fewer degrees of freedom stand for the next
# more. Both keep what has to be worked out small.
_EACH = 12
_NUMBERS = (16, 24, 32, 48, 64, 96, *(2**power for power in range(7, 21)))
_DOFS = (6, 7, 8, 9, 10, 12, 14, 17, 20, 25, 30, 40, 60, 100, 200, 500, 2000)
_NOTHING = 1e-300
# Between two points the logarithm of a normal tail lies above a straight line by no more than h²/8, as it bends by less
# than one: rates are so much larger at most.
_BENT = math.exp((1.0 / _FINE) ** 2 / 8.0)
_FARTHEST = 16.0  # standard deviations: farther off lies nothing that could matter


@dataclass(frozen=True, slots=True)
class OutlierLimits:
    """From what distance on a reading is called an outlier.

    Attributes:
        least: by the number of readings of a place at which it is looked at, the smallest distance that is too far
            [unit of the step]; an array has one entry a run.
        rate: in how many sound runs anything is called an outlier, at most [1].
    """

    least: Mapping[int, Number]
    rate: float

    def of(self, size: int) -> Number:
        """The smallest distance that is too far for so many readings, or for the next more that are looked at."""
        return self.least[min(number for number in self.least if number >= size)]


def looked_at(size: int) -> bool:
    """Whether a place is looked at after so many readings, however many there will be."""
    return 2 <= size <= _EACH or size in _NUMBERS  # noqa: PLR2004  one has no repeat


def distance_from_repeats(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each reading lies from its repeats, by its sign above or below them.

    Args:
        values: readings of one place [any unit], last axis, two or more.

    Returns:
        Distance from the middle one of the others, of an even number of others from the nearer of both [same unit].

    >>> distance_from_repeats(np.array([1.5, 4.5, 2.0])).tolist()
    [-0.5, 2.5, 0.0]
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
        counts: how often each place is read. Each of them is looked at when it is read, from its second reading on
            (see `looked_at`), at its last, and once more at the end where the scatter is the run's own and known better
            then; all these looks share the false alarms.
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
    looks = [size for count in counts for size in range(2, count + 1) if looked_at(size) or size == count]
    if own:
        looks += [count for count in counts if count > 1]
        dof = max((known for known in _DOFS if known <= dof), default=dof)
    with_steps = not own and float(scatter) < _FINE * step
    in_steps = float(scatter) / step if with_steps else _FINE
    found, rate = _steps_and_rate(tuple(sorted(Counter(looks).items())), in_steps, dof)
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


@cache
def _steps_and_rate(looks: tuple[tuple[int, int], ...], scatter: float, dof: float) -> tuple[dict[int, int], float]:
    """The smallest number of steps for each number of readings, and the rate of all looks together.

    What whole steps leave of the false alarms is given to those limits that need least of it to be a step lower.

    Args:
        looks: numbers of readings, and how many looks are at so many.
        scatter: standard deviation of a reading before it is rounded [steps].
        dof: its degrees of freedom [1].
    """
    allowed = FALSE_ALARMS / max(1, sum(often for _, often in looks))
    steps = {number: _least_steps(number, scatter, dof, allowed) for number, _ in looks}
    rates = {number: often * false_alarm_rate(number, steps[number], scatter, dof) for number, often in looks}
    while True:
        lower = {number: often * false_alarm_rate(number, steps[number] - 1, scatter, dof) for number, often in looks}
        all_looks = math.fsum(rates.values())
        rate, number = min(((all_looks - rates[n] + own, n) for n, own in lower.items()), default=(1.0, 0))
        if rate > FALSE_ALARMS:
            return steps, all_looks
        steps[number], rates[number] = steps[number] - 1, lower[number]


def _least_steps(number: int, scatter: float, dof: float, allowed: float) -> int:
    """The smallest number of steps that is rare enough; scatter in steps."""
    most = 1
    while false_alarm_rate(number, most, scatter, dof) > allowed:
        most *= 2
    least = most // 2  # too common
    while most - least > 1:
        middle = (least + most) // 2
        if false_alarm_rate(number, middle, scatter, dof) > allowed:
            least = middle
        else:
            most = middle
    return most


@cache
def false_alarm_rate(count: int, steps: int, scatter: float, dof: float = math.inf) -> float:
    """How often a reading of sound ones lies so many steps from its repeats.

    Args:
        count: readings of the place [1], two or more.
        steps: distance in whole steps of the dial [1]; no distance is there always.
        scatter: standard deviation of a reading before it is rounded [steps].
        dof: degrees of freedom of the scatter [1].

    Returns:
        The rate [1], wherever the true value lies between two counts: an upper bound, as the highest and the lowest
        reading are added up.
    """
    if dof > _KNOWN_DOF:
        return float(_rates(count, steps, np.array([scatter]))[0])
    # JCGM 101:2008, 6.4.9: what an estimate leaves open of the scatter, s · √(ν/χ²), here over the logarithm of χ²/ν.
    logs = np.linspace(-14.0 / math.sqrt(dof), 5.0 / math.sqrt(dof), 40)
    weights = np.exp(0.5 * dof * (logs - np.exp(logs) + 1.0))
    weights /= weights.sum()
    mattering = weights > 1e-9 / len(logs)
    scatters = scatter * np.exp(-0.5 * logs[mattering])
    if scatter < _FINE:
        return float(weights[mattering] @ _rates(count, steps, scatters))
    ratios, log_rates = _by_ratio(count)
    rates = np.exp(np.interp((steps - 0.5) / scatters, ratios, log_rates, right=-math.inf))
    return min(1.0, float(weights[mattering] @ rates) * _BENT)


@cache
def _by_ratio(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Without steps: logarithms of rates by the distance in standard deviations, each tenth of one."""
    steps = np.arange(1, int(_FARTHEST * _FINE) + 1)
    rates = [1.0, *(float(_rates(count, int(step), np.array([_FINE]))[0]) for step in steps)]
    # Two readings show so many steps from half a step less on.
    return np.concatenate([[0.0], (steps - 0.5) / _FINE]), np.log(np.maximum(rates, _NOTHING))


def _rates(count: int, steps: int, scatters: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same for scatters that are known, one rate for each."""
    rates = np.ones(scatters.size)  # nearly, where the limit is so low: it is never taken
    high = steps > scatters
    coarse = scatters < _SMOOTH
    for positions, some in ((_POSITIONS, high & coarse), (1, high & ~coarse)):
        if np.any(some):
            rates[some] = _rates_at(count, steps, scatters[some], np.arange(positions) / positions)
    return rates


def _rates_at(
    count: int, steps: int, scatters: NDArray[np.float64], positions: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The largest rates over these positions of the true value between two counts."""
    reach = math.ceil(_REACH * scatters.max()) + 1
    counts = np.arange(-reach, reach + steps + 1)
    # Last axes: the positions, and the counts.
    below = _normal((counts + 0.5 - positions[:, None]) / np.maximum(scatters, _HAIR)[:, None, None])
    middle = (count + 1) // 2  # of all readings, the one that the highest is held against
    up_to, farther = below[..., : len(counts) - steps + 1], below[..., steps - 1 :]
    at_least = _at_least(middle, count, up_to, farther)
    before = np.concatenate([np.zeros_like(up_to[..., :1]), up_to[..., :-1]], axis=-1)
    # Order statistics: the middle one shows this count, and none is so many steps higher.
    near = at_least - _at_least(middle, count, before, farther)
    far = np.maximum(0.0, 1.0 - near.sum(axis=-1))
    # Of two the highest and the lowest are as far from each other.
    both = far if count == 2 else far + np.roll(far[:, ::-1], 1, axis=-1)  # noqa: PLR2004
    rates: NDArray[np.float64] = np.minimum(1.0, both.max(axis=-1))
    return rates


def _at_least(middle: int, count: int, below: NDArray[np.float64], farther: NDArray[np.float64]) -> NDArray[np.float64]:
    """How often so many readings or more are up to one count, and all of them up to a higher one: binomial."""
    from scipy.special import bdtrc

    share = np.divide(below, farther, out=np.zeros_like(below), where=farther > 0.0)
    chance: NDArray[np.float64] = farther**count * bdtrc(middle - 1, count, np.minimum(share, 1.0))
    return chance


def _normal(x: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    below: NDArray[np.float64] = ndtr(x)
    return below
