"""How near something is to rest: fades fitted to what was seen so far, believed only where the residuals bear it out.

Pure: times and values in, an outlook out. It is made anew as points come in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from holdzero.decay import Course, Floats
from holdzero.fades import SLOWEST_S, Fades, Noise, Reach, fit_fade, fit_fades, reach_of
from holdzero.limit import exceeds
from holdzero.model import student_quantile
from holdzero.residuals import Doubts, doubts_of, rounding_bias, swing_of

__all__ = ["FEWEST", "Hidden", "Outlook", "outlook_of", "unbroken"]

FEWEST = 6
"""Fewer points say nothing of fades: five numbers are fitted."""
_NUMBERS = 5
_CONFIDENCE, _PLAIN = 0.95, 0.975
_MOST = 300
_FEWEST_TESTED = 9
# A fit takes up about two thirds of what begins late (worked out for a bend in the last third of the readings).
_TAKEN_UP = 3.0
_CURVE, _AHEAD = 60, 0.5
# What double arithmetic leaves of a fit, as a share of how far the readings reach; and what underflows.
_ROUNDINGS, _NOTHING = 1e-8, 1e-12
_FAR, _SPENT = 100.0, 0.2
_CHANGES = 2
_LONGEST_S, _ASKED, _ZOOMS = 8.0 * 3600.0, 400, 3
_DRAWN = 240
_KEPT = 32
# A pause is as long as so many between other points (the middle of them), and at least so long [s]: choices of ours.
_PAUSE, _PAUSE_S = 10.0, 60.0


@dataclass(frozen=True, slots=True)
class Hidden:
    """A fade that a body may have, and that was not watched for long enough to show.

    Attributes:
        size_um: of the body [um]; None where nobody states it.
        constant_s: its time constant [s].
    """

    size_um: float | None
    constant_s: float


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
        bound: what is still to come is no more than this, in size [unit]; with 95 % confidence this is so at all looks
            of one soak, and not at each only. Infinite where nothing can be told.
        within: what the routine allows [unit]; None where it says nothing.
        enough: whether it was watched for long enough to end a soak.
        hidden: a fade that would not show in what was watched; None where nothing is known to hide.
        left_s: time until the bound should be within it [s]; 0 where it is, None where that is not known.
        points: how many were fitted.
        seen: points, thinned: times [s] and values [unit].
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
    enough: bool = True
    hidden: Hidden | None = None
    left_s: float | None
    points: int
    seen: tuple[tuple[float, float], ...]
    curve: tuple[tuple[float, float], ...]

    @property
    def near(self) -> bool:
        """Whether what is still to come is within what the routine allows."""
        return self.within is not None and not exceeds(self.bound, self.within)

    @property
    def settled(self) -> bool:
        """Whether that is so, and was watched for long enough."""
        return self.near and self.enough

    @property
    def judged(self) -> bool:
        """Whether it says that a soak may end, or may not."""
        return self.within is not None and (self.enough or not self.near)

    @property
    def steady(self) -> bool:
        """Whether it drifts steadily, with no end in sight."""
        return math.isinf(self.to_come)

    @property
    def moved(self) -> bool:
        """Whether it may have moved a moment ago, so that nothing can be told yet."""
        return math.isinf(self.bound) and not self.steady

    @property
    def early(self) -> bool:
        """Whether too little was seen for the bound to say anything."""
        least = self.within if self.within is not None else max(abs(value - self.now) for _, value in self.seen)
        return not math.isinf(self.bound) and self.bound > _FAR * least


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The newest points, with fades fitted to them: how far they reach, and whether the fit holds."""

    fades: Fades
    points: int
    noise: Noise
    dof: float
    doubts: Doubts

    @property
    def each(self) -> int:
        """How many points stand behind each that was fitted."""
        return max(1, self.points // self.fades.values.size)

    @property
    def newest(self) -> int:
        """How many of the newest points are after a change; 0 where none is found."""
        return min(self.doubts.newest * self.each, self.points - 1)

    @property
    def spent(self) -> int:
        """How many of its oldest points are all that the fast fade explains, where that is few: better spent anew.

        Above all that is so where the stretch begins just before a jump: one fade would be left for all after it.
        """
        begun, fades = abs(float(self.fades.begun[0])), self.fades
        if begun <= self.noise.spread or self.points < _FEWEST_TESTED:
            return 0
        over_s = math.log(begun / self.noise.spread) / float(fades.course.rates[0])
        spent = int(np.searchsorted(fades.times_s, over_s))
        return spent * self.each if spent <= _SPENT * fades.times_s.size else 0

    def reach(self, error: float) -> Reach:
        """How far reaches what its points allow, but for such an error [1]."""
        # From the lower end, where a small error is not lost beside one.
        quantile = -float(student_quantile(error / 2.0, self.dof))
        return reach_of(self.fades, self.noise, quantile=quantile, plain=float(student_quantile(_PLAIN, self.dof)))


def unbroken(times_s: Sequence[float]) -> int:
    """How many of the newest points came without a long pause between.

    In a pause nobody saw anything, and a counter that leapt shows as one: it is no evidence of rest.

    Args:
        times_s: of the points, in order [s].
    """
    apart = np.diff(times_s)
    pauses = np.flatnonzero(apart > max(_PAUSE * float(np.median(apart)), _PAUSE_S)) if apart.size else apart
    return len(times_s) - (int(pauses[-1]) + 1 if pauses.size else 0)


def outlook_of(
    times_s: Sequence[float],
    values: Sequence[float],
    *,
    of: str,
    unit: Literal["um", "K"],
    within: float | None = None,
    step: float = 0.0,
) -> Outlook | None:
    """What an approach to equilibrium looks like now.

    A fast and a slow fade are fitted to the points since the last long pause. Where the residuals refuse the fit, it
    begins anew with the points after the change; what is still to come is bounded from the longest newest stretch whose
    fit holds, over all rates that its points allow. As a soak is judged again with each point, the n-th look has
    5·α/(n·(n − 1)) of the error α for it alone, so that all looks from the sixth on together have α.

    Args:
        times_s: of the points since the soak began, in order [s].
        values: of the points [unit].
        of: what was watched.
        unit: of the values.
        within: what may still be to come [unit].
        step: in which values are shown [unit].

    Returns:
        The outlook; None where there are too few points, or all of one moment.

    Source: errors of many looks add up at most (Boole's inequality); how they are divided is a choice of ours, as in
    Howard, Ramdas, McAuliffe and Sekhon, Time-uniform, nonparametric, nonasymptotic confidence sequences (2021).
    """
    return _outlook(tuple(times_s), tuple(values), of, unit, within, step)


@lru_cache(maxsize=_KEPT)
def _outlook(
    times_s: tuple[float, ...],
    values: tuple[float, ...],
    of: str,
    unit: Literal["um", "K"],
    within: float | None,
    step: float,
) -> Outlook | None:
    # Below a billionth of the unit is nothing that anything shows, and what underflows.
    times, points = (np.asarray(numbers, dtype=np.float64).round(9) for numbers in (times_s, values))
    if times.size < FEWEST or times[-1] <= times[0]:
        return None
    stretch, reach = _newest(times, points, step, within)
    course, slope, slope_u = _shown(stretch, reach)
    # A drift that brings no more than is allowed while the slowest fade dies down is rest.
    known = math.isfinite(reach.to_come)
    steady = course is None and known and (within is None or bool(exceeds(reach.to_come, within)))
    course = course or stretch.fades.course
    to_come = course.to_come if known and math.isfinite(slope) else slope * SLOWEST_S
    return Outlook(
        of=of,
        unit=unit,
        at_s=float(times[-1]),
        now=course.settled - course.to_come,
        rate_per_min=60.0 * slope,
        rate_u=60.0 * slope_u,
        to_come=math.copysign(math.inf, slope) if steady else to_come,
        bound=math.inf if steady else max(reach.to_come, abs(to_come)),
        within=within,
        left_s=None if steady or not known else _left_s(course, stretch.fades.times_s[-1], reach.to_come, within),
        points=int(times.size),
        seen=_thinned(times, points),
        curve=_curve(course, float(stretch.fades.times_s[-1]), float(times[-1])),
    )


def _newest(times: Floats, points: Floats, step: float, within: float | None) -> tuple[_Stretch, Reach]:
    """The longest newest stretch whose fit holds, and how far reaches what it allows.

    Where something seems to have begun late, what came after it is asked too before anything is settled, and the larger
    counts. Where few changes do not explain what refuses the fit, it goes up and down: that counts as an error that
    does not average.
    """
    error = (1.0 - _CONFIDENCE) * (FEWEST - 1.0) / (times.size * (times.size - 1.0))
    shown: tuple[_Stretch, Reach] | None = None
    count = unbroken(times.tolist())
    while count >= FEWEST and times[-count] < times[-1]:
        # Which stretch is taken is chosen too: each that is tried has a part of the error for itself alone.
        error /= 2.0
        stretch = _stretch(times[-count:], points[-count:], step)
        if stretch.doubts.refused:
            newest = stretch.newest
            if not newest or not _hold(times[-count:-newest], points[-count:-newest], step, _CHANGES):
                swinging = _swinging(stretch)
                return _worse(shown, (swinging, swinging.reach(error)))
            count = newest
        elif stretch.spent:
            count -= stretch.spent
        else:
            shown = _worse(shown, (stretch, stretch.reach(error)))
            if not stretch.doubts.doubted or within is None or shown[1].to_come > within:
                return shown
            count = stretch.newest
    if shown is not None:
        return shown[0], replace(shown[1], to_come=math.inf)
    count = max(FEWEST, int(np.count_nonzero(times >= times[times < times[-1]][-1])))
    stretch = _stretch(times[-count:], points[-count:], step)
    return stretch, replace(stretch.reach(error), to_come=math.inf)


def _hold(times: Floats, points: Floats, step: float, changes: int) -> bool:
    """Whether no more than so many changes explain all the points."""
    if times.size < _FEWEST_TESTED or times[-1] <= times[0]:
        return True
    stretch = _stretch(times, points, step)
    newest = stretch.newest
    if not stretch.doubts.refused:
        return True
    if not changes or not newest:
        return False
    after = _hold(times[-newest:], points[-newest:], step, 0)
    return after and _hold(times[:-newest], points[:-newest], step, changes - 1)


def _worse(shown: tuple[_Stretch, Reach] | None, found: tuple[_Stretch, Reach]) -> tuple[_Stretch, Reach]:
    """The longer stretch, with the larger of what may be to come."""
    if shown is None:
        return found
    return shown[0], replace(shown[1], to_come=max(shown[1].to_come, found[1].to_come))


def _stretch(times: Floats, points: Floats, step: float) -> _Stretch:
    """Fades fitted to points; of very many, to means of so many that follow each other."""
    each = math.ceil(times.size / _MOST)
    many = times.size // each
    # The newest point is always among them; some of the oldest may not be.
    own_times, own = (one[-many * each :].reshape(many, each).mean(axis=-1) for one in (times, points))
    fades = fit_fades(own_times, own)
    dof = max(own.size - _NUMBERS, 1.0)
    least = max(_ROUNDINGS * float(np.ptp(own)), _NOTHING)
    noise = Noise(
        spread=max(math.sqrt(float(fades.left @ fades.left) / dof), least), systematic=rounding_bias(points, step)
    )
    if own.size < _FEWEST_TESTED:
        return _Stretch(fades, times.size, noise, dof, Doubts(refused=False, doubted=False, newest=0))
    doubts = doubts_of(
        fades.times_s, fades.left, fades.taken, spread=noise.spread, systematic=noise.systematic, dof=dof
    )
    return _Stretch(fades, times.size, noise, dof, doubts)


def _swinging(stretch: _Stretch) -> _Stretch:
    """The same, with what goes up and down as an error that does not average."""
    noise = stretch.noise
    more = _TAKEN_UP * swing_of(stretch.fades.left)
    return replace(stretch, noise=replace(noise, systematic=noise.systematic + more))


def _shown(stretch: _Stretch, reach: Reach) -> tuple[Course | None, float, float]:
    """The plainest course that explains the points: a line, one fade, or both; None for a line that goes on.

    With it the slope now and its standard uncertainty [unit/s].
    """
    fades, noise = stretch.fades, stretch.noise
    quantile = float(student_quantile(_PLAIN, stretch.dof))
    least = float(fades.left @ fades.left)
    allowed = least + (quantile * noise.spread) ** 2
    apart = fades.times_s - fades.times_s.mean()
    weights = apart / float(apart @ apart)
    slope, level = float(weights @ fades.values), float(fades.values.mean())
    left = fades.values - level - slope * apart
    if float(left @ left) <= allowed:
        reached = quantile * noise.spread * math.sqrt(float(weights @ weights))
        reached += noise.systematic * float(np.abs(weights).sum())
        at_rest = Course(rates=np.zeros(1), amplitudes=np.zeros(1), settled=level)
        return (None if abs(slope) > reached else at_rest), slope, reached / quantile
    plain = fit_fade(fades.times_s, fades.values)
    left = fades.values - plain.settled + plain.to_come_after(fades.times_s - fades.times_s[-1])
    course = plain if float(left @ left) <= allowed else fades.course
    return course, course.slope, reach.slope / quantile


def _left_s(course: Course, watched_s: float, bound: float, within: float | None) -> float | None:
    """Time until the bound should be within the limit [s]: fades go on, and what is not known shrinks as it is watched.

    That it shrinks with the square of the time is about what fades fitted to more points do (worked out).
    """
    if within is None or within <= 0.0:
        return None
    if bound <= within:
        return 0.0
    unknown = max(bound - abs(course.to_come), 0.0)
    first, last = 0.0, _LONGEST_S
    for _ in range(_ZOOMS):
        asked = np.linspace(first, last, _ASKED)
        shrunk = unknown * np.square(watched_s / (watched_s + asked))
        above = np.flatnonzero(np.abs(course.to_come_after(asked)) + shrunk > within)
        if above[-1] == asked.size - 1:
            return None
        first, last = float(asked[above[-1]]), float(asked[above[-1] + 1])
    return last


def _thinned(times: Floats, points: Floats) -> tuple[tuple[float, float], ...]:
    """Points that are worth drawing; the newest one always among them."""
    step = max(1, math.ceil(times.size / _DRAWN))
    return tuple(zip(times[::-1][::step][::-1].tolist(), points[::-1][::step][::-1].tolist(), strict=True))


def _curve(course: Course, watched_s: float, last_s: float) -> tuple[tuple[float, float], ...]:
    later = np.linspace(-watched_s, _AHEAD * watched_s, _CURVE)
    fitted = course.settled - course.to_come_after(later)
    return tuple((last_s + float(at), float(value)) for at, value in zip(later, fitted, strict=True))
