"""The fade: NIST's certified fit of the same family, and what a block's cooling comes to.

Source: NIST/ITL Statistical Reference Datasets, nonlinear regression, certified values of Misra1a.dat; the file under
data/ is NIST's own (public domain).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from holdzero.cooling import evening_time_s, soak_time_s, time_constant_s
from holdzero.decay import fit_decay
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
    """A block of 100 mm by 35 mm by 9 mm, 1 K above its bench: values computed apart from the code, τ = ρcV/(hA), not
    published. Theirs at h = 5 W/(m²·K) is the longest here; theirs at 10 goes as 1/h to the shortest, at 12.
    """

    FASTER = 10.0 / 12.0

    @pytest.mark.parametrize(
        ("material", "slow", "fast"),
        [
            ("steel", 42, 21),
            ("chrome carbide", 40, 20),
            ("tungsten carbide", 34, 17),
            ("zirconia", 34, 17),
            ("aluminium", 28, 14),
            ("brass", 37, 19),
        ],
    )
    def test_time_constant_in_still_air(self, material: str, slow: int, fast: int) -> None:
        found = [s / 60.0 for s in time_constant_s(materials()[material], 100e3, "air")]
        assert found == pytest.approx([fast * self.FASTER, slow], abs=0.7)

    # 10 mm by hand: V/A = 2.636 mm, 31.7 min (a note that cut it off had 31).
    @pytest.mark.parametrize(("length_mm", "minutes"), [(10, 31.7), (25, 38), (50, 40), (100, 42), (200, 42)])
    def test_time_constant_by_length(self, length_mm: int, minutes: int) -> None:
        assert time_constant_s(STEEL, length_mm * 1e3, "air")[1] / 60.0 == pytest.approx(minutes, abs=0.6)

    @pytest.mark.parametrize(
        ("limit_um", "minutes"), [(0.10, (51, 102)), (0.05, (65, 130)), (0.02, (84, 169)), (0.01, (99, 197))]
    )
    def test_wait_in_still_air(self, limit_um: float, minutes: tuple[int, int]) -> None:
        wait = soak_time_s(STEEL, 100e3, 1.0, limit_um, "air")
        assert [s / 60.0 for s in wait] == pytest.approx([minutes[0] * self.FASTER, minutes[1]], abs=0.6)

    @pytest.mark.parametrize(("length_mm", "minutes"), [(25, (63, 127)), (50, (81, 163)), (100, (99, 197))])
    def test_wait_for_a_hundredth_by_length(self, length_mm: int, minutes: tuple[int, int]) -> None:
        wait = soak_time_s(STEEL, length_mm * 1e3, 1.0, 0.01, "air")
        assert [s / 60.0 for s in wait] == pytest.approx([minutes[0] * self.FASTER, minutes[1]], abs=0.6)

    def test_lying_on_a_metal_plate_it_takes_minutes(self) -> None:
        # air films of 10 and 100 µm: 12 and 121 s, and 0.8 and 8.2 min to 0.02 µm
        assert time_constant_s(STEEL, 100e3, "lying") == pytest.approx([12, 121], abs=0.6)
        wait = soak_time_s(STEEL, 100e3, 1.0, 0.02, "lying")
        assert [s / 60.0 for s in wait] == pytest.approx([0.8, 8.2], abs=0.06)

    def test_lying_on_granite_is_slower_than_on_metal_and_faster_than_air(self) -> None:
        granite = time_constant_s(STEEL, 100e3, "lying", plate=materials()["granite"])
        metal, air = (time_constant_s(STEEL, 100e3, way) for way in ("lying", "air"))
        assert metal[1] < granite[0] < granite[1] < air[0]

    def test_a_pin_cools_faster_than_a_block(self) -> None:
        # V/A of 100 mm by 5 mm by 5 mm, its foot not counted: 2500/2025 mm; τ = 3.611e6 · 1.2346e-3 / 5 = 892 s
        assert time_constant_s(STEEL, 100e3, "air", section_um=(5e3, 5e3))[1] == pytest.approx(892, abs=0.5)

    def test_differences_inside_even_out(self) -> None:
        # 1.4 min along 100 mm in steel, and 20 min in zirconia
        assert evening_time_s(STEEL, 100e3) / 60.0 == pytest.approx(1.4, abs=0.05)
        assert evening_time_s(materials()["zirconia"], 100e3) / 60.0 == pytest.approx(20, abs=0.5)


class TestStandingOnAPlate:
    """Against the exact first mode of a rod with a resistance R at its foot: x·tan x = L/(kAR), and the air's share
    beside it (Carslaw and Jaeger, Conduction of Heat in Solids, 3.9, from memory); worked out here, not published.
    """

    @pytest.mark.parametrize(
        ("name", "plate", "conductivity"), [("steel", None, 45.0), ("zirconia", None, 45.0), ("steel", "granite", 2.79)]
    )
    def test_it_is_right_and_a_little_long(self, name: str, plate: str | None, conductivity: float) -> None:
        from scipy.optimize import brentq

        density, heat, k = {"steel": (7850.0, 460.0, 45.0), "zirconia": (6050.0, 481.0, 2.5)}[name]
        foot, length, around = 0.035 * 0.009, 0.1, 2 * (0.035 + 0.009) * 0.1
        exact = []
        for gap, h in ((5e-6, 12.0), (40e-6, 5.0)):
            resistance = gap / (0.026 * foot) + 1.0 / (4.0 * conductivity * math.sqrt(foot / math.pi))
            biot = length / (k * foot * resistance)
            root = brentq(lambda x, biot=biot: x * math.tan(x) - biot, 1e-6, math.pi / 2 - 1e-9)
            lost = root**2 * k * foot / length + h * (around + foot)
            exact.append(density * heat * foot * length / lost)
        found = time_constant_s(materials()[name], 100e3, "standing", plate=materials()[plate] if plate else None)
        assert [1.0 <= ours / one <= 1.05 for ours, one in zip(found, exact, strict=True)] == [True, True], exact

    def test_it_is_between_lying_and_air(self) -> None:
        lying, standing, air = (time_constant_s(STEEL, 100e3, way) for way in ("lying", "standing", "air"))
        assert lying[1] < standing[0] < standing[1] < air[0]
