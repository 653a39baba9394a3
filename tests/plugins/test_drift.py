"""The drift check: which readings make a design, what stops one, and its controls, through whole runs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.evaluate import evaluate
from holdzero.hooks import CharacteristicView
from holdzero.views import view_of
from holdzero_plugins.checks import drift
from holdzero_plugins.checks._comparison import DriftSettings

Measure = Callable[..., Any]

HEAD = """\
format = 1
routine = { title = "Comparison", part = "X-1" }
reference = { name = "S", size = "25 mm", deviation = "+0.2 um" }
comparator = { resolution = "0.01 um" }
bracket = { limit = "5 um" }
"""
X = (
    'characteristics.x = { measure = "size", at = "X", from = "S", nominal = "25 mm", '
    'lower = "-9 um", upper = "9 um" }\n'
)
WITH_C = X.replace('from = "S"', 'from = "S", with = "C"')


def routine(places: Sequence[str], settings: str = "", characteristics: str = X) -> str:
    reads = "".join(f'  {{ do = "read", at = "{place}" }},\n' for place in places)
    checks = f"checks.drift = {{ {settings} }}\n"
    return f'{HEAD}{characteristics}{checks}steps = [\n  {{ do = "zero" }},\n{reads}  {{ do = "return" }}\n]\n'


def readings(places: str, sizes: dict[str, float], step: float, noise: Sequence[float] = ()) -> list[str]:
    """What a dial shows that drifts by a step from reading to reading."""
    disturbed = [*noise, *[0.0] * (len(places) - len(noise))]
    pairs = enumerate(zip(places, disturbed, strict=True), 1)
    shown = [f"{sizes[place] + step * k + extra:.4f}" for k, (place, extra) in pairs]
    return ["0", *shown, f"{step * (len(places) + 1):.4f}"]


def finding(outcome: Any, code: str) -> dict[str, Any]:
    (one,) = [f for f in outcome.record["findings"] if f["code"] == code]
    found: dict[str, Any] = one
    return found


class TestLinear:
    @pytest.mark.parametrize("order", ["SXS", "SXXS", "XSSX", "SXSXSXS", "SSXXS", "SXX"])
    def test_a_steady_drift_does_not_change_the_value(self, measure: Measure, order: str) -> None:
        outcome = measure(routine(order), readings(order, {"S": 0.0, "X": 1.5}, 0.3))
        assert outcome.record["results"]["x"]["value_um"] == pytest.approx(0.2 + 1.5, abs=1e-9)

    def test_without_the_check_it_does(self, measure: Measure) -> None:
        # a step of drift between the means of X and S
        text = routine("SXSX").replace("checks.drift = {  }\n", "")
        outcome = measure(text, readings("SXSX", {"S": 0.0, "X": 1.5}, 0.3))
        difference = outcome.record["results"]["x"]["corrections_um"]["difference read"]
        assert difference == pytest.approx(1.5 + 0.3)

    def test_the_drift_is_noted_per_reading(self, measure: Measure) -> None:
        outcome = measure(routine("SXXSSX"), readings("SXXSSX", {"S": 0.0, "X": 1.5}, 0.3))
        data = finding(outcome, "drift/design")["data"]
        assert data["drift_um"] == pytest.approx(0.3)
        assert data["degrees_of_freedom"] == 3

    def test_an_order_that_is_not_balanced_is_said_to_be_so(self, measure: Measure) -> None:
        slanted = finding(measure(routine("SXSX"), readings("SXSX", {"S": 0.0, "X": 1.0}, 0.3)), "drift/design")
        balanced = finding(measure(routine("SXXS"), readings("SXXS", {"S": 0.0, "X": 1.0}, 0.3)), "drift/design")
        assert "not balanced" in slanted["text"]
        assert "not balanced" not in balanced["text"]

    def test_further_places_help_to_know_the_drift(self, measure: Measure) -> None:
        order, sizes = "SCXXCS", {"S": 0.0, "C": 0.7, "X": 1.5}
        outcome = measure(routine(order, characteristics=WITH_C), readings(order, sizes, 0.3))
        assert outcome.record["results"]["x"]["value_um"] == pytest.approx(1.7, abs=1e-9)
        assert finding(outcome, "drift/design")["data"]["degrees_of_freedom"] == 2

    def test_a_step_is_a_design_too(self, measure: Measure) -> None:
        text = 'characteristics.x = { measure = "step", at = "X", from = "S" }\n'
        outcome = measure(routine("SXXS", characteristics=text), readings("SXXS", {"S": 0.0, "X": 1.5}, 0.3))
        assert outcome.record["results"]["x"]["value_um"] == pytest.approx(1.5, abs=1e-9)

    def test_a_dial_that_was_set_anew_between_costs_an_unknown_and_no_value(self, measure: Measure) -> None:
        reads = [f'{{ do = "read", at = "{place}" }}' for place in "SXXSSXXS"]
        lines = ['{ do = "zero" }', *reads[:4], '{ do = "return" }', '{ do = "zero" }', *reads[4:], '{ do = "return" }']
        text = HEAD + X + "checks.drift = {}\nsteps = [\n" + ",\n".join(lines) + "\n]\n"
        shown = ["0", "0.1", "1.7", "1.8", "0.4", "0.5", "3.0", "3.1", "4.7", "4.8", "3.4", "3.5"]
        outcome = measure(text, shown)
        data = finding(outcome, "drift/design")["data"]
        assert outcome.record["results"]["x"]["corrections_um"]["difference read"] == pytest.approx(1.5)
        assert data["degrees_of_freedom"] == 8 - 4


class TestPace:
    @pytest.mark.parametrize(("pause_s", "asked"), [(20.0, False), (55.0, False), (90.0, True)])
    def test_a_long_pause_within_the_design_is_asked_about(
        self, measure: Measure, pause_s: float, *, asked: bool
    ) -> None:
        shown = readings("SXXSSXXS", {"S": 0.0, "X": 1.5}, 0.1)
        times = [20.0 * k if k < 5 else 20.0 * k + pause_s - 20.0 for k in range(len(shown))]
        outcome = measure(routine("SXXSSXXS"), list(zip(times, shown, strict=True)))
        assert ("drift/pause" in outcome.codes("doubt")) == asked


class TestPairs:
    ORDER = "SXXSSXXS"

    def test_a_bias_that_all_differences_share_can_be_taken_out(self, measure: Measure) -> None:
        # a steady drift of single readings is the same in every difference: first less second
        shown = readings(self.ORDER, {"S": 0.0, "X": 1.5}, 0.3)
        plain = measure(routine(self.ORDER, 'design = "pairs"'), shown)
        taken = measure(routine(self.ORDER, 'design = "pairs", bias = true'), shown)
        # four differences of -0.3 um beside them: s² = 4·0.09/2
        assert finding(plain, "drift/design")["data"]["s_um"] == pytest.approx((4 * 0.09 / 2) ** 0.5)
        assert finding(taken, "drift/design")["data"]["s_um"] == pytest.approx(0.0, abs=1e-9)
        for outcome in (plain, taken):
            assert outcome.record["results"]["x"]["value_um"] == pytest.approx(1.7, abs=1e-9)

    def test_the_scatter_of_a_difference_gives_the_uncertainty_of_the_mean_difference(self, measure: Measure) -> None:
        # balanced against the drift, two unknowns: s/√n for four differences
        order = "SXXSXSSX"
        shown = readings(order, {"S": 0.0, "X": 1.5}, 0.0, [0.1, 0.0, 0.3, -0.2, 0.0, 0.1, -0.1, 0.2])
        outcome = measure(routine(order, 'design = "pairs"'), shown)
        s = finding(outcome, "drift/design")["data"]["s_um"]
        (row,) = [r for r in outcome.record["results"]["x"]["budget"] if r["name"] == "repeatability, x"]
        assert row["standard_uncertainty"] == pytest.approx(s / 2.0)
        assert row["degrees_of_freedom"] == pytest.approx(2)

    @pytest.mark.parametrize(
        ("order", "words"),
        [
            ("SXS", "3 readings do not make pairs"),
            ("SXXXSX", "pair 2 is X against itself"),
            ("SXXS", "leave something open: an item that is not tied to the others, or a drift"),
        ],
    )
    def test_what_makes_no_pairs_is_undecided_with_the_reason(self, measure: Measure, order: str, words: str) -> None:
        outcome = measure(routine(order, 'design = "pairs"'), readings(order, {"S": 0.0, "X": 1.5}, 0.0))
        assert outcome.record["results"]["x"]["verdict"] == "undecided"
        assert words in finding(outcome, "drift/unsolved")["text"]

    def test_a_reading_that_was_taken_again_out_of_its_turn_tears_its_pair(
        self, start: Any, catalogue: Catalogue
    ) -> None:
        bench = start(routine(self.ORDER, 'design = "pairs"'))
        bench.answer(*readings(self.ORDER, {"S": 0.0, "X": 1.5}, 0.0)[:9])
        first = next(r for r in bench.run.state.readings if r.slot.place == "X")
        bench.strike(first.seq).answer("1.5", "0", "")
        made = evaluate(bench.run.state, "1", bind(bench.loaded.routine, catalogue)[0])
        (stop,) = [f for f in made.findings if f.code == "drift/unsolved"]
        assert "its pair is torn" in stop.text


class TestWhatCanNotBeSolved:
    def test_a_block_that_is_tied_to_no_other(self, measure: Measure) -> None:
        lines = 'characteristics.x = { measure = "size", at = "X", from = "S", with = ["C", "Y"] }\n'
        order = "SCSCXYXYSCXY"
        sizes = {"S": 0.0, "C": 0.1, "X": 0.2, "Y": 0.3}
        outcome = measure(routine(order, 'design = "pairs"', lines), readings(order, sizes, 0.0))
        assert "not tied" in finding(outcome, "drift/unsolved")["text"]
        assert outcome.code == 3

    def test_too_few_readings(self, measure: Measure) -> None:
        outcome = measure(routine("SX"), readings("SX", {"S": 0.0, "X": 1.5}, 0.0))
        assert "too few" in finding(outcome, "drift/unsolved")["text"]

    def test_a_routine_without_a_design_is_refused(self, measure: Measure) -> None:
        text = 'characteristics.x = { measure = "size", at = "X" }\n'
        outcome = measure(routine("XX", characteristics=text), ["0", "1", "1", "0"])
        assert outcome.code == 2
        assert "checks.drift: found a design, and no characteristic whose drift it could take out" in outcome.said


class TestScatter:
    ORDER = "SXXSSXXS"
    NOISE = (0.1, 0.0, 0.2, -0.1, 0.0, 0.1, -0.1, 0.1)

    def outcome(self, measure: Measure, accepted: str) -> Any:
        settings = f'accepted = {{ standard = "{accepted}", dof = 30 }}'
        return measure(routine(self.ORDER, settings), readings(self.ORDER, {"S": 0.0, "X": 1.5}, 0.0, self.NOISE))

    def test_one_like_the_runs_before_is_good(self, measure: Measure) -> None:
        outcome = self.outcome(measure, "0.1 um")
        assert outcome.code == 0
        assert finding(outcome, "drift/scatter_good")["level"] == "note"

    def test_one_beyond_the_limit_leaves_it_undecided(self, measure: Measure) -> None:
        outcome = self.outcome(measure, "0.04 um")
        assert outcome.code == 3
        data = finding(outcome, "drift/scatter")["data"]
        # F(0.99; 5, 30) = 3.70, tables of the F distribution (from memory)
        assert data["limit"] == pytest.approx(3.70, abs=0.005)
        assert data["f"] > data["limit"]

    def test_without_a_reading_to_spare_the_accepted_scatter_stands_in(self, measure: Measure) -> None:
        settings = 'accepted = { standard = "0.1 um", dof = 30 }'
        outcome = measure(routine("SXS", settings), readings("SXS", {"S": 0.0, "X": 1.5}, 0.3))
        (row,) = [r for r in outcome.record["results"]["x"]["budget"] if r["name"] == "repeatability, x"]
        # var(X − (S1 + S2)/2) = 1.5 s²
        assert row["standard_uncertainty"] == pytest.approx(0.1 * 1.5**0.5)
        assert row["degrees_of_freedom"] == pytest.approx(30)

    def test_without_that_either_the_repeats_count_with_the_drift_within(self, measure: Measure) -> None:
        outcome = measure(routine("SXS"), readings("SXS", {"S": 0.0, "X": 1.5}, 0.3))
        assert "drift/no_spare" in outcome.codes("doubt")
        (row,) = [r for r in outcome.record["results"]["x"]["budget"] if r["name"] == "repeatability, x"]
        # the two readings of S lie 0.6 um apart: s = 0.6/√2
        assert row["standard_uncertainty"] == pytest.approx(0.6 / 2**0.5 * 1.5**0.5)


class TestCheckStandard:
    ORDER = "SCXXCS"

    def outcome(self, measure: Measure, check: str) -> Any:
        settings = f'accepted = {{ standard = "0.02 um", dof = 30 }}, check = {{ {check} }}'
        text = routine(self.ORDER, settings, WITH_C)
        return measure(text, readings(self.ORDER, {"S": 0.0, "C": 0.7, "X": 1.5}, 0.3))

    def test_one_at_its_accepted_value_is_good(self, measure: Measure) -> None:
        outcome = self.outcome(measure, 'place = "C", value = { value = "0.72 um", standard = "0.02 um" }')
        assert outcome.code == 0
        data = finding(outcome, "drift/check_good")["data"]
        assert data["off_um"] == pytest.approx(-0.02)
        # var(C − S) = s² in a design that is balanced against the drift
        assert data["standard_um"] == pytest.approx(0.02 * 2**0.5)

    def test_one_beyond_three_standard_uncertainties_leaves_it_undecided(self, measure: Measure) -> None:
        outcome = self.outcome(measure, 'place = "C", value = { value = "0.9 um", standard = "0.02 um" }')
        assert outcome.codes("stop") == ["drift/check"]
        assert outcome.code == 3

    def test_few_degrees_of_freedom_widen_its_limit(self, measure: Measure) -> None:
        many = self.outcome(measure, 'place = "C", value = { value = "0.7 um", standard = "0.02 um" }')
        few = self.outcome(measure, 'place = "C", value = { value = "0.7 um", standard = "0.02 um", dof = 3 }')
        limits = [finding(outcome, "drift/check_good")["data"]["limit_um"] for outcome in (many, few)]
        assert 3.0 * 0.02 * 2**0.5 < limits[0] < limits[1]

    def test_one_step_of_the_dial_is_no_fault(self, measure: Measure) -> None:
        text = routine(self.ORDER, 'check = { place = "C", value = "0.71 um" }', WITH_C)
        outcome = measure(text, readings(self.ORDER, {"S": 0.0, "C": 0.7, "X": 1.5}, 0.3))
        assert "drift/check" not in outcome.codes("stop")

    def test_of_masters_that_lie_far_apart_is_referred_to_20_degrees(self, measure: Measure) -> None:
        # 2 mm of steel at 25 °C read 2000 · 5 · 11.5e-6 = 0.115 µm more (JCGM 100:2008, H.1.2, linear expansion)
        settings = (
            'accepted = { standard = "0.01 um", dof = 30 }, check = { place = "C", against = "S", value = "2000 um" }'
        )
        warm = (
            'checks.thermal = { part_temperature = "25 degC", difference = "0 K", part_expansion = "11.5e-6 1/K", '
            'reference_expansion = "11.5e-6 1/K" }\n'
        )
        text = routine(self.ORDER, settings, X.replace('from = "S"', 'from = ["S", "C"]') + warm)
        outcome = measure(text, readings(self.ORDER, {"S": 0.0, "C": 2000.115, "X": 1001.5}, 0.0))
        assert finding(outcome, "drift/check_good")["data"]["off_um"] == pytest.approx(0.0, abs=1e-4)

    def test_one_that_is_not_in_the_design_leaves_it_undecided(self, measure: Measure) -> None:
        outcome = self.outcome(measure, 'place = "Q", value = "0.7 um"')
        assert outcome.codes("stop") == ["drift/check_missing"]


class TestFurtherPlaces:
    def test_they_are_refused_without_a_design(self, measure: Measure) -> None:
        text = routine("SCXXCS", characteristics=WITH_C).replace("checks.drift = {  }\n", "")
        outcome = measure(text, readings("SCXXCS", {"S": 0.0, "C": 0.7, "X": 1.5}, 0.3))
        assert outcome.code == 2
        assert "characteristics.x.with: found C: read, and counted by nothing" in outcome.said

    def test_one_that_was_not_read_leaves_it_undecided(self, measure: Measure) -> None:
        outcome = measure(routine("SXXS", characteristics=WITH_C), readings("SXXS", {"S": 0.0, "X": 1.5}, 0.0))
        assert "reading/missing" in outcome.codes("stop")

    @pytest.mark.parametrize("keys", ['at = "X", with = "C"', 'at = "X", from = "S", with = "X"'])
    def test_they_stand_beside_from_and_are_places_of_their_own(self, measure: Measure, keys: str) -> None:
        text = f'characteristics.x = {{ measure = "size", {keys} }}\n'
        assert measure(routine("SCX", characteristics=text), ["0", "0", "0", "0", "0"]).code == 2


class TestRehearsal:
    """A number may be an array whose leading axis is the runs: it goes the same way as a float."""

    @pytest.mark.parametrize("design", ["linear", "pairs"])
    @pytest.mark.parametrize("accepted", ["0.05 um", "0.03 um"])  # with the second some runs scatter too much
    def test_an_array_gives_what_its_runs_give(self, start: Any, design: str, accepted: str) -> None:
        order = "SXXSSXXS"
        settings = DriftSettings.model_validate(
            {
                "design": design,
                "accepted": {"standard": accepted, "dof": 30},
                "check": {"place": "X", "value": {"value": "1.5 um", "standard": "0.02 um"}},
            }
        )
        bench = start(routine(order, f'design = "{design}"'))
        bench.answer(*readings(order, {"S": 0.0, "X": 1.5}, 0.1), "")
        view = view_of(bench.run.state, "1")
        noise = np.random.default_rng(7).normal(0.0, 0.06, (5, len(view.readings)))

        def judged(index: int | slice) -> tuple[Any, list[Any]]:
            changed = tuple(replace(r, value_um=r.value_um + noise[index, k]) for k, r in enumerate(view.readings))
            run = replace(view, readings=changed)
            own = tuple(r for r in changed if r.slot.place is not None)
            spec = view.routine.characteristics["x"]
            seen = CharacteristicView(name="x", spec=spec, readings=own, weights=(0.0,) * len(own))
            return drift.weigh(settings, run, seen), list(drift.judge(settings, run, [seen]))

        together, findings = judged(slice(None))
        for index in range(5):
            alone, own = judged(index)
            assert alone.weights == together.weights
            assert np.broadcast_to(together.scatter[0], 5)[index] == pytest.approx(alone.scatter[0])
            holds = {f.code: bool(np.broadcast_to(f.holds, 5)[index]) for f in findings}
            assert holds == {f.code: bool(f.holds) for f in own}
