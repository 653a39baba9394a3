"""The run as a fold: what is asked, what follows from an answer, what a strike-out does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, get_args

import pytest

from holdzero import events as e
from holdzero.errors import EventRefusedError
from holdzero.run import Run
from holdzero.run.fold import TRANSITIONS
from holdzero.run.plan import SlotKind
from holdzero.run.state import Phase
from holdzero.views import view_of

Start = Callable[..., Any]

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.1 um", travel = "50 um" }
bracket = { limit = "0.5 um", longest_absence = "10 min" }
characteristics.thickness = { measure = "size", at = "a", nominal = "5 mm", lower = "-3 um", upper = "3 um" }
"""
TWO_PLACES = HEAD.replace('at = "a"', 'at = ["a", "b"]')


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


SHORT = HEAD + steps('do = "zero"', 'do = "read", at = "a"', 'do = "return"', 'do = "compare"')


class TestOrderOfSteps:
    def test_prompts_follow_the_routine(self, start: Start) -> None:
        bench = start(SHORT)
        seen = []
        for text in ("0", "+1", "0", ""):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["zero", "read a", "return", "compare"]
        assert bench.run.state.phase is Phase.FINISHED
        assert bench.run.prompt is None

    def test_a_routine_without_compare_is_compared_all_the_same(self, start: Start) -> None:
        bench = start(HEAD + steps('do = "zero"', 'do = "read", at = "a"', 'do = "return"'))
        bench.answer("0", "1", "0")
        assert bench.asked() == "compare"

    def test_rounds_and_lifts_are_unrolled(self, start: Start) -> None:
        loop = 'do = "repeat", times = 2, steps = [ { do = "read", at = "a", times = 2 } ]'
        bench = start(HEAD + steps('do = "zero", times = 2', loop, 'do = "return"'))
        assert [slot.id for slot in bench.run.state.slots] == [
            "1#1",
            "1#2",
            "2/1.1#1",
            "2/1.1#2",
            "2/2.1#1",
            "2/2.1#2",
            "3",
            "end",
        ]

    def test_a_batch_has_a_round_for_each_serial(self, start: Start) -> None:
        loop = 'do = "repeat", over = "parts", steps = [ { do = "read", at = "a" } ]'
        bench = start(HEAD + steps('do = "zero"', loop, 'do = "return"'), serials=("7", "8"))
        assert [slot.serial for slot in bench.run.state.slots if slot.place] == ["7", "8"]

    def test_several_parts_need_a_parts_loop(self, start: Start) -> None:
        with pytest.raises(EventRefusedError, match="one part at a time"):
            start(SHORT, serials=("7", "8"))

    def test_two_parts_of_one_serial_are_refused(self, start: Start) -> None:
        loop = 'do = "repeat", over = "parts", steps = [ { do = "read", at = "a" } ]'
        with pytest.raises(EventRefusedError, match="serial of its own"):
            start(HEAD + steps('do = "zero"', loop), serials=("7", "7"))


class TestACaution:
    def test_stands_before_any_kind_of_step_and_each_of_its_lifts(self, start: Start) -> None:
        bench = start(
            HEAD
            + steps(
                'do = "zero", times = 2, caution = "Heavy master."',
                'do = "read", at = "a", caution = "Sharp edge."',
                'do = "return", caution = "Heavy master."',
                'do = "compare", caution = "It carries load."',
            )
        )
        seen = []
        for text in ("0", "0", "1", "0", ""):
            seen.append(bench.run.prompt.caution)
            bench.answer(text)
        assert seen == ["Heavy master.", "Heavy master.", "Sharp edge.", "Heavy master.", "It carries load."]

    def test_of_a_repeat_stands_before_the_first_step_of_each_round(self, start: Start) -> None:
        inner = (
            'do = "repeat", times = 2, caution = "Inner.", steps = [ { do = "read", at = "a", caution = "Sharp." } ]'
        )
        loop = f'do = "repeat", over = "parts", caution = "Outer.", steps = [ {{ {inner} }} ]'
        bench = start(HEAD + steps('do = "zero"', loop, 'do = "return"'), serials=("7", "8"))
        assert [slot.caution for slot in bench.run.state.slots] == [
            "",
            *("Outer. Inner. Sharp.", "Inner. Sharp.") * 2,
            "",
            "",
        ]

    def test_of_the_zero_stands_before_a_fresh_one_and_before_the_return_that_closes_the_old_one(
        self, start: Start
    ) -> None:
        zero = 'do = "zero", times = 2, say = "Zero.", caution = "Heavy master."'
        bench = start(
            HEAD + steps(zero, 'do = "read", at = "a"', 'do = "repeat", times = 1, steps = [{do = "return"}]')
        )
        bench.answer("0", "0", "1").take(e.RunContinued, away_s=601.0)
        seen = []
        for text in ("0", "0", "0"):
            seen.append((bench.asked(), bench.run.prompt.caution))
            bench.answer(text)
        assert seen == [("return", "Heavy master."), ("zero", "Heavy master."), ("zero", "Heavy master.")]


class TestRefusedEvents:
    def test_an_answer_to_another_slot_changes_nothing(self, start: Start) -> None:
        bench = start(SHORT)
        before = bench.run
        with pytest.raises(EventRefusedError, match="zero 1 was asked for"):
            bench.take(e.ReadingTaken, slot="2", raw="1", value_um=1.0)
        assert bench.run is before

    def test_a_missing_sequence_number_is_refused(self, start: Start) -> None:
        bench = start(SHORT)
        event = e.ReadingTaken(seq=3, wall="2026-03-02T08:00:00+00:00", time_s=1.0, slot="1", raw="0", value_um=0.0)
        with pytest.raises(EventRefusedError, match="missing or doubled"):
            bench.run.take(event)

    def test_a_counter_that_goes_back_is_refused(self, start: Start) -> None:
        bench = start(SHORT).answer("0")
        bench.time_s = 0.0
        with pytest.raises(EventRefusedError, match="goes back"):
            bench.take(e.NoteAdded, text="too late")

    def test_wall_time_may_go_back(self, start: Start) -> None:
        bench = start(SHORT)
        event = e.ReadingTaken(seq=2, wall="2026-03-02T07:00:00+00:00", time_s=1.0, slot="1", raw="0", value_um=0.0)
        assert bench.run.take(event).state.seq == 2

    def test_nothing_follows_the_end(self, start: Start) -> None:
        bench = start(SHORT).answer("0", "1", "0", "")
        with pytest.raises(EventRefusedError, match="finished"):
            bench.take(e.NoteAdded, text="late")

    @pytest.mark.parametrize("phase", list(Phase))
    def test_every_phase_has_its_row_in_the_table(self, phase: Phase) -> None:
        assert phase in TRANSITIONS

    def test_every_event_can_come_in_some_phase(self) -> None:
        assert {kind for row in TRANSITIONS.values() for kind in row} == set(get_args(e.AnyEvent))


class TestStrikingOut:
    def test_the_slot_is_asked_again_at_once(self, start: Start) -> None:
        bench = start(
            TWO_PLACES + steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
        )
        bench.answer("0", "11").strike(3)
        assert bench.asked() == "read a"
        bench.answer("1.1")
        assert bench.asked() == "read b"

    def test_the_struck_value_stays_with_its_reason(self, start: Start) -> None:
        bench = start(SHORT).answer("0", "11").strike(3, "dirt")
        struck = [r for r in bench.run.state.readings if r.struck]
        assert [(r.raw, r.value_um, r.struck) for r in struck] == [("11", 11.0, "dirt")]

    def test_a_reading_taken_again_after_the_return_asks_for_the_return_again(self, start: Start) -> None:
        bench = start(SHORT).answer("0", "11", "0").strike(3)
        bench.answer("1.1")
        assert bench.asked() == "return"
        bench.answer("0.1")
        assert bench.asked() == "compare"
        assert len([r for r in bench.run.state.live if r.kind.value == "return"]) == 2

    def test_a_zero_reading_is_taken_again_while_nothing_was_read_under_it(self, start: Start) -> None:
        bench = start(HEAD + steps('do = "zero", times = 2', 'do = "read", at = "a"', 'do = "return"'))
        bench.answer("0", "9").strike(3)
        assert bench.asked() == "zero"
        assert bench.run.prompt.say.startswith("Lift the tip and lower it")
        bench.answer("0.1")
        assert {r.zero for r in bench.run.state.live} == {1}

    def test_after_a_part_was_read_its_zero_can_not_be_read_again(self, start: Start) -> None:
        bench = start(HEAD + steps('do = "zero", times = 2', 'do = "read", at = "a"', 'do = "return"'))
        bench.answer("0", "9", "1").strike(3)
        assert bench.asked() == "return"

    def test_a_zero_that_is_struck_out_whole_is_set_anew_and_the_part_read_again(self, start: Start) -> None:
        bench = start(SHORT).answer("0", "1.3", "0.6").strike(2)
        seen = []
        for text in ("0", "1.9", "0"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["zero", "read a", "return"]
        assert [(r.value_um, r.zero) for r in bench.run.state.counted if r.slot.place] == [(1.9, 2)]

    def test_visits_to_the_reference_are_apart_whatever_was_read_between(self, start: Start) -> None:
        loop = 'do = "repeat", over = "parts", steps = [ { do = "read", at = "a" } ]'
        bench = start(HEAD + steps('do = "zero"', loop, 'do = "return"'), serials=("7", "8"))
        bench.answer("0", "1", "2", "0.5").strike(4).answer("2.1", "0")
        visits = [(r.value_um, r.visit) for r in bench.run.state.live if r.kind.value == "return"]
        assert visits == [(0.5, 1), (0.0, 2)]
        assert len(view_of(bench.run.state, "7").returns(1)) == 2

    def test_a_zero_that_was_set_anew_is_not_asked_for_again(self, start: Start) -> None:
        two = ('do = "zero"', 'do = "read", at = "a"', 'do = "return"', 'do = "zero"', 'do = "read", at = "a"')
        bench = start(HEAD + steps(*two, 'do = "return"'))
        bench.answer("0", "1", "0", "0").strike(2)
        assert bench.asked() == "read a"

    def test_a_reason_is_needed(self, start: Start) -> None:
        with pytest.raises(EventRefusedError, match="reason"):
            start(SHORT).answer("0").strike(2, " ")

    def test_only_a_reading_can_be_struck_out(self, start: Start) -> None:
        with pytest.raises(EventRefusedError, match="no reading number 1"):
            start(SHORT).answer("0").strike(1)

    def test_nothing_is_struck_out_twice(self, start: Start) -> None:
        with pytest.raises(EventRefusedError, match="already"):
            start(SHORT).answer("0").strike(2).strike(2)


class TestLeavingTheBench:
    def test_a_short_absence_changes_nothing(self, start: Start) -> None:
        bench = start(SHORT).answer("0")
        bench.take(e.RunContinued, away_s=599.0)
        assert bench.asked() == "read a"

    def test_after_a_long_one_the_old_zero_is_closed_before_a_fresh_one(self, start: Start) -> None:
        bench = start(
            TWO_PLACES
            + steps('do = "zero", times = 2', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
        )
        bench.answer("0", "0", "1").take(e.RunContinued, away_s=601.0)
        seen = []
        for text in ("0.2", "0", "0.1", "1"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["return", "zero", "zero", "read b"]
        assert {r.slot.place: r.zero for r in bench.run.state.live if r.slot.place} == {"a": 1, "b": 2}

    def test_nothing_is_to_be_closed_where_nothing_was_read(self, start: Start) -> None:
        bench = start(SHORT).answer("0").take(e.RunContinued, away_s=3600.0)
        assert bench.asked() == "zero"

    def test_a_zero_that_was_given_up_is_not_closed_and_what_it_held_is_read_again(self, start: Start) -> None:
        bench = start(
            TWO_PLACES + steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
        )
        bench.answer("0", "1").take(e.ZeroRenewed, reason="the part is warm", anew=True)
        bench.take(e.RunContinued, away_s=3600.0)
        seen = []
        for text in ("0", "1.1", "2", "0"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["zero", "read a", "read b", "return"]
        assert [r.zero for r in bench.run.state.counted if r.slot.place] == [2, 2]

    def test_before_any_zero_nothing_is_asked_for(self, start: Start) -> None:
        bench = start(SHORT).take(e.RunContinued, away_s=3600.0)
        assert [slot.id for slot in bench.run.state.slots] == ["1", "2", "3", "4"]

    def test_a_pause_counts_as_an_absence(self, start: Start) -> None:
        bench = start(SHORT).answer("0").take(e.RunPaused)
        assert bench.run.prompt is None
        bench.take(e.RunContinued, away_s=3600.0)
        assert bench.asked() == "zero"


class TestAMovedDial:
    def test_what_was_read_since_the_zero_is_read_again_after_a_fresh_one(self, start: Start) -> None:
        bench = start(
            TWO_PLACES + steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
        )
        bench.answer("0", "1").take(e.ZeroRenewed, reason="bumped the dial")
        seen = []
        for text in ("0", "1.1", "2", "0"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["zero", "read a", "read b", "return"]
        assert [(r.value_um, r.zero) for r in bench.run.state.counted if r.slot.place] == [(1.1, 2), (2.0, 2)]

    @pytest.mark.parametrize(
        ("anew", "kinds_asked"),
        [
            (True, ["zero", "prepare", "read", "soak", "read", "return", "compare"]),
            # as a journal of before went on, whose zero was given up by an event without it
            (False, ["zero", "read", "read", "return", "compare"]),
        ],
    )
    def test_what_was_done_between_the_readings_is_done_again(
        self, start: Start, *, anew: bool, kinds_asked: list[str]
    ) -> None:
        wait = 'do = "soak", at_least = "2 min", say = "Leave it."'
        bench = start(
            TWO_PLACES
            + steps(
                'do = "prepare", say = "Wipe all."',
                'do = "zero"',
                'do = "prepare", say = "Stand the part under the tip."',
                'do = "read", at = "a"',
                wait,
                'do = "read", at = "b"',
                'do = "return"',
            )
        )
        bench.answer("", "0", "", "1")
        bench.take(e.SoakEnded, slot=bench.run.state.slot.id, reason="cool already").answer("2")
        bench.take(e.ZeroRenewed, reason="the part was warm", anew=anew)
        kinds = [slot.kind.value for slot in bench.run.state.open_slots]
        assert kinds == kinds_asked

    def test_what_was_closed_before_stays(self, start: Start) -> None:
        two = ('do = "zero"', 'do = "read", at = "a"', 'do = "return"', 'do = "read", at = "b"', 'do = "return"')
        bench = start(TWO_PLACES + steps(*two))
        bench.answer("0", "1", "0").take(e.ZeroRenewed, reason="bumped the dial")
        bench.answer("0")
        assert bench.asked() == "read b"

    def test_what_a_return_out_of_its_limit_left_open_is_read_again(self, start: Start) -> None:
        bench = start(
            TWO_PLACES + steps('do = "zero"', 'do = "read", at = "a"', 'do = "read", at = "b"', 'do = "return"')
        )
        bench.answer("0", "1", "2", "0.9").take(e.ZeroRenewed, reason="the zero went away")
        seen = []
        for text in ("0", "1.1", "2.1", "0.1"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["zero", "read a", "read b", "return"]
        assert bench.asked() == "compare"
        assert [(r.kind.value, r.zero) for r in bench.run.state.counted] == [
            ("zero", 2),
            ("read", 2),
            ("read", 2),
            ("return", 2),
        ]

    def test_a_return_of_several_lifts_is_read_again_with_all_of_them(self, start: Start) -> None:
        bench = start(
            HEAD + steps('do = "zero"', 'do = "read", at = "a"', 'do = "return", times = 2', 'do = "compare"')
        )
        bench.answer("0", "1", "8", "8.5").take(e.ZeroRenewed, reason="the zero went away")
        seen = []
        for text in ("0", "1.1", "0.1", "0"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["zero", "read a", "return", "return"]
        assert bench.asked() == "compare"
        assert [r.value_um for r in bench.run.state.counted if r.kind is SlotKind.RETURN] == [0.1, 0.0]

    def test_and_so_it_is_where_a_reading_before_it_was_taken_again(self, start: Start) -> None:
        bench = start(
            HEAD + steps('do = "zero"', 'do = "read", at = "a"', 'do = "return", times = 2', 'do = "compare"')
        )
        bench.answer("0", "10", "0", "0.1").strike(3)
        seen = []
        for text in ("1", "0", "0.1"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["read a", "return", "return"]
        assert bench.asked() == "compare"

    def test_a_return_after_it_closes_both_for_the_one_before_it(self, start: Start) -> None:
        twice = (
            'do = "read", at = "a"',
            'do = "return", times = 2',
            'do = "read", at = "b"',
            'do = "return", times = 2',
        )
        bench = start(TWO_PLACES + steps('do = "zero"', *twice, 'do = "compare"'))
        bench.answer("0", "10", "0", "0.1", "2", "0", "0.1").strike(3)
        seen = []
        for text in ("1", "0", "0.1"):
            seen.append(bench.asked())
            bench.answer(text)
        assert seen == ["read a", "return", "return"]
        assert bench.asked() == "compare"

    def test_at_the_limit_itself_a_return_still_closes(self, start: Start) -> None:
        two = ('do = "zero"', 'do = "read", at = "a"', 'do = "return"', 'do = "read", at = "b"', 'do = "return"')
        bench = start(TWO_PLACES + steps(*two))
        bench.answer("0", "1", "0.5").take(e.ZeroRenewed, reason="bumped the dial")
        bench.answer("0")
        assert bench.asked() == "read b"

    def test_a_zero_that_nothing_hangs_on_tells_nothing_of_the_scatter(self, start: Start) -> None:
        bench = start(HEAD + steps('do = "zero", times = 2', 'do = "read", at = "a", times = 2', 'do = "return"'))
        bench.answer("0", "3").take(e.ZeroRenewed, reason="it creeps")
        bench.answer("0", "0", "1", "1", "0")
        assert view_of(bench.run.state, None).scatter_um[0] == pytest.approx(0.0)
        assert view_of(bench.run.state, None).lost_zeros == {1}

    def test_without_a_zero_there_is_none_to_renew(self, start: Start) -> None:
        with pytest.raises(EventRefusedError, match="no zero"):
            start(SHORT).take(e.ZeroRenewed, reason="bumped")


class TestSoaking:
    SOAK = HEAD + steps(
        'do = "prepare", say = "Wipe."', 'do = "soak", at_least = "20 min"', 'do = "zero"', 'do = "read", at = "a"'
    )

    def test_it_counts_from_the_moment_it_is_asked_for(self, start: Start) -> None:
        bench = start(self.SOAK)
        bench.time_s = 100.0
        bench.answer("")
        assert bench.run.prompt.until_s == pytest.approx(101.0 + 1200.0)

    def test_it_can_not_be_cut_short_without_a_reason(self, start: Start) -> None:
        bench = start(self.SOAK).answer("")
        with pytest.raises(EventRefusedError, match="no reason"):
            bench.take(e.SoakEnded, slot="2", reason=None)

    @pytest.mark.parametrize("start_s", [0.1, 0.3, 1.1, 7.7, 100.1, 333.3, 1e6 / 3])
    def test_it_may_end_at_the_very_moment_that_the_prompt_names(self, start: Start, start_s: float) -> None:
        bench = start(self.SOAK)
        bench.time_s = start_s
        bench.answer("")
        bench.time_s = bench.run.prompt.until_s
        bench.take(e.SoakEnded, slot="2", reason=None)
        assert bench.asked() == "zero"

    def test_it_can_be_done_again_and_counts_anew(self, start: Start) -> None:
        bench = start(self.SOAK).answer("")
        bench.time_s += 600.0
        bench.take(e.SoakEnded, slot="2", reason="no time").answer("0")
        bench.take(e.SoakBegunAgain, slot="2")
        assert bench.run.prompt.until_s == pytest.approx(bench.time_s + 1200.0)
        with pytest.raises(EventRefusedError, match="1200 s to go"):
            bench.take(e.SoakEnded, slot="2", reason=None)
        bench.time_s += 1201.0
        bench.take(e.SoakEnded, slot="2", reason=None)
        assert [soak.missing_s > 0.0 for soak in bench.run.state.soaks] == [True, False]
        assert bench.asked() == "read a"

    @pytest.mark.parametrize("slot", ["1", "2", "3", "9"])
    def test_only_one_that_was_over_can_be_done_again(self, start: Start, slot: str) -> None:
        bench = start(self.SOAK).answer("")
        with pytest.raises(EventRefusedError, match="no soak"):
            bench.take(e.SoakBegunAgain, slot=slot)

    def test_one_that_goes_on_again_can_not_be_begun_once_more(self, start: Start) -> None:
        bench = start(self.SOAK).answer("")
        bench.take(e.SoakEnded, slot="2", reason="no time").take(e.SoakBegunAgain, slot="2")
        with pytest.raises(EventRefusedError, match="goes on"):
            bench.take(e.SoakBegunAgain, slot="2")

    def test_a_pause_does_not_stop_its_clock(self, start: Start) -> None:
        bench = start(self.SOAK).answer("")
        until = bench.run.prompt.until_s
        bench.take(e.RunPaused)
        bench.time_s += 300.0
        bench.take(e.RunContinued, away_s=300.0)
        assert bench.run.prompt.until_s == until


class TestReplay:
    def test_folding_the_events_again_gives_the_same_state(self, start: Start) -> None:
        bench = start(SHORT).answer("0", "9").strike(3).answer("1", "0", "")
        assert Run.of(bench.run.events).state == bench.run.state

    def test_any_prefix_is_a_run(self, start: Start) -> None:
        bench = start(SHORT).answer("0", "9").strike(3).answer("1", "0", "")
        for length in range(len(bench.run.events) + 1):
            assert Run.of(bench.run.events[:length]).state.seq == length
