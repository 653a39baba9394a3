"""Text and numbers that somebody else's code gave, as a record can hold them."""

from __future__ import annotations

from typing import Any

import numpy as np

from holdzero.quantity import Number

__all__ = ["LONGEST_TEXT", "Words", "real", "worded"]

LONGEST_TEXT = 65_536
"""So much text a plugin may give in one call [characters]: a record is for people to read."""


class Words:
    """The text of one call, counted: much of it in many pieces is as much."""

    def __init__(self) -> None:
        self._left = LONGEST_TEXT

    def take(self, text: object, what: str) -> str:
        """A text as it is, if there is room for it.

        Raises:
            TypeError, ValueError: it is none, or can't stand in a record.
        """
        own = worded(text, what)
        self._left -= len(own)
        if self._left < 0:
            raise ValueError(f"it gave more than {LONGEST_TEXT} characters of text in one call")
        return own


def worded(text: object, what: str) -> str:
    """A text of our own.

    Args:
        text: anything.
        what: it should be.

    Raises:
        TypeError: it is no text.
        ValueError: it is too long, or no UTF-8 can hold it.

    >>> worded("a" * 70_000, "text of a finding")
    Traceback (most recent call last):
    ValueError: text of a finding has 70000 characters; at most 65536 can be kept
    """
    if not isinstance(text, str):
        raise TypeError(f"{what} must be text, found {type(text).__name__}")
    if (length := str.__len__(text)) > LONGEST_TEXT:
        raise ValueError(f"{what} has {length} characters; at most {LONGEST_TEXT} can be kept")
    try:
        # By way of bytes, so that it is a plain text and nobody's own kind of one.
        return str.encode(text, "utf-8").decode("utf-8")
    except UnicodeEncodeError:
        raise ValueError(f"{what} has half a character, which no file can hold: {text!a:.80}") from None


def real(number: Any, what: str) -> Number:
    """A real number of our own, or an array of them.

    Raises:
        TypeError, ValueError: it is neither.

    >>> real(1 + 2j, "value of an input")
    Traceback (most recent call last):
    TypeError: value of an input must be a real number, found (1+2j)
    """
    if isinstance(number, float | int) and not isinstance(number, bool):
        return float(number)
    if isinstance(number, str | bytes) or number is None or np.iscomplexobj(number):
        raise TypeError(f"{what} must be a real number, found {number!r:.80}")
    own = np.asarray(number, dtype=np.float64)
    return own if own.ndim else float(own)
