"""The table of materials against published expansion coefficients, and what they do to a size."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from holdzero.hooks import Estimate
from holdzero_plugins.tables.materials import materials

GROWS: dict[str, Estimate] = {name: row.expansion for name, row in materials().items() if row.expansion is not None}

PUBLISHED = {
    # NIST Monograph 180, 3.3.1 (from memory); Swyt, J. Res. NIST 99 (1994) 31 (seen)
    "steel": 11.5e-6,
    # NIST Monograph 180, 3.3.1 (from memory)
    "chrome carbide": 8.4e-6,
    # NIST Monograph 180, 3.3.1, ceramic (from memory)
    "zirconia": 9.2e-6,
    # Swyt, J. Res. NIST 99 (1994) 31 (seen)
    "aluminium": 23.1e-6,
    # Callister and Rethwisch, Materials Science and Engineering, 8th ed., table 19.1, p. 785 (seen)
    "brass": 20e-6,
    "glass": 9.0e-6,
    # ASM Ready Reference: Thermal Properties of Metals, 2002, table 2.2, 94WC-6Co up to 200 °C (seen)
    "tungsten carbide": 4.3e-6,
}

# What other sources say [1e-6/K] lies within the range that the table states.
OTHERS = {
    # Callister and Rethwisch, Fundamentals of Materials Science and Engineering, 3rd ed., table B.6, p. 815 to 817
    # (seen): C26000 and C36000; grey irons, ductile irons; 3 mol% yttria
    "brass": (19.9, 20.5),
    "cast iron": (11.4, 10.6, 11.2),
    "zirconia": (9.6,),
    # Callister and Rethwisch, Materials Science and Engineering, 8th ed., table 19.1, p. 785 (seen); NIST Monograph
    # 180, 3.3.1 (from memory)
    "fused silica": (0.4, 0.55),
    "invar": (1.6, 1.2),
    "aluminium": (23.6, 24.0),
    # Encyclopaedia Britannica, Rock, by R. S. Carmichael, table 41 (seen): 8 ± 3; NIST Monograph 180, 3.3.1 (from
    # memory): 6.3
    "granite": (5.0, 11.0, 6.3),
    # ASM Ready Reference: Thermal Properties of Metals, 2002, table 2.2, 97WC-3Co up to 200 °C (seen)
    "tungsten carbide": (4.0,),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_material_has_its_published_expansion(name: str) -> None:
    assert GROWS[name].value == pytest.approx(PUBLISHED[name], rel=1e-12)


@pytest.mark.parametrize("name", OTHERS)
def test_the_range_of_a_material_takes_in_what_others_say(name: str) -> None:
    centre, half = 1e6 * float(GROWS[name].value), 1e6 * GROWS[name].parts[0].halfwidth
    assert [other for other in OTHERS[name] if abs(other - centre) > half + 1e-9] == []


# Carvill, Mechanical Engineer's Data Handbook, 3.4.4, p. 110 (seen): specific heat, J/(kg·K). The table is for
# guidance: a tenth more or less does not matter.
@pytest.mark.parametrize(("name", "heat"), [("aluminium", 897.0), ("brass", 377.0), ("cast iron", 420.0)])
def test_a_specific_heat_is_the_published_one_within_a_tenth(name: str, heat: float) -> None:
    assert materials()[name].heat_J_kgK == pytest.approx(heat, rel=0.1)


def test_steel_has_the_range_of_the_gauge_block_standard() -> None:
    # ISO 3650:1998, 6.2.2: (11.5 ± 1.0)e-6/K (from memory)
    assert GROWS["steel"].parts[0].halfwidth == pytest.approx(1.0e-6)


ROUTINE = """\
format = 1
routine = {{ title = "Block in the hand", part = "B-1", units = "in" }}
reference = {{ name = "Block", size = "{size}", deviation = "0 um", material = "steel" }}
part = {{ material = "{material}" }}
comparator = {{ resolution = "20 uin" }}
characteristics.size = {{ measure = "size", at = "a", nominal = "{size}" }}
checks.thermal = {{ part_temperature = "{part}", reference_temperature = "{reference}" }}
steps = [ {{ do = "zero", times = 2 }}, {{ do = "read", at = "a", times = 2 }}, {{ do = "return" }} ]
"""
READ = ("0", "0", "0", "0", "0")
DIVISION_UM = 0.508


def correction_um(measure: Callable[..., Any], **words: str) -> float:
    record = measure(ROUTINE.format(**words), READ).record
    value: float = record["results"]["size"]["corrections_um"]["correction to 20 degC"]
    return value


class TestCorrection:
    # l_S(δα·θ + α_S·δθ)/(1 + α·θ), from JCGM 100:2008, eq. (H.1); worked out by hand with the coefficients above
    def test_a_part_warmer_than_the_reference_reads_long(self, measure: Callable[..., Any]) -> None:
        # 100 mm of steel: 1.15 um per kelvin
        words = {"size": "100 mm", "material": "steel", "part": "21 degC", "reference": "20 degC"}
        assert correction_um(measure, **words) == pytest.approx(-1.15, abs=0.005)

    def test_aluminium_against_steel_away_from_20_degrees(self, measure: Callable[..., Any]) -> None:
        # 25 mm: 0.29 um per kelvin
        words = {"size": "25 mm", "material": "aluminium", "part": "21 degC", "reference": "21 degC"}
        assert correction_um(measure, **words) == pytest.approx(-0.29, abs=0.005)

    def test_at_20_degrees_nothing_is_corrected(self, measure: Callable[..., Any]) -> None:
        words = {"size": "25 mm", "material": "aluminium", "part": "20 degC", "reference": "20 degC"}
        assert correction_um(measure, **words) == pytest.approx(0.0, abs=1e-12)

    def test_fahrenheit_means_the_same(self, measure: Callable[..., Any]) -> None:
        words = {"size": "4 in", "material": "steel", "part": "69.8 degF", "reference": "68 degF"}
        # 4 in are 101.6 mm, 69.8 °F are 21 °C
        assert correction_um(measure, **words) == pytest.approx(-101.6e3 * 11.5e-6 / (1.0 + 11.5e-6), rel=1e-9)


class TestHandHeat:
    # Common practice, no source: at a resolution of 20 millionths of an inch a 4 inch steel block
    # held in the hand shows it, a 1 inch block hardly does. Half a kelvin of warmth is assumed.
    def test_four_inches_of_warm_steel_move_the_dial_by_a_division(self, measure: Callable[..., Any]) -> None:
        words = {"size": "4 in", "material": "steel", "part": "20.5 degC", "reference": "20 degC"}
        assert abs(correction_um(measure, **words)) > DIVISION_UM

    def test_one_inch_moves_it_by_less_than_a_third(self, measure: Callable[..., Any]) -> None:
        words = {"size": "1 in", "material": "steel", "part": "20.5 degC", "reference": "20 degC"}
        assert abs(correction_um(measure, **words)) < DIVISION_UM / 3.0
