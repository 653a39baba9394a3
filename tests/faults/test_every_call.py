"""Each write, fsync, rename, link, lock and statement fails, at every place, once and from then on.

What was acknowledged is there afterwards, what was not is named, and a later attempt succeeds; see `failing`.
"""

from __future__ import annotations

import sys

import pytest

if sys.platform != "linux":
    pytest.skip("which file a number is of is asked of /proc", allow_module_level=True)

from tests.faults.failing.files import JournalGoneOn, JournalSubject, KeySubject, RegisterSubject
from tests.faults.failing.trying import Subject, tried


def assert_holds(subject: Subject) -> None:
    row = tried(subject)
    assert row.tried >= 4 * sum(row.calls.values())
    assert row.faults == ()


@pytest.mark.parametrize("subject", [JournalSubject(), JournalGoneOn()], ids=lambda subject: subject.name)
def test_a_journal(subject: JournalSubject) -> None:
    assert_holds(subject)


def test_a_signing_key() -> None:
    assert_holds(KeySubject())


def test_a_register() -> None:
    assert_holds(RegisterSubject())
