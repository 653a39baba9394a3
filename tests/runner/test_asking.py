"""Questions that no reading answers, and preparing steps that are done once more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.errors import AnswerRefusedError, EventRefusedError
from holdzero.run.answer import Told, understand
from holdzero.verify import verify
from holdzero.views import view_of

Start: TypeAlias = Callable[..., Any]  # see conftest
Measure: TypeAlias = Callable[..., Any]

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block 5 mm", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.1 um", travel = "50 um" }
characteristics.thickness = { measure = "size", at = "a", nominal = "5 mm", lower = "-3 um", upper = "+3 um" }
steps = [
    STEPS
    { do = "zero" }, { do = "read", at = "a" }, { do = "return" }
]
"""
HUMIDITY = 'do = "ask", name = "humidity", answer = "number", unit = "%"'
ANSWERS = ("0", "+1", "0")


def routine(*steps: str) -> str:
    return HEAD.replace("STEPS", "\n    ".join(f"{{ {step} }}," for step in steps))


@pytest.fixture
def said(start: Start) -> Callable[[str, str], object]:
    """What a text answers to a question."""

    def ask(step: str, text: str) -> object:
        run = start(routine(step)).run
        told = understand(text, run.prompt, None, 0.0)
        assert isinstance(told, Told)
        return told.value

    return ask


class TestAnAnswer:
    @pytest.mark.parametrize(
        ("step", "text", "value"),
        [
            (HUMIDITY, "45", 45.0),
            (HUMIDITY, " 45,5 % ", 45.5),
            ('do = "ask", name = "who"', "  B. Quill ", "B. Quill"),
            ('do = "ask", name = "lamp", choices = ["On", "Off"]', "on", "On"),
            ('do = "ask", name = "grade", choices = ["0 − 1", "2"]', "0 − 1", "0 − 1"),
            ('do = "ask", name = "warmest", answer = "temperature"', "68 degF", 20.0),
            ('do = "ask", name = "warmest", answer = "temperature", unit = "degC"', "20,25", 20.25),
            ('do = "ask", name = "load", answer = "force"', "800 mN", 0.8),
            ('do = "ask", name = "height", answer = "length"', "0.5 in", 12700.0),
        ],
    )
    def test_is_kept_in_the_inside_unit_or_as_words(
        self, said: Callable[[str, str], object], step: str, text: str, value: object
    ) -> None:
        found = said(step, text)
        assert found == (pytest.approx(value) if isinstance(value, float) else value)

    @pytest.mark.parametrize(
        ("step", "text", "reason"),
        [
            (HUMIDITY, "", "nothing was typed; type the humidity"),
            (HUMIDITY, "wet", "is not the humidity: write a number"),
            (HUMIDITY, "45 K", "is not the humidity"),
            (HUMIDITY, "nan", "is not the humidity"),
            ('do = "ask", name = "lamp", choices = ["on", "off"]', "dim", "is not one of: on, off"),
            ('do = "ask", name = "warmest", answer = "temperature"', "20", "add the unit"),
            ('do = "ask", name = "load", answer = "force"', "2 um", "um is a unit of length"),
            ('do = "ask", name = "who"', "x" * 201, "at most 200 plain signs"),
            ('do = "ask", name = "who"', "a\x07b", "plain signs"),
        ],
    )
    def test_is_refused_with_the_reason(
        self, said: Callable[[str, str], object], step: str, text: str, reason: str
    ) -> None:
        with pytest.raises(AnswerRefusedError, match=reason):
            said(step, text)

    def test_reaches_the_checks_and_the_record(self, measure: Measure) -> None:
        outcome = measure(
            routine(HUMIDITY, 'do = "ask", name = "lamp", choices = ["on", "off"]'), ("45 %", "ON", *ANSWERS)
        )
        record = outcome.record
        humidity, lamp = (row for row in record["readings"] if row["kind"] == "ask")
        assert (humidity["place"], humidity["raw"], humidity["value"], humidity["unit"]) == (
            "humidity",
            "45 %",
            45.0,
            "%",
        )
        assert (lamp["place"], lamp["raw"], lamp["value"], lamp["unit"]) == ("lamp", "ON", None, "")
        assert [event["value"] for event in record["events"] if event["event"] == "answer_given"] == [45.0, "on"]

    def test_that_was_tampered_with_is_named(self, measure: Measure, catalogue: Any) -> None:
        record = measure(routine(HUMIDITY), ("45 %", *ANSWERS)).record
        assert verify(record, catalogue) == []
        (event,) = (event for event in record["events"] if event["event"] == "answer_given")
        event["value"] = 55.0
        assert any("'45 %' means 45.0, the record says 55.0" in text for text in verify(record, catalogue))

    def test_can_be_struck_out_and_is_asked_for_again(self, start: Start) -> None:
        bench = start(routine(HUMIDITY))
        bench.take(e.AnswerGiven, slot="1", raw="45", value=45.0)
        assert bench.asked() == "zero"
        bench.strike(2)
        assert bench.asked() == "ask"
        bench.take(e.AnswerGiven, slot="1", raw="54", value=54.0)
        assert [given.value for given in view_of(bench.run.state, "1").given] == [54.0]

    def test_does_not_answer_another_step(self, start: Start) -> None:
        bench = start(routine(HUMIDITY, 'do = "ask", name = "who"'))
        with pytest.raises(EventRefusedError, match="while ask 1 was asked for"):
            bench.take(e.AnswerGiven, slot="2", raw="x", value="x")


class TestAPreparingStep:
    WIPE = 'do = "prepare", name = "wipe", say = "Wipe the plate."'

    def test_is_known_by_its_name_and_time(self, start: Start) -> None:
        bench = start(routine(self.WIPE, 'do = "prepare", say = "Set up."')).answer("", "")
        assert [(done.slot.of, done.time_s) for done in view_of(bench.run.state, "1").prepared] == [
            ("wipe", 1.0),
            ("", 2.0),
        ]

    def test_that_was_done_once_more_counts_again_and_asks_for_nothing_again(self, start: Start) -> None:
        bench = start(routine(self.WIPE)).answer("", "0")
        bench.time_s = 900.0
        asked = bench.asked()
        bench.take(e.PreparedAgain, slot="1")
        assert bench.asked() == asked == "read a"
        assert [done.time_s for done in view_of(bench.run.state, "1").prepared] == [1.0, 900.0]

    @pytest.mark.parametrize("slot", ["1", "2", "nowhere"])
    def test_that_was_not_done_before_can_not_be_done_again(self, start: Start, slot: str) -> None:
        bench = start(routine(self.WIPE))
        with pytest.raises(EventRefusedError, match="was done before"):
            bench.take(e.PreparedAgain, slot=slot)


class TestTheView:
    def test_says_who_measures_on_which_day_and_when(self, start: Start) -> None:
        bench = start(routine()).answer("0", "1")
        view = view_of(bench.run.state, "1")
        assert (view.operator, view.day.isoformat(), view.now_s) == ("T. Ester", "2026-03-02", 2.0)
        assert view_of(bench.run.state, "1", now_s=60.0).now_s == 60.0
