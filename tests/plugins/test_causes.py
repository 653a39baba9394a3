"""What a check standard that is off looks like: causes by likelihood. Nothing published: worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from holdzero_plugins.checks._causes import LEAST_SHARE, Bench, causes_of

BENCH = Bench(expected_um=12.0, standard_um=0.2, limit_um=0.4, step_um=0.1, turn_um=100.0)
EXACT = 0.1 / math.sqrt(12.0)  # what rounding leaves


def likelihoods(read_um: float, bench: Bench = BENCH) -> dict[str, float]:
    return {cause.words.partition(" (")[0]: cause.likelihood for cause in causes_of(read_um, bench)}


@pytest.mark.parametrize(
    ("read_um", "first"),
    [
        (-12.0, "the sign turned round"),
        (12.0 / 25.4, "inches taken for millimetres"),
        (12.0 * 25.4, "millimetres taken for inches"),
        (1.2, "a decimal slip"),
        (120.0, "a decimal slip the other way"),
        (0.012, "millimetres taken for micrometres"),
        (12_000.0, "micrometres taken for millimetres"),
        (112.0, "one turn of the dial too many"),
        (-88.0, "one turn of the dial missed"),
        (0.3, "the reference still under the tip"),
        (13.0, "dirt under the check standard"),
        (11.0, "dirt under the reference when the zero was set"),
        (18.0, "a wrong gain"),
        (52.0, "a wrong block or reference"),
        (-20.0, "a wrong block or reference"),
    ],
)
def test_the_cause_that_was_made_comes_first(read_um: float, first: str) -> None:
    found = causes_of(read_um, BENCH)
    assert next(iter(likelihoods(read_um))) == first
    assert [cause.likelihood for cause in found] == sorted((cause.likelihood for cause in found), reverse=True)


def test_a_slip_has_the_density_of_what_it_predicts() -> None:
    # 0.2 um off: a standard uncertainty of 0.2 with 0.1/sqrt(12) beside it
    spread = math.sqrt(0.2**2 + EXACT**2)
    by_hand = math.exp(-0.5 * 0.04 / spread**2) / (spread * math.sqrt(2.0 * math.pi))
    assert likelihoods(-11.8)["the sign turned round"] == pytest.approx(by_hand, rel=1e-12)
    # a tenth of the number has a tenth of its uncertainty
    spread = math.sqrt(0.02**2 + EXACT**2)
    assert likelihoods(1.2)["a decimal slip"] == pytest.approx(1.0 / (spread * math.sqrt(2.0 * math.pi)), rel=1e-12)


def test_dirt_gain_and_another_block_are_weighed_against_each_other() -> None:
    # 2 um off: exp(-1)/2; 1/(14 ln 4); 1/(2 * 2 * ln 200 000)
    assert likelihoods(14.0) == pytest.approx(
        {
            "dirt under the check standard": math.exp(-1.0) / 2.0,
            "a wrong gain": 1.0 / (14.0 * math.log(4.0)),
            "a wrong block or reference": 1.0 / (4.0 * math.log(200_000.0)),
        }
    )


def test_dirt_is_less_likely_the_higher_it_is() -> None:
    heights = [likelihoods(12.0 + height).get("dirt under the check standard", 0.0) for height in (1.0, 3.0, 9.0, 40.0)]
    assert heights == sorted(heights, reverse=True)
    assert heights[-1] == 0.0


@pytest.mark.parametrize("read_um", [-40.0, -12.1, 0.0, 3.0, 10.0, 13.0, 25.0, 111.7, 400.0])
def test_what_is_less_than_a_twentieth_as_likely_is_not_named(read_um: float) -> None:
    found = list(likelihoods(read_um).values())
    assert min(found) >= LEAST_SHARE * max(found)
    assert LEAST_SHARE == 1.0 / 20.0


def test_what_would_be_within_the_limit_explains_nothing() -> None:
    # of a block of nearly the reference's size, its sign turned round is no other reading
    near = replace(BENCH, expected_um=0.1)
    assert set(likelihoods(-0.9, near)) == {
        "dirt under the reference when the zero was set",
        "a wrong block or reference",
    }


def test_a_dial_without_turns_misses_none() -> None:
    assert next(iter(likelihoods(112.0, replace(BENCH, turn_um=None)))) == "a wrong block or reference"
