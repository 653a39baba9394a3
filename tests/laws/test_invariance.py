"""What must not change a result: the unit of the readings, a shift with the zero, the order of terms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.evaluate import evaluate

Start = Callable[..., Any]

HEAD = """\
format = 1
routine = {{ title = "Washer", part = "W-1", units = "{units}" }}
reference = {{ name = "Block", size = "{size}", deviation = {{ value = "{deviation}", standard = "{u}" }} }}
comparator = {{ resolution = "{resolution}", unit = "{unit}", error = {{ halfwidth = "{error}" }} }}
bracket = {{ limit = "1 m" }}
characteristics.t = {{ measure = "size", at = ["a", "b"], nominal = "{size}", lower = "-{limit}", upper = "{limit}" }}
characteristics.v = {{ measure = "variation", at = ["a", "b"], upper = "{limit}" }}
steps = [
    {{ do = "zero", times = 2 }},
    {{ do = "repeat", times = 2, steps = [ {{ do = "read", at = "a" }}, {{ do = "read", at = "b" }} ] }},
    {{ do = "return" }},
]
"""
METRIC = HEAD.format(
    units="mm",
    size="25.4 mm",
    deviation="0.0254 um",
    u="0.0508 um",
    resolution="0.0254 um",
    unit="um",
    error="0.127 um",
    limit="2.54 um",
)
INCH = HEAD.format(
    units="in",
    size="1 in",
    deviation="1 uin",
    u="2 uin",
    resolution="1 uin",
    unit="uin",
    error="5 uin",
    limit="100 uin",
)
counts = st.lists(st.integers(-90, 90), min_size=7, max_size=7)
quick = settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


@pytest.fixture
def outcome(start: Start, catalogue: Catalogue) -> Callable[[str, list[str]], dict[str, Any]]:
    def go(text: str, answers: list[str]) -> dict[str, Any]:
        bench = start(text).answer(*answers, "")
        checks, _ = bind(bench.loaded.routine, catalogue)
        return {result.name: result for result in evaluate(bench.run.state, "1", checks).results}

    return go


def numbers(result: Any) -> tuple[float, ...]:
    return (
        float(result.propagated.value_um),
        float(result.propagated.standard_uncertainty_um),
        float(result.decision.expanded_uncertainty_um),
        float(result.decision.conformance_probability),
    )


@given(counts)
@quick
def test_inches_and_millimetres_give_the_same(
    outcome: Callable[[str, list[str]], dict[str, Any]], readings: list[int]
) -> None:
    metric = outcome(METRIC, [f"{count * 0.0254:.4f}" for count in readings])
    inch = outcome(INCH, [str(count) for count in readings])
    for name in ("t", "v"):
        assert numbers(metric[name]) == pytest.approx(numbers(inch[name]), rel=1e-9, abs=1e-9)
        assert metric[name].verdict is inch[name].verdict


@given(counts, st.integers(-500, 500))
@quick
def test_a_shift_of_all_readings_with_the_zero_changes_nothing(
    outcome: Callable[[str, list[str]], dict[str, Any]], readings: list[int], shift: int
) -> None:
    one = outcome(INCH, [str(count) for count in readings])
    other = outcome(INCH, [str(count + shift) for count in readings])
    for name in ("t", "v"):
        assert numbers(one[name]) == pytest.approx(numbers(other[name]), rel=1e-7, abs=1e-9)


@given(st.permutations(["alpha", "beta", "gamma"]))
@quick
def test_the_order_of_the_routine_s_own_terms_changes_nothing(
    outcome: Callable[[str, list[str]], dict[str, Any]], order: list[str]
) -> None:
    sizes = {"alpha": "0.1 um", "beta": "-0.3 um", "gamma": "0.7 um"}

    def terms(names: list[str]) -> str:
        rows = ", ".join(f'{{ name = "{name}", value = "{sizes[name]}", halfwidth = "0.2 um" }}' for name in names)
        return f"terms = [ {rows} ]\n" + INCH

    readings = ["0", "1", "5", "7", "6", "7", "0"]
    one, other = outcome(terms(["alpha", "beta", "gamma"]), readings), outcome(terms(order), readings)
    assert numbers(one["t"]) == pytest.approx(numbers(other["t"]), rel=1e-12)
