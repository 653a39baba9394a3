"""`rehearse` as an engineer meets it: the table, the page, the JSON, and what is refused."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import holdzero.cli.rehearse as command
from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.testing import PLAIN
from tests.support.patience import PATIENCE_S


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
    assert len(rows) > 20
    assert "█" * 30 in rows[len(rows) // 2]  # the middle of the limits
    sizes = [float(re.findall(r"[−+][0-9.]+", row)[0].replace("−", "-")) for row in rows]
    near = [size for size in sizes if abs(abs(size) - 3.0) < 0.6]
    assert len(near) > len(sizes) / 2  # where it turns from one verdict to the other they lie close
    assert rows[0].startswith("!")
    assert "x" * 20 in rows[0]
    assert max(map(len, told.stdout.splitlines())) <= 80


def test_lays_true_sizes_where_verdicts_turn_with_the_scatter_that_is_rehearsed(rehearse: Callable[..., Any]) -> None:
    # u is about 0.3 um at this scatter, and little without it: then the sizes next to −2.84 um were −2.25 and −1.5 um
    points = json.loads(rehearse("--json", "--scatter", "0.5 um").stdout)["points"]
    turning = [point for point in points if -2.8 < point["true_um"] < -1.4]
    assert len(turning) > 4
    assert turning[0]["pass"] < 0.2 * 200 < 0.4 * 200 < turning[-1]["pass"]


def test_says_what_those_look_after_that_had_findings(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    told = rehearse("--scatter", "1 um", "--html", str(tmp_path / "page.html")).stdout
    spoke = set(re.findall(r"(?:stop|doubt|note) (\w+)/", told))
    said = dict(re.findall(r"^  (\w+): (.+)$", told.partition("\nwhere\n")[2], re.MULTILINE))
    assert said.keys() == spoke
    assert {"bracket", "repeatability"} <= spoke
    assert said["repeatability"] == "scatter of readings and zeros, outliers, trend"
    page = (tmp_path / "page.html").read_text("utf-8")
    assert all(f"<dt>{name}</dt><dd>{meaning}</dd>" in page for name, meaning in said.items())


def test_gives_scripts_the_counts(rehearse: Callable[..., Any]) -> None:
    data = json.loads(rehearse("--json", "--seed", "3").stdout)
    assert data["simulated"] is True
    assert data["seed"] == 3
    assert data["runs"] == len(data["points"]) * 200
    assert all(point["pass"] + point["fail"] + point["undecided"] == point["runs"] for point in data["points"])
    assert 0.9 < data["covered"] / data["runs"] <= 1.0
    again = json.loads(rehearse("--json", "--seed", "3").stdout)
    assert again == data


def test_draws_the_curve(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    assert rehearse("--html", str(tmp_path / "curve.html")).exit_code == 0
    text = (tmp_path / "curve.html").read_text("utf-8")
    assert text.count('<polyline class="passing"') == 1
    assert "SIMULATED" in text


def test_refuses_a_page_that_can_not_be_written(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    error = rehearse("--html", str(tmp_path / "washer.toml" / "page.html")).exception
    assert isinstance(error, HoldzeroError)
    assert "it can't be written" in str(error)


def test_refuses_to_hold_a_size_beside_a_variation(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    steps = 'steps = [ { do = "read", at = "a" }, { do = "read", at = "b" } ]'
    text = PLAIN.replace('measure = "size"', 'measure = "variation"').replace('at = "a"\n', 'at = ["a", "b"]\n', 1)
    text = text.replace('nominal = "5 mm"\n', "").replace('lower = "-3 um"\n', "")
    other.write_text(text.replace('steps = [ { do = "read", at = "a" } ]', steps), "utf-8")
    error = rehearse("--against", str(other)).exception
    assert isinstance(error, HoldzeroError)
    assert "thickness is a size, and thickness of the other a variation" in str(error)


def test_says_the_risks_of_a_process_that_the_routine_states(tmp_path: Path) -> None:
    process = '\n[decision]\nprocess = { value = "0 um", standard = "1.8 um" }\n'
    (tmp_path / "washer.toml").write_text(PLAIN + process, "utf-8")
    told = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), "--runs", "50", "--json"])
    risks = json.loads(told.stdout)["process"]
    assert 0.0 <= risks["consumer_risk"] < 0.005 < risks["producer_risk"] < 0.1


# Φ and the gamma distribution by scipy, as the comparator's error is all there is: see `one_reading` in test_rehearsal.
@pytest.mark.parametrize(
    ("process", "shape", "mean", "standard", "said"),
    [
        ('{ shape = "gamma", value = "0.5 um", standard = "1 um" }', "gamma", 0.5, 1.0, "gamma, mean +0.5 µm"),
        ('{ values = ["-2 um", "4 um"], counts = [2, 1] }', "values", 0.0, 8.0**0.5, "listed sizes, mean +0 µm"),
        ('{ value = "1 um", standard = "2 um" }', "normal", 1.0, 2.0, "Of the process (+1 µm, s = 2.0 µm)"),
    ],
)
def test_draws_the_parts_as_the_process_says(
    tmp_path: Path, process: str, shape: str, mean: float, standard: float, said: str
) -> None:
    (tmp_path / "washer.toml").write_text(f"{PLAIN}\n[decision]\nprocess = {process}\n", "utf-8")
    told = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), "--runs", "50"])
    assert " ".join(told.stdout.split()).count(said) == 1
    told = CliRunner().invoke(app, ["rehearse", str(tmp_path / "washer.toml"), "--runs", "50", "--json"])
    found = json.loads(told.stdout)["process"]
    assert (found["shape"], found["mean_um"]) == (shape, pytest.approx(mean, abs=1e-12))
    assert found["standard_um"] == pytest.approx(standard)


def test_takes_the_spread_that_is_asked_for_in_place_of_the_stated_process(tmp_path: Path) -> None:
    stated = '\n[decision]\nprocess = { values = ["9 um"] }\n'
    (tmp_path / "washer.toml").write_text(PLAIN + stated, "utf-8")
    words = ["rehearse", str(tmp_path / "washer.toml"), "--runs", "50", "--json"]
    assert json.loads(CliRunner().invoke(app, words).stdout)["process"]["mean_um"] == 9.0
    found = json.loads(CliRunner().invoke(app, [*words, "--spread", "0.5 um"]).stdout)["process"]
    assert (found["shape"], found["mean_um"], found["standard_um"]) == ("normal", 0.0, 0.5)


@pytest.mark.long
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

    @pytest.fixture
    def both(self, rehearse: Callable[..., Any], tmp_path: Path) -> Callable[[str], tuple[str, str]]:
        """What the terminal and the page say of the washer and of another text."""

        def go(text: str) -> tuple[str, str]:
            (tmp_path / "other.toml").write_text(text, "utf-8")
            page = str(tmp_path / "page.html")
            told = rehearse("--scatter", "0.5 um", "--against", str(tmp_path / "other.toml"), "--html", page)
            return told.stdout, (tmp_path / "page.html").read_text("utf-8")

        return go

    def test_stand_in_one_picture_and_one_table_first(self, both: Callable[[str], tuple[str, str]]) -> None:
        told, page = both(PLAIN.replace("times = 3", "times = 9"))
        first, *each = page.split("<figure>")[1:]
        assert len(each) == 2
        assert [first.count(f'<polyline class="{kind}"') for kind in ("passing", "passing-second")] == [1, 1]
        assert [first.count(f'<polyline class="{kind}"') for kind in ("band", "band-second", "tolerance")] == [2, 2, 2]
        assert "tolerance-second" not in first
        assert "A passes" in first
        assert "B passes" in first
        rows = [re.findall(r"<t[hd][^>]*>([^<]+)</t[hd]>", row) for row in re.findall(r"<tr>.+</tr>", first)]
        assert rows[0] == ["true size", "pass A", "pass B", "fail A", "fail B"]
        as_told = [re.split(r"\s{2,}", line.strip()) for line in told.splitlines() if line.count(" %") == 4]
        assert [[word.split(" %")[0] for word in row] for row in rows[1:]] == [
            [word.removesuffix(" %") for word in row] for row in as_told
        ]
        assert len(as_told) > 20

    def test_whose_limits_differ_show_both(self, both: Callable[[str], tuple[str, str]]) -> None:
        first = both(PLAIN.replace('upper = "+3 um"', 'upper = "+2 um"'))[1].split("<figure>")[1]
        assert [first.count(f'<polyline class="{kind}"') for kind in ("tolerance", "tolerance-second")] == [2, 1]
        assert "limit in B, where it is another" in first


@pytest.mark.long
@pytest.mark.terminal
def test_broken_off_it_keeps_what_was_done(person: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    someone = person("rehearse", "washer.toml", "--runs", "400000", "--workers", "1")
    someone.shows(r"\b([89]|[1-9][0-9]+)/[0-9]+")  # four pieces make a true size
    someone.interrupts()
    assert someone.ends() == 4
    assert re.search(r"stopped; \d+ of [0-9]+ true sizes? (is|are) done; see below", someone.screen)
    assert "true size" in someone.screen


class TestBrokenOffAfterOneTrueSize:
    @pytest.fixture
    def told(self, rehearse: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
        monkeypatch.setattr(command, "heard_between_pieces", lambda _: pressed_after(1))
        return rehearse("--html", str(tmp_path / "page.html"))

    def test_it_writes_the_page_all_the_same(self, told: Any, tmp_path: Path) -> None:
        assert told.exit_code == 4
        text = (tmp_path / "page.html").read_text("utf-8")
        assert "One true size alone is done: there is no curve to draw yet." in text
        assert "UNFINISHED, 200 runs of 1 of" in text
        assert "<polyline" not in text

    def test_it_says_one(self, told: Any) -> None:
        assert re.search(r"stopped; 1 of \d+ true sizes is done; see below", told.stderr)


def test_counts_one_run_as_one(rehearse: Callable[..., Any]) -> None:
    told = " ".join(rehearse("--runs", "1").stdout.split())
    assert re.search(r": 1 run of each of \d+ true sizes, seed", told)
    assert "1 runs" not in told


def test_writes_long_times_alike(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    slow, quick = tmp_path / "slow.toml", tmp_path / "quick.toml"
    slow.write_text('format = 1\ntitle = "slow"\nevery = "1 h"\n', "utf-8")
    quick.write_text('format = 1\ntitle = "quick"\nevery = "2.5 s"\n', "utf-8")
    assert "a run (h:mm:ss or m:ss), 1:00:00 an" in rehearse("--runs", "5", "--scenario", str(slow)).stdout
    assert "a run (h:mm:ss or m:ss), 2.5 s an" in rehearse("--runs", "5", "--scenario", str(quick)).stdout


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


FAMILY = (
    PLAIN.replace('size = "5 mm"', 'size = "{size}"')
    .replace('nominal = "5 mm"', 'nominal = "{size}"')
    .replace('lower = "-3 um"\nupper = "+3 um"', 'lower = "-{limit}"\nupper = "{limit}"')
    .replace(
        "format = 1\n",
        'format = 1\nparameters = { limit = "3 um" }\n[family]\nfive = { size = "5 mm" }\nsix = { size = "6 mm" }\n'
        'narrow = { size = "10 mm", limit = "1 um" }\n',
        1,
    )
    + '\n[decision]\nprocess = { value = "0 um", standard = "1.8 um" }\n'
)


@pytest.fixture(scope="module")
def family(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Any]:
    """Rehearse a part family of three."""
    path = tmp_path_factory.mktemp("family") / "washers.toml"
    path.write_text(FAMILY, "utf-8")

    def go(*options: str) -> Any:
        return CliRunner().invoke(app, ["rehearse", str(path), "--runs", "200", *options])

    return go


@pytest.fixture(scope="module")
def whole(family: Callable[..., Any]) -> Any:
    """What scripts are given of all of it."""
    return json.loads(family("--family", "--json", "--workers", "1").stdout)


class TestAPartFamily:
    def test_has_a_row_a_member(self, family: Callable[..., Any]) -> None:
        told = family("--family", "--scatter", "0.2 um")
        assert told.exit_code == 0
        assert "SIMULATED: no part is measured." in told.stdout
        rows = [line.split() for line in told.stdout.splitlines() if line.startswith(("five", "six", "narrow"))]
        # once in the table, and once over the process that each states
        assert [row[0] for row in rows] == ["five", "six", "narrow"] * 2
        assert all(row[1] == "thickness" and row[3] == "µm" and row[-1] == "1:20" for row in rows[:3])
        assert max(map(len, told.stdout.splitlines())) <= 80

    def test_gives_scripts_every_curve(self, whole: Any) -> None:
        five, six, narrow = whole["family"]
        assert [five["member"], six["member"], narrow["member"]] == ["five", "six", "narrow"]
        assert all(len(each["points"]) > 20 for each in (five, six, narrow))
        # the same errors at the same limits, wherever the part is no other but for its size
        assert five["points"] == six["points"]
        assert narrow["upper_um"] == pytest.approx(1.0)
        assert narrow["good_not_passed"] > 2 * five["good_not_passed"]
        assert narrow["process"]["producer_risk"] > five["process"]["producer_risk"]
        assert five["expanded_um"] == pytest.approx(narrow["expanded_um"])

    def test_comes_to_what_a_member_alone_comes_to(self, family: Callable[..., Any], whole: Any) -> None:
        narrow = whole["family"][2]
        alone = json.loads(family("--member", "narrow", "--json").stdout)
        assert {key: narrow[key] for key in alone} == alone

    @pytest.mark.long
    def test_comes_to_the_same_whatever_the_number_of_workers(self, family: Callable[..., Any], whole: Any) -> None:
        assert json.loads(family("--family", "--json", "--workers", "2").stdout) == whole

    def test_draws_the_curves_one_after_another(self, family: Callable[..., Any], tmp_path: Path) -> None:
        assert family("--family", "--html", str(tmp_path / "curves.html")).exit_code == 0
        text = (tmp_path / "curves.html").read_text("utf-8")
        assert text.count('<polyline class="passing"') == 3
        labels = re.findall(r'role="region" aria-label="([^"]+)"', text)
        assert len(labels) == len(set(labels)) == 4  # the table, and three pictures that are told apart

    @pytest.mark.parametrize(
        ("options", "told"),
        [
            (("--member", "five"), "--family with --member five"),
            (("--against", "other.toml"), "--family with --against other.toml"),
            (("--of", "width"), "the member five of the part family: there is no characteristic 'width'"),
        ],
    )
    def test_refuses_what_does_not_go_with_it(
        self, family: Callable[..., Any], options: tuple[str, ...], told: str
    ) -> None:
        result = family("--family", *options)
        assert result.exit_code != 0
        assert told in str(result.exception or "") + result.output

    def test_is_not_asked_of_a_routine_of_a_single_part(self, rehearse: Callable[..., Any]) -> None:
        result = rehearse("--family")
        assert result.exit_code != 0
        assert "found no part family; expected a table [family.NAME]" in str(result.exception) + result.output

    @pytest.mark.parametrize(
        ("members", "told"), [(1, "1 of 3 members is done; six is unfinished"), (2, "2 of 3 members are done")]
    )
    def test_keeps_the_members_that_were_done_where_it_is_broken_off(
        self, family: Callable[..., Any], whole: Any, monkeypatch: pytest.MonkeyPatch, members: int, told: str
    ) -> None:
        # All true sizes and four lots of the process make a member.
        each = len(whole["family"][0]["points"]) + 4
        monkeypatch.setattr(command, "heard_between_pieces", lambda _: pressed_after(members * each + 3))
        result = family("--family", "--json")
        assert result.exit_code == 4
        assert told in result.stderr
        assert json.loads(result.stdout)["family"] == whole["family"][:members]

    def test_keeps_what_was_done_of_the_first_member_and_marks_it_as_unfinished(
        self, family: Callable[..., Any], whole: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(command, "heard_between_pieces", lambda _: pressed_after(20))
        sizes = len(whole["family"][0]["points"])
        result = family("--family", "--html", str(tmp_path / "page.html"))
        assert result.exit_code == 4
        assert "0 of 3 members are done; five is unfinished" in result.stderr
        assert f"five, UNFINISHED: 20 of {sizes} true sizes are done." in result.stdout
        row = next(line for line in result.stdout.splitlines() if line.startswith("! five "))
        assert row.split()[5:8] == ["–", "–", "–"]  # shares over some sizes are none over all of them
        assert len([line for line in result.stdout.splitlines() if line.endswith(("█", "░", "x"))]) == 20
        assert "five (unfinished)" in (tmp_path / "page.html").read_text("utf-8")
        data = json.loads(family("--family", "--json").stdout)
        assert data["family"] == []
        assert data["unfinished"]["finished"] is False
        assert data["unfinished"]["points"] == whole["family"][0]["points"][:20]


@pytest.mark.long
class TestAnEngineThatRunsAlready:
    @pytest.fixture
    def engine(self, tmp_path: Path) -> Iterator[str]:
        """A scheduler with two workers, and its address."""
        pytest.importorskip("distributed", reason="distributed is not installed: the extra dask")
        told = tmp_path / "engine.log"
        with told.open("w") as log, contextlib.ExitStack() as started:

            def start(kind: str, *arguments: str) -> None:
                words = [sys.executable, "-m", f"distributed.cli.dask_{kind}", *arguments, "--no-dashboard"]
                process = subprocess.Popen(words, stdout=log, stderr=log, cwd=tmp_path)
                started.callback(process.wait, 60)
                started.callback(process.terminate)

            start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-show")
            address = until(
                lambda: re.search(r"Scheduler at: +(tcp://127\.0\.0\.1:[0-9]+)\n", told.read_text("utf-8"))
            )[1]
            for _ in range(2):
                start("worker", address, "--nthreads", "1", "--no-nanny", "--death-timeout", "60")
            until(lambda: told.read_text("utf-8").count("Registered to") == 2)
            yield address

    def test_does_the_work_and_changes_no_number(self, engine: str, whole: Any, tmp_path: Path) -> None:
        (tmp_path / "washers.toml").write_text(FAMILY, "utf-8")
        asked = [sys.executable, "-m", "holdzero", "rehearse", "washers.toml", "--family", "--json", "--runs", "200"]
        said = subprocess.run(
            [*asked, "--scheduler", engine], cwd=tmp_path, capture_output=True, text=True, check=True, timeout=300
        )
        assert json.loads(said.stdout) == whole
        assert (tmp_path / "engine.log").read_text("utf-8").count("Registered to") == 2


def until(so: Callable[[], Any]) -> Any:
    """Wait until it is so; gives what it is."""
    ends = time.monotonic() + 60.0
    while not (found := so()):
        assert time.monotonic() < ends, "waited too long"
        time.sleep(0.02)
    return found


@contextlib.contextmanager
def pressed_after(pieces: int) -> Iterator[Callable[[], bool]]:
    """Ctrl-C, heard after so many pieces of work."""
    asked = itertools.count(1)
    yield lambda: next(asked) >= pieces


class TestChecksThatTakeOneRunAtATime:
    SLIPS = PLAIN.replace('travel = "50 um"', 'travel = "50 um"\nturn = "5 um"') + "\n[checks.slips]\n"

    def test_are_named_before_and_in_all_that_is_said(self, tmp_path: Path) -> None:
        path = tmp_path / "washer.toml"
        path.write_text(self.SLIPS, "utf-8")
        told = CliRunner().invoke(app, ["rehearse", str(path), "--runs", "20", "--html", str(tmp_path / "page.html")])
        assert "slips takes one run at a time: slower; fewer --runs are quicker" in told.stderr
        assert "Taken one run at a time, which is slower: slips." in told.stdout
        assert "Taken one run at a time, which is slower: slips." in (tmp_path / "page.html").read_text("utf-8")

    def test_are_named_to_scripts(self, tmp_path: Path, rehearse: Callable[..., Any]) -> None:
        assert json.loads(rehearse("--json").stdout)["run_by_run"] == []
        path = tmp_path / "slips.toml"
        path.write_text(self.SLIPS, "utf-8")
        data = json.loads(CliRunner().invoke(app, ["rehearse", str(path), "--runs", "20", "--json"]).stdout)
        assert data["run_by_run"] == ["slips"]


def test_writes_over_no_file_that_nobody_gave_away(rehearse: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text("old", "utf-8")
    refused = rehearse("--html", str(tmp_path / "page.html"))
    assert "exists already" in str(refused.exception)
    assert (tmp_path / "page.html").read_text("utf-8") == "old"
    assert rehearse("--html", str(tmp_path / "page.html"), "--replace").exit_code == 0
    assert "<svg" in (tmp_path / "page.html").read_text("utf-8")


@pytest.mark.terminal
def test_broken_off_before_anything_is_done_it_ends_all_the_same(person: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    someone = person("rehearse", "washer.toml", "--runs", "3000000", "--workers", "2")
    someone.child.expect_exact("true sizes")
    someone.interrupts()
    someone.child.expect_exact("Ctrl-C again stops at once")
    someone.interrupts()
    assert someone.ends() == 4
    assert "Traceback" not in someone.screen, someone.screen[-3000:]


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes as Linux shows them")
@pytest.mark.parametrize("later_s", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("after_s", [0.0, 0.3, 1.5])
def test_two_ctrl_c_at_any_moment_end_it_with_one_code_and_leave_no_worker(
    tmp_path: Path, after_s: float, later_s: float
) -> None:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    command = [sys.executable, "-m", "holdzero", "rehearse", "washer.toml", "--runs", "3000000", "--workers", "2"]
    begun = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )
    until(lambda: hears(begun.pid, signal.SIGTERM))  # before the tool's own first line it is Python that is ended
    time.sleep(after_s)  # whatever it has come to by then
    os.killpg(begun.pid, signal.SIGINT)
    time.sleep(later_s)
    with contextlib.suppress(ProcessLookupError):  # it may have ended by then
        os.killpg(begun.pid, signal.SIGINT)
    said = begun.communicate(timeout=PATIENCE_S)[0]
    assert begun.returncode == 4, said
    assert "Traceback" not in said, said
    until(lambda: not in_session(begun.pid))


def hears(process: int, number: int) -> bool:
    """Whether a process has said what it does at a signal."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{process}/status").read_text("utf-8").splitlines():
            if line.startswith("SigCgt:"):
                return bool(int(line.split()[1], 16) & 1 << (number - 1))
    return False


def in_session(number: int) -> list[int]:
    """The processes of a session that have not ended."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            state, _, _, session = path.read_text("utf-8").rpartition(")")[2].split()[:4]
            if int(session) == number and state != "Z":
                found.append(int(path.parent.name))
    return found
