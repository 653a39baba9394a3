"""Checks that take too long: said and recorded; given up where they never come back; built-ins never are."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.cli.house import open_shop
from holdzero.patience import GivenUpError, within
from holdzero.testing import PLAIN
from holdzero.verify import verify

Measure: TypeAlias = Callable[..., Any]  # see conftest

CHECK = """\
import time

from holdzero.hooks import *
from holdzero.hooks import Settings


def watch(settings, run):
    WATCH
    return []


def judge(settings, run, characteristics):
    JUDGE
    return []


@hookimpl
def holdzero_checks():
    return [Check(name="dreamer", title="takes its time", settings=Settings, watch=watch, judge=judge)]
"""
ROUTINE = PLAIN + "\n[checks.dreamer]\n"


@pytest.fixture
def shop(tmp_path: Path) -> Callable[..., Path]:
    """A shop with a check that sleeps."""

    def make(watch: str = "pass", judge: str = "pass", budget: str = "0.05 s", limit: str = "60 s") -> Path:
        (tmp_path / "dreamer.py").write_text(CHECK.replace("WATCH", watch).replace("JUDGE", judge), "utf-8")
        path = tmp_path / "own.toml"
        settings = f'folder = "."\nenabled = ["dreamer"]\nbudget = "{budget}"\nlimit = "{limit}"\n'
        path.write_text(f"format = 1\n[plugins]\n{settings}", "utf-8")
        return path

    return make


def events_of(record: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [event for event in record["events"] if event["event"] == kind]


class TestSlow:
    def test_over_its_budget_it_is_recorded_once_and_changes_no_verdict(
        self, shop: Callable[..., Path], measure: Measure
    ) -> None:
        path = shop(watch="time.sleep(0.08)")
        outcome = measure(ROUTINE, shop=path)
        record = outcome.record
        (slow,) = events_of(record, "plugin_slow")
        assert (slow["plugin"], slow["during"]) == ("dreamer", "watch")
        assert 0.08 <= slow["took_s"] < 60.0
        assert outcome.codes("doubt") == ["dreamer/slow"]
        assert record["verdict"] == "pass"
        assert verify(record, open_shop(path).catalogue) == []

    def test_within_its_budget_nothing_is_said(self, shop: Callable[..., Path], measure: Measure) -> None:
        outcome = measure(ROUTINE, shop=shop(budget="60 s"))
        assert events_of(outcome.record, "plugin_slow") == []


class TestGivenUp:
    def test_a_watch_that_never_comes_back_is_not_waited_for_twice(
        self, shop: Callable[..., Path], measure: Measure, tmp_path: Path
    ) -> None:
        calls = tmp_path / "calls"
        # Longer than any test may take: whoever waited for it would be found out, on a slow machine too.
        watch = f"with open({str(calls)!r}, 'a') as told:\n        told.write('x')\n    time.sleep(3600)"
        outcome = measure(ROUTINE, shop=shop(watch=watch, limit="0.2 s"))
        assert calls.read_text("utf-8") == "x"
        (failed,) = events_of(outcome.record, "plugin_failed")
        assert failed["message"] == "GivenUpError: it was not done within 0.2 s"
        assert (outcome.code, outcome.codes("stop")) == (3, ["dreamer/failed"])
        assert len(events_of(outcome.record, "reading_taken")) == 7

    def test_a_judge_that_never_comes_back_leaves_a_record(self, shop: Callable[..., Path], measure: Measure) -> None:
        outcome = measure(ROUTINE, shop=shop(judge="time.sleep(3600)", limit="0.05 s"))
        assert (outcome.code, outcome.codes("stop")) == (3, ["dreamer/failed"])
        assert outcome.record["results"]["thickness"]["value_um"] is not None


class TestWithin:
    def test_gives_what_the_work_gives(self) -> None:
        assert within(60.0, lambda: 7, "seven") == 7

    def test_raises_what_the_work_raises(self) -> None:
        with pytest.raises(ZeroDivisionError):
            within(60.0, lambda: 1 / 0, "nothing")

    @pytest.mark.parametrize("error", [SystemExit, KeyboardInterrupt])
    def test_lets_nobody_end_the_tool(self, error: type[BaseException]) -> None:
        def work() -> None:
            raise error

        with pytest.raises(GivenUpError, match=error.__name__):
            within(60.0, work, "the end")

    def test_waits_no_longer(self) -> None:
        with pytest.raises(GivenUpError, match=r"0\.05 s"):
            within(0.05, lambda: time.sleep(3600.0), "sleep")
