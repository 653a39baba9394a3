from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from holdzero.cli.benching import serve_bench
from holdzero.cli.conduct import Options
from holdzero.errors import HoldzeroError
from holdzero.expansion import kinds_of
from holdzero.page import open_runs
from holdzero.page.open_runs import OpenRuns, RoutinesHere
from holdzero.testing import GOOD, PLAIN, Draft


@pytest.fixture
def stopped(measure: Any) -> Any:
    """A run whose readings file ended too early."""
    return measure(PLAIN, GOOD[:3], serials=("7",))


class TestOpenRuns:
    def test_are_those_that_did_not_end(self, stopped: Any) -> None:
        (found,) = OpenRuns(stopped.folder)()
        assert (found.name, found.title, found.part) == (stopped.journal.name, "Washer, thickness", "W-1")
        assert (found.serials, found.operator, found.readings, found.over) == (("7",), "T. Ester", 3, False)

    def test_and_those_whose_record_was_not_written(self, measure: Any) -> None:
        outcome = measure(PLAIN, (*GOOD, ""))
        find = OpenRuns(outcome.folder)
        assert find() == ()
        for path in outcome.folder.glob("*.record.json"):
            path.unlink()
        (found,) = find()
        assert found.over

    def test_are_read_again_only_when_they_changed(self, stopped: Any, monkeypatch: pytest.MonkeyPatch) -> None:
        find = OpenRuns(stopped.folder)
        before = find()
        monkeypatch.setattr(open_runs, "run_of", lambda path: pytest.fail(f"{path} was read again"))
        assert find() == before

    def test_a_damaged_one_does_no_harm(self, stopped: Any) -> None:
        sound = stopped.journal.name
        for name, content in (("a", b""), ("b", b"{}\n"), ("c", b"\xff" * 99), ("d", b'{"event":{"event":[]}}\n')):
            (stopped.folder / f"{name}.journal.jsonl").write_bytes(content)
        assert [run.name for run in OpenRuns(stopped.folder)()] == [sound]

    def test_are_none_where_there_is_no_folder(self, tmp_path: Path) -> None:
        assert OpenRuns(tmp_path / "nothing")() == ()


class TestRoutines:
    def test_are_those_of_the_folder_and_what_is_wrong_with_them(self, tmp_path: Path, catalogue: Any) -> None:
        (tmp_path / "good.toml").write_text(PLAIN, "utf-8")
        (tmp_path / "bad.toml").write_text(PLAIN.replace("W-1", ""), "utf-8")
        (tmp_path / "shop.toml").write_text("format = 1", "utf-8")
        bad, good = RoutinesHere(tmp_path, kinds_of(catalogue))()
        assert (bad.name, bad.title) == ("bad.toml", "")
        assert bad.fault.startswith(f"{tmp_path / 'bad.toml'}:5: error: routine.part")
        assert (good.name, good.title, good.part, good.fault) == ("good.toml", "Washer, thickness", "W-1", "")

    def test_is_the_one_that_was_named(self, tmp_path: Path, catalogue: Any) -> None:
        path = tmp_path / "one.toml"
        path.write_text(Draft().with_table("routine", revision="B").text, "utf-8")
        (tmp_path / "two.toml").write_text(PLAIN, "utf-8")
        here = RoutinesHere(path, kinds_of(catalogue))
        assert [(found.name, found.revision) for found in here()] == [("one.toml", "B")]
        assert here.file("one.toml") == path


def options(folder: Path, source: str) -> Options:
    shop = folder / "shop.toml"
    return Options(source=source, out=folder, json=False, shop=shop, overrule=None, choices={})


class TestWhatCanNotBeServed:
    def test_a_source_that_brings_all_answers(self, tmp_path: Path) -> None:
        with pytest.raises(HoldzeroError, match="use it with: holdzero run"):
            serve_bench(tmp_path, options(tmp_path, "readings:x.csv"), member=None, listen="127.0.0.1", port=0)

    def test_a_source_that_is_none(self, tmp_path: Path) -> None:
        with pytest.raises(HoldzeroError, match="no such source"):
            serve_bench(tmp_path, options(tmp_path, "telepathy"), member=None, listen="127.0.0.1", port=0)

    def test_a_folder_that_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(HoldzeroError, match="no such file or folder"):
            serve_bench(tmp_path / "x", options(tmp_path, "keyboard"), member=None, listen="127.0.0.1", port=0)

    def test_anything_without_the_server(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(__import__("sys").modules, "starlette", None)
        with pytest.raises(HoldzeroError, match=r"starlette, which is not installed\n +install it: pip install"):
            serve_bench(tmp_path, options(tmp_path, "keyboard"), member=None, listen="127.0.0.1", port=0)
