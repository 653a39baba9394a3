"""Prints the table: subject, calls, how often something failed, what was wrong."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator

from tests.faults.failing.books import BookSubject, NewBookSubject, OldBookSubject, ServerBookSubject
from tests.faults.failing.command_line import ApprovalSubject, ResumeSubject, RunSubject
from tests.faults.failing.files import JournalGoneOn, JournalSubject, KeySubject, RegisterSubject, TornJournal
from tests.faults.failing.trying import Subject, tried
from tests.support.postgresql import Server, programs_of_postgresql

ON_DISK = (
    JournalSubject,
    JournalGoneOn,
    TornJournal,
    KeySubject,
    RegisterSubject,
    BookSubject,
    NewBookSubject,
    OldBookSubject,
    ApprovalSubject,
    RunSubject,
    ResumeSubject,
)


@contextlib.contextmanager
def subjects() -> Iterator[Iterator[Subject]]:
    """All of them, that of a database server where one is installed."""
    programs = programs_of_postgresql()
    with contextlib.ExitStack() as stack:
        found: list[Subject] = [make() for make in ON_DISK]
        if programs is not None:
            server = Server(programs)
            stack.callback(server.remove)
            found.append(ServerBookSubject(database=server.database()))
        yield iter(found)


def main(wanted: list[str]) -> int:
    """Try all subjects, or those whose name holds one of the words; gives the exit code."""
    bad = 0
    with subjects() as found:
        for subject in found:
            if wanted and not any(word in subject.name for word in wanted):
                continue
            began_s = time.perf_counter()
            row = tried(subject)
            calls = ", ".join(f"{count} {name}" for name, count in sorted(row.calls.items()))
            took_s = time.perf_counter() - began_s
            print(f"{row.name}: {sum(row.calls.values())} calls, {row.tried} failures, {len(row.faults)} faults")
            print(f"    {calls}; {took_s:.0f} s")
            for fault in row.faults:
                print(f"  ! {fault}")
            bad += len(row.faults)
    return 1 if bad else 0


sys.exit(main(sys.argv[1:]))
