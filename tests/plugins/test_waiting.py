"""How long to wait, in words: the numbers against a cooling that is worked out here, not published.

A steel block of 100 mm by 35 mm by 9 mm whose length is 1.15 µm too long with heat; τ = ρcV/Σ(hA), density, heat and
conductivity of handbooks (from memory), films of air as `holdzero.cooling` assumes them.
"""

from __future__ import annotations

import math
import re

import pytest

from holdzero.hooks import Material
from holdzero_plugins.checks._waiting import waiting_words
from holdzero_plugins.tables.materials import materials

HEAT = 7850.0 * 460.0 * 0.035 * 0.009 * 0.1  # J/K
FOOT, AROUND = 0.035 * 0.009, 2.0 * (0.035 + 0.009) * 0.1
LENGTHWISE = 4.0 / math.pi**2 * 0.1 / (45.0 * FOOT)
SPREADING = 1.0 / (4.0 * 45.0 * math.sqrt(FOOT / math.pi))


def standing_s(gap: float, h: float) -> float:
    return HEAT / (1.0 / (gap / (0.026 * FOOT) + SPREADING + LENGTHWISE) + h * (AROUND + FOOT))


def lying_s(gap: float, h: float) -> float:
    broad = 0.035 * 0.1
    return HEAT / (0.026 / gap * broad + h * (AROUND + 2.0 * FOOT - broad))


def minutes(words: str) -> list[int]:
    return [int(number) for number in re.findall(r"(\d+)(?: to|,| min| \()", words)]


@pytest.mark.parametrize("limit_um", [0.3, 0.1, 0.02, 0.01])
def test_the_minutes_are_those_of_the_formula(limit_um: float) -> None:
    factor = math.log(1.15 / limit_um) / 60.0
    pairs = (
        (HEAT / (12.0 * (AROUND + FOOT)), HEAT / (5.0 * (AROUND + FOOT))),
        (standing_s(5e-6, 12.0), standing_s(40e-6, 5.0)),
        (lying_s(10e-6, 12.0), lying_s(100e-6, 5.0)),
    )
    expected = [number for fast, slow in pairs for number in (max(1, round(fast * factor)), math.ceil(slow * factor))]
    assert minutes(waiting_words(materials()["steel"], 100e3, None, left_um=1.15, limit_um=limit_um)) == expected


def test_still_air_takes_as_long_as_the_table_of_waits_says() -> None:
    # 169 min at h = 5, and 84 min at h = 10, which are 70 min at h = 12; 0.8 to 8.2 min lying (computed, not published)
    words = waiting_words(materials()["steel"], 100e3, None, left_um=-1.15, limit_um=0.02)
    assert words.startswith("in still air 70 to 169 min, standing on a metal plate ")
    assert words.endswith(", lying flat on one 1 to 9 (lumped body, Bergman and others, 5.1)")


def test_a_thin_pin_is_faster_and_ceramic_stands_longer() -> None:
    block, pin = (
        waiting_words(materials()["steel"], 100e3, section, left_um=1.0, limit_um=0.1) for section in (None, (5e3, 5e3))
    )
    assert minutes(pin)[1] < minutes(block)[1]
    ceramic = waiting_words(materials()["zirconia"], 100e3, None, left_um=1.0, limit_um=0.1)
    assert minutes(ceramic)[3] > minutes(block)[3]


def test_what_a_way_needs_and_is_not_known_leaves_that_way_out() -> None:
    bare = Material(name="bare", density_kg_m3=5000.0, heat_J_kgK=500.0)
    words = waiting_words(bare, 100e3, None, left_um=1.0, limit_um=0.1)
    assert "standing" not in words
    assert words.startswith("in still air ")
    assert ", lying flat on a metal plate " in words


@pytest.mark.parametrize(
    ("material", "size_um", "left_um", "limit_um"),
    [
        (None, 1e5, 1.0, 0.1),
        ("steel", None, 1.0, 0.1),
        ("invar", 1e5, 1.0, 0.1),
        ("steel", 10.0, 1.0, 0.1),
        ("steel", 1e5, 0.1, 0.1),
        ("steel", 1e5, 1.0, 0.0),
    ],
)
def test_it_is_silent_where_nothing_is_known_or_nothing_is_left(
    material: str | None, size_um: float | None, left_um: float, limit_um: float
) -> None:
    known = materials()[material] if material is not None else None
    assert waiting_words(known, size_um, None, left_um=left_um, limit_um=limit_um) == ""
