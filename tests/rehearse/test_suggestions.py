"""The fewest rounds and the shortest soak that meet a stated risk."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.process import NormalProcess
from holdzero.rehearse.curve import band_of, process_of
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import Scenario
from holdzero.rehearse.suggest import MOST_SOAK_MIN, Way, Wish, changed, rounds_of, soak_min_of, ways_of
from holdzero.routine.load import digest_of
from holdzero.testing import Draft
from holdzero.testing.drive import loaded_of

READ = {"do": "read", "at": "a"}
ROUNDS = {"do": "repeat", "times": 2, "steps": [READ]}
SOAK = {"do": "soak", "at_least": "20 min"}
PREPARE = {"do": "prepare", "say": "Wipe."}
ENDS = ({"do": "return"}, {"do": "compare"})


def steps(*own: dict[str, Any]) -> tuple[dict[str, Any], ...]:
    """A routine's steps about these."""
    return (PREPARE, SOAK, {"do": "zero", "times": 3}, *own, *ENDS)


Prepared = Callable[..., Rehearsal]


@pytest.fixture
def prepared(catalogue: Catalogue) -> Prepared:
    """A routine to rehearse."""

    def go(*own: dict[str, Any], scenario: dict[str, Any] | None = None, scatter_um: float = 0.1) -> Rehearsal:
        draft = Draft().with_table("comparator", resolution="0.01 um").with_steps(*steps(*own))
        loaded = loaded_of(draft.with_table("bracket", limit="20 um"), catalogue)
        checks, _ = bind(loaded.routine, catalogue)
        head = {"format": 1, "title": "something"}
        return Rehearsal(
            document=loaded.document,
            digest=loaded.digest,
            checks=checks,
            of="thickness",
            scatter_um=scatter_um,
            scenario=Scenario.model_validate(head | scenario) if scenario is not None else None,
        )

    return go


def ways(what: Rehearsal, risk: float, standard_um: float = 1.0, coverage: float = 0.0, rounds: int = 10) -> list[Way]:
    """All that is tried; where no coverage is asked for, by the risks alone."""
    return list(
        islice(
            ways_of(
                what,
                Wish(
                    risk=risk, sizes=NormalProcess(mean_um=0.0, standard_um=standard_um), coverage=coverage, runs=4000
                ),
            ),
            rounds,
        )
    )


class TestRounds:
    def test_that_are_more_pass_more_good_parts_where_scatter_is_what_counts(self, prepared: Prepared) -> None:
        shares = [way.process.producer_risk for way in ways(prepared(ROUNDS, scatter_um=1.0), 0.2)]
        assert shares[0] > shares[2] > shares[-1]

    def test_that_are_fewest_come_first(self, prepared: Prepared) -> None:
        found = ways(prepared(ROUNDS, scatter_um=1.0), 0.35)
        assert [way.rounds for way in found] == list(range(1, 11))
        meets = [way.meets for way in found]
        assert not meets[0]
        assert meets[-1]

    def test_cost_ten_seconds_a_reading(self, prepared: Prepared) -> None:
        found = ways(prepared(ROUNDS), 0.1)
        assert found[4].bench_s - found[3].bench_s == pytest.approx(10.0)


HANDS: dict[str, Any] = {"hands": {"warms": "30 um", "fades_in": "10 min"}}


class TestASoak:
    def test_is_as_long_as_the_heat_needs(self, prepared: Prepared) -> None:
        # 30 µm fade to 1 µm in 10 min · ln 30 = 34 min: the parts (s = 0.3 µm about the middle of ±3 µm) then lie well
        # within; at 5 µm, after 18 min, none does
        first = ways(prepared(ROUNDS, scenario=HANDS), 0.02, standard_um=0.3)[0]
        assert first.meets
        assert first.soak_min is not None
        assert 10.0 * math.log(30.0 / 5.0) < first.soak_min < 10.0 * math.log(30.0 / 0.5)

    def test_is_the_shortest_to_the_minute(self, prepared: Prepared) -> None:
        what = prepared(ROUNDS, scenario=HANDS)
        wish = Wish(risk=0.02, sizes=NormalProcess(mean_um=0.0, standard_um=0.3), coverage=0.0, runs=4000)
        first = next(iter(ways_of(what, wish)))
        assert first.soak_min is not None
        shorter = changed(what.document, 1, first.soak_min - 1)
        assert soak_min_of(shorter) == first.soak_min - 1
        process = process_of(replace(what, document=shorter, digest=digest_of(shorter)), wish.sizes, 4000)
        assert not wish.met(process)

    def test_is_left_alone_where_nothing_tells_of_heat(self, prepared: Prepared) -> None:
        assert {way.soak_min for way in ways(prepared(ROUNDS), 0.1)} == {None}

    def test_that_never_ends_it_is_told_as_such(self, prepared: Prepared) -> None:
        slow = {"hands": {"warms": "30 um", "fades_in": "20 h"}}
        found = ways(prepared(ROUNDS, scenario=slow), 0.02, standard_um=0.3)
        assert not any(way.meets for way in found)
        assert {way.soak_min for way in found} == {MOST_SOAK_MIN}

    def test_that_meets_the_risk_is_longer_where_u_would_not_hold(self, prepared: Prepared) -> None:
        # 0.6 um in 8 min: the parts (s = 0.35 um) lie far within ±3 um, so that no heat makes a wrong verdict of them.
        fades = {"hands": {"warms": "0.6 um", "fades_in": "8 min"}}
        by_risk = ways(prepared(ROUNDS, scenario=fades), 0.012, standard_um=0.35, rounds=3)[2]
        assert by_risk.soak_min == 1
        assert by_risk.process.tally.covered < 0.1 * by_risk.process.tally.runs
        found = ways(prepared(ROUNDS, scenario=fades), 0.012, standard_um=0.35, coverage=0.9545, rounds=3)[2]
        assert found.meets
        assert found.soak_min is not None
        assert found.soak_min > 15
        assert band_of(found.process.tally.covered, found.process.tally.runs)[1] >= 0.9545
        assert found.hasty is not None
        assert found.hasty.soak_min is not None
        assert found.hasty.soak_min < found.soak_min
        assert found.hasty.risk_met
        assert not found.hasty.u_holds

    def test_that_helps_nothing_is_no_longer_than_the_heat_lasts(self, prepared: Prepared) -> None:
        # 30 um in 5 min are 0.02 um after 5 min · ln 1500 = 37 min, and nobody passes 99.99 % of parts that are worse.
        fades = {"hands": {"warms": "30 um", "fades_in": "5 min"}}
        found = ways(prepared(ROUNDS, scenario=fades), 0.0001, standard_um=2.0, rounds=3)
        assert not any(way.meets for way in found)
        assert all(way.settled and way.soak_min is not None and 25 < way.soak_min < 60 for way in found)

    def test_goes_on_where_heat_is_left_though_no_share_changes(self, prepared: Prepared) -> None:
        # Hours of heat let no part pass, after 120 minutes and after 240.
        slow = {"hands": {"warms": "30 um", "fades_in": "20 h"}}
        assert not any(way.settled for way in ways(prepared(ROUNDS, scenario=slow), 0.02, standard_um=0.3, rounds=3))


class TestTheRoutine:
    def test_is_changed_in_its_rounds_and_soaks_alone(self, prepared: Prepared) -> None:
        document = prepared(ROUNDS).document
        other = changed(document, 7, 45)
        assert (rounds_of(document), soak_min_of(document)) == (2, 20.0)
        assert (rounds_of(other), soak_min_of(other)) == (7, 45.0)
        assert {key: other[key] for key in other if key != "steps"} == {
            key: document[key] for key in document if key != "steps"
        }

    def test_without_rounds_or_heat_is_refused(self, prepared: Prepared) -> None:
        with pytest.raises(HoldzeroError, match="there is nothing to suggest"):
            ways(prepared(READ), 0.1)

    def test_whose_repeat_steps_differ_is_told_so(self, prepared: Prepared) -> None:
        with pytest.raises(HoldzeroError, match=r"go round 2 and 3 times.*\n    let them go round equally often"):
            ways(prepared(ROUNDS, {**ROUNDS, "times": 3}), 0.1)


@pytest.mark.long
class TestTheCommand:
    @pytest.fixture
    def said(self, tmp_path: Path) -> Callable[..., Any]:
        """What the command says of a routine."""
        path = tmp_path / "washer.toml"
        path.write_text(Draft().with_steps(*steps(ROUNDS)).text, "utf-8")

        def go(*options: str) -> Any:
            return CliRunner().invoke(app, ["rehearse", str(path), "--runs", "300", *options])

        return go

    def test_names_the_quickest_way(self, said: Callable[..., Any]) -> None:
        data = json.loads(said("--risk", "0.3", "--spread", "0.5 um", "--scatter", "0.01 um", "--json").stdout)
        # One round would do, and is not proposed: it shows no slip.
        assert data["ways"][0]["meets"]
        assert data["suggested"]["rounds"] == 2
        assert data["now"] == {"rounds": 2, "soak_min": 20.0}
        assert len(data["ways"]) == 10

    def test_says_it_in_words(self, said: Callable[..., Any]) -> None:
        words = " ".join(said("--risk", "0.3", "--spread", "0.5 um", "--scatter", "0.01 um").stdout.split())
        assert "Quickest that meets it: 2 rounds." in words
        assert "One round alone is not proposed" in words
        assert "no scenario tells of heat" in words

    def test_says_what_stands_in_the_way(self, said: Callable[..., Any]) -> None:
        words = " ".join(said("--risk", "0.001", "--spread", "5 um").stdout.split())
        assert "Nothing up to 10 rounds meets it." in words
        assert "Nearest: " in words
        assert "What else is missing lies near the limits" in words

    @pytest.fixture
    def hands(self, tmp_path: Path) -> str:
        """A scenario of heat that fades in minutes."""
        path = tmp_path / "hands.toml"
        text = 'format = 1\ntitle = "warm"\n[hands]\nwarms = "0.6 um"\nfades_in = "8 min"\n'
        path.write_text(text, "utf-8")
        return str(path)

    def test_proposes_no_value_whose_u_does_not_hold(self, said: Callable[..., Any], hands: str) -> None:
        options = ("--risk", "0.012", "--spread", "0.35 um", "--scenario", hands)
        data = json.loads(said(*options, "--json").stdout)
        assert data["coverage_probability"] == pytest.approx(0.9545)
        assert data["suggested"]["u_holds"]
        assert data["suggested"]["risk_met"]
        assert data["suggested"]["covered_limit"] >= 0.9545
        assert data["suggested"]["soak_min"] > 10
        told = said(*options).stdout
        assert "the risk is met too, but U does not hold there" in " ".join(told.split())
        row = next(line for line in told.splitlines() if line.endswith("+ meets it"))
        assert f"{100 * next(way for way in data['ways'] if way['meets'])['covered']:.2f} %  + meets it" in row
        assert max(map(len, told.splitlines())) <= 80

    def test_says_where_only_the_risk_is_met(self, said: Callable[..., Any], tmp_path: Path) -> None:
        path = tmp_path / "wrong.toml"
        path.write_text('format = 1\ntitle = "another block"\nreference_error = "+0.6 um"\n', "utf-8")
        options = ("--risk", "0.02", "--spread", "0.3 um", "--scenario", str(path))
        data = json.loads(said(*options, "--json").stdout)
        assert data["suggested"] is None
        assert all(way["risk_met"] and not way["u_holds"] and not way["meets"] for way in data["ways"])
        words = " ".join(said(*options).stdout.split())
        assert "! no U: the risk is met, but the truth lies within U in fewer parts" in words
        assert "With 1 round the risk is met, but U does not hold there" in words
        assert "Something goes on that the routine does not know of" in words

    def test_says_that_no_soak_helps(self, said: Callable[..., Any], hands: str) -> None:
        told = said("--risk", "0.0001", "--spread", "2.5 um", "--scenario", hands).stdout
        assert ">240 min" not in told
        assert re.search(r"Nearest: \d+ rounds?, a soak of [2-5]\d min\.", told)
        assert "No soak helps: after this one a longer one changes nothing any more." in " ".join(told.split())

    @pytest.mark.parametrize(
        ("options", "told"),
        [
            (("--risk", "0.1"), "how the parts lie is not stated"),
            (("--risk", "2", "--spread", "1 um"), "a share between 0 and 1"),
            (("--risk", "0.1", "--spread", "1 K"), "--spread"),
            (("--risk", "0.1", "--spread", "-1 um"), "not below zero"),
            (("--risk", "0.1", "--spread", "1 um", "--family"), "one routine"),
            (("--risk", "0.1", "--spread", "1 um", "--html", "page.html"), "drop --html"),
        ],
    )
    def test_refuses_what_makes_no_sense(self, said: Callable[..., Any], options: tuple[str, ...], told: str) -> None:
        result = said(*options)
        assert result.exit_code != 0
        assert told in str(result.exception) + result.output
