from __future__ import annotations

import http.client
import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from holdzero.cli import serving as serving_module
from holdzero.cli.conduct import Options, run_routine
from holdzero.cli.serving import bound, serving
from holdzero.errors import HoldzeroError
from holdzero.page import app, stream
from holdzero.page.app import bench_app
from holdzero.page.desk import Desk
from holdzero.page.guard import Guard, Keys
from holdzero.page.pen import Pen
from holdzero.testing import GOOD, PLAIN
from tests.support.patience import PATIENCE_S


class Served:
    """A run at a real server on this machine."""

    def __init__(self, folder: Path, port: int, keys: Keys | None) -> None:
        self.folder, self.port, self.keys = folder, port, keys
        self.pen = Pen()
        # The desk's counter stands still but for a test that moves it: a slow machine makes no press late.
        self.counted_s = 0.0
        self.desk = Desk(self.pen, lambda: self.counted_s)
        self.faults: list[Exception] = []
        guard = Guard(port=port, keys=keys)
        self.app, self.hub = bench_app(self.desk, self.pen, guard, folder / "out", self.faults.append)
        self.codes: list[int] = []
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        path = self.folder / "routine.toml"
        path.write_text(PLAIN, "utf-8")
        options = Options(
            source="keyboard",
            out=self.folder / "out",
            json=False,
            shop=self.folder / "shop.toml",
            overrule=None,
            choices={},
            face=lambda source, _: (self.desk.sits_at(source), self.desk),
        )
        self.codes.append(run_routine(path, options, operator="T. Ester", serials=("1",), member=None))

    def begins(self) -> Served:
        self.thread.start()
        soon(lambda: self.desk.snapshot.prompt is not None)
        return self


def soon(true: Callable[[], bool]) -> None:
    ends = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.005)


def serve(folder: Path, keys: Keys | None = None) -> Iterator[Served]:
    with bound("127.0.0.1", 0) as place:
        served = Served(folder, place.getsockname()[1], keys)
        with serving(served.app, place, served.desk.close):
            yield served
            served.hub.close()
    if served.thread.is_alive():
        served.thread.join(PATIENCE_S)
    assert served.faults == []


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    yield from serve(tmp_path)


@pytest.fixture(scope="module")
def idle(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Without a run."""
    yield from serve(tmp_path_factory.mktemp("idle"))


@pytest.fixture
def abroad(tmp_path: Path) -> Iterator[Served]:
    yield from serve(tmp_path, Keys())


class TestARun:
    def test_is_answered_from_the_page(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        assert page.writes
        assert "Zero on the reference" in page.shown
        page.types(*GOOD)
        assert page.posts("answer", text="").why == "the step was only just shown"
        served.counted_s += 0.35
        assert page.posts("answer", text="").status == 200
        served.thread.join(PATIENCE_S)
        assert served.codes == [0]

    def test_goes_on_where_the_page_was_when_it_is_loaded_again(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        page.types(*GOOD[:2])
        page.leaves()
        again = visit(served.port).listens()
        soon(lambda: again.posts("pen").status == 200)
        again.types(*GOOD[2:])
        assert "Compare" in again.shown

    def test_is_watched_by_all_and_written_by_one(self, served: Served, visit: Any) -> None:
        page, other = visit(served.begins().port).listens(), visit(served.port).listens()
        assert (page.writes, other.writes) == (True, False)
        assert other.posts("answer", text="0").status == 409
        page.types("0")
        other.until(lambda: other.seq == page.seq)
        assert other.posts("pen").status == 200
        other.until(lambda: other.writes)
        page.until(lambda: not page.writes)
        assert page.posts("answer", text="0").status == 409
        other.types("0.1")

    def test_takes_one_of_two_posts_that_race(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        seq = page.seq
        with ThreadPoolExecutor(8) as pages:
            replies = list(pages.map(lambda number: page.posts("answer", seq, text=f"0.{number}"), range(8)))
        assert sorted(reply.status for reply in replies) == [200, *[409] * 7]
        page.until(lambda: page.seq != seq)
        assert served.desk.snapshot.run is not None
        assert len(served.desk.snapshot.run.state.readings) == 1

    def test_what_can_not_be_taken_says_why(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        reply = page.posts("answer", text="<script>")
        assert reply.status == 422
        page.until(lambda: "&lt;script&gt;" in page.shown)
        assert "<script>" not in page.shown


class TestListening:
    def test_begins_with_all_that_there_is(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        assert page.told["pen"] == {"mine": True}
        assert page.told["sheet"]["seq"] == served.desk.snapshot.seq

    @pytest.mark.long
    def test_a_hundred_do_not_hold_the_run_up(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        lines = [stream_of(served.port) for _ in range(100)]
        soon(lambda: len(served.hub.listeners) == 101)
        begun_s = time.process_time()  # what it costs: other programs, and stalls, are none of it
        page.types(*GOOD)
        assert time.process_time() - begun_s < 5.0
        for line in lines:
            line.close()
        soon(lambda: len(served.hub.listeners) == 1)

    def test_one_that_does_not_read_gets_the_newest_and_holds_nobody_up(self, served: Served) -> None:
        lazy = stream_of(served.port)
        soon(lambda: len(served.hub.listeners) == 1)
        (listener,) = served.hub.listeners
        long = "x" * 200_000
        for number in range(100):
            served.desk.snapshot = replace(
                served.desk.snapshot, seq=number, stage=served.desk.snapshot.stage, ended=long
            )
            served.desk.on_change()
            time.sleep(0.002)
        # What waits for it is one sheet and not a hundred.
        assert listener.waits < 2 * len(long)
        heard = b""
        lazy.settimeout(PATIENCE_S)
        while b'"seq": 99,' not in heard:
            heard = heard[-50:] + lazy.recv(1 << 20)
        lazy.close()
        soon(lambda: not served.hub.listeners)

    def test_ends_with_the_bench_and_not_a_beat_later(
        self, served: Served, visit: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(stream, "BEAT_S", 3600.0)
        visit(served.begins().port).listens().types(GOOD[0])
        assert len(served.hub.listeners) == 1
        served.hub.close()
        soon(lambda: not served.hub.listeners)

    def test_too_many_are_told_so(self, idle: Served, visit: Any, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(app, "MOST_LISTENERS", 0)
        assert visit(idle.port).asks("/stream").status == 503


def stream_of(port: int) -> socket.socket:
    """A line that listens and does not read."""
    line = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
    line.sendall(f"GET /stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
    return line


class TestWhatIsNotServed:
    @pytest.mark.parametrize(
        "path",
        [
            "/record/x.html",
            "/record/..%2Froutine.html",
            "/record/%2Fetc%2Fpasswd",
            "/static/app.py",
            "/static/..%2Fapp.py",
            "/record/.html",
            "/nothing",
            "/do",
        ],
    )
    def test_what_is_not_there(self, idle: Served, visit: Any, path: str) -> None:
        reply = visit(idle.port).asks(path)
        assert reply.status in (404, 405)
        assert "Traceback" not in reply.text

    def test_a_report_that_has_no_record(self, idle: Served, visit: Any) -> None:
        out = idle.folder / "out"
        out.mkdir()
        (out / "a.html").write_text("<p>a report</p>", "utf-8")
        page = visit(idle.port)
        assert page.asks("/record/a.html").status == 404
        (out / "a.record.json").write_text("{}", "utf-8")
        reply = page.asks("/record/a.html")
        assert (reply.status, reply.text) == (200, "<p>a report</p>")
        assert "sandbox" in reply.headers["content-security-policy"]

    @pytest.mark.parametrize(
        ("body", "status"),
        [(b"{", 400), (b"[" * 60_000, 400), (b"\xff", 400), (b"null", 400), (b'"' + b"x" * 70_000 + b'"', 413)],
        ids=["no JSON", "a deep nest", "no text", "no object", "too large"],
    )
    def test_a_post_that_is_none(self, idle: Served, visit: Any, body: bytes, status: int) -> None:
        reply = visit(idle.port).asks("/do", "POST", body, X_Holdzero="bench", Content_Type="application/json")
        assert reply.status == status
        assert reply.why

    def test_a_post_from_another_site(self, served: Served, visit: Any) -> None:
        page = visit(served.begins().port).listens()
        body = json.dumps({"pen": page.name, "seq": page.seq, "what": "answer", "text": "0"}).encode()
        own = {"X_Holdzero": "bench", "Content_Type": "application/json"}
        assert page.asks("/do", "POST", body, **own, Origin="http://rebound.example").status == 403
        assert page.asks("/do", "POST", body, **own, Sec_Fetch_Site="cross-site").status == 403
        assert page.asks("/do", "POST", body, Content_Type="text/plain").status == 403
        assert page.asks("/do", "POST", body, **own, Host="rebound.example").status == 421
        assert served.desk.snapshot.seq == page.seq
        assert page.posts("answer", text="0").status == 200

    def test_every_answer_says_what_a_browser_may_do_with_it(self, idle: Served, visit: Any) -> None:
        page = visit(idle.port)
        for path in ("/", "/static/bench.css", "/nothing", "/do"):
            headers = page.asks(path).headers
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["referrer-policy"] == "no-referrer"
            assert headers["content-security-policy"].startswith("default-src 'none'")
            assert "set-cookie" not in headers
            assert "server" not in headers

    def test_a_fault_of_ours_is_a_few_plain_words(
        self, tmp_path: Path, visit: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def broken(_: object) -> None:
            raise RuntimeError("secret of the house")

        with bound("127.0.0.1", 0) as place:
            served = Served(tmp_path, place.getsockname()[1], None)
            monkeypatch.setattr(app, "sheet_of", broken)
            monkeypatch.setattr(app, "report_of", broken)
            with serving(served.app, place, served.desk.close):
                page = visit(served.port)
                assert "secret" not in page.asks("/").text
                reply = page.asks("/record/a.html")
                assert (reply.status, reply.why) == (500, "a fault of the tool itself")
                soon(lambda: len(served.faults) == 3)


class TestOverTheNetwork:
    def test_a_link_lets_one_browser_in_once(self, abroad: Served, visit: Any) -> None:
        assert abroad.keys is not None
        link = abroad.keys.link
        stranger = visit(abroad.port)
        assert stranger.asks("/").status == 401
        assert stranger.asks("/?key=wrong").status == 401
        assert stranger.asks(f"/?key={link}", Sec_Purpose="prefetch").status == 401
        let_in = stranger.asks(f"/?key={link}")
        assert let_in.status == 200
        cookie = let_in.headers["set-cookie"]
        assert "httponly" in cookie.lower()
        assert "samesite=strict" in cookie.lower()
        assert stranger.asks(f"/?key={link}").status == 401
        page = visit(abroad.begins().port, cookie.partition(";")[0]).listens()
        page.types("0")
        assert stranger.asks("/stream").status == 401
        body = json.dumps({"pen": page.name, "seq": page.seq, "what": "answer", "text": "0"}).encode()
        assert stranger.asks("/do", "POST", body, X_Holdzero="bench", Content_Type="application/json").status == 401


class TestAPort:
    def test_that_is_taken_is_told_so(self) -> None:
        with bound("127.0.0.1", 0) as place:
            port = place.getsockname()[1]
            with pytest.raises(HoldzeroError, match=f"--port {port} at 127.0.0.1: .* in use"):
                bound("127.0.0.1", port)

    def test_is_the_next_free_one_where_none_is_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        # Ports of this process alone: one that another lets go between the two would be found first.
        monkeypatch.setattr(serving_module, "FIRST", 10_000 + 20 * (os.getpid() % 400))
        with bound("127.0.0.1", None) as one, bound("127.0.0.1", None) as other:
            assert one.getsockname()[1] < other.getsockname()[1]

    def test_at_an_address_that_is_none_is_told_so(self) -> None:
        with pytest.raises(HoldzeroError, match="no such address"):
            bound("not.a.host.invalid", 0)


def test_a_head_of_the_stream_ends(idle: Served) -> None:
    line = http.client.HTTPConnection("127.0.0.1", idle.port, timeout=PATIENCE_S)
    line.request("HEAD", "/stream")
    assert line.getresponse().status == 200
    line.close()
