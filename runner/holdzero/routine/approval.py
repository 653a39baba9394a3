"""Whether somebody answers for a routine's text as it stands, and how that is written into it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any

__all__ = ["NOT_APPROVED", "approval_state", "open_looks", "unapproved", "with_approval"]

NOT_APPROVED = "NOT APPROVED: nobody has answered for the text of this routine"
"""What a run and its record must not be looked at without, where `approval_state` is `none`."""


# A table's head on a line of its own; whatever follows up to the next head belongs to it.
_HEAD = re.compile(r"^[ \t]*\[", re.MULTILINE)
# A text in quotes, or the comment: what comes first, as an apostrophe within a comment begins no text.
_TEXT_OR_COMMENT = re.compile(r"""\"(?:\\.|[^"\\])*"|'[^']*'|(?P<comment>#.*)""")
_LOOK = re.compile(r"\bLOOK:")
_OWN = re.compile(r"^[ \t]*\[[ \t]*approval[ \t]*\][ \t]*(?:#.*)?$", re.MULTILINE)


def approval_state(approval: Mapping[str, Any] | None, text_digest: str) -> str:
    """Whether an approval holds for a text.

    Args:
        approval: the table `[approval]` as plain data; None where the routine has none.
        text_digest: of the routine as written.

    Returns:
        `none`, `approved`, or `changed` where the text is not the one that was approved.

    >>> approval_state(None, "sha256:00"), approval_state({"digest": "sha256:00"}, "sha256:00")
    ('none', 'approved')
    """
    if approval is None:
        return "none"
    return "approved" if approval.get("digest") == text_digest else "changed"


def unapproved(record: Mapping[str, Any]) -> bool:
    """Whether a record is of a routine that was never approved; a trial, and what is made up, say enough of themselves.

    Args:
        record: as plain data.
    """
    trial = record["run"].get("purpose") == "trial"
    return record["routine"].get("approval") == "none" and not trial and not record["simulated"]


def open_looks(text: str) -> list[int]:
    r"""Lines of a TOML text whose comment still asks somebody to look, counted from 1.

    >>> open_looks('a = "# LOOK: no"\nb = 1  # LOOK: typed once')
    [2]
    """
    return [number for number, line in enumerate(text.split("\n"), 1) if _LOOK.search(_comment_of(line))]


def _comment_of(line: str) -> str:
    return next((found["comment"] for found in _TEXT_OR_COMMENT.finditer(line) if found["comment"]), "")


def with_approval(text: str, *, by: str, on: dt.date, digest: str, note: str = "") -> str:
    """The routine's text with its approval written into it; all else stays as it was.

    Args:
        text: of the routine file.
        by: who approved it.
        on: on which day.
        digest: of the text as written.
        note: what was looked at, or why it changed.

    Returns:
        The text, its table `[approval]` replaced or put at the end.
    """
    import tomli_w

    table = {"by": by, "on": on, "digest": digest, **({"note": note} if note else {})}
    own = _OWN.search(text)
    lines = tomli_w.dumps({"approval": table})
    if own is None:
        return f"{text.rstrip()}\n\n{lines}"
    after = _HEAD.search(text, own.end())
    rest = text[after.start() :] if after is not None else ""
    return f"{text[: own.start()]}{lines}{f'{chr(10)}{rest}' if rest else ''}"
