"""The built-in checks, each through a whole run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Measure = Callable[..., Any]

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "10 mm", deviation = "0 um", material = "steel" }
comparator = { resolution = "0.1 um", travel = "50 um", turn = "20 um", force = "0.25 N" }
part = { material = "aluminium" }
"""
SIZE = 'characteristics.t = { measure = "size", at = "a", nominal = "10 mm", lower = "-9 um", upper = "9 um" }\n'


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


ONE = steps('do = "zero", times = 2', 'do = "read", at = "a", times = 3', 'do = "return"')
READ = ["0", "0.1", "1.0", "1.1", "1.2", "0"]


def row(outcome: Any, name: str, characteristic: str = "t") -> dict[str, Any]:
    rows = [row for row in outcome.record["results"][characteristic]["budget"] if row["name"] == name]
    assert len(rows) == 1, [row["name"] for row in outcome.record["results"][characteristic]["budget"]]
    found: dict[str, Any] = rows[0]
    return found


def finding(outcome: Any, code: str) -> dict[str, Any]:
    found = [f for f in outcome.record["findings"] if f["code"] == code]
    assert len(found) == 1, [f["code"] for f in outcome.record["findings"]]
    one: dict[str, Any] = found[0]
    return one


class TestRepeatability:
    def test_the_zero_counts_once_and_the_readings_by_their_number(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + ONE, READ)
        # pooled by hand: squares 0.005 (zeros) + 0.02 (readings), 3 degrees of freedom
        s = (0.025 / 3) ** 0.5
        scatter = row(outcome, "repeatability, t")
        assert scatter["standard_uncertainty"] == pytest.approx(s * (1 / 3 + 1 / 2) ** 0.5)
        assert scatter["degrees_of_freedom"] == pytest.approx(3)

    def test_more_readings_do_not_shrink_the_zero_s_share(self, measure: Measure) -> None:
        pooled = 'checks.repeatability = { pooled = { standard = "0.5 um", dof = 30, of = "readings" } }\n'
        many = steps('do = "zero"', 'do = "read", at = "a", times = 100', 'do = "return"')
        outcome = measure(HEAD + SIZE + pooled + many, ["0", *["1"] * 100, "0"])
        assert row(outcome, "repeatability, t")["standard_uncertainty"] == pytest.approx(0.5 * (1 + 1 / 100) ** 0.5)

    def test_a_pooled_scatter_of_differences_is_divided_by_their_number(self, measure: Measure) -> None:
        # as GUM H.1.3.2: s/√n with the degrees of freedom of the pool
        pooled = 'checks.repeatability = { pooled = { standard = "0.5 um", dof = 24, of = "differences" } }\n'
        loop = 'do = "repeat", times = 4, steps = [ { do = "zero" }, { do = "read", at = "a" }, { do = "return" } ]'
        outcome = measure(HEAD + SIZE + pooled + steps(loop), ["0", "1", "0"] * 4)
        scatter = row(outcome, "repeatability, t")
        assert scatter["standard_uncertainty"] == pytest.approx(0.25)
        assert scatter["degrees_of_freedom"] == pytest.approx(24)

    def test_where_every_reading_has_its_own_zero_the_differences_scatter(self, measure: Measure) -> None:
        loop = 'do = "repeat", times = 3, steps = [ { do = "zero" }, { do = "read", at = "a" }, { do = "return" } ]'
        outcome = measure(HEAD + SIZE + steps(loop), ["0", "1", "0", "5", "7", "5", "0", "3", "0"])
        # differences 1, 2, 3: s = 1, two degrees of freedom
        scatter = row(outcome, "repeatability, t")
        assert scatter["standard_uncertainty"] == pytest.approx(1 / 3**0.5)
        assert scatter["degrees_of_freedom"] == pytest.approx(2)

    def test_scatter_beyond_its_limit_leaves_it_undecided(self, measure: Measure) -> None:
        limit = 'checks.repeatability = { limit = "0.2 um" }\n'
        outcome = measure(HEAD + SIZE + limit + ONE, ["0", "0.1", "1.0", "1.9", "1.2", "0"])
        assert outcome.codes("stop") == ["repeatability/limit"]
        assert outcome.code == 3

    def test_one_step_of_the_dial_is_no_outlier(self, measure: Measure) -> None:
        many = steps('do = "zero"', 'do = "read", at = "a", times = 6', 'do = "return"')
        outcome = measure(HEAD + SIZE + many, ["0", *["1.0"] * 5, "1.1", "0"])
        assert not [code for code in outcome.codes("doubt") if "outlier" in code]

    def test_a_dial_that_never_moves_is_asked_about(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + ONE, ["0"] * 6)
        assert "repeatability/stuck" in outcome.codes("doubt")

    def test_a_steady_creep_is_asked_about(self, measure: Measure) -> None:
        many = steps('do = "zero"', 'do = "read", at = "a", times = 8', 'do = "return"')
        creeping = [f"{3 - 0.2 * k + (0.05 if k % 2 else -0.05):.2f}" for k in range(8)]
        outcome = measure(HEAD + SIZE + many, ["0", *creeping, "0"])
        assert "repeatability/trend" in outcome.codes("doubt")

    def test_readings_that_only_scatter_do_not_creep(self, measure: Measure) -> None:
        many = steps('do = "zero"', 'do = "read", at = "a", times = 8', 'do = "return"')
        outcome = measure(HEAD + SIZE + many, ["0", "1.0", "1.2", "0.9", "1.1", "1.2", "0.9", "1.0", "1.1", "0"])
        assert "repeatability/trend" not in outcome.codes("doubt")


class TestZeroReturn:
    LINES = steps('do = "zero", times = 3', 'do = "read", at = "a", times = 3', 'do = "return", times = 3')
    LOOSE = 'bracket = { limit = "5 um" }\n'

    def test_a_drift_larger_than_its_uncertainty_is_taken_out_by_time(self, measure: Measure) -> None:
        # zero at 10 s, readings at 20 s, return at 30 s: half of the drift of 2 um at the readings
        answers = [(10.0, "0"), (10.0, "0.1"), (10.0, "-0.1"), *[(20.0, t) for t in ("2.0", "2.1", "1.9")]]
        answers += [(30.0, t) for t in ("2.0", "2.1", "1.9")]
        outcome = measure(HEAD + SIZE + self.LOOSE + self.LINES, answers)
        assert outcome.record["results"]["t"]["corrections_um"]["drift of zero 1.1"] == pytest.approx(-1.0)
        assert outcome.record["results"]["t"]["value_um"] == pytest.approx(1.0)
        # JCGM 100:2008, 5.2.2 eq. (13): the value is mean of the part less half of the zero less half of the return;
        # s = 0.1 with six degrees of freedom, each of them a mean of three (worked out)
        scatter = row(outcome, "repeatability, t")
        assert scatter["contribution_um"] == pytest.approx(0.1 * ((1 + 1 / 4 + 1 / 4) / 3) ** 0.5)
        assert scatter["degrees_of_freedom"] == pytest.approx(6)
        assert row(outcome, "drift of zero 1.1")["contribution_um"] == 0.0

    def test_a_drift_within_its_uncertainty_is_carried(self, measure: Measure) -> None:
        answers = [(10.0, "0"), (10.0, "0.1"), (10.0, "-0.1"), *[(20.0, t) for t in ("2.0", "2.1", "1.9")]]
        answers += [(30.0, t) for t in ("0.1", "0.2", "0.0")]
        outcome = measure(HEAD + SIZE + self.LOOSE + self.LINES, answers)
        assert outcome.record["results"]["t"]["corrections_um"]["drift of zero 1.1"] == 0.0
        assert row(outcome, "drift of zero 1.1")["contribution_um"] == pytest.approx(0.5 * 0.1 / 3**0.5)

    def test_without_times_the_order_stands_in_for_them(self, measure: Measure) -> None:
        outcome = measure(
            HEAD + SIZE + self.LOOSE + self.LINES, ["0", "0.1", "-0.1", "2", "2.1", "1.9", "2", "2.1", "1.9"]
        )
        assert outcome.record["results"]["t"]["corrections_um"]["drift of zero 1.1"] == pytest.approx(-1.0)


class TestCheckStandard:
    BLOCK = 'check_standard = { size = "10.012 mm", deviation = "+0.1 um", material = "steel", limit = "0.5 um" }\n'
    LINES = steps('do = "zero"', 'do = "check"', 'do = "read", at = "a", times = 3', 'do = "return"')

    def outcome(self, measure: Measure, reading: str) -> Any:
        return measure(HEAD + SIZE + self.BLOCK + self.LINES, ["0", reading, "1.0", "1.1", "1.2", "0"])

    def test_a_good_one_is_noted_with_its_distance(self, measure: Measure) -> None:
        outcome = self.outcome(measure, "12.3")
        assert outcome.code == 0
        assert finding(outcome, "check_standard/good")["data"]["expected_um"] == pytest.approx(12.1)

    @pytest.mark.parametrize(
        ("reading", "words"),
        [
            # it should read 12.1
            ("-12.1", "the sign turned round."),
            ("-11.8", "the sign turned round."),
            ("0.4764", "inches taken for millimetres."),
            ("1.21", "a decimal slip."),
            ("-7.9", "one turn of the dial missed."),
            ("32.4", "one turn of the dial too many."),
            ("0.2", "the reference still under the tip."),
            ("13.1", "dirt under the check standard, or a wrong gain (it shows 1.083 of what it should), or a wrong"),
            ("11.0", "dirt under the reference when the zero was set, or a wrong gain (it shows 0.909 of what it"),
            ("7.1", "a wrong gain (it shows 0.587 of what it should), or dirt under the reference"),
            ("2.1", "a wrong block or reference, or dirt under the reference when the zero was set."),
            ("42.1", "a wrong block or reference."),
        ],
    )
    def test_a_bad_one_stops_and_says_first_what_it_looks_most_like(
        self, measure: Measure, reading: str, words: str
    ) -> None:
        outcome = self.outcome(measure, reading)
        assert outcome.code == 3
        assert f"This looks like: {words}" in finding(outcome, "check_standard/limit")["text"]

    def test_a_bad_one_names_what_to_do_while_it_can_be_done(self, measure: Measure) -> None:
        outcome = self.outcome(measure, "2.1")
        (asked,) = {item.text for item in outcome.asked if item.code.startswith("check_standard/limit")}
        assert "Take the right one, wipe it, and give the zero up (z)" in asked
        assert "give the zero up" not in finding(outcome, "check_standard/limit")["text"]  # it is over

    def test_one_that_nobody_read_leaves_it_undecided(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + self.BLOCK + ONE, READ)
        assert outcome.codes("stop") == ["check_standard/unread"]


class TestThermal:
    def check(self, **keys: str) -> str:
        return "checks.thermal = { " + ", ".join(f"{key} = {value}" for key, value in keys.items()) + " }\n"

    def test_steps_measure_the_temperatures(self, measure: Measure) -> None:
        lines = steps(
            'do = "temperature", of = "part"',
            'do = "temperature", of = "reference"',
            'do = "zero"',
            'do = "read", at = "a", times = 3',
            'do = "return"',
        )
        outcome = measure(HEAD + SIZE + self.check() + lines, ["21", "20 degC", "0", "1", "1", "1", "0"])
        # the reference of 10 mm at 20 °C, 1 µm more read on aluminium at 21 °C: 10 001/(1 + 23.1e-6) − 10 001
        correction = outcome.record["results"]["t"]["corrections_um"]["correction to 20 degC"]
        assert correction == pytest.approx(-0.23101776, abs=1e-8)

    def test_one_thermometer_for_both_does_not_count_in_their_difference(self, measure: Measure) -> None:
        thermometer = 'thermometer = { name = "T", error = { halfwidth = "0.1 K" } }\n'
        same = HEAD.replace("aluminium", "steel") + self.check(expansion_difference='"0 1/K"')
        lines = steps(
            'do = "temperature", of = "part"',
            'do = "temperature", of = "reference"',
            'do = "zero"',
            'do = "read", at = "a", times = 3',
            'do = "return"',
        )
        outcome = measure(same + SIZE + thermometer + lines, ["21", "21", "0", "1", "1", "1", "0"])
        # but in the growth of the 1 µm that was read: 1 µm · 11.5e-6/K · 0.1 K/√3
        contribution = row(outcome, "error of the thermometer")["contribution_um"]
        assert contribution == pytest.approx(6.64e-7, rel=1e-3)

    def test_unknown_temperatures_leave_a_size_undecided(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + self.check() + ONE, READ)
        assert outcome.codes("stop") == ["thermal/temperature"]

    def test_an_unknown_material_leaves_a_size_undecided(self, measure: Measure) -> None:
        head = HEAD.replace("aluminium", "cheese")
        settings = self.check(part_temperature='"20 degC"', difference='"0 K"')
        outcome = measure(head + SIZE + settings + ONE, READ)
        assert outcome.codes("stop") == ["thermal/expansion"]

    @pytest.mark.parametrize(("temperature", "code"), [("18.9", "thermal/below"), ("21.1", "thermal/above")])
    def test_a_temperature_outside_its_limits_leaves_it_undecided(
        self, measure: Measure, temperature: str, code: str
    ) -> None:
        settings = self.check(lowest='"19 degC"', highest='"21 degC"', difference='"0 K"')
        lines = steps('do = "temperature", of = "part"', 'do = "zero"', 'do = "read", at = "a"', 'do = "return"')
        outcome = measure(HEAD + SIZE + settings + lines, [temperature, "0", "1", "0"])
        assert outcome.codes("stop") == [code]

    def test_a_difference_beyond_its_limit_leaves_it_undecided(self, measure: Measure) -> None:
        settings = self.check(
            part_temperature='"20.5 degC"', reference_temperature='"20 degC"', largest_difference='"0.2 K"'
        )
        assert measure(HEAD + SIZE + settings + ONE, READ).codes("stop") == ["thermal/difference"]

    STEP = 'characteristics.t = { measure = "step", at = "b", from = "a" }\n'
    TWO = steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')

    def test_a_step_within_a_part_grows_with_the_part_alone(self, measure: Measure) -> None:
        # nothing is said of the reference, and nothing need be
        outcome = measure(HEAD + self.STEP + self.check(part_temperature='"25 degC"') + self.TWO, ["0", "1", "31", "0"])
        # 30 µm of aluminium, 5 K above 20 °C: 30/(1 + 5·23.1e-6) − 30
        correction = outcome.record["results"]["t"]["corrections_um"]["correction to 20 degC"]
        assert correction == pytest.approx(-0.00346460, abs=1e-8)
        assert outcome.codes("stop") == []

    def test_a_small_step_stands_where_the_temperature_is_not_known(self, measure: Measure) -> None:
        assert measure(HEAD + self.STEP + self.check() + self.TWO, ["0", "1", "31", "0"]).codes("stop") == []
