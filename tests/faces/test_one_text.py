"""Every face says a number of a run in the same words: terminal, page, record, report, explanation, tables."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from html.parser import HTMLParser
from typing import Any

import pytest
from rich.console import Console

from holdzero.cli.summary import print_summary
from holdzero.display import value_and_uncertainty
from holdzero.explain import explain
from holdzero.page.ended import part_of
from holdzero.testing import PLAIN
from holdzero.wording import limits_text, percent_text, risk_text, stops_of
from holdzero_plugins.writers.csv_tables import write as tables
from holdzero_plugins.writers.html import write as page

Record = dict[str, Any]


class _Text(HTMLParser):
    """The text of a page, without its style."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        del attrs
        self._hidden += tag in ("style", "script")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


def plain(text: str) -> str:
    return " ".join(text.split())


def terminal(record: Record) -> str:
    console = Console(file=io.StringIO(), width=400, color_system=None)
    print_summary(console, record, [])
    return plain(console.file.getvalue())  # type: ignore[attr-defined]


def bench_page(record: Record) -> str:
    part = part_of(record)
    lines = [f"{r.name} {'STOP ' if r.stopped else ''}{r.measured} {r.limits} {r.conforms}" for r in part.results]
    return plain(" ".join((*lines, *(found.text for found in part.findings))))


def record_page(record: Record) -> str:
    (text,) = (content.decode("utf-8") for ending, content in page(record).items() if ending == ".html")
    reader = _Text()
    reader.feed(text)
    return plain(" ".join(reader.words))


def explanation(record: Record) -> str:
    return plain(" ".join(explain(record)))


FACES = {"terminal": terminal, "bench page": bench_page, "record": record_page, "explanation": explanation}


ANSWERS = {
    "well within": ("+1.1", "+1.2", "+1.1"),
    "near the limit": ("+2.7", "+2.8", "+2.7"),
    "on the limit": ("+3", "+3.1", "+2.9"),
    "far beyond": ("+9", "+9.1", "+9.2"),
}
WITH_PROCESS = PLAIN.replace(
    "[[steps]]", '[decision]\nprocess = { value = "+1 um", standard = "0.9 um" }\n\n[[steps]]', 1
)


@pytest.fixture(params=list(ANSWERS.values()), ids=list(ANSWERS))
def record(request: pytest.FixtureRequest, measure: Callable[..., Any]) -> Record:
    made: Record = measure(WITH_PROCESS, ["0", "0", "+0.1", *request.param, "0"]).record
    return made


@pytest.mark.parametrize("face", list(FACES))
class TestEveryFace:
    def test_says_value_and_uncertainty_alike(self, record: Record, face: str) -> None:
        result = record["results"]["thickness"]
        told = value_and_uncertainty(result["value_um"], result["expanded_uncertainty_um"], "mm")
        assert told in FACES[face](record)

    def test_says_the_limits_alike(self, record: Record, face: str) -> None:
        told = limits_text(-3.0, 3.0, "mm")
        words = ("lower limit −3", "upper limit +3") if face == "explanation" else (told,)
        assert all(word in FACES[face](record) for word in words)

    def test_says_the_conformance_probability_alike(self, record: Record, face: str) -> None:
        probability = record["results"]["thickness"]["conformance_probability"]
        said = FACES[face](record)
        assert percent_text(probability) in said
        assert "0.0 %" not in said
        assert "100.0 %" not in said

    def test_says_the_findings_alike(self, record: Record, face: str) -> None:
        said = FACES[face](record)
        assert record["findings"]
        assert all(plain(found["text"]) in said for found in record["findings"])


@pytest.mark.parametrize("face", ["record", "explanation"])
def test_risks_are_said_alike(record: Record, face: str) -> None:
    result, said = record["results"]["thickness"], FACES[face](record)
    for risk in ("consumers", "producers"):
        assert f"{risk[:-1]}'s {risk_text(result['global_risk'][risk])}" in said.replace("'s risk ", "'s ")
    if result["specific_risk"] is not None:
        assert percent_text(result["specific_risk"]) in said


class TestWhatAStopHolds:
    """A number that stands beside a stop must not say how sure anything is."""

    @pytest.fixture
    def record(self, measure: Callable[..., Any]) -> Record:
        # the reference comes back 4 um off: nothing that was read can be decided
        made: Record = measure(WITH_PROCESS, ["0", "0", "+0.1", "+1.1", "+1.2", "+1.1", "+4"]).record
        assert stops_of(made, "thickness")
        return made

    def test_has_no_probability_and_no_risk_on_record(self, record: Record) -> None:
        result = record["results"]["thickness"]
        assert result["verdict"] == "undecided"
        assert result["value_um"] is not None
        assert [result[key] for key in ("conformance_probability", "specific_risk", "global_risk")] == [None] * 3

    def test_has_none_in_a_simulation_either(self, measure: Callable[..., Any]) -> None:
        answers = ["0", "0", "+0.1", "+1.1", "+1.2", "+1.1", "+4"]
        result = measure(WITH_PROCESS, answers, trials="10000").record["results"]["thickness"]
        assert result["monte_carlo"]["conformance_probability"] is None

    def test_has_an_empty_cell_in_the_table(self, record: Record) -> None:
        text = tables(record)[".results.csv"].decode("utf-8-sig")
        (row,) = csv.DictReader(io.StringIO(text))
        assert row["conformance_probability"] == ""
        assert row["value_um"] != ""

    @pytest.mark.parametrize("face", list(FACES))
    def test_is_said_with_the_stop_in_front(self, record: Record, face: str) -> None:
        result, said = record["results"]["thickness"], FACES[face](record)
        told = value_and_uncertainty(result["value_um"], result["expanded_uncertainty_um"], "mm")
        assert told in said
        before = said[: said.index(told)]
        assert "STOP" in before or "a stop overrules" in before
        assert not re.search(r"9\d\.\d %|> 99|< 0\.1 %", said.replace("95.45 %", ""))

    def test_lies_in_no_zone_of_the_picture(self, record: Record) -> None:
        (text,) = (content.decode("utf-8") for ending, content in page(record).items() if ending == ".html")
        assert 'class="zone-' not in text


class TestTwoNumbersOfOneMessage:
    def test_never_look_alike_where_they_are_not(self, measure: Callable[..., Any]) -> None:
        # closes to 1.0004 um with 1 um allowed: with three digits both would read 1
        text = PLAIN.replace("[[steps]]", '[bracket]\nlimit = "1 um"\n\n[[steps]]', 1)
        text = text.replace('resolution = "0.1 um"', 'resolution = "0.0001 um"')
        outcome = measure(text, ["0", "0", "0", "+1.1", "+1.2", "+1.1", "+1.0004"])
        (found,) = [item["text"] for item in outcome.record["findings"] if item["code"] == "bracket/limit"]
        assert "1.0004" in found

    def test_may_look_alike_where_they_are_equal(self, measure: Callable[..., Any]) -> None:
        text = PLAIN.replace("[[steps]]", '[bracket]\nlimit = "1 um"\n\n[[steps]]', 1)
        outcome = measure(text, ["0", "0", "0", "+1.1", "+1.2", "+1.1", "+1"])
        (found,) = [item["text"] for item in outcome.record["findings"] if item["code"] == "zero_return/closure"]
        assert found == "Zero 1 closed to +1 µm (limit 1 µm)."

    def test_repeats_without_scatter_are_said_to_be_alike(self, measure: Callable[..., Any]) -> None:
        outcome = measure(PLAIN, ["0", "0", "0", "+1.1", "+1.1", "+1.1", "0"])
        (found,) = [item["text"] for item in outcome.record["findings"] if item["code"] == "repeatability/scatter"]
        assert found.startswith("Repeats are all alike")
