"""A soak watched point by point: the same fit, made anew with every point.

Source: NIST/ITL Statistical Reference Datasets, nonlinear regression, certified values of Misra1a.dat; the file under
data/ is NIST's own. It reaches only 34 % of its amplitude: a record that is too short.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from holdzero.decay import fit_decay
from holdzero.outlook import FEWEST, Outlook, outlook_of

TEXT = (Path(__file__).parent / "data" / "Misra1a.dat").read_text("ascii")
ROWS = [line.split() for line in TEXT.rsplit("Data:", 1)[1].splitlines()[1:] if line.strip()]
VOLUME, PRESSURE = np.array([[float(text) for text in row] for row in ROWS]).T
B1, U1 = 2.3894212918e02, 2.7070075241e00
B2, U2 = 5.5015643181e-04, 7.2668688436e-06
DIGITS = 9  # of the eleven that are printed


def outlook(times: np.ndarray, values: np.ndarray, within: float | None = None) -> Outlook:
    found = outlook_of(list(times), list(values), of="", unit="um", within=within)
    assert found is not None
    return found


class TestPointByPoint:
    def test_the_last_of_the_live_fits_has_the_certified_values(self) -> None:
        rate = 5e-4  # the second of the file's own starts; after that each fit begins where the one before ended
        for number in range(4, VOLUME.size + 1):
            fit = fit_decay(PRESSURE[:number], VOLUME[:number], start_rate=rate, from_zero=True)
            rate = float(fit.rate)
        settled, standard = fit.settled_of(np.ones(1))
        pairs = ((settled, B1), (standard, U1), (fit.rate, B2), (fit.rate_standard, U2))
        assert [pair for pair in pairs if abs(float(pair[0]) / pair[1] - 1.0) > 10.0**-DIGITS] == []

    def test_every_earlier_one_is_what_a_general_routine_finds(self) -> None:
        # Worked out by an independent general least-squares routine, not published.
        from scipy.optimize import curve_fit

        for number in range(4, VOLUME.size + 1):
            x, y = PRESSURE[:number], VOLUME[:number]
            best, _ = curve_fit(lambda t, a, k: a * (1.0 - np.exp(-k * t)), x, y, p0=(240.0, 5e-4), xtol=1e-14)
            fit = fit_decay(x, y, rates=(1e-5, 1e-1), from_zero=True)
            assert [float(fit.settled[0]), float(fit.rate)] == pytest.approx(best, rel=1e-5), number

    def test_what_is_still_to_come_holds_what_the_certified_curve_says(self) -> None:
        for number in range(FEWEST, VOLUME.size + 1):
            found = outlook(PRESSURE[:number], VOLUME[:number])
            left = B1 * math.exp(-B2 * PRESSURE[number - 1])
            assert found.steady or found.bound >= left, number

    def test_and_it_is_never_told_to_be_at_rest(self) -> None:
        for number in range(FEWEST, VOLUME.size + 1):
            assert not outlook(PRESSURE[:number], VOLUME[:number], within=10.0).settled


class TestMadeUpCoolings:
    """Worked out from y = 1 + A·exp(−t/τ) with normal noise, not published."""

    @pytest.mark.parametrize(("tau_s", "amplitude", "watched_s"), [(300, 2.0, 900), (300, 2.0, 300), (600, 1.0, 900)])
    def test_the_bound_holds_in_19_of_20_or_more(self, tau_s: float, amplitude: float, watched_s: float) -> None:
        random = np.random.default_rng(11)
        times = np.arange(0.0, watched_s, 10.0)
        left = amplitude * math.exp(-times[-1] / tau_s)
        runs = 200
        held = sum(
            outlook(times, 1.0 + amplitude * np.exp(-times / tau_s) + 0.05 * random.standard_normal(times.size)).bound
            >= left
            for _ in range(runs)
        )
        # three standard deviations of a count of 200 with probability 0.95
        assert held >= runs * 0.95 - 3.0 * math.sqrt(runs * 0.95 * 0.05)

    def test_drift_now_and_time_left_are_those_of_the_curve(self) -> None:
        times = np.arange(0.0, 900.0, 5.0)
        found = outlook(times, 1.0 + 2.0 * np.exp(-times / 300.0), within=0.02)
        last = float(times[-1])
        assert found.rate_per_min == pytest.approx(-60.0 * 2.0 / 300.0 * math.exp(-last / 300.0), rel=1e-6)
        assert found.to_come == pytest.approx(-2.0 * math.exp(-last / 300.0), rel=1e-6)
        assert found.left_s == pytest.approx(300.0 * math.log(2.0 / 0.02) - last, rel=1e-3)

    def test_a_steady_drift_has_no_end_in_sight(self) -> None:
        times = np.arange(0.0, 600.0, 10.0)
        random = np.random.default_rng(3)
        found = outlook(times, 0.001 * times + 0.01 * random.standard_normal(times.size), within=1.0)
        assert found.steady
        assert not found.settled
        assert found.left_s is None

    @pytest.mark.parametrize("minutes", [5.0, 15.0, 45.0, 90.0])
    def test_a_coarse_dial_that_stands_still_may_hide_a_fade_within_its_step(self, minutes: float) -> None:
        # A fade with what is to come c has moved by c·(exp(W/τ) − 1) in the time W before (worked out).
        hidden = 0.5 / math.expm1(minutes / 45.0)
        times = np.arange(0.0, 60.0 * minutes + 1.0, 20.0)
        found = outlook_of(list(times), [0.5] * times.size, of="", unit="um", within=0.2, step=0.5)
        assert found is not None
        assert found.bound >= hidden
        assert found.to_come == pytest.approx(0.0, abs=1e-9)

    def test_and_ends_when_it_stood_still_for_long_enough(self) -> None:
        times = np.arange(0.0, 3.0 * 3600.0, 30.0)
        found = outlook_of(list(times), [0.5] * times.size, of="", unit="um", within=0.2, step=0.5)
        assert found is not None
        assert found.settled

    def test_too_few_points_say_nothing(self) -> None:
        assert outlook_of([0.0, 1.0, 2.0, 3.0, 4.0], [0.0] * 5, of="", unit="um") is None
        assert outlook_of([1.0] * 9, [0.0] * 9, of="", unit="um") is None
