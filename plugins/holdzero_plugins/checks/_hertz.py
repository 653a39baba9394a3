"""Elastic approach of two bodies that are pressed together. Formulas alone: no settings, no run.

All bodies are elastic half-spaces near the contact, smooth and dry; no formula tests whether the
elastic limit is exceeded. Numbers may be floats or arrays.
"""

from __future__ import annotations

import math

import numpy as np

from holdzero.hooks import Number

__all__ = ["contact_modulus", "flat_punch", "point_contact", "sphere_on_cylinder", "sphere_on_plane"]

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
    from scipy.special import elliprd, elliprf

    larger, smaller = np.maximum(radius_um, other_um), np.minimum(radius_um, other_um)
    ratio = larger / smaller
    # a/b ≈ (B/A)^(2/3): Greenwood, J. Tribology 107 (1985) 501, abstract (seen)
    square = np.power(ratio, -4.0 / 3.0)
    for _ in range(_ROUNDS):
        first, second = elliprf(0.0, square, 1.0), elliprd(0.0, square, 1.0) / 3.0
        square = (first - second) / (ratio * second)
    first, second = elliprf(0.0, square, 1.0), elliprd(0.0, square, 1.0) / 3.0
    modulus = modulus_GPa * _N_UM2_PER_GPA
    # Johnson, 4.2(c), with p₀ = 3F/(2πab) and A = 1/(2R)
    cube = 3.0 * second * larger / (math.pi * modulus)
    approach: Number = 3.0 * first / (2.0 * math.pi * modulus) * np.cbrt(force_N**2 / cube)
    return approach


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
