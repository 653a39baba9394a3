"""Tries a subject: counts its calls, then lets each of them fail in every way, and looks at what is left."""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from holdzero.errors import HoldzeroError
from tests.faults.failing.calls import Failing, Kind

__all__ = ["Row", "Said", "Subject", "left_by", "left_later", "tried"]


@dataclass(slots=True)
class Said:
    """What a subject said while it worked.

    Attributes:
        done: what was acknowledged, in order: returned, or printed as done.
        told: what a person read of what went wrong.
    """

    done: list[str] = field(default_factory=list)
    told: str = ""


class Subject(Protocol):
    """Something that keeps what it is given.

    Attributes:
        name: in the table.
        wanted: all that it does.
    """

    name: str
    wanted: tuple[str, ...]

    def prepared(self, folder: Path) -> None:
        """Make in an empty folder what it needs; a copy of that is what it begins with each time."""
        ...

    def fresh(self, folder: Path) -> None:
        """Make ready what is not in the folder."""
        ...

    def does(self, folder: Path, said: Said) -> None:
        """Do all that is not done there yet, and say what was done.

        Raises:
            HoldzeroError: it could not.
        """
        ...

    def found(self, folder: Path) -> list[str]:
        """What the public readers find of it."""
        ...

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        """What else is not as it should be, in words."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What came of a subject.

    Attributes:
        name: of it.
        calls: that a sound pass makes, by name.
        tried: how many times something failed.
        faults: what was wrong, in words.
    """

    name: str
    calls: Counter[str]
    tried: int
    faults: tuple[str, ...]


def tried(subject: Subject, *, one_each: bool = False) -> Row:
    """Let each call of a subject fail, once and from then on, in every way.

    Args:
        subject: to be tried.
        one_each: whether each call fails in one of the ways, in turn, where all of them take long.
    """
    memory = Path("/dev/shm")  # noqa: S108  nothing has to be on a disk that fails
    with tempfile.TemporaryDirectory(prefix="failing-", dir=memory if memory.is_dir() else None) as place:
        begin = Path(place) / "begin"
        begin.mkdir()
        subject.prepared(begin)
        counted = _sound(subject, begin, Path(place) / "sound")
        faults: list[str] = []
        count = 0
        for number, name in enumerate(counted, 1):
            ways = list(_ways(name))
            for kind, always in ways[number % len(ways) :][:1] if one_each else ways:
                count += 1
                failing = Failing(folder=Path(place) / f"{count}", at=number, kind=kind, always=always)
                shutil.copytree(begin, failing.folder)
                what = f"{kind} {'from' if always else 'at'} call {number} ({name})"
                faults.extend(f"{what}: {fault}" for fault in _after(subject, failing))
                shutil.rmtree(failing.folder)
    return Row(name=subject.name, calls=Counter(counted), tried=count, faults=tuple(faults))


def _ways(name: str) -> Iterator[tuple[Kind, bool]]:
    """How a call can fail: half of it is done where it writes, or where a database does it."""
    for kind in Kind:
        if kind is not Kind.SHORT or name == "write" or name in _DOES:
            yield from ((kind, False), (kind, True))


_DOES = frozenset(f"SQL {word}" for word in ("INSERT", "UPDATE", "CREATE", "COMMIT", "ROLLBACK"))
"""Statements that leave something else than an answer."""


def _sound(subject: Subject, begin: Path, folder: Path) -> list[str]:
    """The calls of a pass in which nothing fails."""
    shutil.copytree(begin, folder)
    subject.fresh(folder)
    said = Said()
    with Failing(folder=folder).within() as counted:
        subject.does(folder, said)
    faults = [*_lost(subject, folder, subject.wanted), *_lost(subject, folder, said.done), *subject.wrong(folder, said)]
    if faults or not set(subject.wanted) <= set(said.done):
        raise AssertionError(f"{subject.name}: a sound pass is not sound: {faults}, {said}")
    return counted.made


def _after(subject: Subject, failing: Failing) -> Iterator[str]:
    """What is wrong after a call failed, and after it was tried once more with nothing failing."""
    subject.fresh(failing.folder)
    said, faults = left_by(subject, failing.folder, failing.within())
    yield from faults
    durable = failing.made[failing.at - 1 : failing.at] in (["fsync"], ["SQL COMMIT"])
    if durable and not said.told:
        yield "it was acknowledged, and it is not known to be on disk"
    yield from left_later(subject, failing.folder, said)


def left_by(
    subject: Subject, folder: Path, failing: contextlib.AbstractContextManager[object]
) -> tuple[Said, list[str]]:
    """Let a subject work while something fails; gives what it said, and what is wrong then."""
    said, screen = Said(), io.StringIO()
    with contextlib.redirect_stderr(screen), failing:
        error = _error_of(lambda: subject.does(folder, said))
    said.told = f"{error or ''}\n{said.told}{screen.getvalue()}".strip()
    return said, [*_badly_told(error, said, folder), *_lost(subject, folder, said.done), *subject.wrong(folder, said)]


def left_later(subject: Subject, folder: Path, before: Said) -> Iterator[str]:
    """Let it work once more, with nothing failing; gives what is wrong then."""
    said, screen = Said(), io.StringIO()
    with contextlib.redirect_stderr(screen):
        error = _error_of(lambda: subject.does(folder, said))
    if error is not None or said.told or screen.getvalue():
        yield f"a later attempt failed: {error!r} {said.told}{screen.getvalue()}"
    yield from (f"after a later attempt: {fault}" for fault in _lost(subject, folder, (*before.done, *subject.wanted)))
    yield from (f"after a later attempt: {fault}" for fault in subject.wrong(folder, said))


def _error_of(work: Callable[[], None]) -> BaseException | None:
    try:
        work()
    except (Exception, SystemExit) as error:  # noqa: BLE001  whatever it is, it is looked at
        return error
    return None


def _lost(subject: Subject, folder: Path, done: tuple[str, ...] | list[str]) -> Iterator[str]:
    """What was acknowledged, or wanted, and is not found."""
    try:
        found = Counter(subject.found(folder))
    except HoldzeroError as error:
        found = Counter()
        if done:
            yield f"nothing can be read: {error}"
    for item in dict.fromkeys(done):
        if not found[item]:
            yield f"{item} is lost"


def _badly_told(error: BaseException | None, said: Said, folder: Path) -> Iterator[str]:
    """What is wrong with the words in which a failure was told."""
    told = said.told
    if error is not None and not isinstance(error, HoldzeroError):
        yield f"{type(error).__name__} came out: {error}"
        return
    if any(word in told for word in ("Traceback", "fault of the tool", "sqlalchemy", "Exception during")):
        yield f"a traceback or the tool's own fault was told: {told[:300]}"
    if error is not None and not (folder.name in told or "127.0.0.1" in told):
        yield f"no file is named: {told[:300]}"
    if error is not None and not any(mark in told for mark in ("\n    ", "; ")):
        yield f"nobody is told what to do: {told[:300]}"
