"""What a slip does to a number: one reading against what was expected, and the value it would have been.

It knows numbers and the typed text, and nothing of runs. Each signature gives a guess, never a
correction.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations

from holdzero.hooks import exceeds

UM_PER_UNIT_SLIP = 25.4  # millimetre for inch, exact

# A mended value must come much nearer to what was expected than the value as it was read.
_NEARER = 0.5
# More turns than that are no slip of the eye (common practice, no source).
_MOST_TURNS = 3
# Longer texts are not typed by hand (common practice, no source).
_MOST_DIGITS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the dial should have shown.

    Attributes:
        value_um: in the middle [um].
        reach_um: how far from it a good reading may lie [um].
        why: what it is known from, in words.
        repeats: how many readings of the same thing it is made of; 0 where it is no reading's.
    """

    value_um: float
    reach_um: float
    why: str
    repeats: int = 0

    def fits(self, value_um: float, blur_um: float = 0.0) -> bool:
        """Whether a reading [um] is as expected; `blur_um` is what rounding left unsure of it [um]."""
        return not exceeds(abs(value_um - self.value_um), self.reach_um + blur_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """What a reading looks like.

    Attributes:
        what: a stable name.
        asks: the question in words.
        mended_um: what the dial would then have shown [um]; None where the guess does not say it.
    """

    what: str
    asks: str
    mended_um: float | None = None


def turns(value_um: float, expected: Expected, turn_um: float | None) -> Iterator[Guess]:
    """Whole turns of the dial [um] that would bring a reading [um] to where it was expected."""
    if turn_um is None:
        return
    count = round((value_um - expected.value_um) / turn_um)
    if 1 <= abs(count) <= _MOST_TURNS:
        number = "one whole turn" if abs(count) == 1 else f"{abs(count)} whole turns"
        side = "too many" if count > 0 else "too few"
        guess = Guess(what="turn", asks=f"{number} of the dial {side}", mended_um=value_um - count * turn_um)
        if _mends(guess, value_um, expected, 0.0):
            yield guess


def changed_numbers(value_um: float, raw: str, expected: Expected, resolution_um: float) -> Iterator[Guess]:
    """Slips of sign, unit, decimal point and digits that would bring a reading to where it was expected.

    Args:
        value_um: the reading [um], outside the reach of what was expected.
        raw: its text.
        expected: what the dial should have shown; one that can't be told from zero says nothing of
            a factor, since a smaller number is always nearer to it.
        resolution_um: smallest difference that is read [um].

    Source: common practice, no source.
    """
    candidates = [(Guess(what="sign", asks="the sign turned round", mended_um=-value_um), 0.0)]
    if not expected.fits(0.0):
        candidates += _factors(value_um, expected, resolution_um / 2.0)
        candidates += [(guess, 0.0) for guess in _swaps(value_um, raw, expected)]
    for guess, blur in candidates:
        if _mends(guess, value_um, expected, blur):
            yield guess


def _mends(guess: Guess, value_um: float, expected: Expected, blur_um: float) -> bool:
    mended = value_um if guess.mended_um is None else guess.mended_um
    nearer = abs(mended - expected.value_um) < _NEARER * abs(value_um - expected.value_um)
    return nearer and expected.fits(mended, blur_um)


def _factors(value_um: float, expected: Expected, half_step_um: float) -> list[tuple[Guess, float]]:
    """Units and decimals, the nearest first; a factor widens the half step that rounding left unsure."""
    factors = (
        ("unit", "inches taken for millimetres", UM_PER_UNIT_SLIP),
        ("unit", "millimetres taken for inches", 1.0 / UM_PER_UNIT_SLIP),
        ("decimal", "the decimal point one place too far left", 10.0),
        ("decimal", "the decimal point one place too far right", 0.1),
        ("decimal", "the decimal point two places too far right", 0.01),
    )
    ordered = sorted(factors, key=lambda row: abs(value_um * row[2] - expected.value_um))
    return [
        (Guess(what=what, asks=asks, mended_um=value_um * factor), half_step_um * factor if factor > 1.0 else 0.0)
        for what, asks, factor in ordered
    ]


def _swaps(value_um: float, raw: str, expected: Expected) -> Iterable[Guess]:
    """Two digits that changed places; the nearest to what was expected.

    The difference of two numbers whose digits are a permutation of each other is divisible by 9 in
    units of the last place: of its own accord, since each number is congruent to its sum of digits.
    """
    found = re.search(r"\d+(?:[.,]\d+)?", raw)
    if found is None or value_um == 0.0:
        return
    text = found.group().replace(",", ".")
    places = [index for index, sign in enumerate(text) if sign != "."]
    number = float(text)
    if number == 0.0 or len(places) > _MOST_DIGITS:
        return
    mended: set[float] = set()
    for one, other in combinations(places, 2):
        signs = list(text)
        signs[one], signs[other] = signs[other], signs[one]
        mended.add(value_um * (float("".join(signs)) / number))
    nearest = min(mended, key=lambda candidate: abs(candidate - expected.value_um), default=value_um)
    yield Guess(what="digits", asks="two digits that changed places", mended_um=nearest)


def same_step_probability(count: int, scatter_steps: float) -> float:
    """Probability [1] that repeats all show the same step of the dial.

    Args:
        count: number of repeats [1].
        scatter_steps: standard deviation of a reading in steps [1].

    Source: normal readings, rounded, the value anywhere within a step:
    ∫ (Φ((u + 1)/σ) − Φ(u/σ))ⁿ du; computed by the trapezium rule.

    >>> round(same_step_probability(3, 1.0), 2), round(same_step_probability(3, 2.0), 3)
    (0.08, 0.023)
    """
    per_unit = 64
    ends = 9.0 * scatter_steps
    steps = max(per_unit, math.ceil((2.0 * ends + 1.0) * per_unit / max(1.0, scatter_steps)))
    width = (2.0 * ends + 1.0) / steps
    starts = (-ends - 1.0 + width * index for index in range(steps + 1))

    def below(z: float) -> float:
        return 0.5 * math.erfc(-z / math.sqrt(2.0))

    return width * sum((below((u + 1.0) / scatter_steps) - below(u / scatter_steps)) ** count for u in starts)


def at_least(probabilities: Iterable[float]) -> list[float]:
    """Probability [1] that at least 0, 1, 2 … of independent things come true.

    Args:
        probabilities: of each [1].

    Source: the convolution of their distributions.

    >>> at_least([0.5, 0.5])
    [1.0, 0.75, 0.25]
    """
    exactly = [1.0]
    for p in probabilities:
        exactly = [
            (exactly[k] if k < len(exactly) else 0.0) * (1.0 - p) + (exactly[k - 1] * p if k else 0.0)
            for k in range(len(exactly) + 1)
        ]
    return [math.fsum(exactly[k:]) for k in range(len(exactly))]
