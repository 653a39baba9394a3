"""A run whose record is written once more: what lies there already, what stays, and what is written in its place."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holdzero.catalogue import Catalogue
from holdzero.cli.files import by_number, write_beside, write_files
from holdzero.errors import HoldzeroError
from holdzero.record import digest_of_record, dumps, loads

__all__ = ["Written", "write_record"]

_REWRITES = "rewrites"
"""Key of a record that names the writing of the same run before it, by its digest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A record of a run and what became of it.

    Attributes:
        record: that counts.
        text: the same, as its file has it.
        files: the record's first, then what writers made; empty where it could not be written.
        problems: what went wrong.
        earlier: files and texts of the earlier writings that lie beside it, oldest first.
        told: what was done, in words, where the run was written before.
    """

    record: dict[str, Any]
    text: str
    files: list[Path]
    problems: list[str]
    earlier: list[tuple[Path, str]]
    told: tuple[str, ...]


def write_record(folder: Path, name: str, record: dict[str, Any], catalogue: Catalogue) -> Written:
    """Write the record of a run, unless it lies there to the last sign already; then only what is missing beside it.

    Args:
        folder: of the run.
        name: what its files' names begin with.
        record: as it was made now.
        catalogue: has the writers.
    """
    before = _writings(folder, name, record)
    texts = [(path, text) for path, text, _ in before]
    if not before:
        text = dumps(record)
        files, problems = write_files(folder, name, text, catalogue)
        return Written(record=record, text=text, files=files, problems=problems, earlier=[], told=())
    path, text, last = before[-1]
    if _content(last) == _content(record):
        files, problems = write_beside(path, text, catalogue)
        told = f"{path}: made again from its journal it is the same to the last digit; it stays as it is"
        missing = f"written beside it, as it was missing: {', '.join(item.name for item in files)}" if files else ""
        lines = tuple(line for line in (told, missing) if line)
        return Written(record=last, text=text, files=[path, *files], problems=problems, earlier=texts[:-1], told=lines)
    made = {**{key: item for key, item in record.items() if key != "digest"}, _REWRITES: last["digest"]}
    made["digest"] = digest_of_record(made)
    text = dumps(made)
    files, problems = write_files(folder, name, text, catalogue)
    return Written(
        record=made,
        text=text,
        files=files,
        problems=problems,
        earlier=texts,
        told=tuple(_changes(path, last, made, files)),
    )


def _writings(folder: Path, name: str, record: Mapping[str, Any]) -> list[tuple[Path, str, dict[str, Any]]]:
    """What lies there of the same run and part, oldest first; what was changed since, or amended, is left alone."""
    own = re.compile(rf"{re.escape(name)}(-\d+)?\.record\.json")
    found = []
    for path in sorted(folder.glob("*.record.json"), key=by_number):
        if own.fullmatch(path.name) is None:
            continue
        try:
            text = path.read_text("utf-8")
            other = loads(text, str(path))
            same = all(other["run"][key] == record["run"][key] for key in ("journal_sha256", "serial"))
            if same and "amends" not in other and digest_of_record(other) == other["digest"]:
                found.append((path, text, other))
        except (OSError, ValueError, KeyError, TypeError, RecursionError, HoldzeroError):
            continue
    return found


def _content(record: Mapping[str, Any]) -> dict[str, Any]:
    return {key: item for key, item in record.items() if key not in ("digest", _REWRITES)}


def _changes(path: Path, last: Mapping[str, Any], made: Mapping[str, Any], files: list[Path]) -> list[str]:
    """What differs, and what that means."""
    old, new = _content(last), _content(made)
    parts = [key for key in new if old.get(key) != new[key] and key != "software"]
    what = f"differs in {', '.join(parts)}" if parts else "says the same, and other software made it"
    told = [f"{path}: made again from its journal the record {what}; this one stays as an earlier writing"]
    if last["verdict"] != made["verdict"]:
        told.append(f"its verdict was {str(last['verdict']).upper()}, and is {str(made['verdict']).upper()} now")
    if files:
        told.append(f"{files[0]}: counts in its place, in the book too, unless a person amended that")
    return told
