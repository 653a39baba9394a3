"""One run at a virtual bench: through the same run, record and verify as at a real one, and never taken for real."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.cli import app
from holdzero.testing import PLAIN, Draft

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

    def test_says_on_no_face_that_it_was_of_production(self, run: Run, tmp_path: Path) -> None:
        result, (record,) = run()
        assert record["run"]["purpose"] == "simulated"
        out, book = tmp_path / "out", ("--book", str(tmp_path / "book.sqlite"))
        (path,) = out.glob("*.record.json")
        said = [result.output, *(file.read_text("utf-8-sig") for file in out.iterdir())]
        for words in (
            ("explain", str(path)),
            ("verify", str(path)),
            ("book", "add", str(out), *book),
            ("book", "list", *book),
            ("book", "export", *book, "--to", "csv", "--out", str(tmp_path / "list.csv")),
            ("book", "report", *book, "--out", str(tmp_path / "report.html")),
        ):
            done = CliRunner().invoke(app, words)
            assert done.exit_code == 0, (words, done.output)
            said.append(done.output)
        said += [(tmp_path / name).read_text("utf-8-sig") for name in ("list.csv", "report.html")]
        assert any("<dt>Purpose</dt><dd>simulated</dd>" in text for text in said)
        assert "simulated" in said[-2]
        without = [text.replace("No value is of production.", "") for text in said]
        assert [text for text in without if "production" in text.lower()] == []

    def test_of_a_size_that_has_no_nominal_lies_as_the_reference_does(self, run: Run, tmp_path: Path) -> None:
        bare = Draft().without_table("characteristics.thickness.nominal")
        bare = bare.without_table("characteristics.thickness.lower").without_table("characteristics.thickness.upper")
        (tmp_path / "bare.toml").write_text(bare.text, "utf-8")
        result, (record,) = run(tmp_path / "bare.toml")
        assert result.exit_code == 0
        assert record["results"]["thickness"]["value_um"] == pytest.approx(5000.0, abs=0.2)
        assert "in truth +5000 µm" in result.stdout

    def test_recomputes_identically(self, run: Run, tmp_path: Path) -> None:
        run()
        assert CliRunner().invoke(app, ["verify", str(tmp_path / "out")]).exit_code == 0

    def test_of_a_bad_part_fails_and_tells_at_the_end_what_was_hidden(self, run: Run) -> None:
        result, (record,) = run(scenario="long.toml")
        assert result.exit_code == 1
        assert record["results"]["thickness"]["value_um"] == pytest.approx(12.0, abs=0.5)
        assert result.stdout.rstrip().endswith("What was hidden: The ring is 9 µm longer than its limits allow.")
        assert record["run"]["source"] == "virtual:long.toml"
        assert "On the way" not in result.stdout  # nobody sat there

    def test_is_the_same_for_the_same_seed(self, run: Run) -> None:
        values = [run(scenario="long.toml", out=out)[1][0]["results"]["thickness"]["value_um"] for out in ("a", "b")]
        assert values[0] == values[1]

    @pytest.mark.parametrize(
        "name", ["spacer-ring", "end-gauge-gum-h1", "gauge-pad", "long-block", "shim-lacquer", "gauge-study"]
    )
    def test_goes_through_every_shipped_routine(self, run: Run, name: str) -> None:
        result, records = run(ROUTINES / f"{name}.toml")
        assert result.exit_code in (0, 1, 3)
        assert [record["simulated"] for record in records] == [True]


class TestARunThatGoesOn:
    GOINGS_ON = """
format = 1
title = "much goes on"
scatter = "0.3 um"
drift = "20 um"
hands.warms = "2 um"
hands.touch = "0.5 um"
hands.fades_in = "10 min"
hands.share = { b = 0.6 }
hands.evens_out_in = "9 s"
hands.reference = { warms = "1 um", touch = "0.3 um", fades_in = "8 min" }
hands.stand = { warms = "-0.4 um", touch = "0.1 um", fades_in = "40 min" }
dust = { chance = 0.5, size = "2 um" }
approach = { chance = 0.3, backlash = "0.4 um" }
swing = { size = "0.5 um", every = "47 s" }
settling = { by = "3 um", fades_in = "5 min" }
"""

    def test_reads_what_it_would_have_read(self, run: Run, tmp_path: Path) -> None:
        (tmp_path / "much.toml").write_text(self.GOINGS_ON, "utf-8")
        result, (whole,) = run(ROUTINES / "spacer-ring.toml", scenario="much.toml")
        (path,) = (tmp_path / "out").glob("*.journal.jsonl")
        lines = path.read_text("utf-8").splitlines(keepends=True)
        taken = [json.loads(line)["event"]["event"] for line in lines]
        for number in (3, taken.index("reading_taken") + 2, len(lines) - 5):
            cut = tmp_path / f"cut{number}" / path.name
            cut.parent.mkdir()
            cut.write_text("".join(lines[:number]), "utf-8")
            resumed = CliRunner().invoke(app, ["resume", str(cut), "--source", f"virtual:{tmp_path / 'much.toml'}"])
            assert resumed.exit_code in (0, 1, 3)
            (record,) = (json.loads(file.read_text("utf-8")) for file in cut.parent.glob("*.record.json"))
            assert record["results"] == whole["results"]
            assert _told(resumed.stdout) == _told(result.stdout)


def _told(printed: str) -> list[str]:
    """What was told at the end, but for the numbers of entries: going on is an entry too."""
    told = printed[printed.rindex("thickness: in truth") :]
    return re.findall(r"off by [^,]+|at \w \([^)]+\)", " ".join(told.split()))


class TestWhatIsRefused:
    def test_a_scenario_that_is_not_there(self, run: Run) -> None:
        result, records = run(scenario="nowhere.toml")
        assert records == []
        assert result.exit_code != 0
        assert "nowhere.toml" in str(result.exception) + result.output
