"""The check for heat: a fade is told from shape, and from mere scatter."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero.views import view_of
from holdzero_plugins.checks import heat

HEAD = """\
format = 1
routine = { title = "Pad", part = "P-1" }
reference = { name = "Block", size = "50 mm", deviation = "0 um", material = "steel" }
part = { material = "steel" }
comparator = { resolution = "0.02 um", travel = "50 um" }
bracket = { limit = "0.2 um" }
checks.heat = { }
"""
TILT = 'characteristics.tilt = { measure = "variation", at = ["a", "b"], upper = "1 um" }\n'
SIZE = 'characteristics.size = { measure = "size", at = ["a"], nominal = "50 mm", lower = "-1 um", upper = "1 um" }\n'
PASS_S, TAU_S = 120.0, 300.0


def steps(passes: int, places: str = "ab") -> str:
    reads = ", ".join(f'{{ do = "read", at = "{place}" }}' for place in places)
    return (
        'steps = [ { do = "zero", times = 2 }, '
        f'{{ do = "repeat", times = {passes}, steps = [ {reads} ] }}, {{ do = "return" }} ]\n'
    )


def noise(index: int) -> float:
    """A scatter of about 0.01 µm without chance."""
    return 0.01 * math.sin(2.4 * index * index + index)


def fading(passes: int, settled: Sequence[float], start: Sequence[float], tau_s: float = TAU_S) -> list[Any]:
    """Readings of places that settle from their start, 20 s apart within a pass."""
    answers: list[Any] = [(10.0, "0"), (20.0, "+0.02")]
    for index in range(passes * len(settled)):
        number, place = divmod(index, len(settled))
        time_s = PASS_S * number + 20.0 * place
        value = settled[place] + start[place] * math.exp(-time_s / tau_s) + noise(index)
        answers.append((60.0 + time_s, f"{round(value / 0.02) * 0.02:.2f}"))
    return [*answers, (60.0 + PASS_S * passes, "0")]


def finding(outcome: Any, code: str) -> dict[str, Any]:
    (one,) = [f for f in outcome.record["findings"] if f["code"] == code]
    found: dict[str, Any] = one
    return found


def codes(outcome: Any) -> set[str]:
    return {f["code"] for f in outcome.record["findings"] if f["code"].startswith("heat/")}


class TestATiltThatFades:
    def test_is_undecided_with_where_it_would_settle(self, measure: Callable[..., Any]) -> None:
        outcome = measure(HEAD + TILT + steps(6), fading(6, (0.3, 0.1), (1.0, 0.2)))
        assert outcome.codes("stop") == ["heat/explains"]
        assert outcome.code == 3
        data = finding(outcome, "heat/explains")["data"]
        assert data["asymptote_um"] == pytest.approx(0.2, abs=3 * data["asymptote_standard_um"])
        assert data["tau_s"] == pytest.approx(TAU_S, abs=3 * data["tau_standard_s"])
        assert data["amplitude_um"] == pytest.approx(0.8, abs=0.1)
        assert data["in_value_um"] == pytest.approx(outcome.record["results"]["tilt"]["value_um"] - 0.2, abs=0.05)

    def test_is_told_in_plain_words(self, measure: Callable[..., Any]) -> None:
        text = finding(measure(HEAD + TILT + steps(6), fading(6, (0.3, 0.1), (1.0, 0.2))), "heat/explains")["text"]
        assert text.startswith("tilt: what looks like tilt faded from ")
        assert "heat of the hand, not shape. It would settle at (" in text
        assert "read again. Lying on a metal plate" in text

    def test_the_wait_brings_what_is_left_below_the_limit(self, measure: Callable[..., Any]) -> None:
        outcome = measure(HEAD + TILT + steps(6), fading(6, (0.3, 0.1), (1.0, 0.2)))
        data = finding(outcome, "heat/explains")["data"]
        assert data["left_um"] * math.exp(-data["wait_s"] / data["tau_s"]) == pytest.approx(0.02)

    def test_a_wide_allowance_leaves_a_note(self, measure: Callable[..., Any]) -> None:
        head = HEAD.replace("checks.heat = { }", 'checks.heat = { allowance = "2 um" }')
        outcome = measure(head + TILT + steps(6), fading(6, (0.3, 0.1), (1.0, 0.2)))
        assert codes(outcome) == {"heat/little"}
        assert outcome.codes("stop") == []


class TestASizeThatFades:
    def test_a_warm_part_shrinks(self, measure: Callable[..., Any]) -> None:
        outcome = measure(HEAD + SIZE + steps(12, "a"), fading(12, (0.5,), (1.5,)))
        found = finding(outcome, "heat/explains")
        assert found["characteristic"] == "size"
        assert "what looks like size shrank by" in found["text"]
        assert found["data"]["asymptote_um"] == pytest.approx(0.5, abs=0.05)

    def test_a_cold_part_grows(self, measure: Callable[..., Any]) -> None:
        outcome = measure(HEAD + SIZE + steps(12, "a"), fading(12, (0.5,), (-1.5,)))
        assert "a cold part that warms up" in finding(outcome, "heat/explains")["text"]

    def test_a_creep_that_does_not_bend_is_a_doubt(self, measure: Callable[..., Any]) -> None:
        outcome = measure(HEAD + SIZE + steps(12, "a"), fading(12, (-19.0,), (20.0,), tau_s=40 * TAU_S))
        assert codes(outcome) == {"heat/creep"}

    def test_without_times_the_order_stands_in_for_them(self, measure: Callable[..., Any]) -> None:
        answers = [text for _, text in fading(12, (0.5,), (1.5,))]
        found = finding(measure(HEAD + SIZE + steps(12, "a"), answers), "heat/explains")
        assert "tau_s" not in found["data"]
        assert "note the times" in found["text"]


class TestWhereNothingFades:
    @pytest.mark.parametrize("places", ["ab", "a"])
    def test_scatter_is_no_fade(self, measure: Callable[..., Any], places: str) -> None:
        text = TILT if places == "ab" else SIZE
        flat = fading(8, (0.5, 0.2)[: len(places)], (0.0, 0.0)[: len(places)])
        assert codes(measure(HEAD + text + steps(8, places), flat)) == set()

    def test_equal_readings_are_no_fade(self, measure: Callable[..., Any]) -> None:
        outcome = measure(HEAD + TILT + steps(5), ["0", "0", *["0.10"] * 10, "0"])
        assert codes(outcome) == set()

    def test_a_bad_first_pass_is_not_taken_for_heat(self, measure: Callable[..., Any]) -> None:
        answers = fading(10, (0.5,), (0.0,))
        answers[2] = (answers[2][0], "3.00")
        outcome = measure(HEAD + SIZE + steps(10, "a"), answers)
        assert "heat/explains" not in codes(outcome)

    def test_few_passes_do_not_tell(self, measure: Callable[..., Any]) -> None:
        assert codes(measure(HEAD + TILT + steps(3), fading(3, (0.3, 0.1), (1.0, 0.2)))) == {"heat/few"}

    def test_false_alarms_are_rarer_than_the_level_of_the_test(self) -> None:
        # 4,000 runs of three places and six passes; seeded
        chance = np.random.default_rng(20260302)
        times = np.concatenate([np.arange(6) * 240.0 + 20.0 * place for place in range(3)])
        values = np.rint(chance.normal(0.0, 2.0, (4000, times.size))) * 0.1
        labels = np.repeat(np.arange(3), 6)
        span = float(times.max())
        fit = heat.fit_decay(times, values, labels, rates=(1 / (4 * span), 10 / span), floor=0.1 / math.sqrt(12))
        amplitude, standard = fit.amplitude_of(np.full(3, 1 / 3))
        # F(4, 11) at 1 %: 5.67, any table
        sure = (fit.f > 5.67) & (np.abs(amplitude) > 3 * standard) & (np.abs(amplitude) > 0.1) & (fit.edge == 0)
        assert sure.mean() <= 0.01


class TestAtTheBench:
    def asked(self, start: Callable[..., Any], count: int) -> list[Any]:
        bench = start(HEAD + TILT + steps(6))
        for time_s, text in fading(6, (0.3, 0.1), (1.0, 0.2))[:count]:
            bench.time_s = time_s - 1.0  # the bench adds a second
            bench.answer(text)
        settings = heat.HeatSettings.model_validate({})
        return [f for f in heat.watch(settings, view_of(bench.run.state, "1")) if np.all(f.holds)]

    def test_it_asks_once_the_fade_is_sure_and_the_pass_is_whole(self, start: Callable[..., Any]) -> None:
        (found,) = self.asked(start, 2 + 2 * 6)
        assert found.code == "heat/fades/tilt/6"
        assert "is the part still warm?" in found.text
        assert self.asked(start, 2 + 2 * 5 + 1) == []

    def test_places_that_only_stand_beside_count_for_nothing(self, start: Callable[..., Any]) -> None:
        text = 'characteristics.c = { measure = "size", at = "a", from = "s", with = "b", nominal = "50 mm" }\n'
        bench = start(HEAD + text + steps(5, "asb"))
        for time_s, answer in fading(5, (0.3, 0.0, 0.1), (1.0, 0.0, 0.2))[:-1]:
            bench.time_s = time_s - 1.0
            bench.answer(answer)
        (found,) = heat.watch(heat.HeatSettings.model_validate({}), view_of(bench.run.state, "1"))
        assert np.all(found.holds)
        assert found.data["asymptote_um"] == pytest.approx(0.3, abs=0.06)

    def test_it_does_not_ask_before_the_fourth_pass(self, start: Callable[..., Any]) -> None:
        assert self.asked(start, 2 + 2 * 3) == []


def test_many_runs_go_the_same_way_as_one(start: Callable[..., Any]) -> None:
    bench = start(HEAD + TILT + steps(6))
    for time_s, text in fading(6, (0.3, 0.1), (1.0, 0.2))[:-1]:
        bench.time_s = time_s - 1.0
        bench.answer(text)
    one = view_of(bench.run.state, "1")
    flat = {r.seq: np.array([r.value_um, 0.02 * (index % 2)]) for index, r in enumerate(one.readings)}
    many = replace(one, readings=tuple(replace(r, value_um=flat[r.seq]) for r in one.readings))
    settings = heat.HeatSettings.model_validate({})
    (single,), (both,) = (list(heat.watch(settings, seen)) for seen in (one, many))
    assert np.asarray(both.holds).tolist() == [bool(single.holds), False]
