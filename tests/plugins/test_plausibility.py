"""A dial far from zero on the block, and a first reading far beyond the limits: asked about before more is read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.catalogue import Catalogue
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Any]  # see conftest

HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
comparator = { resolution = "0.5 um", travel = "50 um" }
steps = [ { do = "zero", times = 2 }, { do = "read", at = "a", times = 2 }, { do = "return" } ]
"""
BLOCK = 'reference = { name = "Block", size = "10 mm", deviation = "0 um" }\n'
SIZE = 'characteristics.t = { measure = "size", at = "a", nominal = "10 mm", lower = "-1 um", upper = "3 um" }\n'
WASHER = HEAD + BLOCK + SIZE


def doubts(outcome: Any) -> list[dict[str, Any]]:
    return [f for f in outcome.record["findings"] if f["code"].startswith("plausibility/")]


def questions(outcome: Any) -> list[dict[str, Any]]:
    return [event for event in outcome.record["events"] if event["event"] == "question_asked"]


class TestADialFarFromZero:
    """The dial of the shipped ring stands at +8 um on the block; all else is sound."""

    ANSWERS = ("8", "8.5", "8", "28", *("9", "9.5", "9") * 3, "8", "8.5")

    def test_is_asked_about_after_its_first_reading(self, measure: Measure, routines: Path) -> None:
        outcome = measure(routines / "spacer-ring.toml", list(self.ANSWERS))
        (question,) = questions(outcome)
        first = next(event for event in outcome.record["events"] if event["event"] == "reading_taken")
        assert question["seq"] == first["seq"] + 1
        assert (question["code"], question["entries"]) == (f"plausibility/zero/{first['seq']}", [first["seq"]])
        assert "The dial shows +8 µm where the zero is taken; within 5 µm of zero is usual" in question["text"]

    def test_is_a_doubt_and_no_more(self, measure: Measure, routines: Path, catalogue: Catalogue) -> None:
        outcome = measure(routines / "spacer-ring.toml", list(self.ANSWERS))
        assert (outcome.code, [doubt["level"] for doubt in doubts(outcome)]) == (0, ["doubt"])
        assert verify(outcome.record, catalogue) == []

    @pytest.mark.parametrize(("shown", "asked"), [("5", 0), ("5.5", 1), ("-5", 0), ("-5.5", 1)])
    def test_a_tenth_of_the_travel_is_usual(self, measure: Measure, shown: str, asked: int) -> None:
        outcome = measure(WASHER, [shown, shown, shown, shown, shown])
        assert (len(questions(outcome)), len(doubts(outcome))) == (asked, asked)

    @pytest.mark.parametrize(("shown", "asked"), [("8", 0), ("10", 1)])
    def test_of_a_coarse_dial_four_steps_are(self, measure: Measure, shown: str, asked: int) -> None:
        coarse = WASHER.replace('resolution = "0.5 um"', 'resolution = "2 um"')
        assert len(questions(measure(coarse, [shown] * 5))) == asked

    def test_the_routine_says_what_is_usual_at_its_bench(self, measure: Measure) -> None:
        said = WASHER + 'bracket = { zero_within = "20 um" }\n'
        assert questions(measure(said, ["20"] * 5)) == []
        (question,) = questions(measure(said, ["20.5"] * 5))
        assert "+20.5 µm" in question["text"]
        assert "within 20 µm" in question["text"]

    def test_a_dial_set_to_the_deviation_of_the_block_is_set_well(self, measure: Measure) -> None:
        mastered = WASHER.replace('deviation = "0 um"', 'deviation = "+12 um"').replace("10 mm", "10.000 mm")
        assert questions(measure(mastered, ["12", "12", "1", "1", "12"])) == []
        assert len(questions(measure(mastered, ["-12", "-12", "-23", "-23", "-12"]))) == 1

    def test_without_a_travel_nobody_knows_what_is_far(self, measure: Measure) -> None:
        assert questions(measure(WASHER.replace(', travel = "50 um"', ""), ["30"] * 5)) == []


class TestAFirstReadingFarBeyondTheLimits:
    """A tolerance from −1 um to +3 um: three times its width are 12 um."""

    @pytest.mark.parametrize(("shown", "asked"), [("15", 0), ("15.5", 1), ("-13", 0), ("-13.5", 1)])
    def test_is_asked_about_before_more_is_read(self, measure: Measure, shown: str, asked: int) -> None:
        outcome = measure(WASHER, ["0", "0", shown, shown, "0"])
        assert (outcome.code, len(questions(outcome)), len(doubts(outcome))) == (1, asked, asked)
        for question in questions(outcome):
            third = [event for event in outcome.record["events"] if event["event"] == "reading_taken"][2]
            assert (question["seq"], question["entries"]) == (third["seq"] + 1, [third["seq"]])
            assert "12.5 µm beyond the limits of t (−1 µm to +3 µm)" in question["text"]
            assert "the right part, the right block, the unit?" in question["text"]

    def test_only_the_first_reading_is(self, measure: Measure) -> None:
        assert questions(measure(WASHER, ["0", "0", "1", "40", "0"])) == []

    def test_it_is_asked_once_where_the_routine_looks_for_slips(self, measure: Measure) -> None:
        outcome = measure(WASHER + "checks.slips = { }\n", ["0", "0", "40", "40", "0"])
        assert doubts(outcome) == []

    def test_a_size_with_one_limit_has_no_tolerance_to_be_far_from(self, measure: Measure) -> None:
        outcome = measure(WASHER.replace('lower = "-1 um", ', ""), ["0", "0", "40", "40", "0"])
        assert (outcome.code, doubts(outcome)) == (1, [])

    def test_a_step_is_no_size(self, measure: Measure) -> None:
        step = 'reference = { place = "b" }\n'
        step += 'characteristics.t = { measure = "step", at = "a", from = "b", lower = "0 um", upper = "3 um" }\n'
        text = HEAD.replace(
            '{ do = "read", at = "a", times = 2 }', '{ do = "read", at = "a" }, { do = "read", at = "b" }'
        )
        assert questions(measure(text + step, ["0", "0", "40", "0", "0"])) == []
