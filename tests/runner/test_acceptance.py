"""Which values pass: the ends of an interval found by asking, and what a result says of its own decision."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.integrate import quad

from holdzero.acceptance import acceptance_of, passing_interval, shares_of_trials
from holdzero.decide import Decision, DecisionRule, GivenBand, Rule, Standing, decide
from holdzero.distribution import MonteCarlo
from holdzero.model import Number, Propagated
from holdzero.process import ListedProcess, NormalProcess
from holdzero.result import Result
from holdzero.risk import global_risk

Limits = tuple[float | None, float | None]


def within(low: float, high: float) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]]:
    return lambda values: (values >= low) & (values <= high)


class TestThePassingInterval:
    @pytest.mark.parametrize(
        ("limits", "scale", "ends"),
        [
            ((-3.0, 3.0), 0.5, (-2.2, 1.7)),  # drawn in
            ((-3.0, 3.0), 0.5, (-4.9, 3.1)),  # drawn out
            ((-3.0, 3.0), 0.5, (-7.0 + 1e-9, 7.0 - 1e-9)),  # just within what is looked at: eight scales beyond
            ((-3.0, 3.0), 0.0, (-3.0, 3.0)),  # no uncertainty
            ((2.0, 2.0), 0.0, (2.0, 2.0)),  # a single value
            ((-3.0, 3.0), 100.0, (-3.0, 3.0)),  # a scale far beyond the tolerance
            ((-3.0, 3.0), 1e-6, (-2.9999, 2.9999)),  # and far below
            ((5.0, 5.25), 30.0, (5.0625, 5.1875)),
        ],
    )
    def test_is_found_to_the_last_digit(self, limits: Limits, scale: float, ends: tuple[float, float]) -> None:
        assert passing_interval(within(*ends), limits, scale) == ends

    @pytest.mark.parametrize("scale", [1e-6, 0.5, 0.0, 40.0])
    @pytest.mark.parametrize("end", [-3.0, -2.75, -3.0 - 1e-9, 0.25, 17.5])
    def test_is_open_to_the_side_without_a_limit(self, end: float, scale: float) -> None:
        assert passing_interval(within(end, math.inf), (-3.0, None), scale) == (end, math.inf)
        assert passing_interval(within(-math.inf, -end), (None, 3.0), scale) == (-math.inf, -end)

    @pytest.mark.parametrize("limits", [(-3.0, 3.0), (-3.0, None), (None, 3.0), (None, 0.0), (0.0, None)])
    def test_is_in_the_wrong_order_where_none_passes(self, limits: Limits) -> None:
        least, most = passing_interval(lambda values: np.zeros(values.shape, dtype=np.bool_), limits, 1.0)
        assert least > most

    def test_of_the_middle_alone_is_found(self) -> None:
        assert passing_interval(within(1.0, 1.0), (-3.0, 5.0), 0.7) == (1.0, 1.0)

    def test_of_one_limit_at_nought_is_found(self) -> None:
        assert passing_interval(within(-math.inf, -1.25), (None, 0.0), 1.0) == (-math.inf, -1.25)
        assert passing_interval(within(1.25, math.inf), (0.0, None), 0.0) == (1.25, math.inf)

    def test_of_a_limit_kept_by_everything_that_is_looked_at_ends_there(self) -> None:
        # All within eight scales beyond the limits pass: nobody looked farther.
        assert passing_interval(within(-math.inf, math.inf), (-3.0, 3.0), 0.5) == (-7.0, 7.0)
        assert passing_interval(within(-math.inf, math.inf), (-3.0, None), 0.5) == (-7.0, math.inf)
        assert passing_interval(within(-math.inf, math.inf), (None, 3.0), 0.5) == (-math.inf, 7.0)

    def test_is_found_however_far_inwards_it_begins(self) -> None:
        assert passing_interval(within(1e6, math.inf), (-3.0, None), 0.5) == (1e6, math.inf)
        assert passing_interval(within(-math.inf, -1e6), (None, 3.0), 0.5) == (-math.inf, -1e6)


def of(u: float, value: float = 0.0) -> Propagated:
    return Propagated(
        value_um=value, standard_uncertainty_um=u, first_order_um=u, dof=math.inf, contributions=(), corrections_um={}
    )


class TestTheAcceptance:
    def test_is_none_without_limits(self) -> None:
        made = decide(0.0, 1.0, math.inf, lower_um=None, upper_um=None, rule=DecisionRule())
        assert acceptance_of(made, DecisionRule(), of(1.0), (None, None)) is None

    def test_takes_the_band_of_a_given_rule_as_it_was(self) -> None:
        asked: list[Standing] = []

        def guard(standing: Standing) -> float:
            asked.append(standing)
            return 0.5

        rule = DecisionRule(rule=GivenBand(name="mine", guard=guard, sentence=""))
        made = decide(0.0, 1.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule)
        assert acceptance_of(made, rule, of(1.0), (-3.0, 3.0)) == (-2.5, 2.5)
        assert len(asked) == 1

    def test_is_the_limits_themselves_where_the_value_alone_counts(self) -> None:
        rule = DecisionRule(rule=Rule.SIMPLE)
        made = decide(0.0, 1.0, math.inf, lower_um=-3.0, upper_um=3.0, rule=rule)
        assert acceptance_of(made, rule, of(1.0), (-3.0, 3.0)) == (-3.0, 3.0)

    def test_moves_the_trials_of_a_simulation_with_the_value(self) -> None:
        # Trials evenly between ±1 um about the value 0.6 um: of 1.6 um they lie between 0.6 and 2.6 um.
        def share_within(low: Number | None, high: Number | None) -> Number:
            least, most = (
                np.maximum(-np.inf if low is None else low, -0.4),
                np.minimum(np.inf if high is None else high, 1.6),
            )
            return np.asarray(np.maximum(most - least, 0.0) / 2.0)

        simulation = MonteCarlo(
            value_um=0.6,
            standard_uncertainty_um=0.577,
            shortest_um=(-0.4, 1.6),
            symmetric_um=(-0.4, 1.6),
            coverage=0.95,
            trials=1000,
            conformance_probability=None,
            share_within=share_within,
        )
        values = np.array([0.0, 1.5, 2.0, 3.5, -2.5])
        shares, number = shares_of_trials(simulation, of(0.577, 0.6), (-2.0, 2.0))(values)
        assert number == 1000
        assert shares == pytest.approx([1.0, 0.75, 0.5, 0.0, 0.25])
        shares, _ = shares_of_trials(simulation, of(0.577, 0.6), (None, 2.0))(values)
        assert shares == pytest.approx([1.0, 0.75, 0.5, 0.0, 1.0])


class TestAResult:
    @staticmethod
    def result(passes: object, fails: object, stopped: object = False) -> Result:
        decision = Decision(
            coverage_factor=2.0,
            expanded_uncertainty_um=1.0,
            guard_band_um=0.0,
            chance=lambda: 0.5,
            passes=passes,  # type: ignore[arg-type]
            fails=fails,  # type: ignore[arg-type]
            sentence="",
        )
        return Result(name="a", spec=None, verdict=None, decision=decision, stopped=stopped)  # type: ignore[arg-type]

    def test_passes_where_that_alone_is_shown_and_nothing_stops_it(self) -> None:
        passes, fails = np.array([1, 0, 1, 0, 1], dtype=bool), np.array([0, 1, 1, 0, 0], dtype=bool)
        made = self.result(passes, fails, np.array([0, 0, 0, 0, 1], dtype=bool))
        assert list(np.asarray(made.passed)) == [True, False, False, False, False]
        assert list(np.asarray(made.failed)) == [False, True, False, False, False]

    def test_of_no_number_neither_passes_nor_fails(self) -> None:
        none = Result(name="a", spec=None, verdict=None)  # type: ignore[arg-type]
        assert (none.passed, none.failed, none.stopped) == (False, False, False)


class TestTheRisks:
    def test_of_an_exact_measurement_are_of_the_limits_alone(self) -> None:
        # Parts of 0 ± 1 um (normal), limits ±1 um, accepted from −1 to 0 um: half of 68.27 %.
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1.0),
            standard_uncertainty_um=0.0,
            limits_um=(-1.0, 1.0),
            acceptance_um=(-1.0, 0.0),
        )
        got = (risk.consumers, risk.producers, risk.accepted, risk.conforming)
        assert got == pytest.approx((0.0, 0.34134, 0.34134, 0.68269), abs=1e-5)

    def test_of_listed_parts_take_a_size_on_its_limit_as_within(self) -> None:
        risk = global_risk(
            process=ListedProcess(values_um=(-1.0, 0.0, 0.1 + 0.2, 2.0), counts=(1.0, 4.0, 3.0, 2.0)),
            standard_uncertainty_um=0.0,
            limits_um=(-1.0, 0.3),
            acceptance_um=(-1.0, 2.0),
        )
        got = (risk.consumers, risk.producers, risk.accepted, risk.conforming)
        assert got == pytest.approx((0.2, 0.0, 1.0, 0.8))

    def test_where_nothing_is_accepted_are_the_producers(self) -> None:
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1.0),
            standard_uncertainty_um=0.5,
            limits_um=(None, 1.0),
            acceptance_um=(math.inf, -math.inf),
        )
        assert (risk.accepted, risk.consumers) == (0.0, 0.0)
        assert risk.producers == pytest.approx(0.84134, abs=1e-5)
        assert risk.conforming == pytest.approx(0.84134, abs=1e-5)

    @pytest.mark.parametrize("u", [0.5, 0.01, 1e-5])
    def test_are_exact_however_sharp_the_measurement_is(self, u: float) -> None:
        # Bad parts beyond the limits ±1 um that are taken for good, t standard uncertainties beyond: by scipy's quad.
        risk = global_risk(
            process=NormalProcess(mean_um=0.0, standard_um=1.0),
            standard_uncertainty_um=u,
            limits_um=(-1.0, 1.0),
            acceptance_um=(-1.0, 1.0),
        )

        def taken(t: float) -> float:
            within = stats.norm.cdf(-t) - stats.norm.cdf(-t - 2.0 / u)
            return float(stats.norm.pdf(1.0 + u * t) * u * within)

        expected = 2.0 * quad(taken, 0.0, 9.0, epsabs=0.0, epsrel=1e-12)[0]
        assert risk.consumers == pytest.approx(expected, rel=1e-9)
