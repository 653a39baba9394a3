"""Whether a file may be written, looked at before the work that it is to hold begins; nothing is left behind."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path

from holdzero.errors import HoldzeroError

__all__ = ["free_to_write"]


def free_to_write(out: Path, *, replace: bool, reads: Iterable[Path] = (), option: str = "") -> None:
    """Look that no file is lost, and that there will be one at the end.

    Args:
        out: the file.
        replace: whether one that is there may be written over.
        reads: files that the command reads: none of them is ever written over.
        option: that named the file, for the error.

    Raises:
        HoldzeroError: it is one that is read, it is there and nobody said that it may be replaced, or none can be
            written there.
    """
    named = f"{option} {out}".lstrip()
    try:
        source = next((path for path in reads if _same(out, path)), None)
        if source is not None:
            raise HoldzeroError(f"{named}: this command reads that file ({source})\n    name another file")
        if out.exists() and not out.is_file():
            what = "a folder" if out.is_dir() else "no ordinary file"
            raise HoldzeroError(f"{named}: it is {what}\n    name a file")
        if out.exists() and not replace:
            raise HoldzeroError(f"{named} exists already\n    choose another name, or say --replace")
        _try_folder(out, named)
    except OSError as error:
        raise _no_place(named, error.strerror or str(error)) from None


def _same(out: Path, path: Path) -> bool:
    """Whether they are one file, however it is written or linked."""
    return out.exists() and path.exists() and out.samefile(path)


def _try_folder(out: Path, named: str) -> None:
    """Look that a file could be made in the folder, or the folder in the nearest one that is there."""
    nearest = next(folder for folder in out.absolute().parents if folder.exists())
    if not nearest.is_dir():
        raise _no_place(named, f"{nearest} is no folder")
    with tempfile.TemporaryFile(dir=nearest):
        pass


def _no_place(named: str, why: str) -> HoldzeroError:
    return HoldzeroError(f"{named}: it can't be written: {why}\n    name a file in a folder that you may write into")
