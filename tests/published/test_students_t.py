"""Student's t against JCGM 100:2008, Table G.2 (values read in the official PDF)."""

from __future__ import annotations

import math

import pytest

from holdzero.model import student_quantile, truncated


@pytest.mark.parametrize(
    ("dof", "percent", "printed"),
    [
        (5, 95.0, 2.57),
        (16, 95.0, 2.12),
        (16, 95.45, 2.17),
        (16, 99.0, 2.92),
        (18, 99.0, 2.88),
        (9, 95.45, 2.32),
    ],
)
def test_a_value_of_the_table(dof: int, percent: float, printed: float) -> None:
    assert student_quantile(0.5 + percent / 200.0, float(dof)) == pytest.approx(printed, abs=0.005)


def test_infinite_degrees_of_freedom_are_the_normal_distribution() -> None:
    # JCGM 106:2012, Table 1: z = 1.64 at 0.95
    assert student_quantile(0.95, math.inf) == pytest.approx(1.64, abs=0.005)


def test_degrees_of_freedom_are_truncated_not_rounded() -> None:
    # JCGM 100:2008, G.6.4 and H.1.6: 16.7 becomes 16
    assert truncated(16.7) == 16.0
