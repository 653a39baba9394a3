"""On a limit is within it, for every limit of the tool; each case has floats that say otherwise."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero import events as e
from holdzero.charts import DEFAULT_RULES, Control, baseline, state
from holdzero.explain import explain
from holdzero.hooks import Habits, Said, Sends
from holdzero.limit import between, exceeds
from holdzero.live.taking import Taker
from holdzero.outlook import outlook_of
from holdzero.rehearse.debrief import Truth
from holdzero.routine.lint import unwise
from holdzero.testing import GOOD, Draft, Measure, catalogue_of
from holdzero.testing.drive import loaded_of
from holdzero_plugins.writers._report_pictures import bars_of

Start = Callable[..., Any]
ZERO, READ, RETURN = {"do": "zero"}, {"do": "read", "at": "a", "times": 3}, {"do": "return"}


class TestTheComparison:
    def test_takes_the_resolution_and_the_limit_where_there_is_none(self) -> None:
        assert not exceeds(0.3000000999, 0.3, 0.1)
        assert exceeds(0.3000001001, 0.3, 0.1)
        assert not exceeds(0.3000002999, 0.3)
        assert exceeds(0.3000003001, 0.3)

    def test_knows_no_equals_of_zero_without_a_resolution(self) -> None:
        assert exceeds(0.1 + 0.2 - 0.3, 0.0)
        assert not exceeds(0.1 + 0.2 - 0.3, 0.0, 0.1)
        assert not exceeds(0.0, 0.0)

    def test_knows_limits_without_end(self) -> None:
        for resolution in (0.0, 0.1):
            assert exceeds(0.0, -math.inf, resolution)
            assert not exceeds(1e12, math.inf, resolution)
            assert not exceeds(math.inf, math.inf, resolution)
            assert not between(0.0, math.inf, None, resolution)

    def test_says_of_no_number_neither_that_it_is_beyond_nor_that_it_is_within(self) -> None:
        for resolution in (0.0, 0.1):
            assert not exceeds(math.nan, 0.3, resolution)
            assert not exceeds(0.3, math.nan, resolution)
            assert not between(math.nan, 0.0, 1.0, resolution)
            assert between(np.array([math.nan, 0.1 + 0.2]), None, 0.3, resolution).tolist() == [False, True]  # type: ignore[union-attr]


class TestEveryLimitOfARun:
    """Each draft with answers that meet a limit exactly, and others one step beyond it."""

    SMALL = Draft().with_steps(ZERO, READ, RETURN)
    THERMAL = Draft().with_table("part", material="steel").with_table(
        "thermometer", error={"halfwidth": "0.01 K"}
    ).with_step("temperature", of="part").with_step("temperature", of="reference")  # fmt: skip
    FILM = (
        Draft()
        .without_table("characteristics.thickness")
        .with_table("comparator", force="0.25 N")
        .with_characteristic("film", measure="step", at="a", from_="b", force="0.25 N", lower="0 um", upper="9 um")
        .with_check("film", limit="0.3 um")
        .with_steps(
            ZERO,
            {"do": "read", "at": "b"},
            {"do": "read", "at": "a"},
            {"do": "read", "at": "b", "force": "1 N"},
            {"do": "read", "at": "a", "force": "1 N"},
            RETURN,
        )
    )
    INCH_TABLE = Draft().without_table("comparator.travel").with_check(
        "indicator", table=[{"at": "-0.019 in", "error": "0 um"}, {"at": "0.019 in", "error": "0 um"}]
    )  # fmt: skip
    CASES = (
        (
            "bracket/limit",
            SMALL.with_table("bracket", limit="0.3 um"),
            ("0.1", "1", "1", "1", "0.4"),
            ("0.1", "1", "1", "1", "0.5"),
        ),
        (
            "check_standard/limit",
            SMALL.with_table("check_standard", size="5 mm", deviation="0.1 um", limit="0.3 um").with_step(
                "check", index=1
            ),
            ("0", "0.4", "1", "1", "1", "0"),
            ("0", "0.5", "1", "1", "1", "0"),
        ),
        (
            "repeatability/limit",
            SMALL.with_check("repeatability", limit="0.3 um"),
            ("0", "-0.2", "0.1", "0.4", "0"),
            ("0", "-0.2", "0.1", "0.5", "0"),
        ),
        ("film/limit", FILM, ("0", "0.1", "0.5", "0.2", "0.3", "0"), ("0", "0.1", "0.5", "0.2", "0.2", "0")),
        (
            "indicator/table",
            INCH_TABLE.with_characteristic("thickness", nominal="5.4826 mm"),
            ("0", "0", "0", *["482.6 um"] * 3, "0"),
            ("0", "0", "0", *["482.7 um"] * 3, "0"),
        ),
        (
            "thermal/above",
            THERMAL.with_check("thermal", highest="20.5 degC"),
            ("68.9 degF", "20.5 degC", *GOOD),
            ("68.91 degF", "20.5 degC", *GOOD),
        ),
        (
            "thermal/below",
            THERMAL.with_check("thermal", lowest="68.9 degF"),
            ("20.5 degC", "20.5 degC", *GOOD),
            ("20.499 degC", "20.5 degC", *GOOD),
        ),
        (
            "thermal/difference",
            THERMAL.with_check("thermal", largest_difference="0.3 K"),
            ("20.8 degC", "20.5 degC", *GOOD),
            ("20.81 degC", "20.5 degC", *GOOD),
        ),
    )

    @pytest.mark.parametrize(("code", "draft", "on", "beyond"), CASES, ids=[code for code, *_ in CASES])
    def test_is_kept_by_what_lies_on_it(
        self, measure: Measure, code: str, draft: Draft, on: tuple[str, ...], beyond: tuple[str, ...]
    ) -> None:
        assert code in {finding["code"] for finding in measure(draft, beyond).record["findings"]}
        assert code not in {finding["code"] for finding in measure(draft, on).record["findings"]}

    def test_asks_nothing_of_a_return_that_is_within(self, measure: Measure) -> None:
        draft = self.SMALL.with_table("bracket", limit="0.3 um")
        asked = [item.code for item in measure(draft, ("0.1", "1", "1", "1", "0.4")).asked]
        assert not any(code.startswith("zero_return/limit") for code in asked)

    def test_reads_to_the_end_of_the_travel_and_no_further(self, measure: Measure) -> None:
        draft = self.SMALL.with_table("comparator", travel="0.019 in")
        draft = draft.with_characteristic("thickness", nominal="5.4826 mm")
        assert measure(draft, ("0", *["482.6 um"] * 3, "0")).record["verdict"] == "pass"
        assert "beyond the dial's travel" in measure(draft, ("0", "482.7 um", "1", "1", "0")).said

    def test_ends_a_soak_on_its_time(self, measure: Measure) -> None:
        draft = self.SMALL.with_step("soak", index=1, at_least="1 min")
        assert 8.21 + 60.0 > 68.21
        rest = [(100.0, "1"), (110.0, "1"), (120.0, "0")]
        on, short = ([(8.21, "0"), (at, "1"), *rest] for at in (68.21, 68.20))
        assert "soak/short" not in measure(draft, on).codes("doubt")
        assert "soak/short" in measure(draft, short).codes("doubt")

    def test_tells_in_words_what_it_decided(self, measure: Measure) -> None:
        draft = self.SMALL.with_table("reference", deviation="0.1 um").with_table("decision", rule="simple")
        draft = draft.with_characteristic("thickness", lower="-0.3 um", upper="0.3 um")
        outcome = measure(draft, ("0", "0.2", "0.2", "0.2", "0"))
        result = outcome.record["results"]["thickness"]
        assert result["value_um"] > result["upper_um"]
        assert result["verdict"] == "pass"
        assert any("≤ +0.3000 µm" in line for line in explain(outcome.record))
        assert not any(
            "e-1" in line or "e−1" in line for finding in outcome.record["findings"] for line in [finding["text"]]
        )


class TestTheRoutine:
    def test_may_have_one_limit_written_in_two_units(self, measure: Measure) -> None:
        draft = Draft().with_characteristic("thickness", lower="-0.019 in", upper="-482.6 um")
        assert measure(draft.without_table("comparator.travel")).record["verdict"] == "fail"

    def test_is_not_warned_of_a_tolerance_of_one_step(self) -> None:
        def warned(draft: Draft) -> bool:
            loaded = loaded_of(draft, catalogue_of())
            found = unwise(loaded.routine, loaded.origins, dt.date(2026, 7, 1))
            return any("smaller than the resolution" in fault.found for fault in found)

        one = Draft().with_characteristic("thickness", lower="0.8 um", upper="0.9 um")
        assert 0.9 - 0.8 < 0.1
        half = Draft().with_characteristic("thickness", lower="0.8 um", upper="0.85 um")
        assert not warned(one)
        assert warned(half)


class TestTheBench:
    TEXT = Draft().with_table("bracket", longest_absence="10 min").text

    @pytest.mark.parametrize(("away_s", "fresh"), [(600.0000001, False), (600.01, True)])
    def test_was_left_for_no_longer_than_is_allowed(self, start: Start, away_s: float, fresh: bool) -> None:
        bench = start(self.TEXT).answer("0", "0", "0", "1")
        slots = len(bench.run.state.slots)
        bench.take(e.RunContinued, away_s=away_s)
        assert (len(bench.run.state.slots) > slots) is fresh

    def test_is_at_rest_where_what_may_be_to_come_is_what_is_allowed(self) -> None:
        times = [10.0 * number for number in range(30)]
        found = outlook_of(times, [math.exp(-time / 20.0) for time in times], of="", unit="um", within=1.0)
        assert found is not None
        assert replace(found, bound=1.0 + 1e-12).settled
        assert not replace(found, bound=1.0 + 1e-5).settled

    @pytest.mark.parametrize(("last", "still"), [("0.8", True), ("0.9", False)])
    def test_takes_a_value_that_stands_still_as_its_habits_say(self, last: str, still: bool) -> None:
        assert 0.8 - 0.5 > 0.3
        taker = Taker(Habits(sends=Sends.STREAM, still_number=2, still_within_um=0.3))
        for at_s, value in enumerate(("0.5", last)):
            taker.hear(Said(at_s=float(at_s), line=value, answer=f"{value} um"), float(value))
        assert (taker.stand(1.0).name == "STILL") is still


class TestTheCharts:
    LIMITS = baseline([float(number) for number in range(-12, 13)])

    def test_do_not_take_the_rounding_of_floats_for_a_rise(self) -> None:
        rising = [-0.5, -0.4, -(0.1 + 0.2), -0.3, -0.2, 0.1, 0.2]
        assert state(rising, self.LIMITS).control is Control.IN_CONTROL
        rising[2] = -0.35
        assert [signal.rule.name for signal in state(rising, self.LIMITS).signals] == ["trend-7"]

    def test_have_no_side_for_a_point_on_the_centre(self) -> None:
        side = [2.0, 1.0] * 3 + [self.LIMITS.centre + 1e-12]
        assert state(side, self.LIMITS).control is Control.IN_CONTROL
        side[-1] += 0.01
        assert [signal.rule.name for signal in state(side, self.LIMITS).signals] == ["side-7"]

    def test_have_no_signal_for_a_point_on_an_action_limit(self) -> None:
        (action,) = DEFAULT_RULES[:1]
        upper = self.LIMITS.action[1]
        assert state([upper * (1.0 + 1e-12)], self.LIMITS, [action]).control is Control.IN_CONTROL
        assert state([upper * (1.0 + 1e-5)], self.LIMITS, [action]).control is Control.OUT_OF_CONTROL

    def test_of_a_report_draw_a_value_on_a_limit_within_it(self) -> None:
        bars = bars_of([0.1 + 0.2] * 5 + [-0.1, 0.0, 0.1], -0.3, 0.3)
        assert bars is not None
        (limit,) = (tick.at for tick in bars.limits if tick.text.startswith("upper"))
        assert max(bar.x + bar.width for bar in bars.bars) == pytest.approx(limit, abs=0.02)


def test_a_part_that_truly_lies_on_its_limit_is_good() -> None:
    spec = Draft().with_characteristic("thickness", lower="-0.3 um", upper="0.3 um")
    own = loaded_of(spec, catalogue_of()).routine.characteristics["thickness"]
    assert Truth(name="thickness", spec=own, true_um=0.1 + 0.2).conforms
    assert not Truth(name="thickness", spec=own, true_um=0.301).conforms
