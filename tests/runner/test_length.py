"""The length model against its formula in exact fractions, and at the printed numbers of JCGM 100:2008, H.1."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.length import shown_difference_um, thermal_correction_um

EPS = 2.0**-52  # of a double

growths = st.floats(-15 * 30e-6, 20 * 30e-6)  # 5 °C to 40 °C, up to 30e-6/K
lengths = st.floats(0.0, 1e6)
differences = st.floats(-3e4, 3e4)


def exact(read: Fraction, growth: Fraction, reference: Fraction, reference_growth: Fraction) -> Fraction:
    """l = [l_ref·(1 + α_ref·θ_ref) + d] / (1 + α·θ), JCGM 100:2008, H.1.2, eq. (H.1), solved for l."""
    return (reference * (1 + reference_growth) + read) / (1 + growth)


class TestTheCorrection:
    @given(read=differences, growth=growths, reference=lengths, reference_growth=growths)
    def test_is_the_formula_s_to_the_last_digits(
        self, read: float, growth: float, reference: float, reference_growth: float
    ) -> None:
        d, a, l_ref, a_ref = (Fraction(number) for number in (read, growth, reference, reference_growth))
        wanted = exact(d, a, l_ref, a_ref) - (l_ref + d)
        got = Fraction(float(thermal_correction_um(read, growth, reference, reference_growth)))
        # A few roundings of the two products that it is made of, however near to each other the growths are.
        assert abs(got - wanted) <= 8 * Fraction(EPS) * (abs(l_ref * (a_ref - a)) + abs(d * a)) + Fraction(1, 10**300)

    def test_of_growths_that_hardly_differ_keeps_all_its_digits(self) -> None:
        # 100 mm, a difference of a millionth of a growth: 1e5 µm · 1.15e-10 = 11.5 pm
        got = thermal_correction_um(0.0, 1.15e-4, 1e5, 1.15e-4 * (1 + 1e-6))
        difference = Fraction(1.15e-4 * (1 + 1e-6)) - Fraction(1.15e-4)
        wanted = Fraction(10**5) * difference / (1 + Fraction(1.15e-4))
        assert got == pytest.approx(float(wanted), rel=1e-14)

    def test_takes_arrays(self) -> None:
        read, growth = np.array([0.0, 5000.0, -5000.0]), np.array([1e-4, 1e-4, 2e-4])
        together = thermal_correction_um(read, growth, 1e4, 1e-4)
        alone = [thermal_correction_um(float(d), float(a), 1e4, 1e-4) for d, a in zip(read, growth, strict=True)]
        assert np.asarray(together).tolist() == pytest.approx(alone, rel=1e-15)

    def test_at_20_degrees_is_nothing(self) -> None:
        assert thermal_correction_um(1234.5, 0.0, 1e5, 0.0) == 0.0


class TestWhatIsShown:
    @given(length=lengths, growth=growths, reference=lengths, reference_growth=growths)
    def test_is_what_the_correction_takes_back(
        self, length: float, growth: float, reference: float, reference_growth: float
    ) -> None:
        read = shown_difference_um(length, growth, reference, reference_growth)
        back = reference + read + thermal_correction_um(read, growth, reference, reference_growth)
        assert back == pytest.approx(length, abs=1e-9)

    @given(length=lengths, growth=growths, reference=lengths, reference_growth=growths)
    def test_is_the_formula_s(self, length: float, growth: float, reference: float, reference_growth: float) -> None:
        l, a, l_ref, a_ref = (Fraction(number) for number in (length, growth, reference, reference_growth))  # noqa: E741  the formula's own letter
        wanted = l * (1 + a) - l_ref * (1 + a_ref)
        assert shown_difference_um(length, growth, reference, reference_growth) == pytest.approx(
            float(wanted), abs=1e-9
        )


class TestThePublishedEndGauge:
    """JCGM 100:2008, H.1.3 to H.1.6 (seen): l_S = 50.000 623 mm, d = 215 nm, θ = −0.1 °C, α_S = 11.5e-6/K."""

    def test_is_50_000_838_nm_long(self) -> None:
        # δα = δθ = 0: the gauge has the expansion and temperature of the standard
        growth = 11.5e-6 * -0.1
        length = 50_000.623 + 0.215 + thermal_correction_um(0.215, growth, 50_000.623, growth)
        assert round(1000 * float(length)) == 50_000_838
