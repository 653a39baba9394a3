"""Comparison designs: published multipliers, factors and limits, through least squares and the tool.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, sections 2.3.3 and 2.3.4. A page is named
where it was seen; "computed" is a number that nobody published: it was worked out
beforehand, by itself, from the published rule.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from holdzero_plugins.checks._designs import Array, Solution, f_quantile, half_steps, solved


def rows_of(pairs: Sequence[tuple[int, int]]) -> Array:
    """A design from its pairs, items counted from 1: the first less the second."""
    made = np.zeros((len(pairs), max(max(pair) for pair in pairs)))
    for row, (first, second) in zip(made, pairs, strict=True):
        row[first - 1], row[second - 1] = 1.0, -1.0
    return made


def solution_of(pairs: Sequence[tuple[int, int]], masters: Sequence[int], *effects: Array) -> Solution:
    rows = rows_of(pairs)
    restraint = np.array([1.0 if item + 1 in masters else 0.0 for item in range(rows.shape[1])])
    nuisance = np.stack(effects, axis=-1) if effects else np.zeros((len(rows), 0))
    return solved(rows, restraint, nuisance)


def factors_of(solution: Solution) -> Array:
    """What an item's standard deviation is in units of that of a difference [1]."""
    factors: Array = np.linalg.norm(solution.items, axis=1)
    return factors


def scaled(solution: Solution, divisor: int) -> Array:
    """Multipliers as a catalogue prints them: a line for each observation, a column for each item."""
    multipliers: Array = divisor * solution.items.T
    return multipliers


class TestOneReferenceOneCheckOneTest:
    # design 1,1,1: pages mpc332 and mpc3411 (seen)
    SOLUTION = solution_of([(1, 2), (1, 3), (2, 3)], [1])

    def test_its_multipliers_are_as_printed_with_divisor_3(self) -> None:
        printed = [[0, -2, -1], [0, -1, -2], [0, 1, -1]]
        assert scaled(self.SOLUTION, 3) == pytest.approx(np.array(printed), abs=1e-12)

    def test_its_factors_are_as_printed(self) -> None:
        assert factors_of(self.SOLUTION) == pytest.approx([0.0, 0.8165, 0.8165], abs=5e-5)

    def test_one_degree_of_freedom_is_left(self) -> None:
        assert self.SOLUTION.dof == 1


class TestTwoReferencesTwoTests:
    # design 1,1,1,1: page mpc3334 (seen; minus signs lost in the copy and restored)
    SOLUTION = solution_of([(1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4)], [1, 2])

    def test_the_two_tests_have_the_printed_multipliers_with_divisor_8(self) -> None:
        assert 8.0 * self.SOLUTION.items[2] == pytest.approx([0, -3, -1, -3, -1, 2], abs=1e-12)
        assert 8.0 * self.SOLUTION.items[3] == pytest.approx([0, -1, -3, -1, -3, -2], abs=1e-12)

    def test_factors_and_degrees_of_freedom_are_as_printed(self) -> None:
        assert factors_of(self.SOLUTION) == pytest.approx([0.3536, 0.3536, 0.6124, 0.6124], abs=5e-5)
        assert np.linalg.norm(self.SOLUTION.items[0] - self.SOLUTION.items[1]) == pytest.approx(0.7071, abs=5e-5)
        assert self.SOLUTION.dof == 3


FOUR_PAIRS = [(1, 2), (4, 1), (3, 4), (2, 3), (2, 4), (4, 1), (1, 3), (3, 2)]


class TestFourBlocksEightReadings:
    # 2.3.4.2.12, page mpc342c (seen): design, multipliers, divisor 168, factors
    PRINTED = (
        (35, -35, -7, 7),
        (-14, 14, 14, 42),
        (-7, 7, 35, -35),
        (-14, 14, -42, -14),
        (-21, 21, -7, -49),
        (-14, 14, 14, 42),
        (21, -21, -49, -7),
        (14, -14, 42, 14),
    )
    DRIFT = (-7, -5, -3, -1, 1, 3, 5, 7)
    SOLUTION = solution_of(FOUR_PAIRS, [1, 2], half_steps(8))

    def test_the_multipliers_are_as_printed(self) -> None:
        assert scaled(self.SOLUTION, 168) == pytest.approx(np.array(self.PRINTED), abs=1e-10)

    def test_the_drift_multipliers_are_as_printed(self) -> None:
        # Σ of their squares is 168
        assert 168.0 * self.SOLUTION.nuisance[0] == pytest.approx(self.DRIFT, abs=1e-10)

    def test_the_factors_are_as_printed(self) -> None:
        assert factors_of(self.SOLUTION) == pytest.approx([0.3227, 0.3227, 0.5204, 0.5204], abs=5e-5)

    def test_the_factor_of_the_check_standard_is_as_printed(self) -> None:
        check = self.SOLUTION.items[0] - self.SOLUTION.items[1]
        assert np.linalg.norm(check) == pytest.approx(0.6455, abs=5e-5)

    def test_four_degrees_of_freedom_are_left(self) -> None:
        assert self.SOLUTION.dof == 4

    def test_with_one_block_alone_as_restraint(self) -> None:
        # computed
        alone = solution_of(FOUR_PAIRS, [1], half_steps(8))
        assert factors_of(alone) == pytest.approx([0.0, 0.6455, 0.6455, 0.5774], abs=5e-5)


class TestFiveBlocksTenReadings:
    # 2.3.4.2.13, page mpc342d (seen): design, multipliers, divisor 330, factors
    PAIRS = ((1, 2), (2, 3), (3, 4), (4, 5), (5, 1), (4, 1), (2, 4), (5, 2), (3, 5), (1, 3))
    PRINTED = (
        (66, -66, 0, 0, 0),
        (-33, 33, -99, -33, -33),
        (0, 0, 66, -66, 0),
        (0, 0, 0, 66, -66),
        (-33, 33, 33, 33, 99),
        (-33, 33, 33, 99, 33),
        (-33, 33, -33, -99, -33),
        (33, -33, 33, 33, 99),
        (0, 0, 66, 0, -66),
        (33, -33, -99, -33, -33),
    )
    SOLUTION = solution_of(PAIRS, [1, 2], half_steps(10))

    def test_the_multipliers_are_as_printed(self) -> None:
        assert scaled(self.SOLUTION, 330) == pytest.approx(np.array(self.PRINTED), abs=1e-10)

    def test_the_factors_are_as_printed(self) -> None:
        assert factors_of(self.SOLUTION) == pytest.approx([0.3162, 0.3162, 0.5477, 0.5477, 0.5477], abs=5e-5)
        items = self.SOLUTION.items
        assert np.linalg.norm(items[2] + items[3]) == pytest.approx(0.8944, abs=5e-5)
        assert np.linalg.norm(items[2] + items[3] + items[4]) == pytest.approx(1.2247, abs=5e-5)
        assert np.linalg.norm(items[0] - items[1]) == pytest.approx(0.6325, abs=5e-5)

    def test_five_degrees_of_freedom_are_left(self) -> None:
        assert self.SOLUTION.dof == 5


class TestFourBlocksTwelveReadings:
    # NIST Monograph 180, 5.6.2 (order of the pairs from memory); factors computed
    PAIRS = (
        (1, 2), (4, 1), (3, 4), (2, 1), (2, 3), (4, 2), (1, 3), (2, 4), (1, 4), (3, 2), (3, 1), (4, 3),
    )  # fmt: skip
    SOLUTION = solution_of(PAIRS, [1], half_steps(12))

    def test_every_other_block_has_half_the_scatter_of_a_difference(self) -> None:
        assert factors_of(self.SOLUTION) == pytest.approx([0.0, 0.5, 0.5, 0.5], abs=1e-12)
        assert self.SOLUTION.dof == 8

    def test_a_constant_and_a_linear_drift_drop_out(self) -> None:
        assert self.SOLUTION.items @ np.ones(12) == pytest.approx(np.zeros(4), abs=1e-12)
        assert self.SOLUTION.items @ half_steps(12) == pytest.approx(np.zeros(4), abs=1e-12)


class TestLeftRightBalance:
    def test_three_items_six_readings(self) -> None:
        # page mpc3431 (seen): divisor 6, the rows of the design themselves, and 1 for the bias
        pairs = ((1, 2), (1, 3), (2, 3), (2, 1), (3, 1), (3, 2))
        solution = solution_of(pairs, [1, 2, 3], np.ones(6))
        assert scaled(solution, 6) == pytest.approx(rows_of(pairs), abs=1e-12)
        assert 6.0 * solution.nuisance[0] == pytest.approx(np.ones(6), abs=1e-12)
        assert factors_of(solution) == pytest.approx([0.3333] * 3, abs=5e-5)
        assert solution.dof == 3

    def test_four_items_twelve_readings(self) -> None:
        # page mpc3432 (seen): divisor 8, factor 0.3062, 8 degrees of freedom. The printed bias
        # column, 1/8 each, is no mean of twelve: a misprint, and 1/12 here.
        pairs = ((1, 2), (1, 3), (2, 3), (2, 4), (3, 4), (3, 1), (3, 2), (4, 2), (4, 1), (4, 3), (2, 1), (1, 4))
        solution = solution_of(pairs, [1, 2, 3, 4], np.ones(12))
        assert scaled(solution, 8) == pytest.approx(rows_of(pairs), abs=1e-12)
        assert factors_of(solution) == pytest.approx([0.3062] * 4, abs=5e-5)
        assert solution.nuisance[0] == pytest.approx(np.full(12, 1 / 12), abs=1e-12)
        assert solution.dof == 8


class TestLimits:
    @pytest.mark.parametrize(
        ("dof", "of_accepted", "limit"),
        # computed; the second is the limit of an accepted scatter with 351 degrees of freedom
        [(8, math.inf, 2.51), (4, 351, 3.37), (3, 351, 3.84)],
    )
    def test_the_one_percent_limit_of_the_variance_ratio(self, dof: float, of_accepted: float, limit: float) -> None:
        assert f_quantile(0.99, dof, of_accepted) == pytest.approx(limit, abs=0.005)

    def test_the_limit_of_the_kilogram_example(self) -> None:
        # page mpc3511 (seen): s_p·√F(.99; 3, 351); its value, 1.96 s_p, is computed
        assert math.sqrt(f_quantile(0.99, 3, 351)) == pytest.approx(1.96, abs=0.005)


HEAD = """\
format = 1
routine = { title = "Comparison", part = "X" }
reference = { name = "S", size = "25 mm", deviation = "0 um" }
comparator = { resolution = "0.001 um" }
bracket = { limit = "1 um" }
"""


def routine_of(characteristics: str, settings: str, places: str) -> str:
    reads = "".join(f'  {{ do = "read", at = "{place}" }},\n' for place in places)
    checks = f"checks.drift = {{ {settings} }}\n"
    return f'{HEAD}{characteristics}{checks}steps = [\n  {{ do = "zero" }},\n{reads}  {{ do = "return" }}\n]\n'


def finding(record: dict[str, Any], code: str) -> dict[str, Any]:
    (one,) = [f for f in record["findings"] if f["code"] == code]
    found: dict[str, Any] = one
    return found


class TestTwoBlocksThroughTheTool:
    """X R R X, page mpc3312 (seen) for the rule; the readings and all that comes of them are computed."""

    TEXT = routine_of('characteristics.x = { measure = "size", at = "X", from = "R" }\n', "", "XRRX").replace(
        'from = "R"', 'from = "R", nominal = "25 mm"'
    )
    READ = ("0", "0.124", "0.027", "0.075", "0.238", "0.1")

    def test_the_difference_is_the_handbook_s(self, measure: Callable[..., Any]) -> None:
        # D = ((Y1 − Y2) − (Y3 − Y4))/2
        assert measure(self.TEXT, self.READ).record["results"]["x"]["value_um"] == pytest.approx(0.130, abs=5e-4)

    def test_drift_and_scatter_are_those_of_least_squares(self, measure: Callable[..., Any]) -> None:
        # 0.0195 um for a half step (the handbook's own rule, less precise, gives 0.0165); a step is two
        data = finding(measure(self.TEXT, self.READ).record, "drift/design")["data"]
        assert data["drift_um"] / 2.0 == pytest.approx(0.0195, abs=5e-5)
        assert data["s_um"] == pytest.approx(0.0067, abs=5e-5)
        assert data["degrees_of_freedom"] == 1

    def test_the_difference_scatters_like_a_single_reading(self, measure: Callable[..., Any]) -> None:
        # var D = s²; of the drift per half step s²/20
        record = measure(self.TEXT, self.READ).record
        (row,) = [r for r in record["results"]["x"]["budget"] if r["name"] == "repeatability, x"]
        data = finding(record, "drift/design")["data"]
        assert row["standard_uncertainty"] == pytest.approx(data["s_um"], rel=1e-9)
        assert data["drift_standard_um"] / 2.0 == pytest.approx(data["s_um"] / math.sqrt(20.0), rel=1e-9)


class TestFourBlocksThroughTheTool:
    """The design of page mpc342c (seen) with synthetic readings; all numbers of the example are computed.

    True deviations S 0.030, C −0.040, X 0.120, Y −0.090 um, drift 0.004 um for a half step, noise
    0.010 um; the mean of S and C is known, −0.005 um.
    """

    BLOCKS = ("S", "C", "X", "Y")
    DIFFERENCES = (0.055, -0.165, 0.198, -0.163, 0.053, -0.095, -0.061, 0.190)
    RESULT = (("X", 0.1161), ("Y", -0.0925))
    ACCEPTED = 'accepted = { standard = "0.010 um", dof = 351 }'
    CHECK = 'check = { place = "C", against = "S", value = { value = "-0.070 um", standard = "0.010 um" } }'

    def record(self, measure: Callable[..., Any], base: str = '["S", "C"]', deviation: str = "-0.005 um") -> Any:
        places = "".join(self.BLOCKS[item - 1] for pair in FOUR_PAIRS for item in pair)
        # single readings whose differences are those above: the second of a pair reads 0.2
        answers = [text for y in self.DIFFERENCES for text in (f"{0.2 + y:.3f}", "0.2")]
        beside = {"X": ["Y"], "Y": ["X"]}
        if base == '["S"]':
            beside = {name: ["C", *others] for name, others in beside.items()}
        lines = "".join(
            f'characteristics.{name} = {{ measure = "size", at = "{name}", from = {base}, '
            f'with = {others}, nominal = "25 mm" }}\n'.replace("'", '"')
            for name, others in beside.items()
        )
        text = routine_of(lines, f'design = "pairs", {self.ACCEPTED}, {self.CHECK}', places)
        text = text.replace('deviation = "0 um"', f'deviation = "{deviation}"')
        return measure(text, ["0", *answers, "0"]).record

    def test_the_test_blocks_come_out(self, measure: Callable[..., Any]) -> None:
        results = self.record(measure)["results"]
        for name, value in self.RESULT:
            assert results[name]["value_um"] == pytest.approx(value, abs=5e-5)

    def test_with_one_master_as_restraint(self, measure: Callable[..., Any]) -> None:
        results = self.record(measure, '["S"]', "0.030 um")["results"]
        assert results["X"]["value_um"] == pytest.approx(0.1111, abs=5e-5)
        assert results["Y"]["value_um"] == pytest.approx(-0.0975, abs=5e-5)

    def test_scatter_and_drift(self, measure: Callable[..., Any]) -> None:
        found = [f for f in self.record(measure)["findings"] if f["code"] == "drift/design"]
        assert [f["characteristic"] for f in found] == ["X", "Y"]
        for one in found:
            assert one["data"]["left_over_um"] == pytest.approx(0.0127, abs=5e-5)
            assert one["data"]["left_over_dof"] == 4
            assert one["data"]["drift_um"] / 2.0 == pytest.approx(0.0048, abs=5e-5)

    def test_the_uncertainty_is_the_published_factor_times_the_accepted_scatter(
        self, measure: Callable[..., Any]
    ) -> None:
        # factor 0.5204, page mpc342c (seen), times the repeatability standard deviation of the process, page mpc3333
        # (seen): the F-test passes; u = 0.0052 um computed
        record = self.record(measure)
        for name in ("X", "Y"):
            (row,) = [r for r in record["results"][name]["budget"] if r["name"] == f"repeatability, {name}"]
            assert row["standard_uncertainty"] / 0.010 == pytest.approx(0.5204, abs=5e-5)
            assert row["degrees_of_freedom"] == pytest.approx(351)

    def test_the_record_says_which_scatter_counts_and_why(self, measure: Callable[..., Any]) -> None:
        for one in (f for f in self.record(measure)["findings"] if f["code"] == "drift/design"):
            assert (one["data"]["s_um"], one["data"]["degrees_of_freedom"]) == pytest.approx((0.010, 351))
            assert "351 degrees of freedom, accepted, of earlier runs, as the F-test allows" in one["text"]

    def test_the_run_passes_its_controls(self, measure: Callable[..., Any]) -> None:
        # F = 1.61 < 3.37; C less S is −0.0801 um, with an uncertainty of its own of 0.6455·0.010 um
        record = self.record(measure)
        scatter = next(f for f in record["findings"] if f["code"] == "drift/scatter_good")["data"]
        assert (scatter["f"], scatter["limit"]) == pytest.approx((1.61, 3.37), abs=0.005)
        check = next(f for f in record["findings"] if f["code"] == "drift/check_good")["data"]
        assert check["off_um"] == pytest.approx(-0.0801 + 0.070, abs=5e-5)
        assert check["standard_um"] == pytest.approx(math.hypot(0.006455, 0.010), abs=5e-7)
        assert record["verdict"] == "reported"


class TestPooledScatterOfASubstitution:
    """EA-4/02, supplement, example S2 (from memory; computed through): a mass compared three times as S U U S.

    Readings in grams there, 10 nm here: the three differences are 0.010, 0.030 and 0.020 with s = 0.010, and 0.025, of
    earlier runs, counts in its place: u = 0.025/√3 = 0.0144. A difference of S U U S scatters like a single reading.
    The degrees of freedom of the earlier runs, which the example does not state, are invented.
    """

    READ = (
        *("0.010", "0.020", "0.025", "0.015"),
        *("0.025", "0.050", "0.055", "0.020"),
        *("0.025", "0.045", "0.040", "0.020"),
    )

    def record(self, measure: Callable[..., Any], settings: str) -> Any:
        line = 'characteristics.x = { measure = "size", at = "U", from = "S", nominal = "25 mm" }\n'
        return measure(routine_of(line, settings, "SUUSSUUSSUUS"), ["0", *self.READ, "0"]).record

    def test_value_and_uncertainty_are_the_example_s(self, measure: Callable[..., Any]) -> None:
        record = self.record(measure, 'accepted = { standard = "0.025 um", dof = 60 }')
        result = record["results"]["x"]
        (row,) = [r for r in result["budget"] if r["name"] == "repeatability, x"]
        assert result["value_um"] == pytest.approx(0.020, abs=1e-9)
        assert row["standard_uncertainty"] == pytest.approx(0.0144, abs=5e-5)
        assert row["degrees_of_freedom"] == pytest.approx(60)

    def test_a_run_that_scatters_more_than_that_allows_counts_with_its_own(self, measure: Callable[..., Any]) -> None:
        record = self.record(measure, 'accepted = { standard = "0.005 um", dof = 60 }')
        data = finding(record, "drift/design")["data"]
        assert "drift/scatter" in {f["code"] for f in record["findings"] if f["level"] == "stop"}
        assert (data["s_um"], data["degrees_of_freedom"]) == (data["left_over_um"], 9)
