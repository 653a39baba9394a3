"""What a curve amounts to, however its points lie."""

from __future__ import annotations

import pytest

from holdzero.rehearse import Curve, Point, Tally


def curve(*points: tuple[float, float]) -> Curve:
    """Of shares that pass, by true size."""
    return Curve(
        points=tuple(
            Point(true_um=true_um, tally=Tally(runs=1000, passed=round(1000 * share), failed=0))
            for true_um, share in points
        )
    )


class TestPartsThatLieEvenly:
    def test_count_by_the_stretch_that_they_lie_on(self) -> None:
        # From −2 to −1 none passes, from −1 to 1 it rises to all: half of the good ones, by the area of the triangle.
        few = curve((-2.0, 0.0), (-1.0, 0.0), (1.0, 1.0), (2.0, 1.0)).evenly(-1.0, 1.0)
        assert few.good_not_passed == pytest.approx(0.5)
        assert few.bad_passed == pytest.approx(0.5)
        assert few.undecided == pytest.approx(0.5)

    def test_count_no_more_where_points_lie_near_together(self) -> None:
        few = curve((-2.0, 0.0), (-1.0, 0.0), (1.0, 1.0), (2.0, 1.0))
        many = curve((-2.0, 0.0), (-1.0, 0.0), (-0.5, 0.25), (-0.4, 0.3), (-0.3, 0.35), (1.0, 1.0), (2.0, 1.0))
        assert _numbers(many) == pytest.approx(_numbers(few))

    def test_of_which_there_are_none_have_no_share(self) -> None:
        within = curve((-1.0, 1.0), (1.0, 1.0)).evenly(-1.0, 1.0)
        assert within.bad_passed is None
        assert within.good_not_passed == pytest.approx(0.0)

    def test_with_one_limit_are_good_on_the_other_side_of_it(self) -> None:
        one = curve((0.0, 1.0), (1.0, 1.0), (2.0, 0.0)).evenly(None, 1.0)
        assert one.good_not_passed == pytest.approx(0.0)
        assert one.bad_passed == pytest.approx(0.5)


def _numbers(of: Curve) -> tuple[float | None, ...]:
    shares = of.evenly(-1.0, 1.0)
    return shares.good_not_passed, shares.bad_passed, shares.undecided
