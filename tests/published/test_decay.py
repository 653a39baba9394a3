"""The fade: NIST's certified fit of the same family, and what a block's cooling comes to.

Source: NIST/ITL Statistical Reference Datasets, nonlinear regression, certified values of Misra1a.dat; the file under
data/ is NIST's own (public domain).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from holdzero.decay import fit_decay
from holdzero_plugins.checks.heat import soak_time_s, time_constant_s
from holdzero_plugins.tables.materials import materials

STEEL = materials()["steel"]

TEXT = (Path(__file__).parent / "data" / "Misra1a.dat").read_text("ascii")
B1, B2 = (2.3894212918e02, 2.7070075241e00), (5.5015643181e-04, 7.2668688436e-06)
RESIDUAL, DOF = 1.0187876330e-01, 12
DIGITS = 9  # of the eleven that are printed


def pressures_and_volumes() -> tuple[np.ndarray, np.ndarray]:
    rows = [line.split() for line in TEXT.rsplit("Data:", 1)[1].splitlines()[1:] if line.strip()]
    volume, pressure = np.array([[float(text) for text in row] for row in rows]).T
    return pressure, volume


def matching_digits(ours: object, certified: float) -> float:
    off = abs(float(np.asarray(ours)) - certified)
    return 15.0 if off == 0.0 else -math.log10(off / abs(certified))


class TestMisra1a:
    """y = b1·(1 − exp(−b2·x)): the value settled at is b1, the amplitude −b1, the rate b2."""

    @pytest.mark.parametrize("start", [0.0001, 0.0005])
    def test_parameters_and_their_deviations_from_both_starts(self, start: float) -> None:
        x, y = pressures_and_volumes()
        fit = fit_decay(x, y, start_rate=start, from_zero=True)
        settled, standard = fit.settled_of(np.ones(1))
        pairs = (
            (settled, B1[0]),
            (standard, B1[1]),
            (fit.rate, B2[0]),
            (fit.rate_standard, B2[1]),
            (fit.residual, RESIDUAL),
        )
        assert [digits for digits in (matching_digits(*pair) for pair in pairs) if digits < DIGITS] == []
        assert fit.dof == DOF

    def test_and_without_a_start(self) -> None:
        x, y = pressures_and_volumes()
        fit = fit_decay(x, y, rates=(1e-5, 1e-1), from_zero=True)
        assert matching_digits(fit.rate, B2[0]) >= DIGITS

    def test_the_certified_values_are_those_of_the_file(self) -> None:
        for printed in ("2.3894212918E+02", "2.7070075241E+00", "5.5015643181E-04", "7.2668688436E-06"):
            assert printed in TEXT


class TestAFreeConstant:
    """Worked out by an independent general least-squares routine, not published."""

    def test_it_agrees_with_a_general_routine(self) -> None:
        from scipy.optimize import curve_fit

        x, y = pressures_and_volumes()
        best, covariance = curve_fit(lambda t, a, b, k: a + b * np.exp(-k * t), x, y, p0=(200.0, -200.0, 5e-4))
        fit = fit_decay(x, y, rates=(1e-5, 1e-1))
        settled, settled_u = fit.settled_of(np.ones(1))
        amplitude, amplitude_u = fit.amplitude_of(np.ones(1))
        assert [float(settled), float(amplitude), float(fit.rate)] == pytest.approx(best, rel=1e-5)
        ours = [float(settled_u), float(amplitude_u), float(fit.rate_standard)]
        assert ours == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)


class TestCoolingOfABlock:
    """A steel block of 100 mm by 35 mm by 9 mm, 1 K above its bench; computed from τ = ρcV/(hA), not published."""

    def test_time_constant_in_still_air(self) -> None:
        # h = 10 and 5 W/(m²·K): 21 and 42 min
        assert [s / 60.0 for s in time_constant_s(STEEL, 100e3, "air")] == pytest.approx([21, 42], abs=0.5)

    @pytest.mark.parametrize(
        ("limit_um", "minutes"), [(0.10, (51, 102)), (0.05, (65, 130)), (0.02, (84, 169)), (0.01, (99, 197))]
    )
    def test_wait_in_still_air(self, limit_um: float, minutes: tuple[int, int]) -> None:
        wait = soak_time_s(STEEL, 100e3, 1.0, limit_um, on="air")
        assert [s / 60.0 for s in wait] == pytest.approx(minutes, abs=0.6)

    @pytest.mark.parametrize(("length_mm", "minutes"), [(25, (63, 127)), (50, (81, 163)), (100, (99, 197))])
    def test_wait_for_a_hundredth_by_length(self, length_mm: int, minutes: tuple[int, int]) -> None:
        wait = soak_time_s(STEEL, length_mm * 1e3, 1.0, 0.01, on="air")
        assert [s / 60.0 for s in wait] == pytest.approx(minutes, abs=0.6)

    @pytest.mark.parametrize(
        ("material", "slow", "fast"),
        [("chrome carbide", 40, 20), ("tungsten carbide", 34, 17), ("aluminium", 28, 14)],
    )
    def test_time_constant_by_material(self, material: str, slow: int, fast: int) -> None:
        assert [s / 60.0 for s in time_constant_s(materials()[material], 100e3, "air")] == pytest.approx(
            [fast, slow], abs=0.6
        )

    def test_a_metal_plate_shortens_hours_to_minutes(self) -> None:
        # air films of 10 and 100 µm: 12 and 121 s, and 0.8 and 8.2 min to 0.02 µm
        assert time_constant_s(STEEL, 100e3, "metal plate") == pytest.approx([12, 121], abs=0.6)
        wait = soak_time_s(STEEL, 100e3, 1.0, 0.02, on="metal plate")
        assert [s / 60.0 for s in wait] == pytest.approx([0.8, 8.2], abs=0.06)

    def test_granite_is_slower_than_metal_and_faster_than_air(self) -> None:
        metal, granite, air = (
            time_constant_s(STEEL, 100e3, on, materials()["granite"]) for on in ("metal plate", "granite plate", "air")
        )
        assert metal[1] < granite[0] < granite[1] < air[0]
