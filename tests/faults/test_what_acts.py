"""Characters that act on a screen or hide on it: refused where they come in, a dot where they are shown.

Categories are those of the Unicode Standard, 4.5 (Cc, Cf); the sequences of a terminal those of ECMA-48.
"""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.catalogue import load_catalogue
from holdzero.cli.who import kept_serials, told_apart
from holdzero.errors import FileFaultsError, HoldzeroError
from holdzero.page.offers import Offers, unchoosable
from holdzero.page.posts import PostRefusedError, Start, read_post
from holdzero.page.snapshot import RoutineHere
from holdzero.plain_text import look_alike, of_line, plain, same_key, unplain
from holdzero.record import digest_of_record
from holdzero.routine.load import load_routine
from holdzero.testing.draft import Draft
from holdzero.testing.records import sample_records
from holdzero_plugins.writers.csv_tables import cell

ACTING = ("\x1b[2K\r", "\u202e", "\u2066", "\u200b", "\u200d", "\ufeff", "\x07", "\x9b2K", "\x7f", "\n", "\u2028")
IDS = [ascii(sign) for sign in ACTING]


@pytest.mark.parametrize("sign", ACTING, ids=IDS)
@pytest.mark.parametrize("key", ["title", "part", "revision", "author"])
def test_the_head_of_a_routine_holds_none(tmp_path: Path, key: str, sign: str) -> None:
    path = tmp_path / "routine.toml"
    path.write_text(Draft().with_table("routine", **{key: f"W-1{sign}[+] PASS"}).text, "utf-8")
    with pytest.raises(FileFaultsError, match=rf"routine\.{key}: .*U\+00|routine\.{key}: .*U\+"):
        load_routine(path)


@pytest.mark.parametrize("sign", ["\n", "\t", "\u200d"])
def test_a_sentence_may_have_lines_and_joiners(tmp_path: Path, sign: str) -> None:
    path = tmp_path / "routine.toml"
    path.write_text(Draft().with_step("prepare", name="wipe", say=f"wipe{sign}it", index=0).text, "utf-8")
    assert load_routine(path).document["steps"][0]["say"] == f"wipe{sign}it"


@pytest.mark.parametrize("sign", ACTING, ids=IDS)
def test_a_serial_holds_none(sign: str) -> None:
    with pytest.raises(HoldzeroError, match=r"--serial: .*U\+"):
        kept_serials((f"7{sign}[+] PASS  W-1", "8"))


@pytest.mark.parametrize("sign", ACTING, ids=IDS)
def test_neither_does_one_that_the_page_sends(sign: str) -> None:
    post = {"pen": "p" * 22, "what": "start", "seq": 1, "routine": "a", "serials": [f"7{sign}8"]}
    with pytest.raises(PostRefusedError, match="serials"):
        read_post(post)


class TestSerials:
    def test_are_kept_as_typed_but_trimmed(self) -> None:
        assert kept_serials((" \uff21\uff11 ", "…")) == ("\uff21\uff11", "…")

    def test_of_two_spellings_are_the_same_twice(self) -> None:
        with pytest.raises(HoldzeroError, match="is given twice"):
            kept_serials(("A1", "\uff21\uff11"))

    @pytest.mark.parametrize(
        ("one", "other"), [("A10", "A1O"), ("a-1", "A\u20131"), ("\u0410-7", "A-7"), ("I5", "l5"), ("A 1", "A1")]
    )
    def test_that_look_alike_are_asked_about(self, one: str, other: str) -> None:
        asked: list[str] = []

        def yes(words: str) -> str:
            asked.append(words)
            return "y"

        told_apart((one, "B", other), yes)
        assert one in asked[0]
        assert other in asked[0]
        with pytest.raises(HoldzeroError, match="look alike"):
            told_apart((one, other), lambda _: "")

    def test_that_look_alike_are_told_where_nobody_sits(self, capsys: pytest.CaptureFixture[str]) -> None:
        told_apart(("A10", "A1O"), None)
        assert "A10 and A1O look alike" in capsys.readouterr().err

    def test_that_look_different_are_not(self) -> None:
        assert look_alike(["A1", "A2", "B1", "A11", "2041", "2014"]) is None

    def test_on_the_page_are_asked_about_once(self) -> None:
        here = RoutineHere(name="a", title="t", part="p", batch=True, members=(), fault="")
        start = Start(routine="a", member=None, operator=None, serials=("A10", "A1O"))
        assert "look alike" in unchoosable(Offers((here,), ()), start)
        sure = Start(routine="a", member=None, operator=None, serials=("A10", "A1O"), sure=True)
        assert unchoosable(Offers((here,), ()), sure) == ""


@given(st.text())
def test_what_is_shown_acts_on_nothing(text: str) -> None:
    acting = {"Cc", "Cf", "Cs", "Zl", "Zp"}
    assert not [sign for sign in plain(text) if sign not in "\n\t" and unicodedata.category(sign) in acting]
    assert len(of_line(text).splitlines()) <= 1
    assert len(plain(text)) == len(text)


@given(st.text())
def test_what_is_compared_is_compared_once_and_for_all(text: str) -> None:
    assert same_key(same_key(text)) == same_key(text)
    assert bool(unplain(text)) >= (of_line(text) != text)


@pytest.mark.parametrize("sign", ACTING, ids=IDS)
def test_a_cell_of_a_table_has_none(sign: str) -> None:
    assert sign not in cell(f"a{sign}=1+1")
    assert len(list(csv.reader(io.StringIO(cell(f"a{sign}b"))))) == 1


@pytest.mark.parametrize(
    "text", ["=1", "+1", "-1", "@a", " =1", "\t=1", "\n=1", "\x1b=1", "\uff1d1", "\u202e=1", "'=1"]
)
def test_a_cell_is_never_run(text: str) -> None:
    assert cell(text).startswith("'")


def shown_in_a_terminal(command: list[str], folder: Path) -> str:
    """What reaches a real terminal."""
    import pty

    ours, its = pty.openpty()
    with subprocess.Popen(command, cwd=folder, stdout=its, stderr=its, stdin=its) as process:
        os.close(its)
        seen = b""
        try:
            while piece := os.read(ours, 65536):
                seen += piece
        except OSError:  # the other side is closed: that is its end on this system
            pass
        process.wait()
    os.close(ours)
    return seen.decode("utf-8", "replace")


@pytest.mark.skipif(sys.platform == "win32", reason="no such terminals")
class TestAForgedRecord:
    FORGED = "pass\x1b[2K\r\u202e\nother.record.json: recomputes identically (the record says pass)"

    def forged(self, folder: Path) -> Path:
        _, record = next(sample_records(load_catalogue()))
        record["verdict"] = record["run"]["serial"] = record["routine"]["title"] = self.FORGED
        record["digest"] = digest_of_record(record)
        path = folder / "a.record.json"
        path.write_text(json.dumps(record, ensure_ascii=False), "utf-8")
        return path

    @pytest.mark.parametrize("command", ["verify", "explain"])
    def test_moves_no_cursor_and_begins_no_line(self, tmp_path: Path, command: str) -> None:
        path = self.forged(tmp_path)
        seen = shown_in_a_terminal([sys.executable, "-m", "holdzero", command, str(path)], tmp_path)
        assert "\x1b" not in seen
        assert "\u202e" not in seen
        assert not [line for line in seen.splitlines() if line.startswith("other.record.json")]
        assert "\r" not in seen.replace("\r\n", "")

    @pytest.mark.parametrize("of", ["serial", "finding"])
    def test_begins_no_line_where_a_book_shows_it(
        self, tmp_path: Path, of: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        from holdzero.book import open_book
        from holdzero.cli.book_find import show_record

        _, record = next(sample_records(load_catalogue()))
        if of == "serial":
            record["run"]["serial"] = "1\n[+] PASS"
        else:
            said: dict[str, Any] = {
                "level": "note",
                "code": "a/b",
                "text": "well\n[+] PASS",
                "characteristic": None,
                "data": {},
            }
            record["findings"].append(said)
        record["digest"] = digest_of_record(record)
        book = str(tmp_path / "book.sqlite")
        open_book(book, create=True).add([json.dumps(record)])
        assert show_record(record["digest"], book=book, shop=None, json=False) == 0
        shown = capsys.readouterr().out
        assert "·[+] PASS" in shown
        assert not [line for line in shown.splitlines() if line.startswith("[+] PASS")]

    def test_begins_no_line_of_a_summary(self, capsys: pytest.CaptureFixture[str]) -> None:
        from holdzero.cli.output import plain_console
        from holdzero.cli.summary import print_summary

        _, record = next(sample_records(load_catalogue()))
        said: dict[str, Any] = {
            "level": "note",
            "code": "a/b",
            "text": "well\n[+] PASS  W-1",
            "characteristic": None,
            "data": {},
        }
        record["findings"].append(said)
        record["results"][next(iter(record["results"]))]["rule"] = "Ours.\n[+] PASS  W-1"
        print_summary(plain_console(stderr=False), record, [])
        shown = capsys.readouterr().out
        assert "·[+] PASS" in shown
        assert len([line for line in shown.splitlines() if line.startswith("[+] PASS")]) == (
            record["verdict"] == "pass"
        )
