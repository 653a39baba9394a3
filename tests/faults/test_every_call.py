"""Each write, fsync, rename, link, lock and statement fails, at every place, once and from then on.

What was acknowledged is there afterwards, what was not is named, and a later attempt succeeds; see `failing`.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

if sys.platform != "linux":
    pytest.skip("which file a number is of is asked of /proc", allow_module_level=True)

from tests.faults.failing.books import BookSubject, NewBookSubject, OldBookSubject, ServerBookSubject
from tests.faults.failing.command_line import ApprovalSubject, ResumeSubject, RunSubject
from tests.faults.failing.files import JournalGoneOn, JournalSubject, KeySubject, RegisterSubject, TornJournal
from tests.faults.failing.trying import Subject, tried

if TYPE_CHECKING:
    from tests.support.postgresql import Server


def assert_holds(subject: Subject, *, one_each: bool = False) -> None:
    row = tried(subject, one_each=one_each)
    assert row.tried >= (1 if one_each else 4) * sum(row.calls.values())
    assert row.faults == ()


@pytest.mark.parametrize("subject", [JournalSubject(), JournalGoneOn(), TornJournal()], ids=lambda one: one.name)
def test_a_journal(subject: JournalSubject) -> None:
    assert_holds(subject)


def test_a_signing_key() -> None:
    assert_holds(KeySubject())


@pytest.mark.long
@pytest.mark.parametrize(
    "make",
    [RegisterSubject, ApprovalSubject, RunSubject, ResumeSubject, BookSubject, NewBookSubject, OldBookSubject],
    ids=lambda make: make.name,
)
def test_all_else(make: type[Subject]) -> None:
    assert_holds(make())


@pytest.mark.long
def test_a_book_on_postgresql(server: Server) -> None:
    database = server.database()
    # All ways take minutes: python -m tests.faults.failing PostgreSQL
    assert_holds(ServerBookSubject(database=database), one_each=True)
    server.drop(database)
