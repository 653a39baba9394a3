"""What a record says of readings that were struck out: a zero that stands on fewer, a place that was read often."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

from holdzero.hooks import Finding, Level
from holdzero.oversight import run_findings

Bench: TypeAlias = Any  # see conftest
Start: TypeAlias = Callable[..., Bench]

ROUTINE = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.1 um", travel = "50 um" }
characteristics.t = { measure = "size", at = ["a", "b"], nominal = "5 mm", lower = "-3 um", upper = "3 um" }
"""
RING = (
    ROUTINE
    + """\
steps = [ { do = "zero", times = 3 }, { do = "read", at = "a", times = 2 }, { do = "read", at = "b" },
  { do = "return" } ]
"""
)
BATCH = (
    ROUTINE
    + """\
steps = [ { do = "zero" },
  { do = "repeat", over = "parts", steps = [ { do = "read", at = "a" }, { do = "read", at = "b" } ] },
  { do = "return" } ]
"""
)
ZERO, PLACE = "zero/few_readings", "run/often_struck"


def of(bench: Bench, code: str) -> list[Finding]:
    return [finding for finding in run_findings(bench.run.state) if finding.code == code]


def read_and_struck(bench: Bench, *texts: str) -> Bench:
    """Each of these read and struck out again, one after the other."""
    for text in texts:
        bench.answer(text).strike(bench.run.state.seq)
    return bench


class TestAZeroInUse:
    def test_says_on_how_many_of_its_readings_it_stands(self, start: Start) -> None:
        bench = start(RING).answer("0", "4", "5", "1").strike(3).strike(4)
        assert bench.asked() == "read a"
        (found,) = of(bench, ZERO)
        assert found.level is Level.DOUBT
        assert found.text.startswith("Zero 1 stands on 1 of 3 readings")

    def test_that_was_read_again_before_it_was_used_is_whole(self, start: Start) -> None:
        bench = start(RING).answer("0", "4", "0").strike(3).answer("0.1", "1", "1", "1", "0")
        assert of(bench, ZERO) == []

    def test_that_is_being_set_is_not_judged_yet(self, start: Start) -> None:
        assert of(start(RING).answer("0", "4"), ZERO) == []

    def test_that_lost_all_its_readings_is_set_anew_whole(self, start: Start) -> None:
        bench = start(RING).answer("0", "4", "0", "1").strike(2).strike(3).strike(4)
        bench.answer("0", "0", "0", "1", "1", "1", "0")
        assert bench.asked() == "compare"
        assert of(bench, ZERO) == []


class TestAPlaceThatWasReadOften:
    def test_two_strike_outs_are_no_doubt(self, start: Start) -> None:
        bench = read_and_struck(start(RING).answer("0", "0", "0"), "4.1", "3.9")
        assert of(bench, PLACE) == []

    def test_three_are_listed_beside_what_counts(self, start: Start) -> None:
        bench = read_and_struck(start(RING).answer("0", "0", "0"), "4.1", "3.9", "3.2").answer("2.9", "2.8", "1", "0")
        (found,) = of(bench, PLACE)
        assert found.level is Level.DOUBT
        assert "3 readings at a were struck out (4.1, 3.9, 3.2); what counts there: 2.9, 2.8." in found.text

    def test_strike_outs_of_different_places_are_apart(self, start: Start) -> None:
        bench = read_and_struck(start(RING).answer("0", "0", "0"), "4.1", "3.9").answer("1", "1")
        assert of(read_and_struck(bench, "4", "4"), PLACE) == []

    def test_a_zero_that_was_read_often_is_one_too(self, start: Start) -> None:
        (found,) = of(read_and_struck(start(RING), "4", "3", "2"), PLACE)
        assert "3 readings for the zero were struck out (4, 3, 2); what counts there: none." in found.text

    def test_of_a_batch_it_names_the_part(self, start: Start) -> None:
        bench = read_and_struck(start(BATCH, serials=("7", "8")).answer("0", "1", "1"), "4", "3", "2")
        (found,) = of(bench, PLACE)
        assert "at a of part 8" in found.text
