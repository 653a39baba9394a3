"""Estimates as a routine writes them: every form, its standard uncertainty and degrees of freedom."""

from __future__ import annotations

import math

import numpy as np
import pytest

from holdzero.errors import QuantityError
from holdzero.estimate import Estimate, Part, Shape, dof_from_reliability, parse_estimate
from holdzero.quantity import Dimension

LENGTH, TEMPERATURE, DIFFERENCE = Dimension.LENGTH, Dimension.TEMPERATURE, Dimension.DIFFERENCE


def refusal(raw: object, dimension: Dimension = LENGTH) -> QuantityError:
    with pytest.raises(QuantityError) as caught:
        parse_estimate(raw, dimension)
    return caught.value


class TestPublishedValues:
    def test_gum_4_4_5_anywhere_between_96_and_104_degrees(self) -> None:
        # JCGM 100:2008, 4.4.5: "u(t) = a/√3 ≈ 2.3 °C".
        estimate = parse_estimate({"value": "100 degC", "halfwidth": "4 K"}, TEMPERATURE)
        assert estimate.value == 100.0
        assert estimate.standard_uncertainty == pytest.approx(2.3, abs=0.05)

    def test_gum_4_4_6_the_same_but_more_likely_in_the_middle(self) -> None:
        # JCGM 100:2008, 4.4.6: "u(t) = a/√6 ≈ 1.6 °C".
        estimate = parse_estimate({"value": "100 degC", "halfwidth": "4 K", "shape": "triangular"}, TEMPERATURE)
        assert estimate.standard_uncertainty == pytest.approx(1.6, abs=0.05)

    def test_gum_4_3_7_expansion_of_copper(self) -> None:
        # JCGM 100:2008, 4.3.7, example 1: u²(α) = 53.3e-15 °C⁻², u(α) = 0.23e-6 °C⁻¹.
        raw = {"value": "16.52e-6 1/degC", "halfwidth": "0.40e-6 1/degC"}
        estimate = parse_estimate(raw, Dimension.EXPANSION)
        assert estimate.standard_uncertainty == pytest.approx(0.23e-6, abs=0.005e-6)
        assert estimate.standard_uncertainty**2 == pytest.approx(53.3e-15, abs=0.05e-15)

    @pytest.mark.parametrize(
        ("shape", "variance"),
        [
            # JCGM 101:2008, Table 1 and 6.4 with b − a = 2 × 3 µm.
            ({"shape": "rectangular"}, 6.0**2 / 12),
            ({"shape": "triangular"}, 6.0**2 / 24),
            ({"shape": "arcsine"}, 6.0**2 / 8),
            # 6.4.4 (clause from memory): (b − a)²(1 + β²)/24, β = 1/3: the top is a third of the bottom.
            ({"shape": "trapezoid", "inner": "1 um"}, 6.0**2 * (1 + 1 / 9) / 24),
        ],
    )
    def test_jcgm_101_table_1_variances(self, shape: dict[str, str], variance: float) -> None:
        estimate = parse_estimate({"value": "0 um", "halfwidth": "3 um", **shape}, LENGTH)
        assert estimate.standard_uncertainty**2 == pytest.approx(variance, rel=1e-14)

    def test_jcgm_101_6_4_3_4_a_range_with_ends_that_are_inexact_themselves(self) -> None:
        # JCGM 101:2008, 6.4.3.4: 10.0 ± 0.1 V with ends known to 0.05 V: u² = 0.0036 V², u = 0.060 V, against
        # 0.058 V with exact ends; here in µm.
        wide = {"value": "10.0 um", "halfwidth": "0.1 um"}
        inexact = parse_estimate({**wide, "inexact": "0.05 um"}, LENGTH)
        assert inexact.standard_uncertainty**2 == pytest.approx(0.0036, abs=0.00005)
        assert inexact.standard_uncertainty == pytest.approx(0.060, abs=0.0005)
        assert parse_estimate(wide, LENGTH).standard_uncertainty == pytest.approx(0.058, abs=0.0005)

    def test_gum_g_4_2_a_quarter_of_doubt_is_eight_degrees_of_freedom(self) -> None:
        # JCGM 100:2008, G.4.2, eq. (G.3) and its example (from memory): Δu/u = 0.25 gives ν = 8.
        assert dof_from_reliability(0.25) == 8.0
        raw = {"value": "0 um", "standard": "1 um", "reliability": 0.25}
        assert parse_estimate(raw, LENGTH).dof == 8.0

    def test_gum_4_3_3_a_certificate_with_three_standard_deviations(self) -> None:
        # JCGM 100:2008, 4.3.3, example (from memory): 240 µg at three standard deviations is u = 80 µg.
        raw = {"value": "0 um", "expanded": "240 um", "coverage": 3}
        assert parse_estimate(raw, LENGTH).standard_uncertainty == pytest.approx(80.0, rel=1e-15)


class TestABareQuantity:
    def test_is_exact(self) -> None:
        estimate = parse_estimate("1.5 um", LENGTH)
        assert (estimate.value, estimate.standard_uncertainty, estimate.dof) == (1.5, 0.0, math.inf)
        assert estimate.parts[0].shape is Shape.EXACT

    def test_is_exact_in_a_table_too_and_may_say_why(self) -> None:
        estimate = parse_estimate({"value": "1.5 um", "why": "drawing"}, LENGTH)
        assert (estimate.standard_uncertainty, estimate.why) == (0.0, "drawing")


class TestATable:
    def test_with_standard(self) -> None:
        estimate = parse_estimate({"value": "1 mm", "standard": "20 nm", "dof": 9}, LENGTH)
        assert (estimate.value, estimate.dof) == (1000.0, 9.0)
        assert estimate.standard_uncertainty == pytest.approx(0.02, rel=1e-15)
        assert estimate.parts[0].shape is Shape.NORMAL

    def test_with_expanded_and_coverage(self) -> None:
        estimate = parse_estimate({"value": "+0.05 um", "expanded": "0.06 um", "coverage": 2}, LENGTH)
        assert estimate.standard_uncertainty == 0.03
        assert estimate.dof == math.inf

    def test_with_inexact_ends_keeps_by_how_much(self) -> None:
        (part,) = parse_estimate({"value": "0 um", "halfwidth": "0.3 um", "inexact": "100 nm"}, LENGTH).parts
        assert (part.shape, part.halfwidth) == (Shape.CURVILINEAR, 0.3)
        assert part.inner == pytest.approx(0.1, rel=1e-15)

    def test_with_halfwidth_is_rectangular_unless_it_says_otherwise(self) -> None:
        estimate = parse_estimate({"value": "0 um", "halfwidth": "0.3 um"}, LENGTH)
        assert estimate.parts[0].shape is Shape.RECTANGULAR
        assert estimate.parts[0].halfwidth == 0.3

    def test_keeps_the_widths_of_a_trapezoid(self) -> None:
        raw = {"value": "0 um", "halfwidth": "0.3 um", "shape": "trapezoid", "inner": "100 nm"}
        (part,) = parse_estimate(raw, LENGTH).parts
        assert (part.shape, part.halfwidth) == (Shape.TRAPEZOID, 0.3)
        assert part.inner == pytest.approx(0.1, rel=1e-15)

    @pytest.mark.parametrize(("inner", "like"), [("0 um", "triangular"), ("0.3 um", "rectangular")])
    def test_with_a_trapezoid_at_its_ends_is_a_triangle_or_a_rectangle(self, inner: str, like: str) -> None:
        wide = {"value": "0 um", "halfwidth": "0.3 um"}
        trapezoid = parse_estimate({**wide, "shape": "trapezoid", "inner": inner}, LENGTH)
        other = parse_estimate({**wide, "shape": like}, LENGTH)
        assert trapezoid.standard_uncertainty == pytest.approx(other.standard_uncertainty, rel=1e-15)

    def test_of_a_temperature_has_its_uncertainty_as_a_difference(self) -> None:
        estimate = parse_estimate({"value": "68 degF", "halfwidth": "1.8 degF"}, TEMPERATURE)
        assert estimate.value == pytest.approx(20.0, rel=1e-12)
        assert estimate.parts[0].halfwidth == pytest.approx(1.0, rel=1e-15)

    def test_may_leave_out_the_value_only_where_it_is_about_zero(self) -> None:
        assert parse_estimate({"halfwidth": "0.3 um"}, LENGTH, about_zero=True).value == 0.0
        assert parse_estimate({"halfwidth": "0.2 K"}, DIFFERENCE, about_zero=True).value == 0.0
        assert refusal({"halfwidth": "0.3 um"}).found == "no value"


class TestAList:
    def test_is_a_sum_with_uncertainties_in_quadrature(self) -> None:
        raw = ["10 mm", {"value": "3 um", "standard": "3 um"}, {"value": "-1 um", "standard": "4 um"}]
        estimate = parse_estimate(raw, LENGTH)
        assert estimate.value == 10_002.0
        assert estimate.standard_uncertainty == 5.0
        assert len(estimate.parts) == 3

    def test_has_degrees_of_freedom_by_welch_and_satterthwaite(self) -> None:
        # JCGM 100:2008, eq. (G.2b): 5⁴ / (3⁴/2 + 4⁴/8) = 625 / 72.5, by hand.
        raw = [{"value": "0 um", "standard": "3 um", "dof": 2}, {"value": "0 um", "standard": "4 um", "dof": 8}]
        assert parse_estimate(raw, LENGTH).dof == pytest.approx(625 / 72.5, rel=1e-15)

    def test_joins_the_reasons(self) -> None:
        raw = [{"value": "0 um", "why": "certificate"}, "1 um", {"value": "0 um", "why": "drift"}]
        assert parse_estimate(raw, LENGTH).why == "certificate; drift"

    def test_of_a_temperature_adds_differences_to_the_first(self) -> None:
        raw = ["20 degC", {"value": "0.1 K", "halfwidth": "0.2 K"}]
        assert parse_estimate(raw, TEMPERATURE).value == 20.1
        refusal(["20 degC", "1 C"], TEMPERATURE)

    def test_can_not_be_empty_or_hold_lists(self) -> None:
        assert refusal([]).expected == "an estimate of a length"
        assert refusal([["1 um"]]).found == "[['1 um']]"
        nest: list[object] = ["1 um"]
        for _ in range(10_000):
            nest = [nest]
        refusal(nest)


class TestRefused:
    @pytest.mark.parametrize("raw", [None, 1, 1.5, True, b"1 um", (), {}.keys()])
    def test_what_is_neither_text_nor_table_nor_list(self, raw: object) -> None:
        assert 'write "1.5 um", or { value = ' in refusal(raw).mend

    @pytest.mark.parametrize(
        ("raw", "found", "mend"),
        [
            ({"halfwidth": "1 um"}, "no value", 'add value = "1.5 um"'),
            ({"value": "0 um", "halfwith": "1 um"}, "the key 'halfwith'", "its keys are: value, standard, expanded"),
            ({"value": 3}, "value = 3", "give the unit"),
            ({"value": "0 um", "standard": 0.3}, "standard = 0.3", "give the unit"),
            ({"value": "0 um", "standard": "0.3"}, "'0.3'", "add the unit"),
            ({"value": "0 um", "standard": "0.3 K"}, "'0.3 K'", "K is a unit of temperature difference"),
            ({"value": "0 um", "standard": "-0.3 um"}, "standard = '-0.3 um'", "drop the minus"),
            ({"value": "0 um", "standard": "1 um", "halfwidth": "1 um"}, "standard and halfwidth", "keep one of"),
            ({"value": "0 um", "expanded": "1 um"}, "expanded without coverage", "add coverage = 2"),
            ({"value": "0 um", "coverage": 2}, "coverage without expanded", "add expanded, or drop coverage"),
            ({"value": "0 um", "standard": "1 um", "coverage": 2}, "coverage without expanded", "add expanded"),
            ({"value": "0 um", "standard": "1 um", "shape": "arcsine"}, "shape without halfwidth", "add halfwidth"),
            ({"value": "0 um", "inner": "1 um"}, "inner without halfwidth", "add halfwidth, or drop inner"),
            ({"value": "0 um", "inexact": "1 um"}, "inexact without halfwidth", "add halfwidth, or drop inexact"),
            ({"value": "0 um", "dof": 9}, "dof of an exact value", "drop dof"),
            ({"value": "0 um", "reliability": 0.1}, "reliability of an exact value", "drop reliability"),
            ({"value": "0 um", "why": 3}, "why = 3", "put it in quotation marks"),
        ],
    )
    def test_tables_with_a_gap_or_a_stray_and_why(self, raw: object, found: str, mend: str) -> None:
        error = refusal(raw)
        assert error.found == found
        assert mend in error.mend

    @pytest.mark.parametrize("coverage", [0, 0.5, -2, "2", True, math.nan, math.inf, 10**400])
    def test_a_coverage_factor_that_is_none(self, coverage: object) -> None:
        assert refusal({"value": "0 um", "expanded": "1 um", "coverage": coverage}).found.startswith("coverage = ")

    @pytest.mark.parametrize("dof", [0, 0.5, -2, "9", False, math.nan, math.inf, 10**400])
    def test_degrees_of_freedom_that_are_none(self, dof: object) -> None:
        assert refusal({"value": "0 um", "standard": "1 um", "dof": dof}).found.startswith("dof = ")

    @pytest.mark.parametrize("reliability", [0, -0.1, 0.71, 25, "25 %", True, math.nan, math.inf, 10**400])
    def test_a_reliability_that_is_no_fraction(self, reliability: object) -> None:
        error = refusal({"value": "0 um", "standard": "1 um", "reliability": reliability})
        assert error.expected == "a fraction above 0, at most 0.7"

    def test_degrees_of_freedom_said_twice(self) -> None:
        raw = {"value": "0 um", "standard": "1 um", "dof": 8, "reliability": 0.25}
        assert refusal(raw).found == "dof and reliability"

    @pytest.mark.parametrize("shape", ["normal", "exact", "Rectangular", "", 3, ["arcsine"], None])
    def test_a_shape_that_is_none(self, shape: object) -> None:
        error = refusal({"value": "0 um", "halfwidth": "1 um", "shape": shape})
        assert error.expected == "one of rectangular, triangular, arcsine, trapezoid"

    def test_a_trapezoid_without_its_top_and_a_top_without_a_trapezoid(self) -> None:
        wide = {"value": "0 um", "halfwidth": "1 um"}
        refusal({**wide, "shape": "trapezoid"})
        refusal({**wide, "inner": "0.5 um"})
        for inner in ("-0.1 um", "1.1 um"):
            error = refusal({**wide, "shape": "trapezoid", "inner": inner})
            assert error.expected == "from zero to halfwidth"

    @pytest.mark.parametrize("inexact", ["-0.1 um", "1.1 um"])
    def test_ends_that_are_more_inexact_than_the_range_is_wide(self, inexact: str) -> None:
        error = refusal({"value": "0 um", "halfwidth": "1 um", "inexact": inexact})
        assert (error.found, error.expected) == (f"inexact = '{inexact}'", "from zero to halfwidth")

    @pytest.mark.parametrize(
        "stray", [{"shape": "arcsine"}, {"shape": "rectangular"}, {"inner": "0.5 um"}, {"dof": 9}, {"reliability": 0.2}]
    )
    def test_inexact_ends_beside_what_would_be_ignored(self, stray: dict[str, object]) -> None:
        error = refusal({"value": "0 um", "halfwidth": "1 um", "inexact": "0.1 um", **stray})
        assert error.expected == "inexact alone"


class TestExtremes:
    def test_an_uncertainty_that_is_almost_certain_is_taken_as_known(self) -> None:
        raw = {"value": "0 um", "standard": "1 um", "reliability": 1e-300}
        assert parse_estimate(raw, LENGTH).dof == math.inf

    def test_a_tiny_uncertainty_does_not_break_the_sum(self) -> None:
        raw = [{"value": "0 um", "standard": "1e-99 um", "dof": 3}, {"value": "0 um", "standard": "1e-99 um"}]
        estimate = parse_estimate(raw, LENGTH)
        assert estimate.standard_uncertainty == pytest.approx(math.sqrt(2) * 1e-99, rel=1e-12)

    def test_the_widest_that_is_accepted_stays_finite(self) -> None:
        raw = [{"value": "0 um", "halfwidth": "1e6 m"}] * 2
        assert math.isfinite(parse_estimate(raw, LENGTH).standard_uncertainty)


class TestAnEstimateMadeInCode:
    def test_takes_arrays_with_one_entry_a_run(self) -> None:
        parts = (
            Part(value=np.array([1.0, 2.0]), standard_uncertainty=np.array([3.0, 0.0]), dof=2.0),
            Part(value=1.0, standard_uncertainty=np.array([4.0, 0.0]), dof=8.0),
        )
        estimate = Estimate(parts=parts)
        assert np.array_equal(estimate.value, [2.0, 3.0])
        assert np.array_equal(estimate.standard_uncertainty, [5.0, 0.0])
        assert np.array_equal(estimate.dof, [625 / 72.5, np.inf])

    def test_within_is_a_rectangle_and_of_is_normal(self) -> None:
        assert Estimate.within(1.0, 3.0).standard_uncertainty == pytest.approx(math.sqrt(3.0), rel=1e-15)
        assert Estimate.of(1.0, 2.0, dof=5.0).dof == 5.0
