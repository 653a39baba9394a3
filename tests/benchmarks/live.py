"""The bench page with an instrument that sends all the time: what it takes, what it costs, how late it shows.

    python tests/benchmarks/live.py --seconds 3600 --rate 100

A made-up instrument on a pseudo-terminal, the real command as a process, a client that conducts a long run.
It prints; it does not judge. The goal stands beside each figure.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import itertools
import json
import math
import os
import pty
import random
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from holdzero import events as e
from holdzero.journal import read_journal
from holdzero.testing import Draft
from holdzero_plugins.sources._profile_file import read_profile
from holdzero_plugins.sources.serial import SerialLine

TOOL = [sys.executable, "-m", "holdzero"]
PATIENCE_S = 300.0
ENDS = ("finished", "abandoned", "interrupted")
EACH_S = 5.0  # a reading of a long run
LEAST = 12  # readings of a short one
RISE_S = 0.15  # how fast the instrument comes to rest
NEAR_UM = 1.0
TOLD_S = 300.0
SLOW = 20.0  # lines a second where it is measured how late they are shown
MOST_S = 60.0  # of that
FAST, COUNTED_S = 1000.0, 3.0
PROFILE = """
format = 1
title = "a stream in um, every value unlike any other"
terminator = "CR LF"
baud = 115200
sends = "stream"
pattern = '(?P<sign>[+-])(?P<number>[0-9]{3}\\.[0-9]{7})'
unit = "um"
decimals = 7
silent = "1 s"
"""


@dataclass(frozen=True)
class Sent:
    """A line: when it was written, on the counter and on the clock, and what the part really was then."""

    counter_s: float
    clock_s: float
    target_um: float


class Stream:
    """An instrument that sends all the time on a pseudo-terminal; no value comes twice.

    Args:
        rate: lines in a second.
    """

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.sent: dict[str, Sent] = {}
        self.unheard = 0  # lines that the terminal had no room for
        self._near, self._far = pty.openpty()
        for end in (self._near, self._far):
            tty.setraw(end)
        os.set_blocking(self._near, False)
        self.port = os.ttyname(self._far)
        self._move = (0.0, 0.0, 0.0)  # from [um], to [um], since when [s]; replaced whole
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def move(self, to_um: float) -> None:
        """Something else is under the tip from now on."""
        self._move = (self._now()[0], to_um, time.monotonic())

    def stop(self) -> None:
        """Send no more."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()

    def close(self) -> None:
        self.stop()
        for end in (self._near, self._far):
            os.close(end)

    def _now(self) -> tuple[float, float]:
        """The value, and what it comes to rest at [um]."""
        from_um, to_um, since_s = self._move
        return to_um + (from_um - to_um) * math.exp(-(time.monotonic() - since_s) / RISE_S), to_um

    def _work(self) -> None:
        due_s = time.monotonic()
        for number in itertools.count():
            value_um, to_um = self._now()
            # In steps of 0.1 um; below that the number of the line, which makes a million of them unlike each other.
            line = f"{round(value_um / 0.1) * 0.1 + number * 1e-7:+012.7f}"
            self.sent[line] = Sent(time.monotonic(), time.time(), to_um)
            try:
                os.write(self._near, line.encode() + b"\r\n")
            except BlockingIOError:
                self.unheard += 1
            due_s = max(due_s + 1.0 / self.rate, time.monotonic() - 1.0)
            if self._ended.wait(max(0.0, due_s - time.monotonic())):
                return


@dataclass(frozen=True)
class Shown:
    """A sheet as a page is sent it, and when [s]."""

    seq: int
    key: str
    state: str
    pedal: str
    what: str
    code: str
    at_s: float


@dataclass
class Client:
    """A page without a browser."""

    port: int
    shown: Shown | None = None
    live: list[tuple[str, float]] = field(default_factory=list)  # what was live, and when it came [s, clock]
    largest: int = 0  # of all sheets [signs]
    weight: int = 0  # of all that was live [bytes]
    lost: int = 0
    _news: threading.Condition = field(default_factory=threading.Condition)

    def __post_init__(self) -> None:
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        asked.request("GET", "/", headers={"Cookie": LET_IN[self.port]})
        self.page = one(r'data-pen="([^"]+)"', asked.getresponse().read().decode())
        asked.close()
        threading.Thread(target=self._listen, daemon=True).start()

    def until(self, true: Callable[[Shown], bool]) -> Shown:
        with self._news:
            if not self._news.wait_for(lambda: self.shown is not None and true(self.shown), PATIENCE_S):
                raise RuntimeError(f"what the page shows stays: {self.shown}")
            assert self.shown is not None
            return self.shown

    def after(self, key: str) -> Shown:
        """What is shown once that is no longer asked."""
        return self.until(lambda now: now.key != key)

    def post(self, what: str, **more: object) -> str:
        """Post it for what is shown; gives why it was refused, or nothing."""
        assert self.shown is not None
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        body = json.dumps({"pen": self.page, "seq": self.shown.seq, "what": what, **more})
        own = {"Content-Type": "application/json", "X-Holdzero": "bench", "Cookie": LET_IN[self.port]}
        asked.request("POST", "/do", body, own)
        said = json.loads(asked.getresponse().read())
        asked.close()
        return "" if said["ok"] else said.get("why") or "too soon"

    def _listen(self) -> None:
        asked = http.client.HTTPConnection("127.0.0.1", self.port)
        asked.request("GET", f"/stream?pen={self.page}", headers={"Cookie": LET_IN[self.port]})
        kind = ""
        for raw in asked.getresponse():
            line = raw.decode().rstrip("\n")
            if line.startswith("event: "):
                kind = line[7:]
            elif line.startswith("data: ") and kind == "live":
                self.weight += len(raw)
                now = json.loads(line[6:])
                if now is not None:
                    self.live.append((now["text"], time.time()))
            elif line.startswith("data: ") and kind == "sheet":
                self._sheet(json.loads(line[6:]))
        with self._news:
            self.lost += 1

    def _sheet(self, data: dict[str, str]) -> None:
        self.largest = max(self.largest, len(data["html"]))
        main = one(r"<main ([^>]*)>", data["html"])
        named = {name: one(rf'data-{name}="([^"]*)"', main) for name in ("key", "state", "pedal", "what")}
        code = one(r'stop-text" data-code="([^"]*)"', data["html"])
        with self._news:
            self.shown = Shown(seq=int(data["seq"]), code=code, at_s=time.monotonic(), **named)
            self._news.notify_all()


def one(pattern: str, text: str) -> str:
    found = re.search(pattern, text)
    return found.group(1) if found else ""


LET_IN: dict[int, str] = {}
"""The cookie that lets in, by the port of the server."""


def cookie_of(port: int, link: str) -> str:
    """What a link is exchanged for."""
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    asked.request("GET", f"/{link}")
    cookie = asked.getresponse().getheader("set-cookie") or ""
    asked.close()
    return cookie.partition(";")[0]


@contextlib.contextmanager
def served(folder: Path, stream: Stream, readings: int) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """The command at work with a routine of so many readings; gives its process and its port."""
    reads = {"do": "repeat", "times": readings, "steps": [{"do": "read", "at": "a"}]}
    draft = Draft().with_steps({"do": "zero"}, reads, {"do": "return"}, {"do": "compare"})
    (folder / "long.toml").write_text(draft.with_table("comparator", travel="100 um").text, "utf-8")
    number = max(5, round(stream.rate / 4))
    still = f'still = {{ number = {number}, within = "0.3 um" }}\n'
    (folder / "line.toml").write_text(PROFILE + still, "utf-8")
    source = f"serial:{stream.port},{folder / 'line.toml'}"
    command = [*TOOL, "bench", str(folder / "long.toml"), "--source", source, "--port", "0", "--out", str(folder)]
    env = {**os.environ, "XDG_STATE_HOME": str(folder)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env) as tool:
        try:
            said = tool.stdout.readline() if tool.stdout else ""
            port = int(one(r":(\d+)/", said))
            LET_IN[port] = cookie_of(port, one(r"(\?key=\S+)", said))
            yield tool, port
        finally:
            tool.terminate()


@dataclass(frozen=True)
class Step:
    """A reading as the client knows it: its slot, when [s] it was shown, accepted and gone, what was under the tip."""

    slot: str
    shown_s: float
    accepted_s: float
    gone_s: float
    target_um: float


@dataclass
class Conducted:
    """What a client saw of a run."""

    steps: list[Step] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    compared_s: float = 0.0


def conduct(client: Client, stream: Stream, readings: int, seconds: float) -> Conducted:
    """Conduct the run; about so long."""
    seen = Conducted()
    draw = random.Random(20)  # noqa: S311  no secret
    began_s, target_um = time.monotonic(), 0.0
    while True:
        now = client.until(lambda now: now.pedal != "none" or now.state in ("stopped", *ENDS))
        if now.state in ENDS:
            return seen
        if now.state == "stopped":
            client.post("acknowledge", code=now.code)
        elif now.pedal == "hold":
            time.sleep(0.4)
            before_s = time.monotonic()
            if why := client.post("answer", text=""):
                seen.refused.append(why)
            client.until(lambda then: then.state in ENDS)
            seen.compared_s = time.monotonic() - before_s
        else:
            target_um = draw.choice([step for step in range(-40, 41, 5) if step != target_um]) if seen.steps else 0.0
            stream.move(target_um)
            # Every other time while it still moves, as an inspector in a hurry.
            due_s = began_s + (len(seen.steps) + 1) * seconds / (readings + 2)
            time.sleep(0.4 if len(seen.steps) % 2 else max(1.5, due_s - time.monotonic()))
            accepted_s = time.monotonic()
            if why := client.post(now.what, **({"text": ""} if now.what == "answer" else {})):
                seen.refused.append(why)
                continue
            then = client.after(now.key)
            seen.steps.append(Step(now.key.partition(" ")[2], now.at_s, accepted_s, then.at_s, target_um))
            time.sleep(max(0.0, due_s - time.monotonic()))


def begun(client: Client, stream: Stream) -> None:
    """Begin the run; the instrument sends as soon as it is listened to."""
    client.until(lambda now: now.state == "choosing")
    client.post("start", routine="long.toml", member=None, operator="B", serials=["1"])
    client.until(lambda now: now.pedal == "accept")
    stream.start()
    time.sleep(0.5)


def rss_mb(process: int) -> float:
    status = Path(f"/proc/{process}/status").read_text("utf-8")
    return int(one(r"VmRSS:\s+(\d+)", status)) / 1024


def cpu_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def watched(process: int, ended: threading.Event) -> None:
    began_s, before_s = time.monotonic(), cpu_s(process)
    while not ended.wait(TOLD_S):
        minutes, now_s = round((time.monotonic() - began_s) / 60.0), cpu_s(process)
        share, before_s = (now_s - before_s) / TOLD_S, now_s
        load = f"{share:.0%} of a core, load {os.getloadavg()[0]:.1f}"
        line(f"memory after {minutes} min", f"{rss_mb(process):8.1f} MB", load)


def told(steps: Sequence[Step], taken: Sequence[e.ReadingTaken], stream: Stream) -> None:
    """What is wrong with the readings on record: nothing may be."""
    wrong = dict.fromkeys(("never sent", "sent when its step was not shown", "of another step", "doubled"), 0)
    used = set()
    for step, reading in itertools.zip_longest(steps, taken):
        sent = stream.sent.get(reading.line) if reading is not None else None
        if step is None or reading is None or sent is None:
            wrong["never sent"] += 1
            continue
        near = abs(reading.value_um - step.target_um) <= NEAR_UM and sent.target_um == step.target_um
        wrong["sent when its step was not shown"] += not step.shown_s <= sent.counter_s <= step.gone_s
        wrong["of another step"] += step.slot != reading.slot or not near
        wrong["doubled"] += reading.line in used
        used.add(reading.line)
    line("readings on record", f"{len(taken):8}", f"of {len(steps)} that were accepted")
    for what, count in wrong.items():
        line(f"  {what}", f"{count:8}", "goal 0")


def spans(name: str, values: Sequence[float], goals: tuple[str, str] = ("", "")) -> None:
    """Median and 99th percentile [s]."""
    if not values:
        line(name, "    none")
        return
    middle, most = statistics.median(values), sorted(values)[math.ceil(0.99 * len(values)) - 1]
    line(f"{name}, median", f"{middle * 1e3:8.1f} ms", f"{goals[0]:<10} of {len(values)}".strip())
    line(f"{name}, 99 %", f"{most * 1e3:8.1f} ms", goals[1])


def line(name: str, value: str, more: str = "") -> None:
    print(f"{name:<45}{value:<12}  {more}".rstrip(), flush=True)


def sent_at(text: str, stream: Stream) -> Sent | None:
    """The line behind a value as a page shows it."""
    number = text.replace("\N{MINUS SIGN}", "-")
    return stream.sent.get(f"{float(number):+012.7f}") if number else None


def counted(rate: float, seconds: float) -> None:
    """Lines that were sent against lines that the reader hands on."""
    stream = Stream(rate)
    reader = SerialLine(stream.port, read_profile(PROFILE, "line.toml"), time.monotonic)
    time.sleep(1.0)  # what comes as the listening begins is thrown away
    stream.start()
    heard: list[str] = []
    began_s = time.monotonic()
    while time.monotonic() - began_s < seconds:
        time.sleep(0.04)
        heard += [said.line for said in reader.lines()]
    stream.stop()
    time.sleep(0.2)
    heard += [said.line for said in reader.lines()]
    reader.close()
    stream.close()
    lost = f"{sum(one != other for one, other in itertools.zip_longest(stream.sent, heard)):8}"
    line(f"lines lost or out of turn, {len(stream.sent) / seconds:.0f} /s", lost, f"goal 0     of {len(stream.sent)}")


def long_run(seconds: float, rate: float) -> None:
    """A long run with a stream: what is on record, what it costs."""
    readings = max(LEAST, round(seconds / EACH_S))
    stream = Stream(rate)
    with tempfile.TemporaryDirectory() as name, served(Path(name), stream, readings) as (tool, port):
        client = Client(port)
        line("memory at the start", f"{rss_mb(tool.pid):8.1f} MB")
        began_s, ended = time.monotonic(), threading.Event()
        threading.Thread(target=watched, args=(tool.pid, ended), daemon=True).start()
        begun(client, stream)
        seen = conduct(client, stream, readings, seconds)
        ended.set()
        span_s = time.monotonic() - began_s
        line(f"memory after {span_s:.0f} s", f"{rss_mb(tool.pid):8.1f} MB", "goal 120")
        line("share of a core", f"{cpu_s(tool.pid) / span_s:8.1%}")
        lost = client.lost
        stream.close()
        (journal,) = Path(name).glob("*.journal.jsonl")
        events = read_journal(journal).events
    line("lines sent", f"{len(stream.sent):8}", f"{stream.unheard} without room")
    unused = sum(isinstance(event, e.LineUnused | e.LineLost) for event in events)
    line("lines lost or not understood", f"{unused:8}", "goal 0")
    told(seen.steps, [event for event in events if isinstance(event, e.ReadingTaken)], stream)
    line("presses refused", f"{len(seen.refused):8}", "; ".join(sorted(set(seen.refused))))
    line("streams of events that ended early", f"{lost:8}", "goal 0")
    found = [(sent_at(text, stream), came_s) for text, came_s in client.live if text]
    line("live values to a page", f"{len(found) / span_s:8.1f} /s", f"{client.weight / span_s / 1e3:.0f} kB/s")
    line("  of no line that was sent", f"{sum(sent is None for sent, _ in found):8}", "goal 0")
    # Of those that were accepted at rest: how long a press takes at first, and once much is on record.
    took_s = [step.gone_s - step.accepted_s for step in seen.steps[::2]]
    some = max(3, len(took_s) // 10)
    for words, part in (("first", took_s[:some]), ("last", took_s[-some:])):
        line(f"press to the next step, the {words} {some}", f"{statistics.median(part) * 1e3:8.1f} ms")
    line("largest sheet that was sent", f"{client.largest / 1e3:8.1f} kB")
    line("compared, saved and shown in", f"{seen.compared_s:8.2f} s")


WATCH = """() => {
  const frame = new MessageChannel();
  const now = () => performance.timeOrigin + performance.now();
  window.changed = [];
  window.drawn = [];
  // What a frame shows is drawn when the next task runs.
  frame.port1.onmessage = (event) => window.drawn.push([event.data, now()]);
  new MutationObserver(() => {
    const text = document.getElementById("live-text").textContent;
    window.changed.push([text, now()]);
    requestAnimationFrame(() => frame.port2.postMessage(text));
  }).observe(document.getElementById("sheet"), { subtree: true, childList: true, characterData: true });
}"""


def lateness(seconds: float) -> None:
    """From a line to its value on a page: to a client without a browser, then in a browser."""
    stream = Stream(SLOW)
    with tempfile.TemporaryDirectory() as name, served(Path(name), stream, LEAST) as (_, port):
        weight(port)
        client = Client(port)
        begun(client, stream)
        time.sleep(seconds / 3.0)
        alone, client.live = client.live, []
        late("line to a client, no browser", alone, stream)
        with browser() as page:
            if page is not None:
                url = f"http://127.0.0.1:{port}/"
                cookie, _, value = LET_IN[port].partition("=")
                page.context.add_cookies([{"name": cookie, "value": value, "url": url}])
                page.goto(url)
                page.wait_for_timeout(2000)
                page.evaluate(WATCH)
                client.live = []
                page.wait_for_timeout(seconds / 1.5 * 1e3)
                late("line to a client, beside a browser", client.live, stream)
                for words, kept in (("line to the text of the page", "changed"), ("line to the frame", "drawn")):
                    seen = [(text, at_ms / 1e3) for text, at_ms in page.evaluate(f"window.{kept}")]
                    late(words, seen, stream, ("goal 50", "goal 120"))
        client.post("abandon", reason="all was seen")
        client.until(lambda now: now.state in ENDS)
        stream.close()


def late(words: str, seen: Sequence[tuple[str, float]], stream: Stream, goals: tuple[str, str] = ("", "")) -> None:
    """How late values came; of one that came several times the first counts."""
    first: dict[str, float] = {}
    for text, at_s in seen:
        first.setdefault(text, at_s)
    found = [(sent_at(text, stream), at_s) for text, at_s in first.items()]
    spans(words, [at_s - sent.clock_s for sent, at_s in found if sent], goals)


def weight(port: int) -> None:
    """What a browser loads first: the page, what it names, and the first state by the stream."""
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    loaded = {}

    def load(path: str) -> str:
        asked.request("GET", path, headers={"Cookie": LET_IN[port]})
        body = asked.getresponse().read()
        loaded[path] = len(body)
        return body.decode()

    whole = load("/")
    for path in re.findall(r'(?:src|href)="(/[^"#]+)"', whole):
        load(path)
    asked.close()
    line("bytes of a first load", f"{sum(loaded.values()) / 1e3:8.1f} kB", "goal 150")
    for path, count in loaded.items():
        line(f"  {path}", f"{count / 1e3:8.1f} kB")


@contextlib.contextmanager
def browser() -> Iterator[Any]:
    """A page in a real browser without a window; None where there is none."""
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        path = None
    if path is None:
        print("(no browser, or no playwright: nothing is measured in a browser)")
        yield None
        return
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
    quiet += ["--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--mute-audio"]
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=quiet)
        yield started.new_page()
        started.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0, help="how long each of both takes, about")
    parser.add_argument("--rate", type=float, default=100.0, help="lines a second in the long run")
    said = parser.parse_args()
    lateness(min(said.seconds, MOST_S))
    line("load of the machine", f"{os.getloadavg()[0]:8.1f}", f"{os.cpu_count()} cores")
    for rate in (said.rate, FAST):
        counted(rate, COUNTED_S)
    long_run(said.seconds, said.rate)
    line("load of the machine", f"{os.getloadavg()[0]:8.1f}")


if __name__ == "__main__":
    main()
