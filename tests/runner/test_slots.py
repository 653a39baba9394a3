"""Which slots a run has: of a plan, and of a fresh zero put in between; what a line that is back has watched anew."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from holdzero import events as e
from holdzero.testing import Draft

Start = Callable[..., Any]

A, B, RETURN = {"do": "read", "at": "a"}, {"do": "read", "at": "b"}, {"do": "return"}
SOAK = {"do": "soak", "at_least": "10 min", "within": "1 um"}
TWO = Draft().with_characteristic("thickness", at=["a", "b"])


class TestAFreshZero:
    def test_stands_before_what_waited_and_is_read_as_often_as_the_one_before(self, start: Start) -> None:
        draft = TWO.with_steps({"do": "zero", "times": 2}, A, RETURN, {"do": "zero", "times": 3}, A, B, RETURN)
        bench = start(draft.text).answer("0", "0", "1", "0", "0", "0", "0", "1")
        bench.take(e.RunContinued, away_s=7200.0)
        seq = bench.run.state.seq
        fresh = [f"x{seq}.return", *(f"x{seq}.zero#{lift}" for lift in (1, 2, 3))]
        planned = ["1#1", "1#2", "2", "3", "4#1", "4#2", "4#3", "5", *fresh, "6", "7", "end"]
        assert [slot.id for slot in bench.run.state.slots] == planned
        assert [slot.id for slot in bench.run.state.open_slots] == [*fresh, "6", "7", "end"]


class TestALineThatIsBack:
    def watched(self, start: Start, back: str) -> list[str]:
        """Of what it is known how it was in a soak, after a line was lost and is back."""
        bench = start(TWO.with_steps(SOAK, {"do": "zero"}, A, B, RETURN).text)
        for of, value in (("", 0.5), ("part", 20.1)):
            bench.time_s += 10.0
            bench.take(e.SoakObserved, slot="1", of=of, raw=str(value), value=value)
        bench.take(e.LineLost, of=back, why="unplugged").take(e.LineBack, of=back)
        return [item.of for item in bench.run.state.observed]

    def test_has_the_dial_watched_anew_as_it_may_have_another_origin(self, start: Start) -> None:
        assert self.watched(start, "comparator") == ["part"]

    def test_of_thermometers_changes_nothing(self, start: Start) -> None:
        assert self.watched(start, "thermometers") == ["", "part"]

    def test_after_a_soak_keeps_how_that_was(self, start: Start) -> None:
        bench = start(TWO.with_steps(SOAK, {"do": "zero"}, A, B, RETURN).text)
        bench.take(e.SoakObserved, slot="1", of="", raw="0.5", value=0.5).answer("", "0", "1")
        bench.take(e.LineLost, of="comparator", why="unplugged").take(e.LineBack, of="comparator")
        assert [item.of for item in bench.run.state.observed] == [""]
        assert bench.asked() == "return"

    def test_again_and_again_asks_for_one_return_and_one_zero(self, start: Start) -> None:
        bench = start(TWO.with_steps({"do": "zero"}, A, B, RETURN).text).answer("0", "1")
        for _ in range(3):
            bench.take(e.LineLost, of="comparator", why="loose").take(e.LineBack, of="comparator")
        assert [slot.kind.value for slot in bench.run.state.open_slots] == [
            "return",
            "zero",
            "read",
            "return",
            "compare",
        ]


class TestAPlanOfABatch:
    def test_numbers_the_rounds_of_the_parts_from_one(self, start: Start) -> None:
        loop = {"do": "repeat", "over": "parts", "steps": [A, B]}
        bench = start(TWO.with_steps({"do": "zero"}, loop, RETURN).text, serials=("7", "8"))
        assert [slot.id for slot in bench.run.state.slots] == ["1", "2/1.1", "2/1.2", "2/2.1", "2/2.2", "3", "end"]


class TestTheForceOfAReading:
    def test_is_its_step_s_own_or_the_comparator_s(self, start: Start) -> None:
        draft = (
            Draft().with_table("comparator", force="1 N").with_steps({"do": "zero"}, A, {**A, "force": "0.5 N"}, RETURN)
        )
        forces = [slot.force_N for slot in start(draft.text).run.state.slots if slot.place == "a"]
        assert forces == [1.0, 0.5]
