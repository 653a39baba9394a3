"""Prints the table: subject, calls, how often something failed, what was wrong."""

from __future__ import annotations

import sys
import time

from tests.faults.failing.books import BookSubject, OldBookSubject
from tests.faults.failing.files import JournalGoneOn, JournalSubject, KeySubject, RegisterSubject
from tests.faults.failing.trying import tried

SUBJECTS = (JournalSubject, JournalGoneOn, KeySubject, RegisterSubject, BookSubject, OldBookSubject)


def main(wanted: list[str]) -> int:
    """Try all subjects, or those whose name holds one of the words; gives the exit code."""
    bad = 0
    for make in SUBJECTS:
        subject = make()
        if wanted and not any(word in subject.name for word in wanted):
            continue
        began_s = time.perf_counter()
        row = tried(subject)
        calls = ", ".join(f"{count} {name}" for name, count in sorted(row.calls.items()))
        took_s = time.perf_counter() - began_s
        print(
            f"{row.name}: {sum(row.calls.values())} calls ({calls}); {row.tried} tried in {took_s:.1f} s; "
            f"{len(row.faults)} faults"
        )
        for fault in row.faults:
            print(f"    {fault}")
        bad += len(row.faults)
    return 1 if bad else 0


sys.exit(main(sys.argv[1:]))
