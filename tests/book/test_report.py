"""The report of many records: whole, in order, readable without colour, inert whatever somebody typed."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import statistics
from collections.abc import Callable, Iterable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, TypeAlias

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from holdzero.book import Book, Criteria, open_book
from holdzero.book.tables import reviews, signatures
from holdzero.catalogue import Catalogue
from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.hooks import Filed, Inquiry
from holdzero.record import amend_record, dumps
from holdzero.testing.records import HOSTILE, sample_records
from holdzero_plugins.writers._pictures import Passing
from holdzero_plugins.writers._report_pictures import Point, bars_of, courses_of
from holdzero_plugins.writers.html import report

Record: TypeAlias = dict[str, Any]
RecordsOf: TypeAlias = Callable[..., list[str]]  # see conftest
AT = "2026-11-25T09:00:00+00:00"
VOID = {"col", "meta", "br"}
# All elements that the templates write; a text that makes another one was not escaped.
OURS = {
    *("html", "head", "meta", "title", "style", "body", "main", "header", "footer", "section", "article", "div"),
    *("p", "h1", "h2", "h3", "ul", "li", "dl", "dt", "dd", "span", "strong", "code", "br", "figure", "figcaption"),
    *("table", "colgroup", "col", "thead", "tbody", "tr", "th", "td"),
    *("svg", "g", "desc", "defs", "pattern", "rect", "path", "circle", "text"),
}
POISON = (
    "<script>alert(1)</script>",
    "\"'><img src=x onerror=1>",
    "</title></desc></svg></style><script>1</script>",
    "{{ 7*7 }}{% raw %}",
    "\u202e\u200f\u2066turned",
    "\x00\x01\x1b[31m\x7f\x85",
    "W" * 3000,
    "]]><!-- --><![CDATA[",
    *HOSTILE,
)


class Element:
    def __init__(self, tag: str, attributes: dict[str, str | None], parent: Element | None) -> None:
        self.tag, self.attributes, self.parent = tag, attributes, parent
        self.children: list[Element | str] = []

    @property
    def text(self) -> str:
        return " ".join("".join(c if isinstance(c, str) else f" {c.text} " for c in self.children).split())

    def all(self, tag: str = "", of: str = "") -> Iterator[Element]:
        for child in self.children:
            if isinstance(child, Element):
                if tag in ("", child.tag) and (not of or of in (child.attributes.get("class") or "").split()):
                    yield child
                yield from child.all(tag, of)

    def first(self, tag: str = "", of: str = "") -> Element:
        return next(self.all(tag, of))


class Tree(HTMLParser):
    """Reads a page, and refuses tags that do not close in their order."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.root = self.at = Element("", {}, None)
        self.feed(page.decode("utf-8"))
        self.close()
        assert self.at is self.root, f"{self.at.tag} is not closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.at.children.append(element := Element(tag, dict(attrs), self.at))
        if tag not in VOID:
            self.at = element

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.at.children.append(Element(tag, dict(attrs), self.at))

    def handle_endtag(self, tag: str) -> None:
        assert self.at.tag == tag, f"</{tag}> closes {self.at.tag}"
        assert self.at.parent is not None
        self.at = self.at.parent

    def handle_data(self, data: str) -> None:
        self.at.children.append(data)

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment that nobody wrote: {data}")


def filed(records: Iterable[Record]) -> list[Filed]:
    """Records as the book hands them on."""
    records = list(records)
    later = {record["amends"]["digest"]: record["digest"] for record in records if record.get("amends")}
    return [
        Filed(record=record, replaced_by=later.get(record["digest"]), reviews=(), signatures=()) for record in records
    ]


def page_of(records: Iterable[Record], **asked: str) -> Element:
    return Tree(report(filed(records), Inquiry(asked=asked, book="book.sqlite", at=AT))).root


def facts(page: Element) -> dict[str, str]:
    return {
        d.first("dt").text: d.first("dd").text for d in page.all("div") if any(d.all("dt")) and not any(d.all("dl"))
    }


def legend(page: Element) -> list[str]:
    return [line.text for line in page.first("ul", of="legend").all("li")]


def rows(page: Element) -> list[list[str]]:
    return [[cell.text for cell in row.all() if cell.tag in ("td", "th")] for row in page.first("table").all("tr")][1:]


@pytest.fixture
def batch(records_of: RecordsOf) -> list[Record]:
    """Ten parts, and one far beyond its limit."""
    return [json.loads(text) for text in (*records_of(10), *records_of(1, serial="F", deviation_um=20.0))]


class TestTheTable:
    def test_has_each_part_and_characteristic_with_value_limits_and_verdict(self, batch: list[Record]) -> None:
        found = rows(page_of(batch))
        assert len(found) == 11
        for number, (row, record) in enumerate(zip(found, batch, strict=True), 1):
            assert row[0] == str(number)
            assert row[1] == f"{record['run']['serial']} {record['run']['operator']}"
            value = record["results"]["thickness"]["value_um"]
            (shown,) = re.findall(r"\(([+−][\d.]+) ± ", row[5])
            decimals = len(shown.partition(".")[2])
            assert float(shown.replace("−", "-")) == pytest.approx(value, abs=0.51 * 10.0**-decimals)
            assert row[6] == "−3 µm to +3 µm"
            assert row[3] == row[7] == record["verdict"].upper()

    def test_says_each_verdict_by_word_and_by_a_sign_of_its_own(self, catalogue: Catalogue) -> None:
        page = page_of(record for _, record in sample_records(catalogue))
        signs: dict[str, set[str]] = {}
        for badge in page.all("span", of="badge"):
            if badge.text in ("PASS", "FAIL", "UNDECIDED", "REPORTED"):
                shapes = [(e.tag, e.attributes.get("d"), e.attributes.get("fill")) for e in badge.first("svg").all()]
                signs.setdefault(badge.text, set()).add(repr(shapes))
        assert set(signs) == {"PASS", "FAIL", "UNDECIDED", "REPORTED"}
        assert all(len(shapes) == 1 for shapes in signs.values())
        assert len(set.union(*signs.values())) == 4

    def test_repeats_its_head_on_each_page_and_keeps_a_record_together(self, batch: list[Record]) -> None:
        page = page_of(batch)
        style = page.first("style").text
        assert "thead { display: table-header-group; }" in style
        assert ".records tbody { break-inside: avoid; }" in style
        assert len(list(page.first("table").all("tbody"))) == len(batch)
        assert 'counter(page) " of " counter(pages)' in style


class TestTheHead:
    def test_counts_verdicts_and_shows_the_first_fail(self, batch: list[Record]) -> None:
        page = page_of(batch, part="W-1", since="2026-03-01")
        assert page.first("ul", of="tallies").text == "1 FAIL 10 PASS"
        assert facts(page)["Asked"] == "Part: W-1; From: 2026-03-01"
        assert facts(page)["Records"] == "11"
        fail = page.first("div", of="first").text
        assert fail.startswith("First fail: No. 11, W-1, serial F000000")
        assert batch[10]["digest"].removeprefix("sha256:")[:12] in fail

    def test_of_one_part_is_its_history(self, records_of: RecordsOf) -> None:
        begins = [dt.datetime(2026, month, 1, 8, tzinfo=dt.UTC) for month in (3, 4, 5)]
        texts = [
            records_of(1, serial="A", begin=begin, deviation_um=deviation)[0]
            for begin, deviation in zip(begins, (0.0, 9.0, 9.0), strict=True)
        ]
        page = page_of(map(json.loads, texts), part="W-1", serial="A000000")
        assert page.first("h1").text == "W-1, serial A000000"
        assert page.first("p", of="kicker").text.startswith("History of one part")
        assert [row[3] for row in rows(page)] == ["PASS", "FAIL", "FAIL"]
        assert page.first("div", of="first").text.startswith("First fail: No. 2, ")

    def test_says_so_where_there_is_no_record(self) -> None:
        page = page_of([], serial="nobody")
        assert "no record of what was asked" in page.text
        assert facts(page)["Records"] == "0"
        assert "PASS" not in page.text


class TestWhatDoesNotCount:
    def test_simulated_and_trial_are_marked_on_every_page_and_in_their_rows(self, records_of: RecordsOf) -> None:
        texts = [*records_of(3), *records_of(1, simulated=True, serial="V"), *records_of(2, trial=True, serial="T")]
        page = page_of(map(json.loads, texts))
        banner = page.first("p", of="simulated").text
        assert "SIMULATED: 1 of 6 records is simulated" in banner
        assert "TRIAL: 2 of 6 records are of a trial" in banner
        (mark,) = re.findall(r'@top-center \{ content: "([^"]*)"', page.first("style").text)
        assert "SIMULATED: 1 of 6" in mark
        assert "TRIAL: 2 of 6" in mark
        assert [re.findall("SIMULATED|TRIAL", row[1]) for row in rows(page)] == [
            [],
            [],
            [],
            ["SIMULATED"],
            ["TRIAL"],
            ["TRIAL"],
        ]
        assert page.first("ul", of="tallies").text == "3 PASS"
        assert facts(page)["Values n"] == "3"
        assert page.first("title").text.startswith("SIMULATED · TRIAL · ")

    def test_where_all_is_simulated_it_stands_across_every_page(self, records_of: RecordsOf) -> None:
        page = page_of(map(json.loads, records_of(2, simulated=True)))
        assert page.first("div", of="stamp").text == "SIMULATED"
        assert "position: fixed" in page.first("style").text
        assert page.first("ul", of="tallies").text == "2 PASS"

    def test_where_nothing_is_neither_is_named(self, batch: list[Record]) -> None:
        page = page_of(batch)
        assert "SIMULATED" not in page.first("body").text
        assert "TRIAL" not in page.first("body").text

    def test_a_replaced_record_is_marked_struck_and_left_out_of_the_count(self, records_of: RecordsOf) -> None:
        first, second = map(json.loads, records_of(2))
        amended = amend_record(
            first, reason="typed wrong", by="A. Ivers", at="2026-03-02T12:00:00+01:00", changes={"serial": "9"}
        )
        page = page_of([first, amended, second])
        found = rows(page)
        assert f"REPLACED by record {amended['digest'][7:19]}" in found[0][1]
        assert f"Amends record {first['digest'][7:19]}: typed wrong, A. Ivers" in found[1][1]
        assert [row.attributes.get("class") for row in page.first("table").all("tr")] == [None, "crossed", None, None]
        assert page.first("ul", of="tallies").text == "2 PASS"
        assert facts(page)["Values n"] == "2"
        assert len(list(page.first("figure").all("g", of="replaced"))) == 1
        assert legend(page) == ["pass", "replaced by a later record (R)"]

    def test_a_verdict_that_nobody_knows_is_undecided(self, batch: list[Record]) -> None:
        batch[0]["verdict"] = "splendid"
        assert rows(page_of(batch))[0][3] == "UNDECIDED"


class TestEachCharacteristic:
    def test_has_its_statistics(self, batch: list[Record]) -> None:
        values = [record["results"]["thickness"]["value_um"] for record in batch]
        found = facts(page_of(batch))
        numbers = {
            name: float(found[name].replace("−", "-").split(" µm")[0])
            for name in ("Mean", "Standard deviation s", "Smallest", "Largest")
        }
        assert found["Values n"] == "11"
        assert numbers["Mean"] == pytest.approx(math.fsum(values) / 11, abs=0.06)
        s = math.sqrt(math.fsum((v - math.fsum(values) / 11) ** 2 for v in values) / 10)
        assert numbers["Standard deviation s"] == pytest.approx(s, abs=0.06)
        assert s == pytest.approx(statistics.stdev(values))
        assert found["Largest"].endswith("No. 11")
        smallest = values.index(min(values)) + 1
        assert found["Smallest"].endswith(f"No. {smallest}")

    def test_one_value_has_no_standard_deviation_and_no_histogram(self, records_of: RecordsOf) -> None:
        page = page_of(map(json.loads, records_of(1)))
        assert facts(page)["Standard deviation s"] == "none: there is one value"
        assert "No histogram: there are fewer than 5 values." in page.text

    def test_has_a_chart_of_the_parts_in_order_and_a_histogram(self, batch: list[Record]) -> None:
        course, bars = (figure.first("svg") for figure in page_of(batch).all("figure"))
        values = list(course.all("g", of="value"))
        assert [g.first("title").text.split(":")[0] for g in values] == [f"No. {n}" for n in range(1, 12)]
        # The last is off the picture, and its verdict has no sign there.
        assert legend(page_of(batch)) == ["pass"]
        assert len(list(course.all("g", of="sign-at"))) == 10
        assert {
            rect.attributes["class"] for rect in course.all("rect") if "zone" in (rect.attributes["class"] or "")
        } == {
            "ground zone-pass",
            "ground zone-undecided",
            "ground zone-fail",
        }
        counted = [int(g.first("title").text.split(": ")[1]) for g in bars.all("g")]
        assert sum(counted) == 10
        assert "Above the picture: 1." in page_of(batch).text
        assert course.attributes["role"] == bars.attributes["role"] == "img"

    def test_those_of_two_parts_are_kept_apart(self, records_of: RecordsOf, batch: list[Record]) -> None:
        from holdzero.testing.many import WASHER

        other = records_of(2, draft=WASHER.with_table("routine", part="W-2"))
        page = page_of([*batch, *map(json.loads, other)])
        assert [h.text for h in page.all("h3")] == ["W-1: thickness", "W-2: thickness"]
        assert "Part, revision" in page.first("thead").text

    def test_what_is_said_of_the_rest_is_there(self, records_of: RecordsOf) -> None:
        records = [json.loads(text) for text in records_of(3, standard_um=1.5)]
        page = page_of(records)
        findings = page.first("table", of="complaints")
        assert findings.text.count("Stop") == 3
        assert "check_standard/limit" in findings.text
        assert "B-5.00 · Block 5 mm C-1001 2036-05-31 3 1–3" in page.text
        for record in records:
            assert record["digest"] in page.first("table", of="digests").text
        notes = sum(finding["level"] == "note" for record in records for finding in record["findings"])
        assert f"Notes are left out ({notes})" in page.text


class TestThePicturesOfValues:
    points = st.builds(
        Point,
        number=st.integers(1, 999),
        value=st.floats(-1e6, 1e6),
        expanded=st.floats(0.0, 1e3),
        lower=st.none() | st.floats(-1e3, 0.0),
        upper=st.none() | st.floats(0.0, 1e3),
        guard=st.none() | st.floats(0.0, 1e3),
        passes=st.just(()) | st.tuples(st.none() | st.floats(-1e3, 0.0), st.none() | st.floats(0.0, 1e3)),
        verdict=st.sampled_from(["pass", "fail", "undecided", "reported"]),
        note=st.just(""),
        stands=st.booleans(),
        words=st.just(""),
    )

    @given(points=st.lists(points, max_size=90))
    def test_nothing_is_drawn_outside_and_nothing_is_left_out(self, points: list[Point]) -> None:
        courses = courses_of(points)
        marks = [mark for course in courses for mark in course.marks]
        assert [mark.verdict for mark in marks] == [point.verdict for point in points]
        for course in courses:
            for mark in course.marks:
                assert 62.0 <= mark.x <= 670.0
                assert 18.0 <= mark.high <= mark.y <= mark.low <= course.bottom
            for band in course.bands:
                assert band.y >= 18.0
                assert band.y + band.height <= course.bottom + 0.02
                assert band.x >= 61.9
                assert band.x + band.width <= 670.1

    @pytest.mark.parametrize(
        ("guard", "passes", "kinds"),
        [
            (0.8, (-0.1, 0.1), ["fail", "undecided", "pass", "undecided", "fail"]),
            (0.8, (), ["fail", "undecided", "fail"]),
            (None, (-0.1, 0.1), ["out", "in", "out"]),  # where the place does not decide, limits alone are drawn
        ],
    )
    def test_what_passes_is_drawn_as_the_record_has_it(
        self, guard: float | None, passes: Passing, kinds: list[str]
    ) -> None:
        point = Point(
            number=1,
            value=0.0,
            expanded=2.0,
            lower=-1.0,
            upper=1.0,
            guard=guard,
            passes=passes,
            verdict="undecided",
            note="",
            stands=True,
            words="",
        )
        (course,) = courses_of([point])
        assert [band.kind for band in course.bands] == kinds
        heights = [band.height for band in course.bands if band.kind == "pass"]
        whole = sum(band.height for band in course.bands)
        # from −2 to +2 um, ±U, and a tenth of that beyond each end: 4.8 um are seen, of which 0.2 pass
        assert heights == [pytest.approx(whole * 0.2 / 4.8, abs=0.05)] * len(heights)

    @given(
        values=st.lists(st.floats(-100.0, 100.0), min_size=5, max_size=60),
        lower=st.none() | st.floats(-50.0, -0.1),
        upper=st.none() | st.floats(0.1, 50.0),
    )
    def test_a_bar_never_holds_values_of_both_sides_of_a_limit(
        self, values: list[float], lower: float | None, upper: float | None
    ) -> None:
        bars = bars_of(values, lower, upper)
        assert bars is not None
        assert sum(bar.count for bar in bars.bars) + bars.below + bars.above == len(values)
        for limit in bars.limits:
            assert not [bar for bar in bars.bars if bar.x + 0.03 < limit.at < bar.x + bar.width - 0.03]

    def test_a_value_on_a_limit_is_within(self) -> None:
        bars = bars_of([-3.0, 0.0, 0.1, 0.2, 3.0], -3.0, 3.0)
        assert bars is not None
        ends = [limit.at for limit in bars.limits]
        assert all(ends[0] - 0.01 <= bar.x and bar.x + bar.width <= ends[1] + 0.01 for bar in bars.bars)

    def test_values_all_alike_are_drawn(self) -> None:
        bars = bars_of([1.0] * 6, None, None)
        assert bars is not None
        assert [bar.count for bar in bars.bars] == [6]


def poisoned(item: Any, poison: str) -> Any:
    """The same with the poison behind every text in it, and behind every name of a characteristic."""
    if isinstance(item, str):
        return item + poison
    if isinstance(item, list):
        return [poisoned(inner, poison) for inner in item]
    return {key: poisoned(inner, poison) for key, inner in item.items()} if isinstance(item, dict) else item


def all_poisoned(record: Record, poison: str) -> Record:
    """What the book would take: times and keys are as they are, every other text is poisoned."""
    bad: Record = poisoned(record, poison)
    bad["results"] = {name + poison: result for name, result in bad["results"].items()}
    bad["run"] = {**bad["run"], "started": record["run"]["started"], "finished": record["run"]["finished"]}
    return bad


class TestHostileTexts:
    @pytest.mark.parametrize("poison", POISON, ids=[f"poison {n}" for n in range(len(POISON))])
    def test_make_no_element_attribute_or_rule(self, batch: list[Record], poison: str) -> None:
        said = dict.fromkeys(("name", "meaning", "note", "at", "signed"), poison)
        bad = [
            Filed(record=all_poisoned(record, poison), replaced_by=poison, reviews=(said,), signatures=(poison,))
            for record in batch[-2:]
        ]
        asked = dict.fromkeys(("part", "serial", "text", "device"), poison)
        content = report(bad, Inquiry(asked=asked, book=poison, at=poison))
        page = Tree(content).root
        assert {e.tag for e in page.all()} <= OURS
        assert not [
            name for e in page.all() for name in e.attributes if name.startswith(("on", "href", "src", "style"))
        ]
        # A purpose that is not production is none, so the poisoned ones count as trials.
        for record in batch[-2:]:
            record["run"]["purpose"] = "trial"
        sound = report(filed(batch[-2:]), Inquiry(asked={}, book="", at=AT))
        assert len(list(page.all("style"))) == 1
        shape = re.sub(r'content: "[^"]*"', "", page.first("style").text)
        assert shape == re.sub(r'content: "[^"]*"', "", Tree(sound).root.first("style").text)
        assert not re.search(
            "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200f\u202e\u2066]", content.decode("utf-8").replace("\n", "")
        )

    def test_every_text_comes_out(self, batch: list[Record]) -> None:
        record = all_poisoned(batch[0], "<b>&amp;")
        page = page_of([record], part="<b>&amp;")
        assert "W-1<b>&amp;, A<b>&amp;" in facts(page)["Part number, revision"]
        assert page.text.count("T. Ester<b>&amp;") == 2
        assert "thickness<b>&amp;" in [h.text for h in page.all("h3")]

    def test_nothing_is_loaded_and_nothing_runs(self, batch: list[Record]) -> None:
        content = report(filed(batch), Inquiry(asked={}, book="b", at=AT)).decode("utf-8")
        assert "default-src 'none'" in content
        assert "<script" not in content
        assert not re.search(r"url\((?!#)|@import|https?:|href=|src=", content)

    def test_the_same_records_make_the_same_bytes(self, batch: list[Record]) -> None:
        inquiry = Inquiry(asked={}, book="b", at=AT)
        assert report(filed(batch), inquiry) == report(filed(batch), inquiry)


def luminance(colour: str) -> float:
    """Relative luminance [1].

    Source: WCAG 2.2, definition of relative luminance (from memory).
    """
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


class TestColours:
    @pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
    def test_every_text_stands_out_from_its_ground(self, batch: list[Record], scheme: int) -> None:
        """WCAG 2.2, 1.4.3: 4.5 to 1 for text (from memory)."""
        style = page_of(batch).first("style").text
        block = re.findall(r":root \{([^}]*--paper[^}]*)\}", style)[scheme]
        colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
        pairs = [("ink", "paper"), ("ink", "wash"), ("quiet", "paper"), ("accent", "paper"), ("ink", "reported-wash")]
        for verdict in ("pass", "fail", "undecided", "reported"):
            pairs += [(verdict, "paper"), (verdict, "wash"), (verdict, f"{verdict}-wash"), ("ink", f"{verdict}-wash")]
        assert [pair for pair in pairs if contrast(colours[pair[0]], colours[pair[1]]) < 4.5] == []


class TestTheCommand:
    @pytest.fixture
    def kept(self, tmp_path: Path, records_of: RecordsOf, monkeypatch: pytest.MonkeyPatch) -> Iterator[Book]:
        monkeypatch.chdir(tmp_path)
        book = open_book("book.sqlite", create=True)
        book.add(records_of(4))
        yield book
        book.engine.dispose()

    def said(self, *arguments: str) -> tuple[int, str]:
        done = CliRunner().invoke(app, ["book", "report", *arguments])
        if isinstance(done.exception, HoldzeroError):
            return 2, str(done.exception)
        return done.exit_code, done.output

    def test_writes_one_page_of_what_is_asked(self, kept: Book) -> None:
        del kept
        assert self.said("--serial", "S000002", "--part", "W-1", "--out", "r.html") == (0, "r.html: 1 record\n")
        page = Tree(Path("r.html").read_bytes()).root
        assert page.first("h1").text == "W-1, serial S000002"
        assert [row[1] for row in rows(page)] == ["S000002 M. Oduya"]

    def test_shows_reviews_signatures_and_what_replaces_a_record(self, kept: Book) -> None:
        record = next(kept.kept(Criteria(serial="S000000"))).record
        digest = record["digest"]
        amended = amend_record(
            record, reason="typed wrong", by="A. Ivers", at="2026-03-02T12:00:00+01:00", changes={"serial": "9"}
        )
        kept.add([dumps(amended)])
        at_ms = 1772438400250
        said = {"name": "M. Oduya", "meaning": "approved", "note": "seen", "at_ms": at_ms, "zone": "+01:00"}
        kept.put(reviews, {"digest": digest, **said, "fingerprint": None, "signature": None})
        kept.put(signatures, {"digest": digest, "fingerprint": "ab" * 32, "signature": "x", "at_ms": at_ms})
        assert self.said("--out", "r.html")[0] == 0
        page = Tree(Path("r.html").read_bytes()).root
        first, second = list(page.first("table", of="digests").all("tr"))[1:3]
        assert first.text == (f"1 {digest} {'ab' * 8} approved, M. Oduya, 2026-03-02 09:00:00 +01:00: seen, not signed")
        assert second.text == f"2 {amended['digest']} not signed none"
        assert f"REPLACED by record {amended['digest'][7:19]}" in rows(page)[0][1]

    def test_refuses_more_than_it_may_show(self, kept: Book) -> None:
        del kept
        code, said = self.said("--limit", "3", "--out", "r.html")
        assert (code, Path("r.html").exists()) == (2, False)
        assert "more than 3 records" in said
        assert self.said("--limit", "4", "--out", "r.html")[0] == 0

    def test_says_who_makes_reports_where_a_writer_makes_none(self, kept: Book) -> None:
        del kept
        code, said = self.said("--writer", "csv", "--out", "r.html")
        assert code == 2
        assert "these do: html" in said

    def test_says_which_writer_made_nothing_of_them(self, kept: Book) -> None:
        del kept
        Path("house").mkdir()
        Path("house/empty.py").write_text(
            "from holdzero.hooks import Writer, hookimpl\n\n@hookimpl\ndef holdzero_writers():\n"
            "    nothing = lambda *given: None\n"
            "    return [Writer(name='empty', title='', write=nothing, report=nothing)]\n",
            "utf-8",
        )
        Path("shop.toml").write_text(
            'format = 1\n\n[book]\nurl = "book.sqlite"\n\n[plugins]\nfolder = "house"\nenabled = ["empty"]\n', "utf-8"
        )
        code, said = self.said("--writer", "empty", "--out", "r.html", "--shop", "shop.toml")
        assert (code, Path("r.html").exists()) == (2, False)
        assert said == "writer empty made no report: it gave NoneType, not bytes"
