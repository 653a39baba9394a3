"""Start kits as a person and a script meet them: what is asked, what is written, what is refused."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest

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
def tool(tmp_path: Path) -> Tool:
    """`holdzero` in the folder of the test, nobody at the keyboard."""

    def call(*arguments: str) -> Done:
        done = subprocess.run(
            [sys.executable, "-m", "holdzero", *arguments],
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            encoding="utf-8",
        )
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
        for command in ("validate new.toml", "budget new.toml --reference ID", "run new.toml --reference ID"):
            assert f"  holdzero {command}\n" in done.stdout

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
            ("material", " ", "1 to 2000 characters"),
            ("places", "a,b,a", "each once"),
            ("repeats", "0", "a whole number from 1 to 1000"),
            ("soak", "20 mm", "mm is a unit of length"),
            ("reference_coverage", "0.5", "a number from 1"),
            ("reference_material", "stel", "check the spelling"),
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
        tool("register", "add", "reference", "X1", "size=12 mm", "material=cheese", CERTIFIED)
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
        for _ in range(10):
            someone.child.expect(r": $")
            someone.say("")
        assert someone.ends() == VALID
        # X1 has the size too, and a material of unknown expansion.
        assert "describe: it is asked for) [B12]" in someone.screen
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
        reference = ("", "", "+0.05 um", "0.06 um", "", "", "C-1187")
        someone = at_desk(*part, *reference, "", "0.5 um", "50 um", "0.3 um", "", "", "", "")
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
