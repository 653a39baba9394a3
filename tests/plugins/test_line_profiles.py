"""Profiles of lines: what they say, what is wrong with one, and the indicator that types."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from holdzero.errors import SourceError
from holdzero.hooks import Answer, Asks, Command, Habits, Prompt, Sends, Slot, SlotKind, Unused
from holdzero.run.commands import Pause
from holdzero_plugins.sources import wedge
from holdzero_plugins.sources._meaning import Meaning
from holdzero_plugins.sources._profile import GROUPS, Profile, Still, known_unit, usual
from holdzero_plugins.sources._profile_file import load_profile, read_profile
from holdzero_plugins.sources.serial import habits_of
from holdzero_plugins.sources.wedge import Wedge

FOLDER = Path(__file__).parents[2] / "routines" / "lines"
SHIPPED = sorted(FOLDER.glob("*.toml"))
PAGE = (FOLDER / "README.md").read_text("utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
WHOLE = """format = 1
title = "a comparator"
pattern = '(?P<number>[0-9.]+)(?P<unit>mm|MM|lb)'
"""
THERMOMETER = WHOLE.replace("mm|MM|lb", "C") + 'dimension = "temperature"\n'


def faults(text: str) -> str:
    with pytest.raises(SourceError) as raised:
        read_profile(text, "shop/line.toml")
    return str(raised.value)


class TestTheShippedOnes:
    def test_there_are_four(self) -> None:
        assert [path.stem for path in SHIPPED] == ["asked", "press", "stream", "thermometers"]

    @pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
    def test_is_valid_and_described(self, path: Path) -> None:
        profile = load_profile(str(path))
        assert profile.title
        assert f"`{path.name}`" in PAGE

    def test_say_how_each_behaves(self) -> None:
        habits = {path.stem: habits_of(load_profile(str(path))) for path in SHIPPED}
        assert habits["press"] == Habits(sends=Sends.PRESS)
        assert habits["stream"] == Habits(sends=Sends.STREAM, still_number=8, still_within_um=0.3, silent_s=1.0)
        assert habits["asked"] == Habits(sends=Sends.ASKED, silent_s=2.0)
        assert habits["thermometers"].silent_s == 10.0


class TestTheUsualLine:
    def test_is_taken_where_no_profile_is_named(self) -> None:
        profile = load_profile("")
        assert profile is usual()
        assert (profile.baud, profile.bits, profile.parity, profile.stop) == (9600, 8, "none", 1)

    def test_is_as_valid_as_one_from_a_file(self) -> None:
        text = f"format = 1\ntitle = 'usual'\nunit = 'comparator'\npattern = '''{usual().pattern}'''"
        assert read_profile(text, "usual.toml").pattern == usual().pattern


class TestAFault:
    def test_names_file_line_key_found_expected_and_mend(self) -> None:
        assert faults(WHOLE + "baud = 'fast'\n") == (
            "shop/line.toml:4: error: baud: found 'fast'; expected a whole number\n    check the value and its kind"
        )

    def test_is_told_with_all_others_in_the_order_of_lines(self) -> None:
        said = faults("format = 2\ntitel = 'x'\npattern = '(?P<number>x'\n[units]\nMM = 3\n")
        assert re.findall(r"line\.toml:?(\d*): error: ([\w.]+)", said) == [
            ("", "title"),
            ("1", "format"),
            ("2", "titel"),
            ("3", "pattern"),
            ("5", "units.MM"),
        ]

    @pytest.mark.parametrize(
        ("pattern", "found"),
        [
            ("(?P<number>[0-9]+", "mend it: missing ), unterminated subpattern at position 0"),
            ("[0-9]+", "expected the group (?P<number>…)"),
            ("(?P<number>[0-9]+)(?P<units>mm)", "did you mean unit?"),
            ("(?P<number>[0-9]+)(?P<xyz>mm)", "leave its name out: (?:…)"),
            ("(?P<number>[0-9]+)(?P<number>mm)", "redefinition of group name"),
            ("(?P<number>[[0-9])", "mend it: Possible nested set"),
            ("(?P<number>[0-9]{99999999999})", "mend it: the repetition number is too large"),
        ],
    )
    def test_of_a_pattern_says_how_to_mend_it(self, pattern: str, found: str) -> None:
        said = faults(f"format = 1\ntitle = 'x'\nunit = 'mm'\npattern = '{pattern}'\n")
        assert said.startswith("shop/line.toml:4: error: pattern: ")
        assert found in said

    @pytest.mark.parametrize(
        ("text", "line", "key", "part"),
        [
            (WHOLE + 'units = { MM = "lb" }', 4, "units.MM", "a unit of length"),
            (WHOLE + '[units]\n# a pound\n"MM" = "lb"', 6, "units.MM", "a unit of length"),
            (WHOLE + 'unit = "degC"', 4, "unit", "a unit of length"),
            (WHOLE + "decimals = { lb = 3 }", 4, "decimals.lb", "a unit that lines have"),
            (WHOLE + "decimals = { mm = -1 }", 4, "decimals.mm", "greater than or equal to 0"),
            (WHOLE + 'decimals = "3"', 4, "decimals", "a whole number"),
            (WHOLE + 'signs = { "+" = "-" }', 4, "signs", "(?P<sign>…) in the pattern"),
            (WHOLE + 'signs = { "+" = "plus" }', 4, "signs.+", "expected '+' or '-'"),
            (WHOLE + 'channels = { 1 = "comparator" }', 4, "channels", "(?P<channel>…) in the pattern"),
            (WHOLE + 'channels = { 1 = "floor" }', 4, "channels.1", "'reference', 'plate', 'air' or 'comparator'"),
            (WHOLE + 'terminator = "CRLF"', 4, "terminator", "'CR LF'"),
            (WHOLE + "stop = true", 4, "stop", "a whole number"),
            (WHOLE + "baud = true", 4, "baud", "a whole number"),
            (WHOLE + "still = 5", 4, "still", "a table"),
            (WHOLE + "units = 5", 4, "units", "a table such as"),
            (WHOLE + "bits = 9", 4, "bits", "5, 6, 7 or 8"),
            (WHOLE + 'sends = "asked"', 4, "sends", "the key request too"),
            (WHOLE + 'unit = "comparator"\nsends = "stream"', 4, "unit", "say the unit"),
            (WHOLE + "rts = 1", 4, "rts", "true or false"),
            (WHOLE + 'request = "?"', 4, "request", 'no such key with sends = "press"'),
            (WHOLE + 'sends = "asked"\nrequest = "µ"', 5, "request", "signs of ascii"),
            (WHOLE + 'double = "0.4 mm"', 4, "double", "mm is a unit of length"),
            (WHOLE + "double = 0.4", 4, "double", "write it with its unit"),
            (WHOLE + "still = { number = 1 }", 4, "still.number", "greater than or equal to 2"),
            (WHOLE + "still = { numer = 5 }", 4, "still.numer", "did you mean number?"),
            (WHOLE + 'of = "part"', 4, "of", 'dimension = "temperature"'),
            (THERMOMETER + "still = { number = 3 }", 5, "still", "drop it"),
            (THERMOMETER + 'unit = "mm"', 5, "unit", "a unit of temperature"),
            (THERMOMETER + 'unit = "comparator"', 5, "unit", "a unit of temperature"),
            (WHOLE.replace("(?P<unit>mm|MM|lb)", "mm"), 3, "pattern", "or the key unit"),
            (WHOLE.replace("'(", "'(?P<channel>[12])("), 3, "pattern", "the key channels too"),
        ],
    )
    def test_is_located(self, text: str, line: int, key: str, part: str) -> None:
        said = faults(text)
        assert said.startswith(f"shop/line.toml:{line}: error: {key}: found ")
        assert part in said
        assert said.count("error:") == 1

    def test_of_toml_names_the_line(self) -> None:
        said = faults(WHOLE + "unit = mm\n")
        assert said.startswith("shop/line.toml:4: error: file: found no valid TOML: ")

    @pytest.mark.parametrize(
        ("make", "part"),
        [
            (lambda path: path, "No such file"),
            (lambda path: path.mkdir(), "Is a directory"),
            (lambda path: path.write_bytes(b"format = 1\ntitle = '\xb5'"), "line.toml:2: save the file as UTF-8"),
            (lambda path: path.write_bytes(b"#" * 100_001), "more than 100000 bytes"),
        ],
    )
    def test_of_the_file_is_told(self, tmp_path: Path, make: Callable[[Path], object], part: str) -> None:
        make(tmp_path / "line.toml")
        with pytest.raises(SourceError, match=part):
            load_profile(str(tmp_path / "line.toml"))

    @given(st.data())
    def test_or_a_profile_is_what_any_values_come_to(self, data: st.DataObject) -> None:
        plain = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=9))
        table = st.dictionaries(st.text(max_size=5), plain.filter(lambda item: item is not None), max_size=3)
        words = st.sampled_from(
            ("mm", "1 s", "0.5 um", "press", "asked", "(?P<number>[0-9]+)(?P<unit>.)", "temperature")
        )
        values = st.one_of(
            plain.filter(lambda item: item is not None), words, table, st.lists(st.integers(), max_size=2)
        )
        keys = st.sampled_from([*Profile.model_fields, "x"])
        text = tomli_w.dumps({"format": 1, "title": "x", **data.draw(st.dictionaries(keys, values, max_size=6))})
        try:
            profile = read_profile(text, "any.toml")
        except SourceError as error:
            assert str(error).startswith("any.toml")  # noqa: PT017  what holds when it is refused as well
        else:
            assert Meaning(profile).of_line("1mm") is not None

    def test_of_a_name_that_no_file_can_have(self) -> None:
        with pytest.raises(SourceError, match="a name that no file can have"):
            load_profile("\0")


class TestUnits:
    @pytest.mark.parametrize("unit", ["mm", "um", "µm", "in", '"', "thou"])
    def test_of_length_are_those_that_a_person_may_type(self, unit: str) -> None:
        assert known_unit(unit, "length")
        assert not known_unit(unit, "temperature")

    @pytest.mark.parametrize("unit", ["", " ", "MM", "div", "1 mm", "e3 mm"])
    def test_nothing_else_is_one(self, unit: str) -> None:
        assert not known_unit(unit, "length")

    def test_a_unit_that_a_line_must_say_is_missed(self) -> None:
        text = WHOLE.replace("(?P<unit>mm|MM|lb)", "(?P<unit>mm|)")
        assert Meaning(read_profile(text, "x")).of_line("1.5").why == "it has no unit"

    def test_decimals_of_a_unit_that_the_profile_leaves_out_are_missed(self) -> None:
        meaning = Meaning(read_profile(WHOLE + 'units = { MM = "mm", lb = "in" }\ndecimals = { mm = 1 }', "x"))
        assert meaning.of_line("1.5MM").answer == "1.5 mm"
        assert meaning.of_line("1.5lb").why == "the profile says no number of decimals for in"


class TestOneThermometer:
    def test_hangs_on_the_part_or_where_the_profile_says(self) -> None:
        units = 'units = { C = "degC" }\n'
        assert Meaning(read_profile(THERMOMETER + units, "x")).of_line("20.31C").of == "part"
        assert Meaning(read_profile(THERMOMETER + units + 'of = "air"', "x")).of_line("20.31C").of == "air"


class TestThePage:
    def test_has_every_key_and_no_other(self) -> None:
        (table,) = re.findall(r"\| key \|.*?\n\n", PAGE, flags=re.DOTALL)
        keys = re.findall(r"^\| `(\w+)`", table, flags=re.MULTILINE)
        assert keys == list(Profile.model_fields)

    def test_has_every_group_and_the_keys_of_still(self) -> None:
        assert [name for name in GROUPS if f"`{name}`" not in PAGE] == []
        assert [name for name in Still.model_fields if f"`{name}`" not in PAGE] == []

    @pytest.mark.parametrize("text", EXAMPLES)
    def test_its_examples_are_valid_and_read_the_lines_beside_them(self, text: str) -> None:
        meaning = Meaning(read_profile(text, "README.md"))
        shown = re.findall(r'^# "(.*)" is (.*)$', text, flags=re.MULTILINE)
        assert shown
        for line, answer in shown:
            meant = meaning.of_line(line)
            assert f"{meant.of} {meant.answer}".strip() == answer

    def test_has_four_examples(self) -> None:
        assert len(EXAMPLES) == 4


class Hands:
    """Somebody who types, each text at its time [s]; the clock of the wedge."""

    def __init__(self, typed: Sequence[tuple[float, str | Command]]) -> None:
        self._typed = list(typed)
        self.now_s = 0.0

    def __call__(self, prompt: Prompt) -> Answer | Command:
        del prompt
        self.now_s, said = self._typed.pop(0)
        return Answer(said) if isinstance(said, str) else said


def prompt(asks: Asks = Asks.READING) -> Prompt:
    slot = Slot(id="1", kind=SlotKind.READ, group="1")
    return Prompt(slot=slot, asks=asks, title="", say="", caution="", number=1, count=1)


def typed(*texts: tuple[float, str], profile: Profile | None = None, asks: Asks = Asks.READING) -> list[Answer]:
    """What the wedge answers until somebody types that this is the end."""
    hands = Hands([*texts, (99.0, Pause())])
    source = Wedge(profile or usual(), hands, lambda: hands.now_s)
    found: list[Answer] = []
    while not isinstance(said := source.answer(prompt(asks), 0.0), Pause):
        if isinstance(said, Answer):
            found.append(said)
    return found


class TestTheIndicatorThatTypes:
    PRESS = load_profile(str(FOLDER / "press.toml"))

    def test_answers_by_its_profile_and_keeps_the_line(self) -> None:
        assert typed((1.0, "- 0.0012 mm"), profile=self.PRESS) == [Answer("-0.0012 mm", None, "- 0.0012 mm")]

    def test_one_press_that_types_twice_is_one_answer(self) -> None:
        assert [said.raw for said in typed((1.0, "+1.5 um"), (1.3, "+1.5 um"), (1.6, "+1.5 um"))] == ["+1.5 um"]

    def test_an_equal_value_later_is_another_answer(self) -> None:
        assert len(typed((1.0, "+1.5 um"), (1.5, "+1.5 um"))) == 2

    def test_another_value_at_once_is_another_answer(self) -> None:
        assert len(typed((1.0, "+1.5 um"), (1.1, "+1.6 um"), (1.2, "+1.5 um"))) == 3

    @pytest.mark.parametrize("text", ["", "1,25", "s", "fault 2", "+ 0.00005 mm"])
    def test_what_is_no_value_goes_on_as_typed_and_may_be_typed_twice(self, text: str) -> None:
        profile = usual() if text in ("", "s") else self.PRESS
        assert [said.raw for said in typed((1.0, text), (1.6, text), profile=profile)] == [text, text]

    def test_a_question_is_answered_as_typed(self) -> None:
        assert typed((1.0, "+ 0.0012 mm"), profile=self.PRESS, asks=Asks.ANSWER) == [Answer("+ 0.0012 mm")]

    def test_a_press_that_bounces_into_the_next_question_is_not_its_answer(self) -> None:
        hands = Hands([(1.0, "+45"), (1.2, "+45"), (5.0, "52")])
        source = Wedge(usual(), hands, lambda: hands.now_s)
        said = [source.answer(prompt(asks), 0.0) for asks in (Asks.READING, Asks.ANSWER, Asks.ANSWER)]
        assert said[0] == Answer("+45", None, "+45")
        assert isinstance(said[1], Unused)
        assert (said[1].line, said[2]) == ("+45", Answer("52"))

    def test_refuses_a_profile_that_it_cannot_keep_to(self) -> None:
        with pytest.raises(SourceError, match="can only"):
            open_wedge(str(FOLDER / "stream.toml"))

    def test_opens_without_a_profile(self) -> None:
        feed = open_wedge("")
        assert isinstance(feed, Wedge)
        assert "no reading" in str(feed.blame("no reading"))
        feed.close()


def open_wedge(argument: str) -> object:
    (source,) = wedge.holdzero_sources()
    assert source.open is not None
    return source.open(argument, Hands([]))
