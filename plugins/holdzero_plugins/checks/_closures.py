"""How each zero closed, what of it is taken out, and in what readings a characteristic's value then consists."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import CharacteristicView, Number, Reading, RunView, exceeds, mean, student_quantile
from holdzero_plugins.checks._scatter import plain, root_sum_square

_COVERAGE = 0.9545  # k = 2 for a normal closure (JCGM 100:2008, G.1.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """What one visit to the reference read off its zero.

    Attributes:
        zero: its number.
        visit: number of the visit under it, from 1.
        readings: how many the visit has.
        off_um: mean of the visit less mean of the zero [um].
        share: of this closure in the measured difference: Σ weight · share of each reading, by its moment [1].
        limit_um: expanded uncertainty of the closure [um].
        taken_out: whether it is larger; an array has one entry a run.
    """

    zero: int
    visit: int
    readings: int
    off_um: Number
    share: Number
    limit_um: Number
    taken_out: bool | NDArray[np.bool_]


def closures(run: RunView, c: CharacteristicView) -> list[Closure]:
    """The closures of the zeros that a characteristic hangs on.

    Source: linear interpolation between visits, as the drift model of the NIST/SEMATECH e-Handbook,
    2.3.3.1.2; when to correct: common practice, no source.
    """
    found: list[Closure] = []
    under, limits_um, order = _under(c), dict[tuple[int, int], Number](), _Order(run)
    for number in c.zero_weights():
        zeros, visits = run.zeros(number), run.returns(number)
        if not visits:
            continue
        shares = _shares(order, under[number], zeros, visits)
        for index, (visit, share) in enumerate(zip(visits, shares, strict=True), 1):
            off = mean([r.value_um for r in visit]) - run.zero_um(number)
            counts = len(zeros), len(visit)
            if counts not in limits_um:
                limits_um[counts] = _limit_um(run, *counts)
            limit = limits_um[counts]
            found.append(
                Closure(
                    zero=number,
                    visit=index,
                    readings=len(visit),
                    off_um=off,
                    share=share,
                    limit_um=limit,
                    taken_out=exceeds(np.abs(off), limit, run.resolution_um),
                )
            )
    return found


def _under(c: CharacteristicView) -> dict[int, list[tuple[Reading, Number]]]:
    """Readings of a characteristic with their weights [1], by the number of their zero."""
    under: dict[int, list[tuple[Reading, Number]]] = {}
    for reading, weight in zip(c.readings, c.weights, strict=True):
        under.setdefault(reading.zero, []).append((reading, weight))
    return under


def _shares(
    order: _Order,
    under: Sequence[tuple[Reading, Number]],
    zeros: Sequence[Reading],
    visits: Sequence[Sequence[Reading]],
) -> list[Number]:
    """Σ weight · share of each visit's closure in the readings under a zero [1]."""
    by_order = _time_s(visits[-1]) <= _time_s(zeros)
    moment = order.place if by_order else _time_s
    nodes = [moment(group) for group in (zeros, *visits)]
    moments = [moment([r]) for r, _ in under]
    shares: list[Number] = []
    none = 0.0 + 0.0 * under[0][1]
    for index in range(1, len(nodes)):
        # A closure reaches from the visit before to the one after it; the last one to the end.
        near, shape = nodes[index - 1 : index + 2], (0.0, 1.0, 0.0)[: len(nodes) - index + 1]
        first = bisect_left(moments, near[0])
        end = bisect_right(moments, nodes[index + 1]) if index + 1 < len(nodes) else len(moments)
        seen = zip(under[first:end], np.interp(moments[first:end], near, shape), strict=True)
        shares.append(sum((weight * float(share) for (_, weight), share in seen), start=none))
    return shares


def _time_s(readings: Sequence[Reading]) -> float:
    """When a visit was made [s]."""
    return sum(r.time_s for r in readings) / len(readings)


@dataclass(frozen=True)
class _Order:
    """When a visit was made where no times are known: by its place among the readings of a run."""

    run: RunView

    @cached_property
    def _places(self) -> dict[int, float]:
        return {r.seq: float(place) for place, r in enumerate(self.run.readings)}

    def place(self, readings: Sequence[Reading]) -> float:
        """The mean place of some readings."""
        return sum(self._places[r.seq] for r in readings) / len(readings)


def _limit_um(run: RunView, zeros: int, returns: int) -> Number:
    """Expanded uncertainty of a closure [um].

    Source: JCGM 100:2008, 5.1.2 on a difference of two means; F.2.2.1 for the resolution.
    """
    s, dof = run.scatter_um
    scatter = s * math.sqrt(1.0 / zeros + 1.0 / returns)
    floor = run.resolution_um / math.sqrt(12.0) * math.sqrt(2.0)
    scattered = np.logical_and(dof > 0.0, scatter >= floor)
    # A quantile for each of the two, and not one a run.
    factors = np.array([student_quantile(0.5 + _COVERAGE / 2.0, known) for known in (math.inf, dof or math.inf)])
    standard = np.maximum(scatter, floor) if dof > 0.0 else floor
    return plain(standard * factors[np.asarray(scattered).astype(np.intp)])


@dataclass(frozen=True, slots=True)
class Made:
    """What a measured difference is made of, once drifts are taken out, in units of a single reading [1].

    Attributes:
        of_readings: root of the sum of the squared coefficients of all single readings.
        of_places: the same of what shows one step of the dial together: a place at a force, a zero, a visit.
    """

    of_readings: Number
    of_places: Number


def made_of(run: RunView, c: CharacteristicView, closed: Sequence[Closure]) -> Made:
    """How a measured difference is made of readings of the part, zeros and returns.

    A zero enters with the readings under it and with each closure that is taken out, and has one coefficient: the sum.

    Source: JCGM 100:2008, 5.1.2 eq. (10) of independent readings; 5.2.2 eq. (13) for what enters twice.
    """
    places: dict[tuple[object, ...], Number] = {}
    for r, weight in zip(c.readings, c.weights, strict=True):
        key = (r.zero, r.slot.place, r.slot.force_N)
        places[key] = places.get(key, 0.0) + weight
    zeros: dict[int, Number] = dict(c.zero_weights())
    visits: list[Number] = []
    for item in closed:
        share: Number = np.multiply(item.share, item.taken_out)
        zeros[item.zero] = zeros[item.zero] - share
        visits.append(share)
    single = [weight / math.sqrt(len(run.zeros(number))) for number, weight in zeros.items()]
    single += [share / math.sqrt(item.readings) for share, item in zip(visits, closed, strict=True)]
    return Made(
        of_readings=root_sum_square((*c.weights, *single)),
        of_places=root_sum_square((*places.values(), *zeros.values(), *visits)),
    )
