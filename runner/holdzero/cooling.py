"""How long a body takes to come to the temperature of its bench: a prism in still air, or on a plate.

A lumped body, whose inside evens out fast beside what it loses; where it stands on a plate, with the way through its
length. It knows materials, and no run. All is guidance, from the shortest to the longest that is likely.
"""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

from holdzero.material import Material

__all__ = ["Way", "evening_time_s", "longest_in_air_s", "soak_time_s", "time_constant_s"]

Way: TypeAlias = Literal["air", "standing", "lying"]
"""Standing in still air, its foot not counted; standing on a plate; lying on its broad side on one."""

SECTION_UM = (35e3, 9e3)
"""Of a gauge block above 10 mm, ISO 3650:1998, table of cross-sections (from memory)."""

# Heat that air and radiation take [W/(m²·K)]: 12 where somebody moves beside it, 5 in still air (common practice, from
# memory: 5 to 10 for still air with radiation).
_AIR = (12.0, 5.0)
# Film of air below a body [m]: a lapped face on a lapped plate, and a broad side on any plate (assumed).
_GAP_STANDING_M, _GAP_LYING_M = (5e-6, 40e-6), (10e-6, 100e-6)
# Conductivities of air and of a steel plate [W/(m·K)] (handbook values, from memory).
_AIR_W_MK, _PLATE_W_MK = 0.026, 45.0
# Of a solid, near the most that usual ones have [J/(m³·K)]: steel 3.6e6, nickel 3.9e6; invar has 4.1e6 (from memory).
_MOST_HEAT_J_M3K = 3.9e6
_SHORTEST_UM, _LONGEST_UM = 1e3, 2e6


def time_constant_s(
    material: Material,
    length_um: float,
    way: Way,
    *,
    section_um: tuple[float, float] | None = None,
    plate: Material | None = None,
) -> tuple[float, float]:
    """Time in which a prism loses all but 1/e of what it is too warm.

    Args:
        material: of the prism; its density and heat are needed, and standing on a plate its conductivity.
        length_um: the prism's length, its height where it stands [um].
        way: how it loses heat.
        section_um: width and depth across its length [um]; None: of a gauge block.
        plate: material of the plate; None: standing, a steel plate; lying, one that keeps its temperature.

    Returns:
        Shortest and longest likely time [s]: nobody knows the air and the film below it better.

    Raises:
        ValueError: a material is not known well enough, or these are no lengths of a body at a bench.

    Source: lumped body, τ = ρcV/(Σ hA), Bergman and others, Fundamentals of Heat and Mass Transfer, 7th ed., 5.1
    (from memory). A film of air: its conductivity over the gap. A plate heats up below the body: 1/(4ka), a disk of
    equal area on a half-space, table 4.1 there (from memory). Along a standing body: (4/π²)·L/(kA), the first mode
    of a rod that is cooled at one end, its slope 0 at the other (Carslaw and Jaeger, Conduction of Heat in Solids,
    3.3 and 3.4, from memory); a little long where a film is before it.

    >>> from holdzero.material import Material
    >>> steel = Material(name="steel", density_kg_m3=7850.0, heat_J_kgK=460.0, conductivity_W_mK=45.0)
    >>> [round(s / 60.0) for s in time_constant_s(steel, 100e3, "air")]
    [17, 42]
    """
    width, depth, length = sides = _metres(length_um, section_um)
    if way == "air":
        return _in_air_s(_heat_J_m3K(material), sides)
    heat = _heat_J_m3K(material) * width * depth * length
    end, broad, around = width * depth, width * length, 2.0 * (width + depth) * length
    if way == "standing":
        inside = 4.0 / math.pi**2 * length / (_conductivity_W_mK(material) * end)
        below = [
            1.0 / (gap / (_AIR_W_MK * end) + _spreading_K_W(_plate_W_mK(plate), end) + inside)
            for gap in _GAP_STANDING_M
        ]
        bare = around + end
    else:
        spreading = _spreading_K_W(_plate_W_mK(plate), broad) if plate is not None else 0.0
        below = [1.0 / (gap / (_AIR_W_MK * broad) + spreading) for gap in _GAP_LYING_M]
        bare = around + 2.0 * end - broad
    fast, slow = (one + h * bare for one, h in zip(below, _AIR, strict=True))
    return heat / fast, heat / slow


def longest_in_air_s(length_um: float, section_um: tuple[float, float] | None = None) -> float:
    """The longest time constant in still air that a body of this size is likely to have, of whatever solid [s].

    Args:
        length_um: the body's length [um]; below 1 mm and above 2 m as at these.
        section_um: width and depth across its length [um]; None: of a gauge block.

    Source: as `time_constant_s`.

    >>> round(longest_in_air_s(100e3) / 60.0)
    45
    """
    length = min(max(length_um, _SHORTEST_UM), _LONGEST_UM)
    return _in_air_s(_MOST_HEAT_J_M3K, _metres(length, section_um))[1]


def evening_time_s(material: Material, length_um: float, section_um: tuple[float, float] | None = None) -> float:
    """Time in which a difference within a body evens out to 1/e, along its longest side [s].

    Args:
        material: its density, heat and conductivity are needed.
        length_um: the prism's length [um].
        section_um: width and depth across its length [um]; None: of a gauge block.

    Raises:
        ValueError: as `time_constant_s`.

    Source: L²/(π²·D), D = k/(ρc), the slowest mode of an insulated rod (Carslaw and Jaeger, Conduction of Heat in
    Solids, 3.3, from memory).
    """
    longest = max(_metres(length_um, section_um))
    diffusivity = _conductivity_W_mK(material) / _heat_J_m3K(material)
    return longest**2 / (math.pi**2 * diffusivity)


def soak_time_s(
    material: Material,
    length_um: float,
    start_K: float,  # noqa: N803  the unit's own capital
    limit_um: float,
    way: Way,
    *,
    section_um: tuple[float, float] | None = None,
    plate: Material | None = None,
) -> tuple[float, float]:
    """How long to wait until heat changes a body's length by less than a limit.

    Args:
        material: of the body; its expansion too is needed.
        length_um: the body's length [um].
        start_K: how much warmer (or colder) than the bench it is at the start [K].
        limit_um: how much of its length may still be heat [um].
        way: how it loses heat.
        section_um: width and depth across its length [um]; None: of a gauge block.
        plate: material of the plate, see `time_constant_s`.

    Returns:
        Shortest and longest likely time [s]; 0 where it is within the limit already.

    Raises:
        ValueError: as `time_constant_s`; or the limit is not above zero.

    Source: αLΔT·exp(−t/τ) = limit, lumped body, see `time_constant_s`.
    """
    if not limit_um > 0.0:
        raise ValueError("the limit must be above zero")
    shortest, longest = time_constant_s(material, length_um, way, section_um=section_um, plate=plate)
    if material.expansion is None:
        raise ValueError(f"the expansion of {material.name} is not known")
    start_um = abs(float(material.expansion.value) * length_um * start_K)
    factor = math.log(max(start_um / limit_um, 1.0))
    return shortest * factor, longest * factor


def _in_air_s(heat_J_m3K: float, sides_m: tuple[float, float, float]) -> tuple[float, float]:  # noqa: N803
    width, depth, length = sides_m
    per_area = heat_J_m3K * width * depth * length / (2.0 * (width + depth) * length + width * depth)
    fast, slow = (per_area / h for h in _AIR)
    return fast, slow


def _metres(length_um: float, section_um: tuple[float, float] | None) -> tuple[float, float, float]:
    """The broad side of the section, the narrow one, and the length [m]."""
    section = SECTION_UM if section_um is None else section_um
    if not _SHORTEST_UM <= length_um <= _LONGEST_UM:
        raise ValueError(f"{length_um:g} um is no length of a block")
    if not all(0.0 < side <= _LONGEST_UM for side in section):
        raise ValueError(f"{section[0]:g} um by {section[1]:g} um is no section of a block")
    return max(section) / 1e6, min(section) / 1e6, length_um / 1e6


def _heat_J_m3K(material: Material) -> float:  # noqa: N802  the units' own capitals
    if material.density_kg_m3 is None or material.heat_J_kgK is None:
        raise ValueError(f"density and heat of {material.name} are not known")
    return material.density_kg_m3 * material.heat_J_kgK


def _conductivity_W_mK(material: Material) -> float:  # noqa: N802  the units' own capitals
    if material.conductivity_W_mK is None:
        raise ValueError(f"the conductivity of {material.name} is not known")
    return material.conductivity_W_mK


def _plate_W_mK(plate: Material | None) -> float:  # noqa: N802  the units' own capitals
    return _PLATE_W_MK if plate is None else _conductivity_W_mK(plate)


def _spreading_K_W(conductivity_W_mK: float, area_m2: float) -> float:  # noqa: N802, N803  the units' own capitals
    """Resistance of a half-space below a disk of an area, at one temperature: 1/(4ka)."""
    return 1.0 / (4.0 * conductivity_W_mK * math.sqrt(area_m2 / math.pi))
