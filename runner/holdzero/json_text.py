"""Reading JSON that somebody else wrote: each key once, numbers that are numbers.

Where a key stands twice, two readers may take two different values for the same document: one digest would then
stand for both. RFC 8259, clause 4, leaves it open which is taken; RFC 7493 (I-JSON), 2.3, forbids it, and so do we.
Nor has a document a digest (RFC 8785) with a whole number that not every reader can hold.
"""

from __future__ import annotations

import json
import re
from typing import Any

__all__ = ["MOST", "escaped", "read_json"]

MOST = 2**53 - 1
"""The largest whole number that every reader can hold: RFC 7493, 2.2."""
_LONGEST_KEY = 60


def read_json(text: str | bytes) -> Any:
    """The data of a JSON document.

    Raises:
        ValueError: it is none, a key stands twice in an object, a number is none or too large, or it nests too deeply.
    """
    try:
        return json.loads(text, object_pairs_hook=_once_each, parse_constant=_refuse_constant, parse_int=_whole)
    except RecursionError:
        raise ValueError("brackets nested too deeply") from None


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"the key {twice[:_LONGEST_KEY]!a} stands twice in one object: which is meant?")
    return made


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _whole(text: str) -> int:
    if len(text) > len(str(-MOST)) or abs(int(text)) > MOST:
        raise ValueError(f"{text[:_LONGEST_KEY]} is too large for a whole number: {MOST} is the most")
    return int(text)


# Controls that JSON lets stand raw, line ends of other kinds, format characters, halves of a character.
_UNSHOWN = re.compile(
    "[\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u0890\u0891\u08e2\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ud800-\udfff\ufeff\ufff9-\ufffb\U000110bd\U000110cd\U00013430-\U0001343f\U0001bca0-\U0001bca3"
    "\U0001d173-\U0001d17a\U000e0001-\U000e007f]"
)


def escaped(text: str) -> str:
    r"""A JSON text that says the same and shows nothing that acts: such characters stand as escapes.

    >>> escaped('{"part": "A\u202e1"}')
    '{"part": "A\\u202e1"}'
    """
    return _UNSHOWN.sub(lambda found: json.dumps(found.group())[1:-1], text)
