"""A plugin that prints: with --json standard output holds the record and nothing else, and so for the kit."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from holdzero.testing import GOOD, Draft, Measure

LOUD = """\
from holdzero.hooks import Check, Settings, Writer, hookimpl

print("loud: import")


def watch(settings, run):
    print("loud: watch")
    return []


def judge(settings, run, characteristics):
    print("loud: judge")
    return []


def write(record):
    print("loud: writer")
    return {".loud.txt": b"loud"}


@hookimpl
def holdzero_checks():
    return [Check(name="loud", title="prints wherever it can", settings=Settings, watch=watch, judge=judge)]


@hookimpl
def holdzero_writers():
    return [Writer(name="loud", title="prints too", write=write)]
"""
MOMENTS = ("import", "watch", "judge", "writer")
ROUTINE = Draft().with_check("loud")


@pytest.fixture
def loud(tmp_path: Path) -> Path:
    """A plugin in a house folder that the settings beside it enable."""
    (tmp_path / "house").mkdir()
    path = tmp_path / "house" / "loud.py"
    path.write_text(LOUD, "utf-8")
    (tmp_path / "shop.toml").write_text(
        'format = 1\nplugins = { folder = "house", enabled = ["loud"] }\n', encoding="utf-8"
    )
    return path


def run(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    (folder / "routine.toml").write_text(ROUTINE.text, "utf-8")
    (folder / "readings.csv").write_text("time,answer\n" + "".join(f',"{answer}"\n' for answer in GOOD), "utf-8")
    given = ("--source", "readings:readings.csv", "--shop", "shop.toml", "--out", "out", *options)
    command = [sys.executable, "-m", "holdzero", "run", "routine.toml", *given]
    return subprocess.run(command, cwd=folder, capture_output=True, encoding="utf-8", check=False)


class TestARunWithJson:
    def test_prints_the_record_alone_and_the_plugin_s_words_go_to_standard_error(self, loud: Path) -> None:
        done = run(loud.parent.parent, "--json")
        assert done.returncode == 0, done.stderr
        assert done.stdout.count("\n") == 1
        assert json.loads(done.stdout)["verdict"] == "pass"
        assert [moment for moment in MOMENTS if f"loud: {moment}\n" not in done.stderr] == []

    def test_without_it_they_stay_where_they_were_printed(self, loud: Path) -> None:
        done = run(loud.parent.parent)
        assert [moment for moment in MOMENTS if f"loud: {moment}\n" not in done.stdout] == []
        assert done.stderr == ""


class TestTheKit:
    def test_reads_the_record_of_a_plugin_of_the_house(self, loud: Path, measure: Measure) -> None:
        outcome = measure(ROUTINE, shop=loud.parent.parent / "shop.toml")
        assert outcome.record["verdict"] == "pass"
        assert [moment for moment in MOMENTS if f"loud: {moment}" not in outcome.said] == []

    def test_reads_the_record_of_a_plugin_that_is_given(self, loud: Path, measure: Measure) -> None:
        outcome = measure(ROUTINE, plugins=[loud])
        assert outcome.record["verdict"] == "pass"
        assert "loud: writer" in outcome.said
