"""What a text says in answer to a prompt: accepted whole or refused with a reason for the inspector."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from holdzero import events as e
from holdzero.errors import AnswerRefusedError
from holdzero.outlook import Outlook, outlook_of
from holdzero.routine import schema
from holdzero.run.answer import (
    Confirmed,
    Ended,
    Named,
    Seen,
    TakenReading,
    TakenTemperature,
    Understood,
    understand,
)
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.prompt import Asks, Prompt


def comparator(**keys: str) -> schema.Comparator:
    return schema.Comparator.model_validate({"resolution": "0.1 um", "travel": "50 um", **keys})


MICROMETRES = comparator()


def said(
    text: str,
    asks: Asks,
    *,
    on: schema.Comparator | None = MICROMETRES,
    until_s: float = 0.0,
    now_s: float = 0.0,
    outlooks: tuple[Outlook, ...] = (),
) -> Understood:
    slot = Slot(id="1", group="1", kind=SlotKind.PREPARE, of="comparator")
    prompt = Prompt(slot=slot, asks=asks, title="", say="", caution="", number=1, count=1, until_s=until_s)
    prompt = replace(prompt, outlooks=outlooks)
    return understand(text, prompt, on, now_s)


def reading(text: str, on: schema.Comparator | None = MICROMETRES) -> float:
    answer = said(text, Asks.READING, on=on)
    assert isinstance(answer, TakenReading)
    return answer.value_um


def refusal(
    text: str,
    asks: Asks,
    *,
    on: schema.Comparator | None = MICROMETRES,
    until_s: float = 0.0,
    now_s: float = 0.0,
    outlooks: tuple[Outlook, ...] = (),
) -> str:
    with pytest.raises(AnswerRefusedError) as caught:
        said(text, asks, on=on, until_s=until_s, now_s=now_s, outlooks=outlooks)
    return str(caught.value)


class TestAReading:
    @pytest.mark.parametrize(
        ("text", "value_um"),
        [
            ("+1.5", 1.5),
            ("-1,5", -1.5),
            ("\u22121.5 µm", -1.5),
            ("- 1.5", -1.5),
            ("  0  ", 0.0),
            ("0.0015 mm", 1.5),
            ("20 uin", 0.508),
            ("-0.00002 in", -0.508),
            ("50", 50.0),
        ],
    )
    def test_is_taken_in_micrometres(self, text: str, value_um: float) -> None:
        assert reading(text) == pytest.approx(value_um, rel=1e-15)

    @pytest.mark.parametrize(
        ("on", "value_um"),
        [
            (comparator(unit="mm", travel="5 mm"), 2000.0),
            (comparator(resolution="0.0001 mm", travel="5 mm"), 2000.0),
            (comparator(resolution="0.00001 in", travel="3 in"), 50800.0),
            (comparator(unit="div", division="0.5 um"), 1.0),
        ],
    )
    def test_without_a_unit_has_the_comparators(self, on: schema.Comparator, value_um: float) -> None:
        assert reading("2", on) == value_um

    def test_in_divisions_counts_them(self) -> None:
        assert reading("-3 div", comparator(division="0.5 um")) == -1.5
        assert "say what one division is worth" in refusal("-3 div", Asks.READING)

    @pytest.mark.parametrize(
        "text",
        ["?", "1.5 mil", "1e-3", "1.5e0 um", "1 000", "1,000.5", "1.5 K", "1.5 1.6", "ERR4", "---", "nan"],
    )
    def test_that_is_not_understood_whole_is_not_used_at_all(self, text: str) -> None:
        assert "is no reading" in refusal(text, Asks.READING)

    @pytest.mark.parametrize("text", ["", " ", "\u00a0"])
    def test_that_was_not_typed_is_asked_for(self, text: str) -> None:
        assert "nothing was typed" in refusal(text, Asks.READING)

    def test_beyond_the_travel_is_a_slip_of_unit_or_decimal(self) -> None:
        assert refusal("0.0021 in", Asks.READING) == (
            "0.0021 in is +53.34 um, beyond the dial's travel of 50 um: look again, and mind the unit"
        )
        assert "-50.1 um" in refusal("-50.1", Asks.READING)

    @pytest.mark.parametrize("away_s", [30.0, 700.0])
    def test_beyond_the_travel_after_a_pause_is_a_stand_that_was_moved(
        self, start: Callable[..., Any], away_s: float
    ) -> None:
        bench = start().answer("0", "0", "0", "1").take(e.RunPaused).take(e.RunContinued, away_s=away_s)
        words = "there was a pause" if away_s < 60.0 else "you were away for 12 min"
        with pytest.raises(AnswerRefusedError) as refused:
            bench.answer("80")
        assert str(refused.value) == (
            f"80 is +80 um, beyond the dial's travel of 50 um: {words} since the zero, and stand or dial may have been "
            "moved; look again, and if it still shows this, give the zero up (z): it is set anew"
        )
        assert "mind the unit" not in str(refused.value)

    def test_beyond_the_travel_while_the_zero_is_set_anew_says_so(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0", "0", "1").take(e.RunPaused).take(e.RunContinued, away_s=30.0)
        bench.take(e.ZeroRenewed, reason="the stand was moved")
        with pytest.raises(AnswerRefusedError, match="set the dial to zero on the reference again"):
            bench.answer("80")
        bench.answer("0", "0", "0")
        with pytest.raises(AnswerRefusedError, match="mind the unit"):
            bench.answer("80")

    def test_beyond_the_travel_after_a_lost_line_is_told_alike(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0", "0", "1")
        bench.take(e.LineLost, of="comparator", why="the cable is out")
        with pytest.raises(AnswerRefusedError, match="the comparator's line was lost since the zero"):
            bench.answer("80")

    @pytest.mark.parametrize("text", ["10.0012 mm", "9.98 mm", "0.3937 in"])
    def test_beyond_the_travel_and_near_the_size_is_told_as_such(self, text: str) -> None:
        slot = Slot(id="1", group="1", kind=SlotKind.READ, place="a")
        prompt = Prompt(slot=slot, asks=Asks.READING, title="", say="", caution="", number=1, count=1)
        with pytest.raises(AnswerRefusedError, match="this looks like the size; type what the dial shows"):
            understand(text, replace(prompt, sizes_um=(10_000.0,)), MICROMETRES, 0.0)
        with pytest.raises(AnswerRefusedError, match="look again, and mind the unit"):
            understand(text, replace(prompt, sizes_um=(25_000.0,)), MICROMETRES, 0.0)
        with pytest.raises(AnswerRefusedError, match="look again, and mind the unit"):
            understand(f"-{text}", replace(prompt, sizes_um=(10_000.0,)), MICROMETRES, 0.0)

    def test_may_be_of_any_size_where_no_travel_is_stated(self) -> None:
        on = schema.Comparator.model_validate({"resolution": "0.1 um"})
        assert reading("12 mm", on) == 12_000.0

    def test_needs_a_unit_where_no_comparator_is_chosen(self) -> None:
        assert reading("1.5 um", None) == 1.5
        assert "add the unit" in refusal("1.5", Asks.READING, on=None)


class TestATemperature:
    @pytest.mark.parametrize(
        ("text", "value_degC"), [("20.3", 20.3), ("20,3 °C", 20.3), ("68 degF", 20.0), ("0", 0.0), ("50 C", 50.0)]
    )
    def test_is_taken_in_degrees_celsius(self, text: str, value_degC: float) -> None:  # noqa: N803  the unit's own capital
        answer = said(text, Asks.TEMPERATURE)
        assert isinstance(answer, TakenTemperature)
        assert answer.value_degC == pytest.approx(value_degC, rel=1e-12)

    @pytest.mark.parametrize("text", ["-0.1", "50.1", "68", "203", "2.03e1", "293 K"])
    def test_that_no_bench_has_is_refused(self, text: str) -> None:
        message = refusal(text, Asks.TEMPERATURE)
        assert "look again, and mind the unit" in message or "is no temperature" in message

    def test_says_what_it_would_be(self) -> None:
        assert refusal("203 degF", Asks.TEMPERATURE).startswith("203 degF is 95 degC: no bench is so")


class TestAConfirmation:
    @pytest.mark.parametrize("text", ["", " ", "\u00a0", "ok", "OK", "y", "Yes", "done\r"])
    def test_is_nothing_or_a_word_of_assent(self, text: str) -> None:
        assert said(text, Asks.CONFIRM) == Confirmed()

    @pytest.mark.parametrize("text", ["1.5", "no", "n", "strike 3", "0"])
    def test_is_nothing_else_so_that_no_reading_is_lost_in_it(self, text: str) -> None:
        assert refusal(text, Asks.CONFIRM) == f"'{text}' is no answer here: nothing is to be typed in this step"

    def test_repeats_a_flood_of_text_shortened(self) -> None:
        assert len(refusal("x" * 10_000, Asks.CONFIRM)) < 200


class TestASoak:
    def test_is_over_when_its_time_is(self) -> None:
        assert said("", Asks.WAIT, until_s=1200.0, now_s=1200.0) == Ended(None)
        assert said("whatever", Asks.WAIT, until_s=1200.0, now_s=1300.0) == Ended(None)

    @pytest.mark.parametrize("text", ["", " ", "ok", "..."])
    def test_is_not_ended_early_without_a_reason_in_words(self, text: str) -> None:
        assert "to go; to end the soak all the same, type the reason in words" in refusal(text, Asks.WAIT, until_s=90.0)

    @pytest.mark.parametrize(
        ("text", "value_um"), [("0.03 mm", 30.0), ("+0,5 um", 0.5), ("-1", -1.0), ("1.5", 1.5), ("20 uin", 0.508)]
    )
    def test_is_not_ended_by_a_reading_which_is_seen_and_answers_nothing(self, text: str, value_um: float) -> None:
        seen = said(text, Asks.WAIT, until_s=90.0)
        assert isinstance(seen, Seen)
        assert seen.of == ""
        assert seen.value == pytest.approx(value_um)

    @pytest.mark.parametrize("text", ["part 20.31", "PART 20,31 degC"])
    def test_takes_a_temperature_with_what_it_is_of(self, text: str) -> None:
        assert said(text, Asks.WAIT, until_s=90.0) == Seen("part", 20.31)

    def test_asks_what_a_temperature_is_of(self) -> None:
        assert refusal("20.1 degC", Asks.WAIT, until_s=90.0) == "'20.1 degC': say of what, for example: part 20.1 degC"

    def test_takes_no_quantity_that_is_neither(self) -> None:
        assert "is no reading" in refusal("5 min", Asks.WAIT, until_s=90.0)

    def test_that_is_over_but_not_at_rest_goes_on(self) -> None:
        moving = outlook_of(list(range(60)), [0.1 * t for t in range(60)], of="", unit="um", within=0.5)
        assert moving is not None
        told = refusal("", Asks.WAIT, until_s=60.0, now_s=61.0, outlooks=(moving,))
        assert told.startswith("the time is over, but it is not at rest yet")
        assert said("must go on", Asks.WAIT, until_s=60.0, now_s=61.0, outlooks=(moving,)) == Ended("must go on")

    def test_that_is_at_rest_ends_early(self) -> None:
        still = outlook_of(list(range(600)), [0.0] * 600, of="", unit="um", within=0.5, step=0.01)
        assert still is not None
        assert said("", Asks.WAIT, until_s=1200.0, now_s=600.0, outlooks=(still,)) == Ended(None)

    @pytest.mark.parametrize("text", ["0.3 mm gap closed", "20 min are enough", "min"])
    def test_is_ended_by_words_that_hold_a_number(self, text: str) -> None:
        assert said(text, Asks.WAIT, until_s=90.0) == Ended(text)

    def test_is_ended_early_with_one(self) -> None:
        assert said(" soaked overnight ", Asks.WAIT, until_s=1200.0) == Ended("soaked overnight")

    @pytest.mark.parametrize(
        ("left_s", "text"), [(1200.0, "20 min 00 s"), (61.0, "1 min 01 s"), (59.6, "1 min 00 s"), (3.2, "3 s")]
    )
    def test_says_how_long_it_still_takes(self, left_s: float, text: str) -> None:
        assert refusal("", Asks.WAIT, until_s=left_s).startswith(f"{text} to go")


class TestAChoice:
    def test_is_the_identifier_of_an_entry(self) -> None:
        assert said(" block-5 ", Asks.CHOICE) == Named("block-5")

    def test_is_not_nothing(self) -> None:
        assert refusal(" ", Asks.CHOICE) == "type the identifier of the comparator"
