"""What can't be in a scenario is refused by its line and key, in plain words, with a mend that helps."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdzero.errors import FileFaultsError
from holdzero.rehearse.scenario import load_scenario

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
