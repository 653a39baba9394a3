"""Elastic contact of two bodies: approach, width and pressure. Formulas alone: no settings, no run.

All bodies are elastic half-spaces near the contact, smooth and dry; no formula tests whether the
elastic limit is exceeded. Numbers may be floats or arrays.
"""

from __future__ import annotations

import math

import numpy as np

from holdzero.hooks import Number

__all__ = [
    "contact_modulus",
    "ellipse_on_cylinder",
    "flat_punch",
    "mean_pressure",
    "peak_pressure",
    "point_contact",
    "point_ellipse",
    "radius_on_plane",
    "sphere_on_cylinder",
    "sphere_on_plane",
]

_N_UM2_PER_GPA = 1e-3  # 1 GPa = 1e9 N/m²
# The start is within 4 % and each round leaves a quarter of the error or less.
_ROUNDS = 16


def contact_modulus(modulus_GPa: Number, poisson: float, other_GPa: Number, other_poisson: float) -> Number:  # noqa: N803  the unit's own capitals
    """Modulus E* of a contact: 1/E* = (1 − ν₁²)/E₁ + (1 − ν₂²)/E₂.

    Args:
        modulus_GPa: Young's modulus of one body [GPa]; infinite where it is rigid.
        poisson: its Poisson's ratio [1].
        other_GPa: Young's modulus of the other body [GPa].
        other_poisson: its Poisson's ratio [1].

    Returns:
        E* [GPa].

    Source: K. L. Johnson, Contact Mechanics, 1985, chapter 4 (from memory); NIST Monograph 180,
    Appendix D, adds V₁ + V₂ with V = (1 − ν²)/(πE) (sum seen, meaning of V recomputed).
    """
    return 1.0 / ((1.0 - poisson**2) / modulus_GPa + (1.0 - other_poisson**2) / other_GPa)


def sphere_on_plane(force_N: Number, radius_um: Number, modulus_GPa: Number) -> Number:  # noqa: N803  the units' own capitals
    """Approach of a sphere and a plane: δ = (9F²/(16 R E*²))^(1/3).

    Args:
        force_N: contact force F [N].
        radius_um: radius R of the sphere [um].
        modulus_GPa: E* of the contact [GPa].

    Returns:
        Approach of points far from the contact [um].

    Source: Puttock & Thwaite, CSIRO National Standards Laboratory Technical Paper 25, 1969, Case 2
    (title seen, formula by way of NIST Monograph 180, Appendix D, its leading constant recomputed).

    >>> f"{sphere_on_plane(1.0, 1500.0, contact_modulus(620.0, 0.22, 205.0, 0.29)):.3f} um"
    '0.238 um'
    """
    modulus = modulus_GPa * _N_UM2_PER_GPA
    approach: Number = np.cbrt(9.0 * force_N**2 / (16.0 * radius_um * modulus**2))
    return approach


def point_contact(force_N: Number, radius_um: Number, other_um: Number, modulus_GPa: Number) -> Number:  # noqa: N803  the units' own capitals
    """Approach of two bodies that touch at a point and have two relative radii there.

    The ellipse of contact has axes b = k·a. With K = R_F(0, k², 1), the complete elliptic integral
    of the first kind, and D = R_D(0, k², 1)/3, which is (K − E)/(1 − k²), the ratio of the radii is
    (K − D)/(k² D), the long axis a³ = 3FDR/(πE*) for the larger radius R, and the approach
    3FK/(2πaE*). These forms hold for a circle too (k = 1), where K − E cancels.

    Args:
        force_N: contact force F [N].
        radius_um: relative radius of curvature in one principal plane [um].
        other_um: the same in the other [um].
        modulus_GPa: E* of the contact [GPa].

    Returns:
        Approach of points far from the contact [um].

    Source: K. L. Johnson, Contact Mechanics, 1985, 4.2(c) (from memory); Carlson's integrals, NIST DLMF
    19.25(i) (from memory).
    """
    larger = np.maximum(radius_um, other_um)
    _, first, second = _ellipse(larger / np.minimum(radius_um, other_um))
    modulus = modulus_GPa * _N_UM2_PER_GPA
    # Johnson, 4.2(c), with p₀ = 3F/(2πab) and A = 1/(2R)
    cube = 3.0 * second * larger / (math.pi * modulus)
    approach: Number = 3.0 * first / (2.0 * math.pi * modulus) * np.cbrt(force_N**2 / cube)
    return approach


def _ellipse(ratio: Number) -> tuple[Number, Number, Number]:
    """k², K and D of an ellipse of contact, of the ratio of the larger relative radius to the smaller [1]."""
    from scipy.special import elliprd, elliprf

    # a/b ≈ (B/A)^(2/3): Greenwood, J. Tribology 107 (1985) 501, abstract (seen)
    square = np.power(ratio, -4.0 / 3.0)
    for _ in range(_ROUNDS):
        first, second = elliprf(0.0, square, 1.0), elliprd(0.0, square, 1.0) / 3.0
        square = (first - second) / (ratio * second)
    return square, elliprf(0.0, square, 1.0), elliprd(0.0, square, 1.0) / 3.0


def point_ellipse(force_N: Number, radius_um: Number, other_um: Number, modulus_GPa: Number) -> tuple[Number, Number]:  # noqa: N803  the units' own capitals
    """Half axes of the ellipse in which two bodies touch, see `point_contact`: a³ = 3FDR/(πE*), and b = k·a.

    Args:
        force_N: contact force F [N].
        radius_um: relative radius of curvature in one principal plane [um].
        other_um: the same in the other [um].
        modulus_GPa: E* of the contact [GPa].

    Returns:
        The longer and the shorter half axis [um].

    Source: K. L. Johnson, Contact Mechanics, 1985, 4.2(c) (from memory).
    """
    larger = np.maximum(radius_um, other_um)
    square, _, second = _ellipse(larger / np.minimum(radius_um, other_um))
    longer: Number = np.cbrt(3.0 * force_N * second * larger / (math.pi * modulus_GPa * _N_UM2_PER_GPA))
    return longer, np.sqrt(square) * longer


def radius_on_plane(force_N: Number, radius_um: Number, modulus_GPa: Number) -> Number:  # noqa: N803  the units' own capitals
    """Radius of the circle in which a sphere and a plane touch: a = (3FR/(4E*))^(1/3).

    Args:
        force_N: contact force F [N].
        radius_um: radius R of the sphere [um].
        modulus_GPa: E* of the contact [GPa].

    Returns:
        Radius of the contact [um].

    Source: K. L. Johnson, Contact Mechanics, 1985, 4.2(a), eq. (4.22) (from memory).

    >>> f"{radius_on_plane(1.0, 1500.0, contact_modulus(620.0, 0.22, 205.0, 0.29)):.1f} um"
    '18.9 um'
    """
    radius: Number = np.cbrt(3.0 * force_N * radius_um / (4.0 * modulus_GPa * _N_UM2_PER_GPA))
    return radius


def mean_pressure(force_N: Number, longer_um: Number, shorter_um: Number) -> Number:  # noqa: N803  the unit's own capitals
    """Mean pressure of a contact: the force on the area of its ellipse, F/(πab).

    Args:
        force_N: contact force F [N].
        longer_um: half axis a of the ellipse, or radius of the circle [um].
        shorter_um: the other half axis b [um].

    Returns:
        The pressure [GPa].

    Source: that of a force on an area, common practice, no source.
    """
    return force_N / (math.pi * longer_um * shorter_um * _N_UM2_PER_GPA)


def peak_pressure(force_N: Number, longer_um: Number, shorter_um: Number) -> Number:  # noqa: N803  the unit's own capitals
    """Pressure in the middle of an elastic contact of round bodies: p₀ = 3F/(2πab), one and a half of the mean.

    Args:
        force_N: contact force F [N].
        longer_um: half axis a of the ellipse, or radius of the circle [um].
        shorter_um: the other half axis b [um].

    Returns:
        The pressure [GPa].

    Source: K. L. Johnson, Contact Mechanics, 1985, 4.2(a) and (c) (from memory).

    >>> f"{peak_pressure(1.0, 18.9, 18.9):.2f} GPa"
    '1.34 GPa'
    """
    return 1.5 * mean_pressure(force_N, longer_um, shorter_um)


def sphere_on_cylinder(force_N: Number, radius_um: Number, cylinder_um: Number, modulus_GPa: Number) -> Number:  # noqa: N803  the units' own capitals
    """Approach of a sphere and the outside of a cylinder, by the general formula for two radii.

    Args:
        force_N: contact force [N].
        radius_um: radius of the sphere [um].
        cylinder_um: radius of the cylinder [um].
        modulus_GPa: E* of the contact [GPa].

    Returns:
        Approach of points far from the contact [um].

    Source: Puttock & Thwaite, 1969, Case 11 (title seen); see `point_contact`.
    """
    across = 1.0 / (1.0 / radius_um + 1.0 / cylinder_um)
    return point_contact(force_N, radius_um, across, modulus_GPa)


def ellipse_on_cylinder(
    force_N: Number,  # noqa: N803  the unit's own capitals
    radius_um: Number,
    cylinder_um: Number,
    modulus_GPa: Number,  # noqa: N803  the unit's own capitals
) -> tuple[Number, Number]:
    """Half axes of the ellipse in which a sphere and the outside of a cylinder touch.

    Args:
        force_N: contact force [N].
        radius_um: radius of the sphere [um].
        cylinder_um: radius of the cylinder [um].
        modulus_GPa: E* of the contact [GPa].

    Returns:
        The longer and the shorter half axis [um].

    Source: see `point_ellipse`.
    """
    return point_ellipse(force_N, radius_um, 1.0 / (1.0 / radius_um + 1.0 / cylinder_um), modulus_GPa)


def flat_punch(force_N: Number, radius_um: Number, modulus_GPa: Number) -> Number:  # noqa: N803  the units' own capitals
    """Approach of a rigid, flat, round face and a plane: δ = F/(2aE*).

    Args:
        force_N: contact force F [N].
        radius_um: radius a of the face [um].
        modulus_GPa: E* of the contact [GPa]; strictly that of the plane under a rigid face.

    Returns:
        Approach of points far from the contact [um].

    Source: K. L. Johnson, Contact Mechanics, 1985, 3.4(b), the flat rigid punch (from memory).
    """
    approach: Number = force_N / (2.0 * radius_um * modulus_GPa * _N_UM2_PER_GPA)
    return approach
