"""The check for heat: what moved is told, and what may be heat without moving; both have consequences."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.hooks import Act
from holdzero.remarks import remarks_of
from holdzero.routine.load import load_routine
from holdzero.verify import verify
from holdzero.views import view_of
from holdzero_plugins.checks import heat
from holdzero_plugins.checks._heat_plan import HeatSettings
from holdzero_plugins.tables.materials import materials

HEAD = """\
format = 1
routine = { title = "Block", part = "P-1" }
reference = { name = "Block", size = "100 mm", deviation = "0 um", material = "steel" }
part = { material = "steel" }
comparator = { resolution = "0.02 um", travel = "50 um" }
bracket = { limit = "0.3 um" }
"""
SIZE = 'characteristics.size = { measure = "size", at = "a", nominal = "100 mm", lower = "-1 um", upper = "1 um" }\n'
TILT = 'characteristics.tilt = { measure = "variation", at = ["a", "b"], upper = "0.5 um" }\n'
HEAT = "checks.heat = { }\n"
FIVE = "abcde"
# The slowest and fastest time constants of 100 mm of steel of 35 mm by 9 mm, as worked out in test_cooling; and
# L²/(π²D) with D = 45/(7850·460) m²/s.
SLOWEST_MIN, EVEN_S = 41.6, 81.3


def steps(passes: int, places: str = FIVE) -> str:
    reads = ", ".join(f'{{ do = "read", at = "{place}" }}' for place in places)
    return (
        'steps = [ { do = "zero", times = 3 }, '
        f'{{ do = "repeat", times = {passes}, steps = [ {reads} ] }}, {{ do = "return", times = 2 }} ]\n'
    )


Course = Callable[[float, int], float]
Refused = Callable[[str], str]


@pytest.fixture
def refused(tmp_path: Path, catalogue: Catalogue) -> Refused:
    """What is said of a routine that is not accepted."""

    def go(text: str) -> str:
        path = tmp_path / "block.toml"
        path.write_text(text, "utf-8")
        loaded = load_routine(path)
        checks, _ = bind(loaded.routine, catalogue, loaded.origins)
        said = remarks_of(checks.bound, loaded.routine, loaded.origins, complete=True)
        return " ".join(f"{fault.key}: {fault.found}; {fault.mend}" for fault in said if not fault.warning)

    return go


def readings(
    passes: int,
    minutes: float,
    course: Course,
    *,
    places: int = 5,
    scatter: float = 0.02,
    seed: int = 3,
    step: float = 0.02,
) -> list[Any]:
    """Answers of a run whose passes take so long, rounded to the dial's step, with their times."""
    chance = np.random.default_rng(seed)
    gap_s = 60.0 * minutes / (passes * places - 1)

    def shown(um: float) -> str:
        return f"{round((um + chance.normal(0.0, scatter)) / step) * step:+.2f}"

    answers: list[Any] = [(15.0 * lift, shown(0.0)) for lift in (1, 2, 3)]
    for number in range(passes * places):
        time_s = gap_s * number
        answers.append((60.0 + time_s, shown(course(time_s, number % places))))
    last_s = 120.0 + 60.0 * minutes
    return [*answers, (last_s, shown(0.0)), (last_s + 15.0, shown(0.0))]


def warm(settled: float, start: float, tau_min: float) -> Course:
    return lambda time_s, _: settled + start * math.exp(-time_s / (60.0 * tau_min))


def still(time_s: float, place: int) -> float:
    del time_s, place
    return 0.0


def tilted(settled: Sequence[float], start: Sequence[float], tau_s: float) -> Course:
    return lambda time_s, place: settled[place] + start[place] * math.exp(-time_s / tau_s)


def finding(outcome: Any, code: str) -> dict[str, Any]:
    (one,) = [f for f in outcome.record["findings"] if f["code"] == code]
    found: dict[str, Any] = one
    return found


def codes(outcome: Any) -> set[str]:
    return {f["code"] for f in outcome.record["findings"] if f["code"].startswith("heat/")}


BAD = warm(-1.2, 0.55, 22.0)


class TestASizeThatFades:
    """A block of 100 mm, warm from a hand: +0.55 um at first, fading with 22 min, and 0.2 um beyond its limit."""

    @pytest.mark.parametrize(("passes", "minutes"), [(10, 15), (10, 30), (15, 45)])
    def test_is_undecided_and_where_it_ends_is_told(self, measure: Any, passes: int, minutes: float) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(passes), readings(passes, minutes, BAD))
        assert (outcome.code, outcome.codes("stop")) == (3, ["heat/explains"])
        data = finding(outcome, "heat/explains")["data"]
        value = outcome.record["results"]["size"]["value_um"]
        assert value - data["in_value_high_um"] <= -1.2 <= value - data["in_value_low_um"]
        assert data["in_value_low_um"] > 0.0

    def test_is_said_in_words_that_a_tired_inspector_understands(self, measure: Any, catalogue: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 45, BAD))
        text = finding(outcome, "heat/explains")["text"]
        assert text.startswith("size: the readings of the part fell by 0.4")
        assert "heat of the hand, not size. The value is not corrected for it. It fades by (−0." in text
        assert ", to (−1.2" in text  # the value where it ends, and not the change
        assert "at most 0.2 µm is allowed" in text
        assert verify(outcome.record, catalogue) == []

    def test_what_was_taken_as_possible_stands_on_record_with_its_source(self, measure: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 45, BAD))
        text = finding(outcome, "heat/possible")["text"]
        assert "to 41.6 min (still air) for a part of steel of this size" in text
        assert "up to 81 s for differences within it (lumped body, Bergman" in text
        data = finding(outcome, "heat/explains")["data"]
        assert data["slowest_s"] == pytest.approx(60.0 * SLOWEST_MIN, rel=1e-3)
        assert data["even_s"] == pytest.approx(EVEN_S, rel=1e-3)

    def test_a_cold_part_rises(self, measure: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 45, warm(0.9, -0.55, 22.0)))
        text = finding(outcome, "heat/explains")["text"]
        assert "rose by" in text
        assert "a cold part that warms up, not size" in text

    def test_a_wide_allowance_leaves_a_note(self, measure: Any) -> None:
        wide = 'checks.heat = { allowance = "1.5 um" }\n'
        outcome = measure(HEAD + SIZE + wide + steps(15), readings(15, 45, warm(0.0, 0.55, 22.0)))
        assert codes(outcome) == {"heat/little", "heat/possible"}
        assert outcome.codes("stop") == []

    def test_that_ended_before_the_last_passes_counts_all_the_same(self, measure: Any) -> None:
        # 0.6 um that was gone after 5 min is still in the mean of 45.
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 45, warm(0.0, 2.5, 4.0)))
        low, high = (finding(outcome, "heat/explains")["data"][f"in_value_{end}_um"] for end in ("low", "high"))
        times = np.linspace(0.0, 45.0 * 60.0, 75)[::5]
        assert low <= 2.5 * np.exp(-times / 240.0).mean() <= high


class TestWhatDoesNotMove:
    def test_is_a_pass_where_it_was_read_for_long_enough(self, measure: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 45, still))
        assert codes(outcome) == {"heat/none", "heat/possible"}
        assert outcome.code == 0
        assert finding(outcome, "heat/none")["data"]["in_value_high_um"] < 0.2

    def test_is_undecided_where_a_slow_fade_would_hide_in_its_scatter(self, measure: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 14, still))
        assert (outcome.code, codes(outcome)) == (3, {"heat/not_told", "heat/possible"})
        text = finding(outcome, "heat/not_told")["text"]
        assert "nothing moved beyond scatter in 13" in text
        assert "at most 0.2 µm is allowed" in text
        assert "the same 15 passes spread over" in text.lower()
        assert "passes at this pace would be just enough" in text

    def test_of_equal_readings_rounding_is_all_that_may_hide_heat(self, measure: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(15), readings(15, 45, still, scatter=0.0))
        most = finding(outcome, "heat/none")["data"]["in_value_high_um"]
        assert 0.0 < most < 0.2

    def test_without_times_nothing_is_known(self, measure: Any) -> None:
        answers = [text for _, text in readings(15, 45, still)]
        outcome = measure(HEAD + SIZE + HEAT + steps(15), answers)
        assert (outcome.code, codes(outcome)) == (3, {"heat/few"})
        assert "with the times at which they were read" in finding(outcome, "heat/few")["text"]

    def test_of_a_material_that_nobody_knows_a_fade_may_take_45_min(self, measure: Any) -> None:
        unknown = HEAD.replace('part = { material = "steel" }', 'part = { material = "" }')
        outcome = measure(unknown + SIZE + HEAT + steps(15), readings(15, 45, still))
        assert "up to 45 min, as size or material of the part is not known" in finding(outcome, "heat/possible")["text"]


class TestATilt:
    """Differences within steel of 100 mm even out in 81 s: heat that is alike at all places cancels."""

    def test_that_fades_while_the_part_evens_out_is_heat(self, measure: Any) -> None:
        outcome = measure(
            HEAD + TILT + HEAT + steps(8, "ab"), readings(8, 8, tilted((0.1, 0.0), (1.2, 0.0), 75.0), places=2)
        )
        text = finding(outcome, "heat/explains")["text"]
        assert text.startswith("tilt: what looks like tilt faded by ")
        assert "heat of the hand that evens out, not shape" in text

    def test_that_lasts_longer_than_the_part_can_stay_uneven_is_not_known(self, measure: Any) -> None:
        """A true tilt of 0.48 um that heat hides at first."""
        course = tilted((0.48, 0.0), (-0.45, 0.0), 900.0)
        outcome = measure(HEAD + TILT + HEAT + steps(10, "ab"), readings(10, 10, course, places=2))
        assert (outcome.code, outcome.codes("stop")) == (3, ["heat/explains"])
        text = finding(outcome, "heat/explains")["text"]
        assert "for longer than a part of this size stays uneven inside" in text
        assert "Where it ends can't be told" in text

    def test_of_a_part_that_cools_as_a_whole_is_left_alone(self, measure: Any) -> None:
        outcome = measure(HEAD + TILT + HEAT + steps(10, "ab"), readings(10, 10, warm(0.0, 0.6, 22.0), places=2))
        assert codes(outcome) == {"heat/none", "heat/possible"}
        assert outcome.code == 0

    def test_a_bad_first_reading_can_t_be_told_from_heat_that_is_gone_after_it(self, measure: Any) -> None:
        answers = readings(15, 45, still)
        answers[3] = (answers[3][0], "+3.00")
        assert measure(HEAD + SIZE + HEAT + steps(15), answers).code == 3


class TestOtherLayouts:
    def test_where_the_reference_is_read_at_a_place_of_its_own(self, measure: Any) -> None:
        text = SIZE.replace('at = "a"', 'at = "a", from = "s"')

        def course(time_s: float, place: int) -> float:
            # the part fades, the reference does not
            return 0.2 + 0.8 * math.exp(-time_s / 1320.0) if place == 0 else 0.0

        outcome = measure(HEAD + text + HEAT + steps(40, "as"), readings(40, 45, course, places=2))
        data = finding(outcome, "heat/explains")["data"]
        value = outcome.record["results"]["size"]["value_um"]
        assert value - data["in_value_high_um"] <= 0.2 <= value - data["in_value_low_um"]

    def test_where_the_zero_is_taken_on_the_part(self, measure: Any) -> None:
        head = HEAD.replace(
            'reference = { name = "Block", size = "100 mm", deviation = "0 um", material = "steel" }',
            'reference = { place = "bare" }',
        )
        text = 'characteristics.film = { measure = "step", at = "c", from = "b", upper = "4 um", lower = "0 um" }\n'
        outcome = measure(
            head + text + HEAT + steps(12, "bc"), readings(12, 12, tilted((0.0, 2.0), (0.0, 0.0), 60.0), places=2)
        )
        assert codes(outcome) & {"heat/none", "heat/not_told"}

    def test_a_zero_for_each_pass_has_its_scatter_in_it(self, measure: Any) -> None:
        chance = np.random.default_rng(5)
        inner = '{ do = "zero" }, { do = "read", at = "a" }, { do = "read", at = "b" }, { do = "return" }'
        text = f'steps = [ {{ do = "repeat", times = 30, steps = [ {inner} ] }} ]\n'
        answers = [
            (90.0 * number + 20.0 * lift, f"{round((zero + chance.normal(0.0, 0.02)) / 0.02) * 0.02:+.2f}")
            for number, zero in enumerate(chance.normal(0.0, 1.0, 30))
            for lift in range(4)
        ]
        outcome = measure(HEAD + SIZE + HEAT + text, answers)
        assert codes(outcome) <= {"heat/none", "heat/not_told", "heat/possible"}


class TestARoutine:
    """Too few passes to tell are refused before any run, with what would be enough."""

    @pytest.mark.parametrize("passes", [2, 3, 6])
    def test_with_too_few_passes_is_refused(self, refused: Refused, passes: int) -> None:
        said = refused(HEAD + SIZE + HEAT + steps(passes, "a"))
        assert "checks.heat" in said
        assert "3 passes or more" in said if passes < 3 else "of heat would hide" in said

    def test_says_what_would_be_enough(self, refused: Refused) -> None:
        said = refused(HEAD + SIZE + HEAT + steps(4))
        assert "with a scatter of 0.02 um at least the same 4 passes spread over" in said
        assert "passes at this pace: a soak at the end of each round, or more rounds" in said

    def test_takes_as_many_passes_as_it_names_and_says_nothing_more(self, tmp_path: Path, catalogue: Catalogue) -> None:
        def said(passes: int) -> list[str]:
            path = tmp_path / "block.toml"
            path.write_text(HEAD + SIZE + HEAT + steps(passes), "utf-8")
            loaded = load_routine(path)
            checks, _ = bind(loaded.routine, catalogue, loaded.origins)
            remarks = remarks_of(checks.bound, loaded.routine, loaded.origins, complete=True)
            return [str(remark.mend) for remark in remarks if remark.key == "checks.heat"]

        (mend,) = said(4)
        found = re.search(r"or (\d+) passes at this pace", mend)
        assert found is not None
        assert said(int(found[1])) == []

    def test_is_told_where_usual_scatter_would_hide_it(self, measure: Any) -> None:
        outcome = measure(HEAD + SIZE + HEAT + steps(8), readings(8, 45, still))
        assert outcome.code == 0  # read for longer than was planned

    def test_with_its_scatter_stated_is_held_to_that(self, refused: Refused) -> None:
        pooled = 'checks.repeatability = { pooled = { standard = "0.1 um", dof = 30, of = "readings" } }\n'
        assert "scatter by 0.1 um" in refused(HEAD + SIZE + HEAT + pooled + steps(15))


class TestAtTheBench:
    def asked(self, start: Callable[..., Any], count: int, course: Course) -> list[Any]:
        bench = start(HEAD + SIZE + HEAT + steps(10))
        for time_s, text in readings(10, 15, course)[:count]:
            bench.time_s = time_s - 1.0  # the bench adds a second
            bench.answer(text)
        settings = HeatSettings.model_validate({})
        return [f for f in heat.watch(settings, view_of(bench.run.state, "1", materials())) if np.all(f.holds)]

    def test_it_asks_while_the_part_is_there_and_says_how_long_to_wait(self, start: Callable[..., Any]) -> None:
        (found,) = self.asked(start, 3 + 5 * 6, warm(0.0, 0.55, 22.0))
        assert found.code == "heat/fades/size"
        assert "more than scatter does: hand heat? Wait" in found.text
        assert "in still air" in found.text
        assert "lying flat on one" in found.text
        assert found.offer.act is Act.ANEW

    @pytest.mark.parametrize("more", range(6))
    def test_the_question_stands_at_each_prompt(self, start: Callable[..., Any], more: int) -> None:
        (found,) = self.asked(start, 3 + 5 * 6 + more, warm(0.0, 0.55, 22.0))
        assert found.code == "heat/fades/size"

    def test_it_does_not_ask_where_nothing_moves(self, start: Callable[..., Any]) -> None:
        assert self.asked(start, 3 + 5 * 10, still) == []

    def test_three_passes_are_enough_where_much_moved(self, start: Callable[..., Any]) -> None:
        (found,) = self.asked(start, 3 + 5 * 3, warm(0.0, 2.0, 22.0))
        assert "fell by 0." in found.text

    def test_readings_of_a_zero_that_was_given_up_count_no_more(self, start: Callable[..., Any]) -> None:
        bench = start(HEAD + SIZE + HEAT + steps(10))
        for time_s, text in readings(10, 15, warm(0.0, 0.55, 22.0))[: 3 + 5 * 6]:
            bench.time_s = time_s - 1.0
            bench.answer(text)
        bench.take(e.ZeroRenewed, reason="the block is warm")
        settings = HeatSettings.model_validate({})
        assert list(heat.watch(settings, view_of(bench.run.state, "1", materials()))) == []

    @pytest.mark.parametrize("given_up", [False, True])
    def test_what_a_return_has_closed_can_be_given_up_no_more_and_so_it_says(
        self, start: Callable[..., Any], given_up: bool
    ) -> None:
        bench = start(HEAD + SIZE + HEAT + steps(6))
        for time_s, text in readings(6, 15, warm(0.0, 0.55, 22.0)):
            bench.time_s = time_s - 1.0
            bench.answer(text)
        if given_up:  # it takes nothing back, so that the doubt stands
            bench.take(e.ZeroRenewed, reason="the block is warm")
        settings = HeatSettings.model_validate({})
        view = view_of(bench.run.state, "1", materials())
        (found,) = [f for f in heat.watch(settings, view) if np.all(f.holds)]
        assert found.offer is None
        assert found.text.endswith("giving the zero up takes none of it back: measure anew in another run.")


def test_many_runs_go_the_same_way_as_one(start: Callable[..., Any]) -> None:
    bench = start(HEAD + SIZE + HEAT + steps(10))
    for time_s, text in readings(10, 15, warm(0.0, 0.55, 22.0))[:-2]:
        bench.time_s = time_s - 1.0
        bench.answer(text)
    one = view_of(bench.run.state, "1", materials())
    flat = {r.seq: np.array([r.value_um, 0.02 * (index % 2)]) for index, r in enumerate(one.readings)}
    many = replace(one, readings=tuple(replace(r, value_um=flat[r.seq]) for r in one.readings))
    settings = HeatSettings.model_validate({})
    (single,), (both,) = (list(heat.watch(settings, seen)) for seen in (one, many))
    assert np.asarray(both.holds).tolist() == [bool(single.holds), False]
