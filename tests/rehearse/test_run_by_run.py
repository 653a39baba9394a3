"""Checks that take no arrays: called for each run of a rehearsal by itself, they come to what they would in arrays."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import BoundCheck, Checks, Patience, bind
from holdzero.hooks import (
    CharacteristicView,
    Check,
    Estimate,
    Finding,
    Input,
    Level,
    RunView,
    Settings,
    SlotKind,
    Term,
    Weighting,
    stack,
)
from holdzero.one_by_one import each_run
from holdzero.rehearse import Tally, rehearsed
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario
from holdzero.testing import GOOD, PLAIN, Draft
from holdzero.testing.drive import begun, driven, loaded_of, scripted
from holdzero.together import terms_together
from holdzero.views import view_of

ROUTINES = Path(__file__).parents[2] / "routines"
RUNS = 300
Count = Callable[..., Tally]


@pytest.fixture
def count(catalogue: Catalogue) -> Count:
    """Rehearse a washer with some check besides its own."""

    def go(check: Check, *, patience: Patience | None = None, true_um: float = 2.0, runs: int = RUNS) -> Tally:
        loaded = loaded_of(Draft(), catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        plugin = replace(checks.bound[0].plugin, name=check.name, module="house")
        bound = BoundCheck(plugin=plugin, check=check, settings=Settings())
        what = Rehearsal(
            document=loaded.document,
            digest=loaded.digest,
            checks=replace(checks, bound=(*checks.bound, bound), patience=patience or Patience()),
            of="thickness",
            scatter_um=0.4,
        )
        return rehearsed(what, what.ideal(), true_um, runs)

    return go


def house(*, arrays: bool, **functions: Any) -> Check:
    return Check(name="house", title="of the house", settings=Settings, arrays=arrays, **functions)


def repeats_um(run: RunView) -> Any:
    return stack([run.difference_um(reading) for reading in run.of_kind(SlotKind.READ)])


# --- one check written both ways --------------------------------------------------------------


def range_of_arrays(settings: Settings, run: RunView, seen: Sequence[CharacteristicView]) -> Iterable[Finding]:
    del settings, seen
    wide = np.ptp(repeats_um(run), axis=-1) > 0.75
    yield Finding(level=Level.STOP, code="house/wide", text="wide", characteristic="thickness", holds=wide)
    yield Finding(level=Level.NOTE, code="house/seen", text="seen")


def range_of_one(settings: Settings, run: RunView, seen: Sequence[CharacteristicView]) -> Iterable[Finding]:
    del settings
    (one,) = seen
    values = [float(run.difference_um(reading)) for reading in one.readings]
    if max(values) - min(values) > 0.75:
        yield Finding(level=Level.STOP, code="house/wide", text="wide", characteristic="thickness")
    yield Finding(level=Level.NOTE, code="house/seen", text="seen")


def bend(of_mean: Callable[[Any], Any], square: Callable[[Any], Any]) -> Any:
    """Terms whose value, uncertainty and function hang on the readings of the run."""

    def terms(settings: Settings, run: RunView, one: CharacteristicView) -> Iterable[Term]:
        del settings, one
        mean = of_mean(repeats_um(run))
        lean = Input(
            name="lean", estimate=Estimate.of(0.1 * mean, 0.05 + 0.01 * mean**2, dof=9.0), unit="um", evaluation="B"
        )
        still = Input(name="still", estimate=Estimate.within(0.0, 0.2), unit="um", evaluation="B")
        yield Term(name="bend", inputs=(lean, still), function=lambda x, y: mean * square(x) + y)
        yield Term(name="more of it", inputs=(lean,), function=lambda x: 0.5 * x)

    return terms


def weighed(of_all: Callable[[Any], tuple[Any, Any]]) -> Any:
    """The middle one of three repeats counts alone, and their range tells the scatter."""

    def weigh(settings: Settings, run: RunView, one: CharacteristicView) -> Weighting:
        del settings, one
        weights, scatter = of_all(repeats_um(run))
        return Weighting(weights=weights, scatter=(scatter, 2.0))

    return weigh


def middle_of_arrays(values: Any) -> tuple[Any, Any]:
    order = np.argsort(values, axis=-1, kind="stable")
    return tuple((order[..., 1] == index).astype(float) for index in range(3)), np.ptp(values, axis=-1) / 1.7


def middle_of_one(values: Any) -> tuple[Any, Any]:
    order = sorted(range(3), key=lambda index: float(values[index]))
    return tuple(float(order[1] == index) for index in range(3)), (max(values) - min(values)) / 1.7


BOTH_WAYS = {
    "judge": (range_of_arrays, range_of_one),
    "terms": (
        bend(lambda values: values.mean(axis=-1), np.square),
        bend(lambda values: sum(values.tolist()) / len(values), lambda x: x * x),
    ),
    "weigh": (weighed(middle_of_arrays), weighed(middle_of_one)),
}


class TestACheckWrittenBothWays:
    @pytest.mark.parametrize("what", BOTH_WAYS)
    def test_comes_to_the_same_counts(self, count: Count, what: str) -> None:
        of_arrays, of_one = BOTH_WAYS[what]
        together, apart = (
            count(house(arrays=arrays, **{what: function})) for arrays, function in ((True, of_arrays), (False, of_one))
        )
        assert apart == together
        # and it has a say: without it the counts are others
        assert replace(apart, findings={}) != replace(count(house(arrays=True)), findings={})

    def test_fires_in_some_runs_and_not_in_others(self, count: Count) -> None:
        found = count(house(arrays=False, judge=range_of_one)).findings
        assert 0 < found["stop house/wide"] < RUNS
        assert found["note house/seen"] == RUNS


@pytest.mark.long
class TestTheBuiltInChecks:
    """Each takes arrays; called run by run they come to the same, distributions that hang on a reading among them."""

    @pytest.mark.parametrize("name", ["spacer-ring", "end-gauge-gum-h1", "gauge-pad", "long-block", "shim-lacquer"])
    def test_come_to_the_same_one_run_at_a_time(self, catalogue: Catalogue, name: str) -> None:
        loaded = loaded_of(ROUTINES / f"{name}.toml", catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        alone = tuple(replace(item, check=replace(item.check, arrays=False)) for item in checks.bound)
        together, apart = (
            Rehearsal(
                document=loaded.document,
                digest=loaded.digest,
                checks=each,
                of=next(iter(loaded.routine.characteristics)),
                scatter_um=0.2,
                seed=1,
            )
            for each in (checks, replace(checks, bound=alone))
        )
        assert apart.checks.run_by_run == tuple(item.check.name for item in checks.bound)
        assert rehearsed(apart, apart.ideal(), 0.5, 100) == rehearsed(together, together.ideal(), 0.5, 100)


# --- what it is handed ------------------------------------------------------------------------


class TestEachRun:
    def test_sees_numbers_and_texts_as_at_a_bench(self, count: Count) -> None:
        seen: list[RunView] = []

        def judge(settings: Settings, run: RunView, characteristics: Sequence[CharacteristicView]) -> list[Finding]:
            del settings
            assert characteristics[0].readings == run.of_kind(SlotKind.READ)
            seen.append(run)
            return []

        assert not [name for name in count(house(arrays=False, judge=judge), runs=20).findings if "failed" in name]
        _, ideal, *each = seen  # the first ideal run tells what lies under the tip in the second
        assert ideal.readings[0].raw == "ideal"
        assert len(each) == 20
        for run in each:
            assert all(type(reading.value_um) is float for reading in run.readings)
            assert all(
                float(reading.raw.removesuffix(" um")) == pytest.approx(reading.value_um) for reading in run.readings
            )
        assert len({tuple(reading.value_um for reading in run.readings) for run in each}) > 10

    def test_a_run_at_a_bench_is_not_taken_apart(self, start: Callable[..., Any], catalogue: Catalogue) -> None:
        view = view_of(start(PLAIN).answer(*GOOD).run.state, "1")
        called: list[RunView] = []

        def judge(settings: Settings, run: RunView, seen: Sequence[CharacteristicView]) -> list[Finding]:
            del settings, seen
            called.append(run)
            return []

        plugin = next(iter(bind(view.routine, catalogue)[0].bound)).plugin
        bound = BoundCheck(plugin=plugin, check=house(arrays=False, judge=judge), settings=Settings())
        Checks(bound=(bound,)).judge(view, ())
        assert called[0] is view

    def test_answers_that_are_arrays_are_cut_out_too(self, catalogue: Catalogue) -> None:
        asking = loaded_of(Draft().with_step("ask", name="damp", answer="number"), catalogue)
        *_, run = driven(begun(asking), scripted(["41", *GOOD]))
        view = view_of(run.state, "1")
        (given,) = view.given
        many = replace(view, given=(replace(given, value=np.array([41.0, 42.5])),))
        assert [run.given[0].value for run, _ in each_run(many, ())] == [41.0, 42.5]
        assert [run.given[0].raw for run, _ in each_run(many, ())] == ["41", "42.5"]


# --- what goes wrong --------------------------------------------------------------------------


def failing(what: str, *, when: Callable[[Any], bool]) -> Any:
    """A check that is sound, and raises in some runs."""
    function = BOTH_WAYS[what][1]

    def raising(settings: Settings, run: RunView, seen: Any) -> Any:
        if when(repeats_um(run)):
            raise ValueError(f"no good: {repeats_um(run)}")
        return function(settings, run, seen)

    return raising


@pytest.mark.long
class TestACheckThatRaises:
    @pytest.mark.parametrize("what", BOTH_WAYS)
    def test_in_some_runs_stops_those_alone(self, count: Count, what: str) -> None:
        sound = count(house(arrays=False, **{what: BOTH_WAYS[what][1]}), true_um=0.0)
        function = failing(what, when=lambda values: float(values[0]) > 0.3)
        tally = count(house(arrays=False, **{what: function}), true_um=0.0)
        lost = tally.findings["stop house/failed"]
        assert 0 < lost < RUNS
        assert 0 < tally.passed <= RUNS - lost
        assert tally.passed >= sound.passed - lost

    @pytest.mark.parametrize("what", BOTH_WAYS)
    def test_in_every_run_stops_all(self, count: Count, what: str) -> None:
        function = failing(what, when=lambda values: len(values) > 0)
        tally = count(house(arrays=False, **{what: function}), true_um=0.0)
        assert tally.findings["stop house/failed"] == RUNS
        assert tally.undecided == RUNS

    def test_whose_function_of_a_term_raises_in_some_runs_stops_those_alone(self, count: Count) -> None:
        def terms(settings: Settings, run: RunView, one: CharacteristicView) -> Iterable[Term]:
            del settings, one
            mean = float(repeats_um(run).mean())
            item = Input(name="lean", estimate=Estimate.of(0.0, 0.01), unit="um", evaluation="B")
            yield Term(name="root", inputs=(item,), function=lambda x: 0.0 * x * math.sqrt(mean))

        tally = count(house(arrays=False, terms=terms), true_um=0.0)
        assert 0 < tally.findings["stop house/failed"] < RUNS
        assert tally.passed > 0

    def test_that_hangs_is_given_up_once_and_not_called_again(self, count: Count) -> None:
        calls: list[str] = []

        def judge(settings: Settings, run: RunView, seen: Sequence[CharacteristicView]) -> list[Finding]:
            del settings, seen
            calls.append(run.readings[0].raw)
            if len(calls) > 5:
                time.sleep(1.0)
            return []

        tally = count(house(arrays=False, judge=judge), true_um=0.0, patience=Patience(limit_s=0.03))
        assert len(calls) == 6  # the two ideal runs among them
        assert tally.findings["stop house/failed"] == RUNS - 3


class TestRunsThatDiffer:
    """What can't be put side by side fails in all runs, and says why."""

    def told(self, monkeypatch: pytest.MonkeyPatch, count: Count, **functions: Any) -> str:
        from holdzero import evaluate

        words: list[str] = []
        each_once = evaluate.each_once

        def spy(failures: Any) -> Any:
            failures = list(failures)
            words.extend(failure.finding.text for failure in failures)
            return each_once(failures)

        monkeypatch.setattr(evaluate, "each_once", spy)
        tally = count(house(arrays=False, **functions), true_um=0.0)
        assert tally.findings["stop house/failed"] == RUNS
        assert tally.undecided == RUNS
        return words[-1]

    def test_in_the_names_of_terms(self, monkeypatch: pytest.MonkeyPatch, count: Count) -> None:
        def terms(settings: Settings, run: RunView, one: CharacteristicView) -> Iterable[Term]:
            made = list(BOTH_WAYS["terms"][1](settings, run, one))
            return made if float(repeats_um(run)[0]) > 0.0 else made[:1]

        told = self.told(monkeypatch, count, terms=terms)
        assert "bend, more of it in run" in told
        assert "with zero where there is nothing to correct" in told

    def test_in_the_units_of_inputs(self, monkeypatch: pytest.MonkeyPatch, count: Count) -> None:
        def terms(settings: Settings, run: RunView, one: CharacteristicView) -> Iterable[Term]:
            del settings, one
            unit = "um" if float(repeats_um(run)[0]) > 0.0 else "K"
            item = Input(name="lean", estimate=Estimate.of(0.0, 0.1), unit=unit, evaluation="B")
            yield Term(name="lean", inputs=(item,), function=lambda x: x)

        assert "its term lean have other names or units" in self.told(monkeypatch, count, terms=terms)

    def test_in_whether_readings_are_weighed(self, monkeypatch: pytest.MonkeyPatch, count: Count) -> None:
        def weigh(settings: Settings, run: RunView, one: CharacteristicView) -> Weighting | None:
            weighing: Weighting = BOTH_WAYS["weigh"][1](settings, run, one)
            return weighing if float(repeats_um(run)[0]) > 0.0 else None

        assert f"of {RUNS} runs and not of the rest" in self.told(monkeypatch, count, weigh=weigh)


class TestTermsTogether:
    def test_an_input_that_is_the_same_in_all_runs_stays_the_very_same(self) -> None:
        shared = Input(name="shared", estimate=Estimate.of(1.0, 0.1), unit="um", evaluation="B")
        made = [[Term(name="t", inputs=(shared,), function=lambda x: 2.0 * x)]] * 3
        (term,) = terms_together(made)
        assert term.inputs[0] is shared
        assert np.asarray(term.function(np.array([1.0, 2.0, 3.0]))).tolist() == [2.0, 4.0, 6.0]

    def test_each_run_keeps_a_function_of_its_own(self) -> None:
        exact = Input(name="one", estimate=Estimate.exact(1.0), unit="um", evaluation="B")
        made = [[Term(name="t", inputs=(exact,), function=lambda x, n=n: n * x)] for n in range(3)]
        (term,) = terms_together([made[0], None, made[2]])
        assert np.asarray(term.function(1.0)).tolist() == [0.0, 0.0, 2.0]


# --- slips ------------------------------------------------------------------------------------


class TestSlips:
    ROUTINE = Draft().with_table("comparator", turn="5 um").with_check("slips", scatter="0.2 um")

    @pytest.fixture
    def what(self, catalogue: Catalogue) -> Rehearsal:
        loaded = loaded_of(self.ROUTINE, catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        turned = Scenario.model_validate({"format": 1, "title": "turns", "turns": {"chance": 0.05}})
        return Rehearsal(
            document=loaded.document,
            digest=loaded.digest,
            checks=checks,
            of="thickness",
            scatter_um=0.1,
            scenario=turned,
        )

    def test_are_named_as_one_that_takes_a_run_at_a_time(self, what: Rehearsal) -> None:
        assert what.checks.run_by_run == ("slips",)

    def test_that_stand_unanswered_are_counted(self, what: Rehearsal) -> None:
        # seven readings, each off by a turn in 5 % of runs: 1 − 0.95⁷ = 30 % have one at least
        turned = rehearsed(what, what.ideal(), 0.5, RUNS).findings["note slips/unanswered"]
        calm = replace(what, scenario=None)
        untouched = rehearsed(calm, calm.ideal(), 0.5, RUNS).findings.get("note slips/unanswered", 0)
        assert 0.15 * RUNS < turned < 0.5 * RUNS
        assert untouched < 0.1 * RUNS
