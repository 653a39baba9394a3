"""How much heat is in a value: what must hold for all readings, and readings at the edge of what there is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from holdzero_plugins.checks._fading import Heat, Spans, fading, still_um
from holdzero_plugins.checks._warm_rows import Rows

Floats = NDArray[np.float64]

BLOCK = Spans(slowest_s=2496.0, fastest_s=46.0, even_s=81.3)
"""Of a steel block of 100 mm, as in test_heat and test_cooling."""


def rows(
    passes: int,
    places: int = 1,
    *,
    values_um: Floats | None = None,
    zeros: int = 3,
    per_pass: bool = False,
    gap_s: float = 15.0,
    step_um: float = 0.02,
    of: str = "first",
) -> Rows:
    """Passes of some places after zeros: the size at the first, the mean of all, or the first less the last."""
    one = [*np.full(zeros, -1), *range(places)]
    layout = np.array(one * passes if per_pass else [*one[:zeros], *one[zeros:] * passes])
    number = np.repeat(np.arange(passes), zeros + places) if per_pass else np.zeros(layout.size)
    counts = {
        "first": np.eye(places)[0],
        "mean": np.full(places, 1.0 / places),
        "tilt": np.eye(places)[0] - np.eye(places)[-1],
    }[of]
    weights = np.where(layout >= 0, counts[layout] / passes, 0.0)
    for zero in range(int(number.max()) + 1):
        own = (layout < 0) & (number == zero)
        if own.any():
            weights[own] = -weights[(layout >= 0) & (number == zero)].sum() / own.sum()
    return Rows(
        times_s=np.asarray(gap_s * np.arange(layout.size), dtype=np.float64),
        values_um=np.zeros(layout.size) if values_um is None else values_um,
        zeros=number.astype(np.int64),
        places=layout,
        weights=weights,
        warm=layout >= 0,
        step_um=step_um,
    )


def showing(made: Rows, values_um: NDArray[Any]) -> Rows:
    """The same rows with other readings [um]."""
    return replace(made, values_um=np.asarray(values_um, dtype=np.float64))


def heat(of: Rows) -> Heat:
    return fading(of, BLOCK, significance=0.01)


def numbers(of: Heat) -> Floats:
    """All its numbers, last axis."""
    made = [of.in_value.low, of.in_value.high, of.left.low, of.left.high, of.moved_um, of.scatter_um]
    return np.stack(np.broadcast_arrays(*made), axis=-1)


def assert_same(found: Heat, expected: Heat, *, at_um: float = 1e-6) -> None:
    np.testing.assert_allclose(numbers(found), numbers(expected), rtol=1e-5, atol=at_um)
    for name in ("size_seen", "shape_seen", "odd"):
        assert np.array_equal(getattr(found, name), getattr(expected, name)), name


@st.composite
def read(draw: st.DrawFn, *, of: tuple[str, ...] = ("first", "mean", "tilt")) -> Rows:
    """Readings with scatter, over a time in which heat can be told, with and without heat, as the dial shows them."""
    places, passes = draw(st.sampled_from([1, 2, 5])), draw(st.integers(4, 9))
    what = draw(st.sampled_from(of if places > 1 else ("first", "mean")))
    made = rows(passes, places, gap_s=draw(st.sampled_from([20.0, 45.0, 90.0])), of=what)
    chance = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    warm = draw(st.sampled_from([0.0, 0.3, -0.8])) * np.exp(-made.times_s / draw(st.sampled_from([90.0, 1300.0])))
    shown = made.warm * warm + 0.025 * chance.standard_normal(made.times_s.size)
    return showing(made, 0.02 * np.rint(shown / 0.02))


class TestWhatHoldsForAllReadings:
    @given(read(), st.lists(st.integers(-2000, 2000), min_size=6, max_size=6))
    @settings(max_examples=30, deadline=None)
    def test_how_long_a_place_or_a_zero_is_does_not_matter(self, made: Rows, by: list[int]) -> None:
        # A whole number of steps each; the zero's shows everywhere.
        of_place = 0.02 * np.array(by)
        moved = made.values_um + np.where(made.places >= 0, of_place[made.places], 0.0) + of_place[-1]
        assert_same(heat(showing(made, moved)), heat(made))

    @given(read(), st.sampled_from([1e-3, 0.25, 1e3]))
    @settings(max_examples=20, deadline=None)
    def test_in_another_unit_all_is_in_that_unit(self, made: Rows, by: float) -> None:
        scaled = heat(replace(made, values_um=by * made.values_um, step_um=by * made.step_um))
        np.testing.assert_allclose(numbers(scaled) / by, numbers(heat(made)), rtol=1e-5, atol=1e-6)

    @given(read(), st.permutations(range(5)))
    @settings(max_examples=20, deadline=None)
    def test_what_the_places_are_called_does_not_matter(self, made: Rows, order: list[int]) -> None:
        number = np.argsort(np.argsort([name for name in order if name < made.many]))
        places = np.where(made.places >= 0, number[made.places], -1)
        assert_same(heat(replace(made, places=places)), heat(made))

    @given(read(), st.randoms(use_true_random=False))
    @settings(max_examples=20, deadline=None)
    def test_nor_does_the_order_of_the_rows(self, made: Rows, chance: object) -> None:
        order = np.arange(made.times_s.size)
        chance.shuffle(order)  # type: ignore[attr-defined]
        turned = replace(
            made,
            **{
                name: getattr(made, name)[order]
                for name in ("times_s", "values_um", "zeros", "places", "weights", "warm")
            },
        )
        assert_same(heat(turned), heat(made))

    @given(read())
    @settings(max_examples=20, deadline=None)
    def test_a_cold_part_mirrors_a_warm_one(self, made: Rows) -> None:
        warm, cold = heat(made), heat(showing(made, -made.values_um))
        found = [-cold.in_value.high, -cold.in_value.low, -cold.left.high, -cold.left.low, -cold.moved_um]
        np.testing.assert_allclose(found, numbers(warm)[:-1], rtol=1e-5, atol=1e-6)

    @given(read(), st.floats(1.0, 20.0))
    @settings(max_examples=30, deadline=None)
    def test_readings_that_do_not_move_and_scatter_more_hide_more(self, made: Rows, by: float) -> None:
        assert still_um(made, BLOCK, 0.02 * by) >= still_um(made, BLOCK, 0.02)

    @given(read())
    @settings(max_examples=20, deadline=None)
    def test_a_coarser_dial_that_shows_the_same_never_tells_more(self, made: Rows) -> None:
        fine, coarse = heat(made).in_value, heat(replace(made, step_um=0.1)).in_value
        assert coarse.low <= fine.low
        assert coarse.high >= fine.high

    @given(st.lists(read(of=("tilt",)), min_size=2, max_size=2), st.integers(0, 2**32 - 1))
    @settings(max_examples=20, deadline=None)
    def test_of_many_runs_each_has_what_it_has_alone(self, made: list[Rows], seed: int) -> None:
        first = made[0]
        chance = np.random.default_rng(seed)
        values = np.stack(
            [first.values_um, 0.02 * chance.integers(-9, 9, first.times_s.size), np.zeros_like(first.times_s)]
        )
        signs = np.array([1.0, -1.0, 1.0])[:, None]
        many = heat(replace(showing(first, values), weights=signs * first.weights))
        for number in range(3):
            alone = heat(replace(first, values_um=values[number], weights=signs[number] * first.weights))
            np.testing.assert_allclose(numbers(many)[number], numbers(alone), rtol=1e-9, atol=1e-12)
            for name in ("size_seen", "shape_seen", "odd"):
                assert getattr(many, name)[number] == getattr(alone, name), name

    def test_so_have_more_runs_than_are_worked_out_together(self) -> None:
        made = rows(6, 5, gap_s=45.0, of="tilt")
        steps = np.random.default_rng(8).integers(-3, 4, (700, made.times_s.size))
        values = np.asarray(0.02 * steps, dtype=np.float64)
        signs = np.where(np.arange(700) % 3, 1.0, -1.0)[:, None]
        many = heat(replace(showing(made, values), weights=signs * made.weights))
        assert numbers(many).shape == (700, 6)
        assert many.odd.shape == many.size_seen.shape == many.longest_s.shape == (700,)
        for number in (0, 127, 128, 699):
            alone = heat(replace(made, values_um=values[number], weights=signs[number] * made.weights))
            np.testing.assert_allclose(numbers(many)[number], numbers(alone), rtol=1e-9, atol=1e-12)


class TestReadingsAtTheEdge:
    """Nothing raises or warns, no answer is half a number, and what can't be told is infinite."""

    @staticmethod
    def told(made: Rows) -> Heat:
        found = heat(made)
        assert not np.isnan(numbers(found)).any()
        assert np.all(found.in_value.low <= found.in_value.high)
        assert np.all(found.left.low <= found.left.high)
        return found

    @pytest.mark.parametrize("step", [0.02, 0.0])
    @pytest.mark.parametrize("value", [0.0, 0.3, -12345.67])
    @pytest.mark.parametrize("places", [1, 5])
    def test_equal_readings_have_no_heat_that_shows(self, places: int, value: float, step: float) -> None:
        made = rows(20, places, gap_s=300.0, step_um=step)
        found = self.told(showing(made, np.full(made.times_s.size, value)))
        assert [found.size_seen, found.shape_seen, found.odd] == [False, False, False]
        assert found.in_value.low <= 1e-9
        assert found.in_value.high >= -1e-9
        # As little as rounding hides.
        assert found.in_value.most < (0.1 if step else 1e-6)

    @pytest.mark.parametrize("step", [0.02, 0.0])
    @pytest.mark.parametrize(("passes", "places", "zeros"), [(1, 1, 0), (2, 1, 0), (1, 5, 3), (3, 1, 0), (3, 3, 1)])
    def test_too_few_to_tell_may_be_anything(self, passes: int, places: int, zeros: int, step: float) -> None:
        made = rows(passes, places, zeros=zeros, step_um=step)
        found = self.told(showing(made, 0.1 * np.arange(made.times_s.size)))
        assert found.in_value.most == np.inf
        assert not found.size_seen

    @pytest.mark.parametrize("values", ["still", "moved"])
    @pytest.mark.parametrize(("places", "of"), [(1, "first"), (3, "first"), (3, "mean"), (3, "tilt")])
    def test_all_of_one_moment_tell_nothing_of_heat(self, of: str, places: int, values: str) -> None:
        made = rows(9, places, gap_s=0.0, of=of)
        moved = 0.02 * np.arange(made.times_s.size) if values == "moved" else made.values_um
        found = self.told(showing(made, moved))
        assert found.in_value.most == np.inf
        assert [found.size_seen, found.shape_seen] == [False, False]

    @pytest.mark.parametrize("zeros", [1, 2])
    @pytest.mark.parametrize("places", [1, 3])
    def test_a_zero_before_each_pass(self, places: int, zeros: int) -> None:
        made = rows(12, places, zeros=zeros, per_pass=True, gap_s=60.0)
        drift = 0.3 * made.zeros  # of the comparator: each zero takes it along
        still = self.told(showing(made, drift))
        warm = self.told(showing(made, drift + made.warm * 0.5 * np.exp(-made.times_s / 900.0)))
        assert not still.size_seen
        assert warm.size_seen
        assert warm.in_value.low > 0.0

    @pytest.mark.parametrize("places", [1, 5])
    def test_two_hundred_passes(self, places: int) -> None:
        made = rows(200, places)
        found = self.told(showing(made, made.warm * np.round(0.5 * np.exp(-made.times_s / 900.0), 2)))
        assert found.size_seen
        truth = float(made.weights @ (made.warm * 0.5 * np.exp(-made.times_s / 900.0)))
        assert found.in_value.low <= truth <= found.in_value.high
        assert found.in_value.high - found.in_value.low < 1.0

    @pytest.mark.parametrize("slowest", [900.0, 1234.5, 2700.0])
    def test_nothing_within_a_part_is_slower_than_its_slowest(self, slowest: float) -> None:
        # A part that conducts badly stays uneven for as long as it stays warm: no tilt that fades is odd then.
        made = rows(10, 3, gap_s=60.0, of="tilt")
        across = np.array([0.4, 0.0, -0.4])[made.places] * made.warm
        chance = np.random.default_rng(4).standard_normal((40, made.times_s.size))
        tilted = across * np.exp(-made.times_s / (1.3 * slowest)) + 0.02 * chance
        spans = Spans(slowest_s=slowest, fastest_s=46.0, even_s=slowest)
        found = fading(showing(made, tilted), spans, significance=0.01)
        assert found.shape_seen.all()
        assert not found.odd.any()

    @pytest.mark.parametrize("size", [1e6, 1e9, 1e12])
    def test_huge_readings(self, size: float) -> None:
        made = rows(8, 5, gap_s=60.0)
        chance = np.random.default_rng(5)
        found = self.told(showing(made, size * chance.standard_normal(made.times_s.size)))
        assert found.in_value.most > size / 10.0

    @pytest.mark.parametrize("places", [1, 3])
    def test_a_fade_without_a_scatter_or_a_step_is_known_exactly(self, places: int) -> None:
        made = rows(10, places, gap_s=60.0, step_um=0.0)
        # At the slowest time constant that is possible, which is one of those that are tried.
        course = made.warm * 0.5 * np.exp(-made.times_s / BLOCK.slowest_s)
        found = self.told(showing(made, course))
        assert found.in_value.low == pytest.approx(float(made.weights @ course), abs=1e-3)
        assert found.in_value.high == pytest.approx(float(made.weights @ course), abs=1e-3)
        assert found.size_seen
