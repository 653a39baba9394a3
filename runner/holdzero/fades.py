"""Two fades fitted to readings, a fast and a slow one: y = y∞ + A·exp(−k·t) + B·exp(−l·t).

What is still to come is bounded over all pairs of rates that the readings allow. Numbers alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holdzero.decay import Course, Floats

__all__ = ["SLOWEST_S", "Fades", "Noise", "Reach", "fit_fade", "fit_fades", "reach_of"]

FASTEST_S, BORDER_S, SLOWEST_S = 15.0, 300.0, 2700.0
"""Time constants that are looked for, fast and slow, and the slowest that counts.

A steel block of 100 mm lying on a metal plate has some minutes, standing in still air 21 to 43 min (lumped body, worked
out as the thermal check does). The limits are a choice of ours: what is slower than the slowest is not bounded.
"""
_APART = math.log(1.5)  # a closer pair is one fade to every eye
_FAST = np.log(1.0 / np.geomspace(FASTEST_S, BORDER_S, 20))
_SLOW = np.log(1.0 / np.geomspace(BORDER_S, SLOWEST_S, 12))
_LEAST = np.array([[_FAST[-1]], [_SLOW[-1]]])
_MOST = np.array([[_FAST[0]], [_SLOW[0]]])
_ROUNDS, _CLOSE_ROUNDS, _FEW_ROUNDS, _CLOSER = 3, 16, 2, 3
_STRIDE, _WIDE = 0.5, 0.7
# A descent is over when it gains less than this share of the sum of squares; a column is nothing below this share.
_GAINED, _EMPTY = 1e-6, 1e-13
_ACROSS = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
_ENOUGH, _BETWEEN, _ZOOMS = 8, 8, 8
_NOTHING = 1e-300
_UNRESOLVED = 1e-10


@dataclass(frozen=True, slots=True)
class Valley:
    """Pairs of rates, the best fast one for each slow one, in the order of log l.

    Attributes:
        log_rates: log k and log l, a row each.
        rss: residual sums of squares [unit of the readings, squared].
        widths: how the root of the sum of squares grows with log k [unit of the readings].
    """

    log_rates: Floats
    rss: Floats
    widths: Floats

    def joined(self, other: Valley) -> Valley:
        """Both, in order."""
        log_rates = np.hstack([self.log_rates, other.log_rates])
        order = log_rates[1].argsort(kind="stable")
        both = (np.append(self.rss, other.rss), np.append(self.widths, other.widths))
        return Valley(log_rates[:, order], both[0][order], both[1][order])


@dataclass(frozen=True, slots=True, kw_only=True)
class Fades:
    """The best pair of fades.

    Attributes:
        times_s: of the readings, the first at zero [s].
        values: readings [any unit].
        begun: amplitudes at the first reading, the fast one first [unit of the readings].
        course: the fast fade and the slow one.
        left: residuals [unit of the readings].
        taken: orthonormal columns, last axis the readings; what lies in them the fit has taken up [1].
        best: its rates.
    """

    times_s: Floats
    values: Floats
    begun: Floats
    course: Course
    left: Floats
    taken: Floats
    best: Valley


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """What the readings scatter by.

    Attributes:
        spread: standard deviation of a reading [unit of the readings].
        systematic: what does not average, at most, in size [unit of the readings].
    """

    spread: float
    systematic: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How far that reaches which the readings allow.

    Attributes:
        to_come: most that may still be to come, in size [unit of the readings].
        slope: farthest that the slope now may be from that of the best pair [unit of the readings/s].
    """

    to_come: float
    slope: float


@dataclass(frozen=True, slots=True)
class _Shapes:
    """exp(−k·t) and exp(−l·t), centred; one row for each pair of rates.

    Attributes:
        rates: k and l, a row each [1/s].
        ends: both shapes at the newest reading.
        slow, slow_square: the slow shape, and the sum of its squares.
        own, own_square: what the fast shape has beyond the slow one, and the sum of its squares.
        share: how much of the slow shape the fast one holds.
    """

    rates: Floats
    ends: Floats
    slow: Floats
    slow_square: Floats
    own: Floats
    own_square: Floats
    share: Floats

    def amplitudes(self, values: Floats) -> Floats:
        """Best factors of both shapes, a row each."""
        fast = (self.own @ values) / self.own_square
        return np.stack([fast, (self.slow @ values) / self.slow_square - self.share * fast])

    def beyond(self, columns: Floats) -> Floats:
        """What columns have beyond a constant and both shapes, for each pair; of values, the residuals."""
        rest = columns - columns.mean(axis=-1, keepdims=True)
        rest = rest - (_dot(rest, self.slow) / self.slow_square)[:, None] * self.slow
        return np.asarray(rest - (_dot(rest, self.own) / self.own_square)[:, None] * self.own)

    def told(self, factors: Floats, values: Floats) -> tuple[Floats, Floats, Floats]:
        """Sum of both amplitudes times factors; the root of the squares of its weights, and the sum of their sizes."""
        onto_own = (factors[0] - self.share * factors[1]) / self.own_square
        onto_slow = factors[1] / self.slow_square
        weights = onto_own[:, None] * self.own + onto_slow[:, None] * self.slow
        told = (factors * self.amplitudes(values)).sum(axis=0)
        return told, np.sqrt(_dot(weights, weights)), np.abs(weights).sum(axis=-1)


def _dot(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", one, other))


def _shapes(times_s: Floats, rates: Floats) -> _Shapes:
    both = np.exp(-rates[..., None] * times_s)
    fast, slow = both - both.mean(axis=-1, keepdims=True)
    slow_square = np.maximum(_dot(slow, slow), _NOTHING)
    share = _dot(fast, slow) / slow_square
    own = fast - share[:, None] * slow
    return _Shapes(rates, both[..., -1], slow, slow_square, own, np.maximum(_dot(own, own), _NOTHING), share)


def fit_fades(times_s: Floats, values: Floats) -> Fades:
    """Fit y = y∞ + A·exp(−k·t) + B·exp(−l·t) by least squares, k and l within what is looked for.

    From the best pair of a grid.

    Args:
        times_s: of the readings, in order [s].
        values: readings [any unit].

    Source: variable projection, as in `holdzero.decay`.
    """
    times = times_s - times_s[0]
    squares, _, _ = _grid(times, values)
    fast, slow = np.unravel_index(squares.argmin(), squares.shape)
    best = _descend(times, values, np.array([[_FAST[fast]], [_SLOW[slow]]]), rounds=_CLOSE_ROUNDS, both=True)
    shapes = _shapes(times, np.exp(best.log_rates))
    centred = values - values.mean()
    factors, left = shapes.amplitudes(centred), shapes.beyond(centred[None])[0]
    # A rate at its limit turns no further, so that it has taken nothing up.
    free = np.flatnonzero((best.log_rates > _LEAST) & (best.log_rates < _MOST))
    turns = [_turn(times, factors, shapes, int(which))[0] for which in free]
    at_end = factors[:, 0] * shapes.ends[:, 0]
    return Fades(
        times_s=times,
        values=values,
        begun=factors[:, 0],
        course=Course(
            rates=np.exp(best.log_rates[:, 0]), amplitudes=at_end, settled=float(values[-1] - left[-1] - at_end.sum())
        ),
        left=left,
        taken=_orthonormal([np.ones_like(times), shapes.slow[0], shapes.own[0], *turns]),
        best=best,
    )


def fit_fade(times_s: Floats, values: Floats) -> Course:
    """Fit y = y∞ + A·exp(−k·t) by least squares, k within what is looked for, to a thousandth.

    Args:
        times_s: of the readings, in order, the first at zero [s].
        values: readings [any unit].
    """
    tried, own = np.append(_FAST, _SLOW[1:]), values - values.mean()
    for _ in range(_CLOSER):
        shapes = np.exp(-np.exp(tried)[:, None] * times_s)
        centred = shapes - shapes.mean(axis=-1, keepdims=True)
        factors = _ratio(centred @ own, _dot(centred, centred))
        best = int((factors * (centred @ own)).argmax())
        found = tried[[best]], factors[[best]], shapes[best]
        tried = np.linspace(tried[max(best - 1, 0)], tried[min(best + 1, tried.size - 1)], tried.size)
    log_rate, factor, shape = found
    settled = float(values.mean() - factor[0] * shape.mean())
    return Course(rates=np.exp(log_rate), amplitudes=factor * shape[-1], settled=settled)


def _grid(times: Floats, values: Floats) -> tuple[Floats, Floats, Floats]:
    """Of each pair of a coarse grid: the sum of squares, what is to come, and the root of its weights' squares."""
    rates = np.exp(np.append(_FAST, _SLOW))
    shapes = np.exp(-rates[:, None] * times)
    centred = shapes - shapes.mean(axis=-1, keepdims=True)
    products, onto = centred @ centred.T, centred @ (values - values.mean())
    many = _FAST.size
    fast, slow = np.diag(products)[:many, None], np.maximum(np.diag(products)[None, many:], _NOTHING)
    share = products[:many, many:] / slow
    own = fast - share * products[:many, many:]
    resolved = (own > _UNRESOLVED * fast) & (_FAST[:, None] - _SLOW >= _APART)
    own = np.where(resolved, own, 1.0)
    onto_own = onto[:many, None] - share * onto[many:]
    total = float(np.square(values - values.mean()).sum())
    rss = np.maximum(total - np.square(onto[many:]) / slow - np.square(onto_own) / own, 0.0)
    ends = shapes[:, -1]
    beyond = ends[:many, None] - share * ends[many:]
    to_come = -(ends[many:] * onto[many:] / slow + beyond * onto_own / own)
    root = np.sqrt(np.square(ends[many:]) / slow + np.square(beyond) / own)
    return np.where(resolved, rss, np.inf), to_come, root


def _turn(times: Floats, factors: Floats, shapes: _Shapes, which: int) -> Floats:
    """How the fit turns with the logarithm of one of the rates, less what the amplitudes take up."""
    exponents = shapes.rates[which][:, None] * times
    return shapes.beyond(-factors[which][:, None] * exponents * np.exp(-exponents))


def _descend(times: Floats, values: Floats, begin: Floats, *, rounds: int, both: bool = False) -> Valley:
    """Gauss–Newton from each pair of log rates: on the fast rate alone, or on both."""
    centred = values - values.mean()
    best, rss, width = begin, np.full(begin.shape[1], np.inf), np.zeros(begin.shape[1])
    tried = begin
    for _ in range(rounds + 1):
        shapes = _shapes(times, np.exp(tried))
        factors, left = shapes.amplitudes(centred), shapes.beyond(centred[None])
        squares = _dot(left, left)
        better = squares < rss
        gained = np.where(better, rss - squares, 0.0)
        best, rss = np.where(better, tried, best), np.where(better, squares, rss)
        across = _turn(times, factors, shapes, 0)
        square = _dot(across, across)
        width = np.where(better, np.sqrt(square), width)
        if not np.any(gained > _GAINED * rss):
            break
        step = np.zeros_like(tried)
        if both:
            step = _step(across, _turn(times, factors, shapes, 1), left)
        else:
            step[0] = _ratio(_dot(across, left), square)
        # What went too far comes back half the way.
        tried = _within(np.where(better, tried + np.clip(step, -_STRIDE, _STRIDE), (tried + best) / 2.0))
    return Valley(best, rss, width)


def _step(across: Floats, along: Floats, left: Floats) -> Floats:
    """The two-by-two normal equations of both rates."""
    one, mixed, other = _dot(across, across), _dot(across, along), _dot(along, along)
    first, second = _dot(across, left), _dot(along, left)
    whole = one * other - np.square(mixed)
    return np.stack([_ratio(other * first - mixed * second, whole), _ratio(one * second - mixed * first, whole)])


def _ratio(above: Floats, below: Floats) -> Floats:
    return np.divide(above, below, out=np.zeros_like(above), where=below > _NOTHING)


def _within(log_rates: Floats) -> Floats:
    """Log rates within what is looked for, the fast one apart from the slow one."""
    fast, slow = np.clip(log_rates, _LEAST, _MOST)
    return np.stack([np.maximum(fast, slow + _APART), slow])


def _orthonormal(columns: list[Floats]) -> Floats:
    """The same space in columns of length one; what is nothing is left out."""
    whole = np.stack(columns)
    sizes = np.sqrt(_dot(whole, whole))
    kept = sizes > _EMPTY * sizes.max()
    return np.linalg.qr((whole[kept] / sizes[kept, None]).T)[0].T


def reach_of(fades: Fades, noise: Noise, *, quantile: float, plain: float) -> Reach:
    """How far reaches what the readings allow, over all pairs of rates.

    A pair is allowed whose sum of squares is no more above the least than (quantile·s + b·√n)²; what it leaves free of
    that, what is still to come may be off by.

    Args:
        fades: the best pair.
        noise: of the readings.
        quantile: for what is still to come [1].
        plain: for the slope [1].

    Source: profile likelihood; Bates and Watts, Nonlinear Regression Analysis (1988), 6.1 (from memory), with what does
    not average added at its worst, a choice of ours.
    """
    times, values = fades.times_s, fades.values - fades.values.mean()
    whole = quantile * noise.spread + noise.systematic * math.sqrt(times.size)
    squares, come_there, root_there = _grid(times, values)
    log_rates = _tried(times, values, fades.best.joined(_along(times, values, squares)), whole)
    shapes = _shapes(times, np.exp(log_rates))
    left = shapes.beyond(values[None])
    rss = _dot(left, left)
    least = min(float(rss.min()), float(fades.left @ fades.left))
    come, root, size = shapes.told(-shapes.ends, values)
    to_come = _farthest(np.abs(come), root, size, rss - least, noise, quantile)
    slopes, root, size = shapes.told(-shapes.rates * shapes.ends, values)
    slope = _farthest(np.abs(slopes - fades.course.slope), root, size, rss - least, noise, plain)
    size = root_there * math.sqrt(times.size)
    everywhere = _farthest(np.abs(come_there), root_there, size, squares - least, noise, quantile)
    return Reach(to_come=max(to_come, everywhere), slope=slope)


def _along(times: Floats, values: Floats, squares: Floats) -> Valley:
    """Along the slow rates, the best fast one for each, from the best of a grid's sums of squares."""
    begin = np.stack([np.maximum(_FAST[squares.argmin(axis=0)], _SLOW + _APART), _SLOW])
    return _descend(times, values, begin, rounds=_ROUNDS)


def _tried(times: Floats, values: Floats, valley: Valley, whole: float) -> Floats:
    """Log rates to try: along the slow rates as far as they are allowed, and across each."""
    valley = _explored(times, values, valley, whole)
    free = np.sqrt(np.maximum(whole**2 - (valley.rss - valley.rss.min()), 0.0))
    across = np.minimum(free / np.maximum(valley.widths, _NOTHING), _WIDE)[:, None] * _ACROSS
    fast, slow = valley.log_rates[0][:, None] + across, np.broadcast_to(valley.log_rates[1][:, None], across.shape)
    return _within(np.stack([fast.ravel(), slow.ravel()]))


def _explored(times: Floats, values: Floats, valley: Valley, whole: float) -> Valley:
    """The valley, with more and more slow rates between those that are not allowed any more, until enough are."""
    for _ in range(_ZOOMS):
        slow, above = valley.log_rates[1], np.sqrt(np.maximum(valley.rss - valley.rss.min(), 0.0))
        allowed = np.flatnonzero(above <= whole)
        first, last = max(int(allowed[0]) - 1, 0), min(int(allowed[-1]) + 1, slow.size - 1)
        enough = allowed.size >= _ENOUGH
        # Where the way out crosses what is allowed, if it rises evenly.
        ends = [
            slow[inner] + (slow[outer] - slow[inner]) * (whole - above[inner]) / (above[outer] - above[inner])
            for inner, outer in ((int(allowed[0]), first), (int(allowed[-1]), last))
            if above[outer] > whole
        ]
        between = np.linspace(slow[first], slow[last], 2 if enough else _BETWEEN + 2)[1:-1]
        more = np.concatenate([ends, between])
        if not more.size:
            break
        begin = _within(np.stack([np.interp(more, slow, valley.log_rates[0]), more]))
        valley = valley.joined(_descend(times, values, begin, rounds=_FEW_ROUNDS))
        if enough:
            break
    return valley


def _farthest(size: Floats, root: Floats, sum_of_sizes: Floats, above: Floats, noise: Noise, quantile: float) -> float:
    """The largest of sizes, each with what the sum of squares leaves free at its rates."""
    allowed = np.square(quantile * noise.spread + noise.systematic * _ratio(sum_of_sizes, root)) - above
    held = allowed >= 0.0
    with np.errstate(invalid="ignore"):
        # What can't be told, 0 · ∞, may be anything.
        reached = np.nan_to_num(size[held] + root[held] * np.sqrt(allowed[held]), nan=np.inf)
    return float(reached.max(initial=0.0))
