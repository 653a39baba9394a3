"""What is decided: every rule against probabilities that scipy.stats works out, and many runs at once against each."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from holdzero.decide import (
    Decision,
    DecisionError,
    DecisionRule,
    GivenBand,
    Rule,
    Standing,
    Verdict,
    conformance_probability,
    decide,
    worst,
)

VALUES = np.array([-9.0, -3.1, -3.0, -2.9, -1.3, 0.0, 0.6, 1.2, 1.4, 2.9, 3.0, 3.1, 4.7, 9.0])
RULES = (
    DecisionRule(),
    DecisionRule(guard=0.5),
    DecisionRule(conformance=0.6),
    DecisionRule(rule=Rule.SIMPLE),
    DecisionRule(rule=Rule.PROBABILITY, conformance=0.8),
    DecisionRule(
        rule=GivenBand(name="half", guard=lambda standing: 0.5 * standing.standard_uncertainty_um, sentence="")
    ),
)
LIMITS = ((-3.0, 3.0), (None, 3.0), (-3.0, None), (-1.0, 0.5))


def likely(value: float, u: float, dof: float, lower: float | None, upper: float | None) -> float:
    """Conformance probability by scipy.stats: JCGM 106:2012, 7.2 to 7.4."""
    scaled = stats.norm(value, u) if math.isinf(dof) else stats.t(dof, value, u)
    below = 1.0 if upper is None else float(scaled.cdf(upper))
    return below - (0.0 if lower is None else float(scaled.cdf(lower)))


def made(verdict: tuple[bool, bool], *, chance: Callable[[], float] | None = lambda: 0.5) -> Decision:
    return Decision(
        coverage_factor=2.0,
        expanded_uncertainty_um=1.0,
        guard_band_um=0.0,
        chance=chance,
        passes=verdict[0],
        fails=verdict[1],
        sentence="",
    )


class TestAVerdict:
    @pytest.mark.parametrize(
        ("said", "verdict"),
        [
            ((True, False), Verdict.PASS),
            ((False, True), Verdict.FAIL),
            ((False, False), Verdict.UNDECIDED),
            ((True, True), Verdict.UNDECIDED),
        ],
    )
    def test_is_given_where_one_thing_is_shown_and_not_the_other(
        self, said: tuple[bool, bool], verdict: Verdict
    ) -> None:
        assert made(said).verdict is verdict
        assert made(said).conformance_probability == 0.5

    def test_is_none_without_limits(self) -> None:
        assert made((False, False), chance=None).verdict is Verdict.REPORTED
        decision = decide(1.0, 0.5, math.inf, lower_um=None, upper_um=None, rule=DecisionRule())
        assert decision.verdict is Verdict.REPORTED
        assert decision.conformance_probability is None
        assert (decision.guard_band_um, decision.passes, decision.fails) == (0.0, False, False)
        # Normal: k = 2.000 for 95.45 % (JCGM 100:2008, table G.1 gives 2.00 for infinite degrees of freedom).
        assert decision.coverage_factor == pytest.approx(2.0, abs=1e-3)
        assert decision.expanded_uncertainty_um == pytest.approx(1.0, abs=1e-3)

    @pytest.mark.parametrize(
        ("verdicts", "of_part"),
        [
            ((), Verdict.UNDECIDED),
            ((Verdict.PASS, Verdict.PASS), Verdict.PASS),
            ((Verdict.PASS, Verdict.UNDECIDED), Verdict.UNDECIDED),
            ((Verdict.PASS, Verdict.FAIL), Verdict.FAIL),
            ((Verdict.UNDECIDED, Verdict.FAIL), Verdict.FAIL),
            ((Verdict.REPORTED, Verdict.REPORTED), Verdict.REPORTED),
            ((Verdict.REPORTED, Verdict.PASS), Verdict.PASS),
        ],
    )
    def test_of_a_part_is_the_worst_of_its_characteristics(
        self, verdicts: tuple[Verdict, ...], of_part: Verdict
    ) -> None:
        assert worst(verdicts) is of_part


class TestConformanceProbability:
    @pytest.mark.parametrize(("dof", "limits"), list(itertools.product((1.0, 4.0, math.inf), LIMITS)))
    def test_is_what_scipy_works_out(self, dof: float, limits: tuple[float | None, float | None]) -> None:
        many = conformance_probability(VALUES, 0.7, dof, *limits)
        expected = [likely(value, 0.7, dof, *limits) for value in VALUES]
        assert many == pytest.approx(expected, abs=1e-12)
        assert [conformance_probability(float(v), 0.7, dof, *limits) for v in VALUES] == pytest.approx(
            expected, abs=1e-12
        )

    def test_is_a_step_where_there_is_no_uncertainty_whatever_the_others_have(self) -> None:
        values = np.array([-1.0, -1.5, 1.0, 1.5, 0.0, 1.5, -1.5])
        u = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 2.0])
        got = conformance_probability(values, u, math.inf, -1.0, 1.0)
        others = [likely(1.5, 1.0, math.inf, -1.0, 1.0), likely(-1.5, 2.0, math.inf, -1.0, 1.0)]
        assert got == pytest.approx([1.0, 0.0, 1.0, 0.0, 1.0, *others], abs=1e-12)
        assert conformance_probability(values[:5], 0.0, math.inf, -1.0, 1.0) == pytest.approx([1.0, 0.0, 1.0, 0.0, 1.0])
        assert conformance_probability(1.5, u[:2], math.inf, -1.0, 1.0) == pytest.approx([0.0, 0.0])

    def test_is_never_less_than_none(self) -> None:
        # Limits in the wrong order hold nothing.
        assert conformance_probability(0.0, 1.0, math.inf, 2.0, 1.0) == 0.0
        assert conformance_probability(np.zeros(2), 1.0, math.inf, 2.0, 1.0) == pytest.approx([0.0, 0.0])


class TestManyRunsAtOnce:
    @pytest.mark.parametrize(
        ("rule", "limits"), list(itertools.product(RULES, LIMITS)), ids=lambda item: getattr(item, "rule", None) and ""
    )
    def test_are_decided_as_each_alone(self, rule: DecisionRule, limits: tuple[float | None, float | None]) -> None:
        lower, upper = limits
        u = np.resize([0.2, 1.0, 3.0, 0.0], VALUES.shape)
        dof = np.resize([3.0, math.inf, 12.7], VALUES.shape)
        # By how much each may be known, in any order.
        for turn in range(4):
            own = np.roll(u, turn)
            many = decide(VALUES, own, dof, lower_um=lower, upper_um=upper, rule=rule, resolution_um=0.1)
            for at, value in enumerate(VALUES):
                one = decide(
                    float(value),
                    float(own[at]),
                    float(dof[at]),
                    lower_um=lower,
                    upper_um=upper,
                    rule=rule,
                    resolution_um=0.1,
                )
                passes = np.broadcast_to(many.passes, VALUES.shape)[at]
                fails = np.broadcast_to(many.fails, VALUES.shape)[at]
                assert (bool(passes), bool(fails)) == (bool(one.passes), bool(one.fails)), (value, own[at], dof[at])
                assert np.asarray(many.conformance_probability)[at] == pytest.approx(
                    one.conformance_probability, abs=1e-12
                )


class TestTheGuardedRule:
    @pytest.mark.parametrize("dof", [2.0, 5.9, 30.0, math.inf])
    @pytest.mark.parametrize("u", [0.3, 0.8, 1.7])
    def test_passes_where_the_probability_is_reached_and_the_guard_band_kept(self, u: float, dof: float) -> None:
        rule = DecisionRule(conformance=0.9)
        # JCGM 100:2008, G.4.1 note 1: degrees of freedom are truncated.
        whole = math.floor(dof) if math.isfinite(dof) else dof
        band = float(stats.norm.ppf(0.9) if math.isinf(dof) else stats.t.ppf(0.9, whole)) * u
        for value in np.linspace(-6.0, 6.0, 241):
            made = decide(float(value), u, dof, lower_um=-3.0, upper_um=3.0, rule=rule)
            inside = abs(value) <= 3.0 - band
            assert bool(made.passes) == (inside and likely(value, u, whole, -3.0, 3.0) >= 0.9)
            assert bool(made.fails) == (abs(value) > 3.0 + band)
            assert made.guard_band_um == pytest.approx(band)


class TestTheProbabilityRule:
    @pytest.mark.parametrize("dof", [2.0, 30.0, math.inf])
    @pytest.mark.parametrize("u", [0.3, 1.7, 4.0])
    def test_passes_by_the_probability_and_fails_by_the_rest_beyond_a_limit(self, u: float, dof: float) -> None:
        rule = DecisionRule(rule=Rule.PROBABILITY, conformance=0.8)
        for value in np.linspace(-9.0, 9.0, 241):
            made = decide(float(value), u, dof, lower_um=-3.0, upper_um=3.0, rule=rule)
            chance = likely(value, u, dof, -3.0, 3.0)
            assert bool(made.passes) == (chance >= 0.8)
            assert bool(made.fails) == (chance <= 1.0 - 0.8 and abs(value) > 3.0)
            assert made.conformance_probability == pytest.approx(chance, abs=1e-12)
            assert made.guard_band_um is None

    def test_has_a_value_at_which_it_is_just_reached_whichever_way_that_came(self) -> None:
        # Where a hair decides: a millionth of the resolution, as for every limit.
        rule = DecisionRule(rule=Rule.PROBABILITY, conformance=0.95)
        edge = 3.0 - float(stats.norm.ppf(0.95))

        def passes(value: float, resolution_um: float) -> bool:
            return bool(
                decide(value, 1.0, math.inf, lower_um=None, upper_um=3.0, rule=rule, resolution_um=resolution_um).passes
            )

        assert passes(edge + 0.5e-6, 1.0)
        assert not passes(edge + 1.5e-6, 1.0)
        # Without a resolution the larger limit stands for it, and so does its size where both are given.
        assert passes(edge + 2.5e-6, 0.0)
        assert not passes(edge + 3.5e-6, 0.0)
        wide = decide(edge + 20e-6, 1.0, math.inf, lower_um=-30.0, upper_um=3.0, rule=rule)
        assert wide.passes

    def test_fails_by_a_hair_more_gladly_than_it_says_it_may(self) -> None:
        rule = DecisionRule(rule=Rule.PROBABILITY, conformance=0.95)
        edge = 3.0 + float(stats.norm.ppf(0.95))
        fails = [
            bool(decide(edge + off, 1.0, math.inf, lower_um=None, upper_um=3.0, rule=rule, resolution_um=1.0).fails)
            for off in (-1.5e-6, -0.5e-6, 0.5e-6)
        ]
        assert fails == [False, True, True]

    def test_counts_a_value_on_its_limit_within_where_there_is_no_uncertainty(self) -> None:
        rule = DecisionRule(rule=Rule.PROBABILITY)
        for value, verdict in ((3.0 + 1e-9, Verdict.PASS), (3.1, Verdict.FAIL), (-3.0 - 1e-9, Verdict.PASS)):
            made = decide(value, 0.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule, resolution_um=0.1)
            assert made.verdict is verdict


class TestAProbabilityThatIsJustReached:
    def test_is_reached(self) -> None:
        # The guard band is kept with room: what counts is the probability, with the limits a hair farther out.
        hair = 1e-6 * 0.5
        chance = float(conformance_probability(0.5, 1.0, math.inf, -2.0 - hair, 2.0 + hair))
        for rule in (Rule.GUARDED, Rule.PROBABILITY):
            just, more = (
                DecisionRule(rule=rule, conformance=float(probability))
                for probability in (chance, np.nextafter(chance, 1.0))
            )
            for value in (0.5, np.full(2, 0.5)):
                made = [
                    decide(value, 1.0, math.inf, lower_um=-2.0, upper_um=2.0, rule=one, resolution_um=0.5)
                    for one in (just, more)
                ]
                assert [bool(np.all(one.passes)) for one in made] == [True, False]

    def test_of_an_exact_measurement_may_be_certainty(self) -> None:
        rule = DecisionRule(rule=Rule.PROBABILITY, conformance=1.0)
        values = np.array([0.0, 3.0, 3.1])
        made = decide(values, 0.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule)
        assert list(np.asarray(made.passes)) == [True, True, False]
        assert list(np.asarray(made.fails)) == [False, False, True]

    def test_of_an_exact_one_beside_others_counts_a_value_on_its_limit_within(self) -> None:
        values, u = np.array([3.0 + 1e-9, 3.0 + 1e-9, -3.0 - 1e-9]), np.array([0.0, 1.0, 0.0])
        made = decide(
            values, u, math.inf, lower_um=-3.0, upper_um=3.0, rule=DecisionRule(rule=Rule.SIMPLE), resolution_um=0.1
        )
        assert made.conformance_probability == pytest.approx([1.0, 0.5, 1.0], abs=1e-6)
        alone = decide(3.0 + 1e-9, 0.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=DecisionRule(), resolution_um=0.1)
        assert alone.conformance_probability == 1.0


class TestASimulatedProbability:
    @staticmethod
    def verdict(share: float, trials: int, *, value: float = 9.0, rule: DecisionRule | None = None) -> Verdict:
        rule = DecisionRule() if rule is None else rule
        simulated = (share, trials)
        return decide(value, 1.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule, simulated=simulated).verdict

    def test_decides_only_beyond_two_standard_deviations_of_its_share(self) -> None:
        # Binomial: s = √(p (1 − p) / M); for p = 0.95 and 0.05 of 10,000 trials 2 s = 0.00436.
        for near, far in ((0.9537, 0.9545),):
            assert self.verdict(near, 10_000, value=0.0) is Verdict.UNDECIDED
            assert self.verdict(far, 10_000, value=0.0) is Verdict.PASS
            assert self.verdict(1.0 - near, 10_000) is Verdict.UNDECIDED
            assert self.verdict(1.0 - far, 10_000) is Verdict.FAIL

    def test_of_none_or_all_is_known_to_one_trial_and_no_better(self) -> None:
        # 1/M stands for p (1 − p) where that is less: 2 √(1/M) / √M = 2 / M.
        assert self.verdict(1.0, 39, value=0.0) is Verdict.UNDECIDED
        assert self.verdict(1.0, 41, value=0.0) is Verdict.PASS
        assert self.verdict(0.0, 39) is Verdict.UNDECIDED
        assert self.verdict(0.0, 41) is Verdict.FAIL

    def test_takes_the_place_of_the_default_band_and_of_no_other(self) -> None:
        # A guard band of one's own, and the simple rule, ask for no probability.
        assert self.verdict(0.2, 10**6, value=0.0, rule=DecisionRule(guard=1.0)) is Verdict.PASS
        assert self.verdict(0.2, 10**6, value=0.0, rule=DecisionRule(rule=Rule.SIMPLE)) is Verdict.PASS
        assert self.verdict(0.2, 10**6, value=0.0) is Verdict.UNDECIDED
        made = decide(
            0.0, 1.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=DecisionRule(guard=1.0), simulated=(0.2, 10**6)
        )
        assert made.conformance_probability == 0.2
        assert made.guard_band_um == pytest.approx(2.0, abs=1e-3)

    def test_is_one_a_run_for_many(self) -> None:
        shares = np.array([0.99, 0.5, 0.001])
        made = decide(
            np.array([0.0, 0.0, 9.0]),
            1.0,
            math.inf,
            lower_um=-3.0,
            upper_um=3.0,
            rule=DecisionRule(),
            simulated=(shares, 10**6),
        )
        assert made.passes == pytest.approx([True, False, False])
        assert made.fails == pytest.approx([False, False, True])
        assert made.conformance_probability == pytest.approx(shares)


class TestAGivenBand:
    @staticmethod
    def decide(band: object, value: float | np.ndarray = 0.0, u: float | np.ndarray = 1.0) -> Decision:
        rule = DecisionRule(rule=GivenBand(name="mine", guard=lambda _: band, sentence="As agreed."))  # type: ignore[arg-type, return-value]
        return decide(value, u, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule)

    def test_is_told_all_but_the_value(self) -> None:
        seen: list[Standing] = []

        def guard(standing: Standing) -> float:
            seen.append(standing)
            return 0.25

        rule = DecisionRule(rule=GivenBand(name="mine", guard=guard, sentence="As agreed."), coverage_probability=0.95)
        made = decide(2.7, 0.5, 9.8, lower_um=-3.0, upper_um=3.0, rule=rule)
        # Student's t for 95 % and 9 degrees of freedom: 2.26 (JCGM 100:2008, table G.2, from memory).
        k = pytest.approx(2.262, abs=5e-4)
        assert [(s.lower_um, s.upper_um, s.standard_uncertainty_um, s.dof) for s in seen] == [(-3.0, 3.0, 0.5, 9.0)]
        assert seen[0].coverage_factor == k
        assert seen[0].expanded_uncertainty_um == pytest.approx(0.5 * 2.262, abs=5e-4)
        assert (made.verdict, made.guard_band_um, made.sentence) == (Verdict.PASS, 0.25, "As agreed.")

    def test_of_no_width_is_one(self) -> None:
        assert self.decide(0.0, 3.0).verdict is Verdict.PASS
        assert self.decide(0.0, 3.1).verdict is Verdict.FAIL

    def test_draws_limits_in_and_out(self) -> None:
        verdicts = [self.decide(0.5, value).verdict for value in (2.4, 2.6, 3.4, 3.6, -2.6, -3.4, -3.6)]
        nothing = Verdict.UNDECIDED
        assert verdicts == [Verdict.PASS, nothing, nothing, Verdict.FAIL, nothing, nothing, Verdict.FAIL]

    @pytest.mark.parametrize("band", [-0.1, math.nan, "wide", None, np.array([0.1, 0.2]), [0.1, [0.2]]])
    def test_that_is_none_is_refused(self, band: object) -> None:
        with pytest.raises(DecisionError, match="the rule mine gave"):
            self.decide(band)

    def test_may_be_one_for_all_runs_or_one_for_each(self) -> None:
        values, u = np.array([2.4, 2.6]), np.ones(2)
        assert self.decide(0.5, values, u).passes == pytest.approx([True, False])
        assert self.decide(np.array([0.7, 0.1]), values, u).passes == pytest.approx([False, True])
        with pytest.raises(DecisionError, match="the rule mine gave"):
            self.decide(np.array([0.1, 0.2, 0.3]), values, u)
        with pytest.raises(DecisionError, match="0 um or more"):
            self.decide(np.array([0.1, -0.1]), values, u)
