"""Whether somebody answers for a routine's text as it stands, and how that is written into it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any

__all__ = ["approval_state", "with_approval"]

# A table's head on a line of its own; whatever follows up to the next head belongs to it.
_HEAD = re.compile(r"^[ \t]*\[", re.MULTILINE)
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
