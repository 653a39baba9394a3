"""`rehearse` as an engineer meets it: the table, the page, the JSON, and what is refused."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.cli import app
from holdzero.testing import PLAIN


@pytest.fixture
def rehearse(tmp_path: Path) -> Callable[..., Any]:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")

    def go(*options: str) -> Any:
        return CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), "--runs", "200", *options])

    return go


def test_says_how_often_parts_of_each_true_size_pass(rehearse: Callable[..., Any]) -> None:
    told = rehearse("--scatter", "0.2 um")
    assert told.exit_code == 0
    assert "SIMULATED: no part is measured." in told.stdout
    rows = [line for line in told.stdout.splitlines() if line.endswith(("█", "░", "x"))]
    assert len(rows) == 33
    assert "█" * 30 in rows[16]  # the middle of the limits
    assert rows[0].startswith("!")
    assert "x" * 20 in rows[0]
    assert max(map(len, told.stdout.splitlines())) <= 80


def test_gives_scripts_the_counts(rehearse: Callable[..., Any]) -> None:
    data = json.loads(rehearse("--json", "--seed", "3").stdout)
    assert data["simulated"] is True
    assert data["seed"] == 3
    assert data["runs"] == 33 * 200
    assert all(point["pass"] + point["fail"] + point["undecided"] == point["runs"] for point in data["points"])
    assert 0.9 < data["covered"] / data["runs"] <= 1.0
    again = json.loads(rehearse("--json", "--seed", "3").stdout)
    assert again == data


def test_draws_the_curve(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    assert rehearse("--html", str(tmp_path / "curve.html")).exit_code == 0
    text = (tmp_path / "curve.html").read_text("utf-8")
    assert text.count('<polyline class="passing"') == 1
    assert "SIMULATED" in text


def test_says_the_risks_of_a_process_that_the_routine_states(tmp_path: Path) -> None:
    process = '\n[decision]\nprocess = { value = "0 um", standard = "1.8 um" }\n'
    (tmp_path / "washer.toml").write_text(PLAIN + process, "utf-8")
    told = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), "--runs", "50", "--json"])
    risks = json.loads(told.stdout)["process"]
    assert 0.0 <= risks["consumer_risk"] < 0.01 < risks["producer_risk"] < 0.1


def test_gives_the_same_whatever_the_number_of_workers(rehearse: Callable[..., Any]) -> None:
    one, two = (json.loads(rehearse("--json", "--workers", number).stdout) for number in ("1", "2"))
    assert one == two


class TestTwoRevisions:
    def test_that_are_one_come_to_the_same_in_every_run(self, rehearse: Callable[..., Any], tmp_path: Path) -> None:
        (tmp_path / "again.toml").write_text(PLAIN, "utf-8")
        first, second = json.loads(rehearse("--json", "--against", str(tmp_path / "again.toml")).stdout)["revisions"]
        assert first["points"] == second["points"]

    def test_stand_side_by_side(self, rehearse: Callable[..., Any], tmp_path: Path) -> None:
        more = PLAIN.replace('title = "Washer, thickness"', 'title = "Washer, nine rounds"')
        more = more.replace('do = "repeat"\ntimes = 3', 'do = "repeat"\ntimes = 9')
        (tmp_path / "more.toml").write_text(more, "utf-8")
        told = rehearse("--scatter", "0.5 um", "--against", str(tmp_path / "more.toml"))
        assert "A: Washer, thickness" in told.stdout
        assert "B: Washer, nine rounds" in told.stdout
        data = json.loads(rehearse("--json", "--scatter", "0.5 um", "--against", str(tmp_path / "more.toml")).stdout)
        three, nine = ([point["undecided"] for point in item["points"]] for item in data["revisions"])
        assert sum(nine) < sum(three)


@pytest.mark.terminal
def test_broken_off_it_keeps_what_was_done(person: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    someone = person("rehearse", "washer.toml", "--runs", "400000", "--workers", "1")
    time.sleep(4.0)
    someone.interrupts()
    assert someone.ends() == 4
    assert re.search(r"stopped; \d+ of 33 true sizes are done, and stand below", someone.screen)
    assert "true size" in someone.screen


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--of", "width"), "there is no characteristic 'width'; there are: thickness"),
        (("--scatter", "-1 um"), "a standard deviation is not below zero"),
        (("--scatter", "much"), "--scatter"),
        (("--runs", "0"), "--runs 0: write a number from 1"),
    ],
)
def test_refuses_nonsense(rehearse: Callable[..., Any], options: tuple[str, ...], told: str) -> None:
    result = rehearse(*options)
    assert result.exit_code != 0
    assert told in str(result.exception or "") + result.output


def test_a_routine_without_limits_can_not_be_rehearsed(tmp_path: Path) -> None:
    text = "\n".join(line for line in PLAIN.splitlines() if not line.startswith(("lower", "upper")))
    (tmp_path / "washer.toml").write_text(text, "utf-8")
    result = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml")])
    assert "no characteristic has limits" in str(result.exception) + result.output
