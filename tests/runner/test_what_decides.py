"""Faults of what decides that no other test would see: each is a sentence of what the tool promises."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from holdzero import events as e
from holdzero.testing import PLAIN
from holdzero.views import view_of

Measure = Callable[..., Any]
Start = Callable[..., Any]

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.1 um", travel = "50 um" }
bracket = { limit = "0.5 um", longest_absence = "10 min" }
"""
SIZE = 'characteristics.thickness = { measure = "size", at = "a", nominal = "5 mm", lower = "-3 um", upper = "3 um" }\n'
OTHER = SIZE.replace("thickness", "other").replace('"a"', '"b"')


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


TWO = steps('do = "zero"', 'do = "read", at = "a"', 'do = "return"', 'do = "read", at = "b"', 'do = "return"')


class TestABracket:
    def test_is_judged_by_the_return_that_opens_it_and_the_one_that_closes_it(self, measure: Measure) -> None:
        record = measure(HEAD + SIZE + OTHER + TWO, ["0", "1", "2", "1", "0.1"]).record
        verdicts = {name: result["verdict"] for name, result in record["results"].items()}
        assert verdicts == {"thickness": "undecided", "other": "undecided"}


class TestAZeroThatWasGivenUp:
    @pytest.mark.parametrize(
        ("first", "second", "asked"),
        [("0", "9", "read b"), ("9", "0", "read a"), ("0", "0", "compare"), ("9", "9", "read a")],
    )
    def test_leaves_what_the_next_return_after_it_closed(
        self, start: Start, first: str, second: str, asked: str
    ) -> None:
        bench = start(HEAD + SIZE.replace('"a"', '["a", "b"]') + TWO)
        bench.answer("0", "1", first, "2", second).take(e.ZeroRenewed, reason="the zero went away")
        if bench.asked() == "zero":
            bench.answer("0")
        assert bench.asked() == asked


class TestASimulation:
    # One rectangular error of ±2 um beside little else, and a value 1.84 um from its limit: the probability that the
    # part is good is 1.92/2 = 96 %, which a normal distribution does not reach (1.645/√3·2 um = 1.90 um).
    ROUTINE = PLAIN.replace('travel = "50 um"', 'travel = "50 um"\nerror = { halfwidth = "2 um" }')
    ANSWERS = ("0", "0", "0", *["1.16"] * 3, "0")

    @pytest.mark.parametrize(
        ("trials", "verdict"), [("50000", "undecided"), ("99999", "undecided"), ("100000", "pass")]
    )
    def test_decides_from_100_000_trials_on(self, measure: Measure, trials: str, verdict: str) -> None:
        record = measure(self.ROUTINE, self.ANSWERS, trials=trials).record
        assert record["results"]["thickness"]["verdict"] == verdict

    def test_decides_nothing_where_it_agrees_with_propagation(self, measure: Measure) -> None:
        text = self.ROUTINE.replace('halfwidth = "2 um"', 'standard = "1 um"')
        result = measure(text, ("0", "0", "0", "1", "1", "1", "0"), trials="1000000").record["results"]["thickness"]
        # Normal: 1.645 times u, and a probability that no simulation gave.
        assert result["guard_band_um"] == pytest.approx(1.645 * result["standard_uncertainty_um"], rel=1e-3)
        assert "Monte Carlo" not in result["rule"]

    def test_decides_nothing_where_it_did_not_become_stable(self, measure: Measure) -> None:
        # Two readings have one degree of freedom, and no standard deviation that could (JCGM 101:2008, 6.4.9.4).
        text = PLAIN.replace("times = 3\nsteps", "times = 2\nsteps").replace("times = 3", "times = 1")
        outcome = measure(text, ("0", "1.0", "1.4", "0"), trials="adaptive")
        assert "model/unstable" in outcome.codes("doubt")
        result = outcome.record["results"]["thickness"]
        assert result["guard_band_um"] is not None
        assert "Monte Carlo" not in result["rule"]

    def test_decides_nothing_without_limits(self, measure: Measure) -> None:
        text = self.ROUTINE.replace('lower = "-3 um"\nupper = "+3 um"\n', "")
        result = measure(text, self.ANSWERS, trials="100000").record["results"]["thickness"]
        assert (result["verdict"], result["conformance_probability"]) == ("reported", None)


class TestTheFindings:
    def test_stand_with_the_gravest_first(self, measure: Measure) -> None:
        outcome = measure(TestASimulation.ROUTINE, (*TestASimulation.ANSWERS[:-1], "9"), trials="50000")
        levels = [finding["level"] for finding in outcome.record["findings"]]
        assert set(levels) == {"stop", "doubt", "note"}
        assert levels == sorted(levels, key=["stop", "doubt", "note"].index)


class TestTheRisks:
    def test_are_of_the_values_that_pass(self, measure: Measure) -> None:
        process = '[decision]\nprocess = { value = "-2 um", standard = "0.9 um" }\n\n[[steps]]'
        text = PLAIN.replace("[[steps]]", process, 1)
        text = text.replace('travel = "50 um"', 'travel = "50 um"\nerror = { standard = "0.5 um" }')
        result = measure(text).record["results"]["thickness"]
        u, (low, high) = result["standard_uncertainty_um"], result["acceptance_um"]
        assert low > -3.0
        measured = stats.norm(-2.0, math.hypot(0.9, u))
        assert result["global_risk"]["accepted"] == pytest.approx(measured.cdf(high) - measured.cdf(low), abs=1e-6)


WATCHER = """
from holdzero.hooks import *
from holdzero.hooks import Settings


def watch(settings, run):
    values = [r.value_um for r in run.readings if r.kind is SlotKind.READ]
    if any(value > 2.0 for value in values):
        yield Finding(level=Level.DOUBT, code="seen/high", text=f"part {run.serial}: {values}")


@hookimpl
def holdzero_checks():
    return [Check(name="seen", title="says what it sees", settings=Settings, watch=watch)]
"""


class TestTheChecks:
    def test_watch_the_part_that_was_read_last(self, measure: Measure, tmp_path: Path) -> None:
        path = tmp_path / "seen.py"
        path.write_text(WATCHER, "utf-8")
        loop = 'do = "repeat", over = "parts", steps = [ { do = "read", at = "a" } ]'
        text = HEAD + SIZE + "checks.seen = {}\n" + steps('do = "zero"', loop, 'do = "return"')
        outcome = measure(text, ["0", "2.5", "1", "0"], plugins=[path], serials=("7", "8"))
        # At once, though what is asked for next is of part 8.
        first = outcome.asked[0]
        assert (first.text, first.after) == ("part 7: [2.5]", 2)

    def test_see_the_temperatures_that_were_read_before_the_parts(self, start: Start) -> None:
        loop = (
            'do = "repeat", over = "parts", steps = [ { do = "temperature", of = "part" }, { do = "read", at = "a" } ]'
        )
        lines = steps('do = "temperature", of = "reference"', 'do = "zero"', loop, 'do = "return"')
        bench = start(HEAD + SIZE + lines, serials=("7", "8"))
        bench.answer("20.1", "0", "20.2", "1", "20.3", "1", "0")
        seen = {serial: [t.value_degC for t in view_of(bench.run.state, serial).temperatures] for serial in ("7", "8")}
        assert seen == {"7": [20.1, 20.2], "8": [20.1, 20.3]}
