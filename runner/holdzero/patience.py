"""Waiting for somebody else's code no longer than it is worth.

What is given up goes on in a thread of its own that nobody waits for; Python can't end it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from holdzero.errors import HoldzeroError

__all__ = ["GivenUpError", "named", "within"]

T = TypeVar("T")


class GivenUpError(HoldzeroError):
    """Something did not come back in time, or tried to end the tool."""


def within(limit_s: float, work: Callable[[], T], what: str) -> T:
    """What `work` gives, if it does so in time.

    Args:
        limit_s: how long to wait [s].
        work: takes nothing.
        what: it is, for the thread's name.

    Raises:
        GivenUpError: it took longer, or raised what would end the tool.
        Exception: whatever `work` raised.
    """
    done: list[T] = []
    failed: list[BaseException] = []

    def go() -> None:
        try:
            done.append(work())
        except BaseException as error:  # noqa: BLE001  even SystemExit must not end the tool
            failed.append(error)

    thread = threading.Thread(target=go, daemon=True, name=what)
    thread.start()
    thread.join(limit_s)
    if done:
        return done[0]
    if not failed:
        raise GivenUpError(f"it was not done within {limit_s:g} s")
    if isinstance(failed[0], Exception):
        raise failed[0]
    raise GivenUpError(f"it raised {named(failed[0])}")


_LONGEST = 1000
_name_of = type.__dict__["__name__"].__get__


def named(error: BaseException) -> str:
    """The kind of an error and what it says, as text that a file can hold: somebody's own kind may do anything.

    >>> named(ValueError("no"))
    'ValueError: no'
    """
    try:
        text = str.__str__(str(error))
    except BaseException:  # noqa: BLE001  even that is somebody else's
        text = "it can't say what"
    return f"{_name_of(type(error))}: {text[:_LONGEST]}".encode("utf-8", "replace").decode("utf-8")
