"""The film check, each time through a whole run: give between forces, thickness at no force, questions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from holdzero.explain import explain
from holdzero.testing import Draft, Measure, Outcome

FORCES = (0.25, 0.5, 1.0)
PLACES = ("bare 1", "covered 1", "bare 2", "covered 2")
Answers = list[str]


def routine(forces: Sequence[float] = FORCES, *, times: int = 3, asked_at: str = "0.25 N", **film: Any) -> Draft:
    """A step from bare to covered places, read at several forces; the zero is one of the bare places."""
    reads = [
        {"do": "repeat", "times": times, "steps": [{"do": "read", "at": p, "force": f"{force} N"} for p in PLACES]}
        for force in forces
    ]
    return (
        Draft()
        .without_table("characteristics")
        .without_table("reference")
        .with_table("reference", place="bare 1")
        .with_table("comparator", resolution="0.001 um", force="0.25 N")
        .with_characteristic(
            "t",
            measure="step",
            at=["covered 1", "covered 2"],
            from_=["bare 1", "bare 2"],
            force=asked_at,
            lower="4 um",
            upper="7 um",
        )
        .with_check("film", **film)
        .with_steps({"do": "zero", "times": 3}, *reads, {"do": "return", "times": 2}, {"do": "compare"})
    )


# What single readings are off, in their order: made up, scattered by about 0.03 um, and the same for every film.
OFF = (0.02, -0.03, 0.01, 0.04, -0.02, 0.0, 0.03, -0.04, -0.01, 0.02, 0.01, -0.03)


def answers(
    thick: Callable[[float], float],
    forces: Sequence[float] = FORCES,
    *,
    times: int = 3,
    second: float = 0.0,
    off: Sequence[float] = OFF,
) -> Answers:
    """Readings of a film so thick at each force [um]; at its second place it is so much thicker."""
    given, number = ["0", "0.02", "-0.02"], 0
    for force in forces:
        for _ in range(times):
            for place in PLACES:
                height = 0.4 - 0.1 * force  # the level moves with the force, alike at all places
                if place.startswith("covered"):
                    height += thick(force) + (second if place.endswith("2") else 0.0)
                given.append(f"{height + off[(7 * number) % len(off)]:.3f}")
                number += 1
    return [*given, "0", "0.02"]


def found(outcome: Outcome, code: str) -> dict[str, Any]:
    (one,) = [item for item in outcome.record["findings"] if item["code"] == code]
    assert isinstance(one, dict)
    return one


def codes_asked(outcome: Outcome) -> set[str]:
    return {item.code.rpartition("/")[0] for item in outcome.asked if item.code.startswith("film/")}


def soft(force: float) -> float:
    """A film that is 5.6 um thick and gives way as Hertz has it."""
    return float(5.6 - 0.9 * force ** (2 / 3))


def firm(force: float) -> float:
    del force
    return 5.0


class TestAnyTwoForces:
    def test_are_compared_and_not_the_lightest_and_the_heaviest_alone(self, measure: Measure) -> None:
        # as thick at 1 N as at 0.25 N, and thinner between
        outcome = measure(routine(), answers({0.25: 5.0, 0.5: 4.4, 1.0: 5.0}.__getitem__))
        gives, thicker = found(outcome, "film/gives_way"), found(outcome, "film/thicker")
        assert "thinner at 0.5 N than at 0.25 N" in gives["text"]
        assert "thicker at 1 N than at 0.5 N" in thicker["text"]
        assert gives["level"] == thicker["level"] == "doubt"
        assert gives["data"]["give_um"] == pytest.approx(0.6, abs=0.04)
        assert thicker["data"]["give_um"] == pytest.approx(-0.6, abs=0.04)

    def test_of_which_the_farthest_apart_are_named(self, measure: Measure) -> None:
        gives = found(measure(routine(), answers(soft)), "film/gives_way")
        assert "thinner at 1 N than at 0.25 N" in gives["text"]
        assert "The result for t is valid for 0.25 N only" in gives["text"]

    def test_a_firm_film_is_said_to_be_firm(self, measure: Measure) -> None:
        outcome = measure(routine(), answers(firm))
        assert found(outcome, "film/firm")["level"] == "note"
        assert not [code for code in outcome.codes("doubt") if code.startswith("film/")]

    def test_thicker_under_more_force_is_dirt_or_a_moved_dial(self, measure: Measure) -> None:
        thicker = found(measure(routine(), answers({0.25: 5.0, 0.5: 5.0, 1.0: 5.8}.__getitem__)), "film/thicker")
        assert "No film gets thicker under more force: dirt under the tip, a dial that was moved" in thicker["text"]

    def test_are_compared_at_the_places_that_were_read_at_both(self, measure: Measure) -> None:
        # the second place is 1.5 um thicker and is left out at 1 N: the film gives way by nothing
        draft = routine((0.25, 1.0))
        steps = draft.tables["steps"]
        steps[2]["steps"] = [step for step in steps[2]["steps"] if not step["at"].endswith("2")]
        both = answers(firm, (0.25, 1.0), second=1.5)
        given = [*both[:15], *(text for row in range(3) for text in both[15 + 4 * row : 17 + 4 * row]), *both[27:]]
        outcome = measure(draft, given)
        assert found(outcome, "film/firm")["data"]["give_um"] == pytest.approx(0.0, abs=0.04)
        assert codes_asked(outcome) == set()

    def test_own_uncertainty_is_that_of_four_means(self, measure: Measure) -> None:
        outcome = measure(routine((0.25, 1.0)), answers(firm, (0.25, 1.0)))
        scatter = found(outcome, "repeatability/scatter")["data"]
        # JCGM 100:2008, Table G.2, p = 95.45 %: t(19) = 2.14 (from memory); four means of six readings each
        assert scatter["degrees_of_freedom"] == 19.0
        expanded = 2.14 * scatter["s_um"] * (4 / 6) ** 0.5
        assert found(outcome, "film/firm")["data"]["limit_um"] == pytest.approx(expanded, rel=0.005)


class TestALimit:
    def test_leaves_what_gives_way_by_more_undecided(self, measure: Measure) -> None:
        outcome = measure(routine(limit="0.4 um"), answers(soft))
        limit = found(outcome, "film/limit")
        assert outcome.record["results"]["t"]["verdict"] == "undecided"
        assert limit["level"] == "stop"
        assert "; 0.4 µm is allowed" in limit["text"]

    def test_lets_what_gives_way_by_less_be_decided(self, measure: Measure) -> None:
        outcome = measure(routine(limit="0.7 um"), answers(soft))
        assert outcome.record["results"]["t"]["verdict"] == "pass"
        assert not [code for level in ("stop", "doubt") for code in outcome.codes(level) if code.startswith("film/")]

    def test_holds_for_what_is_thicker_as_well(self, measure: Measure) -> None:
        outcome = measure(routine(limit="0.4 um"), answers({0.25: 5.0, 0.5: 5.5, 1.0: 5.0}.__getitem__))
        texts = [item["text"] for item in outcome.record["findings"] if item["code"] == "film/limit"]
        assert outcome.record["results"]["t"]["verdict"] == "undecided"
        assert any("thicker at 0.5 N than at 0.25 N" in text and "dirt under the tip" in text for text in texts)


def by_lstsq(thickness: Sequence[float], forces: Sequence[float], exponent: float) -> tuple[float, float]:
    """Thickness at no force, and the root of its variance in units of that of one thickness, by numpy alone."""
    columns = np.stack([np.ones(len(forces)), -(np.asarray(forces) ** exponent)], axis=1)
    solved = np.linalg.lstsq(columns, np.asarray(thickness), rcond=None)[0]
    return float(solved[0]), float(np.linalg.inv(columns.T @ columns)[0, 0] ** 0.5)


def thicknesses(given: Answers, forces: Sequence[float], times: int = 3) -> list[float]:
    """Mean of the covered readings less mean of the bare ones, at each force."""
    values = np.array([float(text) for text in given[3:-2]]).reshape(len(forces), times, 4)
    return [float(block[:, 1::2].mean() - block[:, 0::2].mean()) for block in values]


def left_over(given: Answers, forces: Sequence[float], times: int = 3) -> tuple[float, int]:
    """Scatter of a reading about places, levels of forces and F^(2/3), by numpy alone; and its degrees of freedom."""
    values = np.array([float(text) for text in given[3:-2]])
    force = np.repeat(np.asarray(forces), 4 * times)
    place = np.tile(np.arange(4), len(forces) * times)
    columns = [place == number for number in range(4)] + [force == one for one in forces[1:]]
    columns.append(np.where(place % 2, force ** (2 / 3), 0.0))
    model = np.stack(columns, axis=1).astype(float)
    rest = values - model @ np.linalg.lstsq(model, values, rcond=None)[0]
    dof = len(values) - int(np.linalg.matrix_rank(model))
    return float((rest @ rest / dof) ** 0.5), dof


class TestNoForce:
    """`force = "0 N"`. Least squares: NIST/SEMATECH e-Handbook, 4.4.3.1 (from memory), here by numpy's lstsq."""

    def budget(self, outcome: Outcome, name: str) -> dict[str, Any]:
        (row,) = [row for row in outcome.record["results"]["t"]["budget"] if row["name"].startswith(name)]
        assert isinstance(row, dict)
        return row

    @pytest.mark.parametrize("forces", [FORCES, (0.1, 0.25, 0.5, 1.0)])
    def test_is_the_thickness_of_least_squares(self, measure: Measure, forces: Sequence[float]) -> None:
        given = answers(soft, forces)
        outcome = measure(routine(forces, asked_at="0 N"), given)
        read = thicknesses(given, forces)
        wanted, of_one = by_lstsq(read, forces, 2 / 3)
        assert outcome.record["results"]["t"]["value_um"] == pytest.approx(wanted, abs=1e-9)
        # a thickness is a difference of two means of six readings
        s, dof = left_over(given, forces)
        scatter = self.budget(outcome, "repeatability")
        assert scatter["standard_uncertainty"] == pytest.approx(s * (2 / 6) ** 0.5 * of_one, rel=1e-9)
        assert scatter["degrees_of_freedom"] == pytest.approx(dof)

    def test_counts_the_power_that_is_not_known_as_a_rectangle(self, measure: Measure) -> None:
        given = answers(soft)
        doubt = self.budget(measure(routine(asked_at="0 N"), given), "film, how it gives way")
        thin, stated, spring = (by_lstsq(thicknesses(given, FORCES), FORCES, p)[0] for p in (1 / 2, 2 / 3, 1.0))
        # JCGM 100:2008, 4.3.7: a rectangle of half-width a has the standard uncertainty a/√3
        assert doubt["standard_uncertainty"] == pytest.approx(max(thin - stated, stated - spring) / 3**0.5, rel=1e-9)
        assert doubt["evaluation"] == "B"

    def test_finds_back_a_film_that_a_sphere_presses_as_hertz_has_it(self, measure: Measure) -> None:
        # Approach of a steel sphere of 20 mm radius and aluminium at 0.10, 0.25, 0.65 and 1.00 N [um]: Puttock and
        # Thwaite, CSIRO NSL Technical Paper 25 (1969), Case 2; worked out beforehand by other code from the formula.
        approach = {0.1: 0.044, 0.25: 0.080, 0.65: 0.152, 1.0: 0.203}
        given = answers(lambda force: 5.0 - approach[force], tuple(approach), off=(0.0, 0.001))
        outcome = measure(routine(tuple(approach), asked_at="0 N"), given)
        assert outcome.record["results"]["t"]["value_um"] == pytest.approx(5.0, abs=0.0025)
        assert outcome.codes("stop") == []

    @pytest.mark.parametrize("exponent", [1 / 2, 2 / 3, 1.0])
    def test_covers_a_thin_layer_a_thick_one_and_a_spring(self, measure: Measure, exponent: float) -> None:
        given = answers(lambda force: 5.6 - 0.9 * force**exponent, off=(0.0, 0.01))
        result = measure(routine(asked_at="0 N"), given).record["results"]["t"]
        assert abs(result["value_um"] - 5.6) <= result["expanded_uncertainty_um"]
        assert result["verdict"] == "pass"

    def test_is_said_with_what_it_was_told_from(self, measure: Measure) -> None:
        outcome = measure(routine(asked_at="0 N"), answers(soft))
        text = found(outcome, "film/no_force")["text"]
        assert text.startswith("t at no force: 5.")
        assert "at 0.25 N, " in text
        assert "force^(2/3)" in text
        assert "film/gives_way" not in outcome.codes("doubt")

    def test_decides_a_film_that_only_passes_untouched(self, measure: Measure) -> None:
        # 5.2 to 7 um: it is 5.6 um thick untouched, and 5.03 um at 0.5 N
        draft, given = routine(asked_at="0 N").with_characteristic("t", lower="5.2 um"), answers(soft)
        assert measure(draft, given).record["verdict"] == "pass"
        at_force = draft.with_characteristic("t", force="0.5 N")
        assert measure(at_force, given).record["results"]["t"]["verdict"] == "fail"

    def test_is_undecided_where_it_reads_thicker_under_more_force(self, measure: Measure) -> None:
        outcome = measure(routine(asked_at="0 N"), answers({0.25: 5.0, 0.5: 5.0, 1.0: 5.8}.__getitem__))
        assert outcome.codes("stop") == ["film/thicker"]
        assert outcome.record["verdict"] == "undecided"

    def test_is_undecided_where_no_film_gives_way_so(self, measure: Measure) -> None:
        # the more force, the more it gives for each newton more: no power up to one does that
        forces = (0.1, 0.25, 0.5, 1.0)
        outcome = measure(routine(forces, asked_at="0 N"), answers(lambda force: 5.6 - 0.9 * force**3, forces))
        assert outcome.codes("stop") == ["film/misfit"]
        assert outcome.record["verdict"] == "undecided"

    def test_does_not_take_the_change_of_force_for_handling(self, measure: Measure) -> None:
        draft = routine(asked_at="0 N")
        draft.tables["steps"].insert(2, {"do": "prepare", "say": "Add the weight."})
        assert "film/handled" not in measure(draft, answers(soft)).codes("doubt")

    def test_is_explained_force_by_force(self, measure: Measure) -> None:
        outcome = measure(routine(asked_at="0 N"), answers(soft))
        lines = [line.strip() for line in explain(outcome.record)]
        assert any(line.startswith("Step: ") and line.endswith(", at no force.") for line in lines)
        for force in FORCES:
            assert any(line.startswith(f"covered 1 at {force:g} N: +") for line in lines)
        (page,) = outcome.folder.glob("*.html")
        assert "at no force, told from the readings at all forces" in page.read_text("utf-8")

    def test_lets_a_place_that_stands_out_be_asked_about(self, measure: Measure) -> None:
        draft = routine(asked_at="0 N").with_characteristic(
            "t", at=["covered 1", "covered 2", "bare 2"], from_="bare 1"
        )
        outcome = measure(draft.with_characteristic("t", lower="-1 um", upper="1 um"), answers(firm))
        assert any(item.code.startswith("places/apart/") for item in outcome.asked)

    def test_is_refused_below_zero(self, measure: Measure) -> None:
        assert "found '-1 N'; expected a force, zero or more" in measure(routine(asked_at="-1 N")).said

    def test_needs_forces_that_are_known(self, measure: Measure) -> None:
        steps_ = [{"do": "read", "at": p, **at} for at in ({}, {"force": "0.5 N"}, {"force": "1 N"}) for p in PLACES]
        draft = routine(asked_at="0 N").without_table("comparator.force")
        said = measure(draft.with_steps({"do": "zero"}, *steps_, {"do": "return"}, {"do": "compare"})).said
        assert "state comparator.force, or force in each read step" in said

    @pytest.mark.parametrize("forces", [FORCES, (0.25, 1.0)])
    def test_is_undecided_where_no_check_tells_it(self, measure: Measure, forces: Sequence[float]) -> None:
        bare = routine(forces, asked_at="0 N").without_table("checks.film")
        outcome = measure(bare, answers(soft, forces))
        assert outcome.codes("stop") == ["reading/no_force"]
        assert outcome.record["results"]["t"]["value_um"] is None
        assert outcome.record["verdict"] == "undecided"

    def test_takes_a_coarse_dial_for_no_misfit(self, measure: Measure) -> None:
        # all repeats show the same step: what is rounded off is the same in each, and no number of them averages it
        forces = (0.1, 0.25, 0.5, 1.0)
        coarse = routine(forces, times=5, asked_at="0 N").with_table("comparator", resolution="0.1 um")
        given = [f"{float(text):.1f}" for text in answers(soft, forces, times=5, off=(0.0,))]
        assert measure(coarse, given).codes("stop") == []

    def test_is_refused_at_two_forces_with_what_would_be_enough(self, measure: Measure) -> None:
        outcome = measure(routine((0.25, 1.0), asked_at="0 N"), answers(soft, (0.25, 1.0)))
        assert outcome.code == 2
        assert "read at 0.25 N, 1 N; expected readings at 3 forces or more" in outcome.said


class TestAQuestion:
    def test_comes_at_the_first_prompt_that_shows_it(self, measure: Measure) -> None:
        outcome = measure(routine(), answers({0.25: 5.0, 0.5: 3.5, 1.0: 3.0}.__getitem__))
        first = next(item for item in outcome.asked if item.code.startswith("film/"))
        # three zeros, twelve readings at 0.25 N, bare 1 and covered 1 at 0.5 N
        assert first.after == 17
        assert first.code.startswith("film/gives_way/")
        assert "Ink or grease on it, or dirt at a bare place?" in first.text
        assert "If the film itself is soft, just go on: t is then valid for 0.25 N only." in first.text

    def test_of_a_film_that_gives_way_stands_on_record_once(self, measure: Measure) -> None:
        outcome = measure(routine(), answers(soft))
        notes = [item["text"] for item in outcome.record["findings"] if item["code"] == "run/question"]
        assert len(notes) == 1
        assert "asked alike" not in notes[0]

    def test_of_dirt_offers_to_strike_out_what_was_read_there(self, measure: Measure) -> None:
        outcome = measure(routine(), answers({0.25: 5.0, 0.5: 5.0, 1.0: 6.0}.__getitem__))
        (asked,) = [event for event in outcome.record["events"] if event.get("code", "").startswith("film/thicker/")]
        at_heavy = {row["entry"] for row in outcome.record["readings"] if row["force_N"] == 1.0}
        assert asked["act"] == "strike"
        assert set(asked["entries"]) <= at_heavy
        assert "dirt under the tip, or the dial was moved?" in asked["text"]

    def test_does_not_come_for_a_firm_film(self, measure: Measure) -> None:
        assert codes_asked(measure(routine(), answers(firm))) == set()

    def test_does_not_take_a_thicker_place_for_give(self, measure: Measure) -> None:
        assert codes_asked(measure(routine(), answers(firm, second=1.5))) == set()

    def test_does_not_come_for_give_that_is_asked_for(self, measure: Measure) -> None:
        assert codes_asked(measure(routine(asked_at="0 N"), answers(soft))) == set()
        assert codes_asked(measure(routine(limit="0.9 um"), answers(soft))) == set()

    def test_comes_for_give_beyond_the_limit(self, measure: Measure) -> None:
        outcome = measure(routine(limit="0.4 um"), answers(soft))
        assert codes_asked(outcome) == {"film/gives_way"}
        text = [item.text for item in outcome.asked if item.code.startswith("film/gives_way")][-1]
        assert "0.4 µm is allowed" in text
        assert "t stays undecided" in text


HEAD = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "10 mm", deviation = "0 um", material = "steel" }
comparator = { resolution = "0.1 um", travel = "50 um", turn = "20 um", force = "0.25 N" }
part = { material = "aluminium" }
"""


def steps(*lines: str) -> str:
    return "steps = [\n" + ",\n".join(f"{{ {line} }}" for line in lines) + "\n]\n"


class TestOnePlaceOfEach:
    TEXT = (
        'characteristics.t = { measure = "step", at = "film", from = "bare", force = "0.25 N", '
        'lower = "4 um", upper = "7 um" }\n'
    )

    def lines(self, *middle: str) -> str:
        light = ('do = "read", at = "bare", times = 3', *middle, 'do = "read", at = "film", times = 3')
        heavy = (
            'do = "read", at = "bare", force = "1 N", times = 3',
            'do = "read", at = "film", force = "1 N", times = 3',
        )
        return steps('do = "zero", times = 3', *light, *heavy, 'do = "return", times = 2')

    ZERO = ("0", "0.1", "0")
    BARE = ("-2.0", "-2.1", "-2.0")

    def test_a_film_that_gives_way_holds_at_its_force_alone(self, measure: Measure) -> None:
        answers = [*self.ZERO, *self.BARE, "3.1", "3.2", "3.1", *self.BARE, "2.5", "2.4", "2.5", "0", "0.1"]
        outcome = measure(HEAD + self.TEXT + "checks.film = {}\n" + self.lines(), answers)
        gives = found(outcome, "film/gives_way")
        assert "valid for 0.25 N only" in gives["text"]
        assert gives["data"]["give_um"] == pytest.approx(2 / 3, abs=1e-9)

    def test_a_firm_film_is_said_to_be_firm(self, measure: Measure) -> None:
        answers = [*self.ZERO, *self.BARE, "3.1", "3.2", "3.1", *self.BARE, "3.1", "3.1", "3.2", "0", "0.1"]
        outcome = measure(HEAD + self.TEXT + "checks.film = {}\n" + self.lines(), answers)
        assert found(outcome, "film/firm")["level"] == "note"

    def test_one_force_does_not_tell(self, measure: Measure) -> None:
        lines = steps(
            'do = "zero"', 'do = "read", at = "bare", times = 2', 'do = "read", at = "film", times = 2', 'do = "return"'
        )
        outcome = measure(HEAD + self.TEXT + "checks.film = {}\n" + lines, ["0", "-2", "-2", "3", "3", "0"])
        assert "film/one_force" in outcome.codes("doubt")

    def test_a_part_that_was_handled_between_the_sets_and_not_soaked_is_asked_about(self, measure: Measure) -> None:
        answers = [*self.ZERO, *self.BARE, "3.1", "3.2", "3.1", *self.BARE, "3.1", "3.1", "3.2", "0", "0.1"]
        handled = self.lines('do = "prepare", say = "Take it out and coat it."')
        outcome = measure(HEAD + self.TEXT + "checks.film = {}\n" + handled, answers)
        assert "film/handled" in outcome.codes("doubt")

    def test_a_soak_after_handling_is_enough(self, measure: Measure) -> None:
        answers = [*self.ZERO, *self.BARE, "3.1", "3.2", "3.1", *self.BARE, "3.1", "3.1", "3.2", "0", "0.1"]
        handled = self.lines('do = "prepare", say = "Take it out and coat it."', 'do = "soak", at_least = "15 min"')
        outcome = measure(HEAD + self.TEXT + "checks.film = {}\n" + handled, answers)
        assert "film/handled" not in outcome.codes("doubt")
