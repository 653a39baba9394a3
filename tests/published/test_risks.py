"""JCGM 106:2012, clause 9: risks of a wrong decision (read in the official PDF)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from holdzero.risk import global_risk, specific_risk


class TestResistors:
    # 9.5.3.2: 1499.8 to 1500.2 Ω, process 1500 ± 0.12 Ω, u = 0.04 Ω, accepted 1499.82 to 1500.18 Ω
    RISK = global_risk(
        process_mean_um=1500.0,
        process_standard_um=0.12,
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
            process_mean_um=0.0,
            process_standard_um=1 / 6,
            standard_uncertainty_um=1 / (4 * index),
            limits_um=(-0.5, 0.5),
            acceptance_um=(-0.5, 0.5),
        )
        assert risk.consumers == pytest.approx(consumers, abs=tolerance)
        assert risk.producers == pytest.approx(producers, abs=tolerance)


class TestEdges:
    def test_a_sharp_measurement_decides_nearly_without_risk(self) -> None:
        risk = global_risk(
            process_mean_um=0.0,
            process_standard_um=1.0,
            standard_uncertainty_um=1e-4,
            limits_um=(None, 1.0),
            acceptance_um=(None, 1.0),
        )
        assert risk.consumers == pytest.approx(0.0, abs=2e-5)
        assert risk.accepted == pytest.approx(0.8413, abs=1e-4)

    def test_a_specific_risk_is_what_the_probability_leaves(self) -> None:
        # 9.3.2
        assert specific_risk(0.98, accepted=True) == pytest.approx(0.02)
        assert specific_risk(0.03, accepted=False) == pytest.approx(0.03)


def test_a_routine_that_states_its_process_has_both_risks_on_record(measure: Callable[..., Any]) -> None:
    text = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { name = "Block", size = "5 mm", deviation = { value = "0 um", standard = "0.4 um" } }
comparator = { resolution = "0.0001 um" }
decision = { rule = "simple", process = { value = "0 um", standard = "1.2 um" } }
characteristics.t = { measure = "size", at = "a", nominal = "5 mm", lower = "-2 um", upper = "2 um" }
steps = [ { do = "zero", times = 2 }, { do = "read", at = "a", times = 2 }, { do = "return" } ]
"""
    result = measure(text, ["0", "0", "0.5", "0.5", "0"]).record["results"]["t"]
    # the resistors' ratios with simple acceptance: recomputed beforehand, 0.018942 and 0.037208
    assert result["global_risk"]["consumers"] == pytest.approx(0.018942, abs=2e-6)
    assert result["global_risk"]["producers"] == pytest.approx(0.037208, abs=2e-6)
    assert result["specific_risk"] == pytest.approx(1.0 - result["conformance_probability"])
