"""Laws of charts and studies: what must not change a result, and rules against a slow reading of their words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from holdzero.charts import DEFAULT_RULES, RULES, Control, Limits, RunRule, baseline, ewma, state
from holdzero.studies import CrossedStudy, crossed_study, precision_of_level, range_study

# Whole numbers, and powers of two as scale: every distance is exact, so that no law hangs on rounding at a limit.
UNIT = Limits(centre=0.0, standard_deviation=2.0, number=20)
values = st.lists(st.integers(-8, 8), max_size=40)
shifts = st.integers(-1000, 1000)
scales = st.sampled_from([0.25, 1.0, 2.0, 1024.0])
rules = st.sampled_from(RULES)


def fired(numbers: Sequence[float], limits: Limits, rule: RunRule) -> list[tuple[int, ...]]:
    return [signal.points for signal in state(numbers, limits, [rule]).signals]


def sided(numbers: Sequence[int], some: int, count: int, beyond: float) -> set[int]:
    """Points that are beyond on a side, with `some` of the last `count` beyond on it, one by one."""
    found = set()
    for side in (1, -1):
        out = [side * number / 2.0 > beyond for number in numbers]
        found |= {i for i in range(len(out)) if out[i] and sum(out[max(0, i - count + 1) : i + 1]) >= some}
    return found


def stretch(numbers: Sequence[int], count: int, holds: Any) -> set[int]:
    """Points at the end of `count` points in a row for which something holds, one by one."""
    return {i for i in range(count - 1, len(numbers)) if holds(numbers[i - count + 1 : i + 1])}


def rising(row: Sequence[int]) -> bool:
    return all(a < b for a, b in pairwise(row))


def turning(row: Sequence[int]) -> bool:
    steps = [b - a for a, b in pairwise(row)]
    return all(a * b < 0 for a, b in pairwise(steps))


SLOWLY = {
    "action": lambda row: {i for i, number in enumerate(row) if abs(number) > 6},
    "side-7": lambda row: sided(row, 7, 7, 0.0),
    "side-8": lambda row: sided(row, 8, 8, 0.0),
    "side-9": lambda row: sided(row, 9, 9, 0.0),
    "2-of-3": lambda row: sided(row, 2, 3, 2.0),
    "4-of-5": lambda row: sided(row, 4, 5, 1.0),
    "trend-7": lambda row: stretch(row, 7, lambda part: rising(part) or rising(part[::-1])),
    "trend-6": lambda row: stretch(row, 6, lambda part: rising(part) or rising(part[::-1])),
    "alternating-14": lambda row: stretch(row, 14, turning),
    "near-15": lambda row: stretch(row, 15, lambda part: all(abs(number) < 2 for number in part)),
    "away-8": lambda row: stretch(row, 8, lambda part: all(abs(number) > 2 for number in part)),
}
# Rows in which long patterns are likely: pieces that rise, fall, alternate, stay on a side or near the centre.
pieces = st.sampled_from(
    [
        [-6, -4, -2, 0, 2, 4, 6, 8],
        [8, 6, 4, 2, 0, -2, -4, -6],
        [1, -1] * 8,
        [1] * 9,
        [-1] * 9,
        [3, -3] * 5,
        [3, 3, 5, 5],
        [0],
        [7],
    ]
)
patterned = st.lists(pieces, max_size=5).map(lambda rows: [number for row in rows for number in row])


class TestRunRules:
    @pytest.mark.parametrize("name", SLOWLY)
    @given(row=values | patterned)
    def test_say_what_their_words_say(self, name: str, row: list[int]) -> None:
        (rule,) = [rule for rule in RULES if rule.name == name]
        assert set(np.flatnonzero(rule.completes(UNIT.standardised(row)))) == SLOWLY[name](row)

    @given(row=values | patterned, rule=rules, shift=shifts, scale=scales)
    def test_do_not_see_shift_and_scale(self, row: list[int], rule: RunRule, shift: int, scale: float) -> None:
        moved = Limits(centre=scale * shift, standard_deviation=2.0 * scale, number=20)
        assert fired([scale * (number + shift) for number in row], moved, rule) == fired(row, UNIT, rule)

    @given(row=values | patterned, rule=rules)
    def test_treat_both_sides_alike(self, row: list[int], rule: RunRule) -> None:
        assert fired([-number for number in row], UNIT, rule) == fired(row, UNIT, rule)

    @given(row=values | patterned, rule=rules, kept=st.integers(0, 40))
    def test_do_not_look_ahead(self, row: list[int], rule: RunRule, kept: int) -> None:
        whole = rule.completes(UNIT.standardised(row))
        assert np.array_equal(rule.completes(UNIT.standardised(row[:kept])), whole[:kept])

    @given(count=st.integers(1, 60), centre=st.integers(-1000, 1000), s=st.floats(1e-6, 1e6))
    def test_of_the_default_set_never_fire_on_values_at_the_centre(self, count: int, centre: int, s: float) -> None:
        limits = Limits(centre=centre, standard_deviation=s, number=20)
        assert state([centre] * count, limits, DEFAULT_RULES).control is Control.IN_CONTROL

    @given(row=values)
    def test_put_the_newest_first(self, row: list[int]) -> None:
        watch = state(row, UNIT, RULES)
        newest = [signal.points[0] for signal in watch.signals]
        assert newest == sorted(newest, reverse=True)
        assert all(list(signal.points) == sorted(signal.points, reverse=True) for signal in watch.signals)
        assert len(watch.sentences) == max(1, len(watch.signals))


class TestBaseline:
    @given(row=st.lists(st.integers(-100, 100), min_size=2, max_size=30), shift=shifts, scale=scales)
    def test_moves_and_grows_with_its_values(self, row: list[int], shift: int, scale: float) -> None:
        first, second = baseline(row), baseline([scale * (number + shift) for number in row])
        assert second.centre == pytest.approx(scale * (first.centre + shift), abs=1e-9 * scale)
        assert second.standard_deviation == pytest.approx(scale * first.standard_deviation, rel=1e-9, abs=1e-9 * scale)
        assert second.number == len(row)

    @given(row=st.lists(st.integers(-100, 100), min_size=2, max_size=30))
    def test_mirrors_its_limits(self, row: list[int]) -> None:
        (lower, upper), mirrored = baseline(row).action, baseline([-number for number in row]).action
        assert mirrored == (-upper, -lower)


class TestMovingAverage:
    @given(row=values, start=st.integers(-8, 8), weight=st.floats(0.01, 1.0))
    def test_stays_among_its_values(self, row: list[int], start: int, weight: float) -> None:
        averages = ewma(row, weight, start)
        assert averages.size == len(row)
        assert all(min([start, *row]) - 1e-9 <= average <= max([start, *row]) + 1e-9 for average in averages)

    @given(value=st.floats(-1e6, 1e6), count=st.integers(1, 30), weight=st.floats(0.01, 1.0))
    def test_of_one_value_is_that_value(self, value: float, count: int, weight: float) -> None:
        assert ewma([value] * count, weight, value).tolist() == [value] * count

    @given(row=st.lists(st.integers(-8, 8), min_size=1, max_size=30))
    def test_of_weight_one_is_the_newest_value(self, row: list[int]) -> None:
        assert ewma(row, 1.0, 0.0).tolist() == row


@st.composite
def studies(draw: st.DrawFn) -> np.ndarray[Any, np.dtype[np.float64]]:
    shape = draw(st.integers(2, 4)), draw(st.integers(2, 3)), draw(st.integers(2, 3))
    size = math.prod(shape)
    readings = draw(st.lists(st.integers(-20, 20), min_size=size, max_size=size))
    assume(len(set(readings)) > 1)
    return np.array(readings, dtype=float).reshape(shape)


PARTS = ("repeatability", "inspectors", "interaction", "reproducibility", "gauge", "parts", "total")


def variances(study: CrossedStudy, scale: float = 1.0) -> list[float]:
    return [getattr(study, name).variance_um2 / scale**2 for name in PARTS]


class TestGaugeStudy:
    @given(readings=studies(), seed=st.randoms(use_true_random=False))
    def test_does_not_see_the_order_of_parts_inspectors_and_trials(self, readings: Any, seed: Any) -> None:
        mixed = readings
        for axis in range(3):
            order = list(range(readings.shape[axis]))
            seed.shuffle(order)
            mixed = np.take(mixed, order, axis=axis)
        assert variances(crossed_study(mixed)) == pytest.approx(variances(crossed_study(readings)), abs=1e-9)

    @given(readings=studies(), shift=shifts, scale=scales)
    def test_grows_with_its_readings_and_does_not_see_a_shift(self, readings: Any, shift: int, scale: float) -> None:
        first, second = crossed_study(readings), crossed_study(scale * (readings + shift))
        assert first.pooled == second.pooled
        assert variances(second, scale) == pytest.approx(variances(first), abs=1e-8)

    @given(readings=studies())
    def test_adds_up(self, readings: Any) -> None:
        study = crossed_study(readings)
        *lines, total = [line for line in study.table if line.name != "pooled"]
        assert sum(line.sum_of_squares_um2 for line in lines) == pytest.approx(total.sum_of_squares_um2)
        assert sum(line.dof for line in lines) == total.dof == readings.size - 1
        rows = (study.repeatability, study.inspectors, study.interaction, study.parts)
        assert sum(row.contribution for row in rows) == pytest.approx(1.0)
        assert all(row.variance_um2 >= 0.0 for row in rows)
        assert sum("below zero" in note for note in study.notes) == sum(row.estimate_um2 < 0.0 for row in rows)

    @given(readings=studies(), shift=shifts, scale=scales)
    def test_by_ranges_grows_with_its_readings(self, readings: Any, shift: int, scale: float) -> None:
        assume(np.ptp(readings, axis=2).any())
        first, second = range_study(readings), range_study(scale * (readings + shift))
        for name in ("repeatability", "reproducibility", "gauge", "parts", "total"):
            ours = getattr(second, name).standard_um ** 2
            assert ours == pytest.approx(scale**2 * getattr(first, name).standard_um ** 2, abs=1e-8 * scale**2)


class TestInterlaboratoryPrecision:
    laboratories = st.lists(st.lists(st.integers(-50, 50), min_size=1, max_size=4), min_size=2, max_size=6).filter(
        lambda groups: any(len(group) > 1 for group in groups)
    )

    @given(groups=laboratories, shift=shifts, scale=scales, seed=st.randoms(use_true_random=False))
    def test_does_not_see_order_and_grows_with_its_readings(
        self, groups: list[list[int]], shift: int, scale: float, seed: Any
    ) -> None:
        first = precision_of_level(groups)
        mixed = [[scale * (reading + shift) for reading in group] for group in groups]
        seed.shuffle(mixed)
        second = precision_of_level(mixed)
        assert second.mean == pytest.approx(scale * (first.mean + shift), abs=1e-9 * scale)
        assert second.between_variance == pytest.approx(scale**2 * first.between_variance, abs=1e-7 * scale**2)
        assert second.repeatability == pytest.approx(scale * first.repeatability, rel=1e-9, abs=1e-9 * scale)

    @given(groups=laboratories)
    def test_is_never_better_between_laboratories_than_within_one(self, groups: list[list[int]]) -> None:
        result = precision_of_level(groups)
        assert result.reproducibility >= result.repeatability
        assert result.reproducibility == pytest.approx(math.hypot(result.repeatability, result.between_laboratories))
