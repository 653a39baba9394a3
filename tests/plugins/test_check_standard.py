"""The check standard away from 20 °C and away from the reference in length, against the formula in exact fractions."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any, TypeAlias

import pytest

from holdzero.testing import Draft

Measure: TypeAlias = Callable[..., Any]  # see conftest

STEEL, CARBIDE = Fraction("11.5e-6"), Fraction("4.5e-6")
ROUTINE = (
    Draft()
    .with_table("comparator", resolution="0.01 um", travel="20000 um")
    .with_table("bracket", limit="1 um")
    .with_table("reference", size="10 mm", deviation="+0.05 um", material="steel")
    .with_table("check_standard", size="15 mm", deviation="-0.03 um", material="steel", limit="0.1 um")
    .with_characteristic("thickness", nominal="10 mm")
    .with_table("part", material="steel")
    .with_check(
        "thermal", part_temperature="25 degC", reference_temperature="25 degC", reference_expansion="11.5e-6 1/K"
    )
    .with_steps(
        {"do": "zero"}, {"do": "check"}, {"do": "read", "at": "a", "times": 2}, {"do": "return"}, {"do": "compare"}
    )
)


def shows(expansion: Fraction, above: str = "5") -> Fraction:
    """l·(1 + α·θ) less l_ref·(1 + α_ref·θ_ref) [um], JCGM 100:2008, H.1.2, eq. (H.1); the reference at 25 °C."""
    return Fraction("14999.97") * (1 + expansion * Fraction(above)) - Fraction("10000.05") * (1 + STEEL * 5)


def good(outcome: Any) -> dict[str, Any]:
    (found,) = [f for f in outcome.record["findings"] if f["code"] == "check_standard/good"]
    one: dict[str, Any] = found
    return one


class TestFiveMillimetresAway:
    """Of steel at 25 °C, 5 mm longer than the reference: it shows 0.29 µm more than its certificate lets expect."""

    def outcome(self, measure: Measure, read: str, draft: Draft = ROUTINE) -> Any:
        return measure(draft.text, ["0", read, "0.1", "0.1", "0"])

    def test_is_not_stopped_for_being_right(self, measure: Measure) -> None:
        outcome = self.outcome(measure, "5000.21")
        assert outcome.codes("stop") == []
        assert good(outcome)["data"]["expected_um"] == pytest.approx(float(shows(STEEL)), abs=1e-7)
        assert not [asked for asked in outcome.asked if asked.code.startswith("check_standard")]

    def test_is_stopped_where_it_shows_what_its_certificate_has(self, measure: Measure) -> None:
        outcome = self.outcome(measure, "4999.92")
        assert outcome.codes("stop") == ["check_standard/limit"]
        (text,) = [f["text"] for f in outcome.record["findings"] if f["code"] == "check_standard/limit"]
        assert "should read 5000.207 µm, within 0.1 µm; it reads 4999.92 µm" in text

    def test_of_another_material_grows_as_that_does(self, measure: Measure) -> None:
        carbide = ROUTINE.with_check("check_standard", expansion="4.5e-6 1/K")
        outcome = self.outcome(measure, "4999.68", carbide)
        assert good(outcome)["data"]["expected_um"] == pytest.approx(float(shows(CARBIDE)), abs=1e-7)

    def test_has_the_expansion_of_its_own_material(self, measure: Measure) -> None:
        # the table's, JCGM 100:2008 knows no materials: as in tests/published/test_expansion.py
        carbide = ROUTINE.with_table("check_standard", material="tungsten carbide")
        outcome = self.outcome(measure, "4999.68", carbide)
        assert good(outcome)["data"]["expected_um"] == pytest.approx(float(shows(CARBIDE)), abs=0.1)
        assert outcome.codes("stop") == []

    def test_has_a_temperature_of_its_own(self, measure: Measure) -> None:
        cooler = ROUTINE.with_check("check_standard", temperature="24 degC")
        outcome = self.outcome(measure, "5000.03", cooler)
        assert good(outcome)["data"]["expected_um"] == pytest.approx(float(shows(STEEL, "4")), abs=1e-7)

    def test_is_measured_with_the_reference(self, measure: Measure) -> None:
        taken = (
            ROUTINE.without_table("checks.thermal.part_temperature")
            .without_table("checks.thermal.reference_temperature")
            .with_step("temperature", of="part")
            .with_step("temperature", of="reference")
        )
        outcome = measure(taken.text, ["25 degC", "25 degC", "0", "5000.21", "0.1", "0.1", "0"])
        assert good(outcome)["data"]["expected_um"] == pytest.approx(float(shows(STEEL)), abs=1e-7)

    def test_is_taken_as_it_is_where_nothing_is_referred_to_20_degrees(self, measure: Measure) -> None:
        bare = ROUTINE.without_table("checks.thermal")
        assert good(self.outcome(measure, "4999.92", bare))["data"]["expected_um"] == pytest.approx(4999.92)

    def test_of_a_material_that_nobody_knows_is_a_doubt(self, measure: Measure) -> None:
        strange = ROUTINE.with_table("check_standard", material="moon rock")
        assert "check_standard/growth" in self.outcome(measure, "4999.92", strange).codes("doubt")
