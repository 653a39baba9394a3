"""House rule comparator_due: what is measured must not rest on a comparator that is past its day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

import pytest

from holdzero.catalogue import Catalogue
from holdzero.hooks import Level
from holdzero.testing import Draft, Measure, catalogue_of
from holdzero.testing.loading import module_of
from holdzero.verify import verify
from holdzero.views import RunView, view_of

Sit: TypeAlias = Callable[..., Any]  # see conftest
BEGAN = dt.date(2026, 3, 2)  # the day on which a run driven by hand begins


def routine(due: dt.date | None, **settings: Any) -> Draft:
    draft = Draft().with_check("comparator_due", **settings)
    return draft if due is None else draft.with_table("comparator", due=due, id="K-2")


@pytest.fixture(scope="session")
def rule(house: Path) -> ModuleType:
    """The rule as a module."""
    return module_of(house / "comparator_due.py")


@pytest.fixture(scope="session")
def view(sit_down: Sit) -> Callable[[dt.date | None], RunView]:
    """What the rule sees of a run with a comparator that is due on a day; an overdue one was overruled."""
    state = sit_down("comparator_due", routine(dt.date(2036, 1, 1))).run.state
    comparator = state.comparator

    def see(due: dt.date | None) -> RunView:
        return replace(view_of(state, "1"), comparator=comparator.model_copy(update={"due": due}))

    return see


class TestDays:
    @pytest.mark.parametrize(
        ("days", "expected"),
        [
            (-1, ("stop", "comparator_due/past")),
            (0, ("doubt", "comparator_due/soon")),
            (1, ("doubt", "comparator_due/soon")),
            (5, ("doubt", "comparator_due/soon")),
            (6, None),
        ],
    )
    def test_count_from_the_day_on_which_the_run_began(
        self, rule: ModuleType, view: Callable[..., RunView], days: int, expected: tuple[str, str] | None
    ) -> None:
        found = list(rule.judge(rule.ComparatorDueSettings(), view(BEGAN + dt.timedelta(days=days)), ()))
        assert [(one.level.value, one.code) for one in found] == ([expected] if expected else [])
        assert all(one.data == {"days_left": float(days)} for one in found)

    def test_ahead_is_a_setting(self, rule: ModuleType, view: Callable[..., RunView]) -> None:
        soon = view(BEGAN + dt.timedelta(days=1))
        assert list(rule.judge(rule.ComparatorDueSettings(ahead_days=0), soon, ())) == []
        assert len(list(rule.judge(rule.ComparatorDueSettings(ahead_days=0), view(BEGAN), ()))) == 1

    def test_are_told_in_words(self, rule: ModuleType, view: Callable[..., RunView]) -> None:
        def said(days: int) -> str:
            (found,) = rule.judge(rule.ComparatorDueSettings(), view(BEGAN + dt.timedelta(days=days)), ())
            return str(found.text)

        assert said(0) == (
            "The comparator K-2: its calibration is due today, on 2026-03-02; this is told 5 days ahead. "
            "Send it off in time."
        )
        assert "due in 1 day, on 2026-03-03" in said(1)
        assert "due in 5 days, on 2026-03-07" in said(5)
        assert "was due on 2026-03-01, and the run began on 2026-03-02" in said(-1)

    @pytest.mark.parametrize(
        ("wall", "code"),
        [
            ("2026-03-02T23:59:59+01:00", "comparator_due/soon"),
            ("2026-03-03T00:00:01+01:00", "comparator_due/past"),
            # Elsewhere it is the day before still: what counts is the calendar on the wall of the bench.
            ("2026-03-03T00:30:00+14:00", "comparator_due/past"),
        ],
    )
    def test_end_at_midnight_at_the_bench(self, sit_down: Sit, rule: ModuleType, wall: str, code: str) -> None:
        state = sit_down("comparator_due", routine(BEGAN)).run.state
        run = view_of(replace(state, started=wall), "1")
        assert [found.code for found in rule.judge(rule.ComparatorDueSettings(), run, ())] == [code]


class TestARun:
    def test_with_a_comparator_that_is_due_much_later_passes(self, house: Path, measure: Measure) -> None:
        outcome = measure(routine(dt.date(2090, 1, 1)), plugins=[house / "comparator_due.py"])
        assert outcome.record["verdict"] == "pass"
        assert [found for found in outcome.record["findings"] if found["code"].startswith("comparator_due")] == []

    def test_with_a_comparator_that_is_due_soon_passes_with_a_doubt(self, sit_down: Sit) -> None:
        desk = sit_down("comparator_due", routine(BEGAN + dt.timedelta(days=3)))
        record = desk.at(0.0, "0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0", "").ended()
        assert record["verdict"] == "pass"
        assert "comparator_due/soon" in [found["code"] for found in record["findings"] if found["level"] == "doubt"]

    def test_with_an_overdue_comparator_is_undecided_though_it_was_overruled(
        self, house: Path, measure: Measure
    ) -> None:
        draft = routine(dt.date(2020, 1, 1))
        outcome = measure(draft, plugins=[house / "comparator_due.py"], overrule="the other one is away")
        assert outcome.record["verdict"] == "undecided"
        assert outcome.codes("stop") == ["comparator_due/past"]
        assert "comparator/overruled" in outcome.codes("doubt")
        assert verify(outcome.record, catalogue_of(house / "comparator_due.py")) == []

    def test_with_a_comparator_that_has_no_due_day_is_undecided(self, house: Path, measure: Measure) -> None:
        outcome = measure(routine(None), plugins=[house / "comparator_due.py"])
        assert outcome.record["verdict"] == "undecided"
        assert outcome.codes("stop") == ["comparator_due/unknown"]

    def test_that_was_given_up_before_a_comparator_was_named_says_so(
        self, rule: ModuleType, view: Callable[..., RunView]
    ) -> None:
        (found,) = rule.judge(rule.ComparatorDueSettings(), replace(view(None), comparator=None), ())
        assert (found.level, found.code) == (Level.STOP, "comparator_due/no_comparator")

    def test_ahead_must_be_a_whole_number(self, house: Path, measure: Measure) -> None:
        outcome = measure(routine(None, ahead_days=-1), plugins=[house / "comparator_due.py"])
        assert outcome.code == 2
        assert "ahead_days" in outcome.said


class TestAtTheBench:
    def test_it_is_asked_before_the_first_reading_and_not_again(self, sit_down: Sit) -> None:
        desk = sit_down("comparator_due", routine(BEGAN))
        (found,) = desk.asked(0.0)
        assert found.code == "comparator_due/soon"
        assert found.text.endswith("Send it off in time. Is it the right one?")
        assert desk.at(1.0, "0").codes(2.0) == []

    def test_nothing_is_said_while_no_comparator_is_named(self, rule: ModuleType, view: Callable[..., RunView]) -> None:
        assert list(rule.watch(rule.ComparatorDueSettings(), replace(view(None), comparator=None))) == []


class TestWithoutTheShop:
    def test_verify_says_that_the_rule_is_missing(self, house: Path, measure: Measure, catalogue: Catalogue) -> None:
        record = measure(routine(dt.date(2090, 1, 1)), plugins=[house / "comparator_due.py"]).record
        assert any("comparator_due/failed" in line for line in verify(record, catalogue))
