"""What there is to do in a folder: routines to choose, and journals of runs that are not over.

Files are read once and again only when they changed: the folder of the runs grows for years.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Generic, TypeVar

from holdzero import events as e
from holdzero.errors import HoldzeroError
from holdzero.journal import read_journal
from holdzero.json_text import read_json
from holdzero.page.snapshot import OpenRun, RoutineHere
from holdzero.routine.load import load_routine, members
from holdzero.routine.resolve import Kinds
from holdzero.run import Run
from holdzero.run.state import Phase

__all__ = ["OpenRuns", "RoutinesHere", "run_of"]

_JOURNAL, _RECORD = ".journal.jsonl", ".record.json"
_TAIL = 65_536  # bytes; the last event of a run is far shorter
_NO_ROUTINES = frozenset({"shop.toml", "pyproject.toml"})

_Told = TypeVar("_Told")


class _Once(Generic[_Told]):
    """What was made of each file, as long as the file does not change."""

    def __init__(self, make: Callable[[Path], _Told], keep: Callable[[_Told], bool] = lambda _: True) -> None:
        self._make = make
        self._keep = keep
        self._known: dict[Path, tuple[tuple[int, int], _Told]] = {}

    def of(self, paths: Sequence[Path]) -> list[tuple[Path, _Told]]:
        """Each file that is there, and what was made of it."""
        kept = {}
        for path in paths:
            try:
                status = path.stat()
            except OSError:
                continue
            state = (status.st_mtime_ns, status.st_size)
            known = self._known.get(path)
            kept[path] = known if known is not None and known[0] == state else (state, self._make(path))
        self._known = {path: known for path, known in kept.items() if self._keep(known[1])}
        return [(path, told) for path, (_, told) in kept.items()]


class OpenRuns:
    """Journals in the folder of the runs that can be gone on with."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._ended: _Once[bool] = _Once(_ends)
        self._told: _Once[OpenRun | None] = _Once(_told)

    def __call__(self) -> tuple[OpenRun, ...]:
        """The newest first. What is damaged can't be gone on with; `holdzero resume` says why."""
        names = sorted(path.name for path in self.folder.glob(f"*{_RECORD}"))
        journals = sorted(self.folder.glob(f"*{_JOURNAL}"))
        wanted = [
            path
            for path, ended in self._ended.of(journals)
            if not (ended and _has_record(path.name.removesuffix(_JOURNAL), names))
        ]
        found = [told for _, told in self._told.of(wanted) if told is not None]
        return tuple(sorted(found, key=lambda told: told.left, reverse=True))


def _has_record(stem: str, names: Sequence[str]) -> bool:
    """Whether a record of this run lies there: its name begins as that of the journal."""
    return any(name.startswith((f"{stem}-", f"{stem}.")) for name in names)


def _ends(path: Path) -> bool:
    """Whether the last entry of a journal is the end of a run; quickly, without a look at the rest."""
    try:
        if not path.is_file():  # a pipe would be waited for
            return False
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - _TAIL))
            last = file.read().rstrip(b"\n").rpartition(b"\n")[2]
        event = read_json(last)["event"]["event"]
    except (OSError, ValueError, KeyError, TypeError):
        return False
    return event in ("run_finished", "run_abandoned")


def _told(path: Path) -> OpenRun | None:
    try:
        run = run_of(path)
    except HoldzeroError:
        return None
    state, first = run.state, run.events[0]
    if state.routine is None or not isinstance(first, e.RunStarted):
        return None
    return OpenRun(
        name=path.name,
        title=state.routine.routine.title,
        part=state.routine.routine.part,
        serials=tuple(serial for serial in state.serials if serial is not None),
        operator=state.operator or "",
        started=first.wall,
        left=run.events[-1].wall,
        readings=len(state.readings),
        over=state.phase in (Phase.FINISHED, Phase.ABANDONED),
    )


def run_of(path: Path) -> Run:
    """The run of a journal.

    Raises:
        HoldzeroError: it can't be read, or is none.
    """
    return Run.of(read_journal(path).events)


class RoutinesHere:
    """Routines in a folder, or the one in a file.

    Args:
        path: of the folder or the file.
        kinds: of step that plugins declare.
    """

    def __init__(self, path: Path, kinds: Kinds) -> None:
        self.path = path
        self.kinds = kinds
        # What is wrong may be mended in another file: a fragment.
        self._told: _Once[RoutineHere] = _Once(self._tell, keep=lambda told: not told.fault)

    def __call__(self) -> tuple[RoutineHere, ...]:
        """By their names; what does not load says why."""
        if not self.path.is_dir():
            return (self._tell(self.path),)
        files = sorted(path for path in self.path.glob("*.toml") if path.name not in _NO_ROUTINES)
        return tuple(told for _, told in self._told.of(files))

    def file(self, name: str) -> Path:
        """The file of a routine that was offered."""
        return self.path / name if self.path.is_dir() else self.path

    def _tell(self, path: Path) -> RoutineHere:
        try:
            names = members(path)
            loaded = load_routine(path, names[0] if names else None, self.kinds)
        except HoldzeroError as error:
            return RoutineHere(name=path.name, fault=str(error).splitlines()[0])
        header = loaded.routine.routine
        return RoutineHere(
            name=path.name,
            title=header.title,
            part=header.part,
            revision=header.revision,
            members=names,
            batch=loaded.routine.takes_batches,
        )
