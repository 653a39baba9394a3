"""Files in the folder of a run: names from safe characters alone, written whole or not at all."""

from __future__ import annotations

import contextlib
import itertools
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from holdzero.catalogue import Catalogue, Plugin
from holdzero.checks import told
from holdzero.hooks import Writer
from holdzero.journal import Journal, JournalExistsError
from holdzero.json_text import read_json
from holdzero.patience import within
from holdzero.whole_file import write_whole

__all__ = [
    "by_number",
    "free_paths",
    "fresh_journal",
    "reserved",
    "safe_name",
    "write_beside",
    "write_files",
]

_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
_LONGEST = 120


def safe_name(*words: str) -> str:
    """A file name made of words: letters, digits, point, underscore, hyphen, and no point in front.

    >>> safe_name("20260101T000000Z", "SR/2041", "../7")
    '20260101T000000Z-SR_2041-7'
    """
    cleaned = (_UNSAFE.sub("_", word).strip("._-") for word in words)
    return "-".join(word for word in cleaned if word)[:_LONGEST] or "run"


def free_paths(folder: Path, name: str, ending: str) -> Iterator[Path]:
    """Paths in `folder` that do not exist now, in order: another process may take any of them at any time."""
    for number in itertools.count(1):
        path = folder / f"{name}{f'-{number}' if number > 1 else ''}{ending}"
        if not os.path.lexists(path):
            yield path


def by_number(path: Path) -> tuple[str, list[str | int]]:
    """A key to sort files of runs by: those of one name in the order in which they were numbered, the first first."""
    stem = re.sub(r"\.(record\.json|waiting)$", "", path.name)
    return str(path.parent), [int(word) if word.isdecimal() else word for word in re.split(r"([0-9]+)", stem)]


def fresh_journal(folder: Path, name: str) -> Journal:
    """A journal under a name that no other run has, though it begin at the same moment.

    Raises:
        JournalError: none can be made in the folder.
    """
    for path in free_paths(folder, name, ".journal.jsonl"):
        with contextlib.suppress(JournalExistsError):
            return Journal.create(path)
    raise AssertionError("paths do not end")


_RECORD = ".record.json"


@contextlib.contextmanager
def reserved(folder: Path, name: str) -> Iterator[Path]:
    """The path of a record that nobody else writes to, nor to what is made of it, until the block ends.

    A file is made whose name says which stem is taken: whoever makes it first has it. That needs no hard links, and a
    record is never there half. Where the tool is killed the mark stays, and the next record takes the next number.

    Args:
        folder: of the run; made if need be.
        name: what the record's name begins with; a number follows where that is taken.

    Raises:
        OSError: nothing can be made in the folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for path in free_paths(folder, name, _RECORD):
        mark = folder / f".{path.name.removesuffix(_RECORD)}.taken"
        try:
            os.close(os.open(mark, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        except FileExistsError:
            continue
        try:
            # Who had it before may have written its record and let go of it in between.
            if not os.path.lexists(path):
                yield path
                return
        finally:
            with contextlib.suppress(OSError):
                mark.unlink()


def write_files(folder: Path, name: str, text: str, catalogue: Catalogue) -> tuple[list[Path], list[str]]:
    """Write the record, then what each writer makes of it.

    Args:
        folder: of the run; made if need be.
        name: what the files' names begin with.
        text: the record.
        catalogue: has the writers.

    Returns:
        The files, the record's first, and what went wrong. A writer that fails does no harm; if
        the record itself can't be written, nothing is.
    """
    with contextlib.ExitStack() as held:
        try:
            path = held.enter_context(reserved(folder, name))
            write_whole(path, text.encode("utf-8"))
        except OSError as error:
            mend = "no verdict before it is kept; the journal is safe: make room, then resume it"
            lost = folder / f"{name}{_RECORD}"
            return [], [f"{lost}: the record could not be written: {error.strerror}\n    {mend}"]
        files, problems = _made_of(path, text, catalogue)
    return [path, *files], problems


def write_beside(path: Path, text: str, catalogue: Catalogue) -> tuple[list[Path], list[str]]:
    """What writers make of a record that is there, where it is missing; and what went wrong."""
    return _made_of(path, text, catalogue, stays=True)


def _made_of(path: Path, text: str, catalogue: Catalogue, *, stays: bool = False) -> tuple[list[Path], list[str]]:
    """What writers make of a record, beside it and by its name; and what went wrong."""
    stem, files, problems = path.name.removesuffix(_RECORD), list[Path](), list[str]()
    mend = "the record is safe; resume the journal to write it again"
    for writer_name, (plugin, writer) in catalogue.writers.items():
        try:
            for ending, content in _written(plugin, writer, text).items():
                target = path.with_name(f"{stem}{_UNSAFE.sub('_', ending)}")
                if stays and target.exists():
                    continue
                if target.exists() or not ending.startswith("."):
                    raise FileExistsError(f"{target.name} must not be written over")  # noqa: TRY301
                if problem := _not_written(target, content):
                    problems.append(f"{problem}\n    {mend}")
                else:
                    files.append(target)
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            problems.append(f"writer {writer_name} failed: {told(error)}\n    {mend}")
    return files, problems


def _not_written(path: Path, content: bytes) -> str:
    """Why a file could not be written, which is no fault of the writer; empty where it was."""
    try:
        write_whole(path, content)
    except OSError as error:
        return f"{path}: it could not be written: {error.strerror or error}"
    return ""


# A report of a record takes well under a second; somebody else's may ask a slow drive.
_WRITER_LIMIT_S = 60.0


def _written(plugin: Plugin, writer: Writer, text: str) -> Mapping[str, bytes]:
    """What a writer makes; a stranger's is given up if it does not come to an end."""

    def work() -> Mapping[str, bytes]:
        # A copy of its own: what a writer does to it must not reach the record or the verdict.
        return writer.write(read_json(text))

    return work() if plugin.built_in else within(_WRITER_LIMIT_S, work, f"writer {writer.name}")
