"""A disk that is really full: some pages of a small one are left, and what needs more of them finds no room."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform != "linux":
    pytest.skip("no such disks", allow_module_level=True)

from tests.faults.failing.books import BookSubject, NewBookSubject
from tests.faults.failing.command_line import ApprovalSubject, RunSubject
from tests.faults.failing.files import JournalSubject, KeySubject, RegisterSubject
from tests.faults.failing.trying import Subject, left_by, left_later

PAGE = 4096  # bytes; a file system in memory gives no less
MOST = 40  # pages: more than anything here takes


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of two megabytes."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2M", "none", str(place)], check=False)
    if done.returncode:
        pytest.skip("only root makes disks")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@contextlib.contextmanager
def full(disk: Path, left: int) -> Iterator[None]:
    """Leave so many pages of it while the block lasts: SQLite does not even read without room for its index."""
    filler = disk / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(b"x" * PAGE)
    os.truncate(filler, max(0, filler.stat().st_size - left * PAGE))
    yield
    filler.unlink()


@pytest.mark.long
@pytest.mark.parametrize(
    ("make", "pages"),
    [
        (JournalSubject, range(4)),
        (KeySubject, range(4)),
        (RegisterSubject, range(6)),
        (ApprovalSubject, range(6)),
        (RunSubject, range(0, 28, 3)),
        (NewBookSubject, range(0, MOST, 4)),
        (BookSubject, range(0, MOST, 8)),
    ],
    ids=lambda item: getattr(item, "name", ""),
)
def test_loses_nothing_and_is_told(disk: Path, make: type[Subject], pages: range) -> None:
    faults: list[str] = []
    failed = 0
    for left in pages:
        subject, folder = make(), disk / f"with {left} pages"
        folder.mkdir()
        subject.prepared(folder)
        said, wrong = left_by(subject, folder, full(disk, left))
        failed += bool(said.told)
        faults.extend(f"{left} pages left: {fault}" for fault in (*wrong, *left_later(subject, folder, said)))
    assert faults == []
    assert failed, "something did not fit"
