"""What U covers where pairs of inputs count, and when a simulation is asked."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from holdzero.error_distribution import ErrorDistribution, simulated_errors
from holdzero.estimate import Estimate
from holdzero.model import Input, Number, Term, propagate
from holdzero.second_order import with_second_order

COVERAGE = 0.9545
SHARES_TOO_SMALL = (0.002, 0.005, 0.0099)
DRAWS = 400_000


def known(name: str, standard: Number, value: Number = 0.0) -> Input:
    return Input(name=name, estimate=Estimate.of(value, standard), unit="um", evaluation="B")


def errors_of(terms: list[Term], coverage: float = COVERAGE, seed: int = 0) -> ErrorDistribution | None:
    k = float(norm.ppf(0.5 + coverage / 2.0))
    propagated = with_second_order(terms, propagate(terms))
    return simulated_errors(terms, propagated, coverage_factor=k, coverage=coverage, seed=seed, name="t")


def product(share: float) -> list[Term]:
    """An input u = √(1 − share), and a product of two about zero whose variance is `share`."""
    x, y, z = known("x", 1.0), known("y", 1.0), known("z", 1.0)
    slope, curve = math.sqrt(1.0 - share), math.sqrt(share)
    return [Term(name="t", inputs=(x, y, z), function=lambda a, b, c: slope * a + curve * b * c)]


class TestAProductOfTwoErrors:
    def test_covers_less_than_k_promises(self) -> None:
        # |yz| ≤ 2 for two standard normal factors: 1 − 2·∫ of K0 over π, by quadrature of the product's density
        from scipy.integrate import quad
        from scipy.special import k0

        k = float(norm.ppf(0.5 + COVERAGE / 2.0))
        inside = 2.0 / math.pi * quad(k0, 0.0, k)[0]
        found = errors_of(product(1.0))
        assert found is not None
        assert found.coverage == pytest.approx(inside, abs=4.0 * math.sqrt(inside * (1.0 - inside) / found.trials))

    def test_takes_as_many_trials_as_the_coverage_asks_for(self) -> None:
        # JCGM 101:2008, 7.2.2: 10⁴ times 1/(1 − p)
        found = errors_of(product(1.0))
        assert found is not None
        assert found.trials == math.ceil(1e4 / (1.0 - COVERAGE))

    def test_gives_the_same_numbers_for_the_same_seed_and_others_for_another(self) -> None:
        first, again, other = (errors_of(product(1.0), seed=seed) for seed in (1, 1, 2))
        assert first is not None
        assert again is not None
        assert other is not None
        assert np.array_equal(first.errors, again.errors)
        assert not np.array_equal(first.errors, other.errors)

    def test_names_the_pair(self) -> None:
        found = errors_of(product(1.0))
        assert found is not None
        assert found.pair == "y × z"

    def test_of_many_runs_has_one_distribution_for_all(self) -> None:
        x, y, z = known("x", 0.1, np.array([1.0, 2.0, 3.0])), known("y", 1.0), known("z", 1.0)
        terms = [Term(name="t", inputs=(x, y, z), function=lambda a, b, c: a + b * c)]
        alone = [Term(name="t", inputs=(known("x", 0.1), y, z), function=lambda a, b, c: a + b * c)]
        many, one = errors_of(terms), errors_of(alone)
        assert many is not None
        assert one is not None
        assert np.allclose(many.errors, one.errors)


class TestWhereNothingIsSimulated:
    def test_a_straight_model(self) -> None:
        x, y = known("x", 1.0), known("y", 2.0)
        assert errors_of([Term(name="t", inputs=(x, y), function=lambda a, b: a + b)]) is None

    def test_a_pair_that_moves_the_coverage_by_less_than_1_percent(self) -> None:
        assert errors_of(product(0.3)) is None

    def test_a_straight_input_that_is_not_normal(self) -> None:
        # U of a rectangular input covers all of it; it is not the pair that does so
        x = Input(name="x", estimate=Estimate.within(0.0, 3.0**0.5), unit="um", evaluation="B")
        y, z = known("y", 0.35), known("z", 0.35)
        assert errors_of([Term(name="t", inputs=(x, y, z), function=lambda a, b, c: a + b * c)]) is None

    @pytest.mark.parametrize("share", SHARES_TOO_SMALL)
    @pytest.mark.parametrize("coverage", [0.5, 0.68, 0.9, 0.9545, 0.99, 0.999])
    @pytest.mark.parametrize("shape", ["square beside a slope", "product and both slopes", "product and one slope"])
    def test_a_share_so_small_moves_no_coverage_by_1_percent(self, share: float, coverage: float, shape: str) -> None:
        rng, k = np.random.default_rng(7), norm.ppf(0.5 + coverage / 2.0)
        y, z = rng.standard_normal((2, DRAWS))
        straight, curve = math.sqrt(1.0 - share), math.sqrt(share)
        values = {
            "square beside a slope": lambda: straight * y + curve / math.sqrt(2.0) * y * y,
            "product and both slopes": lambda: straight * (y + z) / math.sqrt(2.0) + curve * y * z,
            "product and one slope": lambda: straight * y + curve * y * z,
        }
        covered = np.mean(np.abs(values[shape]()) <= k)
        assert abs(covered - coverage) < 0.01


class TestConformanceProbability:
    ERRORS = ErrorDistribution(errors=np.array([-2.0, -1.0, 0.0, 1.0]), coverage=1.0, seed=0, pair="")

    @pytest.mark.parametrize(
        ("lower", "upper", "share"),
        [(-1.0, 1.0, 0.75), (None, 0.0, 0.75), (0.0, None, 0.5), (3.0, None, 0.0), (-5.0, 5.0, 1.0)],
    )
    def test_is_the_share_of_possible_values_within_the_limits(
        self, lower: float | None, upper: float | None, share: float
    ) -> None:
        assert self.ERRORS.conformance_probability(0.0, 1.0, lower, upper) == share

    def test_of_many_runs_is_that_of_each(self) -> None:
        values = np.array([-1.0, 0.0, 2.5])
        many = self.ERRORS.conformance_probability(values, 0.5, -1.0, 1.0)
        each = [self.ERRORS.conformance_probability(float(value), 0.5, -1.0, 1.0) for value in values]
        assert np.asarray(many).tolist() == each


WIDE_ROOM = """\
format = 1
routine = { title = "Long block in a warm room", part = "LB-80" }
reference = { size = "80 mm", deviation = { value = "0 um", standard = "0.03 um" }, material = "steel" }
part = { material = "steel" }
comparator = { resolution = "0.01 um", travel = "50 um", error = { standard = "0.02 um" } }
characteristics.length = { measure = "size", at = ["a"], nominal = "80 mm", lower = "-0.8 um", upper = "+0.8 um" }

[checks.thermal]
part_temperature = { value = "20 degC", halfwidth = "3.5 K" }
difference = { value = "0 K", halfwidth = "0.03 K" }
part_expansion = { value = "11.5e-6 1/K", halfwidth = "1e-6 1/K" }
reference_expansion = { value = "11.5e-6 1/K", halfwidth = "1e-6 1/K" }

[[steps]]
do = "zero"
[[steps]]
do = "repeat"
times = 3
steps = [ { do = "read", at = "a" } ]
[[steps]]
do = "return"
"""


class TestThroughTheWholeTool:
    @pytest.fixture
    def record(self, measure: Callable[..., Any]) -> dict[str, Any]:
        made: dict[str, Any] = measure(WIDE_ROOM, ["0", "+0.63 um", "+0.64 um", "+0.63 um", "0"]).record
        return made

    def test_a_room_of_unknown_temperature_leaves_it_undecided(self, record: dict[str, Any]) -> None:
        """By hand: a pair is 80 mm · 1e-6/√3 · 3.5/√3 = 0.0933 µm, two of them 0.132 (JCGM 100, 5.1.2 note)."""
        result = record["results"]["length"]
        pairs = [row["contribution_um"] for row in result["budget"] if " × temperature" in row["name"]]
        pairs += [
            row["contribution_um"] for row in result["budget"] if row["name"].startswith("temperature of the part ×")
        ]
        assert [round(pair, 4) for pair in pairs[:2]] == [0.0933, 0.0933]
        assert result["first_order_uncertainty_um"] < 0.05
        assert result["standard_uncertainty_um"] > 0.13
        assert result["verdict"] == "undecided"

    def test_rows_add_up_to_u(self, record: dict[str, Any]) -> None:
        result = record["results"]["length"]
        total = sum(row["contribution_um"] * abs(row["contribution_um"]) for row in result["budget"])
        assert total == pytest.approx(result["standard_uncertainty_um"] ** 2, rel=1e-9)

    def test_the_simulation_and_its_seed_stand_on_record(self, record: dict[str, Any]) -> None:
        """Against draws made here, from the exact length: l = l_S·(1 + α_S·θ) / (1 + α·θ) to first order in α·θ."""
        result = record["results"]["length"]
        simulated = result["simulated_errors"]
        assert simulated["seed"] == 0
        rng, n = np.random.default_rng(11), 1_000_000
        theta, one, other = 3.5 * (2 * rng.random(n) - 1), *(1e-6 * (2 * rng.random((2, n)) - 1))
        rows = {row["name"]: row["contribution_um"] for row in result["budget"]}
        repeats = rows.pop("repeatability, length") * rng.standard_t(2, n)  # of three readings
        linear = sum(u**2 for name, u in rows.items() if "×" not in name) ** 0.5 * rng.standard_normal(n) + repeats
        errors = 80_000.0 * theta * (one - other) + linear
        covered = np.mean(np.abs(errors) <= result["expanded_uncertainty_um"])
        assert simulated["coverage"] == pytest.approx(covered, abs=0.003)
        conforms = np.mean(np.abs(result["value_um"] + errors) <= 0.8)
        assert result["conformance_probability"] == pytest.approx(conforms, abs=0.003)

    def test_a_finding_says_so(self, record: dict[str, Any]) -> None:
        (finding,) = [item for item in record["findings"] if item["code"] == "model/coverage"]
        assert finding["level"] == "doubt"
        assert "U covers the true value in 9" in finding["text"]

    def test_first_order_is_for_those_who_ask_for_it(self, measure: Callable[..., Any]) -> None:
        asked = WIDE_ROOM.replace("[checks", '[decision]\norder = 1\norder_why = "to compare"\n\n[checks', 1)
        outcome = measure(asked, ["0", "+0.63 um", "+0.64 um", "+0.63 um", "0"])
        result = outcome.record["results"]["length"]
        assert result["standard_uncertainty_um"] == result["first_order_uncertainty_um"]
        assert result["simulated_errors"] is None
        assert "model/second_order" in outcome.codes("doubt")
