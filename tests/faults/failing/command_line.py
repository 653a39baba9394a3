"""What is kept at the command line: a whole run, a run gone on with, records and reports, an approval."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from holdzero import events as e
from holdzero.cli import ended
from holdzero.errors import HoldzeroError
from holdzero.journal import End, end_of, read_journal
from holdzero.record import digest_of_record, loads
from holdzero.register_history import changes_of
from holdzero.routine.approval import approval_state
from holdzero.routine.load import load_routine
from holdzero.testing import PLAIN
from tests.faults.failing.trying import Said

__all__ = ["ApprovalSubject", "ResumeSubject", "RunSubject"]

_ENDINGS = ("record.json", "html", "results.csv", "readings.csv")
_NEVER = ("Traceback", "fault of the tool", "OSError", "sqlite3", "sqlalchemy")


class _EndedError(HoldzeroError):
    """The command ended with another exit code than that of success, and with these words."""


def told(folder: Path, *words: str) -> tuple[int, str, str]:
    """Run the tool in this process, in a folder; gives its exit code and what it wrote on both streams."""
    streams = [io.TextIOWrapper(io.BytesIO(), "utf-8", newline="\n") for _ in range(2)]
    before = Path.cwd()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["holdzero", *words])
        os.chdir(folder)
        try:
            with contextlib.redirect_stdout(streams[0]), contextlib.redirect_stderr(streams[1]):
                code = ended()
        finally:
            os.chdir(before)
    out, err = (stream.buffer.getvalue().decode("utf-8") for stream in streams)
    return code, out, err


def _begun(folder: Path) -> Path | None:
    """The journal that has entries, if there is one."""
    for path in sorted((folder / "out").glob("*.journal.jsonl")):
        with contextlib.suppress(HoldzeroError):
            if read_journal(path).events:
                return path
    return None


def _answered(journal: Path) -> int:
    return sum(isinstance(event, e.ReadingTaken) for event in read_journal(journal).events)


# As short as a run can be that passes: what fails in the middle of a longer one fails here too.
_SHORT = PLAIN.replace("times = 3", "times = 1")
_ANSWERS = ("0", "+1.0", "0.1")
_RUN = ("run", "washer.toml", "--operator", "T. Ester", "--serial", "7", "--source")


@dataclass
class RunSubject:
    """A run from readings, to its record and reports; gone on with where it was broken off.

    Attributes:
        more: options of each command.
    """

    name: str = "run"
    wanted: tuple[str, ...] = (*_ANSWERS, "PASS", *_ENDINGS)
    more: tuple[str, ...] = ("--out", "out")

    def prepared(self, folder: Path) -> None:
        (folder / "washer.toml").write_text(_SHORT, "utf-8")
        for count in range(len(_ANSWERS) + 1):
            rows = "".join(f",{answer}\n" for answer in _ANSWERS[count:])
            (folder / f"from-{count}.csv").write_text(f"time,answer\n{rows}", "utf-8")

    def fresh(self, folder: Path) -> None: ...

    def does(self, folder: Path, said: Said) -> None:
        journal = _begun(folder)
        if journal is None:
            words: tuple[str, ...] = (*_RUN, "readings:from-0.csv")
        else:
            answered = _answered(journal)
            words = ("resume", str(journal.relative_to(folder)), "--source", f"readings:from-{answered}.csv")
        code, out, said.told = told(folder, *words, *self.more)
        said.done.extend(ending for ending in _ENDINGS if f".{ending}" in out)
        if code == 0:
            said.done.extend(_ANSWERS)
        if "PASS" in out:
            said.done.append("PASS")
        if code:
            raise _EndedError(f"{folder.name}: exit code {code}: {said.told}")

    def found(self, folder: Path) -> list[str]:
        journal = _begun(folder)
        if journal is None:
            return []
        text = read_journal(journal)
        there = [event.raw for event in text.events if isinstance(event, e.ReadingTaken)]
        there.extend(ending for ending in _ENDINGS if list((folder / "out").glob(f"*.{ending}")))
        for record in (folder / "out").glob("*.record.json"):
            made = loads(record.read_text("utf-8"), str(record))
            whole = digest_of_record(made) == made["digest"] and isinstance(text.events[-1], e.RunFinished)
            if whole and made["verdict"] == "pass" and end_of(journal, text)[0] not in (End.CUT, End.OTHER):
                there.append("PASS")
        return there

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        journal = _begun(folder)
        if journal is not None and end_of(journal, read_journal(journal))[0] in (End.CUT, End.OTHER):
            yield "the journal is called cut"
        yield from (f"it told {word}: {said.told}" for word in _NEVER if word in said.told)
        for path in (folder / "out").glob("*.html"):
            if not path.read_text("utf-8").rstrip().endswith("</html>"):
                yield "half a page is there"


@dataclass
class ResumeSubject(RunSubject):
    """A run that was broken off before its last reading, and is gone on with."""

    name: str = "resume"

    def prepared(self, folder: Path) -> None:
        super().prepared(folder)
        rows = "".join(f",{answer}\n" for answer in _ANSWERS[:-1])
        (folder / "some.csv").write_text(f"time,answer\n{rows}", "utf-8")
        told(folder, *_RUN, "readings:some.csv", *self.more)


@dataclass
class ApprovalSubject:
    """A routine that is approved, in a shop that remembers it."""

    name: str = "approval"
    wanted: tuple[str, ...] = ("approved",)

    def prepared(self, folder: Path) -> None:
        (folder / "washer.toml").write_text(PLAIN, "utf-8")
        (folder / "shop.toml").write_text("format = 1\n", "utf-8")

    def fresh(self, folder: Path) -> None: ...

    def does(self, folder: Path, said: Said) -> None:
        code, out, said.told = told(folder, "approve", "washer.toml", "--by", "C. Reeve")
        if code:
            raise _EndedError(f"{folder.name}: exit code {code}: {said.told}")
        if "approved by C. Reeve" in out:
            said.done.append("approved")

    def found(self, folder: Path) -> list[str]:
        return ["approved"] if self.stands(folder) and changes_of(folder / "shop.toml") else []

    def stands(self, folder: Path) -> bool:
        """Whether the text says that it is approved."""
        loaded = load_routine(folder / "washer.toml")
        return approval_state(loaded.document.get("approval"), loaded.text_digest) == "approved"

    def wrong(self, folder: Path, said: Said) -> Iterator[str]:
        yield from (f"it told {word}: {said.told}" for word in _NEVER if word in said.told)
        if not (folder / "washer.toml").read_text("utf-8").startswith(PLAIN):
            yield "the text is not what it was"
        if self.stands(folder) and not changes_of(folder / "shop.toml"):
            yield "it is approved, and its shop does not know"
        if self.stands(folder) and not said.done and "it is approved, and" not in said.told:
            yield f"it is approved, and was told not to be: {said.told}"
