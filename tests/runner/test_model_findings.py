"""When it is said that a result is not as good as its U."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero.decide import Decision
from holdzero.distribution import MonteCarlo
from holdzero.error_distribution import ErrorDistribution
from holdzero.estimate import Estimate
from holdzero.hooks import Level, RunView
from holdzero.model import Contribution, Input, Propagated
from holdzero.model_findings import model_findings, rests_on
from holdzero.result import Result
from holdzero.testing import Draft
from holdzero.views import view_of


def row(name: str, *of: str) -> Contribution:
    item = Input(name=name, estimate=Estimate.of(0.0, 1.0), unit="um", evaluation="B")
    return Contribution(input=item, of=of or (name,), sensitivity=1.0, contribution_um=1.0)


def number(value: float = 0.0, u: float = 1.0) -> Propagated:
    rows = (row("x"), row("x × y", "x", "y"))
    return Propagated(
        value_um=value, standard_uncertainty_um=u, first_order_um=u, dof=9.0, contributions=rows, corrections_um={}
    )


DECISION = Decision(
    coverage_factor=2.0,
    expanded_uncertainty_um=2.0,
    guard_band_um=None,
    chance=lambda: 0.9,
    passes=True,
    fails=False,
    sentence="",
)
SIMULATED = MonteCarlo(
    value_um=0.0,
    standard_uncertainty_um=1.0,
    shortest_um=(-2.0, 2.0),
    symmetric_um=(-2.0, 2.0),
    coverage=0.95,
    trials=20_000,
    conformance_probability=0.9,
    share_within=lambda lower, upper: 1.0,  # noqa: ARG005
)
ERRORS = ErrorDistribution(errors=np.zeros(4), coverage=0.9, seed=7, pair="x × y")


@pytest.fixture
def view(start: Callable[..., Any]) -> RunView:
    return view_of(start(Draft().text).run.state, "1")


@pytest.fixture
def first_order(start: Callable[..., Any]) -> RunView:
    asked = Draft().text + '\n[decision]\norder = 1\norder_why = "to compare"\n'
    return view_of(start(asked).run.state, "1")


@pytest.fixture
def result(view: RunView) -> Result:
    (spec,) = view.routine.characteristics.values()
    return Result(name="length", spec=spec, verdict=DECISION.verdict, propagated=number(), decision=DECISION)


def told(view: RunView, result: Result, **changes: Any) -> dict[str, Any]:
    """The findings that hold, by their codes."""
    return {found.code: found for found in model_findings(view, replace(result, **changes)) if found.holds}


class TestSecondOrderLeftOut:
    # a twentieth more moves the second of two digits (JCGM 100:2008, 7.2.6)
    @pytest.mark.parametrize(("u", "noticed"), [(1.04, False), (1.05, False), (1.06, True), (0.5, False)])
    def test_is_told_where_it_would_be_noticed(
        self, first_order: RunView, result: Result, u: float, noticed: bool
    ) -> None:
        found = told(first_order, result, second=number(u=u))
        assert list(found) == ["model/second_order"] * noticed
        for one in found.values():
            assert (one.level, one.data) == (Level.DOUBT, {"first_order_um": 1.0, "second_order_um": u})
            assert "second order (x × y) it is" in one.text

    def test_is_not_told_where_it_is_in_u_or_there_is_none(
        self, view: RunView, first_order: RunView, result: Result
    ) -> None:
        assert told(view, result, second=number(u=2.0)) == {}
        assert told(first_order, result) == {}

    def test_without_a_number_nothing_is_told(self, first_order: RunView, result: Result) -> None:
        assert told(first_order, result, propagated=None, second=number(u=2.0), validated=False) == {}


class TestCoverage:
    def test_is_told_with_what_decides(self, view: RunView, result: Result) -> None:
        (found,) = told(view, result, errors=ERRORS).values()
        assert (found.code, found.data["coverage"]) == ("model/coverage", 0.9)
        assert "in 90.0 % of cases, not in 95.45 %: the effect of x × y" in found.text
        assert "4 simulated errors (seed 7)" in found.text
        (plain,) = told(view, result, errors=ERRORS, decision=replace(DECISION, chance=None)).values()
        assert "seed" not in plain.text
        assert told(view, result, errors=ERRORS, decision=None) == {}


class TestASimulation:
    @pytest.mark.parametrize(
        ("changes", "codes"),
        [
            ({}, []),
            ({"stable": False}, ["model/unstable"]),
            ({"heavy_tails": {"x": 2.0}}, ["model/no_standard_deviation"]),
            ({"heavy_tails": {"x": 2.0}, "stable": False}, ["model/no_standard_deviation", "model/unstable"]),
        ],
    )
    def test_says_what_it_did_not_come_to(
        self, view: RunView, result: Result, changes: dict[str, Any], codes: list[str]
    ) -> None:
        found = told(view, result, simulation=replace(SIMULATED, **changes))
        assert list(found) == codes
        if codes[1:]:
            assert "--trials 20000" in found["model/unstable"].text

    @pytest.mark.parametrize(("validated", "codes"), [(None, []), (True, []), (False, ["model/propagation"])])
    def test_that_differs_from_propagation_is_told(
        self, view: RunView, result: Result, validated: bool | None, codes: list[str]
    ) -> None:
        assert list(told(view, result, validated=validated)) == codes


class TestWhatAVerdictRestsOn:
    """A check that does not come with the tool, against the same result without it. U is 2 µm, k is 2."""

    @staticmethod
    def text(view: RunView, result: Result, without: Propagated | None, *names: str) -> str:
        return "".join(found.text for found in rests_on(view, result, names or ("own",), without))

    @pytest.mark.parametrize(
        ("value", "u", "moves"),
        [
            (2.0, 1.0, False),  # by as much as U
            (2.1, 1.0, True),
            (-2.1, 1.0, True),
            (1.5, 0.7, True),  # U without it is 1.4
            (1.3, 0.7, False),
            (2.1, 1.04, True),
        ],
    )
    def test_is_told_where_it_moves_the_value_by_more_than_u_or_u_without_it(
        self, view: RunView, result: Result, value: float, u: float, moves: bool
    ) -> None:
        text = self.text(view, result, number(-value, u))
        assert ("moves the value by" in text) is moves
        assert ("more than U without it" in text) is (moves and u < 1.0)
        assert bool(text) is moves
        if moves:
            assert f"by {'+' if value > 0 else '−'}" in text

    @pytest.mark.parametrize(("u", "smaller"), [(1.04, False), (1.05, False), (1.06, True)])
    def test_is_told_where_it_makes_u_noticeably_smaller(
        self, view: RunView, result: Result, u: float, smaller: bool
    ) -> None:
        (*found,) = rests_on(view, result, ["own"], number(0.5, u))
        assert len(found) == smaller
        for one in found:
            assert "makes u" in one.text
            assert one.data == {"moved_um": -0.5, "expanded_um": 2.0, "standard_um": 1.0, "standard_without_um": u}
            assert one.code == "own/rests_on"

    def test_is_told_where_there_is_no_number_without_it(self, view: RunView, result: Result) -> None:
        assert "length: without check own it has no number" in self.text(view, result, None)

    def test_of_several_is_told_together(self, view: RunView, result: Result) -> None:
        assert "The checks" not in self.text(view, result, number(9.0))
        text = self.text(view, result, number(9.0), "own", "other")
        assert "the checks own and other move the value" in text
        assert "the check own moves the value" in self.text(view, result, number(9.0))

    @pytest.mark.parametrize("missing", ["propagated", "decision"])
    def test_without_a_number_or_a_decision_nothing_is_told(self, view: RunView, result: Result, missing: str) -> None:
        less = replace(result, propagated=None) if missing == "propagated" else replace(result, decision=None)
        assert self.text(view, less, number(9.0)) == ""
