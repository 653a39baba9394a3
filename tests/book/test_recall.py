"""Recall by device: every record that depends on a block is found, and a slip in its name is no empty list."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from holdzero.book import open_book
from holdzero.cli import app
from holdzero.errors import HoldzeroError
from holdzero.record import digest_of_record, dumps, loads
from holdzero.registering import add_entry
from holdzero.testing.many import WASHER

Said = tuple[int, str]
Tool = Callable[..., Said]
RecordsOf = Callable[..., list[str]]
BLOCK = {"size": "5 mm", "deviation": {"value": "0 um", "expanded": "0.06 um", "coverage": 2}, "material": "steel"}


@pytest.fixture
def tool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tool:
    """The tool in a folder of its own: exit code, and what it prints or ends with."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> Said:
        done = CliRunner().invoke(app, arguments)
        if isinstance(done.exception, HoldzeroError):
            return 2, str(done.exception)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.output

    return call


@pytest.fixture
def digest_of(tool: Tool, tmp_path: Path, records_of: RecordsOf) -> Callable[..., str]:
    """Put a record of a run into the book whose routine states its block so; the begin of its digest."""
    del tool

    def put(**keys: str) -> str:
        # Set anew, and not changed: what is not stated must not be there.
        tables = {**WASHER.tables, "reference": {**BLOCK, **keys}}
        (text,) = records_of(1, draft=type(WASHER)(tables))
        open_book(str(tmp_path / "book.sqlite"), create=True).add([text])
        return str(loads(text, "")["digest"]).removeprefix("sha256:")[:12]

    return put


def listed(said: Said) -> set[str]:
    code, text = said
    assert code == 0, text
    return {line.split()[0] for line in text.splitlines()[1:]} if "no record" not in text else set()


class TestABlockThatARoutineStatesWhole:
    def test_is_found_by_the_registers_identifier(
        self, tool: Tool, tmp_path: Path, digest_of: Callable[..., str]
    ) -> None:
        named, certified = digest_of(name="Block 5 mm, set 1"), digest_of(name="a block", certificate="C-7")
        own, former = digest_of(id="B12"), digest_of(id="old", certificate="C-6")
        digest_of(id="B13", name="Block 5 mm, set 1")
        digest_of(name="Block 5 mm, set 2", certificate="C-77")
        shop = tmp_path / "shop.toml"
        add_entry(shop, "reference", "B12", {**BLOCK, "name": "Block 5 mm, set 1", "certificate": "C-6"})
        add_entry(shop, "reference", "B12", {**BLOCK, "name": "Block 5 mm, set 1", "certificate": "C-7"})
        for option in ("--device", "--reference"):
            assert listed(tool("book", "list", option, "B12")) == {named, certified, own, former}
        assert listed(tool("book", "list", "--comparator", "K-1", "--device", "B12")) >= {named}

    def test_is_in_what_is_exported_too(self, tool: Tool, tmp_path: Path, digest_of: Callable[..., str]) -> None:
        digest = digest_of(name="Block 5 mm, set 1")
        add_entry(tmp_path / "shop.toml", "reference", "B12", {**BLOCK, "name": "Block 5 mm, set 1"})
        assert tool("book", "export", "--to", "jsonl", "--device", "B12", "--out", "out.jsonl")[0] == 0
        assert digest in (tmp_path / "out.jsonl").read_text("utf-8")

    def test_and_was_never_used_is_no_error(self, tool: Tool, tmp_path: Path, digest_of: Callable[..., str]) -> None:
        digest_of(id="B12")
        add_entry(tmp_path / "shop.toml", "reference", "B99", BLOCK)
        assert listed(tool("book", "list", "--device", "B99")) == set()


class TestASerial:
    @pytest.mark.parametrize(
        ("kept", "asked"), [("A1", "\uff21\uff11"), ("\uff21\uff11", "A1"), ("A1", " A1 "), ("A  1", "A 1")]
    )
    def test_is_found_in_another_spelling_of_it(
        self, tool: Tool, tmp_path: Path, records_of: RecordsOf, kept: str, asked: str
    ) -> None:
        (text,) = records_of(1)
        record = loads(text, "")
        record["run"]["serial"] = kept
        record["digest"] = digest_of_record(record)
        open_book(str(tmp_path / "book.sqlite"), create=True).add([dumps(record)])
        own = record["digest"].removeprefix("sha256:")[:12]
        assert listed(tool("book", "list", "--serial", asked)) == {own}
        assert listed(tool("book", "list", "--serial", "A2")) == set()


class TestADeviceThatNobodyKnows:
    @pytest.mark.parametrize(
        ("option", "typed", "near"),
        [("--device", "b21", "B12"), ("--reference", "B-12", "B12"), ("--comparator", "k1", "K-1")],
    )
    def test_is_an_error_with_the_nearest_names(
        self, tool: Tool, digest_of: Callable[..., str], option: str, typed: str, near: str
    ) -> None:
        digest_of(id="B12")
        code, said = tool("book", "list", option, typed)
        assert code == 2
        assert near in said.split("did you mean")[1]

    def test_in_that_role_is_one_too(self, tool: Tool, digest_of: Callable[..., str]) -> None:
        digest_of(id="B12")
        assert tool("book", "list", "--comparator", "B12")[0] == 2

    @pytest.mark.parametrize(
        "command",
        [
            ("export", "--to", "csv", "--out", "o.csv", "--device", "nope"),
            ("report", "--out", "o.html", "--device", "nope"),
            ("watch", "--comparator", "nope"),
            ("watch", "--standard", "nope"),
        ],
    )
    def test_is_one_for_every_command(
        self, tool: Tool, digest_of: Callable[..., str], command: tuple[str, ...]
    ) -> None:
        digest_of(id="B12")
        code, said = tool("book", *command)
        assert (code, "'nope'" in said) == (2, True)
        assert not list(Path().glob("o.*"))


class TestARange:
    @pytest.mark.parametrize(
        "command",
        [
            ("list",),
            ("export", "--to", "csv", "--out", "o.csv"),
            ("report", "--out", "o.html"),
            ("watch",),
            ("study", "--part", "W-1", "--tolerance", "8 um"),
        ],
    )
    def test_whose_end_lies_before_its_begin_is_refused(
        self, tool: Tool, digest_of: Callable[..., str], command: tuple[str, ...]
    ) -> None:
        digest_of(id="B12")
        code, said = tool("book", *command, "--since", "2026-03-03", "--until", "2026-03-01")
        assert (code, "exchange them" in said) == (2, True)

    def test_may_be_one_day(self, tool: Tool, digest_of: Callable[..., str]) -> None:
        digest_of(id="B12")
        assert tool("book", "list", "--since", "2026-03-02", "--until", "2026-03-02")[0] == 0

    def test_of_numbers_too(self, tool: Tool, digest_of: Callable[..., str]) -> None:
        digest_of(id="B12")
        code, said = tool("book", "verify", "--records", "3-1")
        assert (code, "ends before it begins" in said) == (2, True)


class TestAWrongBlock:
    def test_is_put_right_and_found_under_the_right_one(
        self, tool: Tool, tmp_path: Path, digest_of: Callable[..., str]
    ) -> None:
        digest = digest_of(id="B12")
        add_entry(tmp_path / "shop.toml", "reference", "B13", {**BLOCK, "due": "2036-05-31"})
        said = ("--reason", "mixed up", "--by", "A. Ivers")
        code, text = tool("book", "amend", digest, "--reference", "B13", *said)
        assert (code, "reference was B12, is B13" in text, "computed anew" in text) == (0, True, True)
        assert len(listed(tool("book", "list", "--reference", "B13"))) == 1
        assert listed(tool("book", "list", "--reference", "B12", "--latest")) == set()
        assert tool("book", "verify", "--workers", "1")[0] == 0
        assert tool("book", "amend", digest, "--reference", "B99", *said)[0] == 2
