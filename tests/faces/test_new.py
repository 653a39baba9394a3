"""Start kits as a person and a script meet them: what is asked, what is written, what is refused."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest

from holdzero.starting.explained import EXPLAINED
from holdzero.starting.options import ROUTINE_OPTIONS
from holdzero.starting.questions import QUESTIONS

VALID, INVALID, INTERRUPTED = 0, 2, 4
USUAL = {
    "part": "SR-1",
    "nominal": "12 mm",
    "lower": "-3 um",
    "upper": "+3 um",
    "material": "aluminium",
    "reference_deviation": "+0.05 um",
    "reference_uncertainty": "0.06 um",
    "reference_material": "steel",
    "resolution": "0.5 um",
    "travel": "50 um",
    "error": "0.3 um",
}
# Nothing is described where both devices come from the register.
FROM_SHOP: dict[str, str | None] = {
    name: None for name in USUAL if name.startswith("reference_") or name in ("resolution", "travel", "error")
}
CERTIFIED = 'deviation={ value = "+0.05 um", expanded = "0.06 um", coverage = 2 }'


class Done(Protocol):
    """A process that has ended."""

    returncode: int
    stdout: str
    stderr: str


Tool: TypeAlias = Callable[..., Done]


@pytest.fixture
def tool(tmp_path: Path, starter: Any) -> Tool:
    """`holdzero` in the folder of the test, nobody at the keyboard."""

    def call(*arguments: str) -> Done:
        done: Done = starter.run(*arguments, folder=tmp_path)
        assert "Traceback" not in done.stdout + done.stderr, done.stderr
        return done

    return call


def options(**more: str | None) -> list[str]:
    """The usual answers as options; None takes one away."""
    given = {**USUAL, **more}
    return [word for name, text in given.items() if text is not None for word in (f"--{name.replace('_', '-')}", text)]


def table(folder: Path, name: str = "new.toml") -> dict[str, Any]:
    return tomllib.loads((folder / name).read_text("utf-8"))


class TestARoutineFromOptions:
    def test_it_is_valid_without_errors_and_warnings(self, tool: Tool, tmp_path: Path) -> None:
        done = tool("new", "routine", "new.toml", *options())
        assert done.returncode == VALID, done.stderr
        assert "new.toml: valid: 0 errors, 0 warnings" in done.stdout
        assert table(tmp_path)["characteristics"]["size"]["upper"] == "+3 um"

    def test_it_is_ready_for_a_run(self, tool: Tool, tmp_path: Path) -> None:
        tool("new", "routine", "new.toml", *options(places="a,b", repeats="2"))
        answers = ("", "", "0", "0", "0", "1", "1", "1", "1", "0", "0", "")
        (tmp_path / "r.csv").write_text("time,answer\n" + "".join(f",{answer}\n" for answer in answers), "utf-8")
        done = tool("run", "new.toml", "--source", "readings:r.csv", "--operator", "T. Ester")
        assert done.returncode == VALID, done.stdout + done.stderr
        assert "[+] PASS" in done.stdout

    def test_it_says_what_comes_next(self, tool: Tool) -> None:
        required = {"reference_deviation": None, "reference_uncertainty": None}
        done = tool("new", "routine", "new.toml", *options(reference="required", **required))
        for command in ("validate new.toml", "budget new.toml --reference ID", "run new.toml --reference ID --trial"):
            assert f"  holdzero {command}\n" in done.stdout

    def test_file_and_screen_say_the_same_of_its_first_run(self, tool: Tool, tmp_path: Path) -> None:
        done = tool("new", "routine", "new.toml", *options())
        assert "ready to be tried (holdzero run FILE --trial)" in (tmp_path / "new.toml").read_text("utf-8")
        assert "  holdzero run new.toml --trial\n" in done.stdout

    def test_it_needs_a_name_for_its_file_where_nobody_can_be_asked(self, tool: Tool, tmp_path: Path) -> None:
        done = tool("new", "routine", *options())
        assert done.returncode == INVALID
        assert "name the file to write" in done.stderr
        assert not list(tmp_path.iterdir())

    @pytest.mark.parametrize(
        ("name", "text", "kept"),
        [
            ("material", "Aluminium", "aluminium"),
            ("temperature", "20.5", "20.5 degC"),
            ("soak", "15", "15 min"),
            ("temperature_within", "0,5", "0,5 K"),
        ],
    )
    def test_an_answer_is_kept_as_the_tool_writes_it(
        self, tool: Tool, tmp_path: Path, name: str, text: str, kept: str
    ) -> None:
        done = tool("new", "routine", "new.toml", *options(**{name: text}))
        assert done.returncode == VALID, done.stderr
        assert f'"{kept}"' in (tmp_path / "new.toml").read_text("utf-8")

    def test_it_says_what_was_assumed(self, tool: Tool, tmp_path: Path) -> None:
        done = tool("new", "routine", "new.toml", *options(temperature="21 degC", temperature_within="0.2 K"))
        assert "Assumed, as nobody said otherwise: soak 20 min, difference within 0.1 K." in done.stdout
        thermal = table(tmp_path)["checks"]["thermal"]
        assert thermal["part_temperature"]["why"].startswith("stated")
        assert thermal["difference"]["why"].startswith("assumed")

    def test_a_file_that_is_there_is_never_written_over(self, tool: Tool, tmp_path: Path) -> None:
        (tmp_path / "new.toml").write_text("mine", "utf-8")
        done = tool("new", "routine", "new.toml", *options())
        assert done.returncode == INVALID
        assert "it is there already, and is not written over" in done.stderr
        assert (tmp_path / "new.toml").read_text("utf-8") == "mine"

    def test_options_that_are_missing_are_all_named_where_nobody_can_be_asked(self, tool: Tool, tmp_path: Path) -> None:
        done = tool("new", "routine", "new.toml", *options(part=None, travel=None, upper=None))
        assert done.returncode == INVALID
        assert re.findall(r"^ +(--[a-z-]+):", done.stderr, re.MULTILINE) == ["--part", "--upper", "--travel"]
        assert not (tmp_path / "new.toml").exists()

    @pytest.mark.parametrize(
        ("name", "text", "reason"),
        [
            ("nominal", "12", "add the unit"),
            ("nominal", "-12 mm", "above zero"),
            ("lower", "11.997 mm", "take the nominal off it"),
            ("upper", "-4 um", "not below the lower one, -3 um"),
            ("upper", "-3 um", "not the lower one again, -3 um"),
            ("nominal", "6 mm +/- 2 um", "its limits have places of their own: -2 um and +2 um"),
            ("material", " ", "1 to 2000 characters"),
            ("places", "a,b,a", "each once"),
            ("repeats", "0", "a whole number from 1 to 1000"),
            ("soak", "20 mm", "mm is a unit of length"),
            ("reference_coverage", "0.5", "a number from 1"),
            ("reference_material", "stel", "did you mean steel? Check the spelling"),
            ("error", "-0.3 um", "zero or more"),
            ("comparator", "D9", "add it first"),
            ("check", "B9", "add it first"),
            ("temperature", "20 K", "K is a unit of temperature difference"),
            ("expansion", "10e-6 1/K", "leave it out"),
        ],
    )
    def test_a_wrong_one_is_named_with_the_reason(
        self, tool: Tool, tmp_path: Path, name: str, text: str, reason: str
    ) -> None:
        more: dict[str, str | None] = {name: text}
        if name == "comparator":
            more |= {"resolution": None, "travel": None, "error": None}
        done = tool("new", "routine", "new.toml", *options(**more))
        assert done.returncode == INVALID
        assert f"--{name.replace('_', '-')}: " in done.stderr
        assert reason in done.stderr
        assert not (tmp_path / "new.toml").exists()

    def test_a_material_that_is_not_in_the_tables_needs_its_expansion(self, tool: Tool, tmp_path: Path) -> None:
        assert "--expansion: " in tool("new", "routine", "new.toml", *options(material="titanium")).stderr
        own = {"expansion": "8.6e-6 1/K", "expansion_within": "0.2e-6 1/K"}
        done = tool("new", "routine", "new.toml", *options(material="titanium", **own))
        assert done.returncode == VALID, done.stderr
        expansion = table(tmp_path)["checks"]["thermal"]["part_expansion"]
        assert (expansion["value"], expansion["halfwidth"]) == ("8.6e-6 1/K", "0.2e-6 1/K")

    def test_inches_stay_inches(self, tool: Tool, tmp_path: Path) -> None:
        inches = {"nominal": "0.5 in", "lower": "-0.0001 in", "upper": "+0.0001 in", "resolution": "20 uin"}
        done = tool("new", "routine", "new.toml", *options(**inches))
        assert "0 errors, 0 warnings" in done.stdout
        written = table(tmp_path)
        assert written["routine"]["units"] == "in"
        assert written["reference"]["size"] == "0.5 in"
        assert written["bracket"]["limit"] == "20 uin"

    def test_a_check_standard_brings_its_step(self, tool: Tool, tmp_path: Path) -> None:
        second = {"check_size": "12.02 mm", "check_deviation": "0 um", "check_uncertainty": "0.06 um"}
        done = tool("new", "routine", "new.toml", *options(**second))
        assert "0 errors, 0 warnings" in done.stdout
        written = table(tmp_path)
        assert written["check_standard"]["limit"] == "0.6 um"
        assert [step["do"] for step in written["steps"]][3:5] == ["zero", "check"]

    def test_several_places_tell_how_parallel_the_faces_are(self, tool: Tool, tmp_path: Path) -> None:
        tool("new", "routine", "new.toml", *options(places="left, right"))
        assert table(tmp_path)["characteristics"]["parallelism"] == {"measure": "variation", "at": ["left", "right"]}


class TestDevicesOfTheRegister:
    @pytest.fixture
    def shop(self, tool: Tool) -> None:
        tool(
            "register",
            "add",
            "reference",
            "X1",
            "size=12 mm",
            "material=cheese",
            CERTIFIED,
            "--insist",
            "--why",
            "in use",
        )
        tool("register", "add", "reference", "B12", "size=12 mm", "material=steel", "due=2036-05-31", CERTIFIED)
        tool("register", "add", "reference", "B13", "size=12.02 mm", "material=steel", CERTIFIED)
        tool(
            "register", "add", "comparator", "D3", "resolution=0.5 um", "travel=50 um", 'error={ halfwidth = "0.3 um" }'
        )

    @pytest.mark.usefixtures("shop")
    def test_their_entries_are_copied_with_identifier_and_due_day(self, tool: Tool, tmp_path: Path) -> None:
        more = FROM_SHOP | {"reference": "B12", "comparator": "D3", "check": "B13"}
        done = tool("new", "routine", "new.toml", *options(**more))
        assert done.returncode == VALID, done.stderr
        assert "0 errors, 0 warnings" in done.stdout
        written = table(tmp_path)
        assert written["reference"]["id"] == "B12"
        assert written["reference"]["due"].isoformat() == "2036-05-31"
        assert written["reference"]["deviation"] == {"value": "+0.05 um", "expanded": "0.06 um", "coverage": 2}
        assert written["comparator"]["id"] == "D3"
        assert written["check_standard"]["id"] == "B13"

    @pytest.mark.usefixtures("shop")
    def test_a_block_of_unknown_expansion_is_refused(self, tool: Tool) -> None:
        more = FROM_SHOP | {"reference": "X1", "comparator": "D3"}
        done = tool("new", "routine", "new.toml", *options(**more))
        assert done.returncode == INVALID
        assert "its material 'cheese'" in done.stderr

    @pytest.mark.usefixtures("shop")
    @pytest.mark.terminal
    def test_the_one_that_fits_is_the_default(self, person: Callable[..., Any], tmp_path: Path) -> None:
        someone = person("new", "routine", "new.toml", *options(**FROM_SHOP), size=(60, 200))
        for _ in range(11):  # the questions, and the look at all answers
            someone.child.expect(r": $")
            someone.say("")
        assert someone.ends() == VALID
        # X1 has the size too, and a material of unknown expansion.
        assert "Reference [B12]: " in someone.screen
        assert "type its identifier in the register (X1, B12, B13)" in someone.screen
        assert table(tmp_path)["reference"]["id"] == "B12"
        assert table(tmp_path)["comparator"]["id"] == "D3"

    def test_a_required_reference_is_named_at_the_run(self, tool: Tool, tmp_path: Path) -> None:
        more = {"reference": "required", "reference_deviation": None, "reference_uncertainty": "0.1 um"}
        done = tool("new", "routine", "new.toml", *options(**more))
        assert "0 errors, 0 warnings" in done.stdout, done.stderr
        assert table(tmp_path)["reference"] == {"size": "12 mm", "material": "steel", "largest_expanded": "0.1 um"}


class TestTheOptions:
    def test_each_question_has_one_of_its_name(self) -> None:
        assert {question.name for question in QUESTIONS} == set(ROUTINE_OPTIONS)
        assert len(QUESTIONS) == len(ROUTINE_OPTIONS)

    def test_the_help_shows_each(self, tool: Tool) -> None:
        told = tool("new", "routine", "--help").stdout
        for name in ROUTINE_OPTIONS:
            assert f"--{name.replace('_', '-')} " in told


@pytest.mark.terminal
class TestARoutineThatIsAskedFor:
    @pytest.fixture
    def at_desk(self, person: Callable[..., Any]) -> Callable[..., Any]:
        """Sit down before `new routine` and type lines, each when it is asked for."""

        def type_(*lines: str, given: tuple[str, ...] = ()) -> Any:
            someone = person("new", "routine", "new.toml", *given, size=(60, 200))
            for line in lines:
                someone.child.expect(r": $")
                someone.say(line)
            return someone

        return type_

    def test_defaults_are_shown_and_taken_by_enter_alone(self, at_desk: Callable[..., Any], tmp_path: Path) -> None:
        part = ("SR-1", "", "12 mm", "-3 um", "", "aluminium", "a,b,c", "", "")
        # The register is empty: whether a device comes from there is not asked.
        reference = ("", "+0.05 um", "0.06 um", "", "", "C-1187")
        someone = at_desk(*part, *reference, "0.5 um", "50 um", "0.3 um", "", "", "", "", "")
        assert someone.ends() == VALID
        for shown in ("[SR-1, size]", "[+3 um]", "[20 min]", "[12 mm]", "[steel]", "[20 degC]"):
            assert shown in someone.screen
        assert "new.toml: valid: 0 errors, 0 warnings" in someone.screen
        written = table(tmp_path)
        assert written["characteristics"]["size"] == {
            "measure": "size",
            "at": ["a", "b", "c"],
            "nominal": "12 mm",
            "lower": "-3 um",
            "upper": "+3 um",
        }
        assert written["reference"]["deviation"]["why"] == "certificate C-1187"

    def test_a_wrong_answer_is_asked_again_with_the_reason(self, at_desk: Callable[..., Any]) -> None:
        someone = at_desk("SR-1", "", "12", "12 mm")
        someone.child.expect("Lower limit")
        assert someone.screen.count("Nominal size") == 2
        assert "Not taken: found '12'; expected a length such as 1.5 um; add the unit" in someone.screen

    def test_only_what_is_missing_is_asked(self, at_desk: Callable[..., Any]) -> None:
        someone = at_desk("", "", "", "", "", "", given=tuple(options(upper=None)))
        someone.child.expect(": $")
        assert "Upper limit" in someone.screen
        assert "Part number" not in someone.screen
        assert "Nominal size" not in someone.screen

    def test_a_wrong_option_is_asked_for_with_the_reason(self, at_desk: Callable[..., Any]) -> None:
        someone = at_desk("", given=tuple(options(nominal="12")))
        someone.child.expect("Nominal size")
        assert "Not taken: --nominal found '12'" in someone.screen

    @pytest.mark.parametrize("leave", ["interrupts", "hangs_up"])
    def test_leaving_writes_nothing(self, at_desk: Callable[..., Any], tmp_path: Path, leave: str) -> None:
        someone = at_desk("SR-1", "")
        someone.child.expect(": $")
        getattr(someone, leave)()
        assert someone.ends() == INTERRUPTED
        assert not list(tmp_path.iterdir())


REST = ("SR-1", "", "12 mm", "-3 um", "", "steel", "", "", "")
BLOCK = ("", "+0.05 um", "0.06 um", "", "", "")
DIAL = ("0.5 um", "50 um", "0.3 um")
BENCH = ("", "", "", "")  # no check standard, and the temperatures as offered


@pytest.mark.terminal
class TestAPersonWhoIsAsked:
    @pytest.fixture
    def at_desk(self, person: Callable[..., Any]) -> Callable[..., Any]:
        """Sit down at a narrow screen and type lines, each when it is asked for."""

        def type_(*lines: str, file: str = "new.toml", given: tuple[str, ...] = ()) -> Any:
            someone = person("new", "routine", *([file] if file else []), *given, size=(24, 80))
            for line in lines:
                someone.child.expect(r": $")
                someone.say(line)
            return someone

        return type_

    def test_goes_back_to_a_question_and_finds_the_answer_there(
        self, at_desk: Callable[..., Any], tmp_path: Path
    ) -> None:
        someone = at_desk("SR-1", "", "12 mm", "3 um", "<", "-3 um", *REST[4:], *BLOCK, *DIAL, *BENCH, "")
        assert someone.ends() == VALID
        assert "Lower limit, a deviation from the nominal; or none [3 um]: " in someone.screen
        size = table(tmp_path)["characteristics"]["size"]
        assert (size["lower"], size["upper"]) == ("-3 um", "+3 um")

    def test_goes_back_over_several_and_takes_them_again_by_enter(
        self, at_desk: Callable[..., Any], tmp_path: Path
    ) -> None:
        back = ("<", "<", "<", "13 mm", "", "")  # from the material over upper and lower to the nominal
        someone = at_desk(*REST[:5], *back, *REST[5:], *BLOCK, *DIAL, *BENCH, "")
        assert someone.ends() == VALID
        size = table(tmp_path)["characteristics"]["size"]
        assert (size["nominal"], size["lower"], size["upper"]) == ("13 mm", "-3 um", "+3 um")
        assert table(tmp_path)["reference"]["size"] == "13 mm"

    def test_can_not_go_back_before_the_first_question(self, at_desk: Callable[..., Any]) -> None:
        someone = at_desk("<")
        someone.child.expect(": $")
        assert "This is the first question" in someone.screen

    def test_has_a_question_explained(self, at_desk: Callable[..., Any]) -> None:
        someone = at_desk(*REST, "", "?")
        someone.child.expect(": $")
        assert "On the certificate: measured length less nominal length" in someone.screen
        assert max(map(len, someone.screen.splitlines())) <= 80

    def test_sees_all_before_it_is_written_and_mends_one(self, at_desk: Callable[..., Any], tmp_path: Path) -> None:
        someone = at_desk(*REST, *BLOCK, *DIAL, *BENCH)
        someone.child.expect("Enter writes new.toml; a number goes back to that question: $")
        assert "  3  Nominal size, with its unit: 12 mm\n" in someone.screen
        assert "Reference: describe" not in someone.screen  # there was nothing to choose from
        assert not (tmp_path / "new.toml").exists()
        someone.say("99")
        someone.child.expect("type a number from 1 to .*: $")
        someone.say("4")
        someone.child.expect(r"Lower limit.*: $")
        someone.say("-5 um")
        # Upper was the lower one turned round: it is offered anew.
        someone.child.expect(r"Upper limit.*\[\+5 um\]: $")
        someone.say("+4 um")
        someone.child.expect("question: $")
        someone.say("")
        assert someone.ends() == VALID
        size = table(tmp_path)["characteristics"]["size"]
        assert (size["lower"], size["upper"]) == ("-5 um", "+4 um")

    def test_is_offered_a_file_after_the_part_number(self, at_desk: Callable[..., Any], tmp_path: Path) -> None:
        (tmp_path / "sr-1-a.toml").write_text("mine", "utf-8")
        someone = at_desk("SR/1 A", *REST[1:], *BLOCK, *DIAL, *BENCH, file="")
        someone.child.expect(r"File to write \[sr-1-a-2.toml\]: $")
        someone.say("sr-1-a")
        someone.child.expect("it is there already.*: $")
        someone.say("")
        someone.child.expect("question: $")
        someone.say("")
        assert someone.ends() == VALID
        assert table(tmp_path, "sr-1-a-2.toml")["routine"]["part"] == "SR/1 A"
        assert "holdzero run sr-1-a-2.toml --trial" in someone.screen

    def test_may_type_a_size_with_its_tolerance(self, at_desk: Callable[..., Any], tmp_path: Path) -> None:
        someone = at_desk("SR-1", "", "6 mm +/- 2 um", "", "", *REST[5:], *BLOCK, *DIAL, *BENCH, "")
        assert someone.ends() == VALID
        assert "Taken apart: 6 mm, and limits of -2 um and +2 um" in someone.screen
        size = table(tmp_path)["characteristics"]["size"]
        assert (size["nominal"], size["lower"], size["upper"]) == ("6 mm", "-2 um", "+2 um")

    @pytest.mark.parametrize(
        ("upper", "told"),
        [("+1 um", "not below the lower one, 2 um"), ("2 um", "was -2 um meant for the lower one?")],
    )
    def test_hears_of_limits_that_do_not_fit_at_once_and_how_to_go_back(
        self, at_desk: Callable[..., Any], upper: str, told: str
    ) -> None:
        someone = at_desk("SR-1", "", "12 mm", "2 um", upper)
        someone.child.expect(": $")
        words = " ".join(someone.screen.split())
        assert told in words
        assert "< goes back to the lower limit" in words

    @pytest.mark.parametrize(
        ("typed", "places"), [(("3", "3"), ["3"]), (("3", "a,b,c"), ["a", "b", "c"]), (("7b",), ["7b"])]
    )
    def test_is_asked_what_a_number_of_places_means(
        self, at_desk: Callable[..., Any], tmp_path: Path, typed: tuple[str, ...], places: list[str]
    ) -> None:
        someone = at_desk(*REST[:6], *typed, *REST[7:], *BLOCK, *DIAL, *BENCH, "")
        assert someone.ends() == VALID
        assert ("is that one place named 3, or 3 places?" in " ".join(someone.screen.split())) == ("3" in typed)
        assert table(tmp_path)["characteristics"]["size"]["at"] == places

    def test_is_asked_whether_a_strange_material_is_meant(self, at_desk: Callable[..., Any]) -> None:
        someone = at_desk(*REST[:5], "stel")
        someone.child.expect("Material of the part: $")
        assert "did you mean steel? If not, type it again" in " ".join(someone.screen.split())
        someone.say("stel")
        someone.child.expect("Expansion of that material.*: $")
        someone.say("<")
        someone.child.expect(r"Material of the part \[stel\]: $")

    def test_is_not_asked_again_for_what_an_option_said(self, at_desk: Callable[..., Any], tmp_path: Path) -> None:
        given = tuple(options(upper=None, material="Steel"))
        someone = at_desk(*[""] * 12, given=given)
        someone.child.expect("Enter writes new.toml.*: $")
        assert "Nominal size, with its unit: 12 mm" in someone.screen
        someone.say("")
        assert someone.ends() == VALID
        assert table(tmp_path)["part"]["material"] == "steel"


class TestTheExplanations:
    def test_each_question_has_one(self) -> None:
        assert set(EXPLAINED) == {question.name for question in QUESTIONS}

    def test_each_is_a_sentence_or_a_few(self) -> None:
        for name, words in EXPLAINED.items():
            assert words.endswith((".", ")."))
            assert len(words) < 250, name
