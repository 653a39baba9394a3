"""Whatever is seen during a soak, its outlook is made, says nothing that can't be, and ends nothing too early."""

from __future__ import annotations

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.catalogue import Catalogue
from holdzero.outlook import FEWEST, outlook_of
from holdzero.run.kept import Observed
from holdzero.run.soaking import may_end, outlooks_of, settled
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of

VALUES = st.lists(st.floats(-1e4, 1e4, allow_nan=False), min_size=FEWEST, max_size=40)
STEPS = st.floats(0.0, 600.0)


@given(VALUES, st.lists(STEPS, min_size=40, max_size=40), st.sampled_from([0.0, 0.03, 0.3]), st.floats(1e-3, 10.0))
def test_any_course_has_an_outlook_or_none(values: list[float], steps: list[float], step: float, within: float) -> None:
    times = list(np.cumsum(steps)[: len(values)])
    found = outlook_of(times, values, of="", unit="um", within=within, step=step)
    if found is None:
        assert times[-1] - times[0] <= 1e-9  # finer than any counter
        return
    assert math.isfinite(found.now)
    assert found.bound >= 0.0
    assert found.steady or found.bound >= abs(found.to_come) * (1.0 - 1e-6)
    assert not (found.steady and found.settled)
    assert found.left_s is None or found.left_s >= 0.0
    assert all(math.isfinite(at) and math.isfinite(value) for at, value in found.curve)


@given(st.floats(-50.0, 50.0), st.integers(FEWEST, 300), st.sampled_from([0.0, 0.1]))
def test_what_never_moves_is_told_not_to_move(value: float, number: int, step: float) -> None:
    found = outlook_of([10.0 * n for n in range(number)], [value] * number, of="", unit="um", step=step)
    assert found is not None
    assert abs(found.to_come) <= 1e-6 + abs(value) * 1e-9
    assert abs(found.now - value) <= 1e-6 + abs(value) * 1e-9


@given(VALUES, st.floats(-1e3, 1e3))
def test_where_the_zero_stands_changes_nothing_but_the_value(values: list[float], shift: float) -> None:
    times = [10.0 * n for n in range(len(values))]
    plain = outlook_of(times, values, of="", unit="um")
    moved = outlook_of(times, [value + shift for value in values], of="", unit="um")
    assert plain is not None
    assert moved is not None
    scale = 1.0 + max(map(abs, values)) + abs(shift)
    assert abs(moved.now - plain.now - shift) <= 1e-3 * scale


@given(
    VALUES,
    st.floats(0.05, 1.0),
    st.sampled_from([1.0, 5.0, 25.0, 100.0, 500.0]),
    st.sampled_from([(35.0, 9.0), (5.0, 5.0), (60.0, 40.0)]),
)
def test_a_reading_alone_ends_no_soak_before_a_slow_fade_of_the_part_would_show(
    values: list[float], share: float, length_mm: float, section_mm: tuple[float, float]
) -> None:
    # V/A with the foot not counted, 3.9e6 J/(m³·K) of nickel, 5 W/(m²·K) of still air (from memory), worked out here.
    width, depth = section_mm
    area_mm2 = 2.0 * (width + depth) * length_mm + width * depth
    slowest_s = 3.9e6 * (width * depth * length_mm / area_mm2 * 1e-3) / 5.0
    draft = Draft.of(Draft().text.replace('"5 mm"', f'"{length_mm:g} mm"'))
    draft = draft.with_table("part", section=[f"{width:g} mm", f"{depth:g} mm"])
    soak = {"do": "soak", "at_least": "24 h", "within": "20 mm"}
    state = begun(loaded_of(draft.with_steps(soak, {"do": "compare"}), Catalogue()), simulated=False).state
    slot = state.slot
    assert slot is not None
    slot = replace(slot, at_least_s=3.9 * slowest_s)  # a quarter of that is watched, and its time is not over
    span_s = share * 0.999 * slowest_s
    times = [span_s * number / (len(values) - 1) for number in range(len(values))]
    seen = tuple(Observed(slot=slot, of="", value=v, time_s=t) for v, t in zip(values, times, strict=True))
    outlooks = outlooks_of(replace(state, observed=seen), slot)
    assert settled(outlooks) is not True
    assert not may_end(outlooks, over=False)


@pytest.fixture(scope="module")
def soaks() -> ModuleType:
    """The made-up soaks of the long form, `python tests/benchmarks/soaks.py`."""
    path = Path(__file__).parents[1] / "benchmarks" / "soaks.py"
    spec = importlib.util.spec_from_file_location("soaks", path)
    assert spec is not None
    assert spec.loader is not None
    # A data class looks itself up among the modules.
    module = sys.modules["soaks"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class TestMadeUpSoaks:
    """Fast and slow fades, steps, ramps, late starts, noise, coarse dials, thermometers: what is to come is known."""

    MANY = 1500

    def test_never_end_with_more_to_come_than_is_allowed_that_shows(self, soaks: ModuleType) -> None:
        made = [soaks.made_up(2, number) for number in range(self.MANY)]
        # Each is asked at the one point at which a wrong end is likeliest.
        ends = [soaks.wrong_end(soak, most=1) for soak in made]
        wrong = [number for number, end in enumerate(ends) if end is not None]
        assert [number for number in wrong if made[number].shows(ends[number])] == []
        # What began so lately that noise hides it can't be seen by anybody; in all, the confidence is kept.
        assert len(wrong) <= 0.05 * self.MANY

    def test_are_of_all_kinds_and_some_have_more_to_come_when_they_might_end(self, soaks: ModuleType) -> None:
        made = [soaks.made_up(2, number) for number in range(200)]
        assert {soak.kind for soak in made} == set(soaks.KINDS)
        assert sum(abs(soak.to_come[soak.earliest - 1]) > soaks.WITHIN for soak in made) > 60
        assert sum(bool(soaks.wrong_looks(soak)) for soak in made) > 20
