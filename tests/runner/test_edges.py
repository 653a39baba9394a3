"""Edges: a right answer or a clear refusal."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from holdzero.decide import DecisionRule, Rule, Verdict, decide
from holdzero.errors import QuantityError
from holdzero.estimate import Estimate, parse_estimate
from holdzero.model import Input, Term, propagate
from holdzero.montecarlo import simulate
from holdzero.quantity import Dimension

HEAD = """\
format = 1
routine = {{ title = "Washer", part = "W-1" }}
reference = {{ name = "Block", size = "5 mm", deviation = {deviation} }}
comparator = {{ resolution = "0.1 um" }}
characteristics.t = {{ measure = "size", at = "a", nominal = "5 mm", lower = "{lower}", upper = "{upper}" }}
steps = [ {{ do = "zero", times = 2 }}, {{ do = "read", at = "a", times = 3 }}, {{ do = "return" }} ]
"""
READ = ["0", "0.1", "1.0", "1.1", "1.2", "0"]


def routine(deviation: str = '"0 um"', lower: str = "-3 um", upper: str = "3 um") -> str:
    return HEAD.format(deviation=deviation, lower=lower, upper=upper)


class TestDegreesOfFreedom:
    def test_one_alone_gives_a_wide_interval(self, measure: Callable[..., Any]) -> None:
        deviation = '{ value = "0 um", standard = "1 um", dof = 1 }'
        result = measure(routine(deviation), READ).record["results"]["t"]
        # JCGM 100:2008, Table G.2: t95.45(1) = 13.97
        assert result["coverage_factor"] == pytest.approx(13.97, abs=0.005)
        assert result["verdict"] == "undecided"

    @pytest.mark.parametrize("dof", [0, 0.5, -1])
    def test_less_than_one_is_refused(self, dof: float) -> None:
        with pytest.raises(QuantityError, match="dof"):
            parse_estimate({"value": "0 um", "standard": "1 um", "dof": dof}, Dimension.LENGTH)


class TestLimits:
    def test_that_are_equal_can_not_be_passed(self, measure: Callable[..., Any]) -> None:
        result = measure(routine(lower="1 um", upper="1 um"), READ).record["results"]["t"]
        assert result["verdict"] == "undecided"
        assert result["conformance_probability"] == pytest.approx(0.0, abs=1e-12)

    def test_that_are_equal_and_far_away_are_failed(self, measure: Callable[..., Any]) -> None:
        assert measure(routine(lower="40 um", upper="40 um"), READ).record["verdict"] == "fail"


class TestNoUncertainty:
    @pytest.mark.parametrize("rule", list(Rule))
    def test_a_value_on_its_limit_conforms(self, rule: Rule) -> None:
        decision = decide(1.0, 0.0, math.inf, lower_um=-1.0, upper_um=1.0, rule=DecisionRule(rule=rule))
        assert decision.verdict is Verdict.PASS

    @pytest.mark.parametrize("rule", list(Rule))
    def test_a_value_beyond_it_does_not(self, rule: Rule) -> None:
        decision = decide(
            1.0000001, 0.0, math.inf, lower_um=-1.0, upper_um=1.0, rule=DecisionRule(rule=rule), resolution_um=0.01
        )
        assert decision.verdict is Verdict.FAIL

    def test_a_simulation_of_exact_inputs_is_that_value(self) -> None:
        exact = Input(name="x", estimate=Estimate.exact(2.0), unit="um", evaluation="B")
        term = Term(name="t", inputs=(exact,), function=lambda x: 3.0 * x)
        result = simulate([term], np.random.default_rng(1), 2000, 0.95)
        assert (result.value_um, result.standard_uncertainty_um, result.shortest_um) == (6.0, 0.0, (6.0, 6.0))


class TestCorrelation:
    def test_fully_correlated_inputs_are_one_input(self) -> None:
        shared = Input(name="x", estimate=Estimate.of(0.0, 1.0), unit="um", evaluation="B")
        terms = [
            Term(name="plus", inputs=(shared,), function=lambda x: x),
            Term(name="minus", inputs=(shared,), function=lambda x: -x),
        ]
        assert propagate(terms).standard_uncertainty_um == pytest.approx(0.0, abs=1e-12)
        simulated = simulate(terms, np.random.default_rng(1), 5000, 0.95)
        assert simulated.standard_uncertainty_um == pytest.approx(0.0, abs=1e-12)


class TestDecisionRecord:
    def test_every_rule_says_itself_in_a_sentence(self, measure: Callable[..., Any]) -> None:
        # ISO/IEC 17025:2017, 7.8.6: the rule is stated with the conformity statement (seen)
        for rule in ("simple", "guarded", "probability"):
            text = routine().replace("steps = [", f'decision = {{ rule = "{rule}" }}\nsteps = [')
            told = measure(text, READ).record["results"]["t"]["rule"]
            assert "pass" in told
            assert told.endswith(".")
