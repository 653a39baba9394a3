"""What a part lies on: a warmer plate, and a ground that keeps its heat in, are asked about; sound ones are not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from holdzero import events as e
from holdzero.hooks import Act, Finding
from holdzero.testing import Draft
from holdzero.views import view_of
from holdzero_plugins.checks._ground import asked_of_the_ground
from holdzero_plugins.checks._slow_fade import slow_fade_s
from holdzero_plugins.tables.materials import materials

Start = Callable[..., Any]  # see conftest

PLATE = (
    Draft()
    .with_table("thermometer", error={"halfwidth": "0.05 K"})
    .with_steps(
        {"do": "temperature", "of": "plate"},
        {"do": "temperature", "of": "part"},
        {"do": "zero"},
        {"do": "read", "at": "a"},
        {"do": "return"},
        {"do": "compare"},
    )
)
# A steel block of 100 mm: 17 to 42 min in still air (lumped body, h = 12 and 5 W/(m²·K), common practice, from memory).
LONGEST_S = 7850.0 * 460.0 * (31500.0 / 9115.0 * 1e-3) / 5.0
# What 0.2 K an hour make of 100 mm of steel [um/s] (common practice, no source).
DRIFT = 1.15 * 0.2 / 3600.0
BLOCK = Draft.of(Draft().text.replace('"5 mm"', '"100 mm"')).with_table("part", material="steel")


def asked(bench: Any) -> list[Finding]:
    view = view_of(bench.run.state, "1", materials())
    return [finding for finding in asked_of_the_ground(view) if np.any(finding.holds)]


class TestAPlate:
    def test_that_is_warmer_is_asked_about_with_its_numbers(self, start: Start) -> None:
        (found,) = asked(start(PLATE.text).answer("20.45", "20.3"))
        assert found.offer is not None
        assert found.offer.act is Act.SOAK
        assert found.text == (
            "The plate has 20.45 degC (entry 2) and the part 20.3 degC (entry 3): 0.15 K warmer, and the "
            "thermometers may be 0.1 K apart. Does it stand on something warm, or did it come in cold? Let both soak, "
            "and read again."
        )

    @pytest.mark.parametrize(("plate", "part"), [("20.4", "20.3"), ("20.3", "20.3"), ("20.1", "20.9")])
    def test_that_is_as_warm_as_thermometers_tell_or_colder_is_not(self, start: Start, plate: str, part: str) -> None:
        assert asked(start(PLATE.text).answer(plate, part)) == []

    def test_is_not_asked_about_any_more_once_the_part_was_read(self, start: Start) -> None:
        assert asked(start(PLATE.text).answer("20.6", "20.3", "0", "1")) == []

    def test_is_put_on_record_as_asked(self, measure: Callable[..., Any]) -> None:
        record = measure(PLATE.text, ["20.6", "20.3", "0", "1", "0"]).record
        (event,) = [event for event in record["events"] if event["event"] == "question_asked"]
        assert (event["code"], event["act"]) == ("thermal/ground/3", "soak")

    def test_with_both_at_rest_is_asked_about_in_fewer_than_one_run_in_a_hundred(self, start: Start) -> None:
        # Errors drawn as the routine states them, and each shown to a hundredth of a kelvin; seeded.
        chance = np.random.default_rng(20261130)
        view = view_of(start(PLATE.text).answer("20.3", "20.3").run.state, "1")
        shown = (np.round(20.3 + chance.uniform(-0.05, 0.05, 20_000), 2) for _ in range(2))
        taken = tuple(replace(one, value_degC=many) for one, many in zip(view.temperatures, shown, strict=True))
        (found,) = asked_of_the_ground(replace(view, temperatures=taken))
        assert np.mean(found.holds) < 0.01


class TestASoak:
    """What its reading, or the part's thermometer, showed; y = A·exp(−t/τ), worked out here."""

    def after(self, start: Start, shows: Callable[[float], dict[str, str]], minutes: float) -> list[Finding]:
        soak = {"do": "soak", "at_least": "20 min", "within": "0.1 um", "within_temperature": "0.02 K"}
        bench = start(BLOCK.with_step(**soak, index=0).text)
        for number in range(int(6.0 * minutes)):
            bench.time_s += 9.0
            for of, raw in shows(10.0 * number).items():
                value = float(raw.split()[-2])
                bench.take(e.SoakObserved, slot="1", of=of, raw=raw, value=value)
        return asked(bench.take(e.SoakEnded, slot="1", reason="the bell rang"))

    @staticmethod
    def reading(tau_s: float) -> Callable[[float], dict[str, str]]:
        return lambda at_s: {"": f"{4.0 * math.exp(-at_s / 120.0) + 12.0 * math.exp(-at_s / tau_s):.2f} um"}

    def test_that_fades_too_slowly_is_asked_about(self, start: Start) -> None:
        (found,) = self.after(start, self.reading(90.0 * 60.0), 90.0)
        assert found.text.startswith("While it soaked, the reading faded with a time constant of ")
        assert (
            " min or more: slower than a part of 100 mm in still air (17 to 42 min). Does it lie on wood, felt or "
            "foam, or on something warm? Lay it on a metal plate"
        ) in found.text
        assert LONGEST_S < found.data["least_constant_s"] < 90.0 * 60.0
        assert found.offer is not None
        assert found.offer.act is Act.SOAK

    @pytest.mark.parametrize("minutes", [4.0, 12.0, 30.0, 42.0])
    def test_that_fades_as_still_air_lets_it_is_not(self, start: Start, minutes: float) -> None:
        assert self.after(start, self.reading(60.0 * minutes), 90.0) == []

    def test_is_asked_about_by_the_thermometer_of_the_part(self, start: Start) -> None:
        found = self.after(start, lambda t: {"part": f"part {20.0 + 2.0 * math.exp(-t / 6000.0):.3f} degC"}, 120.0)
        assert [one.text[:52] for one in found] == ["While it soaked, the part faded with a time constant"]

    def test_whose_plate_stayed_warmer_is_asked_about(self, start: Start) -> None:
        (found,) = self.after(start, lambda _: {"part": "part 20.2 degC", "plate": "plate 20.9 degC"}, 10.0)
        assert found.text.startswith("At the end of the soak the plate had 20.9 degC and the part 20.2 degC: 0.7 K")
        assert found.code.startswith("thermal/ground/")


@pytest.mark.long
class TestASlowFade:
    """Made-up soaks: what they are is known; seeded."""

    def made(self, chance: np.random.Generator, slow_s: float, minutes: float) -> tuple[np.ndarray, np.ndarray, float]:
        times = np.arange(0.0, 60.0 * minutes, 20.0)
        sizes = chance.choice([-1.0, 1.0], 2) * np.exp(chance.uniform(math.log(0.5), math.log(20.0), 2))
        true = sizes[0] * np.exp(-times / chance.uniform(30.0, 300.0)) + sizes[1] * np.exp(-times / slow_s)
        # The air goes up and down, the room warms evenly.
        true += chance.uniform(0.0, 0.1) * np.sin(times / chance.uniform(60.0, 300.0))
        true += chance.uniform(-DRIFT, DRIFT) * times
        step = float(chance.choice([0.01, 0.1, 0.5]))
        noisy = true + chance.choice([0.0, 0.02, 0.2]) * chance.standard_normal(times.size)
        return times, np.round(noisy / step) * step, step

    def test_is_found_in_fewer_than_one_sound_soak_in_a_hundred(self) -> None:
        chance, found = np.random.default_rng(5), 0
        for _ in range(500):
            slow_s = math.exp(chance.uniform(math.log(300.0), math.log(LONGEST_S)))
            times, values, step = self.made(chance, slow_s, chance.uniform(10.0, 120.0))
            found += slow_fade_s(times, values, longest_s=LONGEST_S, drift_per_s=DRIFT, step=step) is not None
        assert found < 5

    @pytest.mark.parametrize("slow_min", [64.0, 90.0, 120.0])
    def test_is_found_where_it_shows(self, slow_min: float) -> None:
        # A block that lies on felt loses nothing through its broad side: 64 min at h = 5 (worked out).
        chance = np.random.default_rng(6)
        times = np.arange(0.0, 7200.0, 30.0)
        values = 12.0 * np.exp(-times / (60.0 * slow_min)) + 0.05 * chance.standard_normal(times.size)
        found = slow_fade_s(times, np.round(values, 1), longest_s=LONGEST_S, drift_per_s=DRIFT, step=0.1)
        assert found is not None
        assert LONGEST_S < found <= 60.0 * slow_min

    def test_is_not_told_from_a_room_that_warms_evenly(self) -> None:
        times = np.arange(0.0, 5400.0, 20.0)
        assert slow_fade_s(times, np.round(1e-3 * times, 1), longest_s=LONGEST_S, drift_per_s=DRIFT, step=0.1) is None

    def test_is_not_told_by_few_points(self) -> None:
        assert slow_fade_s(range(19), [0.0] * 19, longest_s=LONGEST_S, drift_per_s=DRIFT, step=0.1) is None
        assert slow_fade_s([1.0] * 30, [0.0] * 30, longest_s=LONGEST_S, drift_per_s=DRIFT, step=0.1) is None
