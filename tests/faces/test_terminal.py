"""The terminal as an inspector meets it: what is asked, what is refused, what is put right."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest

from holdzero.testing import PLAIN

pytestmark = pytest.mark.terminal

PASS, FAIL, UNDECIDED, INTERRUPTED = 0, 1, 3, 4
ZEROS = ("0", "+0.1", "-0.1")
PLACES = ("+1.0", "+1.1", "+0.9")
WHO = ("--operator", "T. Ester", "--serial", "7")


class Person(Protocol):
    """Somebody at a terminal; see conftest."""

    @property
    def screen(self) -> str: ...
    @property
    def raw(self) -> str: ...
    def prompted(self) -> str: ...
    def types(self, *lines: str) -> str: ...
    def say(self, line: str) -> None: ...
    def begin(self, text: str) -> None: ...
    def says_at_once(self, *lines: str, half: str = "") -> None: ...
    def shows(self, pattern: str) -> None: ...
    def ends(self) -> int: ...
    def interrupts(self) -> None: ...
    def hangs_up(self) -> None: ...


Sit: TypeAlias = Callable[..., Person]
Record: TypeAlias = dict[str, Any]


@pytest.fixture
def plain() -> str:
    """The text of the routine that the kit measures with."""
    return PLAIN


@pytest.fixture
def start(person: Sit, tmp_path: Path, plain: str) -> Sit:
    """Start a run of the plain routine, or of another text."""

    def go(text: str = plain, who: tuple[str, ...] = WHO, **more: Any) -> Person:
        (tmp_path / "routine.toml").write_text(text, "utf-8")
        return person("run", "routine.toml", "--out", "out", *who, **more)

    return go


@pytest.fixture
def record(tmp_path: Path) -> Callable[[], Record]:
    """The only record there is."""

    def read() -> Record:
        (path,) = (tmp_path / "out").glob("*.record.json")
        found: Record = json.loads(path.read_text("utf-8"))
        return found

    return read


def kinds(record: Record) -> list[str]:
    return [event["event"] for event in record["events"]]


def flat(text: str) -> str:
    return " ".join(text.split())


class TestAWholeRun:
    def test_who_and_which_part_are_asked_where_no_option_says_it(
        self, start: Sit, record: Callable[[], Record]
    ) -> None:
        at_bench = start(who=())
        assert "Who measures?" in at_bench.types("T. Ester")
        assert "Serial of the part" in at_bench.types("0042")
        at_bench.types(*ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert record()["run"]["operator"] == "T. Ester"
        assert record()["run"]["serial"] == "0042"

    def test_each_prompt_tells_place_instruction_and_unit(self, start: Sit) -> None:
        at_bench = start()
        first = at_bench.types(ZEROS[0])
        assert "Washer, thickness   W-1" in first
        assert "serial 7" in first
        assert "Step 1 of 8   next: Read place a" in first
        assert "ZERO ON THE REFERENCE, READING 1 OF 3" in first
        assert first.rstrip().endswith("[µm] (? for help):")
        third = at_bench.types(*ZEROS[1:], PLACES[0])
        assert "round 1 of 3" in third
        assert "Read so far: zero +0 µm  zero +0.1 µm  zero −0.1 µm" in third

    def test_a_reading_is_echoed_large(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types("0", "-1.5")
        shown = at_bench.prompted()
        rows = [line.strip() for line in shown.splitlines() if "█" in line]
        assert rows == ["█    ███", "██    █", "███  █    ███", "█      █", "███ █ ███  µm"]

    def test_what_was_typed_stands_beside_what_was_understood(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types("0", "0.0015 mm", "20 uin")
        shown = at_bench.prompted()
        assert "typed 0.0015 mm; understood +1.5 µm" in at_bench.screen
        assert "typed 20 uin; understood +0.508 µm" in shown

    def test_the_unit_that_was_typed_last_is_shown_where_a_bare_number_is_in_another(
        self, start: Sit, record: Callable[[], Record]
    ) -> None:
        at_bench = start()
        at_bench.types("0", "0.1 µm", "-0.0001 mm")
        assert "last typed in" not in at_bench.screen
        assert at_bench.prompted().rstrip().endswith("[µm] (last typed in mm) (? for help):")
        at_bench.say("1.0")
        assert "last typed in" not in at_bench.prompted()
        at_bench.say(PLACES[1])
        at_bench.types(PLACES[2], "0", "")
        assert at_bench.ends() == PASS
        assert [row["value"] for row in record()["readings"]][3] == 1.0

    def test_the_verdict_stands_large_at_the_bottom(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert at_bench.screen.rstrip().splitlines()[-1] == "  [+] PASS  W-1  serial 7"
        assert "█" in at_bench.screen.rstrip().splitlines()[-2]

    def test_a_caution_stands_before_the_step_that_it_guards(self, start: Sit, plain: str) -> None:
        step = '[[steps]]\ndo = "prepare"\nsay = "Wipe all."\ncaution = "Solvent burns."\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        shown = at_bench.prompted()
        assert shown.index("CAUTION  Solvent burns.") < shown.index("PREPARE") < shown.index("Wipe all.")

    def test_words_of_the_routine_are_shown_as_they_stand(self, start: Sit, plain: str) -> None:
        title = "Ring [/b] [red]A[/red] :smile:"
        at_bench = start(plain.replace("Washer, thickness", title))
        assert title in at_bench.prompted()
        at_bench.say("n")
        at_bench.types("[/] [bold]", *ZEROS, *PLACES, "s", "5", "[/x] fell", "0", "")
        assert at_bench.ends() == PASS
        assert "struck out: [/x] fell" in at_bench.screen
        assert "[/] [bold]" in at_bench.screen


class TestRefusedAnswers:
    @pytest.mark.parametrize(
        ("answer", "reason"),
        [
            ("nan", "'nan' is no reading"),
            ("inf", "'inf' is no reading"),
            ("-infinity", "is no reading"),
            ("abc", "'abc' is no reading"),
            ("", "nothing was typed"),
            ("1.0 1.1", "is no reading"),
            ("+51", "beyond the dial's travel of 50 um"),
            ("0.1 mm", "beyond the dial's travel of 50 um"),
            ("20.1 degC", "degC is a unit of temperature"),
            ("20.1 °C", "is a unit of temperature"),
        ],
    )
    def test_a_reading_is_asked_for_again_with_the_reason(self, start: Sit, answer: str, reason: str) -> None:
        at_bench = start()
        at_bench.types(answer)
        shown = flat(at_bench.prompted())
        assert "Not taken: " in shown
        assert reason in shown
        assert "ZERO ON THE REFERENCE, READING 1 OF 3" in shown

    def test_all_of_them_leave_no_trace_but_the_right_one(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types("nan", "abc", "+51", *ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [event["raw"] for event in record()["events"] if "raw" in event] == [*ZEROS, *PLACES, "0"]

    def test_a_length_in_place_of_a_temperature(self, start: Sit, plain: str) -> None:
        step = '[[steps]]\ndo = "temperature"\nof = "part"\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        assert "[°C]" in at_bench.types("+1.5 um")
        assert "Not taken: '+1.5 um' is no temperature" in flat(at_bench.types("68"))
        assert "no bench is so" in flat(at_bench.types("20.3"))
        assert "°C" in at_bench.prompted()

    def test_a_word_where_nothing_is_to_be_typed(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, *PLACES, "0", "+1.0")
        assert "nothing is to be typed in this step" in flat(at_bench.prompted())

    def test_a_soak_ends_early_only_with_a_reason_in_words(
        self, start: Sit, plain: str, record: Callable[[], Record]
    ) -> None:
        step = '[[steps]]\ndo = "soak"\nat_least = "20 min"\n\n'
        begun_s = time.monotonic()
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        shown = at_bench.types("ok")
        left = re.search(r"(\d+):(\d\d) to go", shown)
        assert left
        # It is shown in whole seconds.
        assert 0 <= 20 * 60 - (60 * int(left[1]) + int(left[2])) <= time.monotonic() - begun_s + 1.0
        assert re.search(r"Ends by itself at \d\d:\d\d", shown)
        assert "to end the soak all the same, type the reason in words" in flat(at_bench.types("12"))
        assert "Seen: +12 µm. The soak goes on." in flat(at_bench.types("lay here since noon"))
        told = flat(at_bench.types("e"))
        assert re.search(r"(20|19\.\d) min of 20 min are missing, and nothing was watched", told), told
        at_bench.types(*ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        (doubt,) = [finding for finding in record()["findings"] if finding["code"] == "soak/short"]
        assert "lay here since noon" in doubt["text"]

    def test_a_soak_goes_on_where_its_early_end_is_not_confirmed_and_is_done_again_where_it_was(
        self, start: Sit, plain: str, record: Callable[[], Record]
    ) -> None:
        step = '[[steps]]\ndo = "soak"\nat_least = "20 min"\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        at_bench.types("in a hurry", "")
        assert "to go" in at_bench.types("in a hurry")
        at_bench.types("e", ZEROS[0], "d")
        assert "1  soak of 20 min" in at_bench.types("1")
        assert "The soak begins again" in flat(at_bench.types("no time again"))
        at_bench.types("e", *ZEROS[1:], *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [kind for kind in kinds(record()) if kind.startswith("soak")] == [
            "soak_ended",
            "soak_begun_again",
            "soak_ended",
        ]

    def test_what_is_typed_in_a_soak_stays_whole_while_the_countdown_goes_on(
        self, start: Sit, plain: str, record: Callable[[], Record]
    ) -> None:
        step = '[[steps]]\ndo = "soak"\nat_least = "20 min"\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        at_bench.prompted()
        at_bench.begin("lay here ")
        for _ in range(2):
            at_bench.shows(r"\d+:\d\d to go")
        at_bench.say("since noon")
        at_bench.types("e", *ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [event["reason"] for event in record()["events"] if event["event"] == "soak_ended"] == [
            "lay here since noon"
        ]

    def test_a_soak_ends_by_itself(self, start: Sit, plain: str, record: Callable[[], Record]) -> None:
        step = '[[steps]]\ndo = "soak"\nat_least = "1 s"\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        assert "SOAK" in at_bench.prompted()
        at_bench.types(*ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert "soak/short" not in [finding["code"] for finding in record()["findings"]]


class TestABlindRoutine:
    def test_shows_no_reading_and_keeps_them_all(self, start: Sit, plain: str, record: Callable[[], Record]) -> None:
        at_bench = start(plain.replace('part = "W-1"', 'part = "W-1"\nblind = true'))
        at_bench.types(*ZEROS, "+1.7", "l")
        shown = flat(at_bench.prompted())
        assert "1.7" not in shown.replace("+1.7 ", "", 1)
        assert "Read so far" not in at_bench.screen
        at_bench.say("+1.1")
        at_bench.types("+0.9", "0", "")
        assert at_bench.ends() == PASS
        assert [row["value"] for row in record()["readings"]][3] == 1.7


class TestTypedAhead:
    def test_lines_that_came_before_the_prompt_answer_nothing(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.prompted()
        at_bench.says_at_once("0", "+7", "+8", "+9")
        shown = at_bench.prompted()
        assert "READING 2 OF 3" in shown
        assert "Typed before it was asked, not taken: '+7', '+8', '+9'." in flat(shown)
        at_bench.say("+0.1")
        at_bench.types("-0.1", *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [event["raw"] for event in record()["events"] if "raw" in event] == [*ZEROS, *PLACES, "0"]

    def test_nor_does_half_a_line(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.prompted()
        at_bench.says_at_once("0", half="+7")  # typed on at once, before the next prompt is there
        at_bench.types("+0.1", "-0.1", *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [event["raw"] for event in record()["events"] if "raw" in event] == [*ZEROS, *PLACES, "0"]


class TestStrikeOut:
    def test_a_mistyped_reading_is_struck_out_with_a_reason_and_taken_again(
        self, start: Sit, record: Callable[[], Record]
    ) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "+10", "s")
        assert re.search(r"5 +a +\+10 µm", at_bench.types("5"))
        shown = at_bench.types("1")
        assert "1  mistyped" in shown
        assert "Why entry 5 is struck out" in shown
        shown = at_bench.types("+1.0")
        assert "Entry 5 is struck out: mistyped." in shown
        assert "It takes the place of entry 5, which was struck out." in " ".join(shown.split())
        assert "takes the place" not in at_bench.types(PLACES[1])
        at_bench.types(*PLACES[2:], "0", "")
        assert at_bench.ends() == PASS
        struck = [event for event in record()["events"] if event["event"] == "answer_struck"]
        assert [(event["target"], event["reason"]) for event in struck] == [(5, "mistyped")]
        assert [event["raw"] for event in record()["events"] if "raw" in event] == [
            *ZEROS,
            "+10",
            *PLACES,
            "0",
        ]
        assert record()["results"]["thickness"]["value_um"] == pytest.approx(1.0)

    def test_own_words_are_a_reason_and_nothing_is_none(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "+10", "s", "5", "")
        assert "Nothing was struck out: a reason is needed." in at_bench.types("s")
        at_bench.types("99")
        # Asked again: the next number would else be a reading.
        assert "There is no entry 99 that counts; one number, as it stands above." in at_bench.types("5, 6")
        assert "There is no entry 5, 6 that counts" in at_bench.types("")
        at_bench.types("s", "")
        assert "Nothing was struck out." in at_bench.types("s")
        at_bench.types("5", "slipped off", *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [event["reason"] for event in record()["events"] if event["event"] == "answer_struck"] == ["slipped off"]

    def test_one_that_is_struck_out_can_not_be_struck_out_again(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "+10", "s", "5", "1", "s", "5")
        assert "There is no entry 5 that counts;" in at_bench.prompted()

    def test_after_the_return_the_return_is_asked_for_again(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, *PLACES[:2], "+9.0", "0", "s", "7", "1")
        assert "READ PLACE A" in at_bench.types("+0.9")
        assert "RETURN TO THE REFERENCE" in at_bench.types("0")
        assert "COMPARE" in at_bench.types("")
        assert at_bench.ends() == PASS
        assert [event["raw"] for event in record()["events"] if "raw" in event][-2:] == ["+0.9", "0"]


class TestOtherWords:
    def test_a_note_goes_on_record(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "n", "lamp was on", *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert "Note of the inspector: lamp was on" in [finding["text"] for finding in record()["findings"]]

    def test_an_empty_note_is_none(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "n", "", *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert "note_added" not in kinds(record())

    def test_pause_and_go_on(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "p")
        assert re.search(r"PAUSED at \d\d:\d\d. Every reading is saved.", at_bench.types(""))
        shown = at_bench.types(*PLACES[:1])
        assert "Back after 0:0" in shown
        at_bench.types(*PLACES[1:], "0", "")
        assert at_bench.ends() == PASS
        assert kinds(record())[4:6] == ["run_paused", "run_continued"]

    def test_help_names_every_letter(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types("?")
        shown = at_bench.prompted()
        for letter in "snzpql?":
            assert re.search(rf"^ +{re.escape(letter)}  \w", shown, re.MULTILINE), letter
        assert "Ctrl-C" in shown

    def test_the_list_shows_every_reading_and_what_was_struck_out(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types("l")
        assert "nothing read so far" in at_bench.types(ZEROS[0])
        at_bench.types(*ZEROS[1:], "+10", "s", "5", "6", "l")
        shown = at_bench.prompted()
        assert re.search(r"2 +zero +\+0 µm", shown)
        assert re.search(r"5 +a +\+10 µm  struck out: wrong part", shown)

    def test_the_list_shows_what_was_prepared_between_and_again(self, start: Sit, plain: str) -> None:
        step = '[[steps]]\ndo = "prepare"\nsay = "Wipe all."\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        at_bench.types("", ZEROS[0], "d", "1", "l")
        shown = at_bench.prompted().replace("\r", "")
        assert re.search(r"-  at \d\d:\d\d: Wipe all\.\n +3  zero +\+0 µm\n +-  at \d\d:\d\d: Wipe all\.\n", shown)

    def test_what_counts_no_more_with_its_zero_is_listed_as_such_and_can_not_be_struck_out(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, *PLACES[:2], "z", "bumped the stand", "0", "s")
        shown = at_bench.types("5")
        assert re.search(r"2 +zero +\+0 µm  given up with its zero", shown)
        assert re.search(r"5 +a +\+1 µm  given up with its zero  round 1 of 3", shown)
        assert re.search(r"8 +zero +\+0 µm\r?\n", shown)
        assert "There is no entry 5 that counts" in at_bench.types("8")

    def test_without_a_zero_there_is_none_to_give_up(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types("z")
        assert "No zero was taken yet" in at_bench.types(ZEROS[0])

    def test_a_moved_dial_means_a_fresh_zero_and_the_readings_under_the_old_one_again(
        self, start: Sit, record: Callable[[], Record]
    ) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, *PLACES[:2], "z", "bumped the stand")
        shown = at_bench.types("0")
        assert "The zero counts no more." in shown
        assert "serial 7" in shown
        assert "ZERO ON THE REFERENCE, READING 1 OF 3" in shown
        assert "Read so far" not in shown  # nothing of it counts
        at_bench.types(*ZEROS[1:], *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert [event["raw"] for event in record()["events"] if "raw" in event] == [
            *ZEROS,
            *PLACES[:2],
            *ZEROS,
            *PLACES,
            "0",
        ]

    def test_given_up_there_is_a_record_and_it_is_undecided(self, start: Sit, record: Callable[[], Record]) -> None:
        at_bench = start()
        at_bench.types(*ZEROS, "q", "", "q", "part fell")
        assert at_bench.ends() == UNDECIDED
        assert record()["verdict"] == "undecided"
        assert "The run was abandoned: part fell." in [finding["text"] for finding in record()["findings"]]
        assert "UNDECIDED" in at_bench.screen.splitlines()[-1]


class TestStops:
    """A check standard far off: the inspector decides while it is still under the tip."""

    @pytest.fixture
    def zeroed(self, start: Sit, plain: str) -> Person:
        standard = '[check_standard]\nsize = "5.02 mm"\ndeviation = "0 um"\nmaterial = "steel"\nlimit = "0.5 um"\n\n'
        text = plain.replace("[comparator]", f"{standard}[comparator]").replace(
            '[[steps]]\ndo = "repeat"', '[[steps]]\ndo = "check"\n\n[[steps]]\ndo = "repeat"'
        )
        at_bench: Person = start(text)
        at_bench.types(*ZEROS)
        return at_bench

    @pytest.fixture
    def stopped(self, zeroed: Person) -> Person:
        zeroed.types("+30")
        return zeroed

    def test_what_is_asked_about_the_same_reading_stands_beside_it(
        self, zeroed: Person, record: Callable[[], Record]
    ) -> None:
        zeroed.types("0.02")
        shown = flat(zeroed.prompted())
        assert "STOP: The check standard should read" in shown
        assert "Was it read in mm? It would be +20 µm. s 5 strike out entry 5 and read it again" in shown
        zeroed.say("s 5")
        zeroed.types("1")
        assert "CHECK STANDARD" in zeroed.prompted()
        zeroed.say("+20")
        zeroed.types(*PLACES, "0", "")
        assert zeroed.ends() == PASS
        assert "Then entry 5 was struck out (mistyped)" in str(record()["findings"])

    def test_what_was_typed_ahead_of_it_chooses_nothing_and_is_told(self, zeroed: Person) -> None:
        zeroed.prompted()
        zeroed.says_at_once("+30", "c")
        shown = flat(zeroed.prompted())
        assert "Typed before it was asked, not taken: 'c'." in shown
        assert shown.endswith("s, z, c or q:")

    def test_it_asks_for_one_of_these_and_for_nothing_else(self, stopped: Person) -> None:
        shown = stopped.types("+20")
        assert "STOP: The check standard should read" in flat(shown)
        assert "s, z, c or q" in shown
        assert "s  strike out" in stopped.types("")
        assert "s  strike out" in stopped.types("x")
        assert "s, z, c or q" in stopped.prompted()

    def test_struck_out_and_read_again_it_goes_on_to_a_pass(
        self, stopped: Person, record: Callable[[], Record]
    ) -> None:
        stopped.types("s", "5", "3")
        assert "CHECK STANDARD" in stopped.types("+20")
        stopped.types(*PLACES, "0", "")
        assert stopped.ends() == PASS
        assert "stop_acknowledged" not in kinds(record())

    def test_carried_on_it_ends_undecided(self, stopped: Person, record: Callable[[], Record]) -> None:
        stopped.types("c")
        assert "READ PLACE A" in stopped.types(PLACES[0])
        stopped.types(*PLACES[1:], "0", "")
        assert stopped.ends() == UNDECIDED
        assert "stop_acknowledged" in kinds(record())
        assert record()["verdict"] == "undecided"

    def test_with_the_zero_given_up_all_is_taken_anew(self, stopped: Person, record: Callable[[], Record]) -> None:
        assert "a reason in words is needed" in flat(stopped.types("z", "?", "z"))
        assert "ZERO ON THE REFERENCE" in stopped.types("the zero was set on dust", ZEROS[0])
        assert "CHECK STANDARD" in stopped.types(*ZEROS[1:], "+20")
        stopped.types(*PLACES, "0", "")
        assert stopped.ends() == PASS
        assert "zero_renewed" in kinds(record())

    def test_given_up_it_ends_undecided(self, stopped: Person, record: Callable[[], Record]) -> None:
        stopped.types("q", "wrong block in the box")
        assert stopped.ends() == UNDECIDED
        assert kinds(record())[-1] == "run_abandoned"


class TestInterrupted:
    def test_at_another_bench_it_says_which_one_to_go_on_at(self, person: Sit, tmp_path: Path) -> None:
        (tmp_path / "routine.toml").write_text(PLAIN, "utf-8")
        at_bench = person("run", "routine.toml", "--out", "out", *WHO, "--source", "practice")
        at_bench.prompted()
        at_bench.interrupts()
        assert at_bench.ends() == INTERRUPTED
        assert flat(at_bench.screen).endswith(".journal.jsonl --source practice")

    def test_ctrl_c_is_4_and_says_how_to_go_on(self, start: Sit, person: Sit, tmp_path: Path) -> None:
        at_bench = start()
        at_bench.types(*ZEROS)
        at_bench.prompted()
        at_bench.interrupts()
        assert at_bench.ends() == INTERRUPTED
        shown = flat(at_bench.screen)
        assert "stopped by the keyboard all that was accepted is saved; to go on: holdzero resume out/" in shown
        assert "--source" not in shown
        (journal,) = (tmp_path / "out").glob("*.journal.jsonl")
        again = person("resume", str(journal))
        assert "Back after" in again.types(PLACES[0])
        again.types(*PLACES[1:], "0", "")
        assert again.ends() == PASS

    def test_end_of_input_is_4(self, start: Sit) -> None:
        at_bench = start()
        at_bench.types(*ZEROS)
        at_bench.prompted()
        at_bench.hangs_up()
        assert at_bench.ends() == INTERRUPTED
        assert "the keyboard was closed" in at_bench.screen
        assert "holdzero resume" in flat(at_bench.screen)

    @pytest.mark.parametrize("how", ["interrupts", "hangs_up"])
    def test_before_anything_was_asked_it_is_4_too_and_no_verdict(self, start: Sit, how: str, tmp_path: Path) -> None:
        at_bench = start(who=())
        at_bench.prompted()
        getattr(at_bench, how)()
        assert at_bench.ends() == INTERRUPTED
        assert "Traceback" not in at_bench.screen
        assert not (tmp_path / "out").exists()

    @pytest.mark.parametrize("how", ["interrupts", "hangs_up"])
    def test_in_a_pause_and_in_a_soak(self, start: Sit, how: str, plain: str) -> None:
        step = '[[steps]]\ndo = "soak"\nat_least = "20 min"\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1))
        at_bench.prompted()
        getattr(at_bench, how)()
        assert at_bench.ends() == INTERRUPTED
        paused = start()
        paused.types("p")
        paused.prompted()
        getattr(paused, how)()
        assert paused.ends() == INTERRUPTED


class TestPlainAndNarrow:
    def test_without_colour_every_word_is_still_there(self, start: Sit) -> None:
        at_bench = start(env={"NO_COLOR": "1"})
        at_bench.types("abc", *ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert "[+] PASS" in at_bench.screen
        assert "Not taken: " in at_bench.screen
        assert not re.search(r"\x1b\[[0-9;]*(3[0-7]|9[0-7])m", at_bench.raw)

    def test_on_forty_columns_no_line_is_longer_and_no_word_is_lost(self, start: Sit) -> None:
        at_bench = start(size=(24, 40))
        at_bench.types("abc", *ZEROS, "l", "?", *PLACES, "0", "")
        assert at_bench.ends() == PASS
        shown = at_bench.screen
        assert all(len(line) <= 40 for line in shown.splitlines() if "out/" not in line), shown
        assert "Lift the tip and lower it on the reference again." in flat(shown)
        assert "PASS" in shown.splitlines()[-1]

    def test_a_dumb_terminal_gets_no_signs_but_text(self, start: Sit, plain: str) -> None:
        step = '[[steps]]\ndo = "soak"\nat_least = "20 min"\n\n'
        at_bench = start(plain.replace("[[steps]]", step + "[[steps]]", 1), env={"TERM": "dumb"})
        at_bench.types("still warm from the oven", "e", *ZEROS, *PLACES, "0", "")
        assert at_bench.ends() == PASS
        assert "\x1b" not in at_bench.raw


class TestDevices:
    REGISTER = """\
format = 1
[reference.B5]
size = "5 mm"
deviation = "0 um"
material = "steel"
due = 2099-01-31
[reference.OLD]
size = "5 mm"
deviation = "0 um"
material = "steel"
due = 2001-01-31
"""

    @pytest.fixture
    def choosing(self, start: Sit, plain: str, tmp_path: Path) -> Person:
        (tmp_path / "shop.toml").write_text(self.REGISTER, "utf-8")
        whole = plain[plain.index("[reference]") : plain.index("[comparator]")]
        at_bench: Person = start(plain.replace(whole, '[reference]\nsize = "5 mm"\n\n'))
        return at_bench

    def test_the_block_is_asked_for_and_an_unknown_one_refused(
        self, choosing: Person, record: Callable[[], Record]
    ) -> None:
        assert "NAME THE REFERENCE" in choosing.types("B7")
        assert "it has: B5, OLD" in flat(choosing.types("B5"))
        choosing.types(*ZEROS, *PLACES, "0", "")
        assert choosing.ends() == PASS
        assert record()["register"]["reference"]["id"] == "B5"

    def test_an_overdue_one_is_used_only_for_a_reason(self, choosing: Person, record: Callable[[], Record]) -> None:
        choosing.types("OLD")
        assert "its calibration was due on 2001-01-31" in flat(choosing.types(""))
        assert "Not taken: " in choosing.types("OLD")
        choosing.types("the other is away", *ZEROS, *PLACES, "0", "")
        assert choosing.ends() == PASS
        assert "the other is away" in record()["register"]["reference"]["overruled"]
