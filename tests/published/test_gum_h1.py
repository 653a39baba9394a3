"""JCGM 100:2008 (GUM), Annex H.1, end-gauge calibration: the published numbers through the whole tool.

Values read in the official PDF, pages 79 to 85 (H.1.3 to H.1.6, Table H.1).
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Record = dict[str, Any]


def answers(routines: Path) -> list[tuple[float, str]]:
    lines = (routines / "end-gauge-gum-h1.readings.csv").read_text("utf-8").splitlines()
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))[1:]
    return [(float(time), answer) for time, answer in rows]


@pytest.fixture
def record(measure: Callable[..., Any], routines: Path) -> Record:
    outcome = measure(routines / "end-gauge-gum-h1.toml", answers(routines))
    assert outcome.code == 0, outcome.said
    made: Record = outcome.record
    return made


def budget(record: Record) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in record["results"]["length"]["budget"]}


class TestPublishedResult:
    """By first order, as H.1.6 has it: the routine says so."""

    def test_the_length_is_50_000838_mm(self, record: Record) -> None:
        # H.1.6: l = 50.000 838 mm
        assert record["results"]["length"]["value_um"] == pytest.approx(0.838, abs=0.0005)

    def test_the_standard_uncertainty_is_32_nm(self, record: Record) -> None:
        # H.1.6: uc² = 1002 nm², uc = 32 nm; unrounded intermediates, as the head of Annex H says
        u_nm = 1000.0 * record["results"]["length"]["standard_uncertainty_um"]
        assert u_nm**2 == pytest.approx(1002.0, abs=0.5)
        assert round(u_nm) == 32

    def test_the_effective_degrees_of_freedom_are_16_7(self, record: Record) -> None:
        # H.1.6: ν_eff = 16.7
        assert record["results"]["length"]["degrees_of_freedom"] == pytest.approx(16.7, abs=0.05)

    def test_the_coverage_factor_is_that_of_16_degrees_of_freedom(self, record: Record) -> None:
        # H.1.6: truncated to 16, t99(16) = 2.92
        assert record["results"]["length"]["coverage_factor"] == pytest.approx(2.92, abs=0.005)

    def test_the_expanded_uncertainty_is_93_nm(self, record: Record) -> None:
        # H.1.6 prints 2.92 × 32 = 93; without rounding uc first it is 92.5
        assert 1000.0 * record["results"]["length"]["expanded_uncertainty_um"] == pytest.approx(93.0, abs=1.0)


class TestSecondOrder:
    """H.1.7: what the same routine gives without `order = 1`."""

    @pytest.fixture
    def record(self, measure: Callable[..., Any], routines: Path) -> Record:
        text = (routines / "end-gauge-gum-h1.toml").read_text("utf-8")
        without = "\n".join(line for line in text.splitlines() if not line.startswith(("order = 1", "order_why")))
        assert without != text
        outcome = measure(without.replace("fragments/", f"{routines.as_posix()}/fragments/"), answers(routines))
        assert outcome.code == 0, outcome.said
        made: Record = outcome.record
        return made

    def test_the_standard_uncertainty_is_34_nm(self, record: Record) -> None:
        assert round(1000.0 * record["results"]["length"]["standard_uncertainty_um"]) == 34

    @pytest.mark.parametrize(
        ("pair", "published_nm"),
        [
            ("temperature of the part × expansion, part less reference", 11.7),
            ("temperature, part less reference × expansion of the reference", 1.7),
        ],
    )
    def test_a_pair_has_a_row_as_published(self, record: Record, pair: str, published_nm: float) -> None:
        # l_S·u(δα)·u(θ) = 11.7 nm and l_S·u(α_S)·u(δθ) = 1.7 nm; no degrees of freedom are given to them
        row = budget(record)[pair]
        assert 1000.0 * row["contribution_um"] == pytest.approx(published_nm, abs=0.05)
        assert row["degrees_of_freedom"] is None

    def test_the_rows_add_up(self, record: Record) -> None:
        result = record["results"]["length"]
        total = sum(row["contribution_um"] ** 2 for row in result["budget"])
        assert total == pytest.approx(result["standard_uncertainty_um"] ** 2, rel=1e-9)

    def test_the_value_is_the_same(self, record: Record) -> None:
        assert record["results"]["length"]["value_um"] == pytest.approx(0.838, abs=0.0005)


class TestPublishedBudget:
    # Table H.1, contributions u_i(l) in nm
    @pytest.mark.parametrize(
        ("name", "published_nm"),
        [
            ("deviation of the reference", 25.0),
            ("temperature, part less reference", 16.6),
            ("expansion, part less reference", 2.9),
            ("temperature of the part", 0.0),
            ("expansion of the reference", 0.0),
            ("repeatability, length", 5.8),
        ],
    )
    def test_a_contribution_is_as_printed(self, record: Record, name: str, published_nm: float) -> None:
        assert 1000.0 * budget(record)[name]["contribution_um"] == pytest.approx(published_nm, abs=0.05)

    def test_the_comparator_s_two_effects_are_3_9_and_6_7_nm_in_quadrature(self, record: Record) -> None:
        # H.1.3.2: 3.9 nm and 6.7 nm
        expected = (3.9**2 + 6.7**2) ** 0.5
        assert 1000.0 * budget(record)["error of the comparator"]["contribution_um"] == pytest.approx(
            expected, abs=0.05
        )

    @pytest.mark.parametrize(
        ("name", "dof"),
        [
            ("deviation of the reference", 18.0),
            ("repeatability, length", 24.0),
            ("temperature, part less reference", 2.0),
            ("expansion, part less reference", 50.0),
        ],
    )
    def test_degrees_of_freedom_are_as_published(self, record: Record, name: str, dof: float) -> None:
        # H.1.6
        assert budget(record)[name]["degrees_of_freedom"] == pytest.approx(dof)

    def test_rows_stand_in_the_order_of_their_size(self, record: Record) -> None:
        contributions = [row["contribution_um"] for row in record["results"]["length"]["budget"]]
        assert contributions == sorted(contributions, reverse=True)
