"""Gauge block grades: limits as printed, ranges of the nominal length, and five points through the tool.

ISO 3650:1998, table 5, te and tv in micrometres (from memory); two unnamed copies of DIN 861 agree for grades 0, 1
and 2. Definitions of e, v, f_o and f_u: clause 3 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from holdzero_plugins.checks.block import standards

# nominal mm (up to and including): K te, tv, 0 te, tv, 1 te, tv, 2 te, tv
PRINTED = {
    10: ("0.20", "0.05", "0.12", "0.10", "0.20", "0.16", "0.45", "0.30"),
    25: ("0.30", "0.05", "0.14", "0.10", "0.30", "0.16", "0.60", "0.30"),
    50: ("0.40", "0.06", "0.20", "0.10", "0.40", "0.18", "0.80", "0.30"),
    75: ("0.50", "0.06", "0.25", "0.12", "0.50", "0.18", "1.00", "0.35"),
    100: ("0.60", "0.07", "0.30", "0.12", "0.60", "0.20", "1.20", "0.35"),
    150: ("0.80", "0.08", "0.40", "0.14", "0.80", "0.20", "1.60", "0.40"),
    200: ("1.00", "0.09", "0.50", "0.16", "1.00", "0.25", "2.00", "0.40"),
    250: ("1.20", "0.10", "0.60", "0.16", "1.20", "0.25", "2.40", "0.45"),
    300: ("1.40", "0.10", "0.70", "0.18", "1.40", "0.25", "2.80", "0.50"),
    400: ("1.80", "0.12", "0.90", "0.20", "1.80", "0.30", "3.60", "0.50"),
    500: ("2.20", "0.14", "1.10", "0.25", "2.20", "0.35", "4.40", "0.60"),
    600: ("2.60", "0.16", "1.30", "0.25", "2.60", "0.40", "5.00", "0.70"),
    700: ("3.00", "0.18", "1.50", "0.30", "3.00", "0.45", "6.00", "0.70"),
    800: ("3.40", "0.20", "1.70", "0.30", "3.40", "0.50", "6.50", "0.80"),
    900: ("3.80", "0.20", "1.90", "0.35", "3.80", "0.50", "7.50", "0.90"),
    1000: ("4.20", "0.25", "2.00", "0.40", "4.20", "0.60", "8.00", "1.00"),
}


class TestTable:
    @pytest.mark.parametrize("nominal_mm", PRINTED)
    def test_a_row_is_as_printed(self, nominal_mm: int) -> None:
        limits = standards()["ISO 3650"].limits(1000.0 * nominal_mm)
        assert tuple(limits) == ("K", "0", "1", "2")
        found = [number for own in limits.values() for number in (own.te_um, own.tv_um)]
        assert [f"{number:.2f}" for number in found] == list(PRINTED[nominal_mm])

    @pytest.mark.parametrize("nominal_mm", PRINTED)
    def test_k_deviates_like_grade_1_and_varies_least(self, nominal_mm: int) -> None:
        limits = standards()["ISO 3650"].limits(1000.0 * nominal_mm)
        assert limits["K"].te_um == limits["1"].te_um
        assert limits["K"].tv_um == min(own.tv_um for own in limits.values())

    @pytest.mark.parametrize(
        ("nominal_mm", "te_um"),
        [(0.5, 0.12), (10.0, 0.12), (10.001, 0.14), (25.0, 0.14), (25.4, 0.20), (100.0, 0.30), (1000.0, 2.00)],
    )
    def test_a_range_ends_with_its_upper_end(self, nominal_mm: float, te_um: float) -> None:
        assert standards()["ISO 3650"].limits(1000.0 * nominal_mm)["0"].te_um == te_um

    @pytest.mark.parametrize("nominal_mm", [0.499, 1000.001])
    def test_beyond_its_scope_it_has_no_limits(self, nominal_mm: float) -> None:
        assert standards()["ISO 3650"].limits(1000.0 * nominal_mm) == {}

    def test_the_asme_grades_are_those_of_iso_under_other_names(self) -> None:
        # ASME B89.1.9-2002 (R2012), scope, as a standards catalogue sums it up (seen)
        iso, asme = (standards()[name].limits(30e3) for name in ("ISO 3650", "ASME B89.1.9"))
        assert tuple(asme) == ("K", "0", "AS-1", "AS-2")
        assert [asme[own] for own in asme] == [iso[theirs] for theirs in ("K", "0", "1", "2")]


ROUTINE = """\
format = 1
routine = { title = "Gauge block 25 mm", part = "GB-25" }
reference = { name = "Block 25 mm, set 5", size = "25 mm", deviation = "+0.05 um", material = "steel" }
comparator = { resolution = "0.01 um" }
checks.block = { corners = ["A", "B", "C", "D"] }
steps = [
  { do = "zero" },
  { do = "read", at = "centre" },
  { do = "read", at = "A" },
  { do = "read", at = "B" },
  { do = "read", at = "C" },
  { do = "read", at = "D" },
  { do = "return" },
]

[characteristics.length]
measure = "size"
at = "centre"
nominal = "25 mm"

[characteristics.variation]
measure = "variation"
at = ["centre", "A", "B", "C", "D"]
upper = "0.10 um"
"""


class TestFivePointsThroughTheTool:
    # worked out by hand: e = 0.05 + reading; centre +0.06, corners +0.10, +0.07, +0.02, +0.05
    READ = ("0", "0.01", "0.05", "0.02", "-0.03", "0", "0")

    def note(self, measure: Callable[..., Any], code: str) -> dict[str, Any]:
        record = measure(ROUTINE, self.READ).record
        (found,) = [f for f in record["findings"] if f["code"] == code]
        assert found["level"] == "note"
        one: dict[str, Any] = found
        return one

    def test_variation_and_its_two_parts(self, measure: Callable[..., Any]) -> None:
        data = self.note(measure, "block/variation")["data"]
        assert data["f_o_um"] == pytest.approx(0.04)
        assert data["f_u_um"] == pytest.approx(0.04)
        assert data["v_um"] == pytest.approx(data["f_o_um"] + data["f_u_um"])

    def test_the_variation_is_that_of_the_characteristic(self, measure: Callable[..., Any]) -> None:
        record = measure(ROUTINE, self.READ).record
        assert record["results"]["variation"]["value_um"] == pytest.approx(0.08)

    def test_the_largest_deviation_is_from_nominal_and_at_any_point(self, measure: Callable[..., Any]) -> None:
        found = self.note(measure, "block/deviation")
        assert found["data"]["largest_deviation_um"] == pytest.approx(0.10)
        assert "at A" in found["text"]

    def test_the_best_grade_is_0(self, measure: Callable[..., Any]) -> None:
        # up to 25 mm: K allows a variation of 0.05, 0 one of 0.10 with a deviation of 0.14 um
        assert "best grade of ISO 3650 that the block keeps is 0" in self.note(measure, "block/best/ISO 3650/0")["text"]
        self.note(measure, "block/best/ASME B89.1.9/0")
