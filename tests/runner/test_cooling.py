"""What cooling refuses, and what needs no wait."""

from __future__ import annotations

import pytest

from holdzero.cooling import evening_time_s, soak_time_s, time_constant_s
from holdzero.material import Material
from holdzero_plugins.tables.materials import materials

STEEL = materials()["steel"]
BARE = Material(name="bare", density_kg_m3=5000.0, heat_J_kgK=500.0)


def test_a_body_within_the_limit_needs_no_wait() -> None:
    assert soak_time_s(STEEL, 100e3, 0.001, 0.02, "lying") == (0.0, 0.0)


def test_the_sides_of_a_section_have_no_order() -> None:
    both = (time_constant_s(STEEL, 1e5, "lying", section_um=section) for section in ((9e3, 35e3), (35e3, 9e3)))
    assert len(set(both)) == 1


@pytest.mark.parametrize(("material", "length_um"), [("ruby", 1e5), ("steel", 0.0), ("steel", 1e7)])
def test_what_is_no_block_is_refused(material: str, length_um: float) -> None:
    with pytest.raises(ValueError, match=r"not known|no length"):
        soak_time_s(materials()[material], length_um, 1.0, 0.1, "lying")


def test_a_limit_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        soak_time_s(STEEL, 1e5, 1.0, 0.0, "lying")


@pytest.mark.parametrize("section_um", [(0.0, 9e3), (35e3, -1.0), (35e3, 1e9)])
def test_a_section_of_nothing_is_refused(section_um: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="no section"):
        time_constant_s(STEEL, 1e5, "air", section_um=section_um)


def test_what_the_way_needs_is_asked_for() -> None:
    assert time_constant_s(BARE, 1e5, "air")[0] > 0.0
    for conductivity in (
        lambda: time_constant_s(BARE, 1e5, "standing"),
        lambda: time_constant_s(STEEL, 1e5, "lying", plate=BARE),
        lambda: evening_time_s(BARE, 1e5),
    ):
        with pytest.raises(ValueError, match="the conductivity of bare is not known"):
            conductivity()
    with pytest.raises(ValueError, match="the expansion of bare is not known"):
        soak_time_s(BARE, 1e5, 1.0, 0.1, "air")
