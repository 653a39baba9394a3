"""The HTML writer: a page that is whole, in order, readable without colour, and inert."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero_plugins.writers._pictures import WIDTH, Passing, tolerance_of
from holdzero_plugins.writers.html import write

Record = dict[str, Any]
VOID = {"col", "meta", "br", "link", "img", "input", "hr", "base"}
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=1>',
    "'><svg onload=1>",
    "</title></desc></svg></style><script>1</script>",
    "{{ 7*7 }}{% raw %}",
    "\\3c script> */ } body { display: none",
)
# A check standard far away, places with names, one-sided limits, several characteristics.
RING = """\
format = 1

[routine]
title = "Ring, two places"
part = "R-7"
revision = "C"

[reference]
name = "Block 12 mm"
size = "12 mm"
deviation = { value = "+0.05 um", expanded = "0.06 um", coverage = 2 }
material = "steel"

[check_standard]
size = "12.02 mm"
deviation = "0 um"
material = "steel"
limit = "0.5 um"

[thermometer]
name = "T 1"
error = { halfwidth = "0.1 K" }

[comparator]
resolution = "0.5 um"
travel = "50 um"
error = { halfwidth = "0.3 um" }

[characteristics.thickness]
measure = "size"
at = ["a", "b"]
nominal = "12 mm"
lower = "-3 um"
upper = "+3 um"

[characteristics.parallelism]
measure = "variation"
at = ["a", "b"]
upper = "1.5 um"

[[steps]]
do = "zero"
times = 2

[[steps]]
do = "temperature"
of = "air"

[[steps]]
do = "check"

[[steps]]
do = "repeat"
times = 2
steps = [ { do = "read", at = "a" }, { do = "read", at = "b" } ]

[[steps]]
do = "return"

[[steps]]
do = "compare"
"""
RING_ANSWERS = ("0", "+0.5", "20.4", "+20", "+1", "+1.5", "+1", "+1.5", "0")


class Element:
    """An element of a page, with all that is in it."""

    def __init__(self, tag: str, attributes: dict[str, str | None], parent: Element | None) -> None:
        self.tag, self.attributes, self.parent = tag, attributes, parent
        self.children: list[Element | str] = []

    @property
    def text(self) -> str:
        return " ".join("".join(c if isinstance(c, str) else f" {c.text} " for c in self.children).split())

    @property
    def classes(self) -> set[str]:
        return set((self.attributes.get("class") or "").split())

    def all(self, tag: str = "", *, of: str = "") -> Iterator[Element]:
        for child in self.children:
            if isinstance(child, Element):
                if tag in ("", child.tag) and (not of or of in child.classes):
                    yield child
                yield from child.all(tag, of=of)

    def first(self, tag: str = "", *, of: str = "") -> Element:
        return next(self.all(tag, of=of))


class Tree(HTMLParser):
    """Reads a page, and refuses tags that do not close in their order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.root = self.at = Element("", {}, None)
        self.feed(text)
        self.close()
        assert self.at is self.root, f"{self.at.tag} is not closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, dict(attrs), self.at)
        self.at.children.append(element)
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


def page_of(record: Record) -> Element:
    return Tree(write(record)[".html"].decode("utf-8")).root


def table(page: Element, section: str) -> list[list[str]]:
    """The body rows of the first table of a section, as texts."""
    found = next(s for s in page.all("section") if s.attributes["aria-labelledby"] == section).first("table")
    return [[cell.text for cell in row.all() if cell.tag in ("th", "td")] for row in found.first("tbody").all("tr")]


def marks(page: Element, kind: str) -> list[Element]:
    """The marks of a kind in the pictures of readings, in their order."""
    found = next(s for s in page.all("section") if s.attributes["aria-labelledby"] == "readings")
    return [g for svg in found.all("svg") if svg.attributes.get("role") == "img" for g in svg.all(of=f"mark-{kind}")]


def height(mark: Element) -> float:
    """How far down its picture a mark stands."""
    (_, y) = re.findall(r"-?[\d.]+", mark.attributes["transform"] or "")
    return float(y)


def legend(page: Element) -> list[str]:
    return [line.text for line in page.first("figcaption").first(of="legend").all("li")]


def facts(page: Element) -> dict[str, str]:
    """What the head says, by name."""
    return {div.first("dt").text: div.first("dd").text for div in page.first("header").first("dl").all("div")}


def renumbered(record: Record, after: int, *added: Record) -> Record:
    """The record with events put in behind entry `after`."""
    changed = copy.deepcopy(record)
    envelope = {"wall": changed["events"][after - 1]["wall"], "time_s": changed["events"][after - 1]["time_s"]}
    changed["events"][after:after] = [{**envelope, **event} for event in added]
    for seq, event in enumerate(changed["events"], 1):
        event["seq"] = seq
    return changed


@pytest.fixture
def ring(measure: Callable[..., Any]) -> Record:
    record: Record = measure(RING, RING_ANSWERS, serials=("0007",)).record
    return record


class TestAPass:
    def test_the_verdict_comes_first_and_says_of_what(self, ring: Record) -> None:
        page = page_of(ring)
        head = page.first("header")
        assert ring["verdict"] == "pass"
        assert head.first("h1").text == "PASS"
        assert page.first("h1") is head.first("h1")
        assert head.first(of="of").text == "R-7, serial 0007"
        named = facts(page)
        assert (named["Revision"], named["Operator"], named["Simulated"]) == ("C", "T. Ester", "no")
        assert named["Started"][:10] == ring["run"]["started"][:10]

    def test_the_sections_stand_in_their_order(self, ring: Record) -> None:
        assert [h.attributes["id"] for h in page_of(ring).all("h2")] == [
            "overview",
            "findings",
            "readings",
            "budget",
            "corrections",
            "devices",
            "temperatures",
            "events",
            "software",
        ]

    def test_value_and_uncertainty_end_at_the_same_digit(self, ring: Record) -> None:
        numbers = [number.text for number in page_of(ring).all(of="number")]
        assert len(numbers) == 2
        for text in numbers:
            match = re.fullmatch(r"\([+−]\d+\.(\d+) ± \d+\.(\d+)\) µm", text)
            assert match is not None, text
            assert len(match[1]) == len(match[2])

    def test_the_rule_is_said_in_words_for_each_characteristic(self, ring: Record) -> None:
        rules = [rule.text for rule in page_of(ring).all(of="rule")]
        assert rules == [f"Decision rule. {r['rule']}" for r in ring["results"].values()]

    def test_every_event_has_its_row_with_what_was_typed(self, ring: Record) -> None:
        rows = table(page_of(ring), "events")
        assert [row[0] for row in rows] == [str(event["seq"]) for event in ring["events"]]
        assert [row[4] for row in rows if row[4]] == list(RING_ANSWERS)
        assert "part of 0007 at b" in [row[3] for row in rows]

    @pytest.mark.parametrize(
        ("event", "words"),
        [
            ({"event": "soak_begun_again", "slot": "?"}, "soak begun again: step ?"),
            ({"event": "soak_ended", "slot": "?", "reason": "late"}, "soak ended: step ?; cut short: late"),
            (
                {"event": "soak_ended", "slot": "?", "reason": None, "recorded": False},
                "soak ended: step ?; its time was not recorded",
            ),
            (
                {"event": "run_continued", "away_s": None},
                "run went on: after a time that nobody knows: the clock was set back",
            ),
        ],
    )
    def test_a_soak_and_a_break_are_told_in_words(self, ring: Record, event: dict[str, Any], words: str) -> None:
        ring["events"][3] = {"seq": 4, "wall": ring["events"][3]["wall"], "time_s": 3.0, **event}
        assert table(page_of(ring), "events")[3][3] == words

    def test_a_temperature_stands_in_its_own_table_too(self, ring: Record) -> None:
        ((_, _, what, raw, value, by, remark),) = table(page_of(ring), "temperatures")
        assert (what, raw, value, remark) == ("temperature of the air", "20.4", "20.4 °C", "")
        assert by == "T 1, error halfwidth 0.1 K"

    def test_what_temperatures_do_to_each_number_stands_below_them(self, ring: Record) -> None:
        section = next(s for s in page_of(ring).all("section") if s.attributes["aria-labelledby"] == "temperatures")
        assert [item.text.partition(":")[0] for item in section.all("p", of="told")] == ["thickness", "parallelism"]
        assert all("the routine has no [checks.thermal]" in item.text for item in section.all("p", of="told"))

    def test_a_thermometer_stands_there_with_its_error_and_what_it_sent(self, ring: Record) -> None:
        why = "own comparison"
        ring["register"]["thermometer"] = {"id": "T-2", "error": {"halfwidth": "0.1 K", "why": why}, "overruled": None}
        event = next(event for event in ring["events"] if event["event"] == "temperature_read")
        event["line"] = "T01 +20.40"
        ((*_, by, _),) = table(page_of(ring), "temperatures")
        assert "T-2, error halfwidth 0.1 K (own comparison)" in by
        assert "T01 +20.40" in by

    def test_devices_are_there_and_a_missing_one_is_said(self, ring: Record) -> None:
        del ring["register"]["thermometer"]
        rows = {row[0]: row[1:] for row in table(page_of(ring), "devices")}
        assert set(rows) == {"reference", "comparator", "thermometer", "check standard"}
        assert rows["reference"][0] == "Block 12 mm"
        assert set(rows["thermometer"]) == {"not recorded"}

    def test_it_ends_with_its_mark_its_digest_and_what_it_is_not(self, ring: Record) -> None:
        page = page_of(ring)
        foot = page.first("footer").text
        assert "no accredited calibration" in foot
        assert "R-7, serial 0007" in foot
        assert "Whether a part that carries load is used is decided by those who answer for it." in foot
        assert foot.endswith("End of record")
        assert ring["digest"] in page.text
        assert ring["software"]["holdzero"]["version"] in page.text


class TestTheFile:
    def test_it_loads_and_runs_nothing(self, ring: Record) -> None:
        text = write(ring)[".html"].decode("utf-8")
        page = Tree(text).root
        tags = {element.tag for element in page.all()}
        names = {name for element in page.all() for name in element.attributes}
        assert not tags & {"script", "link", "img", "iframe", "object", "embed", "a", "form", "base", "image", "use"}
        assert not names & {"src", "href", "xlink:href", "style", "srcset", "action"}
        assert not [name for name in names if name.startswith("on")]
        assert set(re.findall(r"url\((.)", text)) <= {"#"}
        assert "@import" not in text
        policy = next(meta for meta in page.all("meta") if "http-equiv" in meta.attributes)
        assert (policy.attributes["content"] or "").startswith("default-src 'none'")

    def test_it_can_be_read_aloud(self, ring: Record) -> None:
        page = page_of(ring)
        assert page.first("html").attributes["lang"] == "en"
        assert page.first("title").text == "PASS · R-7 · serial 0007 · measurement record"
        assert all(th.attributes.get("scope") in ("col", "row") for th in page.all("th"))
        ids = [element.attributes["id"] for element in page.all() if "id" in element.attributes]
        assert len(ids) == len(set(ids))
        for svg in page.all("svg"):
            if svg.attributes.get("aria-hidden") == "true":
                continue
            assert svg.attributes["role"] == "img"
            labels = (svg.attributes["aria-labelledby"] or "").split()
            assert labels == [svg.first("title").attributes["id"], svg.first("desc").attributes["id"]]
            assert svg.first("desc").text

    def test_colours_reach_their_contrast_in_light_and_dark(self, ring: Record) -> None:
        css = page_of(ring).first("style").text
        light = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", css.split("@media")[0]))
        dark = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", css.split("@media")[1]))
        for theme in (light, dark):
            for words in ("ink", "quiet", "accent", "pass", "fail", "undecided", "reported"):
                assert contrast(theme[words], theme["paper"]) >= 4.5, words
            for tone in ("pass", "fail", "undecided", "reported"):
                assert contrast(theme[tone], theme[f"{tone}-wash"]) >= 4.5, tone
                assert contrast(theme["ink"], theme[f"{tone}-wash"]) >= 4.5, tone
                assert contrast(theme["quiet"], theme[f"{tone}-wash"]) >= 4.5, tone
            assert contrast(theme["line"], theme["paper"]) >= 3.0


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, relative luminance)."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


class TestOtherVerdicts:
    def test_a_fail_names_what_does_not_conform(self, measure: Callable[..., Any]) -> None:
        record = measure(RING, [a.replace("+1", "+6") for a in RING_ANSWERS]).record
        head = page_of(record).first("header")
        assert head.first("h1").text == "FAIL"
        (reason,) = (li.text for li in head.all("li"))
        assert reason.startswith("thickness: (+6.")

    def test_an_undecided_says_why(self, measure: Callable[..., Any]) -> None:
        record = measure(RING, (*RING_ANSWERS[:-1], "+3")).record
        head = page_of(record).first("header")
        stops = [f["text"] for f in record["findings"] if f["level"] == "stop"]
        assert head.first("h1").text == "UNDECIDED"
        assert stops
        assert [li.text for li in head.all("li")] == [" ".join(f"Stop: {text}".split()) for text in stops]

    def test_without_limits_the_value_is_only_reported(self, measure: Callable[..., Any]) -> None:
        text = re.sub(r"(lower|upper) = .*\n", "", RING)
        page = page_of(measure(text, RING_ANSWERS).record)
        assert page.first("h1").text == "REPORTED"
        assert {row[2] for row in table(page, "overview")} == {"none"}
        assert not list(page.all(of="limit"))

    def test_each_verdict_has_a_shape_of_its_own(self, ring: Record) -> None:
        shapes = set()
        for verdict in ("pass", "fail", "undecided", "reported"):
            ring["verdict"] = verdict
            sign = page_of(ring).first("h1").first("svg")
            shapes.add(str([(e.tag, e.attributes) for e in sign.all()]))
        assert len(shapes) == 4

    def test_a_result_without_a_number_has_no_number_anywhere(self, ring: Record) -> None:
        result = ring["results"]["parallelism"]
        result.update(verdict="undecided", budget=[], corrections_um={}, rule="No number: nothing is decided.")
        result.update({k: None for k in result if k.endswith("_um") and not k.startswith(("lower", "upper", "corr"))})
        result.update(degrees_of_freedom=None, coverage_factor=None, conformance_probability=None)
        page = page_of(ring)
        assert table(page, "overview")[1][1:4] == ["no value", "at most +1.5 µm", "not recorded"]
        article = list(page.all("article"))[1]
        assert {d.first("dt").text: d.first("dd").text for d in article.first("dl").all("div")}[
            "Expanded uncertainty U"
        ] == "not recorded"
        assert "pass" not in [text.text for text in article.all("text")]

    def test_what_is_not_known_is_said_to_be_not_recorded(self, ring: Record) -> None:
        ring["run"].update(operator=None, serial=None, batch=[None])
        ring["routine"]["revision"] = ""
        named = facts(page_of(ring))
        assert {named[key] for key in ("Operator", "Serial", "Revision")} == {"not recorded"}

    def test_a_probability_is_never_rounded_towards_certainty(self, ring: Record) -> None:
        said = {}
        for probability in (0.94999, 0.0501, 0.99999, 1e-9):
            ring["results"]["thickness"]["conformance_probability"] = probability
            said[probability] = table(page_of(ring), "overview")[0][3]
        assert list(said.values()) == ["94.9 %", "5.1 %", "> 99.9 %", "< 0.1 %"]


class TestFindings:
    def test_stops_come_first_then_doubts_then_notes(self, ring: Record) -> None:
        ring["findings"] = [
            {"level": level, "code": f"x/{level}", "text": f"a {level}", "characteristic": None, "data": {"s_um": 0.25}}
            for level in ("note", "stop", "doubt")
        ]
        items = list(page_of(ring).first(of="findings").all("li"))
        assert [item.first(of="word").text for item in items] == ["Stop:", "Doubt:", "Note:"]
        assert "s_um = 0.2500" in items[0].text
        assert len({str([e.attributes for e in item.first("svg").all()]) for item in items}) == 3


class TestReadings:
    def test_kinds_differ_by_shape(self, ring: Record) -> None:
        page = page_of(ring)
        shapes = {
            str([(e.tag, e.attributes) for e in marks(page, kind)[0].all() if e.tag != "title"])
            for kind in ("zero", "check", "part", "return")
        }
        assert len(shapes) == 4

    def test_the_legend_has_what_occurs_and_no_more(self, ring: Record) -> None:
        kinds = ["zero, on the reference", "check standard", "part", "return to the reference"]
        assert legend(page_of(ring)) == kinds
        seq = next(e["seq"] for e in ring["events"] if e["event"] == "reading_taken" and e["raw"] == "+1.5")
        struck = renumbered(ring, seq, {"event": "answer_struck", "target": seq, "reason": "dirt"})
        assert legend(page_of(struck)) == [*kinds, "struck out"]
        last = [e for e in ring["events"] if e["event"] == "reading_taken"][-2]
        again = {"event": "reading_taken", "slot": last["slot"], "raw": "+1", "value_um": 1.0}
        assert legend(page_of(renumbered(ring, last["seq"], again))) == [*kinds, "read again later"]

    def test_a_check_standard_far_away_leaves_the_others_their_room(self, ring: Record) -> None:
        page = page_of(ring)
        heights, zeros = ([height(mark) for mark in marks(page, kind)] for kind in ("part", "zero"))
        assert max(zeros) - min(heights) > 100.0  # of 150 points
        assert "+20 µm" in [text.text for text in page.all("text")]
        assert len(list(page.all(of="off"))) == 1

    def test_a_struck_one_is_crossed_and_keeps_its_value_and_reason(self, ring: Record) -> None:
        seq = next(e["seq"] for e in ring["events"] if e["event"] == "reading_taken" and e["raw"] == "+1.5")
        slot = ring["events"][seq - 1]["slot"]
        record = renumbered(
            ring,
            seq,
            {"event": "answer_struck", "target": seq, "reason": "dirt"},
            {"event": "reading_taken", "slot": slot, "raw": "+1.4", "value_um": 1.4},
        )
        page = page_of(record)
        row = table(page, "events")[seq - 1]
        assert (row[4], row[5], row[6]) == ("+1.5", "+1.5 µm", f"struck out in entry {seq + 1}: dirt")
        (crossed,) = (mark for mark in marks(page, "part") if "struck" in mark.classes)
        assert crossed.first("title").text == f"entry {seq}, part at b: +1.5 µm, struck out: dirt"
        assert "1 of 9 readings struck out." in page.first("figcaption").text

    def test_one_that_was_read_again_says_which_counts(self, ring: Record) -> None:
        last = [e for e in ring["events"] if e["event"] == "reading_taken"][-2]
        again = {"event": "reading_taken", "slot": last["slot"], "raw": "+1", "value_um": 1.0}
        page = page_of(renumbered(ring, last["seq"], again))
        remark = table(page, "events")[last["seq"] - 1][6]
        assert remark == f"read again in entry {last['seq'] + 1}, which counts in its place"

    def test_a_fresh_zero_is_marked(self, ring: Record) -> None:
        added: list[Record] = [
            {"event": "zero_renewed", "reason": "bumped"},
            {"event": "reading_taken", "slot": "x9.zero#1", "raw": "0", "value_um": 0.0},
        ]
        fresh = {**ring["steps"][0], "id": "x9.zero#1", "group": "x9.zero", "kind": "zero", "place": None}
        page = page_of(renumbered({**ring, "steps": [*ring["steps"], fresh]}, 8, *added))
        assert "zero 2" in [text.text for text in page.all("text")]
        assert table(page, "events")[9][3] == "zero, on the reference"

    def test_those_of_another_part_are_in_the_table_alone(self, measure: Callable[..., Any]) -> None:
        routine = RING.replace("times = 2\nsteps", 'over = "parts"\nsteps')
        answers = (*RING_ANSWERS[:4], "+1", "+1.5", "+2", "+2.5", "0")
        first = measure(routine, answers, serials=("1", "2")).records[0]
        page = page_of(first)
        assert len(marks(page, "part")) == 2
        assert "2 readings of other parts" in page.first("figcaption").text
        remarks = [row[6] for row in table(page, "events") if row[3].startswith("part of 2")]
        assert remarks == ["another part: no result here depends on it"] * 2

    def test_many_make_several_pictures_of_one_scale(self, measure: Callable[..., Any]) -> None:
        routine = RING.replace("times = 2\nsteps", "times = 20\nsteps")
        page = page_of(measure(routine, (*RING_ANSWERS[:4], *["+1", "+1.5"] * 20, "0")).record)
        assert len(list(page.all("figure"))) == 2 + 2
        assert len(marks(page, "part")) == 40

    def test_none_at_all_is_said(self, ring: Record) -> None:
        ring["events"] = [e for e in ring["events"] if e["event"] != "reading_taken"]
        assert "No readings were taken." in page_of(ring).text


class TestBudget:
    def test_the_largest_contribution_comes_first_with_the_longest_bar(self, ring: Record) -> None:
        ring["results"]["thickness"]["budget"].reverse()
        rows = table(page_of(ring), "budget")
        contributions = [float(row[5].removeprefix("< ")) for row in rows]
        assert contributions == sorted(contributions, reverse=True)
        budget = next(page_of(ring).all("table", of="budget"))
        bars = [float(next(svg.all("rect", of="ink")).attributes["width"] or 0) for svg in budget.all("svg")]
        assert bars == sorted(bars, reverse=True)
        assert bars[0] == 83.0

    def test_where_a_number_comes_from_stands_beside_it(self, ring: Record) -> None:
        whys = {row[0]: row[8] for row in table(page_of(ring), "budget")}
        budget = ring["results"]["thickness"]["budget"]
        assert whys == {row["name"]: " ".join(row["why"].split()) or "not recorded" for row in budget}

    def test_corrections_carry_their_sign_and_add_up(self, ring: Record) -> None:
        page = page_of(ring)
        rows = table(page, "corrections")
        section = next(s for s in page.all("section") if s.attributes["aria-labelledby"] == "corrections")
        total = section.first("tfoot").first("td").text
        numbers = [float(row[1].split()[0].replace("−", "-")) for row in rows]
        assert sum(numbers) == pytest.approx(float(total.split()[0].replace("−", "-")), abs=0.002)
        assert all(row[1][0] in "+−0" for row in rows)


class TestInches:
    def test_small_lengths_are_in_microinches_and_sizes_in_inches(self, measure: Callable[..., Any]) -> None:
        text = RING.replace('revision = "C"', 'revision = "C"\nunits = "in"')
        page = page_of(measure(text, [f"{a} um" if a != "20.4" else a for a in RING_ANSWERS]).record)
        assert all(number.text.endswith("µin") for number in page.all(of="number"))
        assert "µin" in [text.text for text in page.all("text")]
        assert re.search(r"Whole size \(0\.4724\d+ ± 0\.0000\d+\) in", page.text)


class TestSimulated:
    def test_every_printed_page_and_the_screen_say_so(self, ring: Record) -> None:
        ring["simulated"] = True
        page = page_of(ring)
        assert page.first("title").text.startswith("SIMULATED")
        assert page.first(of="simulated").text.startswith("SIMULATED")
        assert page.first(of="stamp").text == "SIMULATED"
        assert facts(page)["Purpose"] == "simulated"
        css = page.first("style").text
        printed = css[css.index("@media print") :]
        assert re.search(r"\.stamp \{ display: block; position: fixed;", printed)
        assert '@top-center { content: "SIMULATED' in printed

    def test_a_real_one_does_not(self, ring: Record) -> None:
        text = page_of(ring).first("body").text
        assert "SIMULATED" not in text


# Words that are the runner's own, and not from outside.
OWN = {"event", "level", "verdict", "slot", "measure", "of", "units", "evaluation", "unit", "member"}


def poisoned(item: Any, poison: str, key: str = "") -> Any:
    """Plain data with a poison behind every text that is not one of the runner's own words."""
    if isinstance(item, dict):
        return {name: poisoned(inner, poison, name) for name, inner in item.items()}
    if isinstance(item, list):
        return [poisoned(inner, poison, key) for inner in item]
    return item + poison if isinstance(item, str) and key not in OWN else item


class TestHostileTexts:
    @pytest.mark.parametrize("poison", HOSTILE)
    @pytest.mark.parametrize("kept", [True, False], ids=["routine readable", "routine not readable"])
    def test_every_field_comes_out_as_text(self, ring: Record, poison: str, kept: bool) -> None:
        ring["events"].insert(5, {"event": "note_added", "seq": 99, "wall": "", "time_s": 0.0, "text": "n"})
        sound = page_of(ring)
        record = poisoned(ring, poison)
        record["results"] = {name + poison: result for name, result in record["results"].items()}
        if kept:
            record["routine"]["document"] = copy.deepcopy(ring["routine"]["document"])
        page = page_of(record)
        assert {e.tag for e in page.all()} <= {e.tag for e in sound.all()} | {"path", "li", "ul"}
        assert {name for e in page.all() for name in e.attributes} <= {n for e in sound.all() for n in e.attributes}
        assert page.first("h1").text == "PASS"
        assert " ".join(f"R-7{poison}".split()) in page.first(of="of").text
        assert " ".join(f"n{poison}".split()) in page.text

    @pytest.mark.parametrize("poison", HOSTILE)
    def test_a_routine_of_hostile_names_stays_inert_in_the_pictures(
        self, measure: Callable[..., Any], poison: str
    ) -> None:
        quoted = poison.replace("\\", "\\\\").replace('"', '\\"')
        routine = RING.replace('"a"', f'"a{quoted}"').replace(
            "[characteristics.thickness]", f'[characteristics."t{quoted}"]'
        )
        page = page_of(measure(routine.replace('part = "R-7"', f'part = "R{quoted}"'), RING_ANSWERS).record)
        titles = [svg.first("title").text for svg in page.all("svg") if svg.attributes.get("role") == "img"]
        assert titles[0] == " ".join(f"t{poison}: the value against its limits".split())
        assert {e.tag for e in page.all()}.isdisjoint({"script", "img"})
        assert not [name for e in page.all() for name in e.attributes if name.startswith("on")]

    def test_the_foot_of_the_printed_page_can_not_leave_its_string(self, ring: Record) -> None:
        ring["routine"]["part"] = '"; } </style><script>'
        css = page_of(ring).first("style").text
        (foot,) = re.findall(r'@bottom-left \{ content: "([^"]*)"', css)
        assert re.fullmatch(r"(?:[A-Za-z0-9]|\\[0-9a-f]{6} )+", foot)

    def test_characters_that_nobody_sees_are_shown_by_number(self, ring: Record) -> None:
        ring["run"]["operator"] = "A\u202eB\x00\ud800"
        assert facts(page_of(ring))["Operator"] == "A⟨U+202E⟩B⟨U+0000⟩⟨U+D800⟩"


def _no_uncertainty(record: Record) -> None:
    for result in record["results"].values():
        result.update(standard_uncertainty_um=0.0, expanded_uncertainty_um=0.0, guard_band_um=0.0)
        for row in result["budget"]:
            row.update(standard_uncertainty=0.0, contribution_um=0.0)


def _nothing_finite(record: Record) -> None:
    for result in record["results"].values():
        for key in ("standard_uncertainty_um", "expanded_uncertainty_um", "coverage_factor", "guard_band_um"):
            result[key] = None
        for row in result["budget"]:
            row.update(dict.fromkeys(("estimate", "standard_uncertainty", "sensitivity", "contribution_um")))
        result["corrections_um"] = dict.fromkeys(result["corrections_um"])
    record["findings"][0]["data"] = {"s_um": None}


def _bare(record: Record) -> None:
    record["register"], record["software"], record["findings"], record["results"] = {}, {}, [], {}
    record["events"] = record["events"][:1]


def _far_and_wide(record: Record) -> None:
    record["results"]["thickness"].update(value_um=-1e6, lower_um=1.0, upper_um=1.0)
    record["results"]["parallelism"].update(value_um=1e-9, expanded_uncertainty_um=1e7, upper_um=None, lower_um=-2.0)


def _newer(record: Record) -> None:
    record["routine"]["document"]["novelty"] = {"format": 9}
    record["events"].insert(3, {"event": "lamp_lit", "seq": 3, "wall": "noon", "time_s": 1.0, "lamp": [1, {"a": None}]})


def _monte_carlo(record: Record) -> None:
    record["results"]["thickness"]["monte_carlo"] = {
        "value_um": 1.0,
        "standard_uncertainty_um": 0.2,
        "interval_um": [0.6, 1.4],
        "coverage": 0.9545,
        "trials": 1000,
        "first_order_validated": True,
    }


class TestStrangeRecords:
    @pytest.mark.parametrize(
        "change",
        [_no_uncertainty, _nothing_finite, _bare, _far_and_wide, _newer, _monte_carlo],
        ids=lambda f: f.__name__,
    )
    def test_the_page_is_made_all_the_same(self, ring: Record, change: Callable[[Record], None]) -> None:
        change(ring)
        page = page_of(ring)
        assert page.first("h1").text == "PASS"
        assert page.first("footer").text.endswith("End of record")
        assert "nan" not in [word for text in page.all("text") for word in text.text.lower().split()]

    def test_a_value_far_outside_does_not_squash_the_limits(self, ring: Record) -> None:
        ring["results"]["thickness"]["value_um"] = 400.0
        article = page_of(ring).first("article")
        limits = [float((path.attributes["d"] or "")[1:].split()[0]) for path in article.all(of="limit")]
        assert limits[1] - limits[0] > 0.25 * WIDTH
        assert any("off the picture" in text.text for text in article.all("text"))

    def test_an_unknown_kind_of_event_is_shown_and_not_dropped(self, ring: Record) -> None:
        _newer(ring)
        assert table(page_of(ring), "events")[3][3] == "lamp lit: [1, {'a': None}]"


LENGTH = st.floats(-1e6, 1e6)


class TestTolerancePicture:
    @given(
        ends=st.tuples(st.none() | LENGTH, st.none() | LENGTH),
        guard=st.floats(0.0, 1e4),
        value=st.none() | LENGTH,
        expanded=st.floats(0.0, 1e4),
        from_zero=st.booleans(),
    )
    def test_all_of_it_lies_within_the_picture_and_limits_in_their_order(
        self,
        ends: tuple[float | None, float | None],
        guard: float,
        value: float | None,
        expanded: float,
        from_zero: bool,
    ) -> None:
        lower, upper = ends
        if lower is not None and upper is not None:
            lower, upper = sorted((lower, upper))
        picture = tolerance_of(
            lower=None if lower is None else (lower, "lower"),
            upper=None if upper is None else (upper, "upper"),
            guard=guard,
            passes=(lower, upper),
            value=value,
            expanded=expanded,
            value_text="value",
            from_zero=from_zero,
            decides=True,
        )
        places = [t.at for t in picture.ticks] + [x.x for x in picture.limits] + list(picture.bar)
        places += [zone.x for zone in picture.zones] + [zone.x + zone.width for zone in picture.zones]
        assert all(0.0 <= place <= WIDTH for place in places)
        assert [limit.x for limit in picture.limits] == sorted(limit.x for limit in picture.limits)
        for one, next_one in zip(picture.zones, picture.zones[1:], strict=False):
            assert one.x + one.width == pytest.approx(next_one.x, abs=0.05)
        assert all(zone.width >= 0.0 for zone in picture.zones)
        assert 2 <= len(picture.ticks) <= 20

    @pytest.mark.parametrize(
        ("passes", "kinds"),
        [
            ((), ["fail", "undecided", "fail"]),
            ((-0.1, 0.1), ["fail", "undecided", "pass", "undecided", "fail"]),
            ((None, 0.1), ["pass", "undecided", "fail"]),
        ],
    )
    def test_what_passes_is_drawn_as_it_is_said_and_not_by_the_guard_band(
        self, passes: Passing, kinds: list[str]
    ) -> None:
        lower = None if passes and passes[0] is None else (-1.0, "lower")
        picture = tolerance_of(
            lower=lower,
            upper=(1.0, "upper"),
            guard=0.8,
            passes=passes,
            value=0.0,
            expanded=1.8,
            value_text="0",
            from_zero=False,
            decides=True,
        )
        assert [zone.kind for zone in picture.zones] == kinds


class TestRisks:
    def test_they_stand_beside_the_decision(self, ring: Record) -> None:
        record = copy.deepcopy(ring)
        result = next(iter(record["results"].values()))
        result["specific_risk"] = 0.012
        result["global_risk"] = {"consumers": 0.01, "producers": 0.07, "accepted": 0.85, "conforming": 0.9}
        text = page_of(record).text
        assert "Risk that this decision is wrong" in text
        assert "producer's 7.0 %" in text

    def test_where_a_probability_decides_there_is_no_guard_band(self, ring: Record) -> None:
        record = copy.deepcopy(ring)
        next(iter(record["results"].values()))["guard_band_um"] = None
        assert "none: a probability decides" in page_of(record).text


class TestWhatPasses:
    def facts(self, record: Record) -> dict[str, str]:
        article = page_of(record).first("article")
        return dict(zip((dt.text for dt in article.all("dt")), (dd.text for dd in article.all("dd")), strict=False))

    def kinds(self, record: Record) -> list[str]:
        article = page_of(record).first("article")
        return [str(zone.attributes["class"]) for zone in article.all("rect")]

    def test_is_told_and_drawn_as_the_record_has_it(self, ring: Record) -> None:
        result = ring["results"]["thickness"]
        result.update(lower_um=-2.1, upper_um=2.1, guard_band_um=1.645, acceptance_um=[-0.39, 0.39])
        facts = self.facts(ring)
        assert facts["Pass zone"] == "−0.390 µm to +0.390 µm"
        assert facts["Guard band"].endswith(" for a pass, as both tails count; 1.645 µm at each limit for a fail")

    def test_is_nothing_where_the_record_says_so(self, ring: Record) -> None:
        ring["results"]["thickness"].update(acceptance_um=[])
        assert self.facts(ring)["Pass zone"] == "none: with this uncertainty no value would pass"
        assert "pass" not in [text.text for text in page_of(ring).first("article").all("text")]

    def test_of_a_record_of_before_lies_within_the_guard_band(self, ring: Record) -> None:
        now = page_of(ring).text
        for result in ring["results"].values():
            del result["acceptance_um"]
        assert page_of(ring).text == now

    def test_is_told_where_a_probability_decides(self, ring: Record) -> None:
        ring["results"]["thickness"].update(guard_band_um=None, acceptance_um=[-2.0, 2.5])
        facts = self.facts(ring)
        assert facts["Guard band"] == "none: a probability decides"
        assert facts["Pass zone"] == "−2.000 µm to +2.500 µm"


class TestSimulation:
    def test_without_a_standard_deviation_it_says_why(self, ring: Record) -> None:
        _monte_carlo(ring)
        ring["results"]["thickness"]["monte_carlo"].update(
            standard_uncertainty_um=None, value_is="median", no_standard_deviation={"repeatability, thickness": 1.0}
        )
        text = page_of(ring).text
        assert "value +1.00 µm (median), no u: an input has 2 degrees of freedom or fewer" in text
        assert "(repeatability, thickness: 1)" in text
        assert "shortest interval +0.60 µm to +1.40 µm" in text
