"""Every built-in plugin taken away: the runner still loads, runs the core's steps, and says what is missing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from holdzero.testing import PLAIN

Person: TypeAlias = Any  # see conftest

# In a process of its own: no entry point leads to a built-in plugin, and none can be imported.
TAKEN_AWAY = """\
import importlib.metadata
import sys

found = importlib.metadata.entry_points


def entry_points(**chosen):
    return importlib.metadata.EntryPoints(p for p in found(**chosen) if not p.value.startswith("holdzero_plugins"))


class Nowhere:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] == "holdzero_plugins":
            raise ModuleNotFoundError(name)


importlib.metadata.entry_points = entry_points
sys.meta_path.insert(0, Nowhere())
"""


@pytest.fixture
def bare(tmp_path: Path) -> dict[str, str]:
    """What an environment adds so that the built-in plugins are gone."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(TAKEN_AWAY, "utf-8")
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    return {"PYTHONPATH": str(folder)}


def tool(folder: Path, bare: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "holdzero", *arguments],
        cwd=folder,
        env={**os.environ, **bare},
        capture_output=True,
        text=True,
        check=False,
    )


def test_it_says_what_is_missing(tmp_path: Path, bare: dict[str, str]) -> None:
    done = tool(tmp_path, bare, "plugins")
    assert (done.returncode, done.stdout) == (0, "")
    assert "No built-in plugins are installed: reinstall holdzero." in done.stderr


def test_a_routine_is_loaded_and_what_it_lacks_is_named(tmp_path: Path, bare: dict[str, str]) -> None:
    done = tool(tmp_path, bare, "validate", "washer.toml")
    assert done.returncode == 2
    assert "checks.repeatability: found a check that is not loaded" in done.stdout
    assert "no built-in plugins are installed: reinstall holdzero" in done.stdout


def test_a_source_that_was_built_in_is_missed(tmp_path: Path, bare: dict[str, str]) -> None:
    done = tool(tmp_path, bare, "run", "washer.toml", "--source", "readings:x.csv")
    assert done.returncode == 2
    assert (
        "there are: keyboard, virtual, practice; no built-in plugins are installed: reinstall holdzero" in done.stderr
    )


@pytest.mark.terminal
def test_the_core_steps_run_at_the_keyboard_and_nothing_passes(
    tmp_path: Path, bare: dict[str, str], person: Callable[..., Person]
) -> None:
    at_bench = person("run", "washer.toml", "--operator", "B", "--serial", "1", "--out", "records", env=bare)
    at_bench.types("0", "0.1", "-0.1", "1.0", "1.1", "0.9", "0", "")
    assert at_bench.ends() == 3
    assert "reinstall holdzero" in " ".join(at_bench.screen.split())
    (path,) = (tmp_path / "records").glob("*.record.json")
    record = json.loads(path.read_text("utf-8"))
    assert record["verdict"] == "undecided"
    assert [row["raw"] for row in record["readings"]] == ["0", "0.1", "-0.1", "1.0", "1.1", "0.9", "0"]
    # The core has its own terms all the same.
    assert record["results"]["thickness"]["value_um"] == pytest.approx(1.0)
    stops = {finding["code"] for finding in record["findings"] if finding["level"] == "stop"}
    assert stops == {"places/failed", "plausibility/failed", "repeatability/failed", "zero_return/failed"}
