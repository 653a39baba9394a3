"""What is typed and can hardly be meant: asked about whatever a routine names, and a doubt where it stands.

The inch is 25.4 mm exactly (international yard and pound agreement of 1959, from memory); 1 mm is 1000 um (BIPM SI
Brochure, 9th edition, table 7, from memory). Which slips happen is common practice, no source.
"""

from __future__ import annotations

import dataclasses
import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from holdzero.catalogue import Catalogue
from holdzero.hooks import Act, Finding, Level, Offer
from holdzero.mistyped import mistyped_doubts, mistyped_questions
from holdzero.testing import GOOD, PLAIN
from holdzero.views import RunView, view_of
from holdzero_plugins.checks import slips

RING = """\
format = 1
routine = { title = "Ring", part = "R-1", units = "mm" }
reference = { name = "Block", size = "10 mm", deviation = "0 um" }
check_standard = { size = "10.02 mm", deviation = "0 um", limit = "1 um" }
comparator = { resolution = "0.5 um", travel = "50 um" }
characteristics.t = { measure = "size", at = ["a", "b"], nominal = "10 mm", lower = "-5 um", upper = "5 um" }
steps = [
    { do = "zero" },
    { do = "check" },
    { do = "repeat", times = 4, steps = [ { do = "read", at = "a" }, { do = "read", at = "b" } ] },
    { do = "return" },
]
"""
FINE = RING.replace('"0.5 um", travel = "50 um"', '"0.001 um", travel = "10 um"')
DIAL_IN_MM = RING.replace('"0.5 um", travel = "50 um"', '"0.001 mm"')
INCH = RING.replace('units = "mm"', 'units = "in"').replace('"0.5 um"', '"10 uin"')
STEP = """\
format = 1
routine = { title = "Film", part = "F-1", units = "mm" }
reference = { place = "bare" }
comparator = { resolution = "0.5 um", travel = "50 um" }
characteristics.t = { measure = "step", at = "film", from = "bare", lower = "1 um" }
steps = [
    { do = "zero" },
    { do = "repeat", times = 4, steps = [ { do = "read", at = "bare" }, { do = "read", at = "film" } ] },
    { do = "return" },
]
"""

Start = Callable[..., Any]  # see conftest


def view(start: Start, *answers: str, routine: str = RING) -> RunView:
    return view_of(start(routine).answer(*answers).run.state, "1")


def asked(start: Start, *answers: str, routine: str = RING) -> list[Finding]:
    return list(mistyped_questions(view(start, *answers, routine=routine)))


def kind(findings: list[Finding]) -> str:
    (finding,) = findings
    assert finding.level is Level.DOUBT
    assert "?" in finding.text or "Type what the dial shows" in finding.text
    return finding.code.split("/")[1]


class TestWhatTheDialCanShow:
    @pytest.mark.parametrize("text", ["0.3", "+1.2", "-0.7 um", "0.25", "0.0003 mm"])
    def test_a_value_between_its_steps_is_asked_about(self, start: Start, text: str) -> None:
        (found,) = asked(start, "0", "20", text)
        assert found.code.startswith("entry/step/")
        assert "steps of 0.5 µm" in found.text
        assert found.text.startswith(f"{text} at a: ")

    @pytest.mark.parametrize("text", ["0", "0.0", "-0", "0.5", "1.50", "-3", "+2,5 um", "0.0015 mm", "1 um"])
    def test_what_is_on_its_steps_is_not(self, start: Start, text: str) -> None:
        assert asked(start, "0", "20", text) == []

    # 20 uin are 0.508 um, 40 are 1.016, 59 are 1.4986; 0.00006 in and 0.06 thou are 1.524 um.
    @pytest.mark.parametrize(
        "text", ["20 uin", "0.00006 in", "0.06 thou", "40 uin", "59 uin", "0.000040 in", "-0.00002 in"]
    )
    def test_a_value_in_another_unit_is_on_a_step_within_half_its_last_digit(self, start: Start, text: str) -> None:
        assert asked(start, "0", "20", text) == []

    def test_an_estimate_between_the_lines_is_a_step_where_the_resolution_says_so(self, start: Start) -> None:
        finer = RING.replace('resolution = "0.5 um"', 'resolution = "0.1 um", division = "0.5 um"')
        assert asked(start, "0", "20", "0.3", routine=finer) == []
        assert asked(start, "0", "20", "1.4 div", routine=finer) == []
        assert kind(asked(start, "0", "20", "0.25", routine=finer)) == "step"

    def test_what_an_instrument_sent_is_taken_as_sent(self, start: Start) -> None:
        seen = view(start, "0", "20", "0.3")
        sent = dataclasses.replace(seen.readings[-1], line="+00000.3")
        assert list(mistyped_questions(dataclasses.replace(seen, readings=(*seen.readings[:-1], sent)))) == []


class TestAForgottenUnit:
    @pytest.mark.parametrize(
        ("answers", "would_be"),
        [
            (("0.0005",), "+0.5 µm"),
            (("0", "0.020"), "+20 µm"),
            (("0", "20", "0.0015"), "+1.5 µm"),
            (("0", "20", *["1.5"] * 8, "-0.001"), "−1 µm"),
        ],
    )
    def test_millimetres_on_a_dial_in_micrometres(self, start: Start, answers: tuple[str, ...], would_be: str) -> None:
        (found,) = asked(start, *answers)
        assert found.code.startswith("entry/unit/")
        assert found.text.endswith(f"Was it read in mm? It would be {would_be}.")

    def test_millimetres_that_are_on_a_step_of_a_fine_dial(self, start: Start) -> None:
        near = FINE.replace('"-5 um", upper = "5 um"', '"4 um", upper = "6 um"').replace('"10.02 mm"', '"10.002 mm"')
        assert kind(asked(start, "0", "2", "0.005", routine=near)) == "unit"
        assert asked(start, "0", "2", "5.005", routine=near) == []

    @pytest.mark.parametrize("text", ["3", "-2", "5 mm"])
    def test_micrometres_on_a_dial_in_millimetres(self, start: Start, text: str) -> None:
        (found,) = asked(start, "0", "0.020", text, routine=DIAL_IN_MM)
        assert found.code.startswith("entry/unit/")
        assert "far from what would fit. Was it read in µm?" in found.text

    def test_a_bare_part_of_an_inch_in_an_inch_routine(self, start: Start) -> None:
        # 20 um are 787 uin; 0.00005 in are 50 uin
        (found,) = asked(start, "0", "790", "0.00005", routine=INCH)
        assert found.text.endswith("steps of 10 µin. Was it read in inches? It would be +50 µin.")
        on_um = INCH.replace('"10 uin"', '"0.1 um"')
        assert kind(asked(start, "0", "20", "0.00005", routine=on_um)) == "unit"

    def test_where_no_size_is_known_what_was_read_there_tells(self, start: Start) -> None:
        free = STEP.replace(', travel = "50 um"', "").replace('"0.5 um"', '"0.001 mm"')
        before = ["0", *["0", "0.006"] * 3]
        assert asked(start, *before, "0", "0.007", routine=free) == []
        assert kind(asked(start, *before, "0", "6", routine=free)) == "unit"

    def test_a_point_one_place_off_is_named_neither_unit_nor_size(self, start: Start) -> None:
        assert kind(asked(start, "0", "20", "0.45")) == "step"
        assert kind(asked(start, "0", "20", "10.3")) == "step"

    def test_dirt_and_a_wrong_part_are_no_other_unit(self, start: Start) -> None:
        for text in ("4.5", "-3", "25", "-49.5"):
            assert asked(start, "0", "20", "1.5", "1", text) == []


class TestASizeForADeviation:
    @pytest.mark.parametrize("text", ["10.0012", "10.001", "9.9985"])
    def test_a_bare_size_is_asked_about(self, start: Start, text: str) -> None:
        (found,) = asked(start, "0", "20", text)
        assert found.code.startswith("entry/size/")
        assert "looks like the size, 10 mm" in found.text

    def test_so_is_that_of_the_reference_and_of_the_check_standard(self, start: Start) -> None:
        assert kind(asked(start, "10.002")) == "size"
        assert kind(asked(start, "0", "10.0201")) == "size"

    @pytest.mark.parametrize("text", ["10.001", "10.0012 mm"])
    def test_so_is_one_that_no_travel_refuses(self, start: Start, text: str) -> None:
        assert kind(asked(start, "0", "0.020", text, routine=DIAL_IN_MM)) == "size"

    @pytest.mark.parametrize("text", ["10", "10.0", "9.5", "-10", "50"])
    def test_a_bad_part_of_that_deviation_is_not(self, start: Start, text: str) -> None:
        assert asked(start, "0", "20", text) == []

    def test_nor_are_many_runs_of_bad_parts(self, start: Start) -> None:
        seen = view(start, "0", "20", "1.5")
        bad = dataclasses.replace(seen.readings[-1], raw="", value_um=np.array([10.0, -10.5, 11.5, 26.0]))
        assert list(mistyped_doubts(dataclasses.replace(seen, readings=(*seen.readings[:-1], bad)))) == []


class TestHowItIsAsked:
    def test_with_an_offer_to_strike_that_entry_out(self, start: Start) -> None:
        seen = view(start, "0", "20", "0.3")
        (found,) = mistyped_questions(seen)
        seq = seen.readings[-1].seq
        assert found.code == f"entry/step/{seq}"
        assert found.offer == Offer(act=Act.STRIKE, entries=(seq,))

    def test_a_further_reading_or_its_strike_ends_it(self, start: Start) -> None:
        assert asked(start, "0", "20", "0.3", "0.5") == []
        bench = start(RING).answer("0", "20", "0.3")
        bench.strike(bench.run.state.readings[-1].seq)
        assert list(mistyped_questions(view_of(bench.run.state, "1"))) == []

    def test_slips_asks_no_second_time(self, start: Start) -> None:
        seen = view(start, "0", "20", *["1.5", "1.5"] * 3, "0.15")
        assert len(list(mistyped_questions(seen))) == 1
        assert list(slips.watch(slips.SlipsSettings(), seen)) == []


class TestOnRecord:
    def test_what_stands_is_a_doubt_and_decides_nothing(self, measure: Callable[..., Any]) -> None:
        outcome = measure(PLAIN, [*GOOD[:3], "0.0011", *GOOD[4:]])
        (doubt,) = [f for f in outcome.record["findings"] if f["code"] == "entry/unit"]
        assert doubt["level"] == "doubt"
        assert "(0.0011 at a): in mm it would be +1.1 µm" in doubt["text"]
        assert "run/question" in outcome.codes("note")
        assert outcome.codes("stop") == []

    def test_of_many_the_first_are_listed(self, measure: Callable[..., Any]) -> None:
        outcome = measure(PLAIN, [*["0.0001"] * 3, *["0.0011"] * 3, "0.0001"])
        (doubt,) = [f for f in outcome.record["findings"] if f["code"] == "entry/unit"]
        assert doubt["data"]["entries"] == 7
        assert doubt["text"].count("it would be") == 6
        assert "; and 1 more." in doubt["text"]

    def test_good_readings_leave_nothing(self, measure: Callable[..., Any]) -> None:
        outcome = measure(PLAIN)
        assert not [f for f in outcome.record["findings"] if f["code"].startswith("entry/")]

    def test_many_runs_at_once_are_told_apart(self, start: Start) -> None:
        # One run sound, one between the steps, one in millimetres, one a size in millimetres.
        runs = np.array([1.5, 1.3, 0.0015, 10.0012])
        seen = view(start, "0", "20", "1.5")
        many = (*seen.readings[:-1], dataclasses.replace(seen.readings[-1], raw="", value_um=runs))
        found = {
            f.code: np.asarray(f.holds).tolist() for f in mistyped_doubts(dataclasses.replace(seen, readings=many))
        }
        assert found == {
            "entry/step": [False, True, False, False],
            "entry/unit": [False, False, True, False],
            "entry/size": [False, False, False, True],
        }


@pytest.fixture(scope="module")
def questions() -> ModuleType:
    """The script that conducts sound runs."""
    path = Path(__file__).parents[1] / "benchmarks" / "questions.py"
    spec = importlib.util.spec_from_file_location("questions", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.long
@pytest.mark.parametrize("path", sorted((Path(__file__).parents[2] / "routines").glob("*.toml")), ids=lambda p: p.stem)
def test_sound_runs_of_the_shipped_routines_are_not_asked(
    path: Path, questions: ModuleType, catalogue: Catalogue
) -> None:
    _, in_runs, _ = questions.counted(path, catalogue, 10)
    assert not [code for code in in_runs if code.startswith("entry/")]


def test_runs_whose_points_are_one_place_off_are(questions: ModuleType, catalogue: Catalogue, tmp_path: Path) -> None:
    scenario = tmp_path / "slips.toml"
    scenario.write_text('format = 1\ntitle = "slips"\nslips = { point = 1.0 }\n', "utf-8")
    ring = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"
    assert "entry/step" in set(questions.codes_of(questions.conducted(ring, catalogue, scenario)))
