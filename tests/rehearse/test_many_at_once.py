"""Numbers of many runs at once are those of each run by itself: what is looked up or left out changes no answer."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from holdzero.catalogue import load_catalogue
from holdzero.checks import bind
from holdzero.decide import Decision, DecisionRule, Rule, decide
from holdzero.estimate import Estimate
from holdzero.model import Input, Term, propagate, student_quantile
from holdzero.rehearse import many
from holdzero.rehearse.many import BLOCK, Rehearsal, rehearsed
from holdzero.result import Evaluation
from holdzero.statistics import slope_statistic
from holdzero.testing.drive import loaded_of

ROUTINE = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"


class TestQuantiles:
    # whole ones as a table holds them, broken ones, those beyond the table, and infinitely many
    DOF = (1.0, 2.0, 2.5, 9.0, 30.0, 4095.0, 4096.0, 5000.0, 1e9, math.inf)

    @pytest.mark.parametrize("probability", [0.025, 0.95, 0.97725])
    def test_of_many_runs_are_those_of_each(self, probability: float) -> None:
        together = student_quantile(probability, np.array(self.DOF))
        assert together == pytest.approx([student_quantile(probability, dof) for dof in self.DOF], rel=1e-14)

    def test_are_in_the_order_of_the_runs(self) -> None:
        dof = np.array([7.0, 3.0, math.inf, 7.0, 3.5])
        together = np.asarray(student_quantile(0.95, dof))
        assert together[0] == together[3]
        assert together[1] > together[4] > together[0] > together[2]


def values_um() -> NDArray[np.float64]:
    return np.linspace(-4.0, 4.0, 801)


class TestDecisions:
    """A probability is worked out only where it decides."""

    @pytest.mark.parametrize("u_um", [0.0, 0.05, 0.5, 0.75, 0.9, 1.5])  # from 0.78 u counts beyond both limits of ±1.5
    @pytest.mark.parametrize("dof", [3.0, math.inf])
    @pytest.mark.parametrize("rule", [DecisionRule(), DecisionRule(rule=Rule.PROBABILITY), DecisionRule(guard=1.0)])
    def test_of_many_runs_are_those_of_each(self, u_um: float, dof: float, rule: DecisionRule) -> None:
        def of(value_um: float | NDArray[np.float64]) -> Decision:
            return decide(value_um, u_um, dof, lower_um=-1.5, upper_um=1.5, rule=rule)

        together, each = of(values_um()), [of(float(value)) for value in values_um()]
        assert np.asarray(together.passes).tolist() == [bool(one.passes) for one in each]
        assert np.asarray(together.fails).tolist() == [bool(one.fails) for one in each]
        assert together.conformance_probability == pytest.approx([one.conformance_probability for one in each])

    def test_both_tails_count_where_the_tolerance_is_narrow(self) -> None:
        # ±1.7 u: inside the one-sided guard band of 1.645 u in the middle, and yet 8.9 % lie beyond
        together = decide(np.array([0.0, 0.04]), 1.0, math.inf, lower_um=-1.7, upper_um=1.7, rule=DecisionRule())
        assert not np.any(together.passes)


class TestSlopes:
    X = np.array([4.0, 7.0, 10.0, 5.0, 8.0, 11.0])
    GROUPS = (0, 0, 0, 1, 1, 1)

    def test_that_matter_are_those_of_each_run(self) -> None:
        y = np.random.default_rng(5).normal(0.0, 1.0, (200, 6))
        slope, t, dof = slope_statistic(self.X, y, self.GROUPS, matters=0.1)
        each = [slope_statistic(self.X, row, self.GROUPS) for row in y]
        matter = np.abs(np.array([one[0] for one in each])) > 0.1
        assert 20 < np.count_nonzero(matter) < 180
        assert slope == pytest.approx([float(one[0]) for one in each])
        assert t == pytest.approx([float(one[1]) if tested else 0.0 for one, tested in zip(each, matter, strict=True)])
        assert dof == each[0][2]


def test_an_exact_input_of_many_runs_adds_no_uncertainty() -> None:
    read = Input(name="read", estimate=Estimate.exact(np.array([1.0, 2.0])), unit="um", evaluation="A")
    error = Input(name="error", estimate=Estimate.of(0.0, 0.3), unit="um", evaluation="B")
    terms = [
        Term(name="read", inputs=(read,), function=lambda r: 2.0 * r),
        Term(name="gain", inputs=(read, error), function=lambda r, e: r * e),
    ]
    result = propagate(terms)
    assert result.value_um == pytest.approx([2.0, 4.0])
    assert result.standard_uncertainty_um == pytest.approx([0.3, 0.6])


@cache
def spacer_ring() -> tuple[Rehearsal, Evaluation]:
    loaded = loaded_of(ROUTINE, load_catalogue())
    checks, _ = bind(loaded.routine, load_catalogue())
    what = Rehearsal(
        document=loaded.document, digest=loaded.digest, checks=checks, of="thickness", scatter_um=0.4, seed=3
    )
    return what, what.ideal()


def test_counts_do_not_depend_on_how_many_runs_are_evaluated_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # at a scatter at which checks find something in some runs and nothing in others
    whole = rehearsed(*spacer_ring(), 2.0, 3_000)
    monkeypatch.setattr(many, "LOT", 700)
    lots = rehearsed(*spacer_ring(), 2.0, 3_000)
    # A sum of broken numbers may end in another last digit where it is made in another order.
    assert lots.off_um == pytest.approx(whole.off_um, rel=1e-9)
    assert replace(lots, off_um=whole.off_um) == whole
    assert 0 < whole.findings["doubt repeatability/outlier"] < 3_000


def test_a_second_block_has_draws_of_its_own() -> None:
    one, both = rehearsed(*spacer_ring(), 2.0, BLOCK), rehearsed(*spacer_ring(), 2.0, BLOCK + 500)
    first = rehearsed(*spacer_ring(), 2.0, 500)
    assert both.runs == one.runs + 500
    assert both.covered - one.covered > 0
    assert (both.passed - one.passed, both.covered - one.covered) != (first.passed, first.covered)
