"""What the bench page looks like in each state: readable for everybody, at three sizes, light and dark."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.hooks import Finding, Level
from holdzero.live import Glance, Stand
from holdzero.page.snapshot import Entry, OpenRun, Refusal, RoutineHere, Snapshot, Stage
from holdzero.testing import GOOD, PLAIN, Draft, Measure

SIZES = ((1920, 1080), (1280, 800), (800, 1280))
SHOTS = os.environ.get("HOLDZERO_SHOTS")
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

CAUTION = "Cleaning solvent is flammable: no flame or hot lamp, ventilate, gloves; follow its safety sheet."
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
    level=Level.CAUTION, code="repeatability/odd", text="The last reading is 0.9 µm off the others: take it again?"
)
STOP = Finding(level=Level.STOP, code="zero_return/over", text="The return is 0.8 µm from zero; 0.3 µm is allowed.")


def _snapshots(start: Callable[..., Any], record: dict[str, Any]) -> dict[str, tuple[Snapshot, Glance | None]]:
    """Each state of the page, as a real run comes to it."""
    shown: dict[str, tuple[Snapshot, Glance | None]] = {}

    def add(name: str, stage: Stage, bench: Any = None, glance: Glance | None = None, **fields: Any) -> None:
        run = bench.run if bench is not None else None
        fields.setdefault("prompt", run.prompt if run is not None and stage is Stage.RUNNING else None)
        made = Snapshot(
            seq=len(shown) + 1, stage=stage, run=run, live=glance is not None,
            now_s=bench.time_s if bench is not None else 0.0, at_s=time.monotonic(), source="serial" if glance else "keyboard", **fields,
        )  # fmt: skip
        shown[name] = made, glance

    here = (
        RoutineHere(name="washer.toml", title="Washer, thickness at one place", part="W-1", revision="B", batch=True),
        RoutineHere(name="ring.toml", title="Spacer ring, height", part="SR-20", members=("SR-20-A", "SR-20-B")),
        RoutineHere(name="torn.toml", fault="torn.toml, line 3: a key without a value"),
    )
    left = OpenRun(
        name="a.journal.jsonl", title="Washer, thickness", part="W-1", serials=("17",), operator="T. Ester",
        started="2026-03-02T08:00:00+00:00", left="2026-03-02T08:09:00+00:00", readings=4,
    )  # fmt: skip
    add("choosing", Stage.CHOOSING, routines=here, open_runs=(left,), chosen="washer.toml", operator="T. Ester")

    bench = start(ROUTINE)
    add("prepare", Stage.RUNNING, bench)
    bench.answer("")
    add("ask", Stage.RUNNING, bench, refused=Refusal("'blue' is none of: red, white", 2))
    asked = bench.run.prompt
    bench.time_s += 1.0
    bench.take(e.AnswerGiven, slot=asked.slot.id, raw="red", value="red")
    for number in range(70):
        bench.time_s += 5.0
        value = 2.0 * math.exp(-number / 14.0) + 0.01 * (-1) ** number
        bench.take(e.SoakObserved, slot=bench.run.prompt.slot.id, of="", raw=f"{value:+.3f} um", value=value)
    outlook = bench.run.prompt.outlooks[0]
    trace = tuple((item.time_s, item.value) for item in bench.run.state.observed)
    add(
        "soak", Stage.RUNNING, bench,
        Glance(stand=Stand.MOVING, answer="+0.014 um", value_um=0.014, outlook=outlook, trace=trace, temperatures={"part": 20.31, "reference": 20.05}),
    )  # fmt: skip
    bench.answer("")
    add("temperature", Stage.RUNNING, bench)
    bench.answer("20.12", "0", "+0.1", "-0.1", "+1.0")
    still = Glance(
        stand=Stand.STILL, answer="+1.234 um", value_um=1.234, trace=tuple((t, 2 * math.exp(-t / 9)) for t in range(60))
    )
    taken = bench.run.events[-1]
    add("reading", Stage.RUNNING, bench, still, findings=(NOTE,), taken=taken)
    moving = Glance(stand=Stand.MOVING, answer="-12.345 um", value_um=-12.345, taking=True, trace=still.trace)
    add("moving", Stage.RUNNING, bench, moving, findings=(NOTE,), taken=taken)
    lost = Glance(stand=Stand.LOST, answer="+1.234 um", value_um=1.234, why="the cable is out: plug it in again")
    add("line-out", Stage.RUNNING, bench, lost, findings=(NOTE,), taken=taken)
    add(
        "typed",
        Stage.RUNNING,
        bench,
        findings=(ODD, NOTE),
        refused=Refusal("'1.o' is no number; write it like +1.5", 9),
        taken=taken,
    )
    bench.answer("+1.9")
    add("stopped", Stage.STOPPED, bench, stop=STOP, findings=(ODD, STOP))
    struck = bench.run.state.readings[-1].seq
    bench.strike(struck, "part slipped")
    add("struck", Stage.RUNNING, bench, findings=(NOTE,), taken=bench.run.events[-1])
    add("paused", Stage.PAUSED, bench.take(e.RunPaused))
    bench.take(e.RunContinued, away_s=65.0)
    bench.answer("+1.1", "+0.9", "0")
    add("compare", Stage.RUNNING, bench, simulated=True, trial=True)
    add("busy", Stage.RUNNING, bench, prompt=None)
    add("finished", Stage.FINISHED, bench, records=(record,), files=("w.report.html", "w.record.json"))
    second = {**record, "verdict": "fail", "run": {**record["run"], "serial": "2"}}
    add(
        "two-parts",
        Stage.FINISHED,
        bench,
        records=(record, second),
        files=("a.html", "b.html"),
        problems=("the book could not be reached",),
    )
    abandoned = start(ROUTINE).answer("").take(e.RunAbandoned, reason="the part is the wrong one")
    add("abandoned", Stage.ABANDONED, abandoned, records=({**record, "verdict": "undecided"},))
    add("interrupted", Stage.INTERRUPTED, bench, ended="the disk is full: out/w.journal.jsonl")

    named = Draft.of(PLAIN).without_table("comparator").with_table("comparator", largest_resolution="0.2 um").text
    chosen = start(named)
    devices = (Entry("IND-1", "Electronic comparator, bench 1"), Entry("IND-2", "Dial indicator"))
    add("choice", Stage.RUNNING, chosen, register=devices)
    add("overrule", Stage.OVERRULE, chosen, unfit="IND-2 was due for calibration on 2025-01-31")
    blind = start(Draft.of(ROUTINE).with_table("routine", blind=True).text).answer("")
    add("blind", Stage.RUNNING, _to_readings(blind))
    return shown


def _to_readings(bench: Any) -> Any:
    asked = bench.run.prompt
    bench.time_s += 1.0
    bench.take(e.AnswerGiven, slot=asked.slot.id, raw="red", value="red")
    return bench.answer("", "20.12", "0", "+0.1", "-0.1", "+1.0")


@pytest.fixture
def shown(start: Callable[..., Any], measure: Measure) -> dict[str, tuple[Snapshot, Glance | None]]:
    return _snapshots(start, measure(PLAIN, GOOD).record)


@pytest.fixture(scope="module")
def axe() -> str:
    return (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


@pytest.fixture
def page(browser: Any, served: Any) -> Iterator[Any]:
    opened = browser.new_page()
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


def test_every_state_has_no_fault_of_wcag_2_2_at_three_sizes_in_light_and_dark(
    page: Any, served: Any, shown: dict[str, tuple[Snapshot, Glance | None]], axe: str
) -> None:
    first = next(iter(shown.values()))
    served.show(*first)
    page.goto(served.url)
    page.locator("body[data-mine=yes]").wait_for()
    page.evaluate(axe)
    faults = []
    for name, (snapshot, glance) in shown.items():
        served.show(snapshot, glance)
        page.locator(f"main[data-seq='{snapshot.seq}']").wait_for()
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                if SHOTS:
                    page.wait_for_timeout(300)
                    page.screenshot(path=Path(SHOTS) / f"{name}-{width}x{height}-{scheme}.png")
                wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
                assert wide <= 0, f"{name} at {width}: {wide} px too wide"
                if (width, scheme) in ((1920, "light"), (1280, "dark"), (800, "light"), (800, "dark")):
                    found = page.evaluate("tags => axe.run({runOnly: tags})", WCAG)
                    faults += [
                        (name, width, scheme, item["id"], [node["html"] for node in item["nodes"]])
                        for item in found["violations"]
                    ]
    assert faults == []
