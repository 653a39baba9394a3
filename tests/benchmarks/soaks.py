"""Made-up soaks, and how many of them end with more to come than is allowed; the goal is none.

    python tests/benchmarks/soaks.py [--soaks 100000] [--seed 1] [--from 0]
    python tests/benchmarks/soaks.py --times

The first prints each soak that ended wrongly, and a sum for each kind. The second prints after what time sound soaks end.
It prints; it does not judge. What is allowed is one unit in every made-up soak, so that all else goes by it.
"""

from __future__ import annotations

import argparse
import collections
import math
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdzero.outlook import FEWEST, Outlook, outlook_of

Floats = NDArray[np.float64]

WITHIN = 1.0
FAST_S, SLOW_S = (30.0, 300.0), (300.0, 2700.0)
LONGEST_S = 2.0 * 3600.0
# A ramp has no end; what it brings within the slowest of the fades counts.
RAMP_COUNTS_S = 2700.0
KINDS = ("one", "two", "late", "late two", "ramp", "step", "trace")
SHARES = (0.15, 0.25, 0.15, 0.15, 0.1, 0.1, 0.1)
EARLIEST = 0.25  # of its time a soak may end, as `holdzero.run.soaking` has it


@dataclass(frozen=True)
class Soak:
    """A made-up soak.

    Attributes:
        kind: one of `KINDS`.
        words: what it is made of.
        times_s: of what is shown [s].
        shown: with noise, and rounded [allowed].
        to_come: what will truly come of what has begun [allowed].
        begins_s: when what comes late begins [s].
        at_least_s: time of the soak [s].
        step: in which it is shown [allowed].
    """

    kind: str
    words: str
    times_s: Floats
    shown: Floats
    to_come: Floats
    begins_s: float
    at_least_s: float
    step: float

    @property
    def earliest(self) -> int:
        """After how many points it may end at all."""
        return max(FEWEST, int(np.searchsorted(self.times_s, EARLIEST * self.at_least_s)) + 1)

    def outlook(self, points: int) -> Outlook | None:
        """Where it stands after so many points."""
        return outlook_of(
            self.times_s[:points].tolist(),
            self.shown[:points].tolist(),
            of="",
            unit="um",
            within=WITHIN,
            step=self.step,
        )

    def ends(self, points: int) -> bool:
        """Whether it would end after so many points."""
        outlook = self.outlook(points)
        return outlook is not None and outlook.settled


def made_up(seed: int, number: int) -> Soak:
    """The soak of this number: the same for everybody."""
    random = np.random.default_rng([seed, number])
    kind = str(random.choice(KINDS, p=SHARES))
    every_s, at_least_s = _log_uniform(random, 8.0, 60.0), 60.0 * random.uniform(4.0, 40.0)
    times = np.arange(0.0, min(4.0 * at_least_s + 1800.0, LONGEST_S), every_s)
    begins_s = random.uniform(0.0, min(1.5 * at_least_s, 2400.0)) if kind not in ("one", "two", "trace") else 0.0
    true, to_come, words = np.zeros_like(times), np.zeros_like(times), [f"every {every_s:.0f} s"]
    for tau_s in _time_constants(random, kind):
        from_s = 0.0 if kind == "step" else begins_s
        size = _size(random)
        jumps = from_s == 0.0 or random.random() < 0.5
        left = size * np.where(times >= from_s, np.exp(-np.maximum(times - from_s, 0.0) / tau_s), 0.0)
        # It jumps and fades back, or it grows from where it was.
        true += left if jumps else np.where(times >= from_s, size, 0.0) - left
        to_come += -left if jumps else left
        words.append(f"{'jumps' if jumps else 'grows'} by {size:+.2f}, {tau_s / 60.0:.1f} min")
    if kind == "step":
        true += _size(random) * (times >= begins_s)
    if kind == "ramp":
        per_s, lasts_s = _size(random) / (60.0 * random.uniform(2.0, 60.0)), 60.0 * random.uniform(1.0, 60.0)
        true += per_s * np.clip(times - begins_s, 0.0, lasts_s)
        to_come += np.where(times >= begins_s, per_s * np.clip(begins_s + lasts_s - times, 0.0, RAMP_COUNTS_S), 0.0)
        words.append(f"ramp of {60.0 * per_s:+.3f}/min for {lasts_s / 60.0:.0f} min")
    if kind == "trace":
        swing, period_s = _log_uniform(random, 0.003, 0.3), 60.0 * random.uniform(6.0, 30.0)
        true += swing * np.sin(2.0 * np.pi * (times / period_s + random.random()))
        words.append(f"swings by {swing:.3f} in {period_s / 60.0:.0f} min")
    noise = 0.0 if random.random() < 0.1 else _log_uniform(random, 0.003, 0.5)
    step = 0.0 if random.random() < 0.2 else _log_uniform(random, 0.003, 1.5)
    shown = true + noise * random.standard_normal(times.size) + random.uniform(-1.0, 1.0)
    if step:
        shown = np.round(shown / step) * step
    words += [f"noise {noise:.3f}", f"step {step:.3f}", f"late at {begins_s / 60.0:.1f} min"]
    return Soak(kind, "; ".join(words), times, shown, to_come, begins_s, at_least_s, step)


def _log_uniform(random: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(random.uniform(math.log(low), math.log(high))))


def _size(random: np.random.Generator) -> float:
    return float(random.choice([-1.0, 1.0])) * _log_uniform(random, 0.5, 40.0)


def _time_constants(random: np.random.Generator, kind: str) -> tuple[float, ...]:
    fast, slow = _log_uniform(random, *FAST_S), _log_uniform(random, *SLOW_S)
    if kind in ("two", "late two", "trace"):
        return fast, slow
    return () if kind == "ramp" else (slow,) if kind == "step" else (float(random.choice([fast, slow])),)


# Where far more is to come than is allowed, and nothing began lately, only each twentieth point is looked at, to save time.
FAR, LATELY, EACH = 4.0, 30, 20


def wrong_looks(soak: Soak) -> list[int]:
    """After how many points an end would be wrong, and is looked for."""
    size = np.abs(soak.to_come)
    numbers = np.arange(1, size.size + 1)
    began = int(np.searchsorted(soak.times_s, soak.begins_s))
    looked = (size <= FAR * WITHIN) | ((numbers > began) & (numbers <= began + LATELY)) | (numbers % EACH == 0)
    return [int(number) for number in numbers[(size > WITHIN) & looked & (numbers >= soak.earliest)]]


def wrong_end(soak: Soak) -> int | None:
    """After how many points it ended wrongly; None where it did not, or had ended rightly before."""
    first = next((points for points in wrong_looks(soak) if soak.ends(points)), None)
    if first is None:
        return None
    size = np.abs(soak.to_come)
    before = [points for points in range(soak.earliest, first) if size[points - 1] <= WITHIN]
    return None if any(soak.ends(points) for points in before[::-1][::3]) else first


def tried(seed: int, first: int, many: int) -> None:
    """Try so many made-up soaks, and say which ended wrongly."""
    begun = time.process_time()
    made, wrong = collections.Counter[str](), collections.Counter[str]()
    for number in range(first, first + many):
        soak = made_up(seed, number)
        made[soak.kind] += 1
        end = wrong_end(soak)
        if end is not None:
            wrong[soak.kind] += 1
            outlook, at_s = soak.outlook(end), float(soak.times_s[end - 1])
            told = f"{at_s / 60.0:.1f} min, to come {soak.to_come[end - 1]:+.2f}"
            print(
                f"{number} {soak.kind}: ended after {told}, told {outlook and outlook.bound:.2f}; {soak.words}",
                flush=True,
            )
        if (number + 1) % 1000 == 0:
            print(
                f"... {number + 1}: {sum(wrong.values())} of {sum(made.values())}, {time.process_time() - begun:.0f} s",
                flush=True,
            )
    for kind in KINDS:
        print(f"{kind}: {wrong[kind]} of {made[kind]} ended wrongly")
    print(f"in all {sum(wrong.values())} of {sum(made.values())}, in {time.process_time() - begun:.0f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--soaks", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", dest="first", type=int, default=0)
    asked = parser.parse_args()
    tried(asked.seed, asked.first, asked.soaks)
