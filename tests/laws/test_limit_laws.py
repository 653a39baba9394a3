"""A value on its limit is within it, whatever way the decimals came: judged by exact fractions.

That numbers closer than a millionth of the resolution are equal is a choice of ours. The inch is 25.4 mm exactly
(ISO 1; international yard and pound agreement of 1959, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.decide import Decision, DecisionRule, Rule, Verdict, decide
from holdzero.evaluate import evaluate
from holdzero.limit import between, exceeds
from holdzero.quantity import Dimension, Number, parse_quantity
from holdzero.testing import Draft, Measure

UM = {"um": Fraction(1), "mm": Fraction(1000), "in": Fraction(25400), "uin": Fraction(254, 10000)}
EQUAL = Fraction(1, 10**6)
MOST_UM = 300


def text_of(exact_um: Fraction, unit: str) -> str | None:
    """The decimal that a length is in a unit; None where it has no end."""
    number = exact_um / UM[unit]
    left = number.denominator
    for prime in (2, 5):
        while left % prime == 0:
            left //= prime
    if left != 1:
        return None
    places = next(places for places in range(60) if (number * 10**places).denominator == 1)
    return f"{Decimal(int(number * 10**places)).scaleb(-places):f} {unit}"


def texts_of(exact_um: Fraction) -> list[str]:
    """The same length in each unit in which it is a decimal."""
    return [text for unit in UM if (text := text_of(exact_um, unit)) is not None]


def read(text: str) -> float:
    return parse_quantity(text, Dimension.LENGTH).value


@st.composite
def lengths(draw: st.DrawFn) -> tuple[str, Fraction]:
    """A decimal of up to six places, as it is written and as it is [um]."""
    unit = draw(st.sampled_from(list(UM)))
    fewest = 2 if unit == "in" else 0  # fewer places of an inch are longer than MOST_UM
    places = draw(st.integers(fewest, 6))
    most = int(MOST_UM / UM[unit] * 10**places)
    exact = Fraction(draw(st.integers(-most, most)), 10**places) * UM[unit]
    return str(text_of(exact, unit)), exact


def limit_near(draw: st.DrawFn, exact_um: Fraction) -> tuple[str, Fraction]:
    """A limit on a value, or a little beside it, in any unit in which it is a decimal."""
    step = draw(st.sampled_from([Fraction(0), Fraction(0), Fraction(1, 10**6), Fraction(1, 1000), Fraction(1, 10)]))
    limit = exact_um + draw(st.sampled_from([-1, 1])) * step
    return draw(st.sampled_from(texts_of(limit))), limit


@dataclass(frozen=True)
class Case:
    """Texts, and what they are exactly [um]."""

    deviation: str
    zero: str
    closing: str
    readings: tuple[str, ...]
    near: str
    far: str
    resolution: str
    value: Fraction
    lower: Fraction
    upper: Fraction
    step: Fraction

    @property
    def limits(self) -> tuple[str, str]:
        """The lower one first."""
        lower, upper = sorted((self.near, self.far), key=read)
        return lower, upper

    @property
    def simple(self) -> str:
        """The verdict by simple acceptance (JCGM 106:2012, 8.2)."""
        equal = EQUAL * self.step
        return "pass" if self.lower - equal <= self.value <= self.upper + equal else "fail"


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """A value that often lies on a limit; not so near to the last that is equal to it that floats can't tell."""
    deviation, zero = draw(lengths()), draw(lengths())
    readings = draw(st.lists(lengths(), min_size=1, max_size=2))
    value = deviation[1] + sum((exact for _, exact in readings), Fraction(0)) / len(readings) - zero[1]
    text, near = limit_near(draw, value)
    far = near + draw(st.sampled_from([-10, 10]))
    resolution = draw(st.sampled_from(["0.01 um", "0.1 um", "0.001 mm", "10 uin", "0.00001 in"]))
    number, unit = resolution.split()
    step = Fraction(number) * UM[unit]
    assume(all(abs(abs(value - limit) - EQUAL * step) > Fraction(1, 10**11) for limit in (near, far)))
    return Case(
        deviation=deviation[0],
        zero=zero[0],
        closing=draw(st.sampled_from(texts_of(zero[1]))),
        readings=tuple(written for written, _ in readings),
        near=text,
        far=texts_of(far)[0],
        resolution=resolution,
        value=value,
        lower=min(near, far),
        upper=max(near, far),
        step=step,
    )


def decided(case: Case, rule: DecisionRule, u: float = 0.1, shift_um: float = 0.0) -> Verdict:
    """From texts to a verdict, without a run."""
    differences = [read(reading) - read(case.zero) for reading in case.readings]
    value = read(case.deviation) + math.fsum(differences) / len(differences) + shift_um
    lower, upper = map(read, case.limits)
    resolution = read(case.resolution)
    return decide(value, u, math.inf, lower_um=lower, upper_um=upper, rule=rule, resolution_um=resolution).verdict


NINETY_FIVE = float(norm.ppf(0.95))  # guard band of 95 %, in u (JCGM 106:2012, 8.3)
SIMPLE = DecisionRule(rule=Rule.SIMPLE)
RULES = (SIMPLE, DecisionRule(), DecisionRule(guard=1.0), DecisionRule(rule=Rule.PROBABILITY))


@given(cases())
@settings(max_examples=1500)
def test_the_verdict_is_that_of_exact_fractions(case: Case) -> None:
    assert decided(case, SIMPLE) == case.simple


def test_every_pair_of_one_decimal_that_meets_its_limit_passes() -> None:
    """A deviation and a reading with one decimal each that add up to a limit from 0.1 um to 6 um."""

    def verdict(deviation: int, reading: int, limit: int) -> Verdict:
        value = deviation / 10 + reading / 10
        return decide(
            value, 0.1, math.inf, lower_um=-limit / 10, upper_um=limit / 10, rule=SIMPLE, resolution_um=0.1
        ).verdict

    pairs = list(product(range(-20, 21), range(1, 61)))
    assert {verdict(deviation, limit - deviation, limit) for deviation, limit in pairs} == {Verdict.PASS}
    assert {verdict(deviation, limit + 1 - deviation, limit) for deviation, limit in pairs} == {Verdict.FAIL}


@given(cases(), st.sampled_from(RULES), st.sampled_from([0.03, 0.5, 4.0]), st.data())
@settings(max_examples=400)
def test_it_is_the_same_in_other_units(case: Case, rule: DecisionRule, u: float, data: st.DataObject) -> None:
    near = case.lower if read(case.near) < read(case.far) else case.upper
    other = replace(case, near=data.draw(st.sampled_from(texts_of(near))))
    # On a limit, on an acceptance limit, and about as far beyond it.
    shift = data.draw(st.sampled_from([0.0, *(side * k * u for side in (-1, 1) for k in (1.0, NINETY_FIVE, 2.0))]))
    assert decided(case, rule, u, shift) is decided(other, rule, u, shift)


@given(st.lists(cases(), min_size=1, max_size=3), st.sampled_from(RULES), st.sampled_from([0.0, 0.03, 0.5, 4.0]))
@settings(max_examples=300)
def test_arrays_go_the_way_of_floats(several: list[Case], rule: DecisionRule, u: float) -> None:
    lower, upper = map(read, several[0].limits)
    ends = [end + side * far for end in (lower, upper) for side in (-1, 1) for far in (0.0, NINETY_FIVE * u, 2.0 * u)]
    values = np.array([float(case.value) for case in several] + ends + [math.nextafter(end, math.inf) for end in ends])

    def told(value: Number) -> Decision:
        resolution = read(several[0].resolution)
        return decide(value, u, math.inf, lower_um=lower, upper_um=upper, rule=rule, resolution_um=resolution)

    together, alone = told(values), [told(float(value)) for value in values]
    assert np.broadcast_to(together.passes, values.shape).tolist() == [bool(one.passes) for one in alone]
    assert np.broadcast_to(together.fails, values.shape).tolist() == [bool(one.fails) for one in alone]


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1),
    st.floats(-1e6, 1e6) | st.sampled_from([-math.inf, math.inf]),
    st.sampled_from([0.0, 1e-3, 0.1]),
)
def test_the_comparison_itself_is_the_same_for_arrays(values: list[float], limit: float, resolution: float) -> None:
    one_by_one = [exceeds(value, limit, resolution) for value in values]
    together = exceeds(np.array(values), limit, resolution)
    assert isinstance(one_by_one[0], bool)
    assert np.asarray(together).tolist() == one_by_one
    # Within an upper limit is not beyond it; a lower one is the same from the other side.
    assert [between(value, None, limit, resolution) for value in values] == [not beyond for beyond in one_by_one]
    below = [exceeds(-limit, -value, resolution) for value in values]
    assert [between(-value, -limit, None, resolution) for value in values] == [not beyond for beyond in below]


@pytest.mark.parametrize("rule", [Rule.GUARDED, Rule.PROBABILITY])
@pytest.mark.parametrize("two_sided", [False, True])
@given(
    resolution=st.sampled_from([0.01, 0.1, 1.0, 25.4]),
    steps=st.floats(0.3, 30.0),
    conformance=st.sampled_from([0.75, 0.9, 0.95, 0.99]),
    ulps=st.integers(-3, 3),
    upper=st.floats(-500.0, 500.0),
)
@settings(max_examples=100)
def test_a_value_on_its_acceptance_limit_passes_and_one_beyond_it_does_not(
    *, rule: Rule, two_sided: bool, resolution: float, steps: float, conformance: float, ulps: int, upper: float
) -> None:
    """u of some steps of the dial; the limit by the quantile of the normal distribution (JCGM 106:2012, 8.3, 7.4)."""
    u = steps * resolution
    accepted = upper - float(norm.ppf(conformance)) * u
    accepted += ulps * math.ulp(max(abs(upper), u))
    lower = upper - 200.0 * u if two_sided else None

    def verdict(value: float) -> Verdict:
        by = DecisionRule(rule=rule, conformance=conformance)
        return decide(value, u, math.inf, lower_um=lower, upper_um=upper, rule=by, resolution_um=resolution).verdict

    assert verdict(accepted) is Verdict.PASS
    assert verdict(accepted + 3e-6 * resolution) is Verdict.UNDECIDED
    # With a guard band a value on the limit of the tolerance stays undecided.
    assert verdict(upper) is Verdict.UNDECIDED


# --- through a run ----------------------------------------------------------------------------

ROUTINE = """\
format = 1
routine = {{ title = "Washer", part = "W-1" }}
reference = {{ name = "Block", size = "0.4 in", deviation = "{deviation}" }}
comparator = {{ resolution = "{resolution}", unit = "um" }}
bracket = {{ limit = "1 m" }}
decision = {{ rule = "simple" }}
characteristics.t = {{ measure = "size", at = "a", nominal = "10.16 mm", lower = "{lower}", upper = "{upper}" }}
steps = [ {{ do = "zero" }}, {{ do = "read", at = "a", times = {times} }}, {{ do = "return" }} ]
"""


@given(cases())
@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_through_a_run_it_is_that_of_exact_fractions(
    start: Callable[..., Any], catalogue: Catalogue, case: Case
) -> None:
    lower, upper = case.limits
    bench = start(
        ROUTINE.format(
            deviation=case.deviation,
            resolution=case.resolution,
            lower=lower,
            upper=upper,
            times=len(case.readings),
        )
    )
    bench.answer(case.zero, *case.readings, case.closing, "")
    checks, _ = bind(bench.loaded.routine, catalogue)
    (result,) = evaluate(bench.run.state, "1", checks).results
    assert result.verdict == case.simple


# Each sum of a deviation and a reading meets its limit exactly, and the sum of the floats lies beyond it.
PAIRS = [
    # deviation, reading, the reading one step further, limit, resolution
    ("0.1 um", "0.2 um", "0.3 um", "0.3 um", "0.1 um"),
    ("-0.7 um", "0.8 um", "0.9 um", "0.1 um", "0.1 um"),
    ("-20 uin", "1.0414 um", "42 uin", "0.000021 in", "1 uin"),
]


@pytest.mark.parametrize(("deviation", "reading", "further", "limit", "resolution"), PAIRS)
@pytest.mark.parametrize("side", [1, -1])
def test_through_the_whole_tool(
    *, measure: Measure, deviation: str, reading: str, further: str, limit: str, resolution: str, side: int
) -> None:
    assert read(deviation) + math.fsum([read(reading)] * 3) / 3 > read(limit)

    def turned(text: str) -> str:
        return text if side > 0 else text.removeprefix("-") if text.startswith("-") else f"-{text}"

    draft = Draft().with_table("reference", deviation=turned(deviation)).with_table("comparator", resolution=resolution)
    draft = draft.with_characteristic("thickness", lower=f"-{limit}", upper=limit)
    simple = draft.with_table("decision", rule="simple")
    answers = ("0", "0", "0", *[turned(reading)] * 3, "0")
    assert measure(simple, answers).record["verdict"] == "pass"
    # The rule without a table has a guard band: on the limit of the tolerance nothing is decided.
    assert measure(draft, answers).record["verdict"] == "undecided"
    assert measure(simple, ("0", "0", "0", *[turned(further)] * 3, "0")).record["verdict"] == "fail"
