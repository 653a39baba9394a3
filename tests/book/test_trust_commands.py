"""Keys, verifying, amending and reviewing as a person does them, from the command line."""

from __future__ import annotations

import json
import os
import re
import signal
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import Update, update
from typer.testing import CliRunner

from holdzero.book import Book, open_book
from holdzero.book.tables import records, results, reviews
from holdzero.book.walk import PAGE
from holdzero.catalogue import Catalogue
from holdzero.cli import app
from holdzero.cli.workers import executor_for, in_order
from holdzero.errors import HoldzeroError
from holdzero.record import loads
from holdzero.testing import GOOD, PLAIN
from holdzero.testing.many import WASHER, Many
from holdzero.verify import verify

HOLDS, BROKEN, INVALID, INTERRUPTED = 0, 1, 2, 4
Said = tuple[int, str]
Tool = Callable[..., Said]


@pytest.fixture
def tool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tool:
    """The tool in a folder of its own: exit code, and what it prints."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> Said:
        done = CliRunner().invoke(app, arguments)
        if isinstance(done.exception, HoldzeroError):
            return INVALID, str(done.exception)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.output

    return call


@pytest.fixture
def written(tmp_path: Path, catalogue: Catalogue) -> list[str]:
    """Three records in the folder `records`; their digests."""
    return write(tmp_path, Many(catalogue=catalogue), 3)


def write(folder: Path, many: Many, count: int) -> list[str]:
    (folder / "records").mkdir()
    digests = []
    for number, text in enumerate(many.texts(count)):
        (folder / "records" / f"{number:04d}.record.json").write_text(text, "utf-8")
        digests.append(str(loads(text, "")["digest"]))
    return digests


def opened() -> Book:
    return open_book("book.sqlite")


def change(statement: Update) -> None:
    with opened().engine.begin() as connection:
        connection.execute(statement)


class TestKey:
    def test_is_made_and_its_public_half_put_into_the_book(self, tool: Tool, tmp_path: Path) -> None:
        code, said = tool("book", "key", "--name", "bench 1")
        assert code == HOLDS
        assert "not locked" in said
        assert stat.S_IMODE((tmp_path / "key.pem").stat().st_mode) == 0o600
        code, listed = tool("book", "key", "--list")
        assert (code, "bench 1" in listed) == (HOLDS, True)
        assert "PRIVATE" not in listed

    def test_that_is_there_already_is_used_and_not_made_anew(self, tool: Tool, tmp_path: Path) -> None:
        tool("book", "key", "--name", "bench 1")
        before = (tmp_path / "key.pem").read_bytes()
        code, said = tool("book", "key", "--name", "bench 1", "--book", "other.sqlite")
        assert code == HOLDS
        assert "was there already" in said
        assert (tmp_path / "key.pem").read_bytes() == before

    def test_keeps_the_name_that_it_had(self, tool: Tool) -> None:
        tool("book", "key", "--name", "bench 1")
        _, said = tool("book", "key", "--name", "bench 2")
        assert "is there already, of bench 1" in said

    def test_is_locked_with_the_passphrase_of_the_environment(
        self, tool: Tool, written: list[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        del written
        monkeypatch.setenv("HOLDZERO_PASSPHRASE", "open sesame")
        _, said = tool("book", "key", "--name", "bench 1")
        assert "locked with a passphrase" in said
        assert tool("book", "add", "records", "--key", "key.pem")[0] == HOLDS
        monkeypatch.delenv("HOLDZERO_PASSPHRASE")
        code, said = tool("book", "add", "records", "--key", "key.pem")
        assert (code, "HOLDZERO_PASSPHRASE" in said) == (INVALID, True)


class TestSigning:
    def test_what_is_added_is_signed_with_the_key_that_is_named(self, tool: Tool, written: list[str]) -> None:
        tool("book", "key", "--name", "bench 1")
        code, said = tool("book", "add", "records", "--key", "key.pem")
        assert (code, "3 signed as bench 1" in said) == (HOLDS, True)
        code, said = tool("book", "verify", "--signed")
        assert (code, "signed: bench 1 3; not signed: 0" in said) == (HOLDS, True)
        assert len(written) == 3

    def test_the_key_of_the_settings_signs_by_itself(self, tool: Tool, written: list[str], tmp_path: Path) -> None:
        (tmp_path / "shop.toml").write_text('format = 1\n[book]\nurl = "book.sqlite"\nkey = "key.pem"\n', "utf-8")
        tool("book", "key", "--name", "bench 1")
        assert "3 signed as bench 1" in tool("book", "add", "records")[1]
        assert len(written) == 3

    def test_what_is_there_already_can_be_signed_later(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        assert tool("book", "verify", "--signed")[0] == BROKEN
        tool("book", "key", "--name", "bench 1")
        assert "0 put in, 3 there already, 0 refused, 3 signed" in tool("book", "add", "records", "--key", "key.pem")[1]
        assert tool("book", "verify", "--signed")[0] == HOLDS
        assert len(written) == 3

    def test_a_key_that_the_book_does_not_know_signs_nothing_and_nothing_is_put_in(
        self, tool: Tool, written: list[str]
    ) -> None:
        tool("book", "key", "--name", "bench 1", "--book", "other.sqlite")
        code, said = tool("book", "add", "records", "--key", "key.pem")
        assert (code, "book key --name" in said) == (INVALID, True)
        assert opened().count() == 0
        assert len(written) == 3

    def test_a_run_signs_its_records(self, tool: Tool, tmp_path: Path) -> None:
        (tmp_path / "shop.toml").write_text('format = 1\n[book]\nurl = "book.sqlite"\nkey = "key.pem"\n', "utf-8")
        (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
        (tmp_path / "readings.csv").write_text("time,answer\n" + "".join(f',"{a}"\n' for a in GOOD), "utf-8")
        tool("book", "key", "--name", "bench 1")
        code, said = tool("run", "washer.toml", "--source", "readings:readings.csv", "--serial", "7")
        assert code == HOLDS, said
        assert "signed: bench 1 1; not signed: 0" in tool("book", "verify", "--signed")[1]

    def test_a_run_that_can_not_sign_leaves_its_record_waiting_and_it_is_signed_when_sent(
        self, tool: Tool, tmp_path: Path
    ) -> None:
        (tmp_path / "shop.toml").write_text('format = 1\n[book]\nurl = "book.sqlite"\nkey = "key.pem"\n', "utf-8")
        (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
        (tmp_path / "readings.csv").write_text("time,answer\n" + "".join(f',"{a}"\n' for a in GOOD), "utf-8")
        code, _ = tool("run", "washer.toml", "--source", "readings:readings.csv", "--serial", "7")
        assert code == HOLDS
        assert len(list((tmp_path / "records").glob("*.waiting"))) == 1
        tool("book", "key", "--name", "bench 1")
        assert tool("book", "send")[0] == HOLDS
        assert tool("book", "verify", "--signed")[0] == HOLDS
        assert list((tmp_path / "records").glob("*.waiting")) == []


class TestVerify:
    def test_says_that_all_holds(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        code, said = tool("book", "verify")
        assert code == HOLDS
        assert f"{len(written)} of 3 records hold, 0 do not" in said

    def test_names_what_was_changed(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        change(update(results).where(results.c.record_id == 2).values(value_um=9.0))
        code, said = tool("book", "verify")
        short = written[1].removeprefix("sha256:")[:12]
        assert code == BROKEN
        assert f"record 2 ({short}): results.value_um of thickness: the book says 9.0, the record says" in said
        assert "2 of 3 records hold, 1 do not" in said

    def test_what_is_written_into_the_book_can_not_write_over_the_screen(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        change(update(records).where(records.c.id == 2).values(digest="sha256:\x1b[2J\nrecord 9 (0): all is well"))
        code, said = tool("book", "verify")
        assert code == BROKEN
        assert "\x1b" not in said
        assert "\nrecord 9" not in said
        assert len(written) == 3

    @pytest.mark.parametrize(("asked", "looked_at"), [("2", 1), ("1-2", 2), ("3,1", 2), ("2-99", 2), ("all", 3)])
    def test_looks_at_those_that_are_asked_for(
        self, tool: Tool, written: list[str], asked: str, looked_at: int
    ) -> None:
        tool("book", "add", "records")
        assert f"{looked_at} of {looked_at} records hold" in tool("book", "verify", "--records", asked)[1]
        assert len(written) == 3

    @pytest.mark.parametrize("asked", ["", "x", "2-", "9", "1,,2", "-1"])
    def test_refuses_numbers_that_are_none(self, tool: Tool, written: list[str], asked: str) -> None:
        tool("book", "add", "records")
        assert tool("book", "verify", f"--records={asked}")[0] == INVALID
        assert len(written) == 3

    def test_shows_by_a_chain_value_that_was_noted_that_the_last_records_were_cut_off(
        self, tool: Tool, written: list[str], tmp_path: Path
    ) -> None:
        tool("book", "add", "records")
        noted = next(line for line in tool("book", "verify")[1].splitlines() if line.startswith("chain after"))
        value = noted.rpartition(" ")[2]
        assert tool("book", "verify", "--chain", value)[0] == HOLDS
        (tmp_path / "records" / "0002.record.json").unlink()
        tool("book", "add", "records", "--book", "shorter.sqlite")
        code, said = tool("book", "verify", "--chain", value, "--book", "shorter.sqlite")
        assert (code, "records were cut off or exchanged" in said) == (BROKEN, True)
        assert len(written) == 3

    def test_without_the_library_of_an_engine_says_what_to_install(
        self, tool: Tool, written: list[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(sys.modules, "distributed", None)
        tool("book", "add", "records")
        code, said = tool("book", "verify", "--scheduler", "tcp://127.0.0.1:8786")
        assert (code, "holdzero[dask]" in said) == (INVALID, True)
        assert len(written) == 3


def without_notes(said: Said) -> Said:
    """Without remarks on the software: a worker reads it anew, and it may be edited while tests go on."""
    code, text = said
    return code, "\n".join(line for line in text.splitlines() if not line.strip().startswith("note:"))


@pytest.mark.long
class TestSeveralWorkers:
    MANY = 200  # enough that sharing is worth it

    def test_find_the_same_in_the_same_order(self, tool: Tool, tmp_path: Path, catalogue: Catalogue) -> None:
        write(tmp_path, Many(catalogue=catalogue), self.MANY)
        tool("book", "add", "records")
        change(update(results).where(results.c.record_id.in_([7, 90, 199])).values(value_um=9.0))
        change(update(records).where(records.c.id.in_([8, 90])).values(chain="sha256:0"))
        said = [without_notes(tool("book", "verify", "--workers", workers)) for workers in ("1", "2")]
        assert said[0] == said[1]
        assert said[0][0] == BROKEN
        assert f"{self.MANY - 3} of {self.MANY} records hold, 3 do not" in said[0][1]

    def test_verify_files_in_the_same_order(self, tool: Tool, tmp_path: Path, catalogue: Catalogue) -> None:
        write(tmp_path, Many(catalogue=catalogue), 60)
        broken = tmp_path / "records" / "0030.record.json"
        broken.write_text(broken.read_text("utf-8").replace("T. Ester", "N. Obody", 1), "utf-8")
        (tmp_path / "records" / "0045.record.json").write_text("nothing", "utf-8")
        said = [without_notes(tool("verify", "records", "--workers", workers)) for workers in ("1", "2")]
        assert said[0] == said[1]
        assert said[0][0] == INVALID
        assert said[0][1].count("recomputes identically") == 58

    def test_give_results_in_order_whoever_is_done_first(self) -> None:
        with executor_for(2) as (executor, ahead):
            assert list(in_order(executor, ahead, abs, range(-50, 0))) == list(range(50, 0, -1))

    def test_take_no_more_pieces_than_there_is_room_for(self) -> None:
        taken: list[int] = []

        def numbers() -> Iterator[int]:
            for number in range(50):
                taken.append(number)
                yield number

        with executor_for(1) as (executor, ahead):
            assert next(in_order(executor, ahead, abs, numbers())) == 0
        assert taken == [0]

    def test_one_that_comes_to_its_end_is_said(self) -> None:
        with executor_for(2) as (executor, ahead), pytest.raises(HoldzeroError, match="--workers 1"):
            list(in_order(executor, ahead, os._exit, [1, 1, 1]))

    def test_ctrl_c_keeps_what_was_found_and_says_how_far_it_came(
        self, tool: Tool, tmp_path: Path, catalogue: Catalogue
    ) -> None:
        write(tmp_path, Many(catalogue=catalogue), 2 * self.MANY)
        tool("book", "add", "records")
        change(update(results).where(results.c.record_id <= 2 * PAGE).values(value_um=9.0))
        process = subprocess.Popen(
            [sys.executable, "-m", "holdzero", "book", "verify", "--workers", "2"],
            cwd=tmp_path,
            # Little goes into its pipe, so that it can't be done before Ctrl-C comes, however late that is.
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            pipesize=4096,
            start_new_session=True,  # so that Ctrl-C reaches its workers too, and not the tests
        )
        assert process.stdout is not None
        found = process.stdout.readline().decode("utf-8")
        os.killpg(process.pid, signal.SIGINT)
        said, complaint = (stream.decode("utf-8") for stream in process.communicate(timeout=300))
        assert found.startswith("record 1 (")
        assert re.search(f"({PAGE}|{2 * PAGE}) do not", said)
        assert process.returncode == INTERRUPTED
        assert "records were not looked at" in complaint
        assert "Traceback" not in complaint


class TestAmend:
    def amend(self, tool: Tool, digest: str, *more: str) -> Said:
        return tool("book", "amend", digest, "--reason", "label misread", "--by", "A. Ivers", *more)

    def test_puts_in_another_record_and_leaves_the_first(
        self, tool: Tool, written: list[str], catalogue: Catalogue
    ) -> None:
        tool("book", "add", "records")
        code, said = self.amend(tool, written[0], "--serial", "S9", "--out", "out")
        assert code == HOLDS
        assert f"replaces {written[0]}" in said
        assert "serial was S000000, is S9" in said
        (path,) = Path("out").glob("*.record.json")
        record = loads(path.read_text("utf-8"), "")
        assert verify(record, catalogue) == []
        assert opened().get(record["digest"]).text == path.read_text("utf-8")
        assert opened().get(written[0]).row["serial"] == "S000000"
        assert tool("book", "verify")[0] == HOLDS

    def test_is_seen_in_the_list_and_in_both_records(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        new = self.amend(tool, written[0], "--operator", "M. Oduya")[1].splitlines()[0]
        listed = tool("book", "list")[1]
        assert f"replaced by {new.removeprefix('sha256:')[:12]}" in listed
        assert "amends" in listed
        assert "replaced by" not in tool("book", "list", "--latest")[1]
        assert "This record: replaced by" in tool("book", "show", written[0])[1]
        shown = tool("book", "show", new)[1]
        assert f"Amends record {written[0]}" in shown
        assert "label misread" in shown

    def test_is_signed_with_the_key_that_is_named(self, tool: Tool, written: list[str]) -> None:
        tool("book", "key", "--name", "bench 1")
        tool("book", "add", "records", "--key", "key.pem")
        self.amend(tool, written[0], "--serial", "S9", "--key", "key.pem")
        assert "signed: bench 1 4; not signed: 0" in tool("book", "verify", "--signed")[1]

    def test_of_one_that_is_replaced_already_is_refused(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        new = self.amend(tool, written[0], "--serial", "S9")[1].splitlines()[0]
        code, said = self.amend(tool, written[0], "--serial", "S8")
        assert (code, f"replaced by {new} already" in said) == (INVALID, True)
        assert self.amend(tool, new, "--serial", "S8")[0] == HOLDS

    @pytest.mark.parametrize("more", [(), ("--serial", "S000000"), ("--serial", " ")])
    def test_of_nothing_is_refused(self, tool: Tool, written: list[str], more: tuple[str, ...]) -> None:
        tool("book", "add", "records")
        assert self.amend(tool, written[0], *more)[0] == INVALID
        assert opened().count() == 3

    def test_without_a_reason_is_refused(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        code, said = tool("book", "amend", written[0], "--reason", " ", "--by", "A. Ivers", "--serial", "S9")
        assert (code, "no reason" in said) == (INVALID, True)

    def test_a_later_run_is_told_of_the_part_as_it_was_put_right(self, tool: Tool, written: list[str]) -> None:
        from holdzero.book.known import fields_known

        tool("book", "add", "records")
        new = self.amend(tool, written[0], "--serial", "S000001")[1].splitlines()[0]
        title = str(WASHER.tables["routine"]["title"])
        part = str(WASHER.tables["routine"]["part"])

        def earlier(serial: str) -> set[str]:
            known = fields_known(opened(), comparator="", standard=None, part=part, serials=[serial], title=title)
            return {item["digest"] for item in known["earlier"]}

        assert earlier("S000000") == set()
        assert earlier("S000001") == {new, written[1]}


class TestReview:
    def test_is_seen_with_the_record(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        code, said = tool("book", "review", written[0], "--name", "A. Ivers", "--meaning", "approved", "--note", "ok")
        assert (code, "approved by A. Ivers, not signed" in said) == (HOLDS, True)
        shown = tool("book", "show", written[0])[1]
        assert "Approved by A. Ivers on " in shown
        assert "not signed: ok" in shown

    def test_is_signed_with_the_reviewers_own_key(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        tool("book", "key", "--name", "A. Ivers", "--file", "ivers.pem")
        asked = ("book", "review", written[0], "--meaning", "reviewed", "--key", "ivers.pem")
        code, said = tool(*asked, "--name", "a. ivers")
        assert (code, "a. ivers, signed" in said) == (HOLDS, True)
        code, said = tool(*asked, "--name", "M. Oduya")
        assert (code, "this is the key of A. Ivers" in said) == (INVALID, True)
        assert "reviews: 1, of which signed: 1" in tool("book", "verify")[1]
        change(update(reviews).values(note="never mind"))
        assert tool("book", "verify")[0] == BROKEN

    def test_a_name_that_can_write_over_the_screen_is_refused(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        code, said = tool("book", "review", written[0], "--name", "A\x1b[2J\x00B", "--meaning", "approved")
        assert (code, "\x1b" in said, "control character (U+001B)" in said) == (INVALID, False, True)
        assert "\x1b" not in tool("book", "show", written[0])[1]

    def test_a_rejection_is_seen_in_the_list(self, tool: Tool, written: list[str]) -> None:
        tool("book", "add", "records")
        tool("book", "review", written[0], "--name", "A. Ivers", "--meaning", "rejected", "--note", "wrong drawing")
        assert "rejected" in tool("book", "list")[1]


class TestASecondPerson:
    @pytest.fixture
    def asking(self, tool: Tool, tmp_path: Path, catalogue: Catalogue) -> str:
        """The digest of a record whose routine asks for a second person."""
        draft = WASHER.with_table("routine", second_person=True)
        (digest,) = write(tmp_path, Many(catalogue=catalogue, draft=draft, operators=("T. Ester",)), 1)
        tool("book", "add", "records")
        return digest

    def test_is_waited_for(self, tool: Tool, asking: str) -> None:
        assert "awaits review" in tool("book", "list")[1]
        assert "This record: awaits review." in tool("book", "show", asking)[1]

    def test_is_not_whoever_measured(self, tool: Tool, asking: str) -> None:
        code, said = tool("book", "review", asking, "--name", "t. ESTER", "--meaning", "approved")
        assert (code, "a second person must review it" in said) == (INVALID, True)
        assert "awaits review" in tool("book", "list")[1]

    def test_settles_it(self, tool: Tool, asking: str) -> None:
        assert tool("book", "review", asking, "--name", "A. Ivers", "--meaning", "approved")[0] == HOLDS
        assert "awaits review" not in tool("book", "list")[1]

    def test_must_look_at_an_amendment_anew(self, tool: Tool, asking: str) -> None:
        tool("book", "review", asking, "--name", "A. Ivers", "--meaning", "approved")
        tool("book", "amend", asking, "--reason", "it was her", "--by", "M. Oduya", "--operator", "A. Ivers")
        new = opened().rows(records.select().where(records.c.replaces == asking))[0]["digest"]
        assert "awaits review" in tool("book", "list")[1]
        for name in ("A. Ivers", "T. Ester"):
            assert tool("book", "review", new, "--name", name, "--meaning", "approved")[0] == INVALID
        assert tool("book", "review", new, "--name", "M. Oduya", "--meaning", "approved")[0] == HOLDS

    def test_is_asked_for_by_the_record_itself(self, tool: Tool, asking: str) -> None:
        shown = json.loads(tool("book", "show", asking, "--json")[1])
        assert shown["routine"]["document"]["routine"]["second_person"] is True
