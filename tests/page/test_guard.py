from __future__ import annotations

import time
from pathlib import Path

import pytest

from holdzero.cli.visitors import Visitors
from holdzero.page.guard import HEADER, POLICY, Guard, Keys, is_loopback
from holdzero.page.posts import Post, PostRefusedError, Resume, Start, TakePen, Typed, read_post
from holdzero.run.commands import Strike

PAGE = "a-page-of-the-bench"
HERE = Guard(port=8020)
OWN = {"host": "127.0.0.1:8020"}
POSTED = {**OWN, HEADER[0]: HEADER[1], "content-type": "application/json", "origin": "http://127.0.0.1:8020"}


def status(method: str, path: str, headers: dict[str, str], guard: Guard = HERE) -> int:
    barred = guard.barred(method, path, headers)
    return 200 if barred is None else barred.status


class TestTheHost:
    @pytest.mark.parametrize(
        "host", ["127.0.0.1:8020", "localhost:8020", "LOCALHOST:8020", "[::1]:8020", "127.0.0.9:8020"]
    )
    def test_of_this_machine_is_served(self, host: str) -> None:
        assert status("GET", "/", {"host": host}) == 200

    @pytest.mark.parametrize(
        "host",
        [
            "",
            "127.0.0.1",
            "127.0.0.1:80",
            "127.0.0.1:80200",
            "127.0.0.1:x",
            "127.0.0.1:-8020",
            "rebound.example:8020",
            "localhost.rebound.example:8020",
            "localhost:8020.rebound.example",
            "127.0.0.1.rebound.example:8020",
            "192.0.2.7:8020",
            "[::1]8020",
            "[::1",
            "localhost:8020@rebound.example",
        ],
    )
    def test_that_is_another_is_not(self, host: str) -> None:
        assert status("GET", "/", {"host": host}) == 421

    def test_over_the_network_is_an_address_or_the_machines_own_name(self) -> None:
        guard = Guard(port=8020, names=frozenset({"localhost", "gauge-room"}), keys=Keys(), network=True)
        assert [
            status("GET", "/", {"host": f"{host}:8020"}, guard) for host in ("192.0.2.7", "gauge-room", "[fe80::1]")
        ] == [
            401,
            401,
            401,
        ]
        assert status("GET", "/", {"host": "rebound.example:8020"}, guard) == 421

    def test_without_a_port_is_port_80(self) -> None:
        assert status("GET", "/", {"host": "localhost"}, Guard(port=80)) == 200


class TestAPost:
    def test_of_a_page_of_this_server_is_served(self) -> None:
        assert status("POST", "/do", POSTED) == 200
        assert status("POST", "/do", {**POSTED, "sec-fetch-site": "same-origin"}) == 200

    @pytest.mark.parametrize(
        ("change", "expected"),
        [
            ({"origin": "http://rebound.example"}, 403),
            ({"origin": "null"}, 403),
            ({"origin": "http://127.0.0.1:8021"}, 403),
            ({"origin": "https://127.0.0.1:8020"}, 403),
            ({"sec-fetch-site": "cross-site"}, 403),
            ({"sec-fetch-site": "same-site"}, 403),
            ({HEADER[0]: ""}, 403),
            ({"content-type": "text/plain"}, 415),
            ({"content-type": "application/x-www-form-urlencoded"}, 415),
            ({"content-type": ""}, 415),
            ({"host": "rebound.example:8020"}, 421),
        ],
    )
    def test_of_anybody_else_is_not(self, change: dict[str, str], expected: int) -> None:
        assert status("POST", "/do", {**POSTED, **change}) == expected

    def test_may_name_how_its_letters_are_written(self) -> None:
        assert status("POST", "/do", {**POSTED, "content-type": "application/json; charset=utf-8"}) == 200

    @pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
    def test_by_another_method_is_none(self, method: str) -> None:
        assert status(method, "/do", POSTED) == 405


class TestAnotherSite:
    def test_may_link_to_the_page_and_no_more(self) -> None:
        linked = {**OWN, "sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
        assert status("GET", "/", linked) == 200
        assert status("GET", "/record/a.html", linked) == 403
        assert status("GET", "/stream", {**linked, "sec-fetch-mode": "cors"}) == 403
        assert status("GET", "/", {**linked, "sec-fetch-mode": "no-cors"}) == 403

    def test_can_neither_frame_it_nor_be_loaded_into_it(self) -> None:
        assert "frame-ancestors 'none'" in POLICY
        assert "default-src 'none'" in POLICY
        assert "unsafe" not in POLICY


class TestALink:
    def test_works_once(self) -> None:
        said: list[str] = []
        keys = Keys(said.append)
        link = keys.link
        cookie = keys.exchange(link)
        assert cookie is not None
        assert keys.exchange(link) is None
        assert said == [keys.link]
        assert keys.link != link
        guard = Guard(port=8020, keys=keys)
        assert status("GET", "/", {**OWN, "cookie": f"{guard.cookie}={cookie}"}, guard) == 200
        assert status("POST", "/do", {**POSTED, "cookie": f"{guard.cookie}={cookie}"}, guard) == 200

    @pytest.mark.parametrize("cookie", ["", "holdzero-8020=", "holdzero-8020=x", "holdzero-8021={}", 'a="b', "ä=1"])
    def test_is_needed_for_everything(self, cookie: str) -> None:
        keys = Keys()
        guard = Guard(port=8020, keys=keys)
        given = cookie.format(keys.exchange(keys.link))
        for method, path in (("GET", "/"), ("GET", "/stream"), ("GET", "/static/bench.css"), ("GET", "/record/a.html")):
            assert status(method, path, {**OWN, "cookie": given}, guard) == 401
        assert status("POST", "/do", {**POSTED, "cookie": given}, guard) == 401

    def test_that_is_wrong_uses_none_up(self) -> None:
        keys = Keys()
        link = keys.link
        assert [keys.exchange(key) for key in ("", "x", link[:-1], link + "x", "ä")] == [None] * 5
        assert keys.exchange(link) is not None


@pytest.mark.parametrize(
    ("address", "own"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),  # noqa: S104  compared, not bound
        ("::", False),
        ("192.0.2.7", False),
        ("gauge-room", False),
        ("localhost.rebound.example", False),
    ],
)
def test_only_this_machine_reaches_a_loopback_address(address: str, own: bool) -> None:
    assert is_loopback(address) is own


class TestAPostAsData:
    def test_is_read_whole(self) -> None:
        said = {"pen": PAGE, "seq": 7}
        assert read_post({**said, "what": "answer", "text": "+1.5 um"}) == Post(PAGE, 7, Typed("+1.5 um"))
        assert read_post({**said, "what": "strike", "target": 3, "reason": " dirt "}) == Post(
            PAGE, 7, Strike(3, "dirt")
        )
        assert read_post({**said, "what": "resume", "journal": "j"}) == Post(PAGE, 7, Resume("j"))
        start = {"what": "start", "routine": "a.toml", "member": "", "operator": " T. Ester ", "serials": ["1", " "]}
        assert read_post({**said, **start}) == Post(PAGE, 7, Start("a.toml", None, "T. Ester", ("1",)))
        assert read_post({"pen": PAGE, "what": "pen"}) == Post(PAGE, -1, TakePen())

    @pytest.mark.parametrize(
        "data",
        [
            None,
            [],
            "answer",
            {},
            {"pen": "short", "seq": 1, "what": "accept"},
            {"pen": "ä" * 20, "seq": 1, "what": "accept"},
            {"pen": PAGE, "seq": "1", "what": "accept"},
            {"pen": PAGE, "seq": True, "what": "accept"},
            {"pen": PAGE, "seq": 1.0, "what": "accept"},
            {"pen": PAGE, "seq": 2**70, "what": "accept"},
            {"pen": PAGE, "what": "accept"},
            {"pen": PAGE, "seq": 1, "what": "format"},
            {"pen": PAGE, "seq": 1, "what": ["accept"]},
            {"pen": PAGE, "seq": 1, "what": "answer"},
            {"pen": PAGE, "seq": 1, "what": "answer", "text": 1.5},
            {"pen": PAGE, "seq": 1, "what": "answer", "text": "x" * 2_001},
            {"pen": PAGE, "seq": 1, "what": "answer", "text": "\ud800"},
            {"pen": PAGE, "seq": 1, "what": "note", "text": "\x1b[2J"},
            {"pen": PAGE, "seq": 1, "what": "note", "text": "a\x00b"},
            {"pen": PAGE, "seq": 1, "what": "strike", "target": "3", "reason": "dirt"},
            {"pen": PAGE, "seq": 1, "what": "start", "routine": "a", "serials": "1"},
            {"pen": PAGE, "seq": 1, "what": "start", "routine": "a", "serials": [1]},
            {"pen": PAGE, "seq": 1, "what": "start", "routine": "a", "serials": ["1"] * 501},
        ],
    )
    def test_that_is_none_says_why(self, data: object) -> None:
        with pytest.raises(PostRefusedError, match=r"\w"):
            read_post(data)


class TestWhoWasLetIn:
    """See `holdzero.cli.visitors`."""

    @pytest.fixture(autouse=True)
    def _state(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))

    def test_is_known_at_the_next_start_and_on_no_other_port(self) -> None:
        first = Keys(on_given=Visitors(8020).keep)
        cookies = [first.exchange(first.link) for _ in range(3)]
        again = Keys(known=Visitors(8020).read())
        assert [again.knows(cookie or "") for cookie in cookies] == [True] * 3
        assert Visitors(8021).read() == ()
        assert not Keys(known=Visitors(8020).read()).knows(Visitors(8020).read()[0]), "what is kept lets nobody in"

    def test_is_forgotten_after_thirty_days(self, monkeypatch: pytest.MonkeyPatch) -> None:
        now_s = time.time()
        assert Visitors(8020).keep(["old"])
        monkeypatch.setattr("holdzero.cli.visitors.time.time", lambda: now_s + 29 * 86_400)
        assert Visitors(8020).keep(["old", "new"])
        monkeypatch.setattr("holdzero.cli.visitors.time.time", lambda: now_s + 31 * 86_400)
        assert Visitors(8020).read() == ("new",)

    @pytest.mark.parametrize("text", ["", "{", "[]", '{"given": 3}', '{"given": {"a": "x"}}', "\udcff"])
    def test_is_nobody_where_the_file_is_damaged(self, text: str, tmp_path: Path) -> None:
        assert Visitors(8020).keep(["a"])
        (tmp_path / "holdzero" / "bench-8020.json").write_bytes(text.encode("utf-8", "surrogateescape"))
        assert Visitors(8020).read() == ()
        assert Visitors(8020).keep(["b"])
        assert Visitors(8020).read() == ("b",)

    def test_is_not_kept_for_a_user_without_a_home(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def nowhere() -> Path:
            raise RuntimeError("no home")

        monkeypatch.delenv("XDG_STATE_HOME")
        monkeypatch.setattr(Path, "home", nowhere)
        monkeypatch.setattr(Path, "mkdir", lambda *_, **__: (_ for _ in ()).throw(OSError("no")))
        assert Visitors(8020).read() == ()
        assert not Visitors(8020).keep(["a"])
