"""JCGM 106:2012, clauses 7 and 8: conformance probability and guard bands (read in the official PDF)."""

from __future__ import annotations

import math

import pytest

from holdzero.decide import DecisionRule, Rule, Verdict, conformance_probability, decide


class TestConformanceProbability:
    # Lengths stand in for the examples' own units: only ratios matter.
    def test_zener_breakdown_voltage(self) -> None:
        # 7.3.3 example 1: y = −5.47, u = 0.05, TU = −5.40: pc = 0.92
        assert conformance_probability(-5.47, 0.05, math.inf, None, -5.40) == pytest.approx(0.92, abs=0.005)

    def test_container_burst_pressure(self) -> None:
        # 7.3.3 example 2: y = 509.7, u = 8.6, TL = 490: pc = 0.99
        assert conformance_probability(509.7, 8.6, math.inf, 490.0, None) == pytest.approx(0.99, abs=0.005)

    def test_motor_oil_viscosity(self) -> None:
        # 7.4: y = 13.6, u = 1.8, 12.5 to 16.3: pc = 0.66
        assert conformance_probability(13.6, 1.8, math.inf, 12.5, 16.3) == pytest.approx(0.66, abs=0.005)

    @pytest.mark.parametrize(("pc", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
    def test_table_1(self, pc: float, z: float) -> None:
        assert conformance_probability(-z, 1.0, math.inf, None, 0.0) == pytest.approx(pc, abs=0.002)

    def test_without_uncertainty_it_is_a_step_that_includes_the_limit(self) -> None:
        assert conformance_probability(1.0, 0.0, math.inf, None, 1.0) == 1.0
        assert conformance_probability(1.0, 0.0, math.inf, 1.0, 2.0) == 1.0
        assert conformance_probability(2.5, 0.0, math.inf, 1.0, 2.0) == 0.0


def guarded(value: float, u: float, dof: float = math.inf, *, guard: float | None = None) -> Verdict:
    rule = DecisionRule(rule=Rule.GUARDED, guard=guard)
    return decide(value, u, dof, lower_um=None, upper_um=10.0, rule=rule).verdict


class TestGuardedRule:
    def test_the_default_guard_band_of_a_normal_result_is_1_65_u(self) -> None:
        # ISO 14253-1:2017 (from memory): 1.65 times the standard uncertainty
        decision = decide(0.0, 1.0, math.inf, lower_um=None, upper_um=10.0, rule=DecisionRule())
        assert decision.guard_band_um == pytest.approx(1.65, abs=0.006)

    def test_few_degrees_of_freedom_widen_it_by_students_t(self) -> None:
        # JCGM 106:2012, 8.3.3 example 2: s = 0.20, ν = 9, one-sided t = 1.83: g = 0.37
        decision = decide(0.0, 0.20, 9.0, lower_um=None, upper_um=2.0, rule=DecisionRule())
        assert decision.guard_band_um == pytest.approx(0.37, abs=0.005)

    @pytest.mark.parametrize(
        ("value", "verdict"),
        [
            (8.34, Verdict.PASS),
            (8.37, Verdict.UNDECIDED),
            (10.0, Verdict.UNDECIDED),
            (11.63, Verdict.UNDECIDED),
            (11.66, Verdict.FAIL),
        ],
    )
    def test_between_the_guard_bands_nothing_is_decided(self, value: float, verdict: Verdict) -> None:
        assert guarded(value, 1.0) is verdict

    def test_a_guard_band_of_one_u_is_a_multiple_of_the_expanded_uncertainty(self) -> None:
        # JCGM 106:2012, 8.3.2: w = r·U, r = 1, U = 2u: at most 2.3 % specific risk
        rule = DecisionRule(rule=Rule.GUARDED, guard=1.0)
        decision = decide(8.0, 1.0, math.inf, lower_um=None, upper_um=10.0, rule=rule)
        assert decision.guard_band_um == pytest.approx(2.0, abs=0.001)
        assert 1.0 - float(decision.conformance_probability or 0.0) == pytest.approx(0.0228, abs=0.0001)

    def test_a_tolerance_narrower_than_3_92_u_can_not_be_passed(self) -> None:
        # JCGM 106:2012, eq. (11), worked out: below T = 3.9199 u no value reaches 95 %
        rule = DecisionRule()
        wide = decide(0.0, 1.0, math.inf, lower_um=-1.961, upper_um=1.961, rule=rule)
        narrow = decide(0.0, 1.0, math.inf, lower_um=-1.959, upper_um=1.959, rule=rule)
        assert (wide.verdict, narrow.verdict) == (Verdict.PASS, Verdict.UNDECIDED)


class TestSimpleRule:
    @pytest.mark.parametrize(("value", "verdict"), [(10.0, Verdict.PASS), (10.0001, Verdict.FAIL)])
    def test_the_measured_value_alone_counts(self, value: float, verdict: Verdict) -> None:
        rule = DecisionRule(rule=Rule.SIMPLE)
        assert decide(value, 1.0, math.inf, lower_um=None, upper_um=10.0, rule=rule).verdict is verdict


class TestSimulatedProbability:
    # The share of so many trials is itself uncertain: it may not decide by chance
    def decide(self, probability: float, trials: int, value: float = 0.0) -> Verdict:
        rule = DecisionRule()
        simulated = (probability, trials)
        return decide(value, 1.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule, simulated=simulated).verdict

    def test_one_that_is_reached_beyond_its_doubt_passes(self) -> None:
        assert self.decide(0.952, 1_000_000) is Verdict.PASS

    def test_one_that_is_reached_by_chance_does_not(self) -> None:
        # 2·√(0.952·0.048/1000) = 0.0135
        assert self.decide(0.952, 1000) is Verdict.UNDECIDED

    def test_a_value_within_its_limits_never_fails(self) -> None:
        assert self.decide(0.01, 1_000_000) is Verdict.UNDECIDED
        assert self.decide(0.01, 1_000_000, value=9.0) is Verdict.FAIL

    def test_no_guard_band_is_stated_where_none_decides(self) -> None:
        decision = decide(0.0, 1.0, 9.0, lower_um=-3.0, upper_um=3.0, rule=DecisionRule(), simulated=(0.99, 10**6))
        assert decision.guard_band_um is None
        assert "Monte Carlo" in decision.sentence
