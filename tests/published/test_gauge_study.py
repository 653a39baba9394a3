"""Gauge studies: the reference study of a manual, one with an interaction, and nested scatter of a handbook."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from holdzero.charts import precision_baseline
from holdzero.statistics import pooled_standard_deviation
from holdzero.studies import Day, crossed_study, deviation_interval, nested_study, range_study

Printed = Callable[[str], Any]
Table = Callable[[str], list[list[float]]]

# AIAG, Measurement Systems Analysis, 4th ed., III-B: 10 parts, 3 inspectors, 3 trials; data and results seen
# second-hand in several transcriptions, which agree. Rows: inspector and trial; columns: parts.
MANUAL = """
 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""

# Houf and Berman 1988, thermal impedance of a power module, °C/W × 100: 10 parts, 3 inspectors, 3 trials.
# Data seen in Vidakovic, Statistics for Bioengineering Sciences, 2011, example 11.14, p. 452. Rows: parts.
MODULES = """
37 38 37 41 41 40 41 42 41
42 41 43 42 42 42 43 42 43
30 31 31 31 31 31 29 30 28
42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29
42 42 43 45 45 45 44 46 45
25 26 27 28 28 30 29 27 27
40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26
35 34 34 35 35 34 35 34 35
"""


def numbers(text: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([line.split() for line in text.strip().splitlines()], dtype=float)


def manual() -> np.ndarray[Any, np.dtype[np.float64]]:
    return numbers(MANUAL).reshape(3, 3, 10).transpose(2, 0, 1)


def modules() -> np.ndarray[Any, np.dtype[np.float64]]:
    return numbers(MODULES).reshape(10, 3, 3)


class TestTheManualsStudy:
    def test_its_data_were_copied_right(self, printed: Printed) -> None:
        # The sums that tell a corrupted transcription (worked out).
        readings = manual()
        assert readings.mean() == printed("0.0014444")
        means = [
            "0.1689",
            "-0.8511",
            "1.0989",
            "0.3667",
            "-1.0644",
            "-0.1856",
            "0.4544",
            "-0.3422",
            "1.9400",
            "-1.5711",
        ]
        assert readings.mean(axis=(1, 2)).tolist() == [printed(text) for text in means]
        inspectors = [printed(text) for text in ("0.190333", "0.068333", "-0.254333")]
        assert readings.mean(axis=(0, 2)).tolist() == inspectors

    @pytest.mark.parametrize(
        ("name", "dof", "square", "mean_square"),
        [
            ("inspectors", 2, "3.1673", "1.583631"),
            ("parts", 9, "88.3619", "9.817993"),
            ("interaction", 18, "0.3590", "0.019943"),
            ("repeatability", 60, "2.7589", "0.045982"),
            ("pooled", 78, "3.1179", "0.0399733"),  # the sum of the two above: 0.358982 + 2.758933
            ("total", 89, "94.6471", "1.063451"),  # 94.647112 / 89
        ],
    )
    def test_table_is_as_printed(self, name: str, dof: int, square: str, mean_square: str, printed: Printed) -> None:
        (line,) = [line for line in crossed_study(manual()).table if line.name == name]
        assert line.dof == dof
        assert line.sum_of_squares_um2 == printed(square)
        assert line.mean_square_um2 == printed(mean_square)

    def test_tests_are_as_printed(self, printed: Printed) -> None:
        study = {line.name: line for line in crossed_study(manual(), pooling_significance=1.0).table}
        assert study["inspectors"].f == printed("79.406")
        assert study["parts"].f == printed("492.291")
        assert study["interaction"].f == printed("0.434")
        assert study["interaction"].p == printed("0.9741")
        against = study["repeatability"].mean_square_um2
        assert study["inspectors"].mean_square_um2 / against == printed("34.440")
        assert study["parts"].mean_square_um2 / against == printed("213.517")

    def test_pooled_components_are_as_printed(self, printed: Printed) -> None:
        study = crossed_study(manual())
        assert study.pooled
        assert study.repeatability.standard_um == printed("0.199933")
        assert study.repeatability.variance_um2 == printed("0.039973")
        assert study.inspectors.standard_um == printed("0.226838")
        assert study.inspectors.variance_um2 == printed("0.051455")
        assert study.interaction.standard_um == 0.0
        assert study.gauge.standard_um == pytest.approx(0.302373, abs=2e-6)  # printed; 0.3023715 worked out
        assert study.gauge.standard_um == printed("0.3023715")
        assert study.parts.standard_um == printed("1.042327")
        assert study.parts.variance_um2 == printed("1.086447")
        assert study.total.standard_um == printed("1.0852996")

    def test_shares_are_as_printed(self, printed: Printed) -> None:
        study = crossed_study(manual())
        rows = (study.repeatability, study.inspectors, study.gauge, study.parts)
        shares = [100.0 * row.share_of_total for row in rows]
        assert shares == [printed(text) for text in ("18.4", "20.9", "27.9", "96.0")]
        contributions = [100.0 * row.contribution for row in rows]
        assert contributions == [printed(text) for text in ("3.4", "4.4", "7.8", "92.2")]

    def test_four_categories_are_told_apart(self, printed: Printed) -> None:
        study = crossed_study(manual())
        assert study.category_ratio == printed("4.86")
        assert study.categories == 4

    def test_components_without_pooling(self, printed: Printed) -> None:
        # worked out
        study = crossed_study(manual(), pooling_significance=1.0)
        assert not study.pooled
        assert study.repeatability.standard_um == printed("0.214435")
        assert study.inspectors.standard_um == printed("0.228304")
        assert study.interaction.set_to_zero
        assert study.interaction.standard_um == 0.0
        assert "variance of interaction came out below zero and is set to 0" in study.notes
        assert study.gauge.standard_um == printed("0.313217")
        assert study.parts.standard_um == printed("1.043395")
        assert study.total.standard_um == printed("1.089393")
        assert 100.0 * study.gauge.share_of_total == printed("28.75")
        assert study.category_ratio == printed("4.70")
        assert study.categories == 4


class TestTheManualsStudyByRanges:
    def test_factors_are_as_printed(self, printed: Printed) -> None:
        factors = range_study(manual()).factors
        assert (factors.k1, factors.k2, factors.k3) == (printed("0.5908"), printed("0.5231"), printed("0.3146"))
        # The manual prints 2.58, which is 2.5746 rounded up.
        assert np.ceil(factors.d4 * 100.0) / 100.0 == printed("2.58")

    def test_ranges_and_means(self, printed: Printed) -> None:
        # difference of means printed; the others worked out
        study = range_study(manual())
        assert study.inspector_ranges_um == (printed("0.184"), printed("0.513"), printed("0.328"))
        assert study.mean_range_um == printed("0.341667")
        assert study.difference_of_inspectors_um == printed("0.4447")
        assert study.range_of_parts_um == printed("3.511111")

    def test_results_are_as_printed(self, printed: Printed) -> None:
        study = range_study(manual())
        ours = [
            row.standard_um
            for row in (study.repeatability, study.reproducibility, study.gauge, study.parts, study.total)
        ]
        # The manual's factors have four decimals: half a unit there weighs as much as the range it multiplies.
        ranges = (0.341667, 0.444667, 0.62, 3.511111, 3.511111)
        tabled = (0.2019, 0.2297, 0.3058, 1.1046, 1.1461)
        for mine, theirs, width in zip(ours, tabled, ranges, strict=True):
            assert mine == pytest.approx(theirs, abs=0.00005 * (1.0 + width))
        assert 100.0 * study.gauge.share_of_total == printed("26.7")
        assert study.categories == 5

    def test_one_range_is_beyond_its_limit(self) -> None:
        # inspector B, part 4: range 1.02 against 0.8815 with the manual's 2.58, 0.8797 with the constant (worked out)
        study = range_study(manual())
        assert study.range_limit_um == pytest.approx(0.8815 * 2.5746 / 2.58, abs=1e-4)
        assert study.beyond_limit == ((3, 1),)
        assert study.notes == ("range of part 4 by inspector 2 is beyond its limit",)


class TestAStudyWithAnInteraction:
    # Sums of squares as in Montgomery, Introduction to Statistical Quality Control, 5th ed. (from memory), equal to
    # those worked out; the rest worked out.
    @pytest.mark.parametrize(
        ("name", "dof", "square", "worked_out", "mean_square"),
        [
            ("parts", 9, "3935.96", "3935.9556", "437.3284"),
            ("inspectors", 2, "39.27", "39.2667", "19.6333"),
            ("interaction", 18, "48.51", "48.5111", "2.69506"),
            ("repeatability", 60, "30.67", "30.6667", "0.51111"),
            ("total", 89, "4054.40", "4054.4000", "45.5551"),  # 4054.4 / 89
        ],
    )
    def test_table(self, name: str, dof: int, square: str, worked_out: str, mean_square: str, printed: Printed) -> None:
        (line,) = [line for line in crossed_study(modules()).table if line.name == name]
        assert line.dof == dof
        assert line.sum_of_squares_um2 == printed(square)
        assert line.sum_of_squares_um2 == printed(worked_out)
        assert line.mean_square_um2 == printed(mean_square)

    def test_the_interaction_is_kept(self, printed: Printed) -> None:
        study = crossed_study(modules())
        lines = {line.name: line for line in study.table}
        assert not study.pooled
        assert lines["interaction"].f == printed("5.273")
        assert lines["interaction"].p == pytest.approx(5.1e-7, abs=0.05e-7)
        assert lines["inspectors"].f == printed("7.285")
        assert lines["parts"].f == printed("162.27")
        assert lines["parts"].against == "interaction"

    def test_components(self, printed: Printed) -> None:
        study = crossed_study(modules())
        rows = (study.repeatability, study.interaction, study.inspectors, study.parts)
        variances = ("0.511111", "0.727984", "0.564609", "48.292593")
        assert [row.variance_um2 for row in rows] == [printed(text) for text in variances]
        whole = (study.repeatability, study.inspectors, study.interaction, study.gauge, study.parts, study.total)
        deviations = ("0.71492", "0.75140", "0.85322", "1.34302", "6.94929", "7.07787")
        assert [row.standard_um for row in whole] == [printed(text) for text in deviations]
        assert study.reproducibility.variance_um2 == pytest.approx(0.727984 + 0.564609, abs=2e-6)
        assert 100.0 * study.gauge.share_of_total == pytest.approx(18.97, abs=0.0051)
        assert study.category_ratio == printed("7.30")
        assert study.categories == 7

    def test_ranges_do_not_see_it(self, printed: Printed) -> None:
        # worked out with factors of four decimals: five digits agree, not six
        study = range_study(modules())
        assert study.inspector_ranges_um == pytest.approx((1.1, 0.8, 1.3))
        assert study.mean_range_um == printed("1.066667")
        assert study.difference_of_inspectors_um == printed("1.566667")
        assert study.range_of_parts_um == printed("17.777778")
        rows = (study.repeatability, study.reproducibility, study.gauge, study.parts, study.total)
        worked_out = (0.630187, 0.811407, 1.027383, 5.592889, 5.686468)
        # half a unit of the fourth decimal of each factor
        assert [row.standard_um for row in rows] == pytest.approx(worked_out, rel=0.00005 / 0.3146)
        assert study.gauge.standard_um < crossed_study(modules()).gauge.standard_um
        assert study.category_ratio == pytest.approx(7.68, abs=0.005 + 7.68 * 0.00005 / 0.3146)
        assert study.categories == 7


class TestIntervalOfADeviation:
    # NIST/SEMATECH e-Handbook, 1.3.6.7.4 (from memory): ν, critical values of χ² at 0.975 and 0.025. The ends of the
    # interval of s = 1 at 95 % are √(ν/χ²), 7.2.3.1 there (from memory).
    @pytest.mark.parametrize(
        ("dof", "upper_tail", "lower_tail"),
        [(2, "7.378", "0.051"), (9, "19.023", "2.700"), (29, "45.722", "16.047"), (99, "128.422", "73.361")],
    )
    def test_has_the_published_critical_values(
        self, dof: int, upper_tail: str, lower_tail: str, printed: Printed
    ) -> None:
        interval = deviation_interval(1.0, float(dof), 0.95)
        assert dof / interval.lower_um**2 == printed(upper_tail)
        assert dof / interval.upper_um**2 == printed(lower_tail)

    @pytest.mark.parametrize("dof", [2, 10, 98])
    def test_covers_what_it_says(self, dof: int) -> None:
        # Worked out: with ν even, P(χ² > x) = e^(−x/2) Σ (x/2)^k/k!, k < ν/2, a count of Poisson.
        interval = deviation_interval(1.0, float(dof), 0.95)
        for end, tail in ((interval.lower_um, 0.025), (interval.upper_um, 0.975)):
            half = 0.5 * dof / end**2
            beyond = sum(math.exp(k * math.log(half) - half - math.lgamma(k + 1.0)) for k in range(dof // 2))
            assert beyond == pytest.approx(tail, rel=1e-9)


def standards_of(rows: list[list[float]], probe: int) -> list[list[list[Day]]]:
    """Days by wafer and run; columns of the file: run, wafer, probe, month, day, operator, temperature, mean, s."""
    found: dict[float, dict[float, list[Day]]] = {}
    for row in rows:
        if row[2] == probe:
            day = Day(mean=row[7], standard_deviation=row[8])
            found.setdefault(row[1], {}).setdefault(row[0], []).append(day)
    return [list(runs.values()) for runs in found.values()]


class TestResistivityOfWafers:
    # e-Handbook 2.6.1, MPC61.DAT: 5 wafers, 2 runs of 6 days, 6 readings a day, unit Ω·cm. Results of probe 2362
    # seen; those of the other probes worked out.
    @pytest.mark.parametrize(
        ("probe", "s1", "s2", "s3"),
        [
            (2362, "0.07287", "0.03617", "0.0196"),
            (1, "0.0921", "0.04733", "0.0282"),
            (281, "0.11075", "0.04428", "0.03235"),
            (283, "0.09221", "0.04569", "0.03935"),
            (2062, "0.1520", "0.05752", "0.07334"),
        ],
    )
    def test_scatter_of_each_level(self, table: Table, probe: int, s1: str, s2: str, s3: str, printed: Printed) -> None:
        study = nested_study(standards_of(table("MPC61.DAT"), probe), readings=6)
        assert (study.repeatability, study.of_days) == (printed(s1), printed(s2))
        assert study.of_runs == pytest.approx(float(s3), abs=0.00006)  # 0.01965 is printed as 0.0196
        assert (study.repeatability_dof, study.of_days_dof, study.of_runs_dof) == (300, 50, 5)

    @pytest.mark.parametrize(("run", "s1", "s2"), [(0, "0.06751", "0.03334"), (1, "0.07786", "0.03879")])
    def test_scatter_of_each_run(self, table: Table, run: int, s1: str, s2: str, printed: Printed) -> None:
        days = [runs[run] for runs in standards_of(table("MPC61.DAT"), 2362)]
        first = precision_baseline([day.standard_deviation for one in days for day in one], 5.0)
        second, dof = pooled_standard_deviation([[day.mean for day in one] for one in days])
        assert (first.pooled_standard_deviation, first.dof) == (printed(s1), 150)
        assert (second, dof) == (printed(s2), 25)

    def test_scatter_of_each_wafer(self, table: Table, printed: Printed) -> None:
        # standard deviation of the days of run 1 and 2, difference of the runs, their standard deviation
        tabled = [
            ("0.03594", "0.04532", "-0.03145", "0.02224"),
            ("0.04722", "0.02147", "-0.00383", "0.00271"),
            ("0.02728", "0.02756", "-0.04080", "0.02885"),
            ("0.02319", "0.05369", "-0.01878", "0.01328"),
            ("0.02744", "0.03698", "-0.02895", "0.02047"),
        ]
        for runs, (first, second, difference, s) in zip(standards_of(table("MPC61.DAT"), 2362), tabled, strict=True):
            days = [[day.mean for day in one] for one in runs]
            means = [float(np.mean(one)) for one in days]
            assert [pooled_standard_deviation([one])[0] for one in days] == [printed(first), printed(second)]
            assert means[0] - means[1] == pytest.approx(float(difference), abs=0.0000101)  # of rounded means
            assert pooled_standard_deviation([means])[0] == printed(s)

    def test_what_days_and_runs_add(self, table: Table, printed: Printed) -> None:
        # formulas from memory, results worked out
        study = nested_study(standards_of(table("MPC61.DAT"), 2362), readings=6)
        assert study.days == printed("0.02057")
        assert study.runs_variance == pytest.approx(1.679e-4, abs=0.0005e-4)
        assert study.single_reading == printed("0.07682")
        assert study.notes == ()

    def test_pooling_five_wafers_is_as_printed(self, printed: Printed) -> None:
        # e-Handbook 2.4.4: ν s² of five wafers, 300 degrees of freedom, s1 = 0.10290 (seen)
        squares = (0.48115, 0.69209, 0.48483, 1.21752, 0.30076)
        pooled = precision_baseline([float(np.sqrt(square / 60.0)) for square in squares], 60.0)
        assert pooled.dof == 300
        assert pooled.pooled_standard_deviation == printed("0.10290")


class TestAVarianceBelowZero:
    # e-Handbook 2.4.4.1, MPC441.DAT: wafer 140, probe 2362 (data seen, results worked out)
    def test_is_set_to_zero_and_said(self, table: Table, printed: Printed) -> None:
        study = nested_study(standards_of(table("MPC441.DAT"), 2362), readings=6)
        assert (study.repeatability, study.repeatability_dof) == (printed("0.078714"), 60)
        assert (study.of_days, study.of_days_dof) == (printed("0.027422"), 10)
        assert (study.of_runs, study.of_runs_dof) == (printed("0.028850"), 1)
        assert study.days_variance < 0.0
        assert study.days == 0.0
        assert study.runs == printed("0.026589")
        assert study.notes == ("variance of the days came out below zero and is set to 0",)
