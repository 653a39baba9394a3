"""What a view of a run tells a check: numbers less their zero, the newest reading, visits, and lengths in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero import events as e
from holdzero.model import ModelError
from holdzero.routine.schema import Measure
from holdzero.run.plan import SlotKind
from holdzero.run.state import State
from holdzero.testing import Draft
from holdzero.views import Act, CharacteristicView, Finding, Level, Offer, RunView, reference_deviation, shown, view_of

Start = Callable[..., Any]

ZERO = {"do": "zero"}
READ = {"do": "read", "at": "a"}
RETURN = {"do": "return"}
PLAIN = Draft().with_steps(ZERO, READ, RETURN)
BOTH = Draft().with_characteristic("thickness", at=["a", "b"]).with_steps(ZERO, READ, {"do": "read", "at": "b"}, RETURN)


def view(bench: Any, serial: str | None = "1", **keys: Any) -> RunView:
    return view_of(bench.run.state, serial, **keys)


class TestANumberLessItsZero:
    def test_is_less_the_mean_of_that_zero(self, start: Start) -> None:
        draft = Draft().with_steps({"do": "zero", "times": 2}, READ, RETURN, ZERO, READ, RETURN)
        seen = view(start(draft.text).answer("1", "2", "10", "1.5", "4", "10", "4"))
        reads = seen.of_kind(SlotKind.READ)
        assert [seen.difference_um(reading) for reading in reads] == [8.5, 6.0]
        # Asked again it is the same.
        assert [seen.difference_um(reading) for reading in reads] == [8.5, 6.0]
        assert (seen.zero_um(1), seen.zero_um(2)) == (1.5, 4.0)
        assert [len(seen.zeros(number)) for number in (1, 2, 3)] == [2, 1, 0]

    def test_makes_the_difference_of_a_characteristic_with_its_weights(self, start: Start) -> None:
        seen = view(start(BOTH.text).answer("1", "3", "6", "1"))
        spec = seen.routine.characteristics["thickness"]
        one = CharacteristicView(
            name="thickness", spec=spec, readings=seen.of_kind(SlotKind.READ), weights=(0.25, 0.75)
        )
        made = one.difference_read(seen)
        assert (made.name, made.estimate.value) == ("difference read, thickness", 0.25 * 2.0 + 0.75 * 5.0)
        assert one.difference_read(seen) is made
        assert one.zero_weights() == {1: 1.0}
        assert one.common_weight == 1.0
        step = CharacteristicView(
            name="s",
            spec=spec.model_copy(update={"measure": Measure.VARIATION}),
            readings=one.readings,
            weights=(1.0, -1.0),
        )
        assert step.common_weight == 0.0


class TestTheNewestReading:
    """The one that can still be looked at again, while nothing else was done since."""

    DRAFT = Draft().with_steps(ZERO, READ, {"do": "temperature", "of": "part"}, {"do": "read", "at": "a"}, RETURN)

    def newest(self, *texts: str, start: Start) -> float | None:
        found = view(start(self.DRAFT.text).answer(*texts)).newest
        return None if found is None else float(found.value_um)

    def test_is_the_last(self, start: Start) -> None:
        told = [self.newest(*("0", "1", "20.1", "2", "3")[:count], start=start) for count in range(6)]
        assert told == [None, 0.0, 1.0, None, 2.0, 3.0]

    def test_is_none_after_whatever_else_was_done_last(self, start: Start) -> None:
        steps = (
            {"do": "prepare", "say": "Wipe."},
            {"do": "soak", "at_least": "1 min"},
            ZERO,
            READ,
            {"do": "soak", "at_least": "1 min"},
            RETURN,
        )
        bench = start(Draft().with_steps(*steps).text).answer("", "", "0", "1")
        assert view(bench).newest is not None
        # An early step, done again, is the last thing that was done.
        again = replace(bench.run, state=bench.run.state).take(bench.event(e.PreparedAgain, slot="1"))
        assert view_of(again.state, "1").newest is None
        assert view(bench.answer("")).newest is None


class TestAViewOfAPart:
    def test_of_a_run_that_has_not_begun_is_refused(self) -> None:
        with pytest.raises(ModelError, match="has not started"):
            view_of(State(), "1")

    def test_has_what_is_of_the_part_and_what_is_of_none(self, start: Start) -> None:
        loop = {
            "do": "repeat",
            "over": "parts",
            "steps": [{"do": "temperature", "of": "part"}, {"do": "read", "at": "a"}],
        }
        draft = Draft().with_steps({"do": "temperature", "of": "reference"}, ZERO, loop, RETURN)
        bench = start(draft.text, serials=("7", "8")).answer("20.1", "0", "20.2", "1", "20.3", "2").strike(4)
        one, other = view(bench, "7"), view(bench, "8")
        assert [t.value_degC for t in one.temperatures] == [20.1]
        assert [t.value_degC for t in other.temperatures] == [20.1, 20.3]
        assert [r.value_um for r in one.readings] == [0.0, 1.0]
        assert [r.value_um for r in other.readings] == [0.0, 2.0]
        assert [slot.serial for slot in one.slots] == [None, None, "7", "7", None, None]

    def test_is_of_now_unless_it_says_when(self, start: Start) -> None:
        bench = start(PLAIN.text).answer("0")
        assert (view(bench).now_s, view(bench, now_s=7.5).now_s) == (bench.run.state.now_s, 7.5)

    def test_tells_whether_the_run_is_over(self, start: Start) -> None:
        bench = start(PLAIN.text).answer("0", "1", "0")
        assert view(bench).finished is False
        assert view_of(bench.run.take(bench.event(e.RunAbandoned, reason="dropped")).state, "1").finished is True
        assert view(bench.answer("")).finished is True


class TestVisits:
    def test_are_the_returns_under_a_zero_one_by_one(self, start: Start) -> None:
        draft = BOTH.with_steps(ZERO, READ, {"do": "return", "times": 2}, {"do": "read", "at": "b"}, RETURN)
        seen = view(start(draft.text).answer("0", "1", "0.1", "0.2", "2", "0.3"))
        assert [[r.value_um for r in visit] for visit in seen.returns(1)] == [[0.1, 0.2], [0.3]]
        assert seen.returns(2) == ()


class TestTheScatter:
    def test_is_pooled_over_what_was_read_more_than_once(self, start: Start) -> None:
        # JCGM 100:2008, 4.2.4: s² = Σ ν s² / Σ ν; here (0.02 + 0.5) / 2, of two pairs with one degree of freedom each.
        draft = Draft().with_steps({"do": "zero", "times": 2}, {"do": "read", "at": "a", "times": 2}, RETURN)
        s, dof = view(start(draft.text).answer("0", "0.2", "1", "2", "0")).scatter_um
        assert float(s) == pytest.approx(0.26**0.5)
        assert dof == 2.0


class TestALengthAgainstAnother:
    """In the routine's units, and with as many digits as tell the two apart."""

    @pytest.mark.parametrize(
        ("number", "limit", "words"),
        [
            (0.625, 0.5, ("0.625 µm", "0.5 µm")),
            (0.6254, 0.5, ("0.625 µm", "0.5 µm")),
            # With three digits they would look the same; with five they do not.
            (0.50004, 0.5, ("0.50004 µm", "0.5 µm")),
            (-0.50004, 0.5, ("−0.50004 µm", "0.5 µm")),
            # And no more digits than that.
            (0.50042, 0.5, ("0.5004 µm", "0.5 µm")),
            # Equal they look equal: closer than a millionth of what the dial shows.
            (0.50000005, 0.5, ("0.5 µm", "0.5 µm")),
            (0.1 + 0.2, 0.3, ("0.3 µm", "0.3 µm")),
            (-0.3, 0.1 + 0.2, ("−0.3 µm", "0.3 µm")),
            (np.array([0.50004, 0.3]), 0.5, ("0.3 to 0.5 µm", "0.5 µm")),
        ],
    )
    def test_is_told_from_it(self, start: Start, number: Any, limit: float, words: tuple[str, str]) -> None:
        assert view(start(PLAIN.text)).against(number, limit) == words

    def test_shows_a_sign_where_that_is_asked_for_and_of_the_first_alone(self, start: Start) -> None:
        seen = view(start(PLAIN.text))
        assert seen.against(0.6, 0.5, sign=True) == ("+0.6 µm", "0.5 µm")
        assert seen.against(0.50004, 0.5, sign=True) == ("+0.50004 µm", "0.5 µm")

    def test_of_many_runs_looks_like_its_limits_where_all_are_on_them(self, start: Start) -> None:
        seen, limits = view(start(PLAIN.text)), np.array([0.5, 0.5])
        assert seen.against(limits, limits) == ("0.5 to 0.5 µm", "0.5 to 0.5 µm")
        assert seen.against(np.array([0.5, 0.50004]), limits) == ("0.5 to 0.50004 µm", "0.5 to 0.5 µm")

    def test_needs_no_comparator(self, start: Start) -> None:
        seen = replace(view(start(PLAIN.text)), comparator=None)
        assert seen.resolution_um == 0.0
        assert seen.length(0.123456, 3) == "0.123 µm"

    def test_is_no_finer_than_a_thousandth_of_what_is_read(self, start: Start) -> None:
        seen = view(start(PLAIN.text))
        assert [seen.length(number, 4) for number in (0.123456, 0.00123456, 0.00006)] == [
            "0.1235 µm",
            "0.0012 µm",
            "0.0001 µm",
        ]
        assert seen.length(np.array([-0.1, 0.3]), 2) == "−0.1 to 0.3 µm"


class TestSmallThings:
    def test_an_offer_to_strike_out_names_the_entries(self) -> None:
        with pytest.raises(ValueError, match="names the entries"):
            Offer(act=Act.STRIKE)
        assert Offer(act=Act.STRIKE, entries=(3,)).entries == (3,)
        assert Offer(act=Act.LOOK).entries == ()

    def test_a_finding_holds_unless_it_says_where(self) -> None:
        assert Finding(level=Level.NOTE, code="a/b", text="?").holds is True

    def test_the_reference_says_where_its_deviation_comes_from(self, start: Start) -> None:
        reference = view(start(PLAIN.text)).reference
        assert reference is not None
        assert reference_deviation(reference).why == "certificate as the routine states it"
        certified = reference.model_copy(update={"certificate": "K-17"})
        assert reference_deviation(certified).why == "certificate K-17"
        stated = reference.model_copy(update={"deviation": replace(reference.deviation, why="measured in May")})
        assert reference_deviation(stated).why == "measured in May"

    def test_a_number_of_many_runs_is_a_range(self) -> None:
        assert shown(np.array([0.5, 0.25])) == "0.25 to 0.5"
