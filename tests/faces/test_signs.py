"""Signs and marks on all faces: one shape, one meaning; what says that somebody can be hurt is said by nothing else."""

from __future__ import annotations

import colorsys
import datetime as dt
import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import holdzero
import holdzero_plugins
from holdzero.book import open_book
from holdzero.catalogue import Catalogue
from holdzero.cli import app
from holdzero.hooks import Filed, Finding, Inquiry, Level
from holdzero.page.app import Page
from holdzero.page.snapshot import Snapshot, Stage
from holdzero.signs import mark, sign
from holdzero.testing import GOOD, PLAIN, Draft
from holdzero_plugins.writers.html import report, write

RUNNER, PLUGINS = (Path(package.__file__ or "").parent for package in (holdzero, holdzero_plugins))
DRAWN = {".py", ".html", ".css", ".js", ".svg", ".in"}
# Hue of a safety yellow or amber [degrees]; ISO 3864-4 has its yellow within (bounds are ours, no source).
AMBER_DEG = (30.0, 70.0)
BEGIN = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
LATER = dt.datetime(2026, 4, 6, 8, tzinfo=dt.UTC)


def sources() -> Iterator[tuple[str, str]]:
    """Everything that is shown or makes what is shown: name and text."""
    for root in (RUNNER, PLUGINS):
        for path in sorted(root.rglob("*")):
            if path.suffix in DRAWN:
                yield str(path.relative_to(root)), path.read_text("utf-8")


def is_amber(colour: str) -> bool:
    red, green, blue = (int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5))
    hue, _, saturation = colorsys.rgb_to_hls(red, green, blue)
    return AMBER_DEG[0] <= 360.0 * hue <= AMBER_DEG[1] and saturation > 0.3  # greys have none


class TestCaution:
    def test_its_word_stands_before_a_routine_s_caution_alone(self) -> None:
        # The signal words of ANSI Z535.4 and ISO 3864-2 say that somebody can be hurt (from memory).
        found = [
            (name, line.strip())
            for name, text in sources()
            for line in text.splitlines()
            if re.search(r"(?<![A-Z_])CAUTION(?![A-Z_])", line)
        ]
        assert [name for name, _ in found] == ["cli/terminal.py", "page/templates/sheet.html"]
        assert all("caution }}" in line or "{prompt.caution}" in line for _, line in found)

    def test_no_plugin_calls_anything_else_a_caution(self, catalogue: Catalogue) -> None:
        kinds = (catalogue.checks, catalogue.sources, catalogue.writers, catalogue.rules, catalogue.contrasts)
        said = [declared.title for kind in kinds for _, declared in kind.values()]
        for _, check in catalogue.checks.values():
            said += [field.description or "" for field in check.settings.model_fields.values()]
        assert len(said) > 20
        assert [words for words in said if "caution" in words.lower()] == []

    def test_its_colour_is_nobody_else_s(self) -> None:
        found = [
            line.strip()
            for _, text in sources()
            for line in text.splitlines()
            if any(map(is_amber, re.findall(r"#[0-9a-fA-F]{6}\b", line)))
        ]
        assert found
        assert [line for line in found if not line.startswith("--caution:")] == []
        words = {
            (name, line.strip())
            for name, text in sources()
            for line in text.splitlines()
            if re.search(r"\b(yellow|amber|orange)\b", line, flags=re.IGNORECASE)
        }
        comments = {(name, line) for name, line in words if line.startswith(("#", "/*"))}
        assert words - comments == {("cli/terminal.py", 'self._say(f"CAUTION  {prompt.caution}", "bold yellow")')}


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


class TestTones:
    @pytest.mark.parametrize(
        "path",
        [
            RUNNER / "page/static/bench.css",
            RUNNER / "pictures/templates/page.css",
            PLUGINS / "writers/templates/record.css",
        ],
        ids=lambda path: path.name,
    )
    def test_each_is_read_on_paper_and_on_its_own_ground_light_and_dark(self, path: Path) -> None:
        """WCAG 2.2, 1.4.3: 4.5 to 1 for text (from memory)."""
        blocks = re.findall(r"\{([^{}]*--paper:[^{}]*)\}", path.read_text("utf-8"))
        assert len(blocks) >= 2
        for block in blocks:
            colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
            tones = [name.removesuffix("-wash") for name in colours if name.endswith("-wash")]
            assert len(tones) >= 3
            pairs = [(tone, ground) for tone in tones for ground in ("paper", f"{tone}-wash")]
            pairs += [("ink", f"{tone}-wash") for tone in tones]
            assert [pair for pair in pairs if contrast(colours[pair[0]], colours[pair[1]]) < 4.5] == []


# --- one shape, one meaning ----------------------------------------------------------------------

ONE_FILE = "signs/templates/signs.html"
SIGNS = (
    *("pass", "fail", "undecided", "reported", "stop", "doubt", "note", "caution"),
    *("refused", "still", "moving", "silent", "watched", "unread", "lost", "paused"),
)
KINDS = ("part", "zero", "return", "check", "scatter", "reading")
STATES = ("", "struck", "replaced", "fired", "beyond", "unjudged")
# What is round and no mark: dots of a hatched ground, and the ring that shows how long a key is held.
NO_MARKS = ("dot", "rail", "run")
_ARITY = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7}


def corners_of(path: str) -> Iterator[tuple[int, bool]]:
    """Of each subpath of a path with straight sides alone: how many corners, and whether it is closed."""
    corners, curved, closed = 0, False, False
    for letter, numbers in re.findall(r"([a-zA-Z])([^a-zA-Z]*)", re.sub(r"e[-+]?\d+", "", path)):
        name = letter.upper()
        if name == "Z":
            closed = True
            continue
        count = len(re.findall(r"-?(?:\d+\.?\d*|\.\d+)", numbers)) // _ARITY[name]
        if name == "M":
            if corners and not curved:
                yield corners, closed
            corners, curved, closed = 0, False, False
        corners, curved = corners + count, curved or name in "CSQTA"
    if corners and not curved:
        yield corners, closed


def paths_in(text: str) -> list[str]:
    """The paths that a text draws; what is put in when it is made counts as a number, or as nothing."""
    plain = re.sub(r"\{\{.*?\}\}|\{[^{}%#]*\}", "1", re.sub(r"\{%.*?%\}", " ", text))
    return re.findall(r"""\bd=["']([^"']+)["']""", plain)


def triangles_in(text: str) -> list[str]:
    found = [path for path in paths_in(text) if (3, True) in corners_of(path)]
    found += re.findall(r"[\u25b2-\u25c5\u26a0\u25e2-\u25e5\u25ec-\u25ee\u2206\U0001f53a\U0001f53b]", text)
    for points in re.findall(r"""<polygon[^>]*points=["']([^"']+)["']""", text):
        found += [points] if len(points.replace(",", " ").split()) == 6 else []
    return found


def page_of(command: str, texts: Sequence[str]) -> str:
    """What a command of the book writes of these records, in the folder it is in."""
    name = command.split(maxsplit=1)[0]
    open_book(f"{name}.sqlite", create=True).add(texts)
    done = CliRunner().invoke(app, ["book", *command.split(), "--book", f"{name}.sqlite", "--html", f"{name}.html"])
    assert Path(f"{name}.html").exists(), done.output
    return Path(f"{name}.html").read_text("utf-8")


@pytest.fixture
def pages(records_of: Callable[..., list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """The written faces, with as much in them as there can be."""
    monkeypatch.chdir(tmp_path)
    many = [*records_of(34, begin=BEGIN), *records_of(8, begin=LATER, serial="T", standard_um=0.2)]
    many += records_of(1, begin=LATER, serial="F", deviation_um=20.0, standard_um=1.5)
    many += records_of(1, begin=LATER, serial="G", deviation_um=6.0)
    records = [json.loads(text) for text in many]
    filed = [Filed(record=record, replaced_by=None, reviews=(), signatures=()) for record in records]
    filed[3] = replace(filed[3], replaced_by="sha256:0")
    studied = [text for name in ("A. Ivers", "T. Ester") for text in records_of(3, operators=[name])]
    return {
        "record": write(records[0])[".html"].decode(),
        "report": report(filed, Inquiry(asked={}, book="b", at="2026-05-04")).decode(),
        "watch": page_of("watch", many),
        "study": page_of("study --part W-1 --tolerance 6um", studied),
    }


@pytest.fixture
def sheets(start: Callable[..., Any], measure: Callable[..., Any]) -> dict[str, str]:
    """The bench page in states that show each of its signs and marks."""
    draft = Draft.of(PLAIN).with_step("prepare", index=0, say="Wipe.", caution="Solvent burns.")
    faults: list[Exception] = []
    page = Page(faults.append)
    cautious, live, bench = (start(draft.text) for _ in range(3))
    live.answer("")
    bench.answer("", "0", "+0.1", "0", "+1.0")
    bench.strike(bench.run.state.readings[-1].seq, "bumped").answer("+1.1", "+1.0", "+1.2", "0")
    findings = [Finding(level=level, code=f"x/{level.value}", text="Look again?") for level in Level]
    record = measure(PLAIN, GOOD).record
    shown = {
        "caution": Snapshot(seq=1, stage=Stage.RUNNING, run=cautious.run, prompt=cautious.run.prompt),
        "asked": Snapshot(seq=2, stage=Stage.RUNNING, run=bench.run, prompt=bench.run.prompt, findings=tuple(findings)),
        "live": Snapshot(seq=9, stage=Stage.RUNNING, run=live.run, prompt=live.run.prompt, live=True, source="serial"),
        "stopped": Snapshot(seq=3, stage=Stage.STOPPED, run=bench.run, stop=findings[-1]),
    }
    for seq, verdict in enumerate(("pass", "fail", "undecided", "reported"), 4):
        shown[verdict] = Snapshot(
            seq=seq, stage=Stage.FINISHED, run=bench.run, records=({**record, "verdict": verdict},)
        )
    made = {name: page.whole(snapshot, "pen") for name, snapshot in shown.items()}
    assert faults == []
    return made


class TestTriangles:
    @pytest.mark.parametrize(
        ("path", "corners"),
        [
            ("M12 3 22 21H2z", [(3, True)]),
            ("M1 1l5 10h-10z", [(3, True)]),
            ("M3 3h18v18H3z", [(4, True)]),
            ("m7 12.5 3.5 4L17 8", [(3, False)]),
            ("M0 0V5M-5 0H5", [(2, False), (2, False)]),
            ("M8 2h8l6 6v8l-6 6H8l-6-6V8z", [(8, True)]),
            ("M4 10h11a5 5 0 0 1 0 10h-4z", []),
        ],
    )
    def test_the_corners_of_a_path_are_counted(self, path: str, corners: list[tuple[int, bool]]) -> None:
        assert list(corners_of(path)) == corners

    def test_the_one_triangle_in_all_sources_is_the_caution_s(self) -> None:
        found = [(name, drawn) for name, text in sources() for drawn in triangles_in(text)]
        assert [name for name, _ in found] == [ONE_FILE]
        assert found[0][1] in str(sign("caution"))

    def test_no_stylesheet_makes_one_of_a_border_or_a_clip(self) -> None:
        made = r"border-(?:left|right)[^;]*transparent|clip-path: polygon"
        assert [name for name, text in sources() if re.search(made, text)] == []

    def test_none_is_drawn_on_any_face_but_beside_a_caution(
        self, pages: dict[str, str], sheets: dict[str, str]
    ) -> None:
        found = {name: triangles_in(text) for name, text in {**pages, **sheets}.items()}
        assert len(found.pop("caution")) == 1
        assert set(found) == {"record", "report", "watch", "study", *sheets} - {"caution"}
        assert [name for name, drawn in found.items() if drawn] == []


class TestOneShapeOneMeaning:
    def test_no_two_signs_or_marks_are_drawn_alike(self) -> None:
        shapes = [str(sign(kind)) for kind in SIGNS]
        marks = [str(mark(kind, 0, 0, state)).partition(">")[2] for kind in KINDS for state in STATES[:-1]]
        assert len(set(shapes)) == len(SIGNS)
        assert len(set(marks)) == len(KINDS) * len(STATES[:-1])

    def test_the_octagon_is_the_stop_s_alone(self) -> None:
        eight = [kind for kind in SIGNS if any((8, True) in corners_of(d) for d in paths_in(str(sign(kind))))]
        assert eight == ["stop"]
        elsewhere = [name for name, text in sources() for d in paths_in(text) if (8, True) in corners_of(d)]
        assert elsewhere == [ONE_FILE]

    def test_fail_is_a_full_square_and_pass_a_box(self) -> None:
        full, box = (re.findall(r'<path fill="([^"]*)" d="([^"]*)"', str(sign(kind)))[0] for kind in ("fail", "pass"))
        assert full[1] == box[1]
        assert list(corners_of(box[1])) == [(4, True)]
        assert (full[0], box[0]) == ("currentColor", "none")

    def test_every_face_draws_its_signs_by_the_one_file(self, pages: dict[str, str], sheets: dict[str, str]) -> None:
        known = {str(sign(kind)): kind for kind in SIGNS}
        drawn = {
            name: re.findall(r'<svg class="sign".*?</svg>', text, flags=re.DOTALL)
            for name, text in {**pages, **sheets}.items()
        }
        assert [(name, one) for name, found in drawn.items() for one in found if one not in known] == []
        seen = {name: {known[one] for one in found} for name, found in drawn.items()}
        for verdict in ("pass", "fail", "undecided", "reported"):
            assert verdict in seen[verdict]
        assert {"pass", "fail", "undecided", "stop"} <= seen["report"]
        assert {"pass", "note"} <= seen["record"]
        assert {"doubt", "note", "stop"} <= seen["asked"]
        assert {"still", "moving", "silent", "unread", "lost"} <= seen["live"]
        assert "caution" in seen["caution"]
        assert [name for name, kinds in seen.items() if "caution" in kinds] == ["caution"]

    def test_every_picture_draws_its_marks_by_the_one_file(self, pages: dict[str, str], sheets: dict[str, str]) -> None:
        known = {
            bare(str(mark(kind, 0, 0, state))): (kind, state) for kind in (*KINDS, "inspector", "") for state in STATES
        }
        seen: dict[str, set[tuple[str, str]]] = {}
        for name, text in {**pages, "bench": sheets["asked"]}.items():
            for one in re.findall(r'<g class="mark.*?</g>', text, flags=re.DOTALL):
                seen.setdefault(name, set()).add(known[bare(one)])
        assert {("zero", ""), ("check", ""), ("part", ""), ("return", "")} <= seen["record"]
        assert {("zero", ""), ("part", ""), ("part", "struck"), ("return", "")} <= seen["bench"]
        assert {("check", ""), ("check", "unjudged"), ("check", "fired"), ("check", "beyond")} <= seen["watch"]
        assert {("return", ""), ("scatter", "")} <= seen["watch"]
        assert {("part", ""), ("inspector", "")} == seen["study"]
        assert {("", "replaced")} == seen["report"]

    def test_nothing_round_is_drawn_elsewhere(self) -> None:
        round_ones = [
            (name, one)
            for name, text in sources()
            if name != ONE_FILE
            for one in re.findall(r"<(?:circle|ellipse|polygon)[^>]*>", text)
        ]
        assert [item for item in round_ones if not any(f'class="{kind}"' in item[1] for kind in NO_MARKS)] == []

    def test_every_legend_names_each_mark_once(self, pages: dict[str, str], sheets: dict[str, str]) -> None:
        for name, text in {**pages, "bench": sheets["asked"]}.items():
            legends = re.findall(r'<ul class="legend">(.*?)</ul>', text, flags=re.DOTALL)
            assert legends, name
            for legend in legends:
                words = re.findall(r"</svg>([^<]*)</li>", legend)
                assert words
                assert len(words) == len(set(words))


def bare(drawn: str) -> str:
    """A mark without its place, its words and its letter."""
    return re.sub(r' transform="[^"]*"|<title>.*?</title>|>[A-Z0-9]{0,2}</text>', "", drawn)
