"""How much work a long run takes, counted in steps of the interpreter: no clock, so that no busy machine counts.

What grows with the square of the prompts makes an hour of a second. No source: the bounds are goals of the project.
"""

from __future__ import annotations

import copy
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from holdzero.catalogue import load_catalogue
from holdzero.checks import Checks, bind
from holdzero.evaluate import evaluate
from holdzero.expect import Ideal, begun, conducted
from holdzero.routine.load import digest_of, load_routine, routine_from_document
from holdzero.run import Run

ROUTINE = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"
SHORT, LONG, LAST = 15, 60, 30
"""Rounds of a short and of a long run; and how many events at its end are looked at."""


@dataclass(frozen=True)
class Long:
    """A run with ideal readings."""

    run: Run
    checks: Checks

    @classmethod
    def of(cls, rounds: int, *, one_zero: bool) -> Long:
        document: dict[str, Any] = copy.deepcopy(dict(load_routine(ROUTINE).document))
        document["checks"]["repeatability"].pop("limit")
        zero, own = [{"do": "zero"}], [{"do": "read", "at": place} for place in "abc"]
        each = [*own, {"do": "check"}, {"do": "return"}]
        first, each = (zero, each) if one_zero else ([], [*zero, *each])
        document["steps"] = [*first, {"do": "repeat", "times": rounds, "steps": each}]
        checks, _ = bind(routine_from_document(document), load_catalogue())
        start = begun(document, digest_of(document))
        bench = Ideal(start, 0.0, {}, checks.contrasts, shows=checks.shows_um)
        return cls(run=conducted(start, bench), checks=checks)

    def last_answers(self) -> None:
        """The last of the events once more, with what is asked after each."""
        run = self.before_the_last
        for event in self.run.events[-LAST:]:
            run = run.take(event)
            assert (run.prompt is None) == (event is self.run.events[-1])

    @cached_property
    def before_the_last(self) -> Run:
        return Run.of(self.run.events[:-LAST])

    def evaluate(self) -> None:
        evaluate(self.run.state, None, self.checks)


def steps_of(work: Callable[[], object]) -> int:
    """How many steps of the interpreter some work takes, loops within a line among them."""
    count, before = 0, sys.gettrace()

    def step(frame: FrameType, what: str, _: object) -> Any:
        nonlocal count
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        count += what == "opcode"
        return step

    work()  # what is looked up once, is
    sys.settrace(step)
    try:
        work()
    finally:
        sys.settrace(before)
    return count


@pytest.mark.parametrize("one_zero", [False, True], ids=["a zero for each round", "one zero for all rounds"])
class TestWork:
    def test_of_an_answer_is_the_same_however_long_the_run_is(self, *, one_zero: bool) -> None:
        short, long = (steps_of(Long.of(rounds, one_zero=one_zero).last_answers) for rounds in (SHORT, LONG))
        assert long <= 1.1 * short

    def test_of_a_result_grows_with_the_rounds_and_not_with_their_square(self, *, one_zero: bool) -> None:
        short, long = (steps_of(Long.of(rounds, one_zero=one_zero).evaluate) for rounds in (SHORT, LONG))
        assert long <= short * (LONG / SHORT) ** 1.1
