"""How long a body takes to come to the temperature of its bench: guidance, not a gate.

A lumped body: its inside evens out fast beside what it loses. It knows materials, and no run.
"""

from __future__ import annotations

import math
from typing import Literal

from holdzero.hooks import Material

Place = Literal["air", "granite plate", "metal plate"]

SECTION_MM = (35.0, 9.0)  # of a gauge block above 10 mm, ISO 3650:1998, table of cross-sections (from memory)
# Still air on a bench, with radiation [W/(m²·K)] (common practice, from memory).
AIR = (10.0, 5.0)
# A film of air of 10 to 100 µm below a body that lies on a plate: conductivity of air, 0.026 W/(m·K),
# over the gap [W/(m²·K)] (worked out; the gap is assumed).
FILM = (2600.0, 260.0)
_SHORTEST_MM, _LONGEST_MM = 1.0, 2000.0


def time_constant_s(
    material: Material, length_um: float, on: Place = "metal plate", granite: Material | None = None
) -> tuple[float, float]:
    """Time in which a block of 35 mm by 9 mm loses all but 1/e of what it is too warm.

    Args:
        material: of the block; its density, heat and conductivity are needed.
        length_um: the block's length [um].
        on: `air`: standing in still air, its foot not counted; a plate: lying on its broad side.
        granite: the plate's material, for a granite plate.

    Returns:
        Shortest and longest likely time [s]: nobody knows the air and the film below it better.

    Raises:
        ValueError: the material is not known well enough, or it is not the length of a block.

    Source: lumped body, τ = ρcV/(Σ hA), Bergman and others, Fundamentals of Heat and Mass Transfer, 7th ed.,
    5.1 (from memory). A granite plate heats up below the body: the film in series with 4k/(πa), a disk of equal
    area on a half-space, table 4.1 there (from memory). A metal plate is taken as constant.
    """
    if material.density_kg_m3 is None or material.heat_J_kgK is None:
        raise ValueError(f"density and heat of {material.name} are not known")
    if not _SHORTEST_MM <= length_um / 1e3 <= _LONGEST_MM:
        raise ValueError(f"{length_um:g} um is no length of a block")
    long, short, length = SECTION_MM[0] / 1e3, SECTION_MM[1] / 1e3, length_um / 1e6
    sides, end, broad = 2.0 * (long + short) * length, long * short, long * length
    capacity = material.density_kg_m3 * material.heat_J_kgK * end * length
    if on == "air":
        fast, slow = (h * (sides + end) for h in AIR)
        return capacity / fast, capacity / slow
    below = [h * broad for h in FILM]
    if on == "granite plate":
        if granite is None or granite.conductivity_W_mK is None:
            raise ValueError("the conductivity of granite is not known")
        radius = math.sqrt(broad / math.pi)
        spreading = 4.0 * granite.conductivity_W_mK * radius
        below = [1.0 / (1.0 / conductance + 1.0 / spreading) for conductance in below]
    bare = sides + 2.0 * end - broad
    fast, slow = (conductance + h * bare for conductance, h in zip(below, AIR, strict=True))
    return capacity / fast, capacity / slow


def soak_time_s(
    material: Material,
    length_um: float,
    start_K: float,  # noqa: N803  the unit's own capital
    limit_um: float,
    on: Place = "metal plate",
) -> tuple[float, float]:
    """How long to wait until heat changes a block's length by less than a limit: guidance.

    Args:
        material: of the block; its expansion too is needed.
        length_um: the block's length [um].
        start_K: how much warmer (or colder) than the bench it is at the start [K].
        limit_um: how much of its length may still be heat [um].
        on: where it soaks, see `time_constant_s`.

    Returns:
        Shortest and longest likely time [s]; 0 where it is within the limit already.

    Raises:
        ValueError: as `time_constant_s`; or the limit is not above zero.

    Source: αLΔT·exp(−t/τ) = limit, lumped body, see `time_constant_s`.

    >>> from holdzero_plugins.tables.materials import materials
    >>> [round(s / 60.0) for s in soak_time_s(materials()["steel"], 100e3, 1.0, 0.02, on="air")]
    [84, 169]
    """
    if not limit_um > 0.0:
        raise ValueError("the limit must be above zero")
    shortest, longest = time_constant_s(material, length_um, on)
    if material.expansion is None:
        raise ValueError(f"the expansion of {material.name} is not known")
    start_um = abs(float(material.expansion.value) * length_um * start_K)
    factor = math.log(max(start_um / limit_um, 1.0))
    return shortest * factor, longest * factor
