"""What an outlook says of an approach to equilibrium, and where it stops saying it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from holdzero.outlook import FEWEST, Outlook, outlook_of, unbroken

PLAIN = Outlook(
    of="",
    unit="um",
    at_s=100.0,
    now=1.0,
    rate_per_min=0.1,
    rate_u=0.01,
    to_come=0.1,
    bound=0.2,
    within=0.3,
    left_s=0.0,
    points=10,
    seen=((0.0, 0.5), (100.0, 1.02)),
    curve=(),
)


def fade(times: np.ndarray, tau_s: float = 300.0, amplitude: float = 2.0, settled: float = 1.0) -> list[float]:
    return [float(value) for value in settled + amplitude * np.exp(-times / tau_s)]


def seen(times: np.ndarray, values: list[float], within: float | None = None) -> Outlook:
    found = outlook_of([float(at) for at in times], values, of="", unit="um", within=within)
    assert found is not None
    return found


class TestWhatMaySettle:
    @pytest.mark.parametrize(("bound", "near"), [(0.2, True), (0.3, True), (0.31, False), (math.inf, False)])
    def test_is_what_has_no_more_to_come_than_is_allowed(self, bound: float, near: bool) -> None:
        outlook = replace(PLAIN, bound=bound)
        assert (outlook.near, outlook.settled) == (near, near)
        # watched too briefly, what is near is not settled, and nothing is said of it; what is not near is known
        brief = replace(outlook, enough=False)
        assert (brief.near, brief.settled, brief.judged, outlook.judged) == (near, False, not near, True)

    def test_without_a_limit_nothing_is_judged(self) -> None:
        outlook = replace(PLAIN, within=None)
        assert (outlook.near, outlook.settled, outlook.judged) == (False, False, False)
        assert not replace(outlook, enough=False).judged

    @pytest.mark.parametrize(
        ("to_come", "bound", "steady", "moved"),
        [(0.1, 0.2, False, False), (0.1, math.inf, False, True), (-math.inf, math.inf, True, False)],
    )
    def test_a_steady_drift_and_a_move_a_moment_ago_are_told_apart(
        self, to_come: float, bound: float, steady: bool, moved: bool
    ) -> None:
        outlook = replace(PLAIN, to_come=to_come, bound=bound)
        assert (outlook.steady, outlook.moved) == (steady, moved)

    @pytest.mark.parametrize(
        ("bound", "within", "early"),
        [(30.0, 0.3, False), (30.1, 0.3, True), (49.9, None, False), (50.1, None, True), (math.inf, 0.3, False)],
    )
    def test_a_bound_of_a_hundred_times_what_counts_says_nothing_yet(
        self, bound: float, within: float | None, early: bool
    ) -> None:
        # without a limit what counts is how far it went: from 0.5 to 1
        assert replace(PLAIN, bound=bound, within=within).early is early


class TestAPause:
    """Ten times as long as between other points, and a minute at least."""

    @pytest.mark.parametrize(
        ("times", "newest"),
        [
            ([], 0),
            ([5.0], 1),
            ([0.0, 1.0, 2.0, 62.0, 63.0], 5),
            ([0.0, 1.0, 2.0, 62.5, 63.0], 2),
            ([0.0, 10.0, 20.0, 120.0, 130.0], 5),
            ([0.0, 10.0, 20.0, 121.0, 131.0], 2),
            ([0.0, 1.0, 100.0, 101.0, 102.0, 103.0, 300.0, 301.0, 302.0], 3),
            ([0.0, 1.0, 2.0, 100.0], 1),
        ],
    )
    def test_begins_anew(self, times: list[float], newest: int) -> None:
        assert unbroken(times) == newest


class TestWhatIsShown:
    def test_takes_six_points_of_more_than_one_moment(self) -> None:
        times = [10.0 * number for number in range(FEWEST)]
        assert outlook_of(times, [1.0] * FEWEST, of="", unit="um") is not None
        assert outlook_of(times[:-1], [1.0] * (FEWEST - 1), of="", unit="um") is None
        assert outlook_of([7.0] * FEWEST, [1.0] * FEWEST, of="", unit="um") is None

    @pytest.mark.parametrize(("points", "every"), [(100, 1), (240, 1), (241, 2), (480, 2), (481, 3)])
    def test_are_points_worth_drawing_and_the_newest_among_them(self, points: int, every: int) -> None:
        times = 5.0 * np.arange(points)
        values = fade(times)
        outlook = seen(times, values)
        pairs = list(zip(times.tolist(), np.round(values, 9).tolist(), strict=True))
        assert list(outlook.seen) == pairs[(points - 1) % every :: every]
        assert (outlook.points, outlook.at_s) == (points, times[-1])

    def test_the_curve_goes_from_the_first_point_half_as_far_beyond_the_last(self) -> None:
        times = 50.0 + 10.0 * np.arange(60)
        outlook = seen(times, fade(times))
        assert len(outlook.curve) == 60
        at, values = np.array(outlook.curve).T
        assert at == pytest.approx(np.linspace(50.0, 640.0 + 0.5 * 590.0, 60))
        assert values == pytest.approx(fade(at), abs=1e-6)
        assert outlook.now == pytest.approx(fade(times)[-1], abs=1e-6)

    @pytest.mark.parametrize("amplitude", [2.0, -2.0])
    def test_of_a_fade_are_its_drift_its_end_and_the_time_it_takes(self, amplitude: float) -> None:
        times = 5.0 * np.arange(180)
        left = amplitude * math.exp(-times[-1] / 300.0)
        outlook = seen(times, fade(times, amplitude=amplitude), within=0.02)
        assert outlook.to_come == pytest.approx(-left, rel=1e-5)
        assert outlook.rate_per_min == pytest.approx(-60.0 * left / 300.0, rel=1e-5)
        assert outlook.bound == pytest.approx(abs(left), rel=1e-2)
        assert outlook.left_s == pytest.approx(300.0 * math.log(2.0 / 0.02) - times[-1], rel=1e-3)
        assert outlook.rate_u < 1e-3 * abs(outlook.rate_per_min)

    @pytest.mark.parametrize(("within", "left_s"), [(None, None), (0.0, None), (0.5, 0.0)])
    def test_time_is_left_only_where_something_is_allowed_and_not_reached(
        self, within: float | None, left_s: float | None
    ) -> None:
        times = 5.0 * np.arange(180)
        assert seen(times, fade(times), within=within).left_s == left_s

    @pytest.mark.parametrize("slope", [0.002, -0.002])
    def test_of_a_steady_drift_is_its_slope_as_of_least_squares(self, slope: float) -> None:
        times = 10.0 * np.arange(60)
        noise = 0.01 * np.random.default_rng(3).standard_normal(60)
        values = slope * times + noise
        outlook = seen(times, values.tolist(), within=1.0)
        assert outlook.steady
        assert outlook.to_come == math.copysign(math.inf, slope)
        assert outlook.left_s is None
        (fitted, _), covariance = np.polyfit(times, values, 1, cov=True)
        assert outlook.rate_per_min == pytest.approx(60.0 * fitted, rel=1e-6)
        # the scatter is that about two fades, of three degrees of freedom less
        assert outlook.rate_u == pytest.approx(60.0 * math.sqrt(covariance[0, 0]), rel=0.1)

    def test_a_drift_of_no_more_than_is_allowed_is_rest(self) -> None:
        times = 10.0 * np.arange(300)
        noise = 0.01 * np.random.default_rng(4).standard_normal(300)
        values = (1e-6 * times + noise).tolist()
        assert not seen(times, values, within=1.0).steady
        assert seen(times, values, within=1.0).settled


class TestAChange:
    """What stood still, and then jumped: only what came after it tells what is still to come."""

    @pytest.mark.parametrize("jump", [5.0, -5.0])
    def test_is_left_behind_once_enough_was_seen_after_it(self, jump: float) -> None:
        times = 10.0 * np.arange(600)
        noise = 0.01 * np.random.default_rng(5).standard_normal(600)
        values = noise + np.where(times >= 1500.0, jump, 0.0)
        outlook = seen(times, values.tolist(), within=1.0)
        assert outlook.settled
        assert outlook.now == pytest.approx(jump, abs=0.02)
        assert outlook.bound < 0.1

    def test_a_moment_ago_leaves_nothing_to_be_told(self) -> None:
        times = 10.0 * np.arange(60)
        noise = 0.01 * np.random.default_rng(6).standard_normal(60)
        values = noise + np.where(times >= 570.0, 5.0, 0.0)
        outlook = seen(times, values.tolist(), within=1.0)
        assert not outlook.settled
        assert math.isinf(outlook.bound)
