"""Rehearsed runs against closed forms and published risks: counts within the error of counting.

The draws are fixed by their seed; the bounds are four standard deviations of a count, by the binomial distribution.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import bind
from holdzero.process import GammaProcess, NormalProcess
from holdzero.rehearse import Process, Tally, process_of, rehearsed
from holdzero.rehearse.curve import band_of
from holdzero.rehearse.many import Rehearsal
from holdzero.routine.load import digest_of, routine_from_document
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

ROUTINES = Path(__file__).parents[2] / "routines"
RUNS = 20_000
FOUR = 4.0


def one_reading(u_um: float, limit_um: float, **decision: Any) -> Draft:
    """A size whose only error is the comparator's, normal and known: one reading on a fine scale."""
    draft = Draft().with_table("comparator", resolution="0.0001 um", travel="100 um")
    draft = draft.with_table("comparator", error={"value": "0 um", "standard": f"{u_um} um"})
    draft = draft.with_characteristic("thickness", lower=f"-{limit_um} um", upper=f"+{limit_um} um")
    steps = ({"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"})
    return draft.with_table("decision", **decision).with_steps(*steps)


def rehearsal(draft: Draft | Path, catalogue: Catalogue, of: str, scatter_um: float = 0.0, **tables: Any) -> Rehearsal:
    """What is rehearsed: a routine, with other tables in place of some of its own."""
    document = {**loaded_of(draft, catalogue).document, **tables}
    checks, faults = bind(routine_from_document(document), catalogue)
    assert not faults
    return Rehearsal(document=document, digest=digest_of(document), checks=checks, of=of, scatter_um=scatter_um, seed=7)


def near(count: int, probability: float, runs: int = RUNS) -> bool:
    return abs(count - runs * probability) <= FOUR * math.sqrt(
        runs * max(probability * (1.0 - probability), 1.0 / runs)
    )


class TestTheOperatingCurve:
    """JCGM 106:2012, 7.3 and 8: of a normal error u the share that passes is Φ((a_U − t)/u) − Φ((a_L − t)/u)."""

    TRUE_UM = (-4.0, -3.5, -3.0, -2.5, -1.0, 0.0, 2.0, 2.9, 3.1, 3.6, 4.2)

    @pytest.mark.parametrize("true_um", TRUE_UM)
    def test_of_simple_acceptance(self, true_um: float, catalogue: Catalogue) -> None:
        u = 0.5
        what = rehearsal(one_reading(u, 3.0, rule="simple"), catalogue, "thickness")
        tally = rehearsed(what, what.ideal(), true_um, RUNS)
        passes = float(norm.cdf((3.0 - true_um) / u) - norm.cdf((-3.0 - true_um) / u))
        assert near(tally.passed, passes)
        assert tally.undecided == 0
        low, high = band_of(tally.passed, RUNS, 0.9999)
        assert low <= passes <= high

    @pytest.mark.parametrize("true_um", TRUE_UM)
    def test_of_guarded_acceptance_and_rejection(self, true_um: float, catalogue: Catalogue) -> None:
        u = 0.5
        what = rehearsal(one_reading(u, 3.0), catalogue, "thickness")
        tally = rehearsed(what, what.ideal(), true_um, RUNS)
        guard = float(norm.ppf(0.95)) * u
        inner, outer = 3.0 - guard, 3.0 + guard
        passes = float(norm.cdf((inner - true_um) / u) - norm.cdf((-inner - true_um) / u))
        fails = float(norm.cdf((-outer - true_um) / u) + norm.sf((outer - true_um) / u))
        assert near(tally.passed, passes)
        assert near(tally.failed, fails)


class TestCoverageOfTheGumExample:
    """JCGM 100:2008, H.1, as `routines/end-gauge-gum-h1.toml` states it; its scatter is 13 nm of a difference."""

    SCATTER_UM = 0.013 / math.sqrt(2.0)

    def covered(self, catalogue: Catalogue, coverage: float, *, order: int = 2, **thermal: str) -> int:
        path = ROUTINES / "end-gauge-gum-h1.toml"
        document = dict(loaded_of(path, catalogue).document)
        checks = {**document["checks"], "thermal": {**document["checks"]["thermal"], **thermal}}
        decision: dict[str, object] = {"coverage_probability": coverage}
        if order == 1:
            decision |= {"order": 1, "order_why": "as printed"}
        what = rehearsal(path, catalogue, "length", self.SCATTER_UM, checks=checks, decision=decision)
        return rehearsed(what, what.ideal(), 0.215, RUNS).covered

    @pytest.mark.parametrize("order", [1, 2])
    def test_the_truth_lies_within_u_of_99_percent_at_least(self, order: int, catalogue: Catalogue) -> None:
        assert band_of(self.covered(catalogue, 0.99, order=order), RUNS, 0.9999)[1] >= 0.99

    def test_and_within_u_of_95_45_percent_at_least(self, catalogue: Catalogue) -> None:
        assert band_of(self.covered(catalogue, 0.9545), RUNS, 0.9999)[1] >= 0.9545

    def test_and_within_u_of_95_45_percent_by_first_order_where_that_is_all(self, catalogue: Catalogue) -> None:
        # without what is of second order in H.1.7: the products of differences in expansion and in temperature
        assert near(self.covered(catalogue, 0.9545, order=1, expansion_difference="0 1/K"), 0.9545)

    def test_and_less_often_by_first_order_where_second_order_counts(self, catalogue: Catalogue) -> None:
        # H.1.7: 34 nm in place of 32 nm; U of first order covers what k·32/34 does
        covered = self.covered(catalogue, 0.9545, order=1) / RUNS
        assert 2.0 * norm.cdf(2.0 * 32.0 / 34.0) - 1.0 - 0.01 < covered < 0.9545


@cache
def resistors() -> Process:
    """JCGM 106:2012, 9.5.3.2, a tenth of an ohm being a micrometre here.

    1499.8 to 1500.2 Ω, process 1500 ± 0.12 Ω, u = 0.04 Ω, accepted 1499.82 to 1500.18 Ω: a guard band of U/4.
    """
    draft = one_reading(0.4, 2.0, rule="guarded", guard=0.25)
    return process_of(
        rehearsal(draft, load_catalogue(), "thickness"), NormalProcess(mean_um=0.0, standard_um=1.2), 200_000
    )


class TestPublishedRisks:
    def test_consumers_risk(self) -> None:
        assert resistors().consumer_risk == pytest.approx(0.01, abs=0.0005)

    def test_producers_risk(self) -> None:
        assert resistors().producer_risk == pytest.approx(0.07, abs=0.005)

    def test_84_of_100_are_accepted(self) -> None:
        assert round(100 * resistors().tally.passed / resistors().tally.runs) in (84, 85)

    def test_90_percent_conform(self) -> None:
        assert resistors().tally.good / resistors().tally.runs == pytest.approx(0.90, abs=0.005)


class TestSimpleAcceptanceOverAProcess:
    """JCGM 106:2012, 9.5.6: a process of T/6, centred; C_m = T/(4u)."""

    @pytest.mark.parametrize(
        ("index", "consumers", "producers", "tolerance"),
        [(2.0, 0.001, 0.015, 0.0005), (10.0, 0.0004, 0.0007, 0.0001)],
    )
    def test_risks_at_a_capability_index(
        self, index: float, consumers: float, producers: float, tolerance: float, catalogue: Catalogue
    ) -> None:
        draft = one_reading(6.0 / (4.0 * index), 3.0, rule="simple")
        process = process_of(
            rehearsal(draft, catalogue, "thickness"), NormalProcess(mean_um=0.0, standard_um=1.0), 400_000
        )
        assert process.consumer_risk == pytest.approx(consumers, abs=tolerance)
        assert process.producer_risk == pytest.approx(producers, abs=tolerance)


class TestNarrowTolerances:
    """What rehearsed runs accept over a process is what is worked out for the record, where both tails count."""

    # worked out beforehand with other code for u = 1 um and T = 3.8, 3.95, 4.2 um: accepted, consumer's, producer's
    @pytest.mark.parametrize(
        ("limit", "accepted", "consumers", "producers"),
        [(1.9, 0.0, 0.0, 0.982), (1.975, 0.077, 1.2e-4, 0.909), (2.1, 0.239, 2.1e-4, 0.752)],
    )
    def test_of_a_normal_process(
        self, limit: float, accepted: float, consumers: float, producers: float, catalogue: Catalogue
    ) -> None:
        what = rehearsal(one_reading(1.0, limit), catalogue, "thickness")
        process = process_of(what, NormalProcess(mean_um=0.0, standard_um=0.8), 200_000)
        assert process.tally.passed / process.tally.runs == pytest.approx(accepted, abs=0.005)
        assert process.consumer_risk == pytest.approx(consumers, abs=1.5e-4)
        assert process.producer_risk == pytest.approx(producers, abs=0.005)

    def test_of_a_gamma_process(self, catalogue: Catalogue) -> None:
        what = rehearsal(one_reading(1.0, 2.1), catalogue, "thickness")
        process = process_of(what, GammaProcess(lowest_um=-1.0, mean_um=0.0, standard_um=0.8), 200_000)
        # eq. (11): what passes at u = 1 um, then parts and measurements drawn with numpy
        half = brentq(lambda y: norm.cdf(2.1 - y) - norm.cdf(-2.1 - y) - 0.95, 0.0, 2.0)
        sizes = np.random.default_rng(9).gamma(1.0 / 0.64, 0.64, 400_000) - 1.0
        passes = norm.cdf(half - sizes) - norm.cdf(-half - sizes)
        assert process.tally.passed / process.tally.runs == pytest.approx(passes.mean(), abs=0.005)
        assert process.producer_risk == pytest.approx(((1.0 - passes) * (sizes <= 2.1)).mean(), abs=0.005)


class TestSeeds:
    """Nothing published: what a seed promises."""

    def test_the_same_seed_gives_the_same_counts_and_another_others(self, catalogue: Catalogue) -> None:
        what = rehearsal(one_reading(0.5, 3.0), catalogue, "thickness")
        ideal = what.ideal()
        first, again = (rehearsed(what, ideal, 2.0, 5_000) for _ in range(2))
        other = rehearsed(what, ideal, 2.0, 5_000, (1,))
        assert first == again
        assert isinstance(first, Tally)
        assert other != first

    def test_runs_do_not_depend_on_how_many_follow(self, catalogue: Catalogue) -> None:
        what = rehearsal(one_reading(0.5, 3.0), catalogue, "thickness")
        ideal = what.ideal()
        # whole blocks: the second lot begins anew
        assert rehearsed(what, ideal, 2.0, 40_000) == rehearsed(what, ideal, np.full(40_000, 2.0), 40_000)
