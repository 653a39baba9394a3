"""A file that is to be written: never one that is read, and known to be writable before the work begins."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from holdzero.book import open_book
from holdzero.cli import app
from holdzero.cli.writable import free_to_write
from holdzero.errors import HoldzeroError
from holdzero.testing import PLAIN

FRAGMENT = 'format = 1\n[[steps]]\ndo = "prepare"\nsay = "Wipe."\n'
SCENARIO = 'format = 1\ntitle = "a quiet bench"\n'


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with all that a rehearsal can read."""
    wiped = PLAIN.replace("[[steps]]", '[[steps]]\ninclude = "wipe.toml"\n\n[[steps]]', 1)
    (tmp_path / "washer.toml").write_text(wiped, "utf-8")
    for name, text in (
        ("other.toml", PLAIN),
        ("scenario.toml", SCENARIO),
        ("house.toml", "format = 1\n"),
        ("wipe.toml", FRAGMENT),
    ):
        (tmp_path / name).write_text(text, "utf-8")
    return tmp_path


def written_another_way(path: Path) -> Path:
    return path.parent / ".." / path.parent.name / path.name


def linked(path: Path) -> Path:
    link = path.parent / "link"
    link.symlink_to(path)
    return link


def hard_linked(path: Path) -> Path:
    os.link(path, path.parent / "twin")
    return path.parent / "twin"


class TestARehearsal:
    @pytest.fixture
    def rehearse(self, bench: Path) -> Callable[..., Any]:
        named = {"--scenario": "scenario.toml", "--against": "other.toml", "--shop": "house.toml"}
        options = [word for option, name in named.items() for word in (option, str(bench / name))]

        def go(page: Path) -> str:
            words = ["rehearse", str(bench / "washer.toml"), *options, "--runs", "20", "--html", str(page), "--replace"]
            return str(CliRunner().invoke(app, words).exception)

        return go

    @pytest.mark.parametrize("name", ["washer.toml", "other.toml", "scenario.toml", "house.toml", "wipe.toml"])
    def test_writes_over_nothing_that_it_reads(self, rehearse: Callable[..., Any], bench: Path, name: str) -> None:
        before = (bench / name).read_bytes()
        assert f"--html {bench / name}: this command reads that file" in rehearse(bench / name)
        assert (bench / name).read_bytes() == before

    @pytest.mark.parametrize("way", [written_another_way, linked, hard_linked])
    def test_knows_it_by_another_name_too(
        self, rehearse: Callable[..., Any], bench: Path, way: Callable[[Path], Path]
    ) -> None:
        assert "this command reads that file" in rehearse(way(bench / "scenario.toml"))
        assert (bench / "scenario.toml").read_text("utf-8") == SCENARIO

    def test_finds_out_before_it_begins_that_no_page_can_be_written(
        self, rehearse: Callable[..., Any], bench: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def never(*_: object) -> None:
            raise AssertionError("it was rehearsed all the same")

        monkeypatch.setattr(importlib.import_module("holdzero.cli.rehearse"), "rehearsed_all", never)
        assert "it can't be written" in rehearse(bench / "washer.toml" / "page.html")


class TestTheBook:
    @pytest.mark.parametrize(
        "words",
        [
            ("export", "--to", "csv", "--out", "{}", "--replace"),
            ("report", "--out", "{}", "--replace"),
            ("watch", "--html", "{}", "--replace"),
            ("study", "--part", "P", "--html", "{}", "--replace"),
            ("study", "--part", "P", "--csv", "{}", "--replace"),
        ],
    )
    @pytest.mark.parametrize("name", ["bench.sqlite", "house.toml"])
    @pytest.mark.parametrize("address", ["bench.sqlite", "sqlite:///bench.sqlite"])
    def test_is_written_over_by_no_command(
        self, bench: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], name: str, address: str
    ) -> None:
        monkeypatch.chdir(bench)
        open_book("bench.sqlite", create=True)
        before = (bench / name).read_bytes()
        asked = [word.format(name) for word in words]
        said = CliRunner().invoke(app, ["book", *asked, "--book", address, "--shop", "house.toml"])
        assert f"{name}: this command reads that file" in str(said.exception)
        assert (bench / name).read_bytes() == before


def test_a_schema_is_not_written_over_the_settings(bench: Path) -> None:
    said = CliRunner().invoke(app, ["schema", "--out", str(bench / "house.toml"), "--shop", str(bench / "house.toml")])
    assert "this command reads that file" in str(said.exception)
    assert (bench / "house.toml").read_text("utf-8") == "format = 1\n"


class TestAPlace:
    def test_is_free_where_nothing_is_and_is_left_as_it_was(self, tmp_path: Path) -> None:
        free_to_write(tmp_path / "page.html", replace=False)
        free_to_write(tmp_path / "new" / "folder" / "page.html", replace=False)
        assert list(tmp_path.iterdir()) == []

    def test_that_is_a_folder_is_none(self, tmp_path: Path) -> None:
        with pytest.raises(HoldzeroError, match="it is a folder"):
            free_to_write(tmp_path, replace=True)

    def test_that_is_a_device_is_none(self) -> None:
        with pytest.raises(HoldzeroError, match="no ordinary file"):
            free_to_write(Path(os.devnull), replace=True)

    def test_below_a_file_is_none(self, tmp_path: Path) -> None:
        (tmp_path / "note").write_text("", "utf-8")
        with pytest.raises(HoldzeroError, match=r"it can't be written: .*note is no folder"):
            free_to_write(tmp_path / "note" / "page.html", replace=True)

    def test_with_too_long_a_name_is_none(self, tmp_path: Path) -> None:
        with pytest.raises(HoldzeroError, match="it can't be written: File name too long"):
            free_to_write(tmp_path / ("p" * 300), replace=True)

    def test_in_which_nobody_may_write_is_none(self, tmp_path: Path) -> None:
        closed = tmp_path / "closed"
        closed.mkdir(mode=0o500)
        if os.access(closed, os.W_OK):
            pytest.skip("whoever runs this may write everywhere")
        with pytest.raises(HoldzeroError, match="it can't be written: Permission denied"):
            free_to_write(closed / "page.html", replace=True)
