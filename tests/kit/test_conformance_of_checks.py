"""The conformance suite for checks: for every rule a check that breaks it, and that is caught."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Estimate,
    Finding,
    Input,
    Level,
    Remark,
    Routine,
    RunView,
    Settings,
    Size,
    Slot,
    SlotKind,
    Term,
    Weighting,
)
from holdzero.testing import GOOD, PLAIN, Draft, assert_conforms

pytestmark = pytest.mark.long


class House(Settings):
    """A table with a key that says what it is, and may be left out."""

    limit: Size | None = Field(None, description="How far readings may lie apart.")


def found(code: str = "house/odd", *, level: Level = Level.DOUBT, text: str = "Is it odd?", **more: Any) -> Finding:
    return Finding(level=level, code=code, text=text, **more)


def term(estimate: Estimate, function: Callable[..., Any] = lambda value: value, name: str = "house") -> Term:
    item = Input(name=name, estimate=estimate, unit="um", evaluation="B")
    return Term(name="house", inputs=(item,), function=function)


def house(**more: Any) -> Check:
    return Check(**{"name": "house", "title": "a rule of the house", "settings": House, **more})


def complaint(check: Check, **more: Any) -> str:
    """What the suite says, which names the declaration, what was found and how to mend it."""
    with pytest.raises(AssertionError) as caught:
        assert_conforms(check, **more)
    said = str(caught.value)
    assert said.startswith("check house: ")
    assert "\n    found: " in said
    assert "\n    mend: " in said
    return said


# --- a sound one ------------------------------------------------------------------------------


def sound_watch(settings: House, run: RunView) -> Iterable[Finding]:
    part = run.of_kind(SlotKind.READ)
    if part and run.zeros(part[-1].zero):
        off = np.abs(run.difference_um(part[-1]))
        yield found(data={"off_um": float(np.mean(off))}, holds=off > (settings.limit or 0.5))


def sound_terms(settings: House, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    del settings
    s, dof = run.scatter_um
    if dof:
        yield term(Estimate.of(0.0, s, dof=dof), name=f"house, {characteristic.name}")


def sound_judge(settings: House, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    del settings
    for one in characteristics:
        drift = run.difference_um(one.readings[-1]) - run.difference_um(one.readings[0])
        yield found(level=Level.STOP, code="house/drift", characteristic=one.name, holds=np.abs(drift) > 0.8)


def sound_weigh(settings: House, run: RunView, characteristic: CharacteristicView) -> Weighting | None:
    del settings
    s, dof = run.scatter_um
    return Weighting(weights=characteristic.weights, scatter=(s, dof)) if dof else None


def sound_expected(settings: House, run: RunView) -> Iterable[Term]:
    del settings, run
    known = Input(name="what it shows", estimate=Estimate.of(12.0, 0.1), unit="um", evaluation="B")
    yield Term(name="check standard", inputs=(known,), function=lambda shows: shows)


class TestASoundCheck:
    def test_passes_with_all_five_functions_and_arrays(self) -> None:
        functions = {"watch": sound_watch, "terms": sound_terms, "judge": sound_judge, "weigh": sound_weigh}
        assert_conforms(
            house(**functions, expected=sound_expected, arrays=True),
            settings={"limit": "0.3 um"},
        )

    def test_passes_with_a_routine_and_answers_of_its_author(self) -> None:
        assert_conforms(house(watch=sound_watch), routine=PLAIN, answers=GOOD)
        assert_conforms(house(watch=sound_watch), routine=Draft().with_check("house", limit="1 um"), answers=iter(GOOD))

    def test_passes_with_no_function_at_all(self) -> None:
        assert_conforms(house(), silent=True)


class TestWhatItSaysOfItsTable:
    def test_passes_where_it_follows_from_the_routine(self) -> None:
        def validate(settings: House, routine: Routine, plan: Sequence[Slot]) -> Iterable[Remark]:
            if settings.limit is not None and len(plan) > len(routine.steps):
                yield Remark(key="limit", found="a limit", mend="look at it", warning=True)

        assert_conforms(house(watch=sound_watch, validate=validate), settings={"limit": "0.3 um"})

    def test_may_not_raise(self) -> None:
        def validate(settings: House, routine: Routine, plan: Sequence[Slot]) -> Iterable[Remark]:
            raise RuntimeError(f"{settings}{routine}{plan}"[:0])

        assert "validate may not raise" in complaint(house(watch=sound_watch, validate=validate))

    def test_is_remarks(self) -> None:
        def validate(settings: House, routine: Routine, plan: Sequence[Slot]) -> Iterable[Any]:
            del settings, routine, plan
            return ["odd"]

        said = complaint(house(watch=sound_watch, validate=validate))
        assert "validate must return what the surface says\n    found: str" in said

    def test_is_the_same_twice(self) -> None:
        count = itertools.count()

        def validate(settings: House, routine: Routine, plan: Sequence[Slot]) -> Iterable[Remark]:
            del settings, routine, plan
            yield Remark(found=f"odd {next(count)}", mend="look at it", warning=True)

        said = complaint(house(watch=sound_watch, validate=validate))
        assert "what it says of its table must be the same whenever it is called with the same" in said


# --- what is declared -------------------------------------------------------------------------


class TestTheDeclaration:
    def test_has_a_title(self) -> None:
        assert "must have a title" in complaint(house(title=" "))

    def test_has_settings_with_descriptions(self) -> None:
        class Bare(Settings):
            """Without."""

            limit: Size | None = None

        assert "description\n    found: none for limit" in complaint(house(settings=Bare))

    def test_has_settings_that_are_valid_empty_or_as_given(self) -> None:
        class Strict(Settings):
            """With a key that must be there."""

            limit: Size = Field(description="How far.")

        assert "valid when empty" in complaint(house(settings=Strict), routine=PLAIN)
        assert_conforms(house(settings=Strict), settings={"limit": "1 um"}, silent=True)
        assert "valid as given" in complaint(house(), settings={"limit": "much"})


# --- every moment -----------------------------------------------------------------------------


def raising(what: Callable[[RunView], object]) -> dict[str, Callable[..., Any]]:
    """Two functions that look at something without asking whether it is there."""

    def watch(settings: House, run: RunView) -> Iterable[Finding]:
        del settings
        yield found(text=f"Is it {what(run)}?", holds=False)

    def judge(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
        del characteristics
        return watch(settings, run)

    return {"watch": watch, "judge": judge}


class TestEveryMoment:
    @pytest.mark.parametrize("during", ["watch", "judge"])
    @pytest.mark.parametrize(
        ("what", "error"),
        [
            (lambda run: run.readings[-1].value_um, "IndexError"),
            (lambda run: run.reference.size, "AttributeError"),
            (lambda run: run.comparator.resolution, "AttributeError"),
            (lambda run: run.temperatures[3].value_degC, "IndexError"),
            (lambda run: run.zero_um(2), "KeyError"),
            (lambda run: 1 / run.scatter_um[1], "ZeroDivisionError"),
        ],
        ids=["no reading", "no reference", "no comparator", "fewer temperatures", "no second zero", "no scatter"],
    )
    def test_no_function_raises(self, during: str, what: Callable[[RunView], object], error: str) -> None:
        said = complaint(house(**{during: raising(what)[during]}))
        assert "no function of it may raise (" in said
        assert f"found: {error}" in said

    def test_devices_that_are_only_required_have_no_deviation(self) -> None:
        watch = raising(lambda run: getattr(run.routine.reference, "deviation"))["watch"]  # noqa: B009  the type knows
        assert "no function of it may raise" in complaint(house(watch=watch))

    def test_terms_do_not_raise(self) -> None:
        def terms(settings: House, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
            del settings, characteristic
            yield term(Estimate.of(0.0, run.returns(1)[0][0].value_um))

        assert "no function of it may raise (after" in complaint(house(terms=terms))

    @pytest.mark.parametrize("returned", [["house/odd"], [7], [None]])
    def test_what_is_returned_is_what_the_surface_says(self, returned: object) -> None:
        def watch(settings: House, run: RunView) -> Any:
            del settings, run
            return returned

        said = complaint(house(watch=watch))
        assert "no function of it may raise" in said or "must return what the surface says" in said

    @pytest.mark.parametrize(
        "more", [{"characteristic": "thicknes"}, {"level": "pass"}, {"holds": 1.0}], ids=["name", "level", "holds"]
    )
    def test_findings_are_sound(self, more: dict[str, Any]) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings, run
            yield found(**more)

        assert "must return what the surface says" in complaint(house(watch=watch))

    def test_weights_are_as_many_as_readings(self) -> None:
        def weigh(settings: House, run: RunView, characteristic: CharacteristicView) -> Weighting:
            del settings, run
            return Weighting(weights=characteristic.weights[1:], scatter=(0.1, 3.0))

        assert "weights for" in complaint(house(weigh=weigh))

    def test_what_is_expected_are_terms(self) -> None:
        def expected(settings: House, run: RunView) -> Any:
            del settings, run
            return [12.0]

        assert "expected: TypeError: it returned float, not Term" in complaint(house(expected=expected))

    @pytest.mark.parametrize("shown", ["much", math.inf, [1.0]], ids=["words", "infinity", "several for one"])
    def test_what_it_shows_are_as_many_finite_numbers_as_it_is_given(self, shown: Any) -> None:
        def shows(settings: House, should_um: float) -> Any:
            del settings, should_um
            return shown

        assert "shows: " in complaint(house(shows=shows))

    def test_what_it_shows_of_one_number_is_asked_one_by_one(self) -> None:
        def shows(settings: House, should_um: float) -> float:
            del settings
            return should_um if should_um > 0.0 else 0.5 * should_um

        assert_conforms(house(watch=sound_watch, judge=sound_judge, shows=shows))


class TestSpeaking:
    def test_one_that_never_speaks_was_not_tried(self) -> None:
        said = complaint(house(judge=on_revision_x))
        assert "this check never spoke in the sample runs\n" in said
        assert "give routine= and answers= with which it does, or silent=True if that is right" in said

    def test_one_that_is_silent_by_right_passes(self) -> None:
        assert_conforms(house(judge=on_revision_x), silent=True)

    def test_a_routine_with_which_it_speaks_shows_the_slip_in_it(self) -> None:
        routine = Draft().with_table("routine", revision="X1")
        said = complaint(house(judge=on_revision_x), routine=routine, answers=GOOD)
        assert "'Reading' object has no attribute 'value_mm'" in said
        assert "; Reading has: value_um, seq, slot, raw, time_s" in said

    @pytest.mark.parametrize(
        ("when", "what"),
        [
            ("with a reading struck out", lambda run: 3 in gaps(run)),
            ("in a batch of two", lambda run: run.serial == "2"),
            ("with readings moved", lambda run: run.scatter_um[0] > 0.5),
            ("after", lambda run: any(given.slot.of == "humidity" for given in run.given)),
            ("before any device", lambda run: run.routine.routine.revision == "A"),
        ],
        ids=["a strike", "a batch", "scatter", "a question", "a revision"],
    )
    def test_the_sample_runs_have_what_a_rule_may_be_about(self, when: str, what: Callable[[RunView], bool]) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings
            if what(run):
                raise RuntimeError("here")
            return ()

        assert when in complaint(house(watch=watch)).partition("\n")[0]


def gaps(run: RunView) -> set[int]:
    """By how much the entries of the part's readings go on: 1, or more where something stands between."""
    return {after.seq - before.seq for before, after in itertools.pairwise(run.of_kind(SlotKind.READ))}


def on_revision_x(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
    del settings, characteristics
    if run.routine.routine.revision.startswith("X"):
        for reading in run.readings:
            yield found(holds=reading.value_mm > 1.0)  # type: ignore[attr-defined]  # the slip that nobody sees


class TestWhatIsRaised:
    @pytest.mark.parametrize(
        ("what", "found", "mend"),
        [
            (lambda run: run.routine.title, "Routine has: format, routine, approval, ", "attributes that exist"),
            (
                lambda run: run.of_kinds(SlotKind.READ),
                "RunView has: of_kind, routine, serial, ",
                "attributes that exist",
            ),
            (lambda run: run.readings[0].valu_um if run.readings else 0, "Reading has: value_um, ", "that exist"),
            (lambda run: run.now_s + reserve, "name 'reserve' is not defined", "mend its spelling"),  # type: ignore[name-defined]  # noqa: F821  the slip
            (lambda run: len(run.now_s), "object of type 'float' has no len()", "use each value as what it is"),
            (lambda run: run.routine.checks["hous"], "KeyError: 'hous'", "look whether the key is there"),
            (lambda run: run.routine.reference.deviation, "RequiredReference has: ", "in the view itself, once"),
        ],
        ids=["attribute", "method", "close", "name", "type", "key", "required"],
    )
    def test_a_slip_is_named_with_file_and_line_and_what_there_is(
        self, what: Callable[[RunView], object], found: str, mend: str
    ) -> None:
        said = complaint(house(**raising(what)))
        assert found in said
        assert f"({Path(__file__).name}, line {what.__code__.co_firstlineno})" in said
        assert mend in said.partition("mend: ")[2]
        assert "say nothing if not" not in said

    @pytest.mark.parametrize(
        "what",
        [lambda run: run.reference.size, lambda run: run.comparator.resolution + None],
        ids=["attribute", "type"],
    )
    def test_what_is_none_at_some_moment_is_looked_for_first(self, what: Callable[[RunView], object]) -> None:
        said = complaint(house(**raising(what)))
        assert "look whether what is needed is there, and say nothing if not" in said
        assert " has: " not in said


class TestPure:
    def test_what_is_given_is_not_changed(self) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings
            run.routine.checks.clear()
            return ()

        assert "must not change what it is given" in complaint(house(watch=watch))

    def test_no_chance(self) -> None:
        count = itertools.count()

        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings, run
            yield found(text=f"Is it odd, number {next(count)}?")

        assert "must be the same whenever it is called with the same" in complaint(house(watch=watch))

    def test_no_memory_from_call_to_call(self) -> None:
        told: set[int] = set()

        def judge(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
            del settings, characteristics
            if len(run.readings) not in told:
                told.add(len(run.readings))
                yield found()

        assert "must be the same whenever it is called with the same" in complaint(house(judge=judge))

    def test_terms_are_compared_by_what_their_functions_give(self) -> None:
        count = itertools.count()

        def terms(settings: House, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
            del settings, run, characteristic
            number = float(next(count))
            yield term(Estimate.exact(0.0), lambda value: value + number)

        assert "must be the same whenever" in complaint(house(terms=terms))


class TestFinite:
    @pytest.mark.parametrize(
        ("estimate", "function", "rule"),
        [
            (Estimate.exact(0.0), lambda _: math.nan, "no NaN and no infinity in the term 'house'"),
            (Estimate.exact(0.0), lambda _: math.inf, "no NaN and no infinity in the term 'house'"),
            (Estimate.of(0.0, math.inf), lambda _: 0.0, "no NaN and no infinity in the term 'house'"),
            (Estimate.of(0.0, 0.1, dof=0.0), lambda value: value, "must return what the surface says"),
            (Estimate.of(0.0, -0.1), lambda value: value, "must return what the surface says"),
            (Estimate.exact(0.0), lambda value: 1.0 / value, "no function of it may raise"),
            (Estimate.exact(0.0), lambda: 0.0, "no function of it may raise"),
        ],
    )
    def test_a_term_has_finite_numbers(self, estimate: Estimate, function: Callable[..., Any], rule: str) -> None:
        def terms(settings: House, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
            del settings, run, characteristic
            yield term(estimate, function)

        said = complaint(house(terms=terms))
        assert rule in said or "the function of the term" in said

    @pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
    def test_a_finding_has_finite_data(self, number: float) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings, run
            yield found(data={"off_um": number})

        assert "no NaN and no infinity in the data of house/odd" in complaint(house(watch=watch))

    def test_a_finding_does_not_speak_of_nan(self) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings
            yield found(text=f"It lies off by {run.length(math.nan)}.")

        assert "no NaN and no infinity in the text of house/odd" in complaint(house(watch=watch))

    def test_what_is_expected_is_finite(self) -> None:
        def expected(settings: House, run: RunView) -> Iterable[Term]:
            for term in sound_expected(settings, run):
                yield replace(term, function=lambda shows: shows * math.nan)

        assert "no NaN and no infinity in the term 'check standard'" in complaint(house(expected=expected))

    def test_weights_are_finite(self) -> None:
        def weigh(settings: House, run: RunView, characteristic: CharacteristicView) -> Weighting:
            del settings, run
            return Weighting(weights=(math.nan,) * len(characteristic.weights), scatter=(0.1, 3.0))

        assert "weights and scatter must be finite" in complaint(house(weigh=weigh))


class TestNames:
    @pytest.mark.parametrize(("code", "text"), [("odd", "Is it?"), ("thermal/odd", "Is it?"), ("house/odd", " ")])
    def test_a_code_begins_with_the_check_s_name_and_has_words(self, code: str, text: str) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings, run
            yield found(code, text=text)

        assert "a finding's code must be the check's name" in complaint(house(watch=watch))

    def test_an_input_does_not_take_a_name_that_stands_for_something_else(self) -> None:
        def terms(settings: House, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
            del settings, run, characteristic
            yield term(Estimate.of(0.0, 0.1), name="deviation of the reference")

        assert "the engine must be able to use what it says" in complaint(house(terms=terms))


class TestSlips:
    def test_a_stop_does_not_stand_in_for_an_exception_that_was_swallowed(self) -> None:
        def judge(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
            del settings, characteristics
            try:
                run.readings[0].value_mm  # type: ignore[attr-defined]  # noqa: B018  the slip that is swallowed
            except Exception:  # noqa: BLE001  what no check should do
                yield found(level=Level.STOP)

        said = complaint(house(judge=judge))
        assert "must not stand in for an exception that was swallowed" in said
        assert "AttributeError: " in said

    def test_an_error_that_it_means_itself_may_become_a_finding(self) -> None:
        class OwnError(ValueError):
            """Raised on purpose."""

        def judge(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
            del settings, characteristics
            try:
                if len(run.readings) > 3:
                    raise OwnError("too many")  # noqa: TRY301  what a helper of a check would do
            except OwnError:
                yield found()

        assert_conforms(house(judge=judge))


class TestUnits:
    def test_readings_in_inches_find_the_same(self) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings
            for reading in run.readings[-1:]:
                yield found(holds=abs(float(reading.raw.split()[0])) > 0.2)

        assert "must find the same where readings are given in inches" in complaint(house(watch=watch))

    def test_a_reading_exactly_at_a_limit_is_said_to_be_one_cause(self) -> None:
        def watch(settings: House, run: RunView) -> Iterable[Finding]:
            del settings
            part = run.of_kind(SlotKind.READ)
            for before, after in itertools.pairwise(part):
                yield found(holds=bool(after.value_um - before.value_um > 0.1))

        said = complaint(house(watch=watch), routine=PLAIN, answers=GOOD)
        assert "must find the same where readings are given in inches" in said
        assert "Where a reading lies exactly at a limit" in said.partition("mend: ")[2]


class TestArrays:
    def test_a_check_that_takes_no_arrays_may_branch(self) -> None:
        assert_conforms(house(judge=branching))

    def test_a_branch_on_the_mean_of_all_runs_is_caught(self) -> None:
        said = complaint(house(judge=branching, arrays=True))
        assert "must give, run by run, what single runs give: findings that hold" in said

    def test_a_branch_on_an_array_is_caught(self) -> None:
        def judge(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
            del settings, characteristics
            if any(r.value_um > 1.0 for r in run.readings):
                yield found()

        assert "must take readings that are arrays over runs" in complaint(house(judge=judge, arrays=True))

    def test_a_term_from_the_mean_of_all_runs_is_caught(self) -> None:
        def terms(settings: House, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
            del settings, characteristic
            s, dof = run.scatter_um
            if dof:
                yield term(Estimate.of(0.0, float(np.mean(s)), dof=dof))

        assert "standard_uncertainty_um of its terms" in complaint(house(terms=terms, arrays=True))

    def test_weights_from_one_run_are_caught(self) -> None:
        def weigh(settings: House, run: RunView, characteristic: CharacteristicView) -> Weighting | None:
            del settings
            s, dof = run.scatter_um
            return Weighting(weights=characteristic.weights, scatter=(np.ravel(s)[0], dof)) if dof else None

        assert "weights and scatter of" in complaint(house(weigh=weigh, arrays=True))

    def test_temperatures_go_the_same_way(self) -> None:
        def judge(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
            del settings, characteristics
            for taken in run.temperatures:
                yield found(holds=bool(np.mean(taken.value_degC) > 20.6))

        assert "findings that hold" in complaint(house(judge=judge, arrays=True))


def branching(settings: House, run: RunView, characteristics: object) -> Iterable[Finding]:
    del settings, characteristics
    if run.readings and float(np.mean(np.abs(run.readings[-1].value_um))) > 0.3:
        yield found()
