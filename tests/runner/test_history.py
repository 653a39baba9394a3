"""What the book knew of the bench, in a run: pooled into the scatter, stopped by, and told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import pytest

from holdzero import events as e
from holdzero.checks import bind
from holdzero.errors import EventRefusedError
from holdzero.evaluate import evaluate

Start: TypeAlias = Callable[..., Any]  # see conftest

READ = ("0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0")
SCATTER = {"s_um": 0.1, "dof": 36.0, "runs": 9}


def known(**changes: Any) -> dict[str, Any]:
    return {"book": "book.sqlite", "comparator": "C1", "scatter": SCATTER, "standard": None, "earlier": [], **changes}


@pytest.fixture
def evaluated(start: Start, catalogue: Any) -> Callable[..., Any]:
    """Evaluate the plain routine with what the book knew."""

    def go(readings: tuple[str, ...] = READ, table: str = "", **history: Any) -> Any:
        from holdzero.testing import PLAIN

        bench = start(PLAIN + table)
        if history:
            bench.take(e.BenchKnown, **known(**history))
        state = bench.answer(*readings, "").run.state
        return evaluate(state, "1", bind(state.routine, catalogue)[0])

    return go


def scatter_row(evaluation: Any) -> Any:
    (row,) = (r for r in evaluation.results[0].propagated.contributions if r.input.name.startswith("repeatability"))
    return row


def codes(evaluation: Any) -> list[str]:
    return [finding.code for finding in evaluation.findings]


class TestScatter:
    def test_is_pooled_with_its_degrees_of_freedom(self, evaluated: Callable[..., Any]) -> None:
        # JCGM 100:2008, 4.2.4: s² = Σ ν s² / Σ ν. The run itself: s = 0.1 with 4 degrees of freedom.
        row = scatter_row(evaluated(scatter={"s_um": 0.2, "dof": 36.0, "runs": 9}))
        assert row.input.estimate.dof == 40.0
        s = ((4 * 0.1**2 + 36 * 0.2**2) / 40) ** 0.5
        assert float(row.contribution_um) == pytest.approx(s * (1 / 3 + 1 / 3) ** 0.5)
        assert "pooled with 9 earlier runs of C1" in row.input.why

    def test_stays_the_run_s_own_without_a_book(self, evaluated: Callable[..., Any]) -> None:
        assert scatter_row(evaluated()).input.estimate.dof == 4.0

    def test_stays_the_run_s_own_where_the_routine_says_so(self, evaluated: Callable[..., Any]) -> None:
        evaluation = evaluated(table="\n[checks.repeatability]\nhistory = false\n", scatter=SCATTER)
        assert scatter_row(evaluation).input.estimate.dof == 4.0

    def test_that_is_larger_than_before_is_not_pooled_and_is_told(self, evaluated: Callable[..., Any]) -> None:
        # F(0.99; 4, 36) = 3.89: s of 0.1 against 0.05 is beyond it, against 0.06 it is not
        told = evaluated(scatter={"s_um": 0.05, "dof": 36.0, "runs": 9})
        assert "repeatability/more_than_before" in codes(told)
        assert scatter_row(told).input.estimate.dof == 4.0
        quiet = evaluated(scatter={"s_um": 0.06, "dof": 36.0, "runs": 9})
        assert "repeatability/more_than_before" not in codes(quiet)
        assert scatter_row(quiet).input.estimate.dof == 40.0


class TestTheCheckStandard:
    def test_out_of_control_leaves_everything_undecided(self, evaluated: Callable[..., Any]) -> None:
        evaluation = evaluated(standard={"in_control": False, "text": "the last 7 lie above the mean."})
        assert evaluation.verdict == "undecided"
        (stop,) = (finding for finding in evaluation.findings if finding.code == "bench/out_of_control")
        assert "the last 7 lie above the mean." in stop.text

    def test_in_control_says_nothing(self, evaluated: Callable[..., Any]) -> None:
        evaluation = evaluated(standard={"in_control": True, "text": "20 readings"})
        assert evaluation.verdict == "pass"
        assert "bench/out_of_control" not in codes(evaluation)


class TestEarlierRecords:
    @pytest.mark.parametrize(("verdict", "level"), [("fail", "doubt"), ("undecided", "doubt"), ("pass", "note")])
    def test_are_told_and_change_no_verdict(self, evaluated: Callable[..., Any], verdict: str, level: str) -> None:
        earlier = [{"digest": "sha256:0123456789abcdef", "verdict": verdict, "started": "2026-02-01T08:00:00+01:00"}]
        evaluation = evaluated(earlier=earlier)
        (found,) = (finding for finding in evaluation.findings if finding.code == "part/measured_before")
        assert (found.level, evaluation.verdict) == (level, "pass")
        assert f"on 2026-02-01T08:00:00+01:00: {verdict} (sha256:0123456789ab)" in found.text


class TestTheEvent:
    @pytest.mark.parametrize(
        "scatter",
        [{"s_um": -0.1, "dof": 3.0}, {"s_um": 0.1, "dof": 0.0}, {"dof": 3.0}, {"s_um": float("nan"), "dof": 1.0}],
    )
    def test_that_is_nonsense_is_refused(self, start: Start, scatter: dict[str, float]) -> None:
        with pytest.raises(EventRefusedError):
            start().take(e.BenchKnown, **known(scatter=scatter))
