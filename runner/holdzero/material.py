"""What a material is, as far as a comparison needs it: how it grows, gives way and takes up heat."""

from __future__ import annotations

from dataclasses import dataclass

from holdzero.estimate import Estimate

__all__ = ["Material"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A material near 20 °C. What is not known is None; a check that needs it says so. Since API 1.

    Attributes:
        name: as in `material = "NAME"` of a part, a reference or a tip.
        expansion: coefficient of linear thermal expansion [1/K]; its `why` names the source.
        modulus: Young's modulus [GPa]; its `why` names the source.
        poisson: Poisson's ratio [1].
        density_kg_m3: density [kg/m³].
        heat_J_kgK: specific heat [J/(kg·K)].
        conductivity_W_mK: thermal conductivity [W/(m·K)].
        hardness_GPa: the mean pressure of a contact that it bears at most, the least that it is sold with [GPa]; a
            Vickers hardness is worth 9.807e-3 GPa a unit. Since API 3.
        yield_GPa: yield strength [GPa]; of one whose hardness alone is known a third of that counts. Since API 3.
    """

    name: str
    expansion: Estimate | None = None
    modulus: Estimate | None = None
    poisson: float | None = None
    density_kg_m3: float | None = None
    heat_J_kgK: float | None = None  # noqa: N815  the units' own capitals
    conductivity_W_mK: float | None = None  # noqa: N815  the units' own capitals
    hardness_GPa: float | None = None  # noqa: N815  the unit's own capitals
    yield_GPa: float | None = None  # noqa: N815  the unit's own capitals
