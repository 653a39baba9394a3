"""What repeats tell: the scatter of readings, how the zero drifted, and what both do to a measured difference.

A zero, a reading of the part and a return are single readings of one comparator, with one standard deviation s. What
was measured is a sum of means of such groups, each with its coefficient, so u = s·√(Σ coefficient²/n), with the degrees
of freedom of s: JCGM 100:2008, 5.1.2 eq. (10), which holds for independent groups alone (5.2.1). A mean that enters
twice, as that of a zero does in a difference and in its closure, has one coefficient: the sum of both (5.2.2 eq. (13)).
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean
from typing import Any

from scipy.stats import t as student

from second.bench import Bench
from second.estimates import Part
from second.quantities import quantity
from second.weights import Weighed, zero_mean

# When a drift is taken out is a choice of the tool: a record says "within its uncertainty" or "more than".
COVERAGE_OF_A_CLOSURE = 0.9545


@dataclass(frozen=True)
class Spread:
    """Standard deviation of a single reading [um] and its degrees of freedom [1]."""

    s: float
    dof: float


@dataclass(frozen=True)
class Drift:
    """How far the reference read elsewhere at a visit.

    Attributes:
        zero: number of the zero.
        visit: number of the return under it.
        closure: mean of the return less mean of the zero [um].
        share: Σ weight · share of this closure that a reading had seen.
        taken: whether it is taken out.
    """

    zero: int
    visit: int
    closure: float
    share: float
    taken: bool


def pooled(groups: Iterable[list[float]]) -> tuple[float, float]:
    """Pooled standard deviation of groups, each about its own mean (JCGM 100:2008, 4.2.4)."""
    kept = [values for values in groups if len(values) > 1]
    dof = sum(len(values) - 1 for values in kept)
    squares = sum((value - fmean(values)) ** 2 for values in kept for value in values)
    return (math.sqrt(squares / dof), float(dof)) if dof else (0.0, 0.0)


def single_spread(bench: Bench) -> Spread:
    """From single readings: what is read alike is one place, force and zero; one zero; one visit."""
    groups = defaultdict(list)
    for item in bench.readings:
        groups[item.kind, item.place, item.force, item.zero, item.visit].append(item.value)
    return Spread(*pooled(groups.values()))


def spread_of(settings: Mapping[str, Any], bench: Bench, seen: Weighed) -> Spread:
    """The scatter that a characteristic is given: stated by the routine, or the run's own.

    Where every reading of a place has a zero of its own, what repeats is the whole observation of a round, as in
    JCGM 100:2008, H.1.3.2: s of the rounds' values by 4.2.2 eq. (4), which asks for independent observations: readings
    of one round are none, as they share its zero. A round is as many times as wide as a single reading as 5.1.2
    eq. (10) says of its readings and its zero.
    """
    lifts = fmean(len(bench.under(zero, "zero")) for zero in seen.of_zero)
    if "pooled" in settings:
        stated = settings["pooled"]
        of_difference = math.sqrt(1.0 + 1.0 / lifts) if stated["of"] == "differences" else 1.0
        return Spread(quantity(stated["standard"]) / of_difference, float(stated["dof"]))
    under: Counter[tuple[str, int]] = Counter((item.place, item.zero) for item in seen.readings)
    if len(seen.of_zero) == 1 or max(under.values()) > 1:
        return single_spread(bench)
    rounds = dict.fromkeys(seen.of_zero, 0.0)
    for item in seen.readings:
        rounds[item.zero] += seen.of_place[item.place] * (item.value - zero_mean(bench, item.zero))
    common = sum(seen.of_place.values())
    s, dof = pooled([list(rounds.values())])
    return Spread(s / math.sqrt(sum(weight**2 for weight in seen.of_place.values()) + common**2 / lifts), dof)


def scatter_of(spread: Spread, step: float, bench: Bench, seen: Weighed, drifts: Iterable[Drift]) -> Part:
    """What scatter leaves in the measured difference; or rounding, where that is more (common practice, no source)."""
    groups = _coefficients(bench, seen, drifts)
    u = spread.s * math.sqrt(sum(share**2 / count for share, count in groups))
    # JCGM 100:2008, F.2.2.1: half a step to either side, rectangular; one error for all that show the same step.
    rounding = step / math.sqrt(12.0) * math.sqrt(sum(share**2 for share, _ in groups))
    return Part(0.0, u, spread.dof) if u >= rounding else Part(0.0, rounding)


def _coefficients(bench: Bench, seen: Weighed, drifts: Iterable[Drift]) -> list[tuple[float, int]]:
    """Coefficient and number of readings of every group whose mean the measured difference is made of."""
    groups: dict[tuple[str, str, int, int], float] = defaultdict(float)
    counts: dict[tuple[str, str, int, int], int] = defaultdict(int)
    for item, weight in zip(seen.readings, seen.weights, strict=True):
        groups["read", item.place, item.zero, 0] += weight
        counts["read", item.place, item.zero, 0] += 1
    for zero, weight in seen.of_zero.items():
        groups["zero", "", zero, 0] -= weight
        counts["zero", "", zero, 0] = len(bench.under(zero, "zero"))
    for drift in drifts:
        if drift.taken:
            groups["zero", "", drift.zero, 0] += drift.share
            groups["return", "", drift.zero, drift.visit] -= drift.share
            counts["return", "", drift.zero, drift.visit] = len(bench.under(drift.zero, "return", drift.visit))
    return [(share, counts[key]) for key, share in groups.items()]


def drifts_of(bench: Bench, seen: Weighed, spread: Spread, step: float) -> list[Drift]:
    """Each closure of the zeros that count, linear in time between visits (`routines/README.md`; DEVELOPERS.md).

    It is taken out where it is larger than its own expanded uncertainty, and carried where it is not.
    """
    drifts = []
    for zero in seen.of_zero:
        shares = _shares(bench, seen, zero)
        for visit in range(1, bench.visits(zero) + 1):
            returns = bench.under(zero, "return", visit)
            closure = fmean(item.value for item in returns) - zero_mean(bench, zero)
            # JCGM 100:2008, 5.1.2 eq. (10), of a difference of two means; F.2.2.1
            u = spread.s * math.sqrt(1.0 / len(returns) + 1.0 / len(bench.under(zero, "zero")))
            k = student.ppf(0.5 + COVERAGE_OF_A_CLOSURE / 2.0, spread.dof) if spread.dof else math.inf
            rounding = step / math.sqrt(6.0)
            known = k * u if u >= rounding else 2.0 * rounding
            drifts.append(Drift(zero, visit, closure, shares[visit], taken=abs(closure) > known))
    return drifts


def _shares(bench: Bench, seen: Weighed, zero: int) -> list[float]:
    """Σ weight · share of each visit's closure, by number of the visit (0: the zero itself)."""
    visits = [bench.under(zero, "zero")]
    visits += [bench.under(zero, "return", visit) for visit in range(1, bench.visits(zero) + 1)]
    times = [fmean(item.time for item in visit) for visit in visits]
    shares = [0.0] * len(times)
    for item, weight in zip(seen.readings, seen.weights, strict=True):
        if item.zero != zero:
            continue
        for before, (start, end) in enumerate(pairwise(times)):
            if start <= item.time < end:
                gone = (item.time - start) / (end - start)
                shares[before] += weight * (1.0 - gone)
                shares[before + 1] += weight * gone
    return shares
