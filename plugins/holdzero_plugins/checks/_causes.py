"""What would make a check standard read what it does: causes by their likelihood, the likeliest first.

Each cause tells what would be read, and how far that can lie off: its likelihood is the density of what it predicts at
what was read. The widths are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

__all__ = ["Bench", "Cause", "causes_of"]

INCH = 25.4  # millimetres, exact
THOUSAND = 1000.0  # micrometres to the millimetre
DIRT_UM = 2.0  # mean height of dirt that is not seen: 1 to 3 um is usual (common practice, no source)
LARGEST_GAIN = 2.0  # and its reciprocal; beyond it is another unit or digit (common practice, no source)
# Blocks of sets differ by a micrometre to a hundred millimetres, each size as likely as ten times it (common practice,
# no source): uniform over the logarithm.
BLOCKS_UM = (0.5, 100_000.0)
LEAST_SHARE = 1.0 / 20.0  # of the likeliest one; what is less likely is not named (a choice of ours)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a sound check standard would do.

    Attributes:
        expected_um: what it should read [um].
        standard_um: how far what is expected, and what is read, lie off as a standard uncertainty [um].
        limit_um: how far off it may be [um].
        step_um: of the dial [um].
        turn_um: of the dial [um]; None where it has none.
    """

    expected_um: float
    standard_um: float
    limit_um: float
    step_um: float
    turn_um: float | None


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause in words, and its likelihood [1/um]."""

    words: str
    likelihood: float


def causes_of(read_um: float, bench: Bench) -> list[Cause]:
    """Which causes fit what was read, the likeliest first; all that are a twentieth as likely as that.

    Args:
        read_um: what the check standard reads [um], beyond its limit.
        bench: what it should do.

    Source: likelihood as the density of what is predicted, JCGM 101:2008, 6.2 (from memory); the causes and their
    widths are common practice, no source.
    """
    found = [*_slips(read_um, bench), *_others(read_um, bench)]
    best = max(cause.likelihood for cause in found)
    named = [cause for cause in found if cause.likelihood >= LEAST_SHARE * best]
    return sorted(named, key=lambda cause: -cause.likelihood)


def _slips(read_um: float, bench: Bench) -> Iterator[Cause]:
    """What makes one certain reading of the right one."""
    e = bench.expected_um
    factors = {
        "the sign turned round": -1.0,
        "inches taken for millimetres": 1.0 / INCH,
        "millimetres taken for inches": INCH,
        "a decimal slip": 0.1,
        "a decimal slip the other way": 10.0,
        "millimetres taken for micrometres": 1.0 / THOUSAND,
        "micrometres taken for millimetres": THOUSAND,
    }
    # A factor of what can't be told from zero tells nothing.
    predicted = {words: (by * e, abs(by)) for words, by in factors.items() if abs(e) > bench.limit_um}
    predicted["the reference still under the tip"] = (0.0, 1.0)
    if bench.turn_um is not None:
        predicted["one turn of the dial missed"] = (e - bench.turn_um, 1.0)
        predicted["one turn of the dial too many"] = (e + bench.turn_um, 1.0)
    # As a number is typed, so it is rounded to the dial's step (JCGM 100:2008, F.2.2.1), whatever it is taken for.
    for words, (reads_um, factor) in predicted.items():
        # What would be read within the limit all the same explains nothing.
        if abs(reads_um - e) > bench.limit_um:
            spread_um = math.hypot(factor * bench.standard_um, bench.step_um / math.sqrt(12.0))
            yield Cause(words, _normal(read_um - reads_um, spread_um))


def _others(read_um: float, bench: Bench) -> Iterator[Cause]:
    """What can be of any size: dirt on either side, a gain, another block."""
    off_um, factor = read_um - bench.expected_um, read_um / bench.expected_um if bench.expected_um else 0.0
    under = "the check standard" if off_um > 0.0 else "the reference when the zero was set"
    yield Cause(f"dirt under {under}", math.exp(-abs(off_um) / DIRT_UM) / DIRT_UM)
    if 1.0 / LARGEST_GAIN < factor < LARGEST_GAIN:
        words = f"a wrong gain (it shows {factor:.3f} of what it should)"
        yield Cause(words, 1.0 / (abs(read_um) * 2.0 * math.log(LARGEST_GAIN)))
    least_um, most_um = BLOCKS_UM
    # Longer or shorter, either is as likely.
    size_um = min(max(abs(off_um), least_um), most_um)
    yield Cause("a wrong block or reference", 1.0 / (2.0 * size_um * math.log(most_um / least_um)))


def _normal(off_um: float, standard_um: float) -> float:
    """Density of the normal distribution [1/um]; source: JCGM 101:2008, 6.4.7 (from memory)."""
    if standard_um == 0.0:
        return math.inf if off_um == 0.0 else 0.0
    return math.exp(-0.5 * (off_um / standard_um) ** 2) / (standard_um * math.sqrt(2.0 * math.pi))
