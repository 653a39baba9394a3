"""A shop on a disk and a clock of ours: its routine, register and folders, and what is done there besides measuring."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from holdzero.book import open_book
from holdzero.catalogue import Catalogue
from holdzero.cli.book_amend import Amending, Reviewing, amend, review
from holdzero.cli.book_find import add_records, send_waiting
from holdzero.cli.book_verify import Wanted, verify_book
from holdzero.cli.inspect import verify_records
from holdzero.errors import HoldzeroError
from holdzero.session import Clock

__all__ = ["OUT_OF_USE", "PulledPlugError", "Shop", "made_book"]

ROUTINE = """\
format = 1

[routine]
title = "Plate, two heights"
part = "P-7"

[reference]
name = "Block 5 mm"
size = "5 mm"
deviation = "0 um"
material = "steel"

[comparator]
largest_resolution = "0.1 um"

[bracket]
limit = "1 um"
longest_absence = "10 min"

[characteristics.left]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[characteristics.right]
measure = "size"
at = "b"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[[steps]]
do = "ask"
name = "surface"
choices = ["clean", "oily"]

[[steps]]
do = "prepare"
say = "Wipe part and reference."

[[steps]]
do = "soak"
at_least = "2 min"

[[steps]]
do = "temperature"
of = "part"

[[steps]]
do = "temperature"
of = "reference"

[[steps]]
do = "zero"
times = 2

[[steps]]
do = "repeat"
times = 2
steps = [ { do = "read", at = "a" }, { do = "read", at = "b" } ]

[[steps]]
do = "return"
times = 2

[[steps]]
do = "compare"
"""
REGISTER = """\
format = 1

[comparator.C-1]
resolution = "0.1 um"
travel = "50 um"

[comparator.C-2]
resolution = "0.1 um"
travel = "40 um"
"""
OUT_OF_USE = "C-9"
"""A comparator that the register does not have."""


class PulledPlugError(BaseException):
    """Power is gone: nothing is tidied up that the tool does not need for itself."""


@dataclass(slots=True)
class Disk:
    """What is on disk for sure, and what is there when the plug is pulled.

    Attributes:
        folder: all of it.
        synced: bytes of each file when it was last synced, by device and inode.
        until: so many more syncs are lived to see; None for all.
        frozen: content of all files when the plug was pulled; None where it was not.
    """

    folder: Path
    synced: dict[tuple[int, int], int] = field(default_factory=dict)
    until: int | None = None
    frozen: dict[Path, bytes] | None = None

    def fsync(self, handle: int) -> None:
        """In place of `os.fsync`: what comes after is lost when the plug is pulled."""
        if self.until is not None:
            if self.until == 0:
                self.freeze()
                raise PulledPlugError
            self.until -= 1
        there = os.fstat(handle)
        self.synced[there.st_dev, there.st_ino] = there.st_size

    def freeze(self) -> None:
        """The plug is pulled now: whatever a program still does to tidy up does not reach the disk."""
        self.until = None
        self.frozen = {path: path.read_bytes() for path in self._files()}

    def thaw(self) -> None:
        """Be as it was when the plug was pulled; files that others have open stay the same files."""
        frozen, self.frozen = self.frozen or {}, None
        for path in self._files():
            if path not in frozen:
                path.unlink()
        for path, content in frozen.items():
            if not path.exists() or path.read_bytes() != content:
                with path.open("r+b" if path.exists() else "wb") as file:
                    file.truncate(0)
                    file.write(content)

    def safe(self, path: Path) -> int:
        """How many bytes of a file survive a power cut for sure."""
        there = path.stat()
        return self.synced.get((there.st_dev, there.st_ino), 0)

    def _files(self) -> list[Path]:
        return [path for path in self.folder.rglob("*") if path.is_file()]


class Shop:
    """A shop with one routine, a register of two comparators, a folder of records and a book.

    Args:
        folder: empty.
        catalogue: of plugins.
        empty_book: a book without a record, copied to its shelf.
    """

    def __init__(self, folder: Path, catalogue: Catalogue, empty_book: Path) -> None:
        self.folder, self.catalogue = folder, catalogue
        self.routine, self.register = folder / "routine.toml", folder / "shop.toml"
        self.routine.write_text(ROUTINE, "utf-8")
        self.register.write_text(REGISTER, "utf-8")
        self.out = folder / "records"
        self.shelf = folder / "shelf"
        self.shelf.mkdir()
        self.book = self.shelf / "book.sqlite"
        shutil.copyfile(empty_book, self.book)
        self.disk = Disk(folder)
        self.world_s = 0.0
        self._boots = itertools.count(1)
        self.said = io.StringIO()

    # --- the world ------------------------------------------------------------------------------

    def wall(self) -> str:
        """The wall clock."""
        now = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC) + dt.timedelta(seconds=self.world_s)
        return now.isoformat(timespec="milliseconds")

    def clock(self, *_: Any) -> Clock:
        """The clock of a machine that was just switched on."""
        on_s = self.world_s - 100.0 * next(self._boots)
        return Clock(self.wall, lambda: self.world_s - on_s)

    @contextlib.contextmanager
    def ours(self) -> Iterator[None]:
        """The clock and the disk are ours, and what the tool prints is kept."""
        with (
            pytest.MonkeyPatch.context() as patch,
            contextlib.redirect_stdout(self.said),
            contextlib.redirect_stderr(self.said),
        ):
            patch.setattr("holdzero.cli.opening.Clock", self.clock)
            patch.setattr(os, "fsync", self.disk.fsync)
            yield

    # --- records and book -----------------------------------------------------------------------

    def add(self, *paths: Path) -> int:
        """`book add`."""
        return self._told(lambda: add_records(list(paths), book=str(self.book), shop=self.register))

    def send(self, folder: Path) -> int:
        """`book send`."""
        return self._told(lambda: send_waiting(folder, book=str(self.book), shop=self.register))

    def amend(self, digest: str, *, operator: str | None, comparator: str | None) -> int:
        """`book amend`."""
        wanted = Amending(
            reason="it was another",
            by="A. Foreman",
            serial=None,
            operator=operator,
            devices={"comparator": comparator} if comparator else {},
            out=None,
            key=None,
        )
        return self._told(lambda: amend(digest, wanted, book=str(self.book), shop=self.register))

    def review(self, digest: str, *, name: str, meaning: str, note: str) -> int:
        """`book review`."""
        wanted = Reviewing(name=name, meaning=meaning, note=note, key=None)
        return self._told(lambda: review(digest, wanted, book=str(self.book), shop=self.register))

    def verifies(self, *paths: Path) -> int:
        """`verify`."""
        return self._told(lambda: verify_records(list(paths), self.register))

    def verifies_book(self, chain: str | None) -> int:
        """`book verify`."""
        wanted = Wanted(workers=1, chain=chain)
        return self._told(lambda: verify_book(wanted, book=str(self.book), shop=self.register))

    def _told(self, work: Callable[[], int]) -> int:
        """The exit code of a command; 2 where it ends with an error, as the command line does."""
        with self.ours():
            try:
                return work()
            except HoldzeroError as error:
                self.said.write(f"{error}\n")
                return 2


def made_book(path: Path) -> Path:
    """A book without a record."""
    open_book(str(path), create=True).engine.dispose()
    return path
