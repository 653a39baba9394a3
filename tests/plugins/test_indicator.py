"""The indicator check: each term by hand, through a whole run."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero.estimate import Estimate, parse_estimate
from holdzero.hooks import CharacteristicView
from holdzero.montecarlo import draw
from holdzero.quantity import Dimension
from holdzero.views import view_of
from holdzero_plugins.checks.indicator import IndicatorSettings, corrections, cosine_loss, judge

Measure = Callable[..., Any]

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "10 mm", deviation = "0 um", material = "steel" }
comparator = { resolution = "0.1 um", travel = "200 um", force = "1 N" }
"""
SIZE = 'characteristics.t = { measure = "size", at = "a", nominal = "10 mm" }\n'
STEP = 'characteristics.t = { measure = "step", at = "b", from = "a" }\n'


def check(*keys: str) -> str:
    return "checks.indicator = { " + ", ".join(keys) + " }\n"


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


ONE = steps('do = "zero", times = 2', 'do = "read", at = "a", times = 3', 'do = "return"')
TWO = steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
READ = ["0", "0", "30", "30", "30", "0"]


def corrections_um(outcome: Any) -> dict[str, float]:
    taken: dict[str, float] = outcome.record["results"]["t"]["corrections_um"]
    return taken


def contribution_um(outcome: Any, name: str) -> float:
    (row,) = [row for row in outcome.record["results"]["t"]["budget"] if row["name"] == name]
    value: float = row["contribution_um"]
    return value


class TestNothingStated:
    def test_nothing_is_added(self, measure: Measure) -> None:
        plain = measure(HEAD + SIZE + ONE, READ).record["results"]["t"]
        with_check = measure(HEAD + SIZE + "checks.indicator = {}\n" + ONE, READ).record["results"]["t"]
        assert with_check["corrections_um"] == plain["corrections_um"]
        assert with_check["standard_uncertainty_um"] == plain["standard_uncertainty_um"]


class TestHysteresis:
    @pytest.mark.parametrize(("text", "lines", "answers"), [(SIZE, ONE, READ), (STEP, TWO, ["0", "1", "2", "0"])])
    def test_a_difference_carries_it_as_rectangular(
        self, measure: Measure, text: str, lines: str, answers: list[str]
    ) -> None:
        outcome = measure(HEAD + text + check('hysteresis = "0.3 um"') + lines, answers)
        assert contribution_um(outcome, "hysteresis of the indicator") == pytest.approx(0.3 / math.sqrt(3.0))
        assert corrections_um(outcome)["hysteresis of the indicator"] == 0.0

    def test_approached_from_one_side_it_is_noted_and_not_carried(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + check('hysteresis = "0.3 um"', 'approach = "same"') + ONE, READ)
        assert "hysteresis of the indicator" not in corrections_um(outcome)
        assert "indicator/hysteresis" in outcome.codes("note")


class TestTable:
    TABLE = (
        'table = [ { at = "-20 um", error = "0 um" }, { at = "20 um", error = "+0.4 um" }, '
        '{ at = "60 um", error = "-0.4 um" } ]'
    )
    TERM = "error of the indicator by its table"

    def test_reading_and_zero_are_each_taken_off_the_table(self, measure: Measure) -> None:
        # by hand: e(30) = 0.4 − 0.2 = 0.2 um, e(0) = 0.2 um; e(40) = 0
        outcome = measure(HEAD + SIZE + check(self.TABLE) + ONE, READ)
        assert corrections_um(outcome)[self.TERM] == pytest.approx(0.0)
        outcome = measure(HEAD + SIZE + check(self.TABLE) + ONE, ["0", "0", "40", "40", "40", "0"])
        assert corrections_um(outcome)[self.TERM] == pytest.approx(0.2)
        assert outcome.record["results"]["t"]["value_um"] == pytest.approx(40.2)

    def test_a_step_takes_the_difference_of_its_places(self, measure: Measure) -> None:
        # e(40) − e(20) = 0 − 0.4
        outcome = measure(HEAD + STEP + check(self.TABLE) + TWO, ["0", "20", "40", "0"])
        assert corrections_um(outcome)[self.TERM] == pytest.approx(0.4)

    def test_its_uncertainty_is_carried_once(self, measure: Measure) -> None:
        error = 'table_error = { expanded = "0.2 um", coverage = 2 }'
        outcome = measure(HEAD + SIZE + check(self.TABLE, error) + ONE, READ)
        assert contribution_um(outcome, "error of the table") == pytest.approx(0.1)

    @pytest.mark.parametrize("answers", [["0", "0", "30", "61", "30", "0"], ["-21", "-21", "9", "9", "9", "-21"]])
    def test_a_reading_beyond_it_leaves_it_undecided(self, measure: Measure, answers: list[str]) -> None:
        outcome = measure(HEAD + SIZE + check(self.TABLE) + ONE, answers)
        assert set(outcome.codes("stop")) == {"indicator/table"}
        assert outcome.code == 3

    def test_the_ends_of_the_table_belong_to_it(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + check(self.TABLE) + ONE, ["-20", "-20", "60", "60", "60", "-20"])
        assert outcome.codes("stop") == []


class TestTilt:
    def test_a_normal_tilt_as_in_the_gum(self) -> None:
        # JCGM 100:2008, F.2.4.4 (from memory): expectation σ²/2, variance σ⁴/2
        loss = cosine_loss(Estimate.of(0.0, 0.02))
        assert loss.value == pytest.approx(0.02**2 / 2.0)
        assert loss.standard_uncertainty == pytest.approx(0.02**2 / math.sqrt(2.0))

    def test_a_rectangular_tilt(self) -> None:
        # worked out: expectation a²/6, variance a⁴/45
        loss = cosine_loss(Estimate.within(0.0, 0.03))
        assert loss.value == pytest.approx(0.03**2 / 6.0)
        assert loss.standard_uncertainty == pytest.approx(0.03**2 / math.sqrt(45.0))

    def test_a_known_tilt_is_exact(self) -> None:
        loss = cosine_loss(Estimate.exact(0.03))
        assert loss.value == pytest.approx(1.0 - math.cos(0.03), rel=1e-3)
        assert loss.standard_uncertainty == 0.0

    @pytest.mark.parametrize(
        "raw",
        [
            {"halfwidth": "30 mrad"},
            {"halfwidth": "30 mrad", "shape": "triangular"},
            {"halfwidth": "30 mrad", "shape": "arcsine"},
            {"halfwidth": "30 mrad", "shape": "trapezoid", "inner": "10 mrad"},
            {"halfwidth": "30 mrad", "inexact": "20 mrad"},
            {"value": "10 mrad", "standard": "15 mrad"},
            [{"halfwidth": "20 mrad"}, {"value": "5 mrad", "halfwidth": "10 mrad", "shape": "arcsine"}],
        ],
    )
    def test_every_shape_agrees_with_draws_of_it(self, raw: Any) -> None:
        tilt = parse_estimate(raw, Dimension.ANGLE, about_zero=True)
        generator = np.random.default_rng(20)
        size = 400_000
        drawn = sum((draw(part, generator, size) for part in tilt.parts), start=np.zeros(size))
        lost = 1.0 - np.cos(drawn)
        loss = cosine_loss(tilt)
        # the mean of so many draws is good to 0.2 %, their scatter to 0.5 %; θ⁴/24 adds 0.01 %
        assert loss.value == pytest.approx(lost.mean(), rel=0.008)
        assert loss.standard_uncertainty == pytest.approx(lost.std(), rel=0.015)

    def test_the_travel_is_shortened(self, measure: Measure) -> None:
        # by hand: 2° rectangular is a = 34.9 mrad, a²/6 = 2.03e-4 of 100 um
        outcome = measure(
            HEAD + SIZE + check('tilt = { halfwidth = "2 deg" }') + ONE, ["0", "0", "100", "100", "100", "0"]
        )
        assert corrections_um(outcome)["tilt of the plunger"] == pytest.approx(-0.0203, abs=0.00005)
        a = math.radians(2.0)
        assert contribution_um(outcome, "cosine loss") == pytest.approx(100.0 * a**2 / math.sqrt(45.0))

    def test_below_the_reference_it_is_shortened_too(self, measure: Measure) -> None:
        # trade tables: 2° is 0.061 % of the travel (calculated)
        outcome = measure(HEAD + SIZE + check('tilt = "2 deg"') + ONE, ["0", "0", "-100", "-100", "-100", "0"])
        assert corrections_um(outcome)["tilt of the plunger"] == pytest.approx(0.061, abs=0.0005)


class TestStand:
    TERM = "deflection of the stand"

    def test_a_change_of_force_about_zero_is_carried(self, measure: Measure) -> None:
        keys = 'deflection = "0.24 um/N"', 'force_change = { halfwidth = "0.1 N" }'
        outcome = measure(HEAD + SIZE + check(*keys) + ONE, READ)
        assert corrections_um(outcome)[self.TERM] == 0.0
        assert contribution_um(outcome, "change of the contact force") == pytest.approx(0.024 / math.sqrt(3.0))

    def test_a_larger_force_on_the_part_makes_it_read_short(self, measure: Measure) -> None:
        lines = steps('do = "zero"', 'do = "read", at = "a", force = "1.5 N"', 'do = "return"')
        keys = ('deflection = { value = "0.2 um/N", halfwidth = "0.05 um/N" }',)
        outcome = measure(HEAD + SIZE + check(*keys) + lines, ["0", "1", "0"])
        assert corrections_um(outcome)[self.TERM] == pytest.approx(0.1)
        assert contribution_um(outcome, self.TERM) == pytest.approx(0.5 * 0.05 / math.sqrt(3.0))
        assert "indicator/deflection" not in outcome.codes("doubt")

    def test_it_cancels_in_a_step(self, measure: Measure) -> None:
        keys = 'deflection = "0.24 um/N"', 'force_change = { halfwidth = "0.1 N" }'
        outcome = measure(HEAD + STEP + check(*keys) + TWO, ["0", "1", "2", "0"])
        assert self.TERM not in corrections_um(outcome)

    def test_a_deflection_that_nothing_moves_is_refused(self, measure: Measure) -> None:
        outcome = measure(HEAD + SIZE + check('deflection = "0.24 um/N"') + ONE, READ)
        assert outcome.code == 2
        assert "checks.indicator.deflection: found a deflection, and one force everywhere" in outcome.said


class TestSettings:
    @pytest.mark.parametrize(
        ("keys", "words"),
        [
            (('table = [ { at = "0 um", error = "0 um" } ]',), "two points"),
            (('table = [ { at = "9 um", error = "0 um" }, { at = "0 um", error = "0 um" } ]',), "rising order"),
            (('table = [ { at = "9 um", error = "0 um" }, { at = "9 um", error = "1 um" } ]',), "rising order"),
            (('table_error = { halfwidth = "0.1 um" }',), "add table"),
            (('force_change = { halfwidth = "0.1 N" }',), "add deflection"),
            (('tilt = { halfwidth = "2 mm" }',), "angle"),
            (('approach = "up"',), "approach"),
        ],
    )
    def test_what_can_t_be_is_refused(self, measure: Measure, keys: tuple[str, ...], words: str) -> None:
        outcome = measure(HEAD + SIZE + check(*keys) + ONE, READ)
        assert outcome.code == 2
        assert words in outcome.said


class TestRuns:
    SETTINGS = IndicatorSettings.model_validate(
        {
            "hysteresis": "0.1 um",
            "table": [{"at": "-5 um", "error": "0 um"}, {"at": "50 um", "error": "1 um"}],
            "table_error": {"halfwidth": "0.1 um"},
            "tilt": {"halfwidth": "3 deg"},
            "deflection": "0.2 um/N",
            "force_change": {"value": "0.1 N", "halfwidth": "0.1 N"},
        }
    )

    def seen(self, start: Callable[..., Any], *values: Any) -> tuple[Any, CharacteristicView]:
        """A view whose readings are these numbers, whatever was typed."""
        view = view_of(start(HEAD + SIZE + ONE).answer(*READ).run.state, "1")
        readings = tuple(replace(r, value_um=v) for r, v in zip(view.readings, values, strict=True))
        view = replace(view, readings=readings)
        spec = view.routine.characteristics["t"]
        own = tuple(r for r in readings if r.slot.place)
        return view, CharacteristicView(name="t", spec=spec, readings=own, weights=(1 / 3,) * 3)

    def test_arrays_go_the_same_way_as_floats(self, start: Callable[..., Any]) -> None:
        rows = np.array([[0.0, 0.0, 30.0, 31.0, 32.0, 0.0], [1.0, 2.0, -4.0, 40.0, 10.0, 0.5]])
        together = self.values(*self.seen(start, *rows.T))
        one_by_one = [self.values(*self.seen(start, *map(float, row))) for row in rows]
        for name, values in together.items():
            expected = [one[name] for one in one_by_one]
            assert np.broadcast_to(values, 2) == pytest.approx(expected), name

    def values(self, view: Any, seen: CharacteristicView) -> dict[str, Any]:
        return {
            term.name: term.function(*(item.estimate.value for item in term.inputs))
            for term in corrections(self.SETTINGS, view, seen)
        }

    def test_runs_beyond_the_table_are_told_apart(self, start: Callable[..., Any]) -> None:
        rows = np.array([[0.0, 0.0, 30.0, 31.0, 32.0, 0.0], [0.0, 0.0, 30.0, 51.0, 32.0, 0.0]])
        view, seen = self.seen(start, *rows.T)
        found = [f for f in judge(self.SETTINGS, view, [seen]) if f.code == "indicator/table"]
        assert np.any([np.broadcast_to(f.holds, 2) for f in found], axis=0).tolist() == [False, True]
