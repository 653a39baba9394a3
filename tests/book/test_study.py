"""Studies by the readings of records: the manual's study comes out as printed, however it was measured."""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, ClassVar, TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero.book import open_book
from holdzero.book.study import by_laboratories, by_parts, readings_of, whole
from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.pictures.spreads import spreads_of
from holdzero.pictures.study import letters_of, plot_by_part
from holdzero.record import amend_record
from holdzero.studies import CrossedStudy, StudyError
from holdzero.testing.draft import Draft
from holdzero.testing.many import WASHER

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest
Printed: TypeAlias = Callable[[str], Any]

BEGIN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
NAMES = ("A. Ivers", "T. Ester", "M. Oduya")

# AIAG, Measurement Systems Analysis, 4th ed., III-B: 10 parts, 3 inspectors, 3 trials; data and results seen
# second-hand in several transcriptions, which agree (see tests/published/test_gauge_study.py). Rows: inspector and
# trial; columns: parts. The numbers are read here in um.
MANUAL = """
 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""
ROWS = [line.split() for line in MANUAL.strip().splitlines()]

FINE = WASHER.with_table("comparator", resolution="0.01 um")
READ = {"do": "repeat", "over": "parts", "steps": [{"do": "read", "at": "a"}]}
ENDS = ({"do": "zero", "times": 3}, {"do": "check"}), ({"do": "return"}, {"do": "compare"})
ASK = {"do": "ask", "name": "inspector", "say": "Who reads this round?"}


def routine(*steps: dict[str, Any]) -> Draft:
    return FINE.with_steps(*ENDS[0], *steps, *ENDS[1])


def answers(*middle: str) -> list[str]:
    return ["+0.1", "+0.1", "+0.1", "+10.15", *middle, "+0.1"]  # a zero that is none: each reading is less it


def raised(readings: Iterable[str]) -> list[str]:
    """Readings as a dial shows them whose zero reads +0.1 um."""
    return [f"{float(reading) + 0.1:+.2f}" for reading in readings]


@pytest.fixture(scope="session")
def asked_inside(records_of: RecordsOf) -> list[str]:
    """The manual's study in one run: three inspectors, asked before each of their rounds; rounds in turn."""
    rounds = routine({"do": "repeat", "times": 9, "steps": [ASK, READ]})
    turns = [(name, ROWS[3 * place + trial]) for trial in range(3) for place, name in enumerate(NAMES)]
    said = answers(*(text for name, row in turns for text in (name, *raised(row))))
    return records_of(10, draft=rounds, batch=10, answers=said, operators=["B. Nobody"], serial="P")


@pytest.fixture(scope="session")
def run_by_run(records_of: RecordsOf) -> list[str]:
    """The same in nine runs: one for each inspector and round, by the operator's name."""
    found: list[str] = []
    for number, row in enumerate(ROWS):
        begin, name = BEGIN + dt.timedelta(hours=number), NAMES[number // 3]
        made = records_of(
            10, draft=routine(READ), batch=10, answers=answers(*raised(row)), operators=[name], serial="P", begin=begin
        )
        found.extend(made)
    return found


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """`holdzero book study` in a folder of its own, over records in the book there; gives what it prints."""
    monkeypatch.chdir(tmp_path)

    def go(texts: Sequence[str], *words: str) -> Any:
        open_book("book.sqlite", create=True).add(texts)
        done = CliRunner().invoke(app, ["book", "study", *words])
        if isinstance(done.exception, HoldzeroError):
            raise done.exception
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout) if "--json" in words else done.stdout

    return go


@pytest.fixture(scope="session")
def printed() -> Printed:
    """From a number as printed to what equals it: within half a unit of the last printed digit."""

    def near(text: str) -> Any:
        digits = len(text.partition(".")[2])
        return pytest.approx(float(text), abs=0.5 * 10.0**-digits * (1.0 + 1e-9), rel=0.0)

    return near


def data(texts: Iterable[str]) -> list[dict[str, Any]]:
    return [json.loads(text) for text in texts]


@pytest.mark.long
class TestTheManualsStudyThroughTheWholeTool:
    @pytest.fixture(params=["asked_inside", "run_by_run"])
    def found(self, request: pytest.FixtureRequest, study: Callable[..., Any]) -> dict[str, Any]:
        texts = request.getfixturevalue(request.param)
        said = study(texts, "--part", "W-1", "--title", "Washer, thickness", "--json")
        assert isinstance(said, dict)
        return said

    def test_is_put_in_order(self, found: dict[str, Any]) -> None:
        assert (len(found["parts"]), found["inspectors"], len(found["readings"])) == (10, list(NAMES), 90)
        cells = {(r["part"], r["inspector"], r["trial"]): r["value_um"] for r in found["readings"]}
        for number, row in enumerate(ROWS):
            for part, reading in enumerate(row):
                cell = (found["parts"][part], NAMES[number // 3], number % 3 + 1)
                assert cells[cell] == pytest.approx(float(reading), abs=1e-9)

    @pytest.mark.parametrize(
        ("name", "dof", "square", "mean_square"),
        [
            ("inspectors", 2, "3.1673", "1.583631"),
            ("parts", 9, "88.3619", "9.817993"),
            ("interaction", 18, "0.3590", "0.019943"),
            ("repeatability", 60, "2.7589", "0.045982"),
            ("total", 89, "94.6471", "1.063451"),
        ],
    )
    def test_table_is_as_printed(
        self, found: dict[str, Any], name: str, dof: int, square: str, mean_square: str, printed: Printed
    ) -> None:
        (line,) = [line for line in found["anova"]["table"] if line["name"] == name]
        assert line["dof"] == dof
        assert line["sum_of_squares_um2"] == printed(square)
        assert line["mean_square_um2"] == printed(mean_square)

    def test_components_are_as_printed(self, found: dict[str, Any], printed: Printed) -> None:
        anova = found["anova"]
        assert anova["pooled"]
        for name, standard in (("repeatability", "0.199933"), ("inspectors", "0.226838"), ("parts", "1.042327")):
            assert anova[name]["standard_um"] == printed(standard)
        shares = [100.0 * anova[name]["share_of_total"] for name in ("repeatability", "inspectors", "gauge", "parts")]
        assert shares == [printed(text) for text in ("18.4", "20.9", "27.9", "96.0")]
        assert anova["categories"] == 4

    def test_ranges_stand_beside_it_as_printed(self, found: dict[str, Any], printed: Printed) -> None:
        # Its factors have four decimals: half a unit there weighs as much as the range it multiplies.
        ranges = found["range"]
        assert ranges["mean_range_um"] == printed("0.341667")
        for name, standard, width in (
            ("repeatability", 0.2019, 0.341667),
            ("reproducibility", 0.2297, 0.444667),
            ("gauge", 0.3058, 0.62),
            ("parts", 1.1046, 3.511111),
            ("total", 1.1461, 3.511111),
        ):
            assert ranges[name]["standard_um"] == pytest.approx(standard, abs=0.00005 * (1.0 + width))
        assert 100.0 * ranges["gauge"]["share_of_total"] == printed("26.7")
        assert ranges["categories"] == 5


class TestItsPicture:
    """The manual's study, as above: s of repeatability 0.199933, inspectors 0.226838, parts 1.042327 as printed."""

    STANDARD_UM: ClassVar = {"parts": 1.042327, "inspectors": 0.226838, "repeatability": 0.199933, "interaction": 0.0}

    @pytest.fixture
    def crossed(self, asked_inside: list[str]) -> CrossedStudy:
        return by_parts(whole(readings_of(data(asked_inside))), 5.0)[0]

    def test_has_a_bar_for_each_component_and_none_for_a_sum_the_largest_first(self, crossed: CrossedStudy) -> None:
        assert [bar.word for bar in spreads_of(crossed, 5.0).bars] == list(self.STANDARD_UM)

    @pytest.mark.parametrize("tolerance_um", [None, 5.0, 50.0])
    def test_is_on_one_scale_of_length_and_the_tolerance_with_it(
        self, crossed: CrossedStudy, tolerance_um: float | None
    ) -> None:
        picture = spreads_of(crossed, tolerance_um)
        at = {float(tick.text): tick.at for tick in picture.ticks}
        (low, start), (high, end) = min(at.items()), max(at.items())
        assert low == 0.0
        per_um = (end - start) / high
        for bar, standard_um in zip(picture.bars, self.STANDARD_UM.values(), strict=True):
            assert bar.width == pytest.approx(6.0 * standard_um * per_um, abs=0.05)
        if tolerance_um is None:
            assert (picture.frame, picture.frame_text) == (None, "")
        else:
            assert picture.frame == pytest.approx(tolerance_um * per_um, abs=0.05)
            assert picture.frame_text == f"tolerance {tolerance_um:g} µm"

    def test_joins_by_brackets_what_its_sums_hold(self, crossed: CrossedStudy) -> None:
        picture = spreads_of(crossed, None)
        lines = {bar.y: bar.word for bar in picture.bars}
        held = {
            bracket.word: [lines[float(y)] for y in re.findall(r"M[\d.]+ ([\d.]+)h", bracket.path)]
            for bracket in picture.brackets
        }
        assert held == {
            "reproducibility": ["inspectors", "interaction"],
            "gauge": ["inspectors", "repeatability", "interaction"],
        }
        # 6 √(0.199933² + 0.226838²) = 1.814
        assert {bracket.word: bracket.text for bracket in picture.brackets} == {
            "reproducibility": "1.36 µm",
            "gauge": "1.81 µm",
        }

    def test_comes_before_the_inspectors_and_they_before_the_parts(
        self, asked_inside: list[str], study: Callable[..., Any], tmp_path: Path
    ) -> None:
        study(asked_inside, "--part", "W-1", "--tolerance", "5 um", "--html", "study.html")
        text = (tmp_path / "study.html").read_text("utf-8")
        assert re.findall(r"<h2>(.*?)</h2>", text) == [
            "Where the spread comes from",
            "Readings by inspector, less the mean of their part",
            "Readings by part",
        ]
        assert re.findall(r"</svg>([^<]*)</li>", text.partition("Readings by part")[2]) == [
            "reading of a part",
            *NAMES,
            "means",
        ]

    def test_has_the_letter_of_each_inspector_below_his_readings(self, asked_inside: list[str]) -> None:
        taken = readings_of(data(asked_inside))
        plot = plot_by_part(taken, lambda item: item.inspector, 0.0)
        assert [badge.letter for badge in plot.badges] == ["A", "B", "C"] * 10
        assert {badge.letter: badge.name for badge in plot.badges} == dict(zip("ABC", NAMES, strict=True))
        for number, badge in enumerate(plot.badges):
            xs = [mark.x for mark in plot.marks[3 * number : 3 * number + 3]]
            assert min(xs) < badge.x < max(xs)
        assert len(plot.marks) == 90
        assert plot.kinds == ["part"]

    def test_numbers_inspectors_where_letters_do_not_suffice(self) -> None:
        names = [f"Shop {number}" for number in range(30)]
        assert list(letters_of([*names, *names]).values()) == [str(number) for number in range(1, 31)]


class TestWhatIsStudied:
    def test_a_tolerance_has_a_unit(self, asked_inside: list[str], study: Callable[..., Any]) -> None:
        found = study(asked_inside, "--part", "W-1", "--tolerance", "0.004 mm", "--json")
        gauge = found["anova"]["gauge"]
        assert gauge["share_of_tolerance"] == pytest.approx(6.0 * gauge["standard_um"] / 4.0)

    def test_files_and_digests_do_as_well(
        self, asked_inside: list[str], study: Callable[..., Any], tmp_path: Path
    ) -> None:
        for number, text in enumerate(asked_inside[:5]):
            (tmp_path / f"{number}.record.json").write_text(text, "utf-8")
        digests = [record["digest"] for record in data(asked_inside[5:])]
        found = study(asked_inside, str(tmp_path), *digests, "--json")
        assert (len(found["parts"]), found["anova"]["categories"]) == (10, 4)

    def test_an_amended_record_counts_once_with_what_was_put_right(self, asked_inside: list[str]) -> None:
        first = json.loads(asked_inside[0])
        right = amend_record(
            first,
            changes={"serial": "P-right"},
            reason="read from the wrong tray",
            by="M. Oduya",
            at="2026-03-03T08:00:00+01:00",
        )
        taken = readings_of([first, *data(asked_inside[1:]), right, right])
        assert len(taken) == 90
        assert {item.part for item in taken} == {"P-right", *(f"P{number:06d}" for number in range(1, 10))}

    def test_an_answer_that_was_struck_out_names_nobody(self, asked_inside: list[str]) -> None:
        record = json.loads(asked_inside[0])
        for row in record["readings"]:
            if row["kind"] == "ask":
                row["struck"] = "typed wrong"
        assert {item.inspector for item in readings_of([record])} == {"B. Nobody"}

    def test_a_reading_that_does_not_count_is_left_out(self, asked_inside: list[str]) -> None:
        record = json.loads(asked_inside[0])
        next(row for row in record["readings"] if row["kind"] == "read" and row["serial"] == "P000000")["counts"] = (
            False
        )
        assert len(readings_of([record])) == 8

    def test_simulated_readings_are_said(
        self, records_of: RecordsOf, study: Callable[..., Any], tmp_path: Path
    ) -> None:
        rounds = routine({"do": "repeat", "times": 4, "steps": [ASK, READ]})
        said = answers("A", "+1.0", "+2.0", "B", "+1.1", "+2.2", "A", "+1.1", "+2.0", "B", "+1.3", "+2.1")
        texts = records_of(2, draft=rounds, batch=2, answers=said, simulated=True)
        for number, text in enumerate(texts):
            (tmp_path / f"{number}.record.json").write_text(text, "utf-8")
        assert study([], str(tmp_path)).startswith("SIMULATED")
        with pytest.raises(HoldzeroError, match="no record of that part and title"):
            study(texts, "--part", "W-1")


class TestRefused:
    def test_missing_readings_are_all_named(self, run_by_run: list[str]) -> None:
        records = data(run_by_run)
        # the last round of the last inspector stopped after seven parts
        with pytest.raises(StudyError) as told:
            whole(readings_of(records[:-3]))
        lines = str(told.value).splitlines()[1:-1]
        assert lines == [f"    part P{part:06d}, inspector M. Oduya: 2 of 3" for part in (7, 8, 9)]

    def test_a_part_without_a_serial(self, records_of: RecordsOf) -> None:
        with pytest.raises(StudyError, match="has no serial"):
            readings_of(data(records_of(1, serial=None)))

    def test_readings_of_nobody(self, records_of: RecordsOf) -> None:
        with pytest.raises(StudyError, match="does not say who read"):
            readings_of(data(records_of(1, operators=[None])))

    def test_several_places_unless_one_is_named(self, records_of: RecordsOf) -> None:
        both = WASHER.with_table("characteristics.thickness", at=["a", "b"]).with_steps(
            *ENDS[0], {"do": "read", "at": "a"}, {"do": "read", "at": "b"}, *ENDS[1]
        )
        records = data(records_of(1, draft=both, answers=answers("+1.1", "+2.1")))
        with pytest.raises(StudyError, match="several places: a, b; say which with --at"):
            readings_of(records)
        (only,) = readings_of(records, place="b")
        assert only.value_um == pytest.approx(2.0)
        with pytest.raises(StudyError, match="no reading is of place 'c'"):
            readings_of(records, place="c")

    def test_a_file_that_was_changed(self, asked_inside: list[str], study: Callable[..., Any], tmp_path: Path) -> None:
        changed = asked_inside[0].replace('"P000000"', '"P000001"')
        assert changed != asked_inside[0]
        (tmp_path / "x.record.json").write_text(changed, "utf-8")
        with pytest.raises(HoldzeroError, match=r"x\.record\.json: .*changed after it was made"):
            study([], str(tmp_path))

    @pytest.mark.parametrize(
        ("words", "why"),
        [
            ((), "say which records"),
            (("--part", "W-1", "--method", "guess"), "--method is one of"),
            (("--part", "W-9"), "no record of that part"),
            (("--part", "W-1", "--tolerance", "6"), "6"),
        ],
    )
    def test_what_can_t_be_studied(
        self, records_of: RecordsOf, study: Callable[..., Any], words: tuple[str, ...], why: str
    ) -> None:
        with pytest.raises(HoldzeroError, match=why):
            study(records_of(1), *words)


class TestLaboratories:
    # ISO 5725-2:1994, B.1, sulfur in coal, level 1: data and results from memory, see
    # tests/published/test_interlaboratory.py; a laboratory is an inspector here, a part is a level.
    COAL = """
    0.71 0.71 0.70 0.71; 0.69 0.67 0.68; 0.66 0.65 0.69; 0.67 0.65 0.66; 0.70 0.69 0.66 0.71 0.69; 0.73 0.74 0.73;
    0.71 0.71 0.69; 0.70 0.65 0.68
    """

    def test_a_published_level_comes_out_as_printed(
        self, records_of: RecordsOf, study: Callable[..., Any], printed: Printed
    ) -> None:
        texts: list[str] = []
        for number, line in enumerate(self.COAL.split(";")):
            readings = line.split()
            several = routine({"do": "repeat", "times": len(readings), "steps": [{"do": "read", "at": "a"}]})
            made = records_of(
                1,
                draft=several,
                answers=answers(*raised(readings)),
                operators=[f"Shop {number + 1}"],
                begin=BEGIN + dt.timedelta(hours=number),
            )
            texts.extend(made)
        (level,) = study(texts, "--part", "W-1", "--method", "laboratories", "--json")["laboratories"]
        precision = level["precision"]
        assert (precision["laboratories"], precision["readings"]) == (8, 27)
        assert precision["mean"] == printed("0.690")
        assert precision["repeatability"] == printed("0.015")
        assert precision["reproducibility"] == printed("0.026")
        assert precision["mean"] == printed("0.6904")
        assert precision["reproducibility"] == printed("0.0264")

    def test_benches_can_be_compared_in_place_of_inspectors(self, records_of: RecordsOf) -> None:
        other = WASHER.with_table("comparator", id="K-2", name="Dial 0.1 um, bench 2")
        records = data([*records_of(1), *records_of(1, draft=other, begin=BEGIN, seed=3)])
        (level,) = by_laboratories(readings_of(records, by="comparator"), "comparator")
        assert set(level.laboratories) == {"K-1", "K-2"}
        assert level.counts == (3, 3)

    def test_each_must_have_read_each_part(self, run_by_run: list[str]) -> None:
        records = [record for record in data(run_by_run) if record["run"]["operator"] != NAMES[2]]
        alone = [record for record in data(run_by_run) if record["run"]["operator"] == NAMES[2]][:9]
        with pytest.raises(StudyError, match=r"part P000009, inspector M\. Oduya"):
            by_laboratories(readings_of([*records, *alone]), "inspector")


class TestTheReadingsInATable:
    def test_are_those_that_were_studied_and_no_formula(
        self, asked_inside: list[str], study: Callable[..., Any], tmp_path: Path
    ) -> None:
        study(asked_inside, "--part", "W-1", "--csv", "study.csv")
        with (tmp_path / "study.csv").open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == 90
        assert {row["inspector"] for row in rows} == set(NAMES)
        assert sum(float(row["value_um"]) for row in rows) / 90 == pytest.approx(0.0014444, abs=5e-7)

    def test_a_name_that_a_spreadsheet_would_run_is_told_as_text(
        self, records_of: RecordsOf, study: Callable[..., Any], tmp_path: Path
    ) -> None:
        rounds = routine({"do": "repeat", "times": 4, "steps": [ASK, READ]})
        said = answers("=A1", "+1.0", "+2.0", "B", "+1.1", "+2.2", "=A1", "+1.1", "+2.0", "B", "+1.3", "+2.1")
        study(records_of(2, draft=rounds, batch=2, answers=said), "--part", "W-1", "--csv", "study.csv")
        assert '"\'=A1"' in (tmp_path / "study.csv").read_text("utf-8-sig")
        with pytest.raises(HoldzeroError, match="exists already"):
            study([], "--part", "W-1", "--csv", "study.csv")
