"""How often an interval of 95 % of the value at which a fade settles has the true one: made-up fades.

    python tests/benchmarks/heat.py --coverage 500

What is tried is `settled`, and nothing else here knows of the tool.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdzero_plugins.checks._fading import Spans, fading
from holdzero_plugins.checks._warm_rows import Rows

Floats = NDArray[np.float64]

SCATTER_UM, DIAL_UM, COARSE_UM = 0.025, 0.02, 0.1
PACE_S, SLOWEST_MIN = 15.0, 45.0
KINDS = ("one fade", "two, same sign", "two, opposite", "one, coarse dial 0.1")
BINS = ((0.3, 0.5), (0.5, 0.75), (0.75, 1.0), (1.0, 1.5), (1.5, 3.0))
POSSIBLE = Spans(slowest_s=2700.0, fastest_s=15.0, even_s=81.0)
"""What physics says of a steel block of 100 mm, up to the longest time constant that is tried here."""


def settled(times_s: Floats, values_um: Floats, places: NDArray[np.int64], resolution_um: float) -> tuple[float, float]:
    """What the tool holds for the interval of 95 % of the value at which place 0 settles [um].

    Args:
        times_s: of the readings, from the first [s].
        values_um: readings [um].
        places: which place each is of, from 0.
        resolution_um: step of the dial [um].
    """
    own = places == 0
    weights = own / np.count_nonzero(own)
    rows = Rows(
        times_s=times_s,
        values_um=values_um,
        zeros=np.zeros(times_s.size, dtype=np.int64),
        places=places,
        weights=weights,
        warm=np.ones(times_s.size, dtype=bool),
        step_um=resolution_um,
    )
    heat = fading(rows, POSSIBLE, significance=0.01).in_value
    read = float(weights @ values_um)
    return read - float(heat.high), read - float(heat.low)


@dataclass(frozen=True)
class Fading:
    """Readings of a part whose heat fades.

    Attributes:
        share: of its time constant that the readings span [1].
        times_s, values_um, places: of the readings [s, um].
        true_um: value at which place 0 settles [um].
        dial_um: step of the comparator [um].
        sign: +1 for a part that is warm at first, −1 for a cold one [1].
    """

    share: float
    times_s: Floats
    values_um: Floats
    places: NDArray[np.int64]
    true_um: float
    dial_um: float
    sign: float


def made_up(seed: int, kind: str, number: int) -> Fading:
    """The case of this number: the same for everybody."""
    random = np.random.default_rng([seed, KINDS.index(kind), number])
    # A second fade takes half as long again at the least, and no longer than 45 min either.
    tau_s = 60.0 * math.exp(random.uniform(0.0, math.log(30.0 if kind.startswith("two") else SLOWEST_MIN)))
    low, high = BINS[number % len(BINS)]  # each bin alike
    share = random.uniform(low, high)
    rounds, count = int(random.integers(4, 16)), int(random.choice([1, 5]))
    # The readings of a round follow each other, and the last round is whole when the span is over.
    pace_s = min(PACE_S, share * tau_s / (rounds * count))
    period_s = (share * tau_s - pace_s * (count - 1)) / (rounds - 1)
    times = np.add.outer(period_s * np.arange(rounds), pace_s * np.arange(count)).ravel()
    places = np.tile(np.arange(count), rounds)
    sign = float(random.choice([-1.0, 1.0]))
    first = random.uniform(0.1, 0.6) * sign
    fades = first * np.exp(-times / tau_s)
    if kind.startswith("two"):
        slow_s = min(tau_s * random.uniform(1.5, 3.0), 60.0 * SLOWEST_MIN)
        alike = 1.0 if kind.endswith("same sign") else -1.0
        fades += alike * random.uniform(0.1, 0.4) * first * np.exp(-times / slow_s)
    true = random.uniform(-1.0, 1.0, count)
    shown = true[places] + fades + SCATTER_UM * random.standard_normal(times.size)
    dial = COARSE_UM if "coarse" in kind else DIAL_UM
    return Fading(share, times, dial * np.rint(shown / dial), places, float(true[0]), dial, sign)


@dataclass(frozen=True)
class Tried:
    """How an interval came out.

    Attributes:
        half_um: its half width [um]; infinite where it says nothing.
        missed: −1 where too much heat was taken off, +1 where too little was, 0 where it has the true value.
    """

    half_um: float
    missed: int


def tried(case: Fading) -> Tried:
    """Hold the interval of a case to its truth."""
    low, high = settled(case.times_s, case.values_um, case.places, case.dial_um)
    low, high = (-math.inf if math.isnan(low) else low), (math.inf if math.isnan(high) else high)
    missed = case.sign * (float(low > case.true_um) - float(high < case.true_um))
    return Tried((high - low) / 2.0, round(missed))


def _line(name: str, results: Sequence[Tried], interval: str) -> str:
    halves = np.array([result.half_um for result in results])
    much, little = (sum(result.missed == side for result in results) for side in (-1, 1))
    has = 100.0 * (1.0 - (much + little) / len(results))
    endless = 100.0 * float(np.mean(~np.isfinite(halves)))
    return (
        f"{name:22} {interval:>10} {len(results):5} {has:7.1f} {np.median(halves):9.3f} {endless:8.1f}"
        f" {much:8} {little:10}"
    )


def covered(cases: int, seed: int) -> None:
    """Print how often the interval has the true value, by kind and by span over time constant."""
    print(
        f"{'kind':22} {'span/tau':>10} {'cases':>5} {'has, %':>7} {'half, um':>9} {'endless%':>8}"
        f" {'too much':>8} {'too little':>10}"
    )
    for kind in KINDS:
        by_bin: dict[tuple[float, float], list[Tried]] = {bounds: [] for bounds in BINS}
        for number in range(cases):
            by_bin[BINS[number % len(BINS)]].append(tried(made_up(seed, kind, number)))
        for (low, high), results in by_bin.items():
            if results:
                print(_line(kind, results, f"{low:g}–{high:g}"), flush=True)
        print(_line(kind, [one for results in by_bin.values() for one in results], "all"), flush=True)
    print("half: half width of the middle interval; too much, too little: it misses, as so much heat was taken off")
