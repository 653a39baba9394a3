"""The shipped routines and their documentation are current."""

from __future__ import annotations

import csv
import math
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.estimate import parse_estimate
from holdzero.quantity import Dimension
from holdzero.routine.keys import key_tables
from holdzero.routine.load import load_routine
from holdzero.routine.steps import AnyStep

FOLDER = Path(__file__).parents[2] / "routines"
SHIPPED = sorted(FOLDER.glob("*.toml"))
SERIALS = {"gauge-study": [f"GS-{number}" for number in range(1, 6)]}  # as its readings say; the others take one part
FIRST = "Safety sheets and local rules come before this text."
STOPS = {"gauge-pad": ["heat/explains"]}  # what a shipped routine is there to show; the others end without


def answers_of(path: Path) -> list[tuple[str, str]]:
    lines = path.with_suffix(".readings.csv").read_text("utf-8").splitlines()
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))[1:]
    return [(time, answer) for time, answer in rows]


def serials_of(path: Path) -> list[str]:
    return SERIALS.get(path.stem, ["1"])


def test_there_are_six() -> None:
    assert len(SHIPPED) == 6


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
class TestEveryShippedRoutine:
    def test_is_valid_with_its_checks(self, path: Path, catalogue: Catalogue) -> None:
        loaded = load_routine(path)
        checks, faults = bind(loaded.routine, catalogue, loaded.origins)
        assert (faults, checks.missing) == ((), ())

    def test_runs_with_the_readings_beside_it(self, path: Path, measure: Callable[..., Any]) -> None:
        outcome = measure(path, answers_of(path), serials=serials_of(path))
        assert outcome.code in (0, 3), outcome.said
        stops = [[f["code"] for f in record["findings"] if f["level"] == "stop"] for record in outcome.records]
        assert stops == [STOPS.get(path.stem, [])] * len(serials_of(path))

    def test_has_a_line_for_each_reading_and_none_for_what_is_only_confirmed(
        self, path: Path, measure: Callable[..., Any]
    ) -> None:
        outcome = measure(path, answers_of(path), serials=serials_of(path))
        read = {row["entry"] for record in outcome.records for row in record["readings"]}
        assert len(read) == len(answers_of(path))

    def test_says_in_its_title_and_its_first_lines_what_is_invented(self, path: Path) -> None:
        head, _, _ = path.read_text("utf-8").partition("format = 1")
        assert "invented" in load_routine(path).routine.routine.title
        assert "invented" in head.lower()

    def test_warns_before_the_solvent(self, path: Path) -> None:
        (wipe,) = (step for step in load_routine(path).routine.steps if step.say.startswith("Wipe"))
        for word in ("flammable", "no flame, spark or hot lamp", "fresh air, gloves, glasses", "closed metal bin"):
            assert word in wipe.caution

    def test_puts_safety_sheets_and_local_rules_before_its_own_words(self, path: Path) -> None:
        cautions = [step.caution for step in load_routine(path).routine.steps if step.do == "prepare"]
        assert cautions
        assert [text for text in cautions if not text.endswith(FIRST)] == []


class TestWhatTheyShow:
    def test_the_ring_passes(self, measure: Callable[..., Any]) -> None:
        path = FOLDER / "spacer-ring.toml"
        assert measure(path, answers_of(path)).record["verdict"] == "pass"

    def test_warmth_of_the_hand_looks_like_tilt_and_fades(self, measure: Callable[..., Any]) -> None:
        path = FOLDER / "gauge-pad.toml"
        outcome = measure(path, answers_of(path))
        assert outcome.record["verdict"] == "undecided"
        (heat,) = [f for f in outcome.record["findings"] if f["code"] == "heat/explains"]
        # the readings were made with a tilt of 0.09 µm and a time constant of 482 s
        value = outcome.record["results"]["parallelism"]["value_um"]
        assert value - heat["data"]["in_value_high_um"] <= 0.09 <= value - heat["data"]["in_value_low_um"]
        assert heat["data"]["in_value_high_um"] - heat["data"]["in_value_low_um"] < 0.05

    def test_the_tilt_of_the_pad_fades_as_steel_of_its_width_evens_out(self) -> None:
        answers = [(float(time), float(answer)) for time, answer in answers_of(FOLDER / "gauge-pad.toml")[4:54]]
        # five places a round: centre, left front, right front, left back, right back
        rounds = [answers[start : start + 5] for start in range(0, 50, 5)]
        times_s = np.array([np.mean([time for time, _ in each]) for each in rounds])
        tilt_um = np.array([each[2][1] + each[4][1] - each[1][1] - each[3][1] for each in rounds]) / 2.0
        settled_um = 0.09 - 0.015  # right less left of the pad itself, as its readings were made
        faded = tilt_um - settled_um > 0.02  # above a count of the dial
        slope, _ = np.polyfit(times_s[faded], np.log(tilt_um[faded] - settled_um), 1)
        # τ = L²/(π²·D): Bergman and others, Fundamentals of Heat and Mass Transfer, 7th ed., 5.5 (from memory)
        # k = 45 W/mK, ρ = 7850 kg/m³, c = 460 J/kgK: gauge steel (handbook values, from memory)
        inside_s = 0.25**2 / (math.pi**2 * 45.0 / (7850.0 * 460.0))
        # Air takes some of it too, with h of 5 W/m²K: V/A of 250 mm × 250 mm × 30 mm on its edge is 12.7 mm.
        by_air_s = 7850.0 * 460.0 * 0.0127 / 5.0
        assert -1.0 / slope == pytest.approx(1.0 / (1.0 / inside_s + 1.0 / by_air_s), rel=0.1)
        assert 3.0 < (answers[-1][0] - answers[0][0]) / inside_s < 4.0

    def test_a_block_that_no_hand_warmed_reads_alike_all_the_time(self, measure: Callable[..., Any]) -> None:
        path = FOLDER / "long-block.toml"
        outcome = measure(path, answers_of(path))
        assert outcome.record["verdict"] == "pass"
        assert outcome.codes("stop") == []
        # 0.08 µm of the reference, less the 0.2 µm that the readings were made with
        assert outcome.record["results"]["length"]["value_um"] == pytest.approx(-0.12, abs=0.01)
        times = [float(time) for time, _ in answers_of(path)[3:-2]]
        assert len(times) == 60
        assert times[-1] - times[0] >= 45 * 60.0

    def test_the_lacquer_gives_way_and_holds_at_its_force(self, measure: Callable[..., Any]) -> None:
        path = FOLDER / "shim-lacquer.toml"
        outcome = measure(path, answers_of(path))
        assert "film/gives_way" in outcome.codes("doubt")
        assert outcome.record["results"]["lacquer"]["value_um"] == pytest.approx(5.3, abs=0.05)


class TestTheirCautions:
    """What can hurt at each bench: common practice, no source."""

    def step(self, name: str, say: str) -> AnyStep:
        """The step of a routine whose words begin so."""
        (found,) = (step for step in load_routine(FOLDER / f"{name}.toml").routine.steps if step.say.startswith(say))
        return found

    @pytest.mark.parametrize("name", ["spacer-ring", "shim-lacquer", "gauge-study", "end-gauge-gum-h1", "long-block"])
    def test_what_is_laid_on_the_plate_may_be_heavy_and_sharp(self, name: str) -> None:
        caution = self.step(name, "Put ").caution
        assert "can be heavy, and their edges sharp: lift with two hands or a lifting aid" in caution

    def test_a_heavy_plate_pad_or_master_falls_and_pinches(self) -> None:
        caution = self.step("gauge-pad", "Lay pad and block").caution
        for words in ("plate, a long pad or a master is heavy", "crushes a foot", "pinches fingers", "two hands"):
            assert words in caution

    def test_a_block_that_is_stood_up_falls(self) -> None:
        caution = self.step("long-block", "Take the reference off").caution
        for words in ("falls crushes a foot", "edges are sharp", "tongs that hold it", "feet clear"):
            assert words in caution

    def test_a_shim_cuts_and_its_lacquer_has_dust_and_solvent(self) -> None:
        caution = self.step("shim-lacquer", "Lay the shim out").caution
        for words in ("edge of a shim cuts", "do not scrape, sand or heat it", "its dust or solvent"):
            assert words in caution

    @pytest.mark.parametrize("say", ["Change the contact force", "Take the weight off"])
    def test_a_weight_falls_and_pinches_and_a_spindle_under_spring_snaps_back(self, say: str) -> None:
        caution = self.step("shim-lacquer", say).caution
        for words in ("weight that falls", "pinches fingers", "spindle under spring snaps back"):
            assert words in caution

    def test_whether_a_part_that_carries_load_is_used_is_not_decided_here(self, measure: Callable[..., Any]) -> None:
        path = FOLDER / "spacer-ring.toml"
        (compared,) = (s for s in measure(path, answers_of(path)).record["steps"] if s["kind"] == "compare")
        assert "carries load" in compared["caution"]
        assert compared["caution"].endswith("is decided by those who answer for it.")

    def test_mains_adapters_and_cables_stay_away_from_what_is_wet(self) -> None:
        _, _, said = (FOLDER / "lines" / "README.md").read_text("utf-8").partition("## Before you plug in")
        said = " ".join(said.partition("\n## ")[0].split())
        for words in ("mains adapter", "wet bench", "shock", "residual-current device", "electrician", "local rules"):
            assert words in said


class TestDocumentation:
    TEXT = (FOLDER / "README.md").read_text("utf-8")

    def test_the_key_tables_are_those_of_the_models(self) -> None:
        (tables,) = re.findall(r"<!-- keys: begin -->\n(.*)<!-- keys: end -->", self.TEXT, flags=re.DOTALL)
        assert tables == key_tables()

    def test_every_shipped_routine_is_described(self) -> None:
        assert [path.name for path in SHIPPED if path.name not in self.TEXT] == []

    def test_its_estimates_can_be_read(self) -> None:
        block = next(text for text in re.findall(r"```toml\n(.*?)```", self.TEXT, flags=re.DOTALL) if "inner" in text)
        lines = [line for line in block.splitlines() if line.strip()]
        for line in lines:
            ((key, raw),) = tomllib.loads(line).items()
            dimension = Dimension.DIFFERENCE if key == "difference" else Dimension.LENGTH
            assert parse_estimate(raw, dimension, about_zero=key == "error") is not None
        assert len(lines) == 9
