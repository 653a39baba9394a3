"""Days in a shop: runs, their journals and the book under all that people and power cuts do, against a plain model.

After every act the tool must stand where the paper does: `plain_model.py` is the paper, `driven.py` drives the tool,
`job.py` holds one to the other, `bench_days.py` and `days.py` say what is done. The long form, which looks for new days
for about a quarter of an hour: `HYPOTHESIS_PROFILE=soak python -m pytest -m long -n 0 -s tests/stateful`.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.stateful.days import Days
from tests.stateful.driven import quiet_catalogue
from tests.stateful.shop import made_book


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> type[Days]:
    class OwnDays(Days):
        catalogue = quiet_catalogue()
        empty_book = made_book(tmp_path_factory.mktemp("book") / "book.sqlite")

    OwnDays.done = Counter()
    return OwnDays


class Told:
    """A day that is told act by act, and held to the paper after each.

    Args:
        day: that begins.
    """

    def __init__(self, day: Days) -> None:
        self.day = day

    def __getattr__(self, name: str) -> Callable[..., None]:
        def act(**said: Any) -> None:
            getattr(self.day, name)(**said)
            self.day.runs_hold()
            self.day.records_stay()
            self.day.book_holds()
            self.day.what_waits_is_marked()

        return act


@pytest.fixture
def day(days: type[Days]) -> Iterator[Told]:
    begun = days()
    yield Told(begun)
    begun.teardown()


class TestADay:
    def test_breaks_of_every_kind(self, day: Told) -> None:
        day.begins(a=0.0, b=0.0)
        day.answers_nonsense(pick=0)
        day.answers(pick=0, noise=0.1, times=6)
        day.leaves(pick=0)
        day.resumes_what_was_cut(missing=2)
        day.resumes(pick=0, span_s=30.0, where=0)
        for cut, lag in ((0, 0), (50, 2), (99, 0), (100, 1)):
            day.loses_power_meanwhile(pick=0, noise=0.0, after=0, cut=cut, lag=lag, strike=False)
            day.resumes(pick=0, span_s=30.0, where=2)
            day.answers(pick=0, noise=0.0, times=1)
        day.strikes(pick=0, which=5, reason="dirt")
        day.loses_power(pick=0)
        day.resumes(pick=0, span_s=30.0, where=3)
        day.resumes_what_goes_on(pick=0)
        day.answers(pick=0, noise=0.0, times=1)
        day.loses_power_meanwhile(pick=0, noise=0.0, after=1, cut=40, lag=0, strike=True)
        day.resumes(pick=0, span_s=30.0, where=1)
        day.does_besides(pick=0, which=1)
        day.goes_on(pick=0, span_s=30.0)
        day.does_besides(pick=0, which=1)
        day.leaves(pick=0)
        day.resumes(pick=0, span_s=1800.0, where=0)
        day.is_called_away()
        day.finishes(pick=0, noise=0.1)
        day.resumes_what_is_over(pick=0)
        day.verifies()
        day.verifies_book()

    def test_accidents_at_the_gauge(self, day: Told) -> None:
        day.begins(a=0.0, b=6.0)
        day.answers(pick=0, noise=0.0, times=6)
        day.answers(pick=0, noise=0.0, times=3)
        day.gives_zero_up(pick=0, reason="bumped")
        day.answers(pick=0, noise=0.1, times=4)
        day.answers_oddly(pick=0, off=20.0)
        day.strikes(pick=0, which=10, reason="dirt")
        day.finishes(pick=0, noise=0.0)
        day.begins(a=0.0, b=0.0)
        day.answers(pick=0, noise=0.0, times=6)
        day.answers(pick=0, noise=0.0, times=6)
        day.answers(pick=0, noise=0.0, times=2)
        day.strikes(pick=0, which=5, reason="dirt")
        day.answers(pick=0, noise=0.0, times=3)
        day.gives_zero_up(pick=0, reason="bumped")
        day.strikes(pick=0, which=-1, reason="dirt")
        day.finishes(pick=0, noise=0.0)
        for off, acknowledged in ((8.0, True), (20.0, False)):
            day.begins(a=0.0, b=0.0)
            day.answers(pick=0, noise=0.0, times=6)
            day.answers(pick=0, noise=0.0, times=6)
            day.answers_oddly(pick=0, off=off)
            day.answers_oddly(pick=0, off=off)
            if acknowledged and day.day.stopped:
                day.acknowledges(pick=0)
            elif not acknowledged:
                day.gives_zero_up(pick=0, reason="bumped")
            day.finishes(pick=0, noise=0.0)
            if day.day.stopped:
                day.acknowledges(pick=0)
                day.finishes(pick=0, noise=0.0)
        day.verifies_book()

    def test_two_at_once_and_the_book_away(self, day: Told) -> None:
        day.begins(a=0.0, b=0.0)
        day.begins(a=6.0, b=0.0)
        for pick in (0, 1, 0, 1):
            day.answers(pick=pick, noise=0.0, times=4)
        for pick in (0, 1):
            day.does_besides(pick=pick, which=0)
        day.takes_shelf_away_or_back()
        day.finishes(pick=0, noise=0.0)
        day.adds(pick=0, how=0)
        day.takes_shelf_away_or_back()
        day.finishes(pick=0, noise=0.0)
        for how in range(4):
            day.adds(pick=how, how=how)
        day.amends(pick=0, device=False)
        day.amends(pick=0, device=False)
        day.reviews(pick=1, meaning="rejected", note="")
        day.reviews(pick=1, meaning="rejected", note="seen")
        day.amends(pick=2, device=True)
        day.amends(pick=1, device=True)
        day.reviews(pick=3, meaning="reviewed", note="")
        day.begins(a=0.0, b=0.0)
        day.answers(pick=0, noise=0.0, times=6)
        day.takes_shelf_away_or_back()
        day.finishes(pick=0, noise=0.0)
        day.takes_shelf_away_or_back()
        day.resumes_what_is_over(pick=2)
        day.verifies_book()


_FORM = settings(deadline=None, print_blob=True, suppress_health_check=list(HealthCheck), database=None)


def test_short_days(days: type[Days]) -> None:
    # Whoever wants the shortest day that goes wrong asks the long form.
    form = settings(_FORM, max_examples=3, stateful_step_count=25, derandomize=True, phases=[Phase.generate])
    run_state_machine_as_test(days, settings=form)


@pytest.mark.long
def test_long_days(days: type[Days], record_property: Callable[[str, object], None]) -> None:
    soak = os.environ.get("HYPOTHESIS_PROFILE") == "soak"
    form = settings(_FORM, max_examples=3000 if soak else 50, stateful_step_count=40, derandomize=not soak)
    run_state_machine_as_test(days, settings=form)
    record_property("acts", sum(days.done.values()))
    sys.stdout.write(f"{sum(days.done.values())} acts: {dict(days.done)}\n")
