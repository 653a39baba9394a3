"""What to expect of a routine before any reading."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.decide import DecisionRule, Rule
from holdzero.errors import HoldzeroError
from holdzero.expect import Expectation, NeverEndsError, expect, smallest_tolerance_um
from holdzero.routine.load import load_routine


@pytest.fixture
def expected(catalogue: Catalogue) -> Callable[..., dict[str, Expectation]]:
    def go(path: Path, **keys: Any) -> dict[str, Expectation]:
        loaded = load_routine(path)
        checks, _ = bind(loaded.routine, catalogue)
        return {item.result.name: item for item in expect(loaded.document, loaded.digest, checks, **keys)[1]}

    return go


class TestShippedRoutines:
    def test_the_end_gauge_has_its_published_uncertainty_beforehand(
        self, expected: Callable[..., dict[str, Expectation]], routines: Path
    ) -> None:
        # JCGM 100:2008, H.1.6: uc = 32 nm, ν_eff = 16.7, U99 = 93 nm (92.5 unrounded)
        result = expected(routines / "end-gauge-gum-h1.toml")["length"].result
        assert result.propagated is not None
        assert result.decision is not None
        assert 1000 * float(result.propagated.standard_uncertainty_um) == pytest.approx(31.66, abs=0.05)
        assert float(result.propagated.dof) == pytest.approx(16.7, abs=0.05)
        assert 1000 * float(result.decision.expanded_uncertainty_um) == pytest.approx(92.5, abs=0.1)

    def test_the_scatter_asked_for_is_the_scatter_found(
        self, expected: Callable[..., dict[str, Expectation]], routines: Path
    ) -> None:
        result = expected(routines / "spacer-ring.toml", scatter_um=1.0)["thickness"].result
        assert result.propagated is not None
        rows = {row.input.name: row for row in result.propagated.contributions}
        # nine readings and a zero of three lifts: √(1/9 + 1/3), 9 degrees of freedom
        assert rows["repeatability, thickness"].contribution_um == pytest.approx((1 / 9 + 1 / 3) ** 0.5)
        assert rows["repeatability, thickness"].input.estimate.dof == pytest.approx(9.0)

    def test_a_part_in_the_middle_passes(self, expected: Callable[..., dict[str, Expectation]], routines: Path) -> None:
        assert expected(routines / "spacer-ring.toml")["thickness"].result.verdict.value == "pass"

    def test_levers_name_the_largest_contribution_first(
        self, expected: Callable[..., dict[str, Expectation]], routines: Path
    ) -> None:
        item = expected(routines / "end-gauge-gum-h1.toml")["length"]
        assert item.levers[0].name == "deviation of the reference"
        assert item.result.decision is not None
        assert item.levers[0].expanded_um < float(item.result.decision.expanded_uncertainty_um)


class TestARoutineWithoutAZero:
    def test_is_said_never_to_end(self, expected: Callable[..., dict[str, Expectation]], tmp_path: Path) -> None:
        path = tmp_path / "r.toml"
        text = TestRequiredDevices.TEXT.replace('largest_expanded = "0.2 um"', 'deviation = "0 um"')
        path.write_text(text.replace('{ do = "zero" }, ', ""), "utf-8")
        with pytest.raises(NeverEndsError, match="put a zero step before it"):
            expected(path)


class TestTheAdvice:
    @pytest.mark.parametrize(
        ("nominal", "advice"),
        [("5 mm", "a better comparator"), ("5.02 mm", "a better comparator, or a reference nearer to the part's size")],
    )
    def test_names_a_nearer_reference_only_where_one_could_be_nearer(
        self, expected: Callable[..., dict[str, Expectation]], tmp_path: Path, nominal: str, advice: str
    ) -> None:
        path = tmp_path / "r.toml"
        path.write_text(
            f"""\
format = 1
routine = {{ title = "Washer", part = "W-1" }}
reference = {{ size = "5 mm", deviation = "0 um" }}
comparator = {{ resolution = "0.1 um", error = {{ halfwidth = "0.3 um" }} }}
characteristics.t = {{ measure = "size", at = "a", nominal = "{nominal}" }}
steps = [ {{ do = "zero" }}, {{ do = "read", at = "a" }}, {{ do = "return" }} ]
""",
            "utf-8",
        )
        levers = {lever.name: lever.advice for lever in expected(path)["t"].levers}
        assert levers["error of the comparator"] == advice


class TestSmallestTolerance:
    def test_of_the_default_rule_it_is_3_92_u(self) -> None:
        # JCGM 106:2012, eq. (11), at the middle: Φ(T/2u) − Φ(−T/2u) = 0.95 (worked out)
        assert smallest_tolerance_um(1.0, math.inf, DecisionRule()) == pytest.approx(3.9199, abs=1e-4)

    def test_of_a_guard_band_of_u_it_is_two_of_them(self) -> None:
        rule = DecisionRule(rule=Rule.GUARDED, guard=1.0)
        assert smallest_tolerance_um(1.0, math.inf, rule) == pytest.approx(4.0, abs=1e-4)

    def test_simple_acceptance_asks_nothing(self) -> None:
        assert smallest_tolerance_um(1.0, math.inf, DecisionRule(rule=Rule.SIMPLE)) == 0.0


class TestRequiredDevices:
    TEXT = """\
format = 1
routine = { title = "Washer", part = "W-1" }
reference = { size = "5 mm", largest_expanded = "0.2 um" }
comparator = { resolution = "0.1 um" }
characteristics.t = { measure = "size", at = "a", nominal = "5 mm" }
steps = [ { do = "zero" }, { do = "read", at = "a" }, { do = "return" } ]
"""

    def test_one_must_be_named(self, expected: Callable[..., dict[str, Expectation]], tmp_path: Path) -> None:
        path = tmp_path / "r.toml"
        path.write_text(self.TEXT, "utf-8")
        with pytest.raises(HoldzeroError, match="name one with --reference"):
            expected(path)

    def test_one_that_is_named_is_used(self, expected: Callable[..., dict[str, Expectation]], tmp_path: Path) -> None:
        path = tmp_path / "r.toml"
        path.write_text(self.TEXT, "utf-8")
        deviation = {"value": "0 um", "expanded": "0.1 um", "coverage": 2}
        entry = {"id": "B5", "size": "5 mm", "deviation": deviation}
        result = expected(path, entries={"reference": entry})["t"].result
        assert result.propagated is not None
        rows = {row.input.name: row for row in result.propagated.contributions}
        assert rows["deviation of the reference"].contribution_um == pytest.approx(0.05)
