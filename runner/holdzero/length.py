"""The one length model: what is compared at the temperatures of a bench, referred to 20 °C.

Everything that compares lengths goes through here: size, step, variation, contrast, check standard and virtual bench.
A body whose length is l at 20 °C is l·(1 + a) long at the bench, where a = α·θ is its growth [1]: its expansion times
its temperature less 20 °C. Numbers are floats or arrays.
"""

from __future__ import annotations

from holdzero.quantity import Number

__all__ = ["MOST_GROWTH", "REFERENCE_TEMPERATURE_DEGC", "shown_difference_um", "thermal_correction_um"]

REFERENCE_TEMPERATURE_DEGC = 20.0  # ISO 1:2022, standard reference temperature

MOST_GROWTH = 1e-3
"""Nothing at a bench grows by more than this between 5 °C and 40 °C (common practice, no source: 20 K of 50e-6/K)."""


def thermal_correction_um(
    difference_um: Number, growth: Number, reference_um: Number = 0.0, reference_growth: Number = 0.0
) -> Number:
    """What makes a length at 20 °C of the reference's own and the difference that was read.

    Args:
        difference_um: d, what was read of the part less the reference; or of one place of the part less another [um].
        growth: α·θ of the part [1].
        reference_um: l_ref, length of the reference at 20 °C [um]; 0 for a difference within the part.
        reference_growth: α·θ of the reference [1].

    Returns:
        l − (l_ref + d) [um], where l = [l_ref·(1 + reference growth) + d] / (1 + growth), exactly.

    Source: JCGM 100:2008, H.1.2, eq. (H.1), solved for l; ISO 1 for the temperature that it is referred to.

    15 mm of steel on a block of 10 mm, both at 25 °C: only the 5 mm by which they differ count.

    >>> print(f"{thermal_correction_um(5000.0, 5 * 11.5e-6, 10000.0, 5 * 11.5e-6):.4f} um")
    -0.2875 um
    """
    # JCGM 100:2008, eq. (H.1): l·(1 + αθ) = l_ref·(1 + α_ref·θ_ref) + d. The growths are taken from each other before
    # they meet a length, so that no digits are lost.
    shrinks = 1.0 / (1.0 + growth)
    return reference_um * (reference_growth - growth) * shrinks - difference_um * (growth * shrinks)


def shown_difference_um(
    length_um: Number, growth: Number, reference_um: Number = 0.0, reference_growth: Number = 0.0
) -> Number:
    """What a comparator shows of a length, zeroed on the reference: the same model the other way.

    Args:
        length_um: l, at 20 °C [um].
        growth: α·θ of the part [1].
        reference_um: l_ref, length of the reference at 20 °C [um]; 0 for a difference within the part.
        reference_growth: α·θ of the reference [1].

    Returns:
        d = l·(1 + growth) − l_ref·(1 + reference growth) [um].

    Source: JCGM 100:2008, H.1.2, eq. (H.1).

    >>> print(f"{shown_difference_um(15000.0, 5 * 11.5e-6, 10000.0, 5 * 11.5e-6):.4f} um")
    5000.2875 um
    """
    # JCGM 100:2008, eq. (H.1)
    return (length_um - reference_um) + (length_um * growth - reference_um * reference_growth)
