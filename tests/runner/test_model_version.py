"""A number that changes for one run asks for a new version of the model.

`data/model_numbers.json` holds what this version gives for the shipped routines with their shipped readings, in full
precision. Such numbers are no reference: the tool made them itself, by `python tests/runner/test_model_version.py`.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from holdzero.model_version import MODEL_VERSION, MODEL_VERSIONS

ROUTINES = Path(__file__).parents[2] / "routines"
STORED = Path(__file__).parent / "data" / "model_numbers.json"
SHIPPED = sorted(path for path in ROUTINES.glob("*.toml") if path.stem != "gauge-study")  # that one has five parts
FIGURES = (
    "value_um",
    "standard_uncertainty_um",
    "degrees_of_freedom",
    "coverage_factor",
    "expanded_uncertainty_um",
    "conformance_probability",
)


def numbers_of(record: dict[str, Any]) -> dict[str, Any]:
    return {name: {key: result[key] for key in FIGURES} for name, result in record["results"].items()}


def answers_of(path: Path) -> list[tuple[str, str]]:
    lines = path.with_suffix(".readings.csv").read_text("utf-8").splitlines()
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))[1:]
    return [(time, answer) for time, answer in rows]


def test_the_newest_version_is_in_use_and_each_is_described() -> None:
    assert max(MODEL_VERSIONS) == MODEL_VERSION
    assert sorted(MODEL_VERSIONS) == list(range(1, MODEL_VERSION + 1))
    assert all(MODEL_VERSIONS.values())


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_this_version_gives_the_numbers_that_it_gave(path: Path, measure: Callable[..., Any]) -> None:
    stored = json.loads(STORED.read_text("utf-8"))
    assert stored["model"] == MODEL_VERSION
    now = numbers_of(measure(path, answers_of(path)).record)
    then = stored["routines"][path.stem]
    assert sorted(now) == sorted(then)
    for name, figures in then.items():
        assert now[name] == {
            key: number if number is None else pytest.approx(number, rel=1e-9) for key, number in figures.items()
        }, "the model gives other numbers: describe a new version in holdzero/model_version.py and store its numbers"


def store() -> None:
    """Store the numbers of the version in use."""
    import subprocess
    import sys
    import tempfile

    found = {}
    for path in SHIPPED:
        with tempfile.TemporaryDirectory() as folder:
            source = f"readings:{path.with_suffix('.readings.csv')}"
            command = [
                sys.executable,
                "-m",
                "holdzero",
                "run",
                str(path),
                "--source",
                source,
                "--out",
                folder,
                "--json",
            ]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
        found[path.stem] = numbers_of(json.loads(done.stdout))
    STORED.parent.mkdir(exist_ok=True)
    STORED.write_text(json.dumps({"model": MODEL_VERSION, "routines": found}, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    store()
