"""`holdzero new check`: what it writes works without being installed, in every tool that it is set up for."""

from __future__ import annotations

import importlib.util
import itertools
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest

WRITTEN, INVALID = 0, 2
FILES = {".gitignore", "README.md", "pyproject.toml", "src/bench_reach.py", "tests/test_bench_reach.py"}
# The shortest name and the longest: line lengths and the order of imports hang on it.
SHORTEST, LONGEST = "z", "a_check_of_the_house_with_a_long_name_it"


class Done(Protocol):
    """A process that has ended."""

    returncode: int
    stdout: str
    stderr: str


Tool: TypeAlias = Callable[..., Done]


def ended(*arguments: str, folder: Path) -> Done:
    return subprocess.run(
        [sys.executable, "-m", *arguments],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
    )


@pytest.fixture
def tool(tmp_path: Path, starter: Any) -> Tool:
    """`holdzero` in the folder of the test."""

    def call(*arguments: str) -> Done:
        done: Done = starter.run(*arguments, folder=tmp_path)
        assert "Traceback" not in done.stdout + done.stderr, done.stderr
        return done

    return call


@pytest.fixture
def made(tool: Tool, tmp_path: Path) -> Path:
    """The folder of a check that was written."""
    done = tool("new", "check", "bench_reach")
    assert done.returncode == WRITTEN, done.stderr
    return tmp_path / "bench_reach"


@pytest.mark.long
class TestWhatIsWritten:
    def test_its_files_are_named_on_the_screen(self, tool: Tool, tmp_path: Path) -> None:
        done = tool("new", "check", "bench_reach", "--in", "checks")
        place = tmp_path / "checks" / "bench_reach"
        assert {path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file()} == FILES
        for file in FILES:
            assert f"    {file}\n" in done.stdout
        assert f"cd {Path('checks', 'bench_reach')} && python -m pytest\n" in done.stdout

    def test_its_own_tests_pass(self, tool: Tool, tmp_path: Path) -> None:
        tool("new", "check", LONGEST)
        done = ended("pytest", "-q", "-p", "no:cacheprovider", folder=tmp_path / LONGEST)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "3 passed" in done.stdout

    def test_each_piece_that_knows_the_rule_it_came_with_is_marked(self, made: Path) -> None:
        for file in FILES - {".gitignore"}:
            # Pieces between two blank lines, or of one: a mark holds for the piece that it stands in or begins.
            pieces = re.split(r"\n{2,}", (made / file).read_text("utf-8"))
            for before, piece in itertools.pairwise(["", *pieces]):
                told = re.search(r"\b(far|zero|limit|comparator)\b|far_|FAR", piece) is not None
                assert not told or "LOOK" in before + piece, f"{file}: {piece}"

    @pytest.mark.parametrize("command", ["pytest", "pytest bench_reach"])
    def test_its_tests_started_one_folder_up_pass_or_say_where_to_start_them(self, made: Path, command: str) -> None:
        done = ended(*command.split(), "-q", "-p", "no:cacheprovider", folder=made.parent)
        told = "this is the folder bench_reach and not the module bench_reach.py: run pytest inside it" in done.stdout
        assert "3 passed" in done.stdout or told, done.stdout
        assert "it declares nothing" not in done.stdout

    @pytest.mark.parametrize(
        ("right", "wrong", "failed"),
        [
            (", settings.limit,", ", 2.0 * settings.limit,", "test_it_asks_about_readings_far_from_zero"),
            (", settings.limit,", ", 0.0,", "test_it_says_nothing_of_a_good_run"),
            ("level=Level.DOUBT", 'level="loud"', "test_it_keeps_to_the_rules_of_a_plugin"),
        ],
    )
    def test_its_own_tests_fail_where_it_is_broken(self, made: Path, right: str, wrong: str, failed: str) -> None:
        module = made / "src" / "bench_reach.py"
        text = module.read_text("utf-8")
        assert right in text
        module.write_text(text.replace(right, wrong), "utf-8")
        done = ended("pytest", "-q", "-p", "no:cacheprovider", folder=made)
        assert done.returncode == 1
        assert f"FAILED tests/test_bench_reach.py::{failed}" in done.stdout

    @pytest.mark.skipif(importlib.util.find_spec("ruff") is None, reason="ruff is not installed")
    @pytest.mark.parametrize("name", [SHORTEST, LONGEST])
    def test_its_style_is_that_of_its_own_settings(self, tool: Tool, tmp_path: Path, name: str) -> None:
        tool("new", "check", name)
        for arguments in (("check", "."), ("format", "--check", ".")):
            done = ended("ruff", *arguments, folder=tmp_path / name)
            assert done.returncode == 0, done.stdout + done.stderr

    @pytest.mark.skipif(importlib.util.find_spec("mypy") is None, reason="mypy is not installed")
    def test_its_types_hold_in_strict_mode(self, made: Path) -> None:
        done = ended("mypy", "--strict", folder=made)
        assert done.returncode == 0, done.stdout + done.stderr

    def test_it_runs_as_a_single_file_of_a_house_folder(self, tool: Tool, made: Path, tmp_path: Path) -> None:
        house = tmp_path / "house"
        house.mkdir()
        (house / "bench_reach.py").write_bytes((made / "src" / "bench_reach.py").read_bytes())
        settings = 'format = 1\n\n[plugins]\nfolder = "house"\nenabled = ["bench_reach"]\n'
        assert settings in (made / "README.md").read_text("utf-8")
        (tmp_path / "shop.toml").write_text(settings, "utf-8")
        assert "check bench_reach" in tool("plugins", "--shop", "shop.toml").stdout


class TestNamesThatCannotBe:
    @pytest.mark.parametrize(
        ("name", "reason"),
        [
            ("Bench", "can't be the name of a check"),
            ("9bench", "can't be the name of a check"),
            ("bench-lamp", "can't be the name of a check"),
            ("../bench", "can't be the name of a check"),
            ("b" * 41, "40 at most"),
            ("class", "Python's own"),
            ("json", "Python's own"),
            ("pytest", "Python's own, or one that the check needs"),
            ("thermal", "taken by the plugin thermal of holdzero"),
            ("numpy", "a module numpy is installed already"),
        ],
    )
    def test_are_refused_with_the_reason(self, tool: Tool, tmp_path: Path, name: str, reason: str) -> None:
        done = tool("new", "check", name)
        assert done.returncode == INVALID
        assert reason in done.stderr
        assert not list(tmp_path.iterdir())

    def test_one_that_a_plugin_of_the_house_has_is_taken(self, tool: Tool, made: Path, tmp_path: Path) -> None:
        settings = f'format = 1\n[plugins]\nfolder = "{made.name}/src"\nenabled = ["bench_reach"]\n'
        (tmp_path / "shop.toml").write_text(settings, "utf-8")
        done = tool("new", "check", "bench_reach", "--in", "elsewhere", "--shop", "shop.toml")
        assert done.returncode == INVALID
        assert "taken by the plugin bench_reach of house folder" in done.stderr

    def test_a_folder_that_is_there_is_not_written_into(self, tool: Tool, tmp_path: Path) -> None:
        (tmp_path / "bench_reach").mkdir()
        done = tool("new", "check", "bench_reach")
        assert done.returncode == INVALID
        assert "it is there already, and is not written into" in done.stderr
        assert not list((tmp_path / "bench_reach").iterdir())
