"""What a scenario adds to a virtual bench, and what is refused as one."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.cli import app
from holdzero.errors import FileFaultsError
from holdzero.rehearse import Tally, rehearsed
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario, load_scenario
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

RUNS = 2_000
HEAD = 'format = 1\ntitle = "something"\n'
Count = Callable[..., Tally]


@pytest.fixture
def count(catalogue: Catalogue) -> Count:
    """Rehearse a routine at one true size under a scenario."""

    def go(true_um: float = 0.0, soak: str = "20 min", **tables: Any) -> Tally:
        steps = (
            {"do": "prepare", "say": "Wipe."},
            {"do": "soak", "at_least": soak},
            {"do": "zero", "times": 3},
            {"do": "repeat", "times": 3, "steps": [{"do": "read", "at": "a"}]},
            {"do": "return"},
            {"do": "compare"},
        )
        draft = Draft().with_table("comparator", turn="100 um", travel="1000 um").with_steps(*steps)
        loaded = loaded_of(draft, catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        scenario = Scenario.model_validate({"format": 1, "title": "something", **tables})
        what = Rehearsal(
            document=loaded.document,
            digest=loaded.digest,
            checks=checks,
            of="thickness",
            scatter_um=0.1,
            scenario=scenario,
        )
        return rehearsed(what, what.ideal(), true_um, RUNS)

    return go


HANDS = {"warms": "40 um", "fades_in": "5 min"}


class TestWarmHands:
    def test_reject_good_parts_after_a_short_soak_and_not_after_a_long_one(self, count: Count) -> None:
        # 40 µm after 5 min are 14.7 µm, after 40 min 0.013 µm: e^-1 and e^-8
        cold, short, long = (
            count(),
            count(soak="5 min", hands=HANDS),
            count(soak="40 min", hands=HANDS),
        )
        assert cold.passed > 0.95 * RUNS
        assert short.failed + short.undecided == RUNS
        assert abs(long.passed - cold.passed) < 0.03 * RUNS

    def test_that_touch_the_part_again_and_again_are_seen_too(self, count: Count) -> None:
        assert count(hands={"warms": "0 um", "touch": "5 um", "fades_in": "60 min"}).passed < 0.05 * RUNS


class TestWhatElseGoesOn:
    def test_a_reference_that_is_longer_than_its_certificate_makes_parts_seem_shorter(self, count: Count) -> None:
        assert count(true_um=2.0, reference_error="+4 um").passed > 0.9 * RUNS
        assert count(true_um=-2.0, reference_error="+4 um").failed > 0.9 * RUNS

    def test_dust_raises_some_of_the_readings(self, count: Count) -> None:
        dusty = count(true_um=2.5, dust={"chance": 1.0, "size": "20 um"})
        assert dusty.passed < 0.1 * RUNS < count(true_um=2.0).passed

    def test_a_turn_of_the_dial_passes_nothing(self, count: Count) -> None:
        # All seven readings go to the same side in two of 2^7 runs, and then nothing shows.
        assert count(turns={"chance": 1.0}).passed < 0.03 * RUNS

    def test_a_sign_that_is_turned_round_passes_what_is_symmetrical(self, count: Count) -> None:
        always = count(true_um=2.9, slips={"sign": 1.0})
        assert always.covered < 0.05 * RUNS

    def test_a_forgotten_unit_makes_all_of_a_part_s_error_nothing(self, count: Count) -> None:
        # a thousandth of 2.9 µm: beside the nominal size, whatever the part is
        assert count(true_um=2.9, slips={"unit": "mm"}).covered < 0.05 * RUNS

    def test_a_point_one_place_off_is_told_where_the_dial_can_not_show_it(self, count: Count) -> None:
        # Each of three readings of the part has it to the left in one run of four: one of them in 1 - 0.75^3 = 58 %.
        told = count(true_um=2.9, slips={"point": 0.5})
        assert told.findings["doubt entry/step"] > 0.5 * RUNS
        assert not [code for code in count(true_um=2.9).findings if code.startswith("doubt entry/")]

    def test_drift_is_told_by_the_return(self, count: Count) -> None:
        told = count(drift="60 um")
        assert told.findings["stop bracket/limit"] > 0.9 * RUNS

    def test_a_place_can_lie_higher_and_the_true_size_is_what_it_is(self, count: Count) -> None:
        # the only place of its size: there is nothing that it could lie higher than
        assert count(part={"places": {"a": "+6 um"}}) == count()


class TestAFile:
    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("tilte = 1", "tilte"),
            ('[hands]\nwarms = "much"\nfades_in = "5 min"', "hands.warms"),
            ('[hands]\nwarms = "1 um"', "fades_in"),
            ('[dust]\nchance = 2\nsize = "1 um"', "dust.chance"),
            ('scatter = "-1 um"', "scatter"),
            ('drift = "5 min"', "drift"),
            ('[film]\nthickness = "1 um"\nat = []', "film.at"),
            ("[approach]\nchance = 0.5", "backlash"),
            ('[swing]\nsize = "1 um"\nevery = "0 s"', "swing.every"),
            ('[hands]\nwarms = "1 um"\nfades_in = "5 min"\nshare = { a = -1 }', "hands.share.a"),
            ('wander = "0 um"', "wander"),
        ],
    )
    def test_of_nonsense_is_refused_with_line_and_key(self, tmp_path: Path, text: str, told: str) -> None:
        path = tmp_path / "bad.toml"
        path.write_text(HEAD + text + "\n", "utf-8")
        with pytest.raises(FileFaultsError) as caught:
            load_scenario(path)
        words = str(caught.value)
        assert told in words
        assert "bad.toml:" in words

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ('[part]\nplaces = { q = "1 um" }', ("part.places.q", "one of a")),
            ('[film]\nthickness = "1 um"\nat = ["q"]', ("film.at.0", "one of a")),
            ('[hands]\nwarms = "1 um"\nfades_in = "5 min"\nshare = { q = 1 }', ("hands.share.q", "one of a")),
            ('[true]\n"moon" = "1 um"', ("true.moon", "an input of the routine", "deviation of the reference")),
            ('[true]\n"deviation of the reference" = "1 K"', ("true.deviation of the reference", "a length")),
        ],
    )
    def test_of_another_routine_is_refused_with_line_and_key(
        self, tmp_path: Path, text: str, told: tuple[str, ...]
    ) -> None:
        (tmp_path / "other.toml").write_text(HEAD + text + "\n", "utf-8")
        (tmp_path / "washer.toml").write_text(Draft().text, "utf-8")
        options = ["--runs", "50", "--scenario", str(tmp_path / "other.toml")]
        result = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), *options])
        words = str(result.exception)
        assert isinstance(result.exception, FileFaultsError)
        assert "other.toml:" in words
        for word in told:
            assert word in words

    def test_can_be_rehearsed_by(self, tmp_path: Path) -> None:
        (tmp_path / "warm.toml").write_text(HEAD + '[hands]\nwarms = "9 um"\nfades_in = "60 min"\n', "utf-8")
        (tmp_path / "washer.toml").write_text(Draft().text, "utf-8")
        options = ["--runs", "50", "--json", "--scenario", str(tmp_path / "warm.toml")]
        result = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), *options])
        data = json.loads(result.stdout)
        assert data["scenario"] == "something"
        middle = min(data["points"], key=lambda point: abs(point["true_um"]))
        assert middle["fail"] == middle["runs"]
