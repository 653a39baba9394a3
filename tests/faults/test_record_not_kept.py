"""What the inspector sees where a run ended well and its record could not be kept: no verdict, and how to get it."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from holdzero.journal import read_journal
from holdzero.testing import GOOD, PLAIN
from tests.faults.failing.command_line import told
from tests.support.starter import Starter

if sys.platform == "win32":
    pytest.skip("no such limits", allow_module_level=True)

PASS, INTERRUPTED = 0, 4
RUN = ("run", "washer.toml", "--source", "readings:readings.csv", "--operator", "T. Ester", "--out", "out")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "washer.toml").write_text(PLAIN, "utf-8")
    (tmp_path / "readings.csv").write_text("time,answer\n" + "".join(f",{answer}\n" for answer in GOOD), "utf-8")
    return tmp_path


def limited(folder: Path, *words: str, most: int) -> subprocess.CompletedProcess[str]:
    """Run the tool where the system lets no file grow beyond some bytes."""

    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    command = [sys.executable, "-m", "holdzero", *words]
    return subprocess.run(command, cwd=folder, preexec_fn=small_files, capture_output=True, text=True, check=False)


def whole(folder: Path) -> tuple[int, int]:
    """The sizes of a journal and a record of the same run elsewhere [bytes]."""
    (journal,) = (folder / "out").glob("*.journal.jsonl")
    (record,) = (folder / "out").glob("*.record.json")
    return journal.stat().st_size, record.stat().st_size


@pytest.fixture
def between(folder: Path, starter: Starter) -> int:
    """More than a journal takes, less than a record [bytes]."""
    assert starter.run(*RUN, "--serial", "1", folder=folder).returncode == PASS
    small, large = whole(folder)
    assert small < large
    for path in (folder / "out").iterdir():
        path.unlink()
    return (small + large) // 2


def test_no_verdict_is_shown_and_the_next_step_is(folder: Path, between: int, starter: Starter) -> None:
    done = limited(folder, *RUN, "--serial", "1", most=between)
    assert done.returncode == INTERRUPTED
    assert "PASS" not in done.stdout + done.stderr
    assert "the record could not be written" in done.stderr
    assert "no verdict before it is kept" in done.stderr
    assert "Traceback" not in done.stderr
    (journal,) = (folder / "out").glob("*.journal.jsonl")
    assert len(read_journal(journal).events) == len(GOOD) + 2
    assert [path.name for path in (folder / "out").iterdir() if "journal" not in path.name] == []
    again = starter.run("resume", str(journal), folder=folder)
    assert again.returncode == PASS
    assert "[+] PASS" in again.stdout
    assert len(list((folder / "out").glob("*.record.json"))) == 1


def test_nothing_is_printed_for_scripts(folder: Path, between: int) -> None:
    done = limited(folder, *RUN, "--serial", "1", "--json", most=between)
    assert (done.returncode, done.stdout) == (INTERRUPTED, "")


def test_of_a_batch_the_parts_that_are_kept_are_shown(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = PLAIN.replace('do = "repeat"\ntimes = 3', 'do = "repeat"\nover = "parts"', 1)
    (folder / "washer.toml").write_text(text, "utf-8")
    (folder / "readings.csv").write_text("time,answer\n,0\n,0.1\n,-0.1\n,+1.0\n,+1.1\n,0\n", "utf-8")
    own = os.replace

    def full_at_the_second(source: Any, target: Any) -> None:
        if str(target).endswith("-2.record.json"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        own(source, target)

    monkeypatch.setattr(os, "replace", full_at_the_second)
    code, out, err = told(folder, *RUN, "--serial", "1", "--serial", "2")
    assert code == INTERRUPTED
    assert "serial 1" in out
    assert "serial 2" not in out
    assert "-2.record.json: the record could not be written: No space left on device" in err


def test_a_page_that_finds_no_room_is_no_fault_of_its_writer(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = os.replace

    def full_for_pages(source: Any, target: Any) -> None:
        if str(target).endswith(".html"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        own(source, target)

    monkeypatch.setattr(os, "replace", full_for_pages)
    code, out, err = told(folder, *RUN, "--serial", "1")
    assert code == PASS
    assert "[+] PASS" in out
    assert ".html: it could not be written: No space left on device\n    the record is safe" in err
    assert "OSError" not in err
    assert not list(folder.rglob(".writing-*"))
