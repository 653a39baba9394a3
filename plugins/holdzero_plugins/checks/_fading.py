"""How much heat is in a value, from readings alone: all courses that they allow, not the best one.

A part that is too warm fades as a sum of exponentials. Its time constants lie within bounds that physics gives; which
of them it has, a few readings do not tell. So everything is asked at each of them (`_courses`), and the answer reaches
as far as any course that the readings allow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import f_quantile, student_quantile
from holdzero_plugins.checks._courses import (
    NOTHING,
    OWN_FASTER,
    OWN_RATES,
    RATES,
    Courses,
    Fits,
    Space,
    every_course,
    fits_of,
    space_of,
    widest,
)
from holdzero_plugins.checks._warm_rows import Floats, Reach, Rows

_T = TypeVar("_T", np.float64, np.bool_)

__all__ = ["Heat", "Spans", "fading", "still_um"]

_COVERAGE = 0.975  # upper end of a two-sided interval of 95 %
_AT_ONCE = 128
"""So many runs are worked out together: their numbers still fit near the processor, which is twice as fast."""
_WITHIN = 0.5  # of the weights' sum: 1 for a size, 0 for a difference within the part


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """What physics says of time constants.

    Attributes:
        slowest_s, fastest_s: of the whole part [s].
        even_s: in which differences within the part even out, at most [s].
    """

    slowest_s: float
    fastest_s: float
    even_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """What the readings say of heat, an entry for each run.

    Attributes:
        in_value: heat in the measured value [um].
        left: heat in what would be read at the last reading's time [um].
        moved_um: by how much the best course fell from the first reading to the last [um]; negative where it rose.
        shortest_s, longest_s: time constants that the readings allow [s].
        scatter_um: of a reading about the best course [um].
        dof: its degrees of freedom [1].
        size_seen: whether the whole part moved, beyond scatter.
        shape_seen: whether its places moved against each other, beyond scatter.
        odd: whether they did so slower than the part evens out inside.
    """

    in_value: Reach
    left: Reach
    moved_um: Floats
    shortest_s: Floats
    longest_s: Floats
    scatter_um: Floats
    dof: float
    size_seen: NDArray[np.bool_]
    shape_seen: NDArray[np.bool_]
    odd: NDArray[np.bool_]

    @classmethod
    def joined(cls, parts: Sequence[Heat]) -> Heat:
        """Of all runs of some parts, in their order."""
        if len(parts) == 1:
            return parts[0]

        def numbers(of: Callable[[Heat], NDArray[_T]]) -> NDArray[_T]:
            return np.concatenate([of(one) for one in parts])

        return cls(
            in_value=Reach.joined([one.in_value for one in parts]),
            left=Reach.joined([one.left for one in parts]),
            moved_um=numbers(lambda one: one.moved_um),
            shortest_s=numbers(lambda one: one.shortest_s),
            longest_s=numbers(lambda one: one.longest_s),
            scatter_um=numbers(lambda one: one.scatter_um),
            dof=parts[0].dof,
            size_seen=numbers(lambda one: one.size_seen),
            shape_seen=numbers(lambda one: one.shape_seen),
            odd=numbers(lambda one: one.odd),
        )


def fading(rows: Rows, spans: Spans, *, significance: float) -> Heat:
    """How much heat is in a value, and whether it shows.

    The whole part fades by one common course: one exponential or two, of one sign or nearly so. Beside it each place
    may fade by itself while the part evens out inside. Where that is better explained by a slower fade than a
    part can have inside, nothing can be told.

    Args:
        rows: the readings.
        spans: time constants that are possible.
        significance: of the tests whether something moved [1].

    Returns:
        What they say; infinite where it can't be told.

    Source: whether something moved is an F-test of nested models, NIST/SEMATECH e-Handbook, 4.4.4.6 (from memory),
    with two degrees of freedom above the line: an amplitude, and the rate that explains most.
    """
    return Heat.joined([_fading(part, spans, significance) for part in rows.parts(_AT_ONCE)])


def _fading(rows: Rows, spans: Spans, significance: float) -> Heat:
    """The same, of so many runs as are worked out together."""
    rates, courses, dof = _every(rows, spans)
    least = np.min([one.least for one in courses], axis=0)
    scatter = _scatter(least, dof, rows.step_um)
    rounding = _rounding_um(scatter, rows.step_um) * math.sqrt(rows.times_s.size)
    limit = least + np.square(_spread_um(scatter, dof) + rounding)
    in_value, left = widest(courses, limit)
    shows = 2.0 * f_quantile(1.0 - significance, 2.0, dof) * np.square(scatter) if dof > 0.0 else np.inf
    plain = fits_of(rows, rows.shapes(rates), None)
    moved, shortest, longest = _course(rows, plain, rates, limit - least)
    apart, longer = _apart(rows, spans, rates)
    shape_seen = np.asarray(np.maximum(apart, longer) > shows)
    # Of a size, in which all places have the heat of the whole part, it is no matter.
    within = np.abs(rows.sums.sum(axis=-1)) < _WITHIN
    odd = shape_seen & within & (longer > apart)
    return Heat(
        in_value=in_value.unknown(odd),
        left=left.unknown(odd),
        moved_um=moved,
        shortest_s=shortest,
        longest_s=longest,
        scatter_um=scatter,
        dof=dof,
        size_seen=np.asarray(np.square(plain.onto).max(axis=-1) > shows),
        shape_seen=shape_seen,
        odd=odd,
    )


def still_um(rows: Rows, spans: Spans, scatter_um: float) -> float:
    """How much heat may be in a value whose readings do not move at all [um].

    Args:
        rows: when is read, and what; the values do not matter.
        spans: time constants that are possible.
        scatter_um: of a single reading [um].
    """
    still = replace(rows, values_um=np.zeros(rows.times_s.size))
    _, courses, dof = _every(still, spans)
    limit = np.square(_spread_um(np.asarray(scatter_um), dof))
    in_value, _ = widest(courses, limit)
    return float(in_value.most)


def _every(rows: Rows, spans: Spans) -> tuple[Floats, list[Courses], float]:
    """The common rates, all courses, and the degrees of freedom that are left; a rate of each kind takes one."""
    rates = 1.0 / np.geomspace(spans.slowest_s, spans.fastest_s, RATES)
    courses = every_course(rows, rates, spans.even_s)
    taken = courses[0].fits.space.basis.shape[1] + (3 if rows.many > 1 else 2)
    return rates, courses, float(rows.times_s.size - taken)


def _spread_um(scatter: Floats, dof: float) -> Floats:
    """Half of an interval of 95 % by Student's t [um]; infinite without degrees of freedom, even where all fits."""
    if dof <= 0.0:
        return np.full_like(scatter, np.inf)
    return np.asarray(student_quantile(_COVERAGE, dof) * scatter)


def _scatter(squares: Floats, dof: float, step_um: float) -> Floats:
    """Standard deviation about the best course [um]; rounding leaves the step over √12, JCGM 100:2008, F.2.2.1."""
    return np.maximum(np.sqrt(squares / max(dof, 1.0)), step_um / math.sqrt(12.0))


def _rounding_um(scatter: Floats, step_um: float) -> Floats:
    """What rounding to a step shows wrong at most once scatter is averaged [um].

    Source: the mean error of rounding, at most −q/π·ln(1 − exp(−2π²s²/q²)) (Widrow and Kollár, Quantization Noise,
    2008, from memory); Sheppard's correction takes the rounding itself out of the scatter.
    """
    if step_um <= 0.0:
        return np.zeros_like(scatter)
    share = np.exp(-2.0 * math.pi**2 * np.maximum(np.square(scatter / step_um) - 1.0 / 12.0, 0.0))
    with np.errstate(divide="ignore"):
        return np.asarray(np.minimum(step_um / 2.0, -step_um / math.pi * np.log1p(-share)))


def _course(rows: Rows, fits: Fits, rates: Floats, free: Floats) -> tuple[Floats, Floats, Floats]:
    """How far the best single fade fell from the first reading to the last, and which time constants are allowed."""
    squares = fits.squares
    best = squares.argmin(axis=-1)
    warm = rows.times_s[rows.warm]
    fallen = (np.exp(-rates * warm.min()) - np.exp(-rates * warm.max()))[best]
    moved = np.take_along_axis(fits.amplitudes, best[..., None], axis=-1)[..., 0] * fallen
    allowed = squares - squares.min(axis=-1)[..., None] <= free[..., None]
    spans = np.broadcast_to(1.0 / rates, squares.shape)
    return (
        np.asarray(moved),
        np.where(allowed, spans, np.inf).min(axis=-1),
        np.where(allowed, spans, -np.inf).max(axis=-1),
    )


def _apart(rows: Rows, spans: Spans, rates: Floats) -> tuple[Floats, Floats]:
    """What a fade of the value's places against each other explains: while the part evens out, and for longer."""
    if rows.many == 1:
        nothing = np.zeros(rows.values_um.shape[:-1])
        return nothing, nothing
    # What is common to all places, whatever its course, is taken out with three shapes of it.
    space = space_of(rows, None, rows.shapes(rates[[0, rates.size // 2, -1]]).T)
    counts = rows.sums[..., None, rows.places] * (rows.places >= 0)
    even, slowest = 1.0 / spans.even_s, 1.0 / spans.slowest_s
    usual, slow = np.geomspace(even, even * OWN_FASTER, OWN_RATES), np.geomspace(slowest, even, OWN_RATES + 1)[:-1]
    slow = slow[slow < even * (1.0 - NOTHING)]  # none, where a part is as long uneven inside as it is warm
    usually, for_longer = (
        _gained(rows, space, counts * np.exp(-some[:, None] * rows.times_s)) for some in (usual, slow)
    )
    return usually, for_longer


def _gained(rows: Rows, space: Space, shapes: Floats) -> Floats:
    """By how much one of the shapes brings the sum of squares down at most."""
    left, beyond = space.beyond(rows.values_um), space.beyond(shapes)
    products = np.square(beyond).sum(axis=-1)
    resolved = products > NOTHING * rows.times_s.size
    gained = np.where(resolved, np.square((left[..., None, :] * beyond).sum(axis=-1)), 0.0)
    return np.asarray((gained / np.where(resolved, products, 1.0)).max(axis=-1, initial=0.0))
