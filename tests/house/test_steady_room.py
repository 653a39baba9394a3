"""House rule steady_room: the air must not have moved in the hour before the readings, nor during them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.expect import expect
from holdzero.hooks import Act, Level
from holdzero.testing import GOOD, Draft, Measure, catalogue_of
from holdzero.testing.drive import loaded_of
from holdzero.verify import verify

Sit: TypeAlias = Callable[..., Any]  # see conftest
HOUR_S = 3600.0
MINUTE_S = 60.0
AIR = {"do": "temperature", "of": "air"}
ROUTINE = Draft().with_step("room_hour").with_check("steady_room")
WITH_AIR = ROUTINE.with_step("temperature", of="air", index=4)  # after the return


def stops(record: dict[str, Any]) -> list[str]:
    return [found["code"] for found in record["findings"] if found["level"] == "stop"]


def text_of(record: dict[str, Any], code: str) -> str:
    (found,) = (found for found in record["findings"] if found["code"] == code)
    return str(found["text"])


class TestTheStep:
    def test_asks_for_lowest_and_highest(self, house: Path, measure: Measure) -> None:
        draft = ROUTINE.with_step("room_hour", index=0, logger="logger 4")
        record = measure(draft, ["20", "20.1", "20", "20.1", *GOOD], plugins=[house / "steady_room.py"]).record
        asked = [step for step in record["steps"] if step["kind"] == "ask"]
        assert [step["of"] for step in asked[:2]] == [
            "lowest air temperature of the last hour",
            "highest air temperature of the last hour",
        ]
        assert asked[0]["say"] == "Type the lowest air temperature of the last hour by logger 4."
        assert asked[2]["say"].endswith("by the room's logger.")

    def test_takes_temperatures_in_any_unit(self, house: Path, measure: Measure) -> None:
        # 68.9 degF is 20.5 degC: half a kelvin above 20 degC.
        outcome = measure(ROUTINE, ["20 degC", "68.9 degF", *GOOD], plugins=[house / "steady_room.py"])
        assert outcome.codes("stop") == []


class TestTheHourBefore:
    def test_a_steady_one_passes_and_the_record_verifies(self, house: Path, measure: Measure) -> None:
        outcome = measure(ROUTINE, ["20.0", "20.3", *GOOD], plugins=[house / "steady_room.py"])
        assert outcome.record["verdict"] == "pass"
        assert verify(outcome.record, catalogue_of(house / "steady_room.py")) == []

    @pytest.mark.parametrize(
        ("lowest", "highest", "expected"),
        [("20.0", "20.5", []), ("19.7", "20.2", []), ("20.1", "20.6", []), ("20.0", "20.51", ["steady_room/moved"])],
    )
    def test_exactly_half_a_kelvin_is_steady(
        self, sit_down: Sit, lowest: str, highest: str, expected: list[str]
    ) -> None:
        assert stops(sit_down("steady_room", ROUTINE).at(0.0, lowest, highest, *GOOD, "").ended()) == expected

    def test_says_how_far_it_moved(self, sit_down: Sit) -> None:
        record = sit_down("steady_room", ROUTINE).at(0.0, "20.0", "20.8", *GOOD, "").ended()
        assert record["verdict"] == "undecided"
        assert text_of(record, "steady_room/moved") == (
            "The air moved by 0.8 K within 60 min; at most 0.5 K is allowed. Measure again in a steady room."
        )

    def test_must_be_known(self, house: Path, measure: Measure) -> None:
        draft = Draft().with_check("steady_room").with_step("temperature", of="air")
        record = measure(draft, ["20.0", *GOOD], plugins=[house / "steady_room.py"]).record
        assert record["verdict"] == "undecided"
        assert text_of(record, "steady_room/unknown").startswith(
            "Of the air nothing is known for 60 min, from 60 min before the first reading."
        )

    def test_half_of_the_answer_is_no_answer(self, sit_down: Sit) -> None:
        name = "lowest air temperature of the last hour"
        draft = Draft().with_check("steady_room").with_step("ask", name=name, answer="temperature", unit="degC")
        assert stops(sit_down("steady_room", draft).at(0.0, "20", *GOOD, "").ended()) == ["steady_room/unknown"]

    def test_words_are_no_temperature(self, sit_down: Sit) -> None:
        draft = Draft().with_check("steady_room")
        for word in ("highest", "lowest"):
            draft = draft.with_step("ask", name=f"{word} air temperature of the last hour")
        record = sit_down("steady_room", draft).at(0.0, "fine", "fine", *GOOD, "").ended()
        assert stops(record) == ["steady_room/unknown"]

    def test_a_bare_number_is_no_temperature(self, sit_down: Sit) -> None:
        draft = Draft().with_check("steady_room")
        for word in ("highest", "lowest"):
            draft = draft.with_step("ask", name=f"{word} air temperature of the last hour", answer="number")
        record = sit_down("steady_room", draft).at(0.0, "20", "20", *GOOD, "").ended()
        assert stops(record) == ["steady_room/unknown"]

    @pytest.mark.parametrize(("wait_s", "expected"), [(1800.0, []), (1801.0, ["steady_room/unknown"])])
    def test_an_answer_is_too_old_after_half_an_hour(self, sit_down: Sit, wait_s: float, expected: list[str]) -> None:
        # 248.3 s: in floats, half an hour later is more than half an hour later.
        desk = sit_down("steady_room", ROUTINE).at(248.3, "20", "20.1").at(248.3 + wait_s, *GOOD, "")
        assert stops(desk.ended()) == expected

    def test_an_answer_after_the_readings_comes_too_late(self, sit_down: Sit) -> None:
        draft = Draft().with_check("steady_room").with_step("room_hour", index=3)
        desk = sit_down("steady_room", draft).at(0.0, *GOOD).at(20 * MINUTE_S, "20", "20.1", "")
        assert stops(desk.ended()) == ["steady_room/unknown"]

    def test_the_lowest_above_the_highest_is_a_slip(self, sit_down: Sit) -> None:
        record = sit_down("steady_room", ROUTINE).at(0.0, "20.4", "20.1", *GOOD, "").ended()
        assert stops(record) == ["steady_room/crossed"]
        assert "given as 20.4 °C, which is above the highest, 20.1 °C" in text_of(record, "steady_room/crossed")

    def test_a_later_hour_may_be_warmer_than_an_earlier_one(self, sit_down: Sit) -> None:
        draft = ROUTINE.with_check("steady_room", window="100 min")
        draft = draft.with_step("soak", at_least="61 min").with_step("room_hour")
        desk = sit_down("steady_room", draft).at(0.0, "20.0", "20.1").at(61 * MINUTE_S, "", "20.3", "20.4", *GOOD, "")
        assert stops(desk.ended()) == []


class TestDuringTheReadings:
    @pytest.mark.parametrize(("air", "expected"), [("20.5", []), ("19.8", []), ("20.6", ["steady_room/moved"])])
    def test_the_air_is_held_against_the_hour_before(self, sit_down: Sit, air: str, expected: list[str]) -> None:
        desk = sit_down("steady_room", WITH_AIR).at(0.0, "20.0", "20.3").at(MINUTE_S, *GOOD)
        assert stops(desk.at(20 * MINUTE_S, air, "").ended()) == expected

    def test_a_slow_move_over_more_than_a_window_is_allowed(self, sit_down: Sit) -> None:
        steps = [{"do": "room_hour"}, {"do": "zero"}, AIR, {"do": "read", "at": "a"}, AIR, AIR, {"do": "return"}]
        draft = ROUTINE.with_steps(*steps, {"do": "compare"})
        desk = sit_down("steady_room", draft).at(248.3, "20.0", "20.1", "0")
        desk.at(248.3 + 1800.0, "20.3", "1").at(58 * MINUTE_S, "20.5").at(87 * MINUTE_S, "20.7", "0", "")
        assert stops(desk.ended()) == []

    @pytest.mark.parametrize(("at_min", "expected"), [(60.0, ["steady_room/moved"]), (60.02, [])])
    def test_a_window_is_exactly_an_hour(self, sit_down: Sit, at_min: float, expected: list[str]) -> None:
        steps = [{"do": "room_hour"}, {"do": "zero"}, AIR, {"do": "read", "at": "a"}, AIR, {"do": "return"}]
        draft = ROUTINE.with_steps(*steps, {"do": "compare"}).with_check("steady_room", gap="40 min")
        desk = sit_down("steady_room", draft).at(0.0, "20.0", "20.0", "0").at(30 * MINUTE_S, "20.3", "1")
        assert stops(desk.at(at_min * MINUTE_S, "20.6", "0", "").ended()) == expected

    def test_a_long_run_without_a_thermometer_is_not_known_to_be_steady(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE).at(0.0, "20", "20.1", *GOOD[:-1]).at(45 * MINUTE_S, "0", "")
        record = desk.ended()
        assert stops(record) == ["steady_room/unknown"]
        assert "nothing is known for 45 min, from 0 s after the first reading" in text_of(record, "steady_room/unknown")

    def test_temperatures_of_the_part_are_not_the_air(self, sit_down: Sit) -> None:
        draft = ROUTINE.with_step("temperature", of="part")
        assert stops(sit_down("steady_room", draft).at(0.0, "20.0", "20.3", "25.0", *GOOD, "").ended()) == []

    def test_a_temperature_that_was_struck_out_does_not_count(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", WITH_AIR).at(0.0, "20.0", "20.3", *GOOD, "25.0")
        desk.strike(1.0, desk.run.state.seq).at(2.0, "20.2", "")
        assert stops(desk.ended()) == []

    def test_the_time_away_counts(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE).at(0.0, "20", "20.1", *GOOD[:-1])
        desk.event(e.RunPaused, 1.0).event(e.RunContinued, 31 * MINUTE_S, away_s=1799.0).at(31 * MINUTE_S, "0", "")
        assert stops(desk.ended()) == ["steady_room/unknown"]

    def test_midnight_changes_nothing(self, sit_down: Sit) -> None:
        # The run begins at 08:00; 16 hours later it is another day.
        midnight_s = 16 * HOUR_S
        desk = sit_down("steady_room", WITH_AIR).at(midnight_s - 60.0, "20.0", "20.3").at(midnight_s + 60.0, *GOOD)
        assert stops(desk.at(midnight_s + 120.0, "20.5", "").ended()) == []

    def test_what_was_long_before_the_readings_does_not_matter(self, sit_down: Sit) -> None:
        draft = ROUTINE.with_step("soak", at_least="3 h", index=0)
        draft = draft.with_step("temperature", of="air", index=0).with_step("temperature", of="air", index=0)
        desk = sit_down("steady_room", draft).at(0.0, "25.0", "20.0").at(3 * HOUR_S, "", "20.0", "20.3", *GOOD, "")
        assert stops(desk.ended()) == []

    @pytest.mark.parametrize(("after_min", "expected"), [(30.0, ["steady_room/moved"]), (31.0, [])])
    def test_what_was_long_after_them_does_not_matter(
        self, sit_down: Sit, after_min: float, expected: list[str]
    ) -> None:
        desk = sit_down("steady_room", WITH_AIR).at(0.0, "20.0", "20.3", *GOOD)
        assert stops(desk.at(after_min * MINUTE_S, "21.0", "").ended()) == expected

    def test_a_run_that_was_given_up_before_any_reading_has_nothing_to_judge(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE).event(e.RunAbandoned, 1.0, reason="no time")
        assert [code for code in stops(desk.ended()) if code.startswith("steady_room")] == []


class TestTheSettings:
    def test_limit_window_and_gap_are_the_shops(self, sit_down: Sit) -> None:
        draft = ROUTINE.with_check("steady_room", limit="0.2 K", window="30 min", gap="5 min")
        record = sit_down("steady_room", draft).at(0.0, "20.0", "20.3").at(301.0, *GOOD, "").ended()
        assert stops(record) == ["steady_room/moved", "steady_room/unknown"]
        assert "0.3 K within 30 min; at most 0.2 K" in text_of(record, "steady_room/moved")
        assert "no more than 5 min may be missing" in text_of(record, "steady_room/unknown")

    def test_a_window_longer_than_the_loggers_hour_needs_an_answer_an_hour_before(self, sit_down: Sit) -> None:
        draft = ROUTINE.with_check("steady_room", window="100 min")
        assert stops(sit_down("steady_room", draft).at(0.0, "20", "20", *GOOD, "").ended()) == ["steady_room/unknown"]
        draft = draft.with_step("soak", at_least="1 h").with_step("room_hour")
        desk = sit_down("steady_room", draft).at(0.0, "20", "20").at(HOUR_S, "", "20", "20", *GOOD, "")
        assert stops(desk.ended()) == []


class TestBeforeAnyReading:
    def test_ideal_readings_are_taken_in_a_steady_room(self, house: Path) -> None:
        catalogue = catalogue_of(house / "steady_room.py")
        loaded = loaded_of(WITH_AIR, catalogue)
        checks, _ = bind(loaded.routine, catalogue, loaded.origins)
        evaluation, _ = expect(loaded.document, loaded.digest, checks)
        assert [found.code for found in evaluation.findings if found.level is Level.STOP] == []


class TestABatch:
    def test_a_part_that_was_read_later_stops_no_other(self, sit_down: Sit) -> None:
        part = [{"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}]
        loop = {"do": "repeat", "over": "parts", "steps": part}
        draft = ROUTINE.with_steps({"do": "room_hour"}, loop, {"do": "compare"})
        desk = sit_down("steady_room", draft, serials=("1", "2")).at(0.0, "20", "20.1", "0", "1", "0")
        desk.at(45 * MINUTE_S, "0", "1", "0", "")
        assert stops(desk.ended("1")) == []
        assert stops(desk.ended("2")) == ["steady_room/unknown"]


class TestAtTheBench:
    def test_nothing_is_asked_before_a_reading_is(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE)
        assert desk.codes(0.0) == []
        assert desk.at(0.0, "20.0").codes(0.0) == []

    def test_an_unsteady_hour_is_asked_about_before_the_zero(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE).at(0.0, "20.0", "20.8")
        (found,) = desk.asked(1.0)
        assert (found.level, found.code) == (Level.STOP, "steady_room/moved")
        assert "Will you wait until the room is steady" in found.text

    def test_answers_that_are_given_again_an_hour_later_lift_it(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE).at(0.0, "20.0", "20.8")
        desk.strike(HOUR_S, 2).strike(HOUR_S, 3).at(HOUR_S, "20.7", "20.9")
        assert desk.codes(HOUR_S + 1.0) == []

    def test_an_answer_that_has_grown_old_is_asked_about(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE.with_step("soak", at_least="2 h")).at(0.0, "20.0", "20.1")
        (found,) = desk.at(7200.0, "").asked(7200.0)
        assert found.code == "steady_room/unknown"
        assert "Is the answer about the last hour too old?" in found.text

    def test_an_old_answer_is_no_question_once_all_is_read(self, sit_down: Sit) -> None:
        desk = sit_down("steady_room", ROUTINE).at(0.0, "20.0", "20.1", *GOOD)
        assert desk.codes(7200.0) == []


class TestWithoutTheShop:
    def test_verify_says_that_the_rule_is_missing(self, house: Path, measure: Measure, catalogue: Catalogue) -> None:
        record = measure(ROUTINE, ["20.0", "20.3", *GOOD], plugins=[house / "steady_room.py"]).record
        assert any("steady_room/failed" in line for line in verify(record, catalogue))


class TestWhatTimeMends:
    """Two answers about the last hour, at 60 min and at 90 min: the first 0.8 K apart, the second steady."""

    # Half an hour later the first hour is out of the window, and the second is about all of it but the last half hour.
    PATIENT = Draft().with_step("room_hour").with_step("room_hour").with_check("steady_room", gap="2 h")

    def two_hours(self, sit_down: Sit, draft: Draft) -> Any:
        return sit_down("steady_room", draft).at(60 * MINUTE_S, "20.0", "20.8").at(90 * MINUTE_S, "20.8", "20.8")

    def test_a_move_that_leaves_the_window_offers_to_look_again(self, sit_down: Sit) -> None:
        desk = self.two_hours(sit_down, self.PATIENT)
        (found,) = desk.asked(100 * MINUTE_S)
        assert (found.code, found.level) == ("steady_room/moved", Level.STOP)
        assert found.offer is not None
        assert found.offer.act is Act.LOOK
        assert found.text.endswith("Wait 20 min, then look again.")
        assert desk.codes(120 * MINUTE_S) == ["steady_room/moved"]
        assert desk.codes(120 * MINUTE_S + 1.0) == []

    def test_where_the_answers_are_too_old_by_then_waiting_is_not_offered(self, sit_down: Sit) -> None:
        (found,) = self.two_hours(sit_down, ROUTINE.with_step("room_hour")).asked(100 * MINUTE_S)
        assert (found.code, found.offer) == ("steady_room/moved", None)
        assert "strike out what was given" in found.text

    def test_once_something_was_read_waiting_is_not_offered(self, sit_down: Sit) -> None:
        desk = self.two_hours(sit_down, self.PATIENT).at(100 * MINUTE_S, GOOD[0])
        (found,) = desk.asked(100 * MINUTE_S)
        assert (found.code, found.offer) == ("steady_room/moved", None)
