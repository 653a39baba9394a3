"""Numbers for people: as many digits as the uncertainty allows, in the routine's units."""

from __future__ import annotations

import math

import pytest

from holdzero.display import decimals_for, in_micro, length_text, micro_text, value_and_uncertainty


class TestDecimals:
    @pytest.mark.parametrize(
        ("uncertainty", "decimals"),
        [
            (0.0317, 3),
            (0.092, 3),
            (0.0995, 2),  # shown as 0.10: rounding up takes a digit
            (0.0994, 3),
            (0.99, 2),
            (0.999, 1),
            (1.0, 1),
            (9.94, 1),
            (9.96, 0),
            (10.0, 0),
            (93.0, 0),
            (1e6, 0),
            (1e-12, 9),
        ],
    )
    def test_show_two_significant_digits_of_the_uncertainty(self, uncertainty: float, decimals: int) -> None:
        # JCGM 100:2008, 7.2.6: at most two significant digits.
        assert decimals_for(uncertainty) == decimals

    def test_of_the_published_end_gauge_are_those_printed(self) -> None:
        # JCGM 100:2008, H.1.7: l = (50.000 838 ± 0.000 093) mm with U = 2.92 × 32 nm ≈ 93 nm.
        assert value_and_uncertainty(0.838, 0.093, "mm") == "(+0.838 ± 0.093) µm"

    @pytest.mark.parametrize("uncertainty", [0.0, -1.0, math.nan, math.inf])
    def test_are_three_where_there_is_no_uncertainty(self, uncertainty: float) -> None:
        assert decimals_for(uncertainty) == 3

    @pytest.mark.parametrize("uncertainty", [5e-324, 1e-308, 1.7e308])
    def test_are_in_reach_for_every_float(self, uncertainty: float) -> None:
        assert 0 <= decimals_for(uncertainty) <= 9

    def test_may_be_for_one_digit(self) -> None:
        assert [decimals_for(u, digits=1) for u in (0.034, 0.96, 1.0)] == [2, 0, 0]


class TestASmallLength:
    @pytest.mark.parametrize(
        ("value_um", "units", "uncertainty_um", "text"),
        [
            (0.8381, "mm", 0.092, "+0.838 µm"),
            (-0.8381, "mm", 0.92, "−0.84 µm"),
            (1.5, "mm", None, "+1.5 µm"),
            (-2.0, "mm", None, "−2 µm"),
            (0.508, "in", None, "+20 µin"),
            (0.508, "in", 0.0254, "+20.0 µin"),
            (0.0, "mm", None, "+0 µm"),
        ],
    )
    def test_has_sign_number_and_unit(
        self, value_um: float, units: str, uncertainty_um: float | None, text: str
    ) -> None:
        assert micro_text(value_um, units, uncertainty_um) == text

    def test_may_go_without_a_sign(self) -> None:
        assert micro_text(1.5, "mm", sign=False) == "1.5 µm"
        assert micro_text(0.0, "mm", sign=False) == "0 µm"

    @pytest.mark.parametrize("value_um", [-0.0, -1e-9, -0.004])
    def test_that_rounds_to_nothing_is_not_minus_nothing(self, value_um: float) -> None:
        assert micro_text(value_um, "mm", 0.92) == "+0.00 µm"
        assert value_and_uncertainty(value_um, 0.92, "mm") == "(+0.00 ± 0.92) µm"

    def test_is_shown_beside_its_uncertainty_with_the_same_last_digit(self) -> None:
        assert value_and_uncertainty(-0.83849, 0.0927, "mm") == "(−0.838 ± 0.093) µm"
        assert value_and_uncertainty(0.508, 0.0508, "in") == "(+20.0 ± 2.0) µin"


class TestAWholeLength:
    @pytest.mark.parametrize(
        ("value_um", "units", "text"),
        [
            (12_000.0, "mm", "12 mm"),
            (12_000.02, "mm", "12.00002 mm"),
            (100_000.0, "mm", "100 mm"),
            (25_400.0, "in", "1 in"),
            (12_700.0, "in", "0.5 in"),
            (0.0, "mm", "0 mm"),
            (-1e-9, "mm", "0 mm"),
        ],
    )
    def test_is_in_the_routines_unit_without_idle_zeros(self, value_um: float, units: str, text: str) -> None:
        assert length_text(value_um, units) == text


class TestTheSmallUnit:
    def test_is_a_micrometre_or_a_microinch(self) -> None:
        # 1 µin = 25.4 nm, from the inch of 25.4 mm (1959; from memory).
        assert in_micro(0.0254, "in") == 1.0
        assert in_micro(0.0254, "mm") == 0.0254
