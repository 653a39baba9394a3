"""A fade fitted to readings: y = y∞ + A·exp(−k·t), with y∞ and A of each group and one k for all.

Numbers alone; it knows nothing of parts. A leading axis of the readings is the runs of a rehearsal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Course", "Decay", "Floats", "fit_decay"]

Floats: TypeAlias = NDArray[np.float64]

_MOST_ROUNDS = 200
_MOST_HALVINGS = 40
_GRID = 60
# Settled when the rate moves by less than this share of itself: what double arithmetic leaves.
_SETTLED = 1e-13
_ROUNDINGS = 4.0 * float(np.finfo(np.float64).eps)
# Rounding may make a better sum of squares look worse by this share.
_ROUNDING = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A sum of fades, as a formula.

    Attributes:
        rates: of each [1/s].
        amplitudes: of each at the newest reading [any unit].
        settled: where it ends [same unit].
    """

    rates: Floats
    amplitudes: Floats
    settled: float

    @property
    def to_come(self) -> float:
        """What is still to come [unit of the amplitudes]."""
        return -float(self.amplitudes.sum())

    @property
    def slope(self) -> float:
        """Slope at the newest reading [unit of the amplitudes/s]."""
        return -float(self.rates @ self.amplitudes)

    def to_come_after(self, later_s: Floats) -> Floats:
        """What will be still to come so much later than the newest reading [s]; earlier is negative."""
        return np.asarray(-np.exp(-np.outer(later_s, self.rates)) @ self.amplitudes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """A fitted fade; the last axis of an array is the group.

    Attributes:
        settled: y∞ of each group [unit of the readings].
        amplitude: A of each group at time zero [same unit].
        rate: k [1/unit of time].
        residual: standard deviation of the residuals [unit of the readings]; not below `floor`.
        dof: its degrees of freedom [1].
        f: mean square that the fade explains beyond constants, over the residual one [1].
        f_dof: degrees of freedom of its numerator [1].
        edge: −1 where the rate went to its lowest bound, +1 to its highest, else 0.
    """

    settled: Floats
    amplitude: Floats
    rate: Floats
    residual: Floats
    dof: float
    f: Floats
    f_dof: float
    edge: NDArray[np.int64]
    _settled_square: Floats
    _amplitude_square: Floats
    _settled_slope: Floats
    _amplitude_slope: Floats
    _log_rate_square: Floats

    def settled_of(self, weights: Floats) -> tuple[Floats, Floats]:
        """Weighted sum of the settled values and its standard uncertainty [unit of the readings]."""
        return _weighted(self, weights, self.settled, self._settled_square, self._settled_slope)

    def amplitude_of(self, weights: Floats) -> tuple[Floats, Floats]:
        """Weighted sum of the amplitudes and its standard uncertainty [unit of the readings]."""
        return _weighted(self, weights, self.amplitude, self._amplitude_square, self._amplitude_slope)

    @property
    def rate_standard(self) -> Floats:
        """Standard uncertainty of the rate [1/unit of time]."""
        return np.asarray(self.rate * self.residual * np.sqrt(self._log_rate_square))

    def faded(self, times: Floats) -> Floats:
        """exp(−k·t) at each time [1], last axis."""
        return np.asarray(np.exp(-self.rate[..., None] * times))


def _weighted(fit: Decay, weights: Floats, values: Floats, square: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """JCGM 100:2008, 5.1.2 eq. (10), the rate's share apart: it is common to all groups."""
    own = (np.square(weights) * square).sum(axis=-1)
    with np.errstate(invalid="ignore"):
        common = np.square((weights * slope).sum(axis=-1)) * fit._log_rate_square  # noqa: SLF001  its own module
    # Where nothing fades, nothing is known of its rate: 0 · ∞.
    common = np.where(np.isnan(common), np.inf, common)
    return np.asarray((weights * values).sum(axis=-1)), np.asarray(fit.residual * np.sqrt(own + common))


@dataclass(frozen=True, slots=True)
class _Problem:
    """Readings, their times, and which group each belongs to (one column a group, 0 or 1)."""

    times: Floats
    values: Floats
    members: Floats
    from_zero: bool

    def sums(self, numbers: Floats) -> Floats:
        """Sum within each group."""
        return np.asarray(numbers @ self.members)

    def spread(self, of_groups: Floats) -> Floats:
        """A number of each group at each of its readings."""
        return np.asarray(of_groups @ self.members.T)

    def centred(self, numbers: Floats) -> Floats:
        """Less the mean of its group; as it is where there is no constant."""
        if self.from_zero:
            return numbers
        return numbers - self.spread(self.sums(numbers) / self.members.sum(axis=0))


@dataclass(frozen=True, slots=True)
class _Projected:
    """The problem at one rate for each run, with the best constants and amplitudes put in.

    Attributes:
        shape, slope: exp(−k·t), or 1 − exp(−k·t), and its derivative with respect to log k.
        square: Σ shape² of each group, centred.
        factor: the best amplitude of each group.
        turn: derivative of the fit with respect to log k, less what the amplitudes take up.
        left: residuals.
    """

    shape: Floats
    slope: Floats
    square: Floats
    factor: Floats
    turn: Floats
    left: Floats

    @property
    def rss(self) -> Floats:
        """Residual sum of squares."""
        return np.asarray(np.square(self.left).sum(axis=-1))


def _ratio(above: Floats, below: Floats) -> Floats:
    """above/below, and 0 where there is nothing below."""
    return np.divide(above, below, out=np.zeros(np.broadcast_shapes(above.shape, below.shape)), where=below > 0.0)


def _project(problem: _Problem, log_rate: Floats) -> _Projected:
    """Variable projection: y∞ and A are linear for a fixed rate.

    Source: Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, with Kaufman's shorter derivative,
    BIT 15 (1975) 49 (both from memory).
    """
    exponent = np.exp(log_rate)[..., None] * problem.times
    fading = np.exp(-exponent)
    shape, slope = (1.0 - fading, exponent * fading) if problem.from_zero else (fading, -exponent * fading)
    x, dx, y = problem.centred(shape), problem.centred(slope), problem.centred(problem.values)
    square = problem.sums(np.square(x))
    factor = _ratio(problem.sums(x * y), square)
    turn = dx * problem.spread(factor)
    turn = turn - x * problem.spread(_ratio(problem.sums(x * turn), square))
    return _Projected(shape, slope, square, factor, turn, y - x * problem.spread(factor))


def _first_guess(problem: _Problem, bounds: tuple[float, float]) -> Floats:
    """The best of a grid, for each run."""
    grid = np.linspace(*bounds, _GRID)
    # At one rate for all runs: what depends on the rate alone is worked out once.
    sums = np.stack([_project(problem, np.asarray(point)).rss for point in grid], axis=-1)
    return np.asarray(grid[sums.argmin(axis=-1)], dtype=np.float64)


def _minimum(problem: _Problem, log_rate: Floats, bounds: tuple[float, float]) -> tuple[Floats, _Projected]:
    """Gauss-Newton on the rate alone, each run for itself until it has settled."""
    found = np.atleast_1d(log_rate).copy()
    values = problem.values.reshape(found.size, -1)
    moving = np.arange(found.size)
    for _ in range(_MOST_ROUNDS):
        step, rounding = _step(replace(problem, values=values[moving]), found[moving], bounds)
        found[moving] += step
        moving = moving[np.abs(step) > rounding]
        if not moving.size:
            break
    found = found.reshape(log_rate.shape)
    return found, _project(problem, found)


def _step(problem: _Problem, log_rate: Floats, bounds: tuple[float, float]) -> tuple[Floats, Floats]:
    """A step of each run, bounded, and halved until it does not make things worse; and what rounding alone moves it by.

    The sum in a step is exact to a few roundings of its terms, so that flat sums of squares move it more than others.
    """
    now = _project(problem, log_rate)
    turned, left = np.square(now.turn).sum(axis=-1), now.rss
    step = np.clip(_ratio((now.turn * now.left).sum(axis=-1), turned), -1.0, 1.0)
    step = np.clip(log_rate + step, *bounds) - log_rate
    worse = np.arange(step.size)
    for _ in range(_MOST_HALVINGS):
        tried = _project(replace(problem, values=problem.values[worse]), log_rate[worse] + step[worse])
        worse = worse[tried.rss > left[worse] * (1.0 + _ROUNDING)]
        if not worse.size:
            break
        step[worse] /= 2.0
    step[worse] = 0.0
    return step, np.maximum(_SETTLED, _ROUNDINGS * np.sqrt(_ratio(left, turned)))


def fit_decay(
    times: Floats,
    values: Floats,
    groups: NDArray[np.int64] | None = None,
    *,
    rates: tuple[float, float] | None = None,
    start_rate: float | None = None,
    from_zero: bool = False,
    floor: float = 0.0,
) -> Decay:
    """Fit y = y∞ + A·exp(−k·t) by least squares; y∞ and A of each group, one k.

    Args:
        times: of the readings [any unit]; the amplitude is that at time zero.
        values: readings [any unit], last axis.
        groups: for each reading, which group it belongs to, from 0; one group if left out.
        rates: lowest and highest k [1/unit of time]; any if left out.
        start_rate: where to begin [1/unit of time]; the best of a grid over `rates` if left out.
        from_zero: whether A = −y∞, so that the fit is y∞·(1 − exp(−k·t)).
        floor: least standard deviation of the residuals [unit of the readings]; what rounding leaves.

    Returns:
        The fit, with standard uncertainties from its Jacobian.

    Raises:
        ValueError: neither `rates` nor `start_rate` is given.

    Source: separable least squares, see `_project`; covariance s²(JᵀJ)⁻¹, NIST/SEMATECH e-Handbook,
    4.4.3.2 and 4.4.5.2 (from memory).
    """
    labels = np.zeros(times.size, dtype=np.int64) if groups is None else groups
    members = (labels[:, None] == np.unique(labels)).astype(np.float64)
    problem = _Problem(times, np.asarray(values, dtype=np.float64), members, from_zero)
    bounds = (float(np.log(rates[0])), float(np.log(rates[1]))) if rates else (-np.inf, np.inf)
    if start_rate is None and rates is None:
        raise ValueError("give rates, or start_rate")
    runs = problem.values.shape[:-1]
    begin = np.full(runs, np.log(start_rate)) if start_rate is not None else _first_guess(problem, bounds)
    log_rate, best = _minimum(problem, begin, bounds)
    edge = (log_rate >= bounds[1]).astype(np.int64) - (log_rate <= bounds[0]).astype(np.int64)
    return _told(problem, log_rate, best, edge, floor)


def _told(problem: _Problem, log_rate: Floats, best: _Projected, edge: NDArray[np.int64], floor: float) -> Decay:
    count, groups = problem.members.shape
    dof = float(count - (1 if problem.from_zero else 2) * groups - 1)
    residual = np.maximum(np.sqrt(best.rss / dof) if dof > 0.0 else 0.0, floor)
    turned = np.square(best.turn).sum(axis=-1)
    with np.errstate(divide="ignore"):
        log_rate_square = np.where(turned > 0.0, 1.0 / turned, np.inf)
        amplitude_square = np.where(best.square > 0.0, 1.0 / best.square, np.inf)
    settled, amplitude, settled_square, settled_slope, amplitude_slope = _linear(problem, best, amplitude_square)
    return Decay(
        settled=settled,
        amplitude=amplitude,
        rate=np.exp(log_rate),
        residual=np.asarray(residual),
        dof=dof,
        f=_f(problem, best, np.asarray(residual)),
        f_dof=groups + 1.0,
        edge=edge,
        _settled_square=np.asarray(settled_square),
        _amplitude_square=np.asarray(amplitude_square),
        _settled_slope=np.asarray(settled_slope),
        _amplitude_slope=np.asarray(amplitude_slope),
        _log_rate_square=log_rate_square,
    )


def _linear(
    problem: _Problem, best: _Projected, amplitude_square: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """y∞ and A of each group, the square that y∞ has by itself, and how both follow log k."""
    number = problem.members.sum(axis=0)
    x, dx = problem.centred(best.shape), problem.centred(best.slope)
    factor_slope = -best.factor * _ratio(problem.sums(x * dx), best.square)
    if problem.from_zero:
        return best.factor, -best.factor, amplitude_square, factor_slope, -factor_slope
    at_mean, slope_mean = problem.sums(best.shape) / number, problem.sums(best.slope) / number
    settled = problem.sums(problem.values) / number - best.factor * at_mean
    settled_square = 1.0 / number + np.square(at_mean) * amplitude_square
    settled_slope = -(slope_mean * best.factor + at_mean * factor_slope)
    return settled, best.factor, settled_square, settled_slope, factor_slope


def _f(problem: _Problem, best: _Projected, residual: Floats) -> Floats:
    """Mean square that the fade explains beyond a constant in each group, over the residual one."""
    groups = problem.members.shape[1]
    constant = problem.values - problem.spread(problem.sums(problem.values) / problem.members.sum(axis=0))
    explained = np.maximum(np.square(constant).sum(axis=-1) - best.rss, 0.0) / (groups + 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.where(residual > 0.0, explained / np.square(residual), np.where(explained > 0.0, np.inf, 0.0))
    return np.asarray(f)
