"""Grubbs' test: worked example of the NIST/SEMATECH e-Handbook, and published tables."""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from holdzero.hooks import grubbs_critical
from holdzero.statistics import grubbs_statistic

# NIST/SEMATECH e-Handbook, 1.3.5.17.1, data of Tietjen and Moore (from memory)
DATA = ("199.31", "199.53", "200.19", "200.82", "201.92", "201.95", "202.18", "245.57")
ROUTINE = """\
format = 1
routine = { title = "Worked example", part = "D-1" }
reference = { name = "Block", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.01 um", unit = "um" }
characteristics.value = { measure = "size", at = "a" }
steps = [ { do = "zero" }, { do = "read", at = "a", times = 8 }, { do = "return" } ]
"""


def exact_statistic() -> float:
    """(largest − mean)/s of the data, worked out in decimal arithmetic from its definition."""
    readings = [Decimal(text) for text in DATA]
    mean = sum(readings, Decimal()) / len(readings)
    s = (sum(((reading - mean) ** 2 for reading in readings), Decimal()) / (len(readings) - 1)).sqrt()
    return float((max(readings) - mean) / s)


def level_of(critical: float, count: int) -> float:
    """One-sided level [1] that goes with a critical value for an even number of readings.

    G = (n − 1)/√n · √(t²/(n − 2 + t²)), t at α/n with n − 2 degrees of freedom: 1.3.5.17.1 of the e-Handbook (from
    memory), turned round. With tan θ = t/√ν and ν even, P(|T| < t) = sin θ · (1 + cos²θ/2 + 1·3/(2·4) cos⁴θ + …) up to
    cos^(ν − 2): Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.4 (from memory).
    """
    sine = critical * math.sqrt(count) / (count - 1)
    total = term = 1.0
    for k in range(1, (count - 2) // 2):
        term *= (2 * k - 1) / (2 * k) * (1.0 - sine * sine)
        total += term
    return count * 0.5 * (1.0 - sine * total)


class TestWorkedExample:
    def test_the_outlier_is_flagged_with_its_statistic(self, measure: Callable[..., Any]) -> None:
        record = measure(ROUTINE, ["0", *DATA, "0"]).record
        (finding,) = [f for f in record["findings"] if f["code"].startswith("repeatability/outlier")]
        assert finding["data"]["grubbs"] == pytest.approx(exact_statistic(), rel=1e-9)
        # the e-Handbook prints 2.4687, which is cut off and not rounded (from memory)
        assert math.floor(finding["data"]["grubbs"] * 1e4) == 24687
        assert "245.57" in finding["text"]

    def test_the_outlier_is_kept(self, measure: Callable[..., Any]) -> None:
        record = measure(ROUTINE, ["0", *DATA, "0"]).record
        mean = sum(map(float, DATA)) / len(DATA)
        assert record["results"]["value"]["value_um"] == pytest.approx(5000.0 + mean)

    def test_the_one_sided_critical_value_is_as_published(self) -> None:
        # the e-Handbook prints 2.032, as ASTM E178, table 1, does (both from memory)
        assert grubbs_critical(8, 0.05, sides=1) == pytest.approx(2.032, abs=0.0005)


@pytest.mark.parametrize("count", [4, 6, 8, 20])
@pytest.mark.parametrize("level", [0.05, 0.01])
def test_a_critical_value_has_the_level_that_students_t_gives_it(count: int, level: float) -> None:
    assert level_of(grubbs_critical(count, level, sides=1), count) == pytest.approx(level, rel=1e-9)
    assert level_of(grubbs_critical(count, level), count) == pytest.approx(level / 2.0, rel=1e-9)


# LibreTexts, Chemistry, "Appendix 07: Critical Values for Grubb's Test", two-sided 5 % and 1 % (seen); its
# misprints at n = 7 (5 %) and n = 15 (1 %) are left out.
@pytest.mark.parametrize(
    ("count", "five", "one"),
    [
        (3, 1.155, 1.155),
        (4, 1.481, 1.496),
        (5, 1.715, 1.764),
        (6, 1.887, 1.973),
        (8, 2.126, 2.274),
        (9, 2.215, 2.387),
        (10, 2.290, 2.482),
    ],
)
def test_two_sided_critical_values_are_as_tabled(count: int, five: float, one: float) -> None:
    assert grubbs_critical(count, 0.05) == pytest.approx(five, abs=0.0011)
    assert grubbs_critical(count, 0.01) == pytest.approx(one, abs=0.0011)


class TestRoundedReadings:
    """Nothing published: how often the test errs is worked out from made-up readings."""

    @pytest.mark.parametrize("count", [3, 4, 5, 8])
    @pytest.mark.parametrize("scatter", [0.3, 0.5, 1.0, 2.0])  # in steps of the dial
    def test_sound_ones_are_taken_for_outliers_no_more_often_than_the_level_says(
        self, count: int, scatter: float
    ) -> None:
        """Level of the test, 5 % of sound series. Whole steps give only some values of G, so the level is not exact."""
        readings = np.rint(np.random.default_rng(7).normal(0.3, scatter, (20_000, count)))
        found, _ = grubbs_statistic(readings, step=1.0)
        share = float(np.mean(found > grubbs_critical(count, 0.05)))
        assert share < 0.06

    def test_of_three_the_one_that_differs_from_two_alike_is_none_by_that_alone(
        self, measure: Callable[..., Any]
    ) -> None:
        of_three = ROUTINE.replace("0.01 um", "0.1 um").replace("times = 8", "times = 3")
        codes = [f["code"] for f in measure(of_three, ["0", "0.1", "0.1", "0.3", "0"]).record["findings"]]
        assert not [code for code in codes if "outlier" in code]
        codes = [f["code"] for f in measure(of_three, ["0", "0.1", "0.1", "9.3", "0"]).record["findings"]]
        assert [code for code in codes if "outlier" in code]
