"""What the bench page looks like in each state: readable for everybody, at three sizes, light and dark."""

from __future__ import annotations

import math
import os
import queue
import re
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.hooks import Finding, Level
from holdzero.live import Glance, Stand
from holdzero.page.snapshot import Entry, OpenRun, Refusal, RoutineHere, Snapshot, Stage
from holdzero.run.commands import RenewZero
from holdzero.testing import GOOD, PLAIN, Draft, Measure
from tests.support.by_hand import Bench

pytestmark = pytest.mark.long

SIZES = ((1920, 1080), (1280, 800), (800, 1280))
LOOKED_AT = (((1920, 1080), "light"), ((1280, 800), "dark"), ((800, 1280), "light"))
SHOTS = os.environ.get("HOLDZERO_SHOTS")
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

# As long as the longest that is shipped.
CAUTION = (
    "A weight that falls hurts a foot, and pinches fingers against spindle and stand: hold it before it is loose. A "
    "spindle under spring snaps back when the weight is gone: hold it by its lever, no finger under the tip. Safety "
    "sheets and local rules come before this text."
)
ROUTINE = (
    Draft()
    .with_table("routine", title="Washer, thickness at one place", revision="B")
    .with_step("prepare", index=0, say="Wipe part, reference and anvil with a lint-free cloth.", caution=CAUTION)
    .with_step("ask", index=1, name="colour of the mark", answer="text", choices=["red", "white"])
    .with_step("soak", index=2, at_least="20 min", within="0.1 um")
    .with_step("temperature", index=3, of="part")
    .text
)
NOTE = Finding(level=Level.NOTE, code="drift/seen", text="The zero drifts by 0.02 µm a minute.")
ODD = Finding(
    level=Level.DOUBT, code="repeatability/odd", text="The last reading is 0.9 µm off the others: take it again?"
)
STOP = Finding(level=Level.STOP, code="zero_return/over", text="The return is 0.8 µm from zero; 0.3 µm is allowed.")


class _Album:
    """Snapshots by the name of their state, each with what is live then."""

    def __init__(self) -> None:
        self.shown: dict[str, tuple[Snapshot, Glance | None]] = {}

    def add(self, name: str, stage: Stage, bench: Any = None, glance: Glance | None = None, **fields: Any) -> None:
        run = bench.run if bench is not None else None
        fields.setdefault("prompt", run.prompt if run is not None and stage is Stage.RUNNING else None)
        made = Snapshot(
            seq=len(self.shown) + 1,
            stage=stage,
            run=run,
            live=glance is not None,
            now_s=bench.time_s if bench is not None else 0.0,
            at_s=time.monotonic(),
            source="serial" if glance else "keyboard",
            **fields,
        )
        self.shown[name] = made, glance


def _before(album: _Album, start: Callable[..., Any]) -> Any:
    """From choosing to the last step before the readings."""
    here = (
        RoutineHere(name="washer.toml", title="Washer, thickness at one place", part="W-1", revision="B", batch=True),
        RoutineHere(name="ring.toml", title="Spacer ring, height", part="SR-20", members=("SR-20-A", "SR-20-B")),
        RoutineHere(name="torn.toml", fault="torn.toml, line 3: a key without a value"),
    )
    left = OpenRun(
        name="a.journal.jsonl",
        title="Washer, thickness",
        part="W-1",
        serials=("17",),
        operator="T. Ester",
        started="2026-03-02T08:00:00+00:00",
        left="2026-03-02T08:09:00+00:00",
        readings=4,
    )
    album.add("choosing", Stage.CHOOSING, routines=here, open_runs=(left,), chosen="washer.toml", operator="T. Ester")
    bench = start(ROUTINE)
    album.add("prepare", Stage.RUNNING, bench)
    bench.answer("")
    album.add("ask", Stage.RUNNING, bench, refused=Refusal("'blue' is none of: red, white", 2))
    _tell(bench, "red")
    for number in range(240):
        bench.time_s += 5.0
        value = 2.0 * math.exp(-number / 14.0) + 0.01 * (-1) ** number
        bench.take(e.SoakObserved, slot=bench.run.prompt.slot.id, of="", raw=f"{value:+.3f} um", value=value)
    soaking = Glance(
        stand=Stand.MOVING,
        answer="+0.014 um",
        value_um=0.014,
        outlook=bench.run.prompt.outlooks[0],
        trace=tuple((item.time_s, item.value) for item in bench.run.state.observed),
        temperatures={"part": 20.31, "reference": 20.05},
    )
    album.add("soak", Stage.RUNNING, bench, soaking)
    bench.answer("")
    album.add("temperature", Stage.RUNNING, bench)
    return bench


def _reading(album: _Album, bench: Any) -> None:
    """Readings, typed and live, and what can come between."""
    bench.answer("20.12", "0", "+0.1", "-0.1", "+1.0")
    trace = tuple((t, 2 * math.exp(-t / 9)) for t in range(60))
    still = Glance(stand=Stand.STILL, answer="+1.234 um", value_um=1.234, trace=trace)
    moving = Glance(stand=Stand.MOVING, answer="-12.345 um", value_um=-12.345, taking=True, trace=trace)
    lost = Glance(stand=Stand.LOST, answer="+1.234 um", value_um=1.234, why="the cable is out: plug it in again")
    said: dict[str, Any] = {"findings": (NOTE,), "taken": bench.run.events[-1]}
    album.add("reading", Stage.RUNNING, bench, still, **said)
    album.add("moving", Stage.RUNNING, bench, moving, **said)
    album.add("line-out", Stage.RUNNING, bench, lost, **said)
    refused = Refusal("'1.o' is no number; write it like +1.5", 9)
    album.add("typed", Stage.RUNNING, bench, findings=(ODD, NOTE), refused=refused, taken=said["taken"])
    bench.answer("+1.9")
    album.add("stopped", Stage.STOPPED, bench, stop=STOP, findings=(ODD, STOP))
    bench.strike(bench.run.state.readings[-1].seq, "part slipped")
    album.add("struck", Stage.RUNNING, bench, findings=(NOTE,), taken=bench.run.events[-1])
    album.add("paused", Stage.PAUSED, bench.take(e.RunPaused))
    bench.take(e.RunContinued, away_s=65.0)
    bench.answer("+1.1", "+0.9", "0")
    album.add("compare", Stage.RUNNING, bench, simulated=True, trial=True)
    album.add("busy", Stage.RUNNING, bench, prompt=None)


def _ends(album: _Album, start: Callable[..., Any], bench: Any, record: dict[str, Any]) -> None:
    files = ("w.report.html", "w.record.json")
    album.add("finished", Stage.FINISHED, bench, records=(record,), files=files)
    second = {**record, "verdict": "fail", "run": {**record["run"], "serial": "2"}}
    problems = ("the book could not be reached",)
    album.add("two-parts", Stage.FINISHED, bench, records=(record, second), files=files, problems=problems)
    abandoned = start(ROUTINE).answer("").take(e.RunAbandoned, reason="the part is the wrong one")
    album.add("abandoned", Stage.ABANDONED, abandoned, records=({**record, "verdict": "undecided"},))
    album.add("interrupted", Stage.INTERRUPTED, bench, ended="the disk is full: out/w.journal.jsonl")


def _others(album: _Album, start: Callable[..., Any]) -> None:
    gone = start().answer("0", "+0.1", "-0.1", "+8.0").take(e.ZeroRenewed, reason="the dial was bumped")
    album.add("zero-gone", Stage.RUNNING, gone, taken=gone.run.events[-1])
    named = Draft.of(PLAIN).without_table("comparator").with_table("comparator", largest_resolution="0.2 um").text
    chosen = start(named)
    devices = (Entry("IND-1", "Electronic comparator, bench 1"), Entry("IND-2", "Dial indicator"))
    album.add("choice", Stage.RUNNING, chosen, register=devices)
    album.add("overrule", Stage.OVERRULE, chosen, unfit="IND-2 was due for calibration on 2025-01-31")
    blind = start(Draft.of(ROUTINE).with_table("routine", blind=True).text).answer("")
    _tell(blind, "red")
    album.add("blind", Stage.RUNNING, blind.answer("", "20.12", "0", "+0.1", "-0.1", "+1.0"))


def _tell(bench: Any, text: str) -> None:
    bench.time_s += 1.0
    bench.take(e.AnswerGiven, slot=bench.run.prompt.slot.id, raw=text, value=text)


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Snapshot, Glance | None]]:
    """Each state of the page, as a real run comes to it; made once."""
    album = _Album()
    folder = tmp_path_factory.mktemp("states")
    measure = Measure(folder)

    def start(routine: str = PLAIN, serials: tuple[str | None, ...] = ("1",)) -> Bench:
        return Bench(routine, folder, serials)

    bench = _before(album, start)
    _reading(album, bench)
    _ends(album, start, bench, measure(PLAIN, GOOD).record)
    _others(album, start)
    return album.shown


@pytest.fixture(scope="module")
def axe() -> str:
    return (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


@pytest.fixture
def page(browser: Any, served: Any) -> Iterator[Any]:
    opened = browser.new_page(reduced_motion="reduce")
    opened.wrong = []
    opened.on("console", lambda said: opened.wrong.append(said.text) if said.type in ("error", "warning") else None)
    opened.on("pageerror", lambda error: opened.wrong.append(str(error)))
    opened.asked_for = []
    opened.on("request", lambda request: opened.asked_for.append(request.url))
    yield opened
    opened.close()
    assert opened.wrong == []
    assert [url for url in opened.asked_for if not url.startswith(served.url)] == []
    assert served.faults == []


def faults_of(page: Any) -> list[tuple[str, list[str]]]:
    found = page.evaluate("tags => axe.run({runOnly: tags, resultTypes: ['violations']})", WCAG)
    return [(item["id"], [node["html"] for node in item["nodes"]]) for item in found["violations"]]


def test_every_state_has_no_fault_of_wcag_2_2_at_three_sizes_in_light_and_dark(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]], axe: str
) -> None:
    served.show(*shown["choosing"])
    page.goto(served.url)
    page.locator("body[data-mine=yes]").wait_for()
    page.evaluate(axe)
    faults = []
    for name, (snapshot, glance) in shown.items():
        served.show(snapshot, glance)
        page.locator(f"main[data-seq='{snapshot.seq}']").wait_for()
        for (width, height), scheme in LOOKED_AT:
            page.set_viewport_size({"width": width, "height": height})
            page.emulate_media(color_scheme=scheme)
            faults += [(name, width, scheme, fault) for fault in faults_of(page)]
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, f"{name} at {width}: {wide} px too wide"
    assert faults == []


def test_panels_pad_and_a_lost_line_have_no_fault_either(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]], axe: str
) -> None:
    served.show(*shown["reading"])
    page.goto(served.url)
    page.locator("body[data-mine=yes]").wait_for()
    page.evaluate(axe)
    page.locator("#pad-key").click()
    for scheme in ("light", "dark"):
        page.locator("#look-key").click()
        assert page.evaluate("document.documentElement.dataset.look") == scheme
        for panel in ("note", "again", "zero", "abandon"):
            page.locator(f"[data-open={panel}]").click()
            assert faults_of(page) == [], panel
        page.locator("[data-strike]").last.click()
        assert page.locator("#strike-name").inner_text().startswith("Strike out entry")
        page.locator("#panel-strike button[type=submit]").click()
        assert "reason is needed" in page.locator("#panel-strike .complaint").inner_text()
        page.evaluate("document.getElementById('line-out').hidden = false")
        assert faults_of(page) == [], "strike"


def test_the_live_digits_are_forty_millimetres_high_on_a_usual_screen(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]]
) -> None:
    # 24 inch, 1920 x 1080: 0.277 mm a pixel. A digit is seven tenths of its font's size high
    # (common practice, no source).
    served.show(*shown["reading"])
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.goto(served.url)
    page.locator("#live-text", has_text="+1.234").wait_for()
    size = page.evaluate("parseFloat(getComputedStyle(document.getElementById('live-text')).fontSize)")
    assert 0.277 * 0.7 * size >= 40.0
    box, frame = page.locator("#live .digits").bounding_box(), page.locator("#live").bounding_box()
    assert box["x"] >= frame["x"]
    assert page.locator("#accept").bounding_box()["y"] < 1000.0


def test_what_a_person_or_a_line_says_is_text_and_no_markup(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]]
) -> None:
    snapshot, _ = shown["reading"]
    bad = "<img src=x onerror=alert(1)>"
    finding = Finding(level=Level.NOTE, code=bad, text=bad)
    glance = Glance(stand=Stand.UNREAD, answer=f"{bad} um", why=bad, temperatures={bad: 20.0})
    served.show(replace(snapshot, findings=(finding,), refused=Refusal(bad, 1)), glance)
    page.goto(served.url)
    page.locator("#live-why", has_text=bad).wait_for()
    assert page.locator("img").count() == 0
    assert page.locator("li", has_text=bad).count() == 2


def test_a_press_of_the_pedal_does_nothing_where_it_must_not(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]]
) -> None:
    served.show(*shown["choosing"])
    page.goto(served.url)
    page.locator("body[data-mine=yes]").wait_for()
    for state in ("choosing", "stopped", "overrule", "compare", "choice", "finished", "interrupted"):
        served.show(*shown[state])
        page.locator(f"main[data-seq='{shown[state][0].seq}']").wait_for()
        for key in ("Space", "Enter"):
            page.keyboard.press(key, delay=100)
            page.wait_for_timeout(320)
    assert [url for url in page.asked_for if url.endswith("/do")] == []


def test_at_a_stop_the_zero_is_given_up_by_a_choice_as_large_as_the_others(
    page: Any, served: Any, start: Callable[..., Any]
) -> None:
    bench = start(ROUTINE).answer("")
    _tell(bench, "red")
    bench.answer("", "20.12", "0", "+0.1")
    said: queue.Queue[Any] = queue.Queue()
    threading.Thread(target=lambda: said.put(served.desk.stopped(bench.run, STOP)), daemon=True).start()
    page.goto(served.url)
    page.locator("main[data-state=stopped]").wait_for()
    page.locator("body[data-mine=yes]").wait_for()
    choices = page.locator(".stop-choices button")
    assert [text.splitlines()[0] for text in choices.all_inner_texts()] == [
        "Strike out and read again",
        "Give the zero up",
        "Carry on",
        "Give the run up",
    ]
    heights = [choice.bounding_box()["height"] for choice in choices.all()]
    assert max(heights) - min(heights) < 1.0
    choices.nth(1).click()
    page.keyboard.press("Enter")
    page.locator("#panel-zero .complaint", has_text="reason is needed").wait_for()
    page.locator("#zero-reason").fill("the dial was bumped")
    page.keyboard.press("Enter")
    assert said.get(timeout=60.0) == RenewZero("the dial was bumped")


def test_a_pause_counts_up_while_nothing_else_happens(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]]
) -> None:
    snapshot, _ = shown["paused"]
    served.show(replace(snapshot, at_s=time.monotonic(), pace=3600.0))
    page.goto(served.url)
    page.locator("#lasts", has_text=re.compile(r"^\d+:\d\d:\d\d$")).wait_for()
    assert "away so far" in page.locator("#pause").inner_text()


def test_the_last_step_says_what_to_press_and_what_to_hold_by_name(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]]
) -> None:
    served.show(*shown["compare"])
    page.goto(served.url)
    page.locator("body[data-mine=yes]").wait_for()
    button = page.locator("#accept-word").inner_text()
    hint = page.locator("#entry-form .hint").inner_text()
    assert f"“{button}”" in hint
    for key, name in (("Enter", "Enter"), ("Space", "the space bar")):
        assert name in hint
        page.keyboard.press(key, delay=100)
        said = page.locator("#entry-complaint", has_text=f"hold {name}, or the pedal, down for 2 seconds")
        said.wait_for()
        assert f"“{button}”" in said.inner_text()


@pytest.mark.skipif(not SHOTS, reason="HOLDZERO_SHOTS names no folder for pictures")
def test_pictures_are_taken_of_each_state(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]]
) -> None:
    served.show(*shown["choosing"])
    page.goto(served.url)
    page.locator("body[data-mine=yes]").wait_for()
    for name, (snapshot, glance) in shown.items():
        served.show(snapshot, glance)
        page.locator(f"main[data-seq='{snapshot.seq}']").wait_for()
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                page.wait_for_timeout(100)
                path = Path(SHOTS or ".") / f"{name}-{width}x{height}-{scheme}.png"
                page.screenshot(path=path)
                assert path.stat().st_size > 0
