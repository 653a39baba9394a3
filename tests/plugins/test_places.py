"""One place that stands out from the others alike in every round: asked about in time, dropped by nobody."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.expansion import kinds_of
from holdzero.rehearse.many import Rehearsal, rehearsed
from holdzero.routine.load import load_routine
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Any]  # see conftest

HEAD = """\
format = 1
routine = { title = "Ring", part = "R-1" }
reference = { name = "Block", size = "12 mm", deviation = "0 um" }
comparator = { resolution = "0.001 um", travel = "50 um" }
bracket = { limit = "2 um" }
"""
FLAT = 'characteristics.flat = { measure = "variation", at = ["a", "b", "c"], upper = "3 um" }\n'
NINE = """\
steps = [ { do = "zero", times = 3 },
  { do = "repeat", times = 3, steps = [
    { do = "read", at = "a" }, { do = "read", at = "b" }, { do = "read", at = "c" } ] },
  { do = "return" } ]
"""
# t at 0.99 with 8 degrees of freedom is 2.896: NIST/SEMATECH e-Handbook, 1.3.6.7.2 (from memory). Four groups of
# −1, 0, +1 have s = 1 with 8 degrees of freedom, and the mean of three against that of six has u = √(1/3 + 1/6).
T_99_8, U_GAP = 2.896, 0.5**0.5
FARTHEST = 3.0 + T_99_8 * U_GAP
THREE = (-1.0, 0.0, 1.0)


def rounds(*places: float, scatter: Sequence[float] = THREE) -> list[str]:
    """Answers of a run: the zero, three rounds of places at these heights, the return."""
    return [*map(str, scatter), *(f"{height + more:.3f}" for more in scatter for height in places), "0"]


def doubts(outcome: Any) -> list[dict[str, Any]]:
    return [f for f in outcome.record["findings"] if f["code"].startswith("places/")]


def questions(outcome: Any) -> list[dict[str, Any]]:
    asked = [event for event in outcome.record["events"] if event["event"] == "question_asked"]
    return [event for event in asked if event["code"].startswith("places/")]


class TestAPlaceThatStandsOut:
    """Place b of the shipped ring lies 3.5 um above a and c in every round."""

    ANSWERS = ("0", "+0.5", "0", "20", *("1", "4.5", "1") * 3, "0", "+0.5")

    def test_is_asked_about_once_while_the_part_is_there(self, measure: Measure, routines: Path) -> None:
        outcome = measure(routines / "spacer-ring.toml", list(self.ANSWERS))
        (question,) = questions(outcome)
        read = {event["seq"]: event for event in outcome.record["events"] if event["event"] == "reading_taken"}
        assert [read[number]["raw"] for number in question["entries"]] == ["4.5"] * len(question["entries"])
        assert question["code"] == f"places/apart/{question['entries'][0]}"
        assert question["act"] == "strike"
        assert "3.5 µm above the other places" in question["text"]
        assert "parallelism allows 1.5 µm" in question["text"]
        # before the part is taken away: readings of it were still to come
        assert question["seq"] < max(read)

    def test_stays_a_fail_with_a_doubt_and_what_was_asked(
        self, measure: Measure, routines: Path, catalogue: Catalogue
    ) -> None:
        outcome = measure(routines / "spacer-ring.toml", list(self.ANSWERS))
        (doubt,) = doubts(outcome)
        assert (outcome.code, doubt["level"]) == (1, "doubt")
        assert "in all its 3 readings" in doubt["text"]
        assert "nothing is dropped" in doubt["text"]
        assert [f["level"] for f in outcome.record["findings"] if f["code"] == "run/question"] == ["note"]
        assert verify(outcome.record, catalogue) == []


class TestWhenItStandsOut:
    @pytest.mark.parametrize(("more", "asked"), [(-0.01, 0), (0.01, 1)])
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_beyond_what_is_allowed_and_scatter_at_one_per_cent(
        self, measure: Measure, more: float, asked: int, sign: float
    ) -> None:
        found = doubts(measure(HEAD + FLAT + NINE, rounds(0.0, sign * (FARTHEST + more), 0.0)))
        assert len(found) == asked
        assert all(("above" if sign > 0.0 else "below") in doubt["text"] for doubt in found)

    def test_the_comparator_s_own_error_is_no_place_s(self, measure: Measure) -> None:
        error = 'comparator = { resolution = "0.001 um", travel = "50 um", error = { standard = "1 um" } }'
        with_error = HEAD.replace('comparator = { resolution = "0.001 um", travel = "50 um" }', error)
        # u = √(1/3 + 1/6 + 1): the comparator's error beside the scatter
        farthest = 3.0 + T_99_8 * 1.5**0.5
        assert doubts(measure(with_error + FLAT + NINE, rounds(0.0, farthest - 0.01, 0.0))) == []
        assert len(doubts(measure(with_error + FLAT + NINE, rounds(0.0, farthest + 0.01, 0.0)))) == 1

    def test_of_a_size_half_the_tolerance_is_allowed(self, measure: Measure) -> None:
        size = 'measure = "size", at = ["a", "b", "c"], nominal = "12 mm", lower = "-3 um", upper = "3 um"'
        text = HEAD + f"characteristics.thick = {{ {size} }}\n" + NINE
        assert doubts(measure(text, rounds(0.0, FARTHEST - 0.01, 0.0))) == []
        (doubt,) = doubts(measure(text, rounds(0.0, FARTHEST + 0.01, 0.0)))
        assert doubt["characteristic"] == "thick"

    def test_two_characteristics_ask_once(self, measure: Measure) -> None:
        step = 'measure = "variation", at = ["a", "b", "c"], upper = "2 um"'
        outcome = measure(HEAD + FLAT + f"characteristics.narrow = {{ {step} }}\n" + NINE, rounds(0.0, 9.0, 0.0))
        assert len(doubts(outcome)) == len(questions(outcome)) == 1

    def test_a_part_that_is_really_out_of_parallel_is_not_asked_about(self, measure: Measure) -> None:
        outcome = measure(HEAD + FLAT + NINE, rounds(0.0, 10.0, 20.0))
        assert (outcome.code, doubts(outcome), questions(outcome)) == (1, [], [])

    def test_one_reading_that_agrees_with_the_others_is_a_matter_of_scatter(self, measure: Measure) -> None:
        answers = ["0", "0.1", "0", "0", "12", "0", "0.1", "12.1", "0.1", "0", "0.1", "0", "0"]
        outcome = measure(HEAD + FLAT + NINE, answers)
        assert doubts(outcome) == []

    def test_of_two_places_nobody_knows_which_is_odd(self, measure: Measure) -> None:
        two = FLAT.replace('"a", "b", "c"', '"a", "b"')
        assert doubts(measure(HEAD + two + NINE, rounds(0.0, 20.0, 0.0))) == []

    @pytest.mark.parametrize(
        "keys",
        ['measure = "variation", at = ["a", "b", "c"]', 'measure = "crown", at = ["a", "b", "c"], upper = "3 um"'],
    )
    def test_what_may_differ_is_not_asked_about(self, measure: Measure, keys: str) -> None:
        outcome = measure(HEAD + f"characteristics.bow = {{ {keys} }}\n" + NINE, rounds(0.0, 20.0, 0.0))
        assert (doubts(outcome), questions(outcome)) == ([], [])

    def test_without_any_scatter_that_is_known_nothing_is_said(self, measure: Measure) -> None:
        once = NINE.replace("times = 3", "times = 1")
        assert doubts(measure(HEAD + FLAT + once, ["0", "0", "20", "0", "0"])) == []


class TestSoundRuns:
    RUNS = 4000

    @pytest.mark.parametrize(
        ("name", "of", "limit_um"), [("spacer-ring", "parallelism", 1.5), ("gauge-pad", "parallelism", 0.5)]
    )
    def test_a_part_that_lies_on_its_limit_by_one_place_is_asked_about_in_one_per_cent_of_runs_at_most(
        self, routines: Path, catalogue: Catalogue, name: str, of: str, limit_um: float
    ) -> None:
        loaded = load_routine(routines / f"{name}.toml", kinds=kinds_of(catalogue))
        checks, _ = bind(loaded.routine, catalogue)
        scatter = loaded.routine.comparator.resolution / 2.0  # type: ignore[union-attr]  # both have it whole
        what = Rehearsal(document=loaded.document, digest=loaded.digest, checks=checks, of=of, scatter_um=scatter)

        def share(true_um: float) -> float:
            found = rehearsed(what, what.ideal(), np.full(self.RUNS, true_um), self.RUNS).findings
            return sum(count for code, count in found.items() if "places/" in code) / self.RUNS

        assert share(limit_um) <= 0.01
        # the question is not asleep: twice the limit by one place is seen
        assert share(2.0 * limit_um) > 0.5
