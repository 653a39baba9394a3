"""House rule plate_wiped: nothing is read unless the plate was wiped a short while before."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.hooks import Level
from holdzero.testing import GOOD, Draft, Measure, catalogue_of
from holdzero.verify import verify

Sit: TypeAlias = Callable[..., Any]  # see conftest
HALF_HOUR_S = 1800.0
ROUTINE = Draft().with_step("wipe").with_check("plate_wiped")
ZEROS, PLACES, RETURN = GOOD[:3], GOOD[3:6], GOOD[6]


def stops(record: dict[str, Any]) -> list[str]:
    return [found["code"] for found in record["findings"] if found["level"] == "stop"]


class TestTheStep:
    def test_is_a_preparing_step_with_the_cautions_of_solvent_and_plate(self, house: Path, measure: Measure) -> None:
        record = measure(ROUTINE, plugins=[house / "plate_wiped.py"]).record
        (step,) = (step for step in record["steps"] if step["kind"] == "prepare")
        assert step["of"] == "wipe"
        assert "surface plate and the anvil with a lint-free cloth and solvent" in step["say"]
        assert "flammable" in step["caution"]
        assert "heavy" in step["caution"]
        assert "Safety sheets and local rules come before this text." in step["caution"]

    def test_without_solvent_warns_of_none(self, house: Path, measure: Measure) -> None:
        draft = Draft().with_step("wipe", what="the plate", solvent=False, caution="Mind the lamp.")
        record = measure(draft.with_check("plate_wiped"), plugins=[house / "plate_wiped.py"]).record
        (step,) = (step for step in record["steps"] if step["kind"] == "prepare")
        assert step["say"].startswith("Wipe the plate with a dry lint-free cloth.")
        assert "flammable" not in step["caution"]
        assert "A surface plate is heavy and can tip or fall" in step["caution"]
        assert "local rules come before this text" in step["caution"]
        assert step["caution"].endswith("Mind the lamp.")


class TestAtTheEnd:
    def test_readings_soon_after_a_wipe_pass_and_the_record_verifies(self, house: Path, measure: Measure) -> None:
        outcome = measure(ROUTINE, plugins=[house / "plate_wiped.py"])
        assert outcome.record["verdict"] == "pass"
        assert outcome.codes("stop") == []
        assert verify(outcome.record, catalogue_of(house / "plate_wiped.py")) == []

    def test_without_a_wipe_nothing_is_decided(self, house: Path, measure: Measure) -> None:
        outcome = measure(Draft().with_check("plate_wiped"), plugins=[house / "plate_wiped.py"])
        assert outcome.record["verdict"] == "undecided"
        assert outcome.codes("stop") == ["plate_wiped/none"]
        assert (
            "No wipe of the plate is on record before entry 2, 3, 4, 5, 6, 7, 8."
            in outcome.record["findings"][0]["text"]
        )

    def test_another_preparing_step_is_no_wipe(self, house: Path, measure: Measure) -> None:
        draft = Draft().with_step("prepare", say="Wipe the plate.").with_check("plate_wiped")
        assert measure(draft, plugins=[house / "plate_wiped.py"]).codes("stop") == ["plate_wiped/none"]

    def test_a_wipe_after_the_zero_does_not_help_the_zero(self, house: Path, measure: Measure) -> None:
        draft = Draft().with_step("wipe", index=1).with_check("plate_wiped")
        (found,) = (
            f for f in measure(draft, plugins=[house / "plate_wiped.py"]).record["findings"] if f["level"] == "stop"
        )
        assert found["code"] == "plate_wiped/none"
        assert "entry 2, 3, 4. " in found["text"]

    @pytest.mark.parametrize(("late_s", "expected"), [(0.0, []), (0.5, ["plate_wiped/late"])])
    def test_exactly_half_an_hour_is_in_time(self, sit_down: Sit, late_s: float, expected: list[str]) -> None:
        # 248.3 s: in floats, half an hour later is more than half an hour later.
        desk = sit_down("plate_wiped", ROUTINE).at(248.3, "").at(250.0, *ZEROS, *PLACES)
        record = desk.at(248.3 + HALF_HOUR_S + late_s, RETURN, "").ended()
        assert stops(record) == expected

    def test_says_which_reading_was_late_and_by_how_much(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE).at(0.0, "", *ZEROS, *PLACES)
        record = desk.at(HALF_HOUR_S + 60.2, RETURN, "").ended()
        (found,) = record["findings"][:1]
        assert found["text"].startswith("Read later than 30 min after the plate was wiped: entry 9 (31 min 01 s).")
        assert found["data"] == {"longest_s": HALF_HOUR_S + 60.2, "limit_s": HALF_HOUR_S}

    def test_the_limit_is_a_setting(self, sit_down: Sit) -> None:
        draft = Draft().with_step("wipe").with_check("plate_wiped", within="10 min")
        assert stops(sit_down("plate_wiped", draft).at(0.0, "").at(601.0, *GOOD, "").ended()) == ["plate_wiped/late"]

    def test_a_wipe_that_was_done_again_counts_from_then(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE).at(0.0, "", *ZEROS)
        record = desk.again(HALF_HOUR_S).at(HALF_HOUR_S + 60.0, *PLACES, RETURN, "").ended()
        assert stops(record) == []
        assert record["verdict"] == "pass"

    def test_a_late_reading_that_was_struck_out_and_taken_again_does_no_harm(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE).at(0.0, "", *ZEROS).at(HALF_HOUR_S + 1.0, PLACES[0])
        late = desk.run.state.seq
        desk.again(HALF_HOUR_S + 5.0).strike(HALF_HOUR_S + 6.0, late)
        assert stops(desk.at(HALF_HOUR_S + 7.0, *PLACES, RETURN, "").ended()) == []

    def test_midnight_changes_nothing(self, sit_down: Sit) -> None:
        # The run begins at 08:00; 16 hours and a minute later it is another day.
        midnight_s = 16 * 3600.0
        desk = sit_down("plate_wiped", ROUTINE).at(midnight_s - 60.0, "").at(midnight_s + 60.0, *GOOD, "")
        assert stops(desk.ended()) == []

    def test_the_time_away_counts(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE).at(0.0, "", *ZEROS, *PLACES)
        desk.event(e.RunPaused, 10.0).event(e.RunContinued, HALF_HOUR_S + 1.0, away_s=HALF_HOUR_S - 9.0)
        assert stops(desk.at(HALF_HOUR_S + 2.0, RETURN, "").ended()) == ["plate_wiped/late"]


class TestABatch:
    DRAFT = ROUTINE.with_steps(
        {"do": "wipe"},
        {
            "do": "repeat",
            "over": "parts",
            "steps": [{"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}],
        },
        {"do": "compare"},
    )

    def test_a_part_that_was_read_too_late_stops_no_other(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", self.DRAFT, serials=("1", "2"))
        desk.at(0.0, "", "0", "+1.0", "0").at(HALF_HOUR_S + 1.0, "0", "+1.0", "0", "")
        assert stops(desk.ended("1")) == []
        assert stops(desk.ended("2")) == ["plate_wiped/late"]

    def test_a_shared_zero_that_was_set_too_late_stops_all(self, sit_down: Sit) -> None:
        loop = {"do": "repeat", "over": "parts", "steps": [{"do": "read", "at": "a"}]}
        draft = self.DRAFT.with_steps({"do": "wipe"}, {"do": "zero"}, loop, {"do": "return"}, {"do": "compare"})
        desk = sit_down("plate_wiped", draft, serials=("1", "2")).at(0.0, "").at(HALF_HOUR_S + 1.0, "0")
        desk.again(HALF_HOUR_S + 2.0).at(HALF_HOUR_S + 3.0, "+1.0", "+1.0", "0", "")
        assert [stops(desk.ended(serial)) for serial in ("1", "2")] == [["plate_wiped/late"]] * 2


class TestAtTheBench:
    def test_nothing_is_asked_before_the_steps_that_come_before_a_reading(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE.with_step("soak", at_least="1 h"))
        assert desk.codes(0.0) == []
        assert desk.at(0.0, "").codes(3000.0) == []

    def test_a_soak_that_outlasts_the_wipe_is_asked_about_before_the_zero(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE.with_step("soak", at_least="1 h")).at(0.0, "").at(3600.0, "")
        (found,) = desk.asked(3600.0)
        assert (found.level, found.code) == (Level.STOP, "plate_wiped/due")
        assert found.text == (
            "The plate was wiped 60 min ago, and a reading may come 30 min after it at most. "
            "Will you wipe it now, then type d?"
        )
        assert desk.again(3660.0).codes(3661.0) == []

    @pytest.mark.parametrize(("late_s", "expected"), [(0.0, []), (0.5, ["plate_wiped/due"])])
    def test_exactly_half_an_hour_is_in_time(self, sit_down: Sit, late_s: float, expected: list[str]) -> None:
        assert sit_down("plate_wiped", ROUTINE).at(0.3, "").codes(0.3 + HALF_HOUR_S + late_s) == expected

    def test_a_routine_that_asks_for_no_wipe_is_stopped_before_its_first_reading(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", Draft().with_check("plate_wiped"))
        (found,) = desk.asked(0.0)
        assert found.code == "plate_wiped/due"
        assert "its author must put a step wipe" in found.text.lower()

    def test_a_reading_that_came_too_late_is_asked_about_at_once(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE).at(0.0, "", *ZEROS).at(HALF_HOUR_S + 1.0, PLACES[0])
        assert desk.codes(HALF_HOUR_S + 2.0) == ["plate_wiped/due", "plate_wiped/late"]
        late = desk.run.state.seq
        assert desk.again(HALF_HOUR_S + 9.0).codes(HALF_HOUR_S + 9.0) == ["plate_wiped/late"]
        assert desk.strike(HALF_HOUR_S + 10.0, late).codes(HALF_HOUR_S + 10.0) == []

    def test_a_zero_that_came_too_late_is_asked_about_before_anything_is_read_under_it(self, sit_down: Sit) -> None:
        desk = sit_down("plate_wiped", ROUTINE).at(0.0, "").at(HALF_HOUR_S + 1.0, *ZEROS).again(HALF_HOUR_S + 2.0)
        (found,) = desk.asked(HALF_HOUR_S + 3.0)
        assert found.code == "plate_wiped/late"
        assert "entry 3 (30 min 01 s), 4 (30 min 01 s), 5 (30 min 01 s)" in found.text


class TestWithoutTheShop:
    def test_verify_says_that_the_rule_is_missing(self, house: Path, measure: Measure, catalogue: Catalogue) -> None:
        record = measure(ROUTINE, plugins=[house / "plate_wiped.py"]).record
        differences = verify(record, catalogue)
        assert any("plate_wiped/failed" in line for line in differences), differences


@pytest.mark.long
@pytest.mark.terminal
class TestAtTheTerminal:
    def test_the_stop_is_shown_and_d_lifts_it(self, person: Callable[..., Any], tmp_path: Path, house: Path) -> None:
        draft = Draft().with_step("wipe").with_step("soak", at_least="5 s").with_check("plate_wiped", within="4 s")
        (tmp_path / "routine.toml").write_text(draft.text, "utf-8")
        who = ("--operator", "T. Ester", "--serial", "7")
        bench = person("run", "routine.toml", "--shop", str(house / "shop.toml"), "--out", "out", *who)
        assert "CAUTION  Cleaning solvent is flammable" in bench.types("")
        bench.prompted()  # the soak: it ends by itself
        bench.child.expect("s, d, c or q: ")
        shown = bench.child.before
        assert "The plate was wiped" in shown
        assert "Will you wipe it now, then type d?" in " ".join(shown.split())
        bench.say("d")
        bench.types("1")
        assert "Done again; the time is on record." in bench.types(GOOD[0])
        _answered(bench, GOOD[1:])
        assert bench.ends() == 0, bench.screen
        assert "[+] PASS" in bench.screen
        (path,) = (tmp_path / "out").glob("*.record.json")
        record = json.loads(path.read_text("utf-8"))
        assert "prepared_again" in [event["event"] for event in record["events"]]
        assert stops(record) == []


def _answered(bench: Any, answers: tuple[str, ...]) -> None:
    for answer in (*answers, ""):
        bench.types(answer)
