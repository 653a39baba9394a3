"""What can't be in a scenario is refused by its line and key, in plain words, with a mend that helps."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from holdzero.cli import app
from holdzero.errors import FileFaultsError
from holdzero.rehearse.scenario import load_scenario
from holdzero.testing import Draft

HEAD = 'format = 1\ntitle = "something"\n'
SHARE = "a share between 0 and 1, for example 0.02"


def refused(folder: Path, text: str) -> str:
    """What is said of a scenario."""
    (folder / "bad.toml").write_text(HEAD + text + "\n", "utf-8")
    with pytest.raises(FileFaultsError) as caught:
        load_scenario(folder / "bad.toml")
    return str(caught.value)


class TestWhatCannotBe:
    @pytest.mark.parametrize(
        ("text", "line", "told"),
        [
            (
                '[temperatures]\npart = "-300 degC"',
                4,
                ("temperatures.part: found -300 °C", "above absolute zero, −273.15 °C"),
            ),
            ('[temperatures]\npart = "-500 degF"', 4, ("above absolute zero",)),
            (
                '[film]\nthickness = "1 um"\ngives = "2 um"\nat = ["a"]',
                5,
                ("film.gives: found 2 um", "no more than its thickness, 1 um", "write 1 um or less"),
            ),
            ('[film]\nthickness = "1 um"\ngives = "-2 um"\nat = ["a"]', 5, ("film.gives: found -2 um", "from 0 on")),
            (
                "[slips]\nsign = 0.7\npoint = 0.6",
                5,
                ("slips.point: found 0.6", "no more than 1 together", "with sign = 0.7 write 0.3 or less"),
            ),
            (
                '[hands]\nwarms = "1 um"\nfades_in = "5 min"\nshare = { a = 1.5 }',
                6,
                ("hands.share.a: found 1.5", SHARE),
            ),
            ('[dust]\nchance = 0.1\nsize = "-1 um"', 5, ("dust.size", "a length above zero")),
            (
                '[hands]\ntouch = "1 um"',
                3,
                ("hands: found heat of the part without fades_in", 'add fades_in = "15 min"'),
            ),
            ('[hands]\nwarmer = "1 K"', 3, ("hands: found heat of the part without fades_in",)),
            (
                '[hands]\nwarms = "1 um"\nfades_in = "9 min"\nevens_out_in = "9 s"',
                3,
                ("hands: found evens_out_in without share", "say by share how much of the heat is at which place"),
            ),
            ('[hands.reference]\nwarms = "1 um"', 3, ("hands.reference.fades_in", "add fades_in here")),
            ('[hands.stand]\ntouch = "1 um"\nfades_in = "0 s"', 5, ("hands.stand.fades_in", "a time above zero")),
            ('[hands.stand]\nfades_in = "40 min"\nwarmer = "1 K"', 5, ("hands.stand.warmer",)),
        ],
    )
    def test_is_refused(self, tmp_path: Path, text: str, line: int, told: tuple[str, ...]) -> None:
        said = refused(tmp_path, text)
        assert f"bad.toml:{line}: error: " in said
        for words in told:
            assert words in said

    def test_is_no_film_that_gives_all_of_its_thickness(self, tmp_path: Path) -> None:
        text = '[film]\nthickness = "1 um"\ngives = "1 um"\nat = ["a"]\n[slips]\nsign = 0.5\npoint = 0.5\n'
        (tmp_path / "edge.toml").write_text(HEAD + text, "utf-8")
        assert load_scenario(tmp_path / "edge.toml").scenario.film is not None


class TestTheWords:
    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ('[turns]\nchance = "often"', ("turns.chance: found 'often'", SHARE, "without quotation marks")),
            ("[turns]\nchance = 2", ("turns.chance: found 2", SHARE, "0.02 is two of a hundred")),
            ("[turns]\nchance = true", ("turns.chance: found True", SHARE)),
            ('seed = "x"', ("a whole number from 0 on",)),
            ("seed = -1", ("a whole number from 0 on",)),
            ('[film]\nthickness = "1 um"\nat = "a"', ("film.at: found 'a'", "in square brackets")),
            ('[film]\nthickness = "1 um"\nat = ["a"]\nwipes_off = "no"', ("film.wipes_off", "true or false")),
            ('drift = "1e308 um"', ("drift: found '1e308 um'", "e308 is beyond any quantity here")),
        ],
    )
    def test_are_plain_and_help(self, tmp_path: Path, text: str, told: tuple[str, ...]) -> None:
        said = refused(tmp_path, text)
        for words in told:
            assert words in said
        for foreign in ("unable to parse", "check the value and its kind", "less than or equal", "is no unit"):
            assert foreign not in said


STEPS = (
    {"do": "prepare", "say": "Wipe."},
    {"do": "temperature", "of": "part"},
    {"do": "zero", "times": 2},
    {"do": "read", "at": "a"},
    {"do": "read", "at": "b"},
    {"do": "return"},
    {"do": "compare"},
)
VARIES = {"measure": "variation", "at": ["a", "b"], "upper": "2 um"}


def routine(folder: Path, **of: object) -> Path:
    """A routine that reads two places, a thermometer on the part, and a comparator without turns."""
    draft = Draft().with_table("comparator", force="0.5 N").with_steps(*STEPS)
    draft = (draft.without_table("characteristics.thickness") if of else draft).with_characteristic(
        "thickness", **(of or {"at": ["a", "b"]})
    )
    (folder / "washer.toml").write_text(draft.text, "utf-8")
    return folder / "washer.toml"


def rehearse(folder: Path, path: Path, text: str) -> str:
    """What is said of a scenario that is rehearsed with a routine; nothing where it is taken."""
    (folder / "other.toml").write_text(HEAD + text + "\n", "utf-8")
    options = ["--runs", "20", "--workers", "1", "--scenario", str(folder / "other.toml")]
    result = CliRunner().invoke(app, ["rehearse", str(path), *options])
    assert result.exception is None or isinstance(result.exception, FileFaultsError | SystemExit)
    return str(result.exception) if isinstance(result.exception, FileFaultsError) else ""


class TestWhatARoutineHasNot:
    @pytest.mark.parametrize("name", ["moon", "air"])
    def test_is_a_thermometer_that_is_never_read(self, tmp_path: Path, name: str) -> None:
        text = f'[temperatures]\n{name} = "21 degC"'
        said = rehearse(tmp_path, routine(tmp_path), text)
        assert (
            f"other.toml:4: error: temperatures.{name}: found a thermometer on '{name}'; expected one of part" in said
        )
        assert rehearse(tmp_path, routine(tmp_path), '[temperatures]\npart = "21 degC"') == ""

    def test_is_a_turn_of_the_dial(self, tmp_path: Path) -> None:
        said = rehearse(tmp_path, routine(tmp_path), "[turns]\nchance = 0.1")
        assert "other.toml:3: error: turns: found a comparator that has no turn" in said
        assert "comparator.turn" in said

    def test_is_a_block_that_hands_warm_where_the_zero_is_taken_on_the_part(self, tmp_path: Path) -> None:
        path = Path(__file__).parents[2] / "routines" / "shim-lacquer.toml"
        text = '[hands.reference]\nwarms = "1 um"\nfades_in = "9 min"'
        said = rehearse(tmp_path, path, text)
        assert "other.toml:3: error: hands.reference: found heat of a block, and the zero is taken on the part" in said
        assert rehearse(tmp_path, routine(tmp_path), text) == ""

    def test_is_a_truth_below_absolute_zero(self, tmp_path: Path) -> None:
        text = '[true]\n"temperature, part less reference" = "1 K"\n"temperature of the part" = "-300 degC"'
        path = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"
        said = rehearse(tmp_path, path, text)
        assert "other.toml:5: error: true.temperature of the part: " in said
        assert "above absolute zero" in said


class TestWhatChangesNothing:
    """Whoever believes that a bench was tried, and it was not, is worse off than with an error."""

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("[slips]", "slips: found neither sign nor point above 0, and no unit"),
            ('[approach]\nchance = 0\nbacklash = "1 um"', "approach: found a chance or a backlash of 0"),
            ('[dust]\nchance = 0\nsize = "1 um"', "dust.chance: found a chance of 0"),
            ('[settling]\nby = "0 um"\nfades_in = "5 min"', "settling.by: found 0 um"),
            ('[hands]\nwarms = "0 um"\nfades_in = "5 min"', "hands: found neither warms nor touch above 0"),
            ('[hands.reference]\nfades_in = "9 min"\nwarmer = "1 K"', "hands.reference: found warms and touch both 0"),
            ('[hands.stand]\nfades_in = "40 min"', "hands.stand: found warms and touch both 0"),
            (
                '[film]\nthickness = "1 um"\ngives = "1 um"\nat = ["a"]',
                "film: found a film that is gone, or gives way wholly, whenever it is read",
            ),
        ],
    )
    def test_is_refused(self, tmp_path: Path, text: str, told: str) -> None:
        said = rehearse(tmp_path, routine(tmp_path), text)
        assert told in said
        assert "other.toml:" in said

    def test_is_a_display_left_in_the_comparator_s_own_unit(self, tmp_path: Path) -> None:
        path, text = routine(tmp_path), '[slips]\nunit = "mm"'
        assert rehearse(tmp_path, path, text) == ""
        path.write_text(path.read_text("utf-8").replace('"0.1 um"', '"0.0001 mm"', 1), "utf-8")
        assert "slips.unit: found mm, the comparator's own unit" in rehearse(tmp_path, path, text)

    def test_is_a_film_that_lifts_both_faces_alike(self, tmp_path: Path) -> None:
        film = '[film]\nthickness = "1 um"\nat = {}'
        varies = routine(tmp_path, **VARIES)
        assert "film on a, b, which lifts all that is compared alike" in rehearse(
            tmp_path, varies, film.format('["a", "b"]')
        )
        assert rehearse(tmp_path, varies, film.format('["a"]')) == ""
        assert rehearse(tmp_path, routine(tmp_path), film.format('["a", "b"]')) == ""
