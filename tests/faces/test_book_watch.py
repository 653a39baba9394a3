"""What `book watch`, `book baseline` and `book study` show: on the terminal, as a page, as JSON."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero.book import Book, Criteria, open_book
from holdzero.book.standing import Point, standing_of
from holdzero.book.watching import StandardChart
from holdzero.cli import app
from holdzero.cli.book_chart import chart_lines
from holdzero.errors import HoldzeroError
from holdzero.testing.many import WASHER

RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest
Tool: TypeAlias = Callable[..., tuple[int, str]]

BEGIN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
LATER = dt.datetime(2026, 4, 6, 8, tzinfo=dt.UTC)
HOSTILE = '<script>alert("1")</script>\x1b[31m'


@pytest.fixture
def tool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tool:
    """`holdzero book …` in a folder of its own: exit code, and what it prints."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str]:
        done = CliRunner().invoke(app, ["book", *arguments])
        if isinstance(done.exception, HoldzeroError):
            return 2, str(done.exception)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.output

    return call


@pytest.fixture
def shifted(tool: Tool, records_of: RecordsOf) -> Book:
    """Thirty good runs, then four of which the check standard reads half a micrometre more."""
    del tool  # its folder
    book = open_book("book.sqlite", create=True)
    book.add(records_of(30, begin=BEGIN))
    book.add(records_of(4, begin=LATER, serial="T", standard_um=0.5))
    return book


class Page(HTMLParser):
    """What a page is made of: tags, their attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes.extend((name, said or "") for name, said in attrs)

    def handle_data(self, data: str) -> None:
        self.words += data


def page_of(path: Path) -> Page:
    text = path.read_text("utf-8")
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on") or name in ("href", "src")]
    assert not re.search(r"https?:|url\(|@import", text)
    return page


class TestTheChartOfLetters:
    def chart(self, *values: float) -> StandardChart:
        sound = [0.1, -0.1] * 15  # mean 0, s = 0.1017
        points = [
            Point(
                at_ms=number,
                zone="+00:00",
                value_um=value,
                dof=None,
                limit_um=0.5,
                comparator="K-1",
                standard="B",
                digest=f"sha256:{number:064x}",
            )
            for number, value in enumerate([*sound, *values])
        ]
        return StandardChart(
            comparator="K-1",
            standard="B",
            number=len(points),
            before=0,
            baseline=None,
            standing=standing_of(points),
            points=tuple(points[-4:]),
            marks="oo!x",
            moving=None,
        )

    def test_has_a_mark_for_each_point_where_its_value_is(self) -> None:
        lines = chart_lines(self.chart(0.0, 0.31, -0.2, 0.9))
        columns = [[line.split("|")[1][place] for line in lines] for place in range(1, 5)]
        height = len(lines)
        assert height == 13
        # 0; +3 s; −2 s; off the chart, so in its first line
        assert [column.index(mark) for column, mark in zip(columns, "oo!x", strict=True)] == [6, 1, 9, 0]

    def test_names_the_limits_at_their_lines(self) -> None:
        labels = {number: line.split("|")[0].split() for number, line in enumerate(chart_lines(self.chart(0.0)))}
        found = {number: words for number, words in labels.items() if words}
        assert found == {
            1: ["+3", "s", "+0.305"],
            3: ["+2", "s", "+0.203"],
            6: ["mean", "+0.000"],
            9: ["-2", "s", "-0.203"],
            11: ["-3", "s", "-0.305"],
        }


class TestWatch:
    def test_says_state_rule_time_and_record_and_ends_in_one(self, shifted: Book, tool: Tool) -> None:
        code, said = tool("watch")
        assert code == 1
        assert said.startswith("book.sqlite: OUT OF CONTROL\n")
        newest = shifted.find(Criteria())[0]
        assert re.search(rf"3 s\): .*2026-04-06 23:00, record {newest['digest'][7:19]}", said)
        assert "Zero returns of K-1" in said
        assert "Scatter on K-1" in said
        assert re.search(r"LATER +2036-05-31 +B-5.00 +Block 5 mm +reference", said)
        assert "x beyond 3 s" in said

    def test_of_a_time_before_is_in_control_and_ends_in_zero(self, shifted: Book, tool: Tool) -> None:
        del shifted
        code, said = tool("watch", "--until", "2026-03-31")
        assert (code, said.splitlines()[0]) == (0, "book.sqlite: IN CONTROL")

    def test_of_an_empty_book_knows_nothing_and_ends_in_zero(self, tool: Tool) -> None:
        open_book("book.sqlite", create=True)
        assert tool("watch") == (0, "book.sqlite: UNKNOWN\n")

    def test_without_a_book_says_so(self, tool: Tool) -> None:
        code, said = tool("watch")
        assert code == 2
        assert "there is no book here" in said

    def test_as_json_says_the_same_in_numbers(self, shifted: Book, tool: Tool) -> None:
        code, said = tool("watch", "--json")
        found = json.loads(said)
        (standard,) = found["standards"]
        assert (code, found["control"], standard["control"]) == (1, "out of control", "out of control")
        assert standard["points"][-1]["mark"] == "x"
        action = next(signal for signal in standard["signals"] if signal["rule"] == "action")
        assert len(action["records"]) == 4
        assert {row["digest"] for row in shifted.find(Criteria())} >= set(action["records"])
        assert [item["number"] for item in (*found["closures"], *found["scatter"])] == [34, 34]
        assert {due["identifier"] for due in found["due"]} == {"B-5.00", "B-5.01", "K-1"}

    def test_as_a_page_draws_every_point_and_says_the_state_in_words(
        self, shifted: Book, tool: Tool, tmp_path: Path
    ) -> None:
        del shifted
        code, said = tool("watch", "--html", "watch.html")
        assert (code, said) == (1, "watch.html: out of control\n")
        page = page_of(tmp_path / "watch.html")
        assert page.tags.count("svg") > 3
        assert "OUT OF CONTROL" in page.words
        # check standard, closure and scatter of each run: each mark says what it is
        assert len(re.findall(r"µm, [a-z ]+, record [0-9a-f]{12}", page.words)) == 3 * 34
        assert page.words.count("beyond the action limit, record") == 4

    def test_writes_over_no_page_unless_told(self, shifted: Book, tool: Tool, tmp_path: Path) -> None:
        del shifted
        (tmp_path / "watch.html").write_text("mine", "utf-8")
        code, said = tool("watch", "--html", "watch.html")
        assert (code, (tmp_path / "watch.html").read_text("utf-8")) == (2, "mine")
        assert "exists already" in said
        assert tool("watch", "--html", "watch.html", "--replace")[0] == 1

    def test_shows_what_people_typed_and_runs_none_of_it(
        self, tool: Tool, records_of: RecordsOf, tmp_path: Path
    ) -> None:
        book = open_book("book.sqlite", create=True)
        draft = WASHER.with_table("comparator", id='K<b>"1', name="<i>dial</i>")
        book.add(records_of(9, begin=BEGIN, draft=draft))
        words = ("--from", "2026-03-02", "--reason", HOSTILE, "--by", "<u>M. Oduya</u>")
        assert tool("baseline", "--comparator", 'K<b>"1', *words)[0] == 0
        _, said = tool("watch", "--html", "watch.html")
        page = page_of(tmp_path / "watch.html")
        assert not {"b", "i", "u"} & set(page.tags)
        assert 'K<b>"1' in page.words
        assert "<u>M. Oduya</u>: <script>" in page.words
        _, said = tool("watch")
        assert "\x1b" not in said
        assert "\x1b" not in page.words


class TestBaseline:
    SAID = ("--comparator", "K-1", "--standard", "B-5.01", "--reason", "recalibrated, C-1301", "--by", "M. Oduya")

    def test_releases_the_bench_and_is_shown(self, shifted: Book, tool: Tool) -> None:
        del shifted
        code, said = tool("baseline", *self.SAID, "--from", "2026-04-06")
        assert code == 0
        assert "check standard B-5.01 on K-1 is judged anew from 2026-04-06, by M. Oduya" in said
        code, said = tool("watch")
        assert code == 0
        assert "4 values so far; 8 are needed" in said
        assert "baseline from 2026-04-06, said by M. Oduya: recalibrated, C-1301" in said
        assert "30 values from before it: no longer judged by" in said

    @pytest.mark.parametrize(("day", "why"), [("2999-01-01", "after today"), ("yesterday", "no day or time")])
    def test_from_no_day_that_has_come_is_refused(self, shifted: Book, tool: Tool, day: str, why: str) -> None:
        del shifted
        code, said = tool("baseline", *self.SAID, "--from", day)
        assert code == 2
        assert why in said


@pytest.mark.usefixtures("studied")
class TestStudy:
    NAMES = ("A. Ivers", "<b>T. Ester</b>")

    @pytest.fixture
    def studied(self, tool: Tool, records_of: RecordsOf) -> None:
        del tool
        book = open_book("book.sqlite", create=True)
        steps = (
            {"do": "zero", "times": 3},
            {"do": "check"},
            {"do": "repeat", "over": "parts", "steps": [{"do": "read", "at": "a"}]},
            {"do": "return"},
            {"do": "compare"},
        )
        rows = [("+1.0", "+2.0", "+3.0"), ("+1.1", "+2.0", "+3.1"), ("+1.1", "+2.2", "+3.2"), ("+1.3", "+2.2", "+3.3")]
        for number, row in enumerate(rows):
            said = ["0", "0", "0", "+10.05", *row, "0"]
            begin, name = BEGIN + dt.timedelta(hours=number), self.NAMES[number // 2]
            draft = WASHER.with_steps(*steps)
            book.add(records_of(3, draft=draft, batch=3, begin=begin, answers=said, operators=[name]))

    def test_shows_the_table_the_components_and_both_methods(self, tool: Tool) -> None:
        code, said = tool("study", "--part", "W-1", "--tolerance", "6 um")
        assert code == 0
        assert said.startswith("3 parts, 2 inspectors, 12 readings of 12 records\n")
        for words in ("Analysis of variance", "tested against", "6 s, % of tolerance", "by ranges: s, µm"):
            assert words in said
        assert re.search(r"distinct categories: \d+ \(1.41 · parts / gauge", said)

    @pytest.mark.parametrize(("method", "words"), [("range", "Averages and ranges"), ("laboratories", "Mandel")])
    def test_shows_the_method_that_is_asked_for(self, tool: Tool, method: str, words: str) -> None:
        code, said = tool("study", "--part", "W-1", "--method", method)
        assert code == 0
        assert words in said
        assert "Analysis of variance" not in said

    @pytest.mark.parametrize("method", ["anova", "range", "laboratories"])
    def test_as_a_page_draws_every_reading_twice_and_escapes_names(
        self, tool: Tool, tmp_path: Path, method: str
    ) -> None:
        assert tool("study", "--part", "W-1", "--method", method, "--html", "study.html")[0] == 0
        page = page_of(tmp_path / "study.html")
        assert "b" not in page.tags
        assert len(re.findall(r"trial \d: ", page.words)) == 2 * 12
        assert self.NAMES[1] in page.words

    def test_names_what_is_missing_and_ends_in_two(self, tool: Tool, records_of: RecordsOf) -> None:
        more = records_of(1, begin=LATER, operators=["M. Oduya"])
        open_book("book.sqlite").add(more)
        code, said = tool("study", "--part", "W-1")
        assert code == 2
        assert "part S000001, inspector M. Oduya: 0 of 3" in said
        assert "part S000000, inspector A. Ivers: 2 of 3" in said
