"""How near something is to rest: an approach to equilibrium fitted to what was seen so far.

Pure: times and values in, an outlook out. It is made anew as points come in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from holdzero.decay import Decay, Floats, Profile, fit_decay, profile_of
from holdzero.limit import exceeds
from holdzero.model import student_quantile

__all__ = ["FEWEST", "Outlook", "outlook_of"]

FEWEST = 6
"""Fewer points say nothing of a fade: three numbers are fitted (common practice, no source)."""
_MOST = 240
_RATES = 48
# An approach with a time constant of more than twice what was watched can't be told from a steady drift; one with less
# than a sixtieth is over (common practice, no source).
_SLOWEST, _FASTEST = 0.5, 60.0
_CURVE, _AHEAD = 60, 0.5
_BOTH_SIDES = 0.975


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Where an approach to equilibrium stands.

    Attributes:
        of: what was watched: empty for the comparator, else what a thermometer hangs on, or a difference.
        unit: of the values: `um`, or `K` for temperatures.
        at_s: when the last point was seen [s].
        now: fitted value there [unit].
        rate_per_min: drift now [unit/min].
        rate_u: its standard uncertainty [unit/min].
        to_come: what is still to come, value at rest less value now [unit]; infinite where it drifts steadily and
            no end is in sight.
        bound: what is still to come is no more than this, in size, with 95 % confidence [unit].
        within: what the routine allows [unit]; None where it says nothing.
        left_s: time until the bound should be within it [s]; 0 where it is, None where that is not known.
        points: how many were fitted.
        seen: those points, thinned: times [s] and values [unit].
        curve: times [s] and fitted values [unit], up to the last point and a little beyond.
    """

    of: str
    unit: Literal["um", "K"]
    at_s: float
    now: float
    rate_per_min: float
    rate_u: float
    to_come: float
    bound: float
    within: float | None
    left_s: float | None
    points: int
    seen: tuple[tuple[float, float], ...]
    curve: tuple[tuple[float, float], ...]

    @property
    def settled(self) -> bool:
        """Whether what is still to come is within what the routine allows."""
        return self.within is not None and not exceeds(self.bound, self.within)

    @property
    def steady(self) -> bool:
        """Whether it drifts steadily, with no end in sight."""
        return math.isinf(self.to_come)


def outlook_of(
    times_s: Sequence[float],
    values: Sequence[float],
    *,
    of: str,
    unit: Literal["um", "K"],
    within: float | None = None,
    floor: float = 0.0,
) -> Outlook | None:
    """What an approach to equilibrium looks like now.

    The value at rest, the amplitude and the rate of y = y∞ + A·exp(−k·t) are fitted, with time zero at the last
    point, so that A is what is still to come. Its bound is the largest over all rates that the points allow
    (profile likelihood): what hardly moves yet may be slow, and then more is to come.

    Args:
        times_s: of the points, in order [s].
        values: of the points [unit].
        of: what was watched.
        unit: of the values.
        within: what may still be to come [unit].
        floor: least standard deviation of a point [unit]; what rounding leaves.

    Returns:
        The outlook; None where there are too few points.

    Source: least squares with a separable rate as in `holdzero.decay`; the rates allowed are those whose sum of
    squares is within s²·t² of the least (Bates and Watts 1988, 6.1, from memory).
    """
    step = max(1, math.ceil(len(times_s) / _MOST))
    # The newest point is always among them.
    times = np.asarray(times_s[::-1][::step][::-1], dtype=np.float64)
    # Below a billionth of the unit is nothing that anything shows, and what underflows.
    points: Floats = np.asarray(values[::-1][::step][::-1], dtype=np.float64).round(9)
    watched_s = float(times[-1] - times[0]) if times.size else 0.0
    if times.size < FEWEST or watched_s <= 0.0:
        return None
    rates = np.geomspace(_SLOWEST / watched_s, _FASTEST / watched_s, _RATES)
    before = times - times[-1]
    begin = float(rates[profile_of(before, points, rates).rss.argmin()])
    fit = fit_decay(before, points, rates=(float(rates[0]), float(rates[-1])), start_rate=begin, floor=floor)
    most, left_s = _bounds(fit, profile_of(before, points, _near(fit, rates)), points, within)
    slope, slope_u = (float(number) for number in fit.slope_at_zero)
    significant = float(fit.f) > float(student_quantile(_BOTH_SIDES, fit.dof)) ** 2
    steady = int(fit.edge) < 0 and significant
    return Outlook(
        of=of,
        unit=unit,
        at_s=float(times[-1]),
        now=float(fit.settled[0] + fit.amplitude[0]),
        rate_per_min=60.0 * slope,
        rate_u=60.0 * slope_u,
        to_come=math.copysign(math.inf, slope) if steady else -float(fit.amplitude[0]),
        bound=math.inf if steady else most,
        within=within,
        left_s=None if steady else left_s,
        points=int(times.size),
        seen=tuple(zip(times.tolist(), points.tolist(), strict=True)),
        curve=_curve(fit, times),
    )


def _near(fit: Decay, rates: Floats) -> Floats:
    """The rates to try: those of the grid, and closer ones about the best."""
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = float(fit.rate_standard / fit.rate)
    if not 0.0 < apart < 1.0:
        return np.append(rates, fit.rate)
    close = fit.rate * np.exp(apart * np.linspace(-3.0, 3.0, _RATES // 2 + 1))
    return np.append(rates, np.clip(close, rates[0], rates[-1]))


def _bounds(fit: Decay, profile: Profile, points: Floats, within: float | None) -> tuple[float, float | None]:
    """Most that may still be to come [unit], and how long until that is within the limit [s]."""
    spread = max(float(fit.residual), 1e-12 * float(np.abs(points).max(initial=0.0)))
    quantile = float(student_quantile(_BOTH_SIDES, fit.dof))
    allowed = profile.rss <= profile.rss.min() + np.square(spread * quantile)
    most = np.abs(profile.amplitude) + quantile * spread * profile.amplitude_root
    bound = float(most[allowed].max())
    if within is None or within <= 0.0:
        return bound, None
    with np.errstate(divide="ignore"):
        left = np.log(np.maximum(most / within, 1.0)) / profile.rate
    return bound, float(left[allowed].max())


def _curve(fit: Decay, times: Floats) -> tuple[tuple[float, float], ...]:
    last = float(times[-1])
    at = np.linspace(float(times[0]), last + _AHEAD * (last - float(times[0])), _CURVE)
    fitted = fit.settled[0] + fit.amplitude[0] * fit.faded(at - last)
    return tuple((float(time_s), float(value)) for time_s, value in zip(at, fitted, strict=True))
