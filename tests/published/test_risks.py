"""JCGM 106:2012, clause 9: risks of a wrong decision (examples read in the official PDF).

What the document does not print is worked out here with scipy alone: which values pass by its normal distribution and
a root finder, the risks by its double integral or by drawing parts and measurements with numpy.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import dblquad, quad
from scipy.optimize import brentq

from holdzero.acceptance import acceptance_of, shares_of_errors
from holdzero.decide import DecisionRule, GivenBand, Rule, decide
from holdzero.error_distribution import ErrorDistribution
from holdzero.model import Propagated
from holdzero.process import GammaProcess, ListedProcess, NormalProcess, ProductionProcess
from holdzero.risk import Acceptance, GlobalRisk, global_risk, specific_risk

Limits = tuple[float | None, float | None]
NONE_PASSES = (math.inf, -math.inf)


def of(u: float, dof: float = math.inf) -> Propagated:
    """A value of 0 um with this standard uncertainty [um]."""
    return Propagated(
        value_um=0.0, standard_uncertainty_um=u, first_order_um=u, dof=dof, contributions=(), corrections_um={}
    )


def accepted_by(rule: DecisionRule, u: float, limits: Limits, dof: float = math.inf) -> Acceptance:
    """As the tool finds it."""
    lower, upper = limits
    made = decide(0.0, u, dof, lower_um=lower, upper_um=upper, rule=rule)
    found = acceptance_of(made, rule, of(u, dof), limits)
    assert found is not None
    return found


class TestResistors:
    # 9.5.3.2: 1499.8 to 1500.2 Ω, process 1500 ± 0.12 Ω, u = 0.04 Ω, accepted 1499.82 to 1500.18 Ω
    RISK = global_risk(
        process=NormalProcess(mean_um=1500.0, standard_um=0.12),
        standard_uncertainty_um=0.04,
        limits_um=(1499.8, 1500.2),
        acceptance_um=(1499.82, 1500.18),
    )

    def test_consumers_risk(self) -> None:
        assert self.RISK.consumers == pytest.approx(0.01, abs=0.0005)

    def test_producers_risk(self) -> None:
        assert self.RISK.producers == pytest.approx(0.07, abs=0.005)

    def test_84_of_100_are_accepted_and_99_percent_of_them_conform(self) -> None:
        assert round(100 * self.RISK.accepted) in (84, 85)
        assert (self.RISK.accepted - self.RISK.consumers) / self.RISK.accepted == pytest.approx(0.99, abs=0.005)

    def test_90_percent_conform_before_they_are_measured(self) -> None:
        assert self.RISK.conforming == pytest.approx(0.90, abs=0.005)

    def test_a_guard_band_of_a_quarter_of_u_accepts_between_the_printed_limits(self) -> None:
        # w = 0.02 Ω = 0.25 U, U = 2u
        rule = DecisionRule(rule=Rule.GUARDED, guard=0.25, coverage_probability=0.9545)
        assert accepted_by(rule, 0.04, (1499.8, 1500.2)) == pytest.approx((1499.82, 1500.18), abs=1e-5)


class TestSimpleAcceptance:
    # 9.5.6: process of T/6, centred; C_m = T/(4u)
    @pytest.mark.parametrize(
        ("index", "consumers", "producers", "tolerance"),
        [(2.0, 0.001, 0.015, 0.0005), (10.0, 0.0004, 0.0007, 0.00005)],
    )
    def test_risks_at_a_capability_index(
        self, index: float, consumers: float, producers: float, tolerance: float
    ) -> None:
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1 / 6),
            standard_uncertainty_um=1 / (4 * index),
            limits_um=(-0.5, 0.5),
            acceptance_um=(-0.5, 0.5),
        )
        assert risk.consumers == pytest.approx(consumers, abs=tolerance)
        assert risk.producers == pytest.approx(producers, abs=tolerance)


def passing_by_scipy(half: float, conformance: float = 0.95) -> Acceptance:
    """Values of u = 1 about the middle of ±half whose two-sided conformance probability is reached: eq. (11)."""

    def missing(value: float) -> float:
        return float(stats.norm.cdf(half - value) - stats.norm.cdf(-half - value)) - conformance

    if missing(0.0) < 0.0:
        return NONE_PASSES
    edge = brentq(missing, 0.0, half, xtol=1e-14)
    return -edge, edge


def drawn(process: stats.rv_continuous, u: float, limits: tuple[float, float], passing: Acceptance) -> GlobalRisk:
    """The same risks by drawing two million parts and measuring each once."""
    generator = np.random.default_rng(106)
    sizes = process.rvs(2_000_000, random_state=generator)
    values = sizes + u * generator.standard_normal(sizes.size)
    good = (sizes >= limits[0]) & (sizes <= limits[1])
    passes = (values >= passing[0]) & (values <= passing[1])
    return GlobalRisk(
        consumers=float(np.mean(passes & ~good)),
        producers=float(np.mean(good & ~passes)),
        accepted=float(np.mean(passes)),
        conforming=float(np.mean(good)),
    )


def alike(one: GlobalRisk, other: GlobalRisk, runs: int = 2_000_000) -> bool:
    """Whether two agree within four standard deviations of a count, by the binomial distribution."""
    pairs = [(getattr(one, name), getattr(other, name)) for name in GlobalRisk.__dataclass_fields__]
    return all(abs(p - q) <= 4.0 * math.sqrt(max(p * (1.0 - p), 1.0 / runs) / runs) for p, q in pairs)


class TestNarrowTolerances:
    """Guarded acceptance where both tails count: below T = 5u no fixed one-sided guard band tells what passes."""

    # T/u, and the guard band g/u at which p_c = 95 %, by eq. (11), worked out beforehand with other code.
    @pytest.mark.parametrize(
        ("width", "guard"), [(3.92, 1.954), (4.0, 1.796), (4.5, 1.668), (5.0, 1.649), (6.0, 1.645), (40.0, 1.645)]
    )
    def test_the_guard_band_grows_as_the_limits_draw_near(self, width: float, guard: float) -> None:
        low, high = accepted_by(DecisionRule(), 1.0, (-0.5 * width, 0.5 * width))
        assert low + 0.5 * width == pytest.approx(guard, abs=0.0006)
        assert high == pytest.approx(-low, abs=1e-12)

    # Process of 0.8 um about the middle, u = 1 um; worked out beforehand with other code, to the digits given.
    @pytest.mark.parametrize(
        ("width", "accepted", "consumers", "producers"),
        [(3.8, 0.0, 0.0, 0.982), (3.95, 0.077, 1.2e-4, 0.909), (4.2, 0.239, 2.1e-4, 0.752)],
    )
    def test_risks_as_worked_out_beforehand(
        self, width: float, accepted: float, consumers: float, producers: float
    ) -> None:
        risk = self.of(NormalProcess(mean_um=0.0, standard_um=0.8), width)
        assert risk.accepted == pytest.approx(accepted, abs=0.0005)
        assert risk.consumers == pytest.approx(consumers, abs=0.05e-4)
        assert risk.producers == pytest.approx(producers, abs=0.0005)

    def of(self, process: ProductionProcess, width: float) -> GlobalRisk:
        limits = (-0.5 * width, 0.5 * width)
        return global_risk(
            process=process,
            standard_uncertainty_um=1.0,
            limits_um=limits,
            acceptance_um=accepted_by(DecisionRule(), 1.0, limits),
        )

    @pytest.mark.parametrize("width", [3.7, 3.93, 4.1, 4.7, 7.0])
    @pytest.mark.parametrize("mean", [0.0, 0.9])
    def test_against_drawn_parts(self, width: float, mean: float) -> None:
        risk = self.of(NormalProcess(mean_um=mean, standard_um=1.2), width)
        half = 0.5 * width
        assert alike(risk, drawn(stats.norm(mean, 1.2), 1.0, (-half, half), passing_by_scipy(half)))

    def test_against_the_double_integral(self) -> None:
        # 9.5.2, eq. (17) to (20): over the true size outside, and inside, of the density of the measured value
        low, high = passing_by_scipy(2.05)

        def density(value: float, size: float) -> float:
            return float(stats.norm.pdf(size, 0.3, 0.7) * stats.norm.pdf(value, size))

        far = [dblquad(density, *ends, low, high, epsabs=1e-12)[0] for ends in ((-8.0, -2.05), (2.05, 8.0))]
        within = dblquad(density, -2.05, 2.05, low, high, epsabs=1e-12)[0]
        risk = self.of(NormalProcess(mean_um=0.3, standard_um=0.7), 4.1)
        assert risk.consumers == pytest.approx(sum(far), rel=1e-8)
        assert risk.accepted == pytest.approx(sum(far) + within, rel=1e-8)
        assert risk.producers == pytest.approx(risk.conforming - within, rel=1e-8)

    def test_few_degrees_of_freedom_let_nothing_pass_in_a_wider_tolerance(self) -> None:
        # Two-sided Student's t, JCGM 100:2008, Table G.2: t95 of 5 degrees of freedom is 2.57
        assert accepted_by(DecisionRule(), 1.0, (-2.56, 2.56), dof=5.0) == NONE_PASSES
        low, high = accepted_by(DecisionRule(), 1.0, (-2.58, 2.58), dof=5.0)
        assert low < 0.0 < high


class TestOtherRules:
    LIMITS = (-2.0, 2.0)

    def test_where_a_probability_decides_its_values_are_found_all_the_same(self) -> None:
        rule = DecisionRule(rule=Rule.PROBABILITY, conformance=0.9)
        assert accepted_by(rule, 1.0, self.LIMITS) == pytest.approx(passing_by_scipy(2.0, 0.9), abs=1e-12)

    def test_one_limit_leaves_the_other_side_open(self) -> None:
        for rule in (DecisionRule(), DecisionRule(rule=Rule.PROBABILITY)):
            inner = 2.0 - 0.5 * float(stats.norm.ppf(0.95))
            assert accepted_by(rule, 0.5, (None, 2.0)) == pytest.approx((-math.inf, inner), abs=1e-12)
            assert accepted_by(rule, 0.5, (-2.0, None)) == pytest.approx((-inner, math.inf), abs=1e-12)

    def test_simple_acceptance_takes_all_up_to_the_limits_themselves(self) -> None:
        assert accepted_by(DecisionRule(rule=Rule.SIMPLE), 1.0, self.LIMITS) == self.LIMITS

    def test_a_value_without_uncertainty_passes_up_to_the_limits_themselves(self) -> None:
        assert accepted_by(DecisionRule(), 0.0, self.LIMITS) == self.LIMITS

    @pytest.mark.parametrize(("band", "passing"), [(0.25, (-1.75, 1.75)), (2.0, (0.0, 0.0)), (math.inf, NONE_PASSES)])
    def test_a_rule_of_a_plugin_is_asked_for_its_band_once(self, band: float, passing: Acceptance) -> None:
        asked = []

        def guard(_: object) -> float:
            asked.append(1)
            return band

        rule = DecisionRule(rule=GivenBand(name="own", guard=guard, sentence=""))
        assert accepted_by(rule, 1.0, self.LIMITS) == passing
        assert len(asked) == 1

    def test_where_nothing_passes_all_that_conforms_is_the_producers_risk(self) -> None:
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1.0),
            standard_uncertainty_um=1.0,
            limits_um=self.LIMITS,
            acceptance_um=NONE_PASSES,
        )
        assert (risk.consumers, risk.accepted) == (0.0, 0.0)
        assert risk.producers == risk.conforming == pytest.approx(math.erf(2.0 / math.sqrt(2.0)), abs=1e-12)


class TestSimulatedErrors:
    """Where a simulation decides, its errors tell what passes: they need not be symmetric."""

    # Errors of a shifted exponential distribution, mean 0 and standard deviation 1, by their quantiles.
    SKEWED = ErrorDistribution(
        errors=np.sort(-np.log1p(-(np.arange(200_000) + 0.5) / 200_000) - 1.0), coverage=0.95, seed=1, pair="a × b"
    )

    def accepted(self, limits: Limits) -> Acceptance:
        shares = shares_of_errors(self.SKEWED, of(0.5), limits)
        made = decide(0.0, 0.5, math.inf, lower_um=limits[0], upper_um=limits[1], rule=DecisionRule())
        found = acceptance_of(made, DecisionRule(), of(0.5), limits, shares)
        assert found is not None
        return found

    def test_one_limit_is_drawn_in_by_the_tail_on_its_own_side(self) -> None:
        # true = measured + u·e; above a lower limit surely where e has no more than 5 % below, by −1 − ln 0.95 (−0.949)
        low, high = self.accepted((-1.0, None))
        assert high == math.inf
        assert low == pytest.approx(-1.0 + 0.5 * (1.0 + math.log(0.95)), abs=0.002)
        # and below an upper one by −1 − ln 0.05 (1.996)
        low, high = self.accepted((None, 1.0))
        assert low == -math.inf
        assert high == pytest.approx(1.0 - 0.5 * (-1.0 - math.log(0.05)), abs=0.02)

    def test_between_near_limits_values_off_the_middle_pass_and_the_middle_does_not(self) -> None:
        # T = 3.2 u: at the middle 1 − exp(−2.6) = 0.926; from −0.6 u on, where nothing is below, 1 − exp(−3.2) = 0.959
        low, high = self.accepted((-0.8, 0.8))
        assert low < -0.3 < high < 0.0

    def test_nothing_passes_between_limits_that_hold_too_little_of_it(self) -> None:
        # T = 2.9 u holds 1 − exp(−2.9) = 0.945 at most
        assert self.accepted((-0.725, 0.725)) == NONE_PASSES


class TestGammaProcess:
    """9.5.4 takes a gamma distribution for what can't be below zero, the run-out of bearings (known second-hand)."""

    @pytest.mark.parametrize("lowest", [0.0, -0.4])
    @pytest.mark.parametrize(("mean", "standard"), [(0.8, 0.4), (0.5, 0.5), (0.3, 0.5), (0.9, 0.02)])
    def test_against_the_integral_over_probabilities(self, lowest: float, mean: float, standard: float) -> None:
        u, upper, passing = 0.1, 1.0, 0.9
        shape, scale = (mean / standard) ** 2, standard**2 / mean
        theirs = stats.gamma(shape, loc=lowest, scale=scale)

        # Over the probability in place of the size, where a gamma density may have a pole.
        def passes(p: float) -> float:
            return float(stats.norm.cdf(passing + lowest, theirs.ppf(p), u))

        limit, far = upper + lowest, passing + lowest
        good = float(theirs.cdf(limit))
        bad_passed = quad(passes, good, 1.0, epsabs=1e-10, limit=400)[0]
        good_passed = quad(passes, 0.0, good, epsabs=1e-10, limit=400)[0]
        risk = global_risk(
            process=GammaProcess(lowest_um=lowest, mean_um=mean + lowest, standard_um=standard),
            standard_uncertainty_um=u,
            limits_um=(None, limit),
            acceptance_um=(-math.inf, far),
        )
        assert risk.conforming == pytest.approx(good, abs=1e-10)
        assert risk.consumers == pytest.approx(bad_passed, abs=1e-8)
        assert risk.producers == pytest.approx(good - good_passed, abs=1e-8)

    @pytest.mark.parametrize(("mean", "standard"), [(0.8, 0.4), (0.3, 0.5), (0.02, 0.1)])
    def test_against_drawn_parts_in_a_narrow_tolerance(self, mean: float, standard: float) -> None:
        theirs = stats.gamma((mean / standard) ** 2, scale=standard**2 / mean)
        risk = global_risk(
            process=GammaProcess(lowest_um=0.0, mean_um=mean, standard_um=standard),
            standard_uncertainty_um=0.25,
            limits_um=(0.0, 1.05),
            acceptance_um=accepted_by(DecisionRule(), 0.25, (0.0, 1.05)),
        )
        low, high = passing_by_scipy(2.1)
        assert alike(risk, drawn(theirs, 0.25, (0.0, 1.05), (0.525 + 0.25 * low, 0.525 + 0.25 * high)))

    @pytest.mark.parametrize("standard", [0.01, 0.3, 1.0, 4.0])
    def test_its_sums_keep_mean_and_standard_deviation(self, standard: float) -> None:
        sizes, shares = GammaProcess(lowest_um=-1.0, mean_um=0.0, standard_um=standard).nodes([0.3, 0.5])
        assert (shares * sizes).sum() == pytest.approx(0.0, abs=1e-9 * standard)
        assert (shares * sizes**2).sum() == pytest.approx(standard**2, rel=1e-9)

    def test_a_narrow_one_is_as_good_as_normal(self) -> None:
        # its skewness is 2·standard/mean
        given: dict[str, Any] = {"standard_uncertainty_um": 0.5, "limits_um": (-2.0, 2.0), "acceptance_um": (-1.5, 1.5)}
        gamma = global_risk(process=GammaProcess(lowest_um=-1e6, mean_um=0.0, standard_um=1.2), **given)
        normal = global_risk(process=NormalProcess(mean_um=0.0, standard_um=1.2), **given)
        assert gamma.consumers == pytest.approx(normal.consumers, rel=1e-5)
        assert gamma.producers == pytest.approx(normal.producers, rel=1e-5)


class TestListedProcess:
    PROCESS = ListedProcess(values_um=(-2.5, -1.0, 0.0, 2.0), counts=(1.0, 3.0, 4.0, 2.0))

    def test_it_is_the_weighted_sum_over_its_sizes(self) -> None:
        risk = global_risk(
            process=self.PROCESS, standard_uncertainty_um=0.7, limits_um=(-2.0, 2.0), acceptance_um=(-1.2, 1.2)
        )
        passing = {x: float(stats.norm.cdf(1.2, x, 0.7) - stats.norm.cdf(-1.2, x, 0.7)) for x in (-2.5, -1.0, 0.0, 2.0)}
        assert risk.conforming == pytest.approx(0.9)  # the one at its limit conforms
        assert risk.consumers == pytest.approx(0.1 * passing[-2.5])
        assert risk.accepted == pytest.approx(
            0.1 * passing[-2.5] + 0.3 * passing[-1.0] + 0.4 * passing[0.0] + 0.2 * passing[2.0]
        )
        assert risk.producers == pytest.approx(risk.conforming - risk.accepted + risk.consumers)

    def test_without_uncertainty_nothing_is_decided_wrongly(self) -> None:
        risk = global_risk(
            process=self.PROCESS, standard_uncertainty_um=0.0, limits_um=(-2.0, 2.0), acceptance_um=(-2.0, 2.0)
        )
        assert (risk.consumers, risk.producers) == (0.0, 0.0)
        assert risk.accepted == risk.conforming == pytest.approx(0.9)

    def test_its_mean_and_spread_are_those_of_all_its_parts(self) -> None:
        parts = [-2.5, *[-1.0] * 3, *[0.0] * 4, *[2.0] * 2]
        assert self.PROCESS.mean_um == pytest.approx(np.mean(parts))
        assert self.PROCESS.standard_um == pytest.approx(np.std(parts))

    def test_many_sizes_stand_for_the_process_that_they_were_drawn_from(self) -> None:
        sizes = np.random.default_rng(7).normal(0.0, 1.2, 10_000)
        given: dict[str, Any] = {"standard_uncertainty_um": 0.4, "limits_um": (-2.0, 2.0), "acceptance_um": (-1.8, 1.8)}
        listed = global_risk(process=ListedProcess(values_um=tuple(sizes), counts=(1.0,) * sizes.size), **given)
        normal = global_risk(process=NormalProcess(mean_um=0.0, standard_um=1.2), **given)
        assert listed.consumers == pytest.approx(normal.consumers, abs=4.0 * math.sqrt(normal.consumers / sizes.size))
        assert listed.accepted == pytest.approx(normal.accepted, abs=4.0 * 0.5 / math.sqrt(sizes.size))


class TestDraws:
    @pytest.mark.parametrize(
        "process",
        [
            NormalProcess(mean_um=0.4, standard_um=0.7),
            GammaProcess(lowest_um=-0.2, mean_um=0.4, standard_um=0.7),
            ListedProcess(values_um=(-0.5, 0.1, 2.0), counts=(2.0, 5.0, 1.5)),
        ],
        ids=lambda process: process.kind,
    )
    def test_have_the_mean_and_the_standard_deviation_of_the_process(self, process: ProductionProcess) -> None:
        sizes = process.draw(np.random.default_rng(3), 400_000)
        assert sizes.mean() == pytest.approx(process.mean_um, abs=4.0 * process.standard_um / math.sqrt(400_000))
        # four standard deviations of the sample's own, by its fourth moment
        spread = math.sqrt(float(np.mean((sizes - sizes.mean()) ** 4)) / 400_000) / (2.0 * process.standard_um)
        assert sizes.std() == pytest.approx(process.standard_um, abs=4.0 * spread)

    def test_of_a_gamma_process_lie_as_scipy_says(self) -> None:
        sizes = GammaProcess(lowest_um=-0.2, mean_um=0.4, standard_um=0.7).draw(np.random.default_rng(4), 20_000)
        theirs = stats.gamma((0.6 / 0.7) ** 2, loc=-0.2, scale=0.49 / 0.6)
        assert stats.kstest(sizes, theirs.cdf).pvalue > 0.001


class TestEdges:
    def test_a_sharp_measurement_decides_nearly_without_risk(self) -> None:
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1.0),
            standard_uncertainty_um=1e-4,
            limits_um=(None, 1.0),
            acceptance_um=(-math.inf, 1.0),
        )
        assert risk.consumers == pytest.approx(0.0, abs=2e-5)
        assert risk.accepted == pytest.approx(0.8413, abs=1e-4)

    def test_one_that_is_sharper_by_far_costs_no_more(self) -> None:
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1.0),
            standard_uncertainty_um=1e-12,
            limits_um=(None, 1.0),
            acceptance_um=(-math.inf, 1.0),
        )
        # first order in u: φ(1)·u·∫Φ(−x)dx over x > 0 = φ(1)·u/√(2π)
        assert risk.consumers == pytest.approx(stats.norm.pdf(1.0) * 1e-12 / math.sqrt(2.0 * math.pi), rel=1e-3)

    def test_a_specific_risk_is_what_the_probability_leaves(self) -> None:
        # 9.3.2
        assert specific_risk(0.98, accepted=True) == pytest.approx(0.02)
        assert specific_risk(0.03, accepted=False) == pytest.approx(0.03)


ROUTINE = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "5 mm", deviation = { value = "0 um", standard = "0.4 um" } }
comparator = { resolution = "0.0001 um" }
decision = { rule = "simple", process = { value = "0 um", standard = "1.2 um" } }
characteristics.t = { measure = "size", at = "a", nominal = "5 mm", lower = "-2 um", upper = "2 um" }
steps = [ { do = "zero", times = 2 }, { do = "read", at = "a", times = 2 }, { do = "return" } ]
"""
READ = ["0", "0", "0.5", "0.5", "0"]


def test_a_routine_that_states_its_process_has_both_risks_on_record(measure: Callable[..., Any]) -> None:
    result = measure(ROUTINE, READ).record["results"]["t"]
    # the resistors' ratios with simple acceptance: recomputed beforehand, 0.018942 and 0.037208
    assert result["global_risk"]["consumers"] == pytest.approx(0.018942, abs=2e-6)
    assert result["global_risk"]["producers"] == pytest.approx(0.037208, abs=2e-6)
    assert result["specific_risk"] == pytest.approx(1.0 - result["conformance_probability"])
    assert result["acceptance_um"] == [-2.0, 2.0]


class TestOnRecord:
    def of(self, measure: Callable[..., Any], decision: str, limits: str = "", **how: Any) -> dict[str, Any]:
        text = ROUTINE.replace('{ rule = "simple", process = { value = "0 um", standard = "1.2 um" } }', decision)
        if limits:
            text = text.replace('lower = "-2 um", upper = "2 um"', limits)
        result: dict[str, Any] = measure(text, READ, **how).record["results"]["t"]
        return result

    def test_a_narrow_tolerance_has_the_risks_of_what_passes(self, measure: Callable[..., Any]) -> None:
        decision = '{ process = { value = "0 um", standard = "0.32 um" } }'
        result = self.of(measure, decision, 'lower = "-0.79 um", upper = "0.79 um"')
        # T = 3.95 u and a process of 0.8 u, as worked out beforehand in TestNarrowTolerances
        assert result["global_risk"]["accepted"] == pytest.approx(0.077, abs=0.0005)
        assert result["global_risk"]["consumers"] == pytest.approx(1.2e-4, abs=0.05e-4)
        assert result["acceptance_um"] == pytest.approx([0.4 * edge for edge in passing_by_scipy(1.975)], abs=1e-6)

    def test_one_in_which_nothing_passes_says_so(self, measure: Callable[..., Any]) -> None:
        decision = '{ process = { value = "0 um", standard = "0.32 um" } }'
        result = self.of(measure, decision, 'lower = "-0.76 um", upper = "0.76 um"')
        assert result["acceptance_um"] == []
        assert (result["global_risk"]["consumers"], result["global_risk"]["accepted"]) == (0.0, 0.0)

    def test_a_rule_by_probability_has_risks_too(self, measure: Callable[..., Any]) -> None:
        stated = 'process = { value = "0 um", standard = "1.2 um" }'
        by_probability = self.of(measure, f'{{ rule = "probability", {stated} }}')
        assert by_probability["guard_band_um"] is None
        # at T = 10 u the two-sided probability and the one-sided guard band accept the same
        assert by_probability["global_risk"] == pytest.approx(self.of(measure, f"{{ {stated} }}")["global_risk"])

    def test_a_characteristic_may_state_a_process_of_its_own(self, measure: Callable[..., Any]) -> None:
        own = 'process = { shape = "gamma", value = "1 um", standard = "0.5 um", lowest = "-0.5 um" }'
        stated = self.of(measure, "{ }", f'upper = "2 um", {own}')
        # normal for all, gamma for this one
        decision = '{ process = { value = "9 um", standard = "1 um" } }'
        assert self.of(measure, decision, f'upper = "2 um", {own}')["global_risk"] == stated["global_risk"]
        theirs = stats.gamma(9.0, loc=-0.5, scale=1.0 / 6.0)
        assert stated["global_risk"]["conforming"] == pytest.approx(theirs.cdf(2.0), abs=1e-10)

    def test_a_list_of_parts_is_a_process(self, measure: Callable[..., Any]) -> None:
        listed = '{ rule = "simple", process = { values = ["-2.4 um", "0 um", "1 um"], counts = [1, 6, 3] } }'
        result = self.of(measure, listed)
        chance = [float(stats.norm.cdf(2.0, x, 0.4) - stats.norm.cdf(-2.0, x, 0.4)) for x in (-2.4, 0.0, 1.0)]
        assert result["global_risk"]["consumers"] == pytest.approx(0.1 * chance[0], rel=1e-5)
        assert result["global_risk"]["producers"] == pytest.approx(0.9 - 0.6 * chance[1] - 0.3 * chance[2], rel=1e-4)

    def test_where_a_simulation_decides_its_own_distribution_tells_what_passes(
        self, measure: Callable[..., Any]
    ) -> None:
        # One rectangular error of ±1 um alone: of u = 0.577 um first order makes too long an interval.
        decision = '{ conformance = 0.9, process = { value = "0 um", standard = "0.5 um" } }'
        text = ROUTINE.replace('value = "0 um", standard = "0.4 um"', 'value = "0 um", halfwidth = "1 um"')
        text = text.replace('{ rule = "simple", process = { value = "0 um", standard = "1.2 um" } }', decision)
        text = text.replace('lower = "-2 um", upper = "2 um"', 'lower = "-1.5 um", upper = "1.5 um"')
        result = measure(text, READ, trials="200000").record["results"]["t"]
        assert result["guard_band_um"] is None
        # Of a rectangle 2 um wide 90 % lie within until it reaches 0.2 um beyond a limit: at 0.7 um; less the doubt of
        # 200 000 trials, two standard deviations of a share of 0.9, which is 0.0013 of 2 um.
        assert result["acceptance_um"] == pytest.approx([-0.697, 0.697], abs=0.006)
        risk = result["global_risk"]
        sizes = np.random.default_rng(5).normal(0.0, 0.5, 1_000_000)
        passes = stats.norm.cdf(0.697, sizes, 3.0**-0.5) - stats.norm.cdf(-0.697, sizes, 3.0**-0.5)
        assert risk["accepted"] == pytest.approx(passes.mean(), abs=0.005)
