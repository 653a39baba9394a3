"""One run at a virtual bench: through the same run, record and verify as at a real one, and never taken for real."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.cli import app
from holdzero.testing import PLAIN

ROUTINES = Path(__file__).parents[2] / "routines"
SCENARIO = """
format = 1
title = "a long ring"
hidden = "The ring is 9 µm longer than its limits allow."
scatter = "0.1 um"
seed = 4
part = { more = "+12 um" }
"""
Run = Callable[..., tuple[Any, list[dict[str, Any]]]]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run at a virtual bench; what was printed, and the records."""
    (tmp_path / "long.toml").write_text(SCENARIO, "utf-8")
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")

    def go(routine: Path | None = None, scenario: str = "", out: str = "out", serials: tuple[str, ...] = ("7",)) -> Any:
        source = f"virtual:{tmp_path / scenario}" if scenario else "virtual"
        named = [word for serial in serials for word in ("--serial", serial)]
        folder = tmp_path / out
        arguments = ["run", str(routine or tmp_path / "washer.toml"), "--source", source, "--operator", "T. Ester"]
        result = CliRunner().invoke(app, [*arguments, *named, "--out", str(folder)])
        records = [json.loads(path.read_text("utf-8")) for path in sorted(folder.glob("*.record.json"))]
        return result, records

    return go


class TestARun:
    def test_passes_a_part_in_the_middle_and_is_marked_as_simulated(self, run: Run) -> None:
        result, (record,) = run()
        assert result.exit_code == 0
        assert record["simulated"] is True
        assert record["run"]["source"] == "virtual"
        assert "SIMULATED READINGS: no part was measured" in result.stdout

    def test_recomputes_identically(self, run: Run, tmp_path: Path) -> None:
        run()
        assert CliRunner().invoke(app, ["verify", str(tmp_path / "out")]).exit_code == 0

    def test_of_a_bad_part_fails_and_tells_at_the_end_what_was_hidden(self, run: Run) -> None:
        result, (record,) = run(scenario="long.toml")
        assert result.exit_code == 1
        assert record["results"]["thickness"]["value_um"] == pytest.approx(12.0, abs=0.5)
        assert result.stdout.rstrip().endswith("What was hidden: The ring is 9 µm longer than its limits allow.")
        assert record["run"]["source"] == "virtual:long.toml"

    def test_is_the_same_for_the_same_seed(self, run: Run) -> None:
        values = [run(scenario="long.toml", out=out)[1][0]["results"]["thickness"]["value_um"] for out in ("a", "b")]
        assert values[0] == values[1]

    @pytest.mark.parametrize("name", ["spacer-ring", "end-gauge-gum-h1", "gauge-pad", "shim-lacquer", "gauge-study"])
    def test_goes_through_every_shipped_routine(self, run: Run, name: str) -> None:
        result, records = run(ROUTINES / f"{name}.toml")
        assert result.exit_code in (0, 1, 3)
        assert [record["simulated"] for record in records] == [True]


class TestWhatIsRefused:
    def test_a_scenario_that_is_not_there(self, run: Run) -> None:
        result, records = run(scenario="nowhere.toml")
        assert records == []
        assert result.exit_code != 0
        assert "nowhere.toml" in str(result.exception) + result.output
