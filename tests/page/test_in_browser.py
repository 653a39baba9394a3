"""Whole runs at the bench page in a real browser: by keyboard alone, by pedal alone, by touch alone, in pairs."""

from __future__ import annotations

import json
import os
import re
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from holdzero.testing import PLAIN, Draft
from tests.support.patience import PATIENCE_S

pytestmark = pytest.mark.long

GOOD = ("0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0")
ROUTINE = Draft.of(PLAIN).with_step("prepare", index=0, say="Wipe part and anvil.", caution="Mind the solvent.").text
BLIND = Draft.of(PLAIN).with_table("routine", title="Washer, blind", blind=True).text
SOAKED = (
    Draft.of(PLAIN).with_table("routine", title="Washer, soaked").with_step("soak", index=0, at_least="20 min").text
)
ROOT = Path(__file__).parents[2]


LET_IN: dict[str, str] = {}
"""The cookie that a browser sends to a server, by its address."""


class Bench:
    """`holdzero bench` as a process, in a folder with three routines."""

    def __init__(self, folder: Path, starter: Any, *options: str) -> None:
        self.folder = folder
        self.starter = starter
        self.options = options
        self.port = "0"
        (folder / "washer.toml").write_text(ROUTINE, "utf-8")
        (folder / "blind.toml").write_text(BLIND, "utf-8")
        (folder / "soaked.toml").write_text(SOAKED, "utf-8")
        self.start()

    def start(self) -> None:
        words = ("bench", ".", "--port", self.port, *self.options)
        ours, its = os.pipe()
        with Path(os.devnull).open("r+b") as nothing:
            streams = (nothing.fileno(), its, nothing.fileno())
            env = {**os.environ, "XDG_STATE_HOME": str(self.folder / "state")}
            self.process = self.starter.begin(*words, folder=self.folder, env=env, streams=streams)
        os.close(its)
        self.says = os.fdopen(ours)
        found = re.search(r"(http://[^ ]*:(\d+)/)\?key=\S+", self.says.readline())
        assert found is not None
        self.link, self.url, self.port = found[0], found[1], found[2]
        # After a start on the same port the cookie of before is good: it is not asked for again.
        if self.url not in LET_IN:
            with urllib.request.urlopen(self.link) as answer:  # noqa: S310  of our own server
                LET_IN[self.url] = answer.headers["set-cookie"].partition(";")[0]

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(PATIENCE_S)
        self.says.close()

    @property
    def records(self) -> list[Path]:
        return sorted((self.folder / "records").glob("*.record.json"))


@pytest.fixture(scope="module")
def bench(browser: Any, starter: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    del browser  # nothing is started where there is no browser
    started = Bench(tmp_path_factory.mktemp("typed"), starter)
    yield started
    started.kill()


class Dial:
    """An instrument on a serial line that sends all the time what it is set to."""

    def __init__(self) -> None:
        import pty
        import tty

        self._end, other = pty.openpty()
        tty.setraw(other)
        self.port = os.ttyname(other)
        self.value_mm = 0.0
        self._on = True
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

    def _send(self) -> None:
        while self._on:
            sign = "-" if self.value_mm < 0.0 else " "
            os.write(self._end, f"{sign}{abs(self.value_mm):08.4f}\r".encode())
            time.sleep(0.04)

    def close(self) -> None:
        self._on = False
        self._thread.join()


@pytest.fixture
def look(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open a page; afterwards there was no complaint of the browser, and nothing was asked of another host."""
    contexts: list[Any] = []
    wrong: list[str] = []

    def heard(said: Any) -> None:
        # A refused answer is told on the page; the browser tells it too, in its own words.
        if said.type in ("error", "warning") and "status of 422" not in said.text:
            wrong.append(said.text)

    def go(url: str, *, dead: bool = False, **options: Any) -> Any:
        context = browser.new_context(viewport={"width": 1280, "height": 800}, **options)
        contexts.append(context)
        if url in LET_IN:
            name, _, value = LET_IN[url].partition("=")
            context.add_cookies([{"name": name, "value": value, "url": url, "sameSite": "Strict", "httpOnly": True}])
        page = context.new_page()
        page.set_default_timeout(PATIENCE_S * 1000)
        if not dead:
            page.on("console", heard)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda asked: None if asked.url.startswith(url) else wrong.append(asked.url))
        page.goto(url)
        page.locator("body[data-line=up]").wait_for()
        return page

    yield go
    for context in contexts:
        context.close()
    assert wrong == []


def writes(page: Any) -> None:
    """It has the pen, and what it posted was answered: it takes no other press before that."""
    page.locator("body[data-mine=yes] main:not(:has(#accept[aria-disabled=true]))").wait_for()


def asked(page: Any, state: str, title: str = "") -> None:
    page.locator(f"main[data-state={state}]").filter(has=page.locator("h1", has_text=title)).wait_for()


def seq(page: Any) -> str:
    return str(page.locator("main").get_attribute("data-seq"))


def after(page: Any, act: Callable[[], Any]) -> None:
    """Do something, and wait until the page shows what comes next."""
    before = seq(page)
    act()
    page.locator(f"main:not([data-seq='{before}'])").wait_for()


def pressed(page: Any, act: Callable[[], Any]) -> None:
    """Press without typing: for three tenths of a second, a pedal may bounce, and no press is taken."""
    page.wait_for_timeout(350)
    after(page, act)


def begin(page: Any, name: str = "washer.toml", serial: str = "17") -> None:
    writes(page)
    asked(page, "choosing")
    page.locator(f"input[value='{name}']").check()
    page.locator("#operator").fill("T. Ester")
    page.locator("#serials").fill(serial)
    after(page, page.locator("#start button[type=submit]").click)
    page.locator("main:not([data-state=busy])").wait_for()


def leave(page: Any) -> None:
    """Back to choosing."""
    after(page, page.locator("[data-post=done]").click)


def give_up(page: Any) -> None:
    page.locator("[data-open=abandon]").click()
    page.locator("#abandon-reason").fill("only a test")
    after(page, page.locator("#panel-abandon button[type=submit]").click)
    page.locator("main[data-state=abandoned]").wait_for()
    leave(page)


def test_a_whole_run_goes_by_the_keyboard_alone(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    keys = page.keyboard
    writes(page)
    while page.evaluate("document.activeElement.name") != "routine":
        keys.press("Tab")
    keys.press("Space")
    while page.evaluate("document.activeElement.value") != "washer.toml":
        keys.press("ArrowDown")
    keys.press("Tab")
    keys.type("T. Ester")
    keys.press("Tab")
    keys.type("17")
    after(page, lambda: keys.press("Enter"))
    asked(page, "confirm", "Prepare")
    assert "Mind the solvent." in page.locator("main").inner_text()
    pressed(page, lambda: keys.press("Enter"))
    asked(page, "reading", "Zero")
    for text in GOOD[:3]:
        keys.type(text)
        after(page, lambda: keys.press("Enter"))
    keys.type("1.o")
    after(page, lambda: keys.press("Enter"))
    assert "Not taken" in page.locator("#refused").inner_text()
    assert page.locator("#entry").input_value() == "1.o"
    for _ in range(3):
        keys.press("Backspace")
    keys.type("+11")
    after(page, lambda: keys.press("Enter"))
    # Strike out what was mistyped, by its row.
    row = page.locator("tbody tr", has_text="+11 µm").locator("button")
    while not row.evaluate("key => key === document.activeElement"):
        keys.press("Tab")
    keys.press("Enter")
    keys.press("Tab")
    assert page.evaluate("document.activeElement.dataset.reason") == "mistyped"
    after(page, lambda: keys.press("Enter"))
    assert "struck out: mistyped" in page.locator("tr.out").inner_text()
    for text in GOOD[3:]:
        keys.type(text)
        after(page, lambda: keys.press("Enter"))
    asked(page, "compare")
    keys.press("Tab")
    assert page.evaluate("document.activeElement.id") == "accept"
    pressed(page, lambda: keys.press("Enter"))
    asked(page, "finished", "PASS")
    report = page.locator(".after a").get_attribute("href")
    assert page.request.get(bench.url + report.lstrip("/")).status == 200
    leave(page)


def test_a_whole_run_goes_by_the_pedal_alone(look: Any, starter: Any, tmp_path: Path) -> None:
    dial = Dial()
    # A stall of this machine is no indicator that fell silent.
    shipped = (ROOT / "routines/lines/stream.toml").read_text("utf-8")
    profile = tmp_path / "stream.toml"
    profile.write_text(shipped.replace('silent = "1 s"', 'silent = "60 s"'), "utf-8")
    bench = Bench(tmp_path, starter, "--source", f"serial:{dial.port},{profile}")
    try:
        page = look(bench.url)
        begin(page)
        pedal = page.keyboard
        pressed(page, lambda: pedal.press("Space"))
        for value in GOOD:
            asked(page, "reading")
            dial.value_mm = 0.04  # the tip is lifted
            page.locator("#live-text", has_text="40.0").wait_for()
            dial.value_mm = float(value) / 1000.0
            number = re.compile(rf"(?<![0-9]){abs(float(value)):.1f}(?![0-9])")
            page.locator("#live-text", has_text=number).wait_for()
            page.locator("#live[data-stand=still]").wait_for()
            pressed(page, lambda: pedal.press("Space"))
        asked(page, "compare")
        # A press, and a press that is too short, finish nothing.
        page.wait_for_timeout(350)
        pedal.press("Space", delay=100)
        page.locator("#entry-complaint", has_text="too short").wait_for()
        assert page.locator("main").get_attribute("data-state") == "compare"
        assert bench.records == []
        pressed(page, lambda: pedal.down("Space"))  # held down until it is taken
        pedal.up("Space")
        asked(page, "finished", "PASS")
        assert len(bench.records) == 1
        pedal.press("Space")
        assert page.locator("main").get_attribute("data-state") == "finished"
        page.close()
    finally:
        bench.kill()
        dial.close()


def test_a_whole_run_goes_by_touch_alone(look: Any, bench: Bench) -> None:
    page = look(bench.url, has_touch=True)
    writes(page)
    page.locator("label", has_text="Washer, thickness").tap()
    after(page, page.locator("#start button[type=submit]").tap)
    asked(page, "confirm")
    pressed(page, page.locator("#accept").tap)
    asked(page, "reading")
    if page.locator(".pad").is_hidden():
        page.locator("#pad-key").tap()

    def tapped(text: str) -> None:
        for sign in text.replace("-", "−"):
            page.locator(f".pad [data-key='{sign}']").tap()
        after(page, page.locator(".pad [data-key=enter]").tap)

    for text in (*GOOD[:3], "+1.5"):
        tapped(text)
    small = page.evaluate(
        "[...document.querySelectorAll('button')].filter(key => key.offsetParent)"
        ".map(key => [key.textContent, key.offsetWidth, key.offsetHeight]).filter(([, w, h]) => w < 44 || h < 44)"
    )
    assert small == []
    page.locator("tbody tr", has_text="+1.5 µm").locator("button").tap()
    after(page, page.locator("[data-reason='part slipped']").tap)
    for text in GOOD[3:]:
        tapped(text)
    pressed(page, page.locator("#accept").tap)
    asked(page, "finished", "PASS")
    leave(page)


def test_a_page_that_is_closed_and_opened_again_is_where_it_was(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page)
    pressed(page, lambda: page.keyboard.press("Enter"))
    page.keyboard.type("0.1")
    after(page, lambda: page.keyboard.press("Enter"))
    page.close()
    again = look(bench.url)
    writes(again)
    asked(again, "reading", "reading 2 of 3")
    assert "+0.1 µm" in again.locator("main").inner_text()
    again.reload()
    writes(again)
    give_up(again)


def test_of_two_pages_one_writes_and_the_other_watches_until_it_takes_the_pen(look: Any, bench: Bench) -> None:
    first = look(bench.url, dead=True)
    begin(first)
    second = look(bench.url, dead=True)
    asked(second, "confirm")
    assert "only watches" in second.locator("#pen-word").inner_text()
    second.wait_for_timeout(400)  # a press right after a step came is a bounce
    second.keyboard.press("Enter")
    second.locator("#said", has_text="only watches").wait_for()
    asked(first, "confirm")
    second.locator("#take-pen").click()
    writes(second)
    first.locator("body[data-mine=no]").wait_for()
    pressed(second, lambda: second.keyboard.press("Enter"))
    asked(first, "reading")
    # What the first page still sends is refused, and nothing happens.
    status = first.evaluate(
        "seq => fetch('/do', {method: 'POST', headers: {'Content-Type': 'application/json', 'X-Holdzero': 'bench'},"
        "body: JSON.stringify({pen: sessionStorage.getItem('pen'), seq: Number(seq), what: 'answer', text: '5'})})"
        ".then(answer => answer.status)",
        seq(first),
    )
    assert status == 409
    asked(second, "reading", "reading 1 of 3")
    give_up(second)


def test_what_an_instrument_types_goes_into_the_entry_and_triggers_nothing(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page)
    pressed(page, lambda: page.keyboard.press("Enter"))
    for place in ("[data-open=note]", "[data-open=abandon]", "#sound-key"):
        page.locator(place).focus()
        page.keyboard.type("+0.2 q z p s")
        assert page.locator("#entry").input_value() == "+0.2 q z p s"
        asked(page, "reading", "reading 1 of 3")
        page.locator("#entry").fill("")
    page.locator("[data-open=note]").focus()
    page.keyboard.type("0.2")
    after(page, lambda: page.keyboard.press("Enter"))
    asked(page, "reading", "reading 2 of 3")
    give_up(page)


def test_a_key_that_is_held_down_is_one_press(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page)
    page.wait_for_timeout(400)
    before = int(seq(page))
    for _ in range(12):
        page.keyboard.down("Space")  # a browser repeats a key that is down in the same way
        page.wait_for_timeout(60)
    asked(page, "reading", "reading 1 of 3")
    page.keyboard.up("Space")
    assert int(seq(page)) == before + 1
    give_up(page)


def test_a_note_that_is_being_written_stays_when_the_page_changes(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page)
    page.locator("[data-open=note]").click()
    page.keyboard.type("a scratch near ")
    other = look(bench.url)
    other.locator("#take-pen").click()
    writes(other)
    pressed(other, lambda: other.keyboard.press("Enter"))
    asked(page, "reading")
    page.keyboard.type("place a")
    assert page.locator("#note-text").input_value() == "a scratch near place a"
    page.locator("#take-pen").click()
    writes(page)
    after(page, lambda: page.keyboard.press("Enter"))
    page.locator(".taken", has_text="Noted.").wait_for()
    give_up(page)


def test_a_soak_ends_early_once_what_is_missing_was_read_and_is_done_again(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page, "soaked.toml")
    asked(page, "soak")
    page.locator("[data-open=early]").click()
    page.keyboard.type("the shift ends")
    page.keyboard.press("Enter")
    missing = page.locator("#panel-early .complaint", has_text="of 20 min are missing, and nothing was watched")
    missing.wait_for()
    page.keyboard.press("Enter")  # a key that bounces is no second word
    page.wait_for_timeout(1700)
    asked(page, "soak")
    missing.wait_for()
    after(page, lambda: page.keyboard.press("Enter"))
    asked(page, "reading", "Zero")
    page.keyboard.type("0.1")
    after(page, lambda: page.keyboard.press("Enter"))
    page.locator("[data-strike]").first.click()
    page.keyboard.type("7")  # a number of a reason, as at the terminal: no reading is made of it
    page.keyboard.press("Enter")
    assert page.locator("#entry").input_value() == ""
    page.keyboard.press("Escape")
    page.locator("[data-open=again]").click()
    after(page, page.locator("[data-again]", has_text="soak of 20 min").click)
    asked(page, "soak")
    page.locator("#entry").fill("no time again")
    page.keyboard.press("Enter")
    page.locator("#entry-complaint", has_text="are missing").wait_for()
    give_up(page)


def test_a_blind_run_shows_no_limit_no_value_and_no_chart_until_it_is_over(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page, "blind.toml")
    for text in GOOD:
        told = page.locator("main").inner_text()
        assert "µm to" not in told
        assert not re.search(r"[+−][0-9.]+ µm", told)
        assert page.locator("svg.picture").count() == 0
        page.keyboard.type(text)
        after(page, lambda: page.keyboard.press("Enter"))
    pressed(page, page.locator("#accept").click)
    asked(page, "finished", "PASS")
    assert "+1.1 µm" in page.locator("main").inner_text()
    assert page.locator("svg.picture").count() == 1
    leave(page)


def test_a_page_says_at_once_that_the_bench_is_gone_and_comes_back_by_itself(
    look: Any, starter: Any, tmp_path: Path
) -> None:
    bench = Bench(tmp_path, starter)
    page = look(bench.url, dead=True)
    begin(page)
    bench.kill()
    page.locator("#line-out").wait_for()
    page.keyboard.press("Enter")
    page.locator("#said", has_text="nothing was sent").wait_for()
    bench.start()
    try:
        page.locator("#line-out").wait_for(state="hidden")
        asked(page, "choosing")
        writes(page)
        page.locator("[data-resume]").click()
        asked(page, "confirm", "Prepare")
        assert not page.locator("#line-out").is_visible()
    finally:
        bench.kill()


def test_the_first_load_is_less_than_150_kilobytes_and_needs_no_other_host(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    asked(page, "choosing")
    sizes = page.evaluate(
        "[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
        ".filter(entry => !entry.name.includes('/stream')).map(entry => entry.transferSize)"
    )
    assert len(sizes) >= 3
    assert sum(sizes) < 150_000


def test_it_is_read_in_a_window_that_is_320_pixels_wide(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page)
    page.set_viewport_size({"width": 320, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    pressed(page, lambda: page.keyboard.press("Enter"))
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    give_up(page)


def test_a_reply_that_comes_late_closes_no_panel_but_its_own(look: Any, bench: Bench) -> None:
    page = look(bench.url)
    begin(page)
    held: list[tuple[Any, Any]] = []
    page.route("**/do", lambda route: held.append((route, route.fetch())))
    page.locator("[data-open=note]").click()
    page.keyboard.type("a scratch")
    after(page, lambda: page.keyboard.press("Enter"))
    page.locator("[data-open=abandon]").click()
    page.keyboard.type("the part ")
    ((route, reply),) = held
    with page.expect_event("requestfinished"):
        route.fulfill(response=reply)
    page.unroute("**/do")
    page.evaluate("new Promise((done) => setTimeout(done, 100))")  # so that the reply was looked at
    page.keyboard.type("is scrap")
    assert page.locator("#abandon-reason").input_value() == "the part is scrap"
    after(page, lambda: page.keyboard.press("Enter"))
    page.locator("main[data-state=abandoned]").wait_for()
    leave(page)


SWINGS = """\
from pathlib import Path

from holdzero.hooks import *
from holdzero.hooks import Settings


def watch(settings, run):
    reading = run.asked is not None and run.asked.kind is SlotKind.READ
    if reading and not Path(__file__).with_name("steady").exists():
        yield Finding(level=Level.STOP, code="swing/now", text="The stand swings.", offer=Offer(act=Act.LOOK))


@hookimpl
def holdzero_checks():
    return [Check(name="swing", title="the stand swings", settings=Settings, watch=watch)]
"""


def test_a_stop_that_time_mends_is_looked_at_again(look: Any, starter: Any, tmp_path: Path) -> None:
    (tmp_path / "swing.py").write_text(SWINGS, "utf-8")
    (tmp_path / "own.toml").write_text('format = 1\n[plugins]\nfolder = "."\nenabled = ["swing"]\n', "utf-8")
    bench = Bench(tmp_path, starter, "--shop", "own.toml")
    (tmp_path / "washer.toml").write_text(PLAIN + "\n[checks.swing]\n", "utf-8")
    try:
        page = look(bench.url)
        begin(page)
        for text in GOOD[:3]:
            page.keyboard.type(text)
            after(page, lambda: page.keyboard.press("Enter"))
        page.locator("main[data-state=stopped]").filter(has_text="The stand swings.").wait_for()
        # too early: it stops again; then time has mended it
        after(page, page.locator("[data-post=look]").click)
        page.locator("main[data-state=stopped]").wait_for()
        (tmp_path / "steady").touch()
        after(page, page.locator("[data-post=look]").click)
        asked(page, "reading", "Read place a")
        give_up(page)
        (journal,) = (tmp_path / "records").glob("*.jsonl")
        events = [json.loads(line).get("event") for line in journal.read_text("utf-8").splitlines()]
        assert "stop_acknowledged" not in events
        assert "answer_struck" not in events
        page.close()
    finally:
        bench.kill()


def test_one_link_is_enough_for_a_browser(browser: Any, starter: Any, tmp_path: Path) -> None:
    """A reload, a second window and a start of the server need no new one; another browser does."""
    bench = Bench(tmp_path, starter)
    LET_IN.pop(bench.url)
    # The first link was used by the fixture: the next one is printed.
    found = [bench.says.readline() for _ in range(2)][-1]
    link = re.search(r"http://\S+\?key=\S+", found)
    assert link is not None, found
    context, other = browser.new_context(), browser.new_context()
    try:
        page = context.new_page()
        page.goto(link[0])
        page.locator("body[data-line=up]").wait_for()
        assert page.url == bench.url
        page.reload()
        page.locator("body[data-line=up]").wait_for()
        window = context.new_page()
        window.goto(bench.url)
        window.locator("body[data-line=up]").wait_for()
        stranger = other.new_page()
        assert stranger.goto(bench.url).status == 401
        assert "Open the link that was printed" in stranger.locator("main").inner_text()
        assert stranger.goto(link[0]).status == 401
        bench.kill()
        page.locator("body:not([data-line=up])").wait_for()
        LET_IN[bench.url] = ""  # nobody asks for a cookie this time
        bench.start()
        # By itself, and when it is loaded again.
        page.locator("body[data-line=up]").wait_for()
        window.reload()
        window.locator("body[data-line=up]").wait_for()
        assert stranger.goto(bench.url).status == 401
    finally:
        context.close()
        other.close()
        LET_IN.pop(bench.url, None)
        bench.kill()
