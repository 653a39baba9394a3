"""Grubbs' test: worked example of the NIST/SEMATECH e-Handbook, 1.3.5.17.1, and published tables.

Data and G seen in a stored second-hand output (199.31 … 245.57; G = 2.468765, one-sided 5 % critical
value 2.031652); that the handbook page prints them is from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from holdzero.hooks import grubbs_critical

DATA = ("199.31", "199.53", "200.19", "200.82", "201.92", "201.95", "202.18", "245.57")
ROUTINE = """\
format = 1
routine = { title = "Worked example", part = "D-1" }
reference = { name = "Block", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.01 um", unit = "um" }
characteristics.value = { measure = "size", at = "a" }
steps = [ { do = "zero" }, { do = "read", at = "a", times = 8 }, { do = "return" } ]
"""


class TestWorkedExample:
    def test_the_outlier_is_flagged_with_the_published_statistic(self, measure: Callable[..., Any]) -> None:
        record = measure(ROUTINE, ["0", *DATA, "0"]).record
        (finding,) = [f for f in record["findings"] if f["code"].startswith("repeatability/outlier")]
        assert finding["data"]["grubbs"] == pytest.approx(2.468765, abs=5e-7)
        assert "245.57" in finding["text"]

    def test_the_outlier_is_kept(self, measure: Callable[..., Any]) -> None:
        record = measure(ROUTINE, ["0", *DATA, "0"]).record
        mean = sum(map(float, DATA)) / len(DATA)
        assert record["results"]["value"]["value_um"] == pytest.approx(5000.0 + mean)

    def test_the_one_sided_critical_value_is_as_published(self) -> None:
        assert grubbs_critical(8, 0.05, sides=1) == pytest.approx(2.031652, abs=5e-7)


# LibreTexts "Appendix 07: Critical Values for Grubb's Test", two-sided 5 % and 1 % (seen); its
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
