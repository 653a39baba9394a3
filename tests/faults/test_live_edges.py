"""Odd things that instruments and people do while a run listens: nothing lost, doubled, taken wrongly, judged early."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from holdzero.catalogue import Catalogue
from holdzero.run.plan import Slot
from holdzero.run.soaking import may_end, outlooks_of, settled
from holdzero.run.state import Observed, State
from holdzero.testing import Draft
from holdzero.testing.drive import begun, loaded_of

SOAK = {"do": "soak", "at_least": "20 min", "within": "0.5 um", "within_temperature": "0.05 K"}


def soaking() -> tuple[State, Slot]:
    """A run in which a soak is asked for."""
    steps = (SOAK, {"do": "zero"}, {"do": "read", "at": "a"}, {"do": "return"}, {"do": "compare"})
    state = begun(loaded_of(Draft().with_steps(*steps), Catalogue()), simulated=False).state
    slot = state.slot
    assert slot is not None
    return state, slot


def watched(state: State, slot: Slot, of: str, values: dict[float, float]) -> State:
    seen = [Observed(slot=slot, of=of, value=value, time_s=time_s) for time_s, value in values.items()]
    return replace(state, observed=tuple(sorted((*state.observed, *seen), key=lambda item: item.time_s)))


def ends_s(of: str, resolution: int, amplitude: float, tau_s: float) -> float:
    """When a soak may end that is watched every five seconds [s]."""
    state, slot = soaking()
    seen: dict[float, float] = {}
    for number in range(1, 240):
        seen[5.0 * number] = round(20.0 * bool(of) + amplitude * math.exp(-5.0 * number / tau_s), resolution)
        if may_end(outlooks_of(watched(state, slot, of, seen), slot), over=False):
            return 5.0 * number
    return math.inf


class TestASoakIsNotAtRest:
    def test_by_a_reading_that_hardly_moves_within_a_moment(self) -> None:
        # 2 um to come with a time constant of 20 min moves by no more than the last digit within half a minute.
        assert ends_s("", 1, 2.0, 1200.0) > 1200.0

    def test_by_a_thermometer_whose_last_digit_hides_the_drift(self) -> None:
        assert ends_s("part", 1, 1.5, 1200.0) > 1200.0

    @pytest.mark.parametrize("few", [0, 3])
    def test_by_the_reference_while_too_little_is_known_of_the_part(self, few: int) -> None:
        state, slot = soaking()
        state = watched(state, slot, "reference", {5.0 * number: 20.0 + 0.001 * (number % 2) for number in range(120)})
        state = watched(state, slot, "part", {5.0 * number + 1.0: 21.5 for number in range(few)})
        assert settled(outlooks_of(state, slot)) is None
        assert not may_end(outlooks_of(state, slot), over=False)

    def test_by_what_was_seen_before_it_began_anew(self) -> None:
        state, slot = soaking()
        seen = {5.0 * number: 0.1 * (number % 2) for number in range(360)}
        state = watched(state, slot, "", seen)
        assert may_end(outlooks_of(state, slot), over=False)
        # A reading was struck out and taken again between: the part was moved.
        assert not may_end(outlooks_of(replace(state, soak_from_s=1800.0), slot), over=False)


def test_a_soak_that_is_not_at_rest_goes_on_after_its_time_however_little_else_was_seen() -> None:
    state, slot = soaking()
    state = watched(state, slot, "", {5.0 * number: 20.0 * math.exp(-number / 100.0) for number in range(240)})
    state = watched(state, slot, "part", {7.0: 20.0})
    assert not may_end(outlooks_of(state, slot), over=True)
