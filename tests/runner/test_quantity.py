"""The unit border: what is a quantity, in which unit it is kept, and what is refused."""

from __future__ import annotations

import math

import pytest

from holdzero.errors import QuantityError
from holdzero.quantity import Dimension, parse_quantity, shown, tidy

NBSP, NARROW_NBSP, THIN = "\u00a0", "\u202f", "\u2009"
MINUS, EN_DASH = "\u2212", "\u2013"
MICRO_SIGN, GREEK_MU = "\u00b5", "\u03bc"


def length(text: str) -> float:
    return parse_quantity(text, Dimension.LENGTH).value


def refusal(text: str, dimension: Dimension = Dimension.LENGTH) -> QuantityError:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, dimension)
    return caught.value


class TestALength:
    # One inch is 25.4 mm exactly (ISO 1; international yard and pound agreement, 1959; from memory).
    @pytest.mark.parametrize(
        ("text", "micrometres"),
        [
            ("1 nm", 1e-3),
            ("1 um", 1.0),
            ("1 mm", 1e3),
            ("1 cm", 1e4),
            ("1 m", 1e6),
            ("1 in", 25400.0),
            ('1"', 25400.0),
            ("1 uin", 0.0254),
            ("1 thou", 25.4),
            ("0.00002 in", 0.508),
            ("20 uin", 0.508),
        ],
    )
    def test_is_kept_in_micrometres(self, text: str, micrometres: float) -> None:
        assert length(text) == pytest.approx(micrometres, rel=1e-15)

    def test_in_inches_of_the_routine_is_exact(self) -> None:
        assert length("0.5 in") == 12700.0

    @pytest.mark.parametrize("text", ["1.5 um", "1,5 um", "+1.5 um", "+1,5um", "1.50um", "01.5 um", " 1.5 um\r\n"])
    def test_may_be_written_with_point_or_comma_and_with_or_without_a_blank(self, text: str) -> None:
        assert length(text) == 1.5

    @pytest.mark.parametrize(("text", "value"), [(".5 um", 0.5), (",5 um", 0.5), ("5. um", 5.0), ("5, um", 5.0)])
    def test_may_leave_out_a_zero(self, text: str, value: float) -> None:
        assert length(text) == value

    def test_with_three_digits_behind_the_comma_has_decimals_not_thousands(self) -> None:
        assert length("12,000 mm") == 12_000.0

    @pytest.mark.parametrize("minus", ["-", MINUS, EN_DASH])
    def test_takes_every_minus_that_documents_put_in(self, minus: str) -> None:
        assert length(f"{minus}1.5 um") == -1.5

    def test_takes_a_minus_that_stands_apart(self) -> None:
        assert length("-  1.5 um") == -1.5

    @pytest.mark.parametrize("blank", [NBSP, NARROW_NBSP, THIN, "\t", "  "])
    def test_takes_every_blank_between_number_and_unit(self, blank: str) -> None:
        assert length(f"1.5{blank}mm") == 1500.0

    @pytest.mark.parametrize("mu", ["u", MICRO_SIGN, GREEK_MU])
    def test_takes_micro_sign_and_greek_mu_for_micro(self, mu: str) -> None:
        assert length(f"1.5 {mu}m") == 1.5
        assert length(f"20 {mu}in") == pytest.approx(0.508, rel=1e-15)

    def test_remembers_what_was_written(self) -> None:
        read = parse_quantity(" -0,00002 in ", Dimension.LENGTH)
        assert (read.text, read.unit) == ("-0,00002 in", "in")
        assert read.value == pytest.approx(-0.508, rel=1e-15)


class TestOtherDimensions:
    @pytest.mark.parametrize(
        ("text", "dimension", "value"),
        [
            ("20.3 degC", Dimension.TEMPERATURE, 20.3),
            ("20.3 °C", Dimension.TEMPERATURE, 20.3),
            ("20,3 C", Dimension.TEMPERATURE, 20.3),
            # 68 °F is 20 °C, 32 °F is 0 °C: definition of the scales.
            ("68 degF", Dimension.TEMPERATURE, 20.0),
            ("32 °F", Dimension.TEMPERATURE, 0.0),
            ("-40 F", Dimension.TEMPERATURE, -40.0),
            ("0.2 K", Dimension.DIFFERENCE, 0.2),
            ("200 mK", Dimension.DIFFERENCE, 0.2),
            ("0.2 degC", Dimension.DIFFERENCE, 0.2),
            # A difference has no zero point: 1.8 °F are 1 K.
            ("1.8 degF", Dimension.DIFFERENCE, 1.0),
            ("0.8 N", Dimension.FORCE, 0.8),
            ("800 mN", Dimension.FORCE, 0.8),
            # Standard acceleration 9.80665 m/s² (CGPM 1901), pound 0.45359237 kg (1959); from memory.
            ("100 gf", Dimension.FORCE, 0.980665),
            ("1 lbf", Dimension.FORCE, 0.45359237 * 9.80665),
            ("16 ozf", Dimension.FORCE, 0.45359237 * 9.80665),
            ("90 s", Dimension.TIME, 90.0),
            ("20 min", Dimension.TIME, 1200.0),
            ("1.5 h", Dimension.TIME, 5400.0),
            ("2 d", Dimension.TIME, 172800.0),
            ("11.5e-6 1/K", Dimension.EXPANSION, 11.5e-6),
            ("11.5e-6 /K", Dimension.EXPANSION, 11.5e-6),
            ("11.5e-6 1/degC", Dimension.EXPANSION, 11.5e-6),
            ("11.5e-6 /°C", Dimension.EXPANSION, 11.5e-6),
            ("11.5 um/m/K", Dimension.EXPANSION, 11.5e-6),
            ("6.4e-6 1/degF", Dimension.EXPANSION, 11.52e-6),
            ("180 deg", Dimension.ANGLE, math.pi),
            ("180°", Dimension.ANGLE, math.pi),
            ("60 arcmin", Dimension.ANGLE, math.pi / 180),
            ("3600 arcsec", Dimension.ANGLE, math.pi / 180),
            ("2 mrad", Dimension.ANGLE, 0.002),
            ("0.24 um/N", Dimension.COMPLIANCE, 0.24),
            ("240 nm/N", Dimension.COMPLIANCE, 0.24),
        ],
    )
    def test_are_kept_in_their_inside_unit(self, text: str, dimension: Dimension, value: float) -> None:
        assert parse_quantity(text, dimension).value == pytest.approx(value, rel=1e-12, abs=1e-12)

    @pytest.mark.parametrize("dimension", list(Dimension))
    def test_show_an_example_that_is_accepted(self, dimension: Dimension) -> None:
        assert math.isfinite(parse_quantity(dimension.example, dimension).value)

    @pytest.mark.parametrize("dimension", list(Dimension))
    def test_read_every_spelling_that_they_name(self, dimension: Dimension) -> None:
        for spelling in dimension.spellings:
            assert math.isfinite(parse_quantity(f"1 {spelling}", dimension).value)

    @pytest.mark.parametrize(
        ("dimension", "one"), [(Dimension.LENGTH, "a length"), (Dimension.EXPANSION, "an expansion coefficient")]
    )
    def test_have_a_title_that_reads_well(self, dimension: Dimension, one: str) -> None:
        assert refusal("?", dimension).expected.startswith(f"{one} such as ")

    def test_refuse_a_unit_of_another_and_say_whose_it_is(self) -> None:
        assert "mm is a unit of length" in refusal("1 mm", Dimension.FORCE).mend
        assert "K is a unit of temperature difference" in refusal("293 K", Dimension.TEMPERATURE).mend


class TestABareNumber:
    def test_needs_its_unit_in_a_routine(self) -> None:
        error = refusal("1.5")
        assert error.found == "'1.5'"
        assert error.expected == "a length such as 1.5 um"
        assert error.mend.startswith("add the unit: nm, um")

    @pytest.mark.parametrize(("unit", "value"), [("um", 1.5), ("mm", 1500.0), ("in", 38100.0)])
    def test_has_the_unit_of_the_comparator_at_the_bench(self, unit: str, value: float) -> None:
        read = parse_quantity("+1.5", Dimension.LENGTH, bare_unit=unit)
        assert read.value == pytest.approx(value, rel=1e-15)
        assert read.unit == unit

    def test_gives_way_to_a_unit_that_is_written(self) -> None:
        assert parse_quantity("1.5 um", Dimension.LENGTH, bare_unit="mm").value == 1.5


class TestScaleDivisions:
    @pytest.mark.parametrize("word", ["div", "divs", "division", "divisions"])
    def test_are_worth_what_the_comparator_says(self, word: str) -> None:
        assert parse_quantity(f"-3 {word}", Dimension.LENGTH, division_um=0.5).value == -1.5

    def test_can_be_the_unit_of_bare_numbers(self) -> None:
        assert parse_quantity("3", Dimension.LENGTH, bare_unit="div", division_um=0.5).value == 1.5

    def test_mean_nothing_until_that_is_said(self) -> None:
        assert refusal("3 div").mend == "say what one division is worth: comparator.division"

    def test_are_no_unit_of_anything_but_length(self) -> None:
        with pytest.raises(QuantityError, match="no unit of force"):
            parse_quantity("3 div", Dimension.FORCE, division_um=0.5)


class TestRefused:
    @pytest.mark.parametrize(
        "text",
        [
            "1,000.5 um",
            "1.000,5 um",
            "1,000,000 um",
            "1 000 um",
            f"1{NBSP}000 um",
            f"1{NARROW_NBSP}000 um",
            "1'000 um",
            "1_000 um",
        ],
    )
    def test_separators_of_thousands(self, text: str) -> None:
        assert refusal(text).found == repr(text)

    @pytest.mark.parametrize(
        "text", ["\uff11.5 um", "1\u0665 um", "\u0661 um", "1\u00b2 um", "10\u207b\u2076 m", "½ um"]
    )
    def test_digits_that_are_not_ascii(self, text: str) -> None:
        assert refusal(text).found == repr(text)

    @pytest.mark.parametrize("unit", ["mil", "mils", "micron", "MM", "Mm", "inch", "u", "µ", "dm", "km", "ft", "''"])
    def test_units_that_may_mean_something_else(self, unit: str) -> None:
        assert "is no unit of length here" in refusal(f"1 {unit}").mend

    @pytest.mark.parametrize("text", ["nan", "inf", "-inf", "NaN um", "Infinity mm", "1e999 m", "-1e999 m"])
    def test_what_is_no_finite_number(self, text: str) -> None:
        assert refusal(text).found == repr(text)

    @pytest.mark.parametrize("text", ["1e13 um", "-1e99 m", "9" * 50 + " m"])
    def test_numbers_beyond_all_sense(self, text: str) -> None:
        assert refusal(text).mend == "the number is too large"

    @pytest.mark.parametrize(
        "text",
        ["", " ", "um", "+", "-", ".", ",", "+-1 um", "--1 um", "1 um 2", "1 um x", "x1 um", "1..5 um", "1.5.2 um"],
    )
    def test_what_is_not_one_number_with_one_unit(self, text: str) -> None:
        assert refusal(text).found == repr(text)

    @pytest.mark.parametrize(
        "text", ["0x1 um", "1 + 1 um", "2*3 um", "1/2 in", "(1) um", "1e um", "1e1.5 um", "1 e3 um"]
    )
    def test_what_would_have_to_be_worked_out(self, text: str) -> None:
        assert refusal(text).found == repr(text)

    def test_a_flood_of_text_which_is_shown_shortened(self) -> None:
        error = refusal("1" * 10_000 + " um")
        assert len(error.found) < 70
        assert error.found.endswith("…'")

    def test_an_exponent_at_the_bench(self) -> None:
        assert parse_quantity("1e-3 mm", Dimension.LENGTH).value == 1.0
        with pytest.raises(QuantityError):
            parse_quantity("1e-3 mm", Dimension.LENGTH, exponent=False)

    def test_the_message_says_what_was_found_what_is_expected_and_what_to_do(self) -> None:
        assert str(refusal("1.5 mil")) == (
            "found '1.5 mil'; expected a length such as 1.5 um; 'mil' is no unit of length here; "
            'use one of: nm, um, µm, μm, mm, cm, m, in, ", uin, µin, μin, thou'
        )


class TestTidyText:
    def test_has_plain_signs_and_blanks_and_nothing_around_it(self) -> None:
        assert tidy(f"{NBSP}{MINUS}1,5{NARROW_NBSP}um\n") == "-1,5 um"


class TestAValueInAMessage:
    @pytest.mark.parametrize(
        ("raw", "text"),
        [
            ("a", "'a'"),
            (3, "3"),
            (True, "True"),
            ({"a": [1, 2]}, "{'a': [1, 2]}"),
            ("line\nfeed \x1b[31m", r"'line\nfeed \x1b[31m'"),
            pytest.param(10**5000, "a whole number of very many digits", id="huge"),
            pytest.param([10**5000], "[a whole number of very many digits]", id="huge in a list"),
        ],
    )
    def test_is_shown_in_one_line(self, raw: object, text: str) -> None:
        assert shown(raw) == text

    def test_is_cut_where_it_is_long_or_deep(self) -> None:
        nest: list[object] = []
        for _ in range(10_000):
            nest = [nest]
        for raw in ("x" * 1000, list(range(1000)), nest):
            assert len(shown(raw)) <= 80
