"""What a sheet says and lets a pedal do, without a browser."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from typing import Any

import pytest

from holdzero import events as e
from holdzero.hooks import Finding, Level
from holdzero.outlook import outlook_of
from holdzero.page.app import Page
from holdzero.page.chart import Dot, readings_picture, soak_picture
from holdzero.page.sheet import sheet_of
from holdzero.page.snapshot import Snapshot, Stage
from holdzero.page.soaked import OVER
from holdzero.testing import GOOD, PLAIN, Draft, Measure


def shown(bench: Any, stage: Stage = Stage.RUNNING, **fields: Any) -> Snapshot:
    prompt = bench.run.prompt if stage is Stage.RUNNING else None
    return Snapshot(seq=1, stage=stage, run=bench.run, prompt=prompt, now_s=bench.time_s, **fields)


def markup(snapshot: Snapshot) -> str:
    faults: list[Exception] = []
    made = Page(faults.append).fragment(snapshot)
    assert faults == []
    return made


class TestThePedal:
    def test_confirms_a_step_and_accepts_a_live_value(self, start: Callable[..., Any]) -> None:
        bench = start(Draft.of(PLAIN).with_step("prepare", index=0, say="Wipe.").text)
        sheet = sheet_of(shown(bench))
        assert (sheet.pedal, sheet.what) == ("accept", "accept")
        sheet = sheet_of(shown(bench.answer(""), live=True, source="serial:port"))
        assert (sheet.pedal, sheet.what, sheet.accept) == ("accept", "accept", "Accept")

    def test_is_nothing_where_a_reading_is_typed(self, start: Callable[..., Any]) -> None:
        assert sheet_of(shown(start())).pedal == "none"

    def test_is_held_to_finish(self, start: Callable[..., Any]) -> None:
        assert sheet_of(shown(start().answer(*GOOD))).pedal == "hold"

    @pytest.mark.parametrize("stage", [Stage.OVERRULE, Stage.STOPPED, Stage.FINISHED, Stage.ABANDONED, Stage.CHOOSING])
    def test_is_nothing_where_a_person_has_to_choose(self, start: Callable[..., Any], stage: Stage) -> None:
        assert sheet_of(shown(start(), stage)).pedal == "none"


class TestABlindRun:
    BLIND = Draft.of(PLAIN).with_table("routine", blind=True).text

    def test_keeps_values_limits_and_chart_back(self, start: Callable[..., Any]) -> None:
        bench = start(self.BLIND).answer(*GOOD[:4])
        sheet = sheet_of(shown(bench, taken=bench.run.events[-1]))
        assert [row.value for row in sheet.rows] == [""] * 4
        assert (sheet.limits, sheet.picture) == ((), None)
        assert sheet.taken is not None
        assert sheet.taken.value == ""

    def test_shows_them_when_it_is_over(self, start: Callable[..., Any], measure: Measure) -> None:
        bench = start(self.BLIND).answer(*GOOD, "")
        sheet = sheet_of(shown(bench, Stage.FINISHED, records=(measure(PLAIN, GOOD).record,)))
        assert sheet.rows[3].value == "+1 µm"
        assert sheet.picture is not None


class TestATypedValue:
    def test_stands_beside_what_was_understood(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0.0001 mm")
        taken = sheet_of(shown(bench, taken=bench.run.events[-1])).taken
        assert taken is not None
        assert (taken.value, taken.words) == ("+0.1 µm", "Taken: typed 0.0001 mm; understood +0.1 µm")

    def test_of_an_instrument_is_only_taken(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0")
        taken = sheet_of(shown(bench, taken=replace(bench.run.events[-1], line="+0000.0"))).taken
        assert taken is not None
        assert taken.words == "Taken"

    def test_in_another_unit_is_remembered_where_the_next_is_typed(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0.0001 mm")
        assert "The last one was typed in mm; a bare number is in µm." in markup(shown(bench, source="keyboard"))
        assert "The last one was typed in mm" in markup(shown(bench, source="serial:port", live=True))
        assert "The last one was typed" not in markup(shown(bench.answer("0.1 um"), source="keyboard"))


class TestASheet:
    def test_always_says_what_is_measured_where_it_stands_and_what_comes_next(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0")
        sheet = sheet_of(shown(bench))
        assert {box.label: box.text for box in sheet.head}["Operator"] == "T. Ester"
        assert (sheet.step, sheet.following) == ("Step 2 of 8", "Read place a")
        paused = sheet_of(shown(bench.take(e.RunPaused), Stage.PAUSED))
        assert (paused.step, paused.accept, paused.what) == ("Step 2 of 8", "Go on", "go_on")

    def test_keeps_what_is_struck_out_and_says_why(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0.7").strike(3, "bumped")
        row = sheet_of(shown(bench)).rows[-1]
        assert (row.value, row.out) == ("+0.7 µm", "struck out: bumped")

    def test_marks_what_was_given_up_with_its_zero_and_offers_it_no_more(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0", "0", "0.7")
        assert [row.out for row in sheet_of(shown(bench)).rows] == [""] * 4
        bench.take(e.ZeroRenewed, reason="the dial was bumped")
        sheet = sheet_of(shown(bench))
        assert [row.out for row in sheet.rows] == [*["given up"] * 3, "given up with its zero"]
        assert not sheet.can_zero
        assert sheet.last is None
        assert len(re.findall(r'<g class="mark mark-\w+ replaced"', str(sheet.picture))) == 4
        assert "data-strike=" not in markup(shown(bench))
        # What is set anew counts.
        sheet = sheet_of(shown(bench.answer("0")))
        assert [row.out for row in sheet.rows][4:] == [""]
        assert sheet.can_zero

    def test_names_the_round_of_an_entry_where_there_are_several(self, start: Callable[..., Any]) -> None:
        bench = start().answer(*GOOD[:5])
        assert [row.rounds for row in sheet_of(shown(bench)).rows] == ["", "", "", "round 1 of 3", "round 2 of 3"]
        assert 'data-name="place a, round 2 of 3: +1.1 µm"' in markup(shown(bench))

    def test_lists_what_was_prepared_without_a_number_and_without_a_way_to_strike_it(
        self, start: Callable[..., Any]
    ) -> None:
        wiped = Draft.of(PLAIN).with_step("prepare", index=0, say="Wipe all.").text
        bench = start(wiped).answer("", "0")
        bench.take(e.PreparedAgain, slot=bench.run.state.prepared[0].slot.id)
        sheet = sheet_of(shown(bench))
        assert [(row.number, row.what) for row in sheet.rows] == [
            (None, "at 08:00: Wipe all."),
            (3, "zero"),
            (None, "at 08:00: Wipe all."),
        ]
        assert sheet.last is not None
        assert sheet.last.number == 3
        made = markup(shown(bench))
        assert re.findall(r'data-strike="(\w+)"', made) == ["3"]
        assert "taken</td>" not in made

    def test_says_once_what_the_numbers_of_the_entries_are(self, start: Callable[..., Any], measure: Measure) -> None:
        bench = start().answer(*GOOD, "")
        over = shown(bench, Stage.FINISHED, records=(measure(PLAIN, GOOD).record,))
        for made in (markup(shown(start().answer("0", "0.7"))), markup(over)):
            assert made.count("Numbers as in the record") == 1

    def test_names_the_part_of_an_entry_once(self, start: Callable[..., Any]) -> None:
        over = {"do": "repeat", "over": "parts", "steps": [{"do": "read", "at": "a"}]}
        steps = ({"do": "zero"}, {"do": "repeat", "times": 2, "steps": [over]}, {"do": "return"}, {"do": "compare"})
        bench = start(Draft.of(PLAIN).with_steps(*steps).text, serials=("P", "Q")).answer("0", "1", "1.1")
        assert [(row.what, row.rounds) for row in sheet_of(shown(bench)).rows[1:]] == [
            ("P: place a", "round 1 of 2"),
            ("Q: place a", "round 1 of 2"),
        ]

    def test_of_a_run_that_was_given_up_says_why(self, start: Callable[..., Any]) -> None:
        sheet = sheet_of(shown(start().take(e.RunAbandoned, reason="wrong part"), Stage.ABANDONED))
        assert (sheet.title, sheet.say) == ("Given up", "Reason: wrong part.")


class TestAStop:
    STOP = Finding(level=Level.STOP, code="zero_return/over", text="The return is 8 µm from zero.")

    def stopped(self, bench: Any) -> Any:
        return sheet_of(shown(bench, Stage.STOPPED, stop=self.STOP))

    def test_stands_after_what_was_done_and_not_at_what_comes_next(self, start: Callable[..., Any]) -> None:
        sheet = self.stopped(start().answer("0", "0.7"))
        assert (sheet.step, sheet.following) == ("After step 2 of 8", "")
        # The bar shows as many steps done as the words.
        assert sheet.number - 1 == 2

    def test_has_what_was_asked_about_the_same_reading_beside_it(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0.7")
        bench.take(e.QuestionAsked, code="entry/unit/3", text="In mm?", act="strike", entries=(3,))
        (asked,) = self.stopped(bench).findings
        assert (asked.text, asked.offer) == ("In mm?", "strike out entry 3 and read it again")
        assert self.stopped(bench.strike(3)).findings == ()

    def test_offers_to_give_the_zero_up_once_there_is_one(self, start: Callable[..., Any]) -> None:
        assert not self.stopped(start()).can_zero
        assert self.stopped(start().answer("0")).can_zero


class TestAnInterruption:
    ENDED = "the port is gone\nplug it in again\nall that was accepted is saved; to go on:\nholdzero resume a.jsonl"

    def test_says_why_and_counts_what_is_kept_and_no_notes(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0", "0.7").take(e.NoteAdded, text="the lamp flickers")
        say = sheet_of(shown(bench, Stage.INTERRUPTED, ended=self.ENDED)).say
        kept = "All 2 readings and answers are saved. Go on from the list of open runs."
        assert say == f"the port is gone; plug it in again. {kept}"


class TestAPause:
    def test_says_since_when_and_for_how_long(self, start: Callable[..., Any]) -> None:
        bench = start().answer("0").take(e.RunPaused)
        bench.time_s += 725.0
        sheet = sheet_of(shown(bench, Stage.PAUSED))
        assert sheet.say.startswith("Since 08:00. ")
        assert sheet.pause is not None
        assert (sheet.pause.lasts, sheet.pause.lasts_s, sheet.pause.pace) == ("12:05", 725.0, 1.0)


class TestASoak:
    ROUTINE = Draft.of(PLAIN).with_step("soak", index=0, at_least="20 min", within="0.1 um").text

    def test_counts_down_and_says_when_the_clock_will_say_so(self, start: Callable[..., Any]) -> None:
        soak = sheet_of(shown(start(self.ROUTINE))).soak
        assert soak is not None
        assert (soak.left, soak.ends) == ("20:00", "to go; the time is over at 08:20")

    def test_that_is_hurried_counts_down_as_fast_and_is_over_sooner(self, start: Callable[..., Any]) -> None:
        sheet = sheet_of(replace(shown(start(self.ROUTINE)), pace=60.0, greeting=("PRACTICE at a virtual bench.",)))
        assert sheet.soak is not None
        # Twenty minutes in twenty seconds: the minute on the wall is still the same.
        assert (sheet.soak.pace, sheet.soak.ends) == (60.0, "to go; the time is over at 08:00")
        assert sheet.marks[0] == "PRACTICE at a virtual bench"
        assert replace(shown(start(self.ROUTINE)), pace=60.0, now_s=5.0, at_s=1.0).elapsed_s(3.0) == 125.0

    def test_that_is_over_and_not_at_rest_says_so_as_the_script_does(self, start: Callable[..., Any]) -> None:
        bench = start(self.ROUTINE)
        bench.time_s = 1300.0
        soak = sheet_of(shown(bench)).soak
        assert soak is not None
        assert (soak.left, soak.ends) == ("0:00", OVER)
        assert OVER in (files("holdzero.page") / "static" / "bench.js").read_text("utf-8")


class TestAPicture:
    def test_has_a_title_and_a_description_and_no_markup_of_others(self) -> None:
        dot = Dot(number=3, value=1.0, kind="part", state="", words="<b>place a</b>")
        drawn = readings_picture([dot], "µm")
        assert "<title" in drawn
        assert "<desc" in drawn
        assert "<b>" not in drawn
        assert "style=" not in drawn

    def test_tells_a_reading_that_counts_no_more_by_its_shape(self) -> None:
        states = ("", "struck", "replaced")
        dots = [Dot(number=n, value=1.0, kind="part", state=state, words="") for n, state in enumerate(states)]
        drawn = readings_picture(dots, "µm")
        assert [drawn.count(f'"mark mark-part{state}"') for state in ("", " struck", " replaced")] == [2, 1, 1]

    def test_has_a_legend_of_what_occurs_in_it(self) -> None:
        dots = [
            Dot(number=1, value=0.0, kind="zero", state="", words=""),
            Dot(number=2, value=1.0, kind="part", state="struck", words=""),
        ]
        for some, words in (
            (dots[:1], ["zero, on the reference"]),
            (dots, ["zero, on the reference", "part", "struck out"]),
        ):
            assert re.findall(r"</svg>([^<]*)</li>", readings_picture(some, "µm")) == words

    def test_of_a_soak_has_points_curve_and_band(self) -> None:
        times = [10.0 * n for n in range(40)]
        values = [2.0 * math.exp(-t / 60.0) + 0.01 * (-1) ** n for n, t in enumerate(times)]
        outlook = outlook_of(times, values, of="", unit="um", within=0.1)
        assert outlook is not None
        drawn = soak_picture(outlook, list(zip(times, values, strict=True)))
        (seen,) = re.findall(r'<path class="seen" d="([^"]*)"/>', drawn.partition("<ul")[0])
        assert seen.count("M") == 40
        assert re.findall(r"</svg>([^<]*)</li>", drawn) == ["seen", "fitted"]
        assert 'class="fitted"' in drawn
        assert 'class="band"' in drawn
        places = [float(y) for y in re.findall(r"M[\d.]+,([\d.]+)h", seen)]
        assert places[0] < places[-1]  # it falls: further down the picture
