"""The tool's records against a second model of the measurement, written from the published documents alone.

`second/` says which clause each of its lines comes from; `invented/` makes routines with readings from a seed. Both
models get the same two texts. `python tests/second_model/compare.py` shows the largest disagreements.
"""

from __future__ import annotations

import ast
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from compare import Compared, compared, record_of, table
from invented.cases import Case, case
from invented.themes import THEMES
from second.conformity import conformance_probability, verdict
from second.jets import variables
from second.model import figures
from second.propagation import Propagated
from second.simulation import simulated

HERE = Path(__file__).parent
ROUTINES, SEED = 76, 1


def said(found: list[Compared]) -> str:
    """What disagrees, for a failure's message."""
    return "\n".join((*map(str, (item for item in found if not item.agrees)), *table(found)))


class TestRecordsOfInventedRoutines:
    @pytest.mark.parametrize(
        "number", range(ROUTINES), ids=lambda number: f"{number:02d}-{THEMES[number % len(THEMES)].__name__}"
    )
    def test_say_what_the_second_model_says(self, number: int, tmp_path: Path) -> None:
        item = case(number, SEED)
        found = compared(item, record_of(item, tmp_path))
        assert all(one.agrees for one in found), said(found)

    def test_a_figure_that_is_two_millionths_off_is_seen(self, tmp_path: Path) -> None:
        item = case(0, SEED)
        record = record_of(item, tmp_path)
        for key in ("value_um", "standard_uncertainty_um", "coverage_factor", "conformance_probability"):
            result = dict(record["results"]["length"])
            result[key] += 2e-6 * max(1.0, abs(result[key]))
            found = compared(item, {"results": {"length": result}})
            assert [one.agrees for one in found].count(False) == 1, key
        found = compared(item, {"results": {"length": record["results"]["length"] | {"verdict": "none"}}})
        assert [one.figure for one in found if not one.agrees] == ["verdict"]


class TestTheSecondModel:
    @pytest.mark.parametrize("path", sorted((*HERE.glob("second/*.py"), *HERE.glob("invented/*.py"))), ids=str)
    def test_imports_nothing_of_holdzero(self, path: Path) -> None:
        allowed = {"numpy", "scipy", "second", *sys.stdlib_module_names}
        if path.parent.name == "invented":
            allowed |= {"invented", "tomli_w"}
        tree = ast.parse(path.read_text("utf-8"))
        names = [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
        names += [node.module or "." for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        assert {name.split(".")[0] for name in names} <= allowed
        calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
        called = {func.id for func in calls if isinstance(func, ast.Name)}
        assert not called & {"__import__", "exec", "eval"}

    def test_knows_the_derivatives_of_a_quotient(self) -> None:
        # f = xy²/z at (2, 3, 4): f_x = y²/z, f_xy = 2y/z, f_zz = 2xy²/z³, f_xyy = 2/z, f_yzz = 4xy/z³; f_zzz = −6xy²/z⁴
        x, y, z = variables(np.array([2.0, 3.0, 4.0]))
        f = x * y * y / z
        assert f.value == pytest.approx(4.5)
        assert f.first == pytest.approx([9 / 4, 12 / 4, -18 / 16])
        assert f.second[0, 1] == pytest.approx(6 / 4)
        assert f.second[2, 2] == pytest.approx(36 / 64)
        assert f.third[0, 1, 1] == pytest.approx(2 / 4)
        assert f.third[1, 2, 2] == pytest.approx(24 / 64)
        assert f.third[2, 2, 2] == pytest.approx(-108 / 256)
        assert np.allclose(f.third, f.third.transpose(2, 0, 1))


# JCGM 100:2008, H.1.3 (read in the official PDF): every input as printed. Only the mean of the readings is published,
# 215 nm; each zero closes.
H1 = """
format = 1
reference = { size = "50 mm", deviation = { value = "+0.623 um", expanded = "0.075 um", coverage = 3, dof = 18 } }
bracket = { limit = "1 um" }
characteristics.length = { measure = "size", at = "middle", nominal = "50 mm" }
decision = { coverage_probability = 0.99, order = 1 }

[comparator]
resolution = "0.001 um"
error = [
    { expanded = "0.01 um", coverage = 2.57, dof = 5 },
    { expanded = "0.02 um", coverage = 3, reliability = 0.25 },
]

[checks.thermal]
part_temperature = [
    { value = "19.9 degC", standard = "0.2 K" },
    { value = "0 K", halfwidth = "0.5 K", shape = "arcsine" },
]
difference = { value = "0 K", halfwidth = "0.05 K", reliability = 0.5 }
reference_expansion = { value = "11.5e-6 1/K", halfwidth = "2e-6 1/K" }
expansion_difference = { value = "0 1/K", halfwidth = "1e-6 1/K", reliability = 0.1 }

[checks.repeatability]
pooled = { standard = "13 nm", dof = 24, of = "differences" }

[[steps]]
do = "repeat"
times = 5
steps = [ { do = "zero" }, { do = "read", at = "middle" }, { do = "return" } ]
"""
H1_READINGS = "time,answer\n" + "".join(f"{60 * n}1,0\n{60 * n}2,0.215\n{60 * n}3,0\n" for n in range(1, 6))


class TestThePublishedEndGauge:
    def test_has_its_value_and_uncertainty(self) -> None:
        # H.1.3.2 to H.1.6, Table H.1: 838 nm above nominal; uc = 32 nm; ν_eff = 16.7; t99(16) = 2.92; U99 = 93 nm,
        # which is 2.92 times the rounded 32 nm: 92.5 nm with all digits
        result = figures(H1, H1_READINGS)["length"].result
        assert result.value == pytest.approx(0.838, abs=5e-4)
        assert result.u == pytest.approx(0.032, abs=5e-4)
        assert result.dof == pytest.approx(16.7, abs=0.05)
        assert result.k == pytest.approx(2.92, abs=0.005)
        assert result.expanded == pytest.approx(0.093, abs=1e-3)

    def test_has_its_uncertainty_of_second_order(self) -> None:
        # H.1.7: 34 nm
        result = figures(H1.replace("order = 1", "order = 2"), H1_READINGS)["length"].result
        assert result.u == pytest.approx(0.034, abs=5e-4)

    def test_has_its_simulated_values(self) -> None:
        # JCGM 101:2008, 9.5, Table 11 (read in the official PDF): 838 nm, 36 nm, shortest 99 % interval [745, 932] nm
        model = figures(H1, H1_READINGS)["length"].model
        values = np.sort(simulated(model, np.random.default_rng(3), 1_000_000)) * 1e3
        inside = int(0.99 * len(values))
        widths = values[inside:] - values[:-inside]
        shortest = int(np.argmin(widths))
        assert values.mean() == pytest.approx(838.0, abs=0.5)
        assert values.std() == pytest.approx(36.0, abs=0.5)
        assert values[shortest] == pytest.approx(745.0, abs=1.0)
        assert values[shortest + inside] == pytest.approx(932.0, abs=1.0)


class TestPublishedConformity:
    @pytest.mark.parametrize(
        ("y", "u", "lower", "upper", "published"),
        [
            (-5.47, 0.05, -math.inf, -5.40, 0.92),  # JCGM 106:2012, 7.3.3 example 1
            (509.7, 8.6, 490.0, math.inf, 0.99),  # example 2
            (13.6, 1.8, 12.5, 16.3, 0.66),  # 7.4
        ],
    )
    def test_probability(self, y: float, u: float, lower: float, upper: float, published: float) -> None:
        result = Propagated(y, u, math.inf, 2.0, 2.0 * u)
        assert conformance_probability(result, lower, upper) == pytest.approx(published, abs=0.005)

    def test_guard_band_of_few_degrees_of_freedom(self) -> None:
        # JCGM 106:2012, 8.3.3 example 2, turned round: u = 0.20, ν = 9, one-sided t = 1.83: g = 0.37 from 2.00
        def decided(y: float) -> str:
            result = Propagated(y, 0.20, 9.0, 2.32, 0.46)
            return verdict({}, result, (-math.inf, 2.0), conformance_probability(result, -math.inf, 2.0))

        assert [decided(y) for y in (1.62, 1.64, 2.36, 2.38)] == ["pass", "undecided", "undecided", "fail"]


class TestInventedRoutines:
    def test_are_the_same_for_a_seed_and_others_for_another(self) -> None:
        assert case(3, 1) == case(3, 1)
        assert case(3, 1) != case(3, 2)

    def test_have_every_verdict_and_rule(self) -> None:
        def of(item: Case) -> set[str]:
            return {f"{one.decision['rule']} {one.verdict}" for one in figures(item.routine, item.readings).values()}

        seen: set[str] = set().union(*(of(case(number, SEED)) for number in range(ROUTINES)))
        rules: dict[str, tuple[str, ...]] = {
            "simple": ("pass", "fail"),
            "guarded": ("pass", "fail", "undecided"),
            "probability": ("pass", "undecided"),
        }
        assert {f"{rule} {word}" for rule, words in rules.items() for word in words} <= seen
