"""Made-up soaks, and how many of them end with more to come than is allowed; the goal is none.

    python tests/benchmarks/soaks.py [--soaks 100000] [--seed 1] [--from 0] [--all] [--part MM] [--kind KIND] [--coarse]
    python tests/benchmarks/soaks.py --times

The first prints each soak that ended wrongly, and a sum for each kind; with `--all` every point is looked at. The
second prints after what time sound soaks end. With `--part` a soak does not end before its own time until it was
watched for as long as a part of this length may take in still air, as at the bench where no thermometer hangs on the
part; `--kind` and `--coarse` try soaks of one kind alone, and those that a coarse dial shows that nothing shakes. It
prints; it does not judge. What is allowed is one unit in every made-up soak, so that all else goes by it.
"""

from __future__ import annotations

import argparse
import collections
import itertools
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holdzero.cooling import longest_in_air_s
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
        true: what would be shown without noise and rounding [allowed].
        shown: with both [allowed].
        to_come: what will truly come of what has begun [allowed].
        began: after how many points that begins which comes late.
        at_least_s: time of the soak [s].
        noise: standard deviation of a point [allowed].
        step: in which it is shown [allowed].
        slowest_s: of the fades that the part may have: not watched for so long, it ends with its time [s].
    """

    kind: str
    words: str
    times_s: Floats
    true: Floats
    shown: Floats
    to_come: Floats
    began: int
    at_least_s: float
    noise: float
    step: float
    slowest_s: float = 0.0

    @property
    def earliest(self) -> int:
        """After how many points it may end at all."""
        from_s = max(EARLIEST * self.at_least_s, min(self.slowest_s, self.at_least_s))
        return max(FEWEST, int(np.searchsorted(self.times_s, from_s)) + 1)

    @property
    def coarse(self) -> bool:
        """Whether its dial has steps of half of what is allowed or more, and nothing shakes it."""
        return self.step >= _COARSE * WITHIN and self.noise < _DITHERED * self.step

    def outlook(self, points: int) -> Outlook | None:
        """Where it stands after so many points."""
        times, shown = self.times_s[:points].tolist(), self.shown[:points].tolist()
        return outlook_of(times, shown, of="", unit="um", within=WITHIN, step=self.step)

    def ends(self, points: int) -> bool:
        """Whether it would end after so many points."""
        outlook = self.outlook(points)
        return outlook is not None and outlook.settled

    def shows(self, points: int) -> bool:
        """Whether what began late has moved by what can be seen: three standard deviations of the mean since."""
        since = points - self.began
        if not self.began or since < 1:
            return True
        moved = abs(float(self.true[points - 1] - self.true[self.began - 1]))
        return moved > self.step / 2.0 + 3.0 * self.noise / math.sqrt(since)


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
    step = 0.0 if noise and random.random() < 0.2 else _log_uniform(random, 0.003, 1.5)
    shown = true + noise * random.standard_normal(times.size) + random.uniform(-1.0, 1.0)
    if step:
        shown = np.round(shown / step) * step
    words += [f"noise {noise:.3f}", f"step {step:.3f}", f"late at {begins_s / 60.0:.1f} min"]
    began = int(np.searchsorted(times, begins_s))
    return Soak(kind, "; ".join(words), times, true, shown, to_come, began, at_least_s, noise, step)


def _log_uniform(random: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(random.uniform(math.log(low), math.log(high))))


def _size(random: np.random.Generator) -> float:
    return float(random.choice([-1.0, 1.0])) * _log_uniform(random, 0.5, 40.0)


def _time_constants(random: np.random.Generator, kind: str) -> tuple[float, ...]:
    fast, slow = _log_uniform(random, *FAST_S), _log_uniform(random, *SLOW_S)
    if kind in ("two", "late two", "trace"):
        return fast, slow
    return () if kind == "ramp" else (slow,) if kind == "step" else (float(random.choice([fast, slow])),)


# A quick look first: with a coarse set of fades, and with noise and rounding as they are known here, how far reaches
# what the points allow. Where that is more than 1.3 of what is allowed, the soak is not asked; `--all` asks it always.
_RATES = 1.0 / np.array([20.0, 40.0, 80.0, 160.0, 300.0, 300.0, 500.0, 900.0, 1600.0, 2700.0])
_PAIRS = [(fast, slow) for fast in range(5) for slow in range(5, 10) if _RATES[fast] / _RATES[slow] >= 1.5]
_COARSE = 0.5
_QUANTILE, _MORE, _DITHERED, _UNRESOLVED = 4.5, 1.3, 0.2, 1e-9


def quick_reach(soak: Soak, begin: int) -> Floats:
    """The same after each number of points, from a beginning on [allowed]; infinite where it can't be told."""
    times, values = soak.times_s[begin:] - soak.times_s[begin], soak.shown[begin:] - soak.shown[begin]
    number = np.arange(1.0, times.size + 1.0)
    shapes = np.exp(-_RATES[:, None] * times)
    every = np.vstack([shapes, values])
    sums = np.cumsum(every, axis=1)
    products = np.cumsum(every[:, None] * every[None], axis=2) - sums[:, None] * sums[None] / number
    fast, slow = np.array(_PAIRS).T
    with np.errstate(all="ignore"):
        share = products[fast, slow] / products[slow, slow]
        own = products[fast, fast] - share * products[fast, slow]
        onto_own = products[fast, -1] - share * products[slow, -1]
        onto_slow = products[slow, -1]
        rss = products[-1, -1] - np.square(onto_slow) / products[slow, slow] - np.square(onto_own) / own
        beyond = shapes[fast] - share * shapes[slow]
        come = shapes[slow] * onto_slow / products[slow, slow] + beyond * onto_own / own
        root = np.sqrt(np.square(shapes[slow]) / products[slow, slow] + np.square(beyond) / own)
        systematic = soak.step / 2.0 if soak.noise < _DITHERED * soak.step else 0.0
        noise = _QUANTILE * math.hypot(soak.noise, 0.0 if systematic else soak.step / math.sqrt(12.0))
        free = np.square(noise + systematic * np.sqrt(number)) - (rss - rss.min(axis=0))
        resolved = own > _UNRESOLVED * products[fast, fast]
        reached = np.where(resolved & (free >= 0.0), np.abs(come) + root * np.sqrt(np.maximum(free, 0.0)), 0.0)
    return np.concatenate([np.full(begin, np.inf), np.where(resolved.all(axis=0), reached.max(axis=0), np.inf)])


def wrong_looks(soak: Soak, *, everywhere: bool = False) -> list[int]:
    """After how many points an end would be wrong, and is looked for: the likeliest first, or everywhere in order."""
    numbers = np.arange(1, soak.times_s.size + 1)
    wrong = numbers[(np.abs(soak.to_come) > WITHIN) & (numbers >= soak.earliest)]
    if everywhere or not wrong.size:
        return [int(number) for number in wrong]
    reach = quick_reach(soak, 0)
    if soak.began:
        reach = np.minimum(reach, quick_reach(soak, min(soak.began, soak.times_s.size - 1)))
    likely = reach[wrong - 1] <= _MORE * WITHIN
    return [int(number) for number in wrong[likely][reach[wrong - 1][likely].argsort(kind="stable")]]


def wrong_end(soak: Soak, *, everywhere: bool = False, most: int | None = None) -> int | None:
    """After how many points it ended wrongly; None where it did not, or had ended rightly before.

    Args:
        soak: made up.
        everywhere: whether every point is looked at.
        most: how many points at most, the likeliest ones.
    """
    looks = sorted(wrong_looks(soak, everywhere=everywhere)[:most])
    first = next((points for points in looks if soak.ends(points)), None)
    if first is None:
        return None
    size = np.abs(soak.to_come)
    before = [points for points in range(soak.earliest, first) if size[points - 1] <= WITHIN]
    # A soak that may end goes on doing so, mostly: every third point finds it.
    return None if any(soak.ends(points) for points in before[::-3]) else first


def chosen(seed: int, first: int, *, kind: str, coarse: bool, slowest_s: float) -> Iterator[tuple[int, Soak]]:
    """Made-up soaks and their numbers: of one kind, if one is named; with a coarse dial."""
    for number in itertools.count(first):
        soak = made_up(seed, number)
        if kind in ("", soak.kind) and (soak.coarse or not coarse):
            yield number, replace(soak, slowest_s=slowest_s)


def tried(soaks: Iterator[tuple[int, Soak]], *, everywhere: bool) -> None:
    """Try made-up soaks, and say which ended wrongly."""
    begun = time.process_time()
    made, wrong, unseen = (collections.Counter[str]() for _ in range(3))
    for count, (number, soak) in enumerate(soaks, start=1):
        made[soak.kind] += 1
        end = wrong_end(soak, everywhere=everywhere)
        if end is not None:
            wrong[soak.kind] += 1
            unseen[soak.kind] += not soak.shows(end)
            outlook = soak.outlook(end)
            told = f"{soak.times_s[end - 1] / 60.0:.1f} min, to come {soak.to_come[end - 1]:+.2f}"
            told += f", told at most {outlook.bound:.2f}" if outlook is not None else ""
            shows = "" if soak.shows(end) else " (began too lately to show)"
            print(f"{number} {soak.kind}: ended after {told}{shows}; {soak.words}", flush=True)
        if count % 500 == 0:
            done = f"{wrong.total()} of {made.total()}, {unseen.total()} too late to show"
            print(f"... {count}: {done}, {time.process_time() - begun:.0f} s", flush=True)
    for kind in KINDS:
        print(f"{kind}: {wrong[kind]} of {made[kind]} ended wrongly, {unseen[kind]} by what began too lately to show")
    print(
        f"in all {wrong.total()} of {made.total()}, {unseen.total()} too late, in {time.process_time() - begun:.0f} s"
    )


# A fade [allowed], its time constant [s], noise and step [allowed]; a point every five seconds.
SOUND = (
    (0.0, 120.0, 0.03, 0.01),
    (0.0, 120.0, 0.1, 0.1),
    (0.0, 120.0, 0.3, 0.1),
    (20.0, 120.0, 0.03, 0.01),
    (20.0, 120.0, 0.1, 0.1),
    (20.0, 120.0, 0.3, 0.1),
    (20.0, 300.0, 0.1, 0.1),
    (20.0, 600.0, 0.1, 0.1),
    (20.0, 1200.0, 0.1, 0.1),
    (20.0, 120.0, 0.0, 0.2),
    (20.0, 120.0, 0.0, 0.5),
    (20.0, 120.0, 0.0, 1.0),
    (20.0, 120.0, 0.0, 2.0),
)


def times() -> None:
    """After what time sound soaks end: the middle of five of each."""
    for size, tau_s, noise, step in SOUND:
        ends = []
        for seed in range(5):
            random = np.random.default_rng(seed)
            at_s = np.arange(0.0, LONGEST_S, 5.0)
            true = size * np.exp(-at_s / tau_s)
            shown = np.round((true + noise * random.standard_normal(at_s.size)) / step) * step
            soak = Soak("one", "", at_s, true, shown, -true, 0, 1200.0, noise, step)
            looks = range(60, at_s.size, 6)
            ends.append(next((at_s[points - 1] / 60.0 for points in looks if soak.ends(points)), math.inf))
        rest = max(0.0, tau_s * math.log(size / WITHIN)) / 60.0 if size else 0.0
        fade = f"a fade of {size:g} with {tau_s / 60.0:g} min" if size else "no fade"
        told = f"noise {noise:g}, step {step:g}: at rest after {rest:.1f} min"
        print(f"{fade}, {told}, ends after {sorted(ends)[2]:.1f} min", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--soaks", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--all", dest="everywhere", action="store_true")
    parser.add_argument("--part", type=float, default=0.0, help="length of the part [mm]; 0: nothing is known of it")
    parser.add_argument("--kind", choices=KINDS, default="")
    parser.add_argument("--coarse", action="store_true")
    parser.add_argument("--times", action="store_true")
    asked = parser.parse_args()
    if asked.times:
        times()
    else:
        slowest_s = longest_in_air_s(1e3 * asked.part) if asked.part else 0.0
        made = chosen(asked.seed, asked.first, kind=asked.kind, coarse=asked.coarse, slowest_s=slowest_s)
        tried(itertools.islice(made, asked.soaks), everywhere=asked.everywhere)
