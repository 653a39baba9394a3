"""Answers that are just within what is taken, and just not: length, temperature, words that end a soak."""

from __future__ import annotations

import math

import pytest

from holdzero import events as e
from holdzero.errors import AnswerRefusedError, EventRefusedError
from holdzero.run.answer import Ended, TakenTemperature, Told, Understood, cuts_short, understand
from holdzero.run.begin import history_of
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.prompt import Asks, Prompt


def prompt(asks: Asks, *, until_s: float = 60.0) -> Prompt:
    slot = Slot(id="1", group="1", kind=SlotKind.ASK, of="batch", answer="text")
    return Prompt(slot=slot, asks=asks, title="", say="", caution="", number=1, count=1, until_s=until_s)


def said(text: str, asks: Asks, *, now_s: float = 0.0) -> Understood:
    return understand(text, prompt(asks), None, now_s)


class TestATemperature:
    """From 0 to 50 °C: a room in which lengths are measured (common practice, no source)."""

    @pytest.mark.parametrize("text", ["0", "50"])
    def test_at_the_end_of_what_a_room_has_is_taken(self, text: str) -> None:
        assert said(text, Asks.TEMPERATURE) == TakenTemperature(float(text))

    @pytest.mark.parametrize("text", ["-0.1", "50.1"])
    def test_beyond_it_is_refused(self, text: str) -> None:
        with pytest.raises(AnswerRefusedError):
            said(text, Asks.TEMPERATURE)


class TestWords:
    def test_of_two_hundred_signs_are_taken_and_one_more_is_not(self) -> None:
        assert said("x" * 200, Asks.ANSWER) == Told("x" * 200)
        with pytest.raises(AnswerRefusedError, match="at most 200 plain signs"):
            said("x" * 201, Asks.ANSWER)


class TestWordsThatEndASoak:
    def test_have_three_signs_at_least(self) -> None:
        assert said("hot", Asks.WAIT) == Ended("hot")
        with pytest.raises(AnswerRefusedError, match="type the reason in words"):
            said("no", Asks.WAIT)

    def test_cut_it_short_while_it_lasts_and_not_when_it_is_over(self) -> None:
        soak = prompt(Asks.WAIT)
        assert cuts_short("the power failed", soak, None, 0.0)
        assert not cuts_short("the power failed", soak, None, 60.0)
        assert not cuts_short("", soak, None, 60.0)
        assert not cuts_short("", soak, None, 0.0)

    def test_cut_nothing_short_where_nothing_is_waited_for(self) -> None:
        assert not cuts_short("the power failed", prompt(Asks.ANSWER), None, 0.0)


@pytest.mark.parametrize(("s_um", "dof"), [(math.inf, 9.0), (-0.1, 9.0), (0.1, 0.0), (0.1, math.inf), (math.nan, 9.0)])
def test_a_scatter_that_is_none_is_not_taken_from_the_book(s_um: float, dof: float) -> None:
    with pytest.raises(EventRefusedError, match="is none"):
        history_of(known(s_um, dof))


def test_a_scatter_of_nothing_is_one() -> None:
    assert history_of(known(0.0, 9.0)).scatter_um == 0.0


def known(s_um: float, dof: float) -> e.BenchKnown:
    scatter = {"s_um": s_um, "dof": dof, "runs": 3}
    return e.BenchKnown(
        seq=1, time_s=0.0, wall="", book="b", comparator="c", scatter=scatter, standard=None, earlier=[]
    )
