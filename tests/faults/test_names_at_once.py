"""Runs that begin or end together: each has a journal, a record and pages of its own, on a share without links too."""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue, Plugin
from holdzero.cli.files import fresh_journal, reserved, write_files
from holdzero.errors import JournalError
from holdzero.hooks import Writer

TOGETHER = 24
PLUGIN = Plugin(name="page", distribution="", version="1", module="holdzero_plugins.page", file="", declares=())


def _page(record: Mapping[str, Any]) -> dict[str, bytes]:
    return {".html": f"page of {record['run']}".encode()}


def _ended(folder: Path, number: int, barrier: Any, left: Any) -> None:
    catalogue = Catalogue(writers={"page": (PLUGIN, Writer(name="page", title="page", write=_page))})
    barrier.wait()
    made, problems = write_files(folder, "20260302T080000Z-SR-7", json.dumps({"run": number}), catalogue)
    left.put((number, [path.name for path in made], problems))


def _begun(folder: Path, number: int, barrier: Any, left: Any) -> None:
    barrier.wait()
    with fresh_journal(folder, "20260302T080000Z-SR") as journal:
        journal.append(e.NoteAdded(seq=1, wall="2026-03-02T08:00:00+00:00", time_s=0.0, text=f"run {number}"))
        left.put((number, [journal.path.name], []))


def _together(work: Any, folder: Path) -> list[tuple[int, list[str], list[str]]]:
    context = multiprocessing.get_context("fork")
    barrier, left = context.Barrier(TOGETHER), context.SimpleQueue()
    runs = [context.Process(target=work, args=(folder, number, barrier, left)) for number in range(TOGETHER)]
    for run in runs:
        run.start()
    said = [left.get() for _ in runs]
    for run in runs:
        run.join(60)
    return said


@pytest.fixture(params=["with links", "links fail", "no links"])
def links(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder on a disk, on a share that refuses hard links, and a system that has none."""

    def refused(*_: object, **__: object) -> None:
        raise OSError(95, "Operation not supported")

    if request.param == "links fail":
        monkeypatch.setattr(os, "link", refused)
    if request.param == "no links":
        monkeypatch.delattr(os, "link")


@pytest.mark.usefixtures("links")
def test_runs_that_end_together_leave_each_its_record_and_its_page(tmp_path: Path) -> None:
    said = _together(_ended, tmp_path)
    assert [problems for _, _, problems in said] == [[]] * TOGETHER
    for number, (record, page), _ in said:
        assert json.loads((tmp_path / record).read_text("utf-8")) == {"run": number}
        assert page == record.replace(".record.json", ".html")
        assert (tmp_path / page).read_text("utf-8") == f"page of {number}"
    assert len(list(tmp_path.iterdir())) == 2 * TOGETHER, "nothing else stays behind"


def test_runs_that_begin_together_have_each_their_journal(tmp_path: Path) -> None:
    said = _together(_begun, tmp_path)
    assert len({name for _, (name,), _ in said}) == TOGETHER == len(list(tmp_path.glob("*.journal.jsonl")))


def test_a_name_whose_owner_was_killed_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / ".SR.taken").touch()
    with reserved(tmp_path, "SR") as path:
        assert path == tmp_path / "SR-2.record.json"


def test_a_record_that_came_between_looking_and_taking_is_not_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    others = tmp_path / "SR.record.json"
    opened = os.open

    def late(path: Any, *arguments: Any) -> int:
        others.write_text("another's", "utf-8")
        return opened(path, *arguments)

    monkeypatch.setattr(os, "open", late)
    with reserved(tmp_path, "SR") as path:
        monkeypatch.undo()
        assert path == tmp_path / "SR-2.record.json"
    assert others.read_text("utf-8") == "another's"
    assert not list(tmp_path.glob(".*"))


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "out").touch()
    with pytest.raises(JournalError, match="File exists"):
        fresh_journal(tmp_path / "out", "SR")
    files_made, (problem,) = write_files(tmp_path / "out", "SR", "{}", Catalogue())
    assert files_made == []
    assert "could not be written: File exists" in problem
