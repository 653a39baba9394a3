"""Odd things that instruments and people do while a run listens: nothing lost, doubled, taken wrongly, judged early."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.run import soaking as module
from holdzero.run.fold import take
from holdzero.run.kept import Observed
from holdzero.run.plan import Slot
from holdzero.run.soaking import may_end, outlooks_of, settled
from holdzero.run.state import State
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

    @pytest.mark.parametrize("digits", [2, 1])
    def test_by_a_fade_that_is_fitted_across_a_jump(self, digits: int) -> None:
        # It stands still for ten seconds, jumps by 4 um, and fades with 2 min (worked out, not published).
        state, slot = soaking()
        left = {float(t): 4.0 * math.exp(-(t - 10.0) / 120.0) if t >= 10.0 else 0.0 for t in range(2400)}
        seen: dict[float, float] = {}
        for time_s, value in left.items():
            seen[time_s] = round(value, digits)
            if time_s % 20.0:
                continue
            outlooks = outlooks_of(watched(state, slot, "", seen), slot)
            if may_end(outlooks, over=False):
                break
            if time_s == 60.0:
                (outlook,) = outlooks
                assert outlook.bound > value > 2.6
                assert abs(outlook.rate_per_min + value / 2.0) < 2.0 * outlook.rate_u
                assert abs(outlook.rate_per_min + value / 2.0) < 0.1
        assert value < 0.5
        assert time_s < 2390.0

    @pytest.mark.parametrize("seen_after_s", [0.0, 10.0, 60.0, 240.0])
    def test_by_a_counter_that_leaps(self, seen_after_s: float) -> None:
        # A fade of 20 min with 2 um to come (worked out): after four minutes the counter leaps by an hour.
        state, slot = soaking()
        true_s = [2.0 * number for number in range(121 + int(seen_after_s / 2.0) + 1)]
        leapt = {at + 3600.0 * (at > 240.0): round(2.0 * math.exp(-at / 1200.0), 2) for at in true_s}
        outlooks = outlooks_of(watched(state, slot, "", leapt), slot)
        assert len(outlooks) == 1
        assert not may_end(outlooks, over=True)
        assert not outlooks[0].near

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


def test_a_soak_that_is_near_enough_but_was_watched_too_little_keeps_the_limit_that_was_set() -> None:
    state, slot = soaking()
    state = watched(state, slot, "", {2.0 * number: -0.001 if number % 2 else 0.001 for number in range(149)})
    (outlook,) = outlooks_of(state, slot)
    assert (outlook.within, outlook.near, outlook.enough, outlook.settled) == (0.5, True, False, False)
    # A part of 5 mm may fade for longer than the 20 min of the soak: its time is over before that would show.
    assert outlook.left_s == pytest.approx(1200.0 - 296.0)
    assert settled((outlook,)) is None


def test_what_was_watched_before_the_counter_leapt_is_not_watched_for_long_enough() -> None:
    state, slot = soaking()
    seen = {2.0 * number + 3600.0 * (number > 80): -0.001 if number % 2 else 0.001 for number in range(220)}
    (outlook,) = outlooks_of(watched(state, slot, "", seen), slot)
    assert (outlook.near, outlook.enough, outlook.settled) == (True, False, False)


def test_a_difference_is_made_of_what_both_showed_since_the_last_one() -> None:
    state, slot = soaking()
    state = watched(state, slot, "part", {10.0 * number: 20.5 for number in range(120)})
    # The thermometer of the reference sends no more after a minute.
    state = watched(state, slot, "reference", {10.0 * number + 1.0: 20.0 for number in range(8)})
    outlooks = {outlook.of: outlook for outlook in outlooks_of(state, slot)}
    assert outlooks["part less reference"].points == 8
    assert outlooks["part less reference"].at_s == 71.0


def test_a_soak_is_folded_without_a_look_at_each_point(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = []

    def look(times_s: Sequence[float], values: Sequence[float], **_: object) -> None:
        assert len(times_s) == len(values)
        looks.append(len(times_s))

    monkeypatch.setattr(module, "outlook_of", look)
    state, slot = soaking()
    for number in range(2000):
        seen = e.SoakObserved(
            seq=state.seq + 1, wall=state.wall, time_s=float(number), slot=slot.id, of="", raw="0 um", value=0.0
        )
        state = take(state, seen)
    ended = e.SoakEnded(seq=state.seq + 1, wall=state.wall, time_s=2000.0, slot=slot.id, reason="enough")
    assert take(state, ended).soaks[0].reason == "enough"
    assert looks == [2000, 0]
