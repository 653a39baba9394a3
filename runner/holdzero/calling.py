"""Calling one check so that it can do no harm, and refusing what it returned where that is nonsense."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

import numpy as np

from holdzero.catalogue import Plugin
from holdzero.handed import Handed, handed_copies
from holdzero.hooks import Apart, CharacteristicView, Check, Finding, Level, Offer, RunView, Settings, Term
from holdzero.one_by_one import runs_in
from holdzero.patience import named, within
from holdzero.taken_over import taken_over
from holdzero.untouched import Untouched
from holdzero.worded import Words, real

__all__ = ["BoundCheck", "Failure", "given_by", "handed_to", "told"]

_LONGEST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundCheck:
    """A check with its settings for one routine."""

    plugin: Plugin
    check: Check
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """A plugin that failed.

    Attributes:
        plugin: which.
        during: while doing what.
        message: how.
        what: what kind of thing it is.
        runs: in which runs of a rehearsal; empty where in all.
    """

    plugin: str
    during: str
    message: str
    what: str = "check"
    runs: tuple[bool, ...] = ()

    @property
    def finding(self) -> Finding:
        """The failure as a finding that stops the result."""
        text = (
            f"The {self.what} {self.plugin} failed in {self.during}: {self.message}. The result can't stand without it."
        )
        holds = np.array(self.runs) if self.runs else True
        return Finding(level=Level.STOP, code=f"{self.plugin}/failed", text=text, holds=holds)


def given_by(
    item: BoundCheck, kind: type[Any], function: Callable[[], Iterable[Any]], view: RunView, limit_s: float
) -> list[Any]:
    """What one call of a check gives, each entry looked at.

    Args:
        item: whose function it is; a built-in one is called directly, a stranger's in a thread.
        kind: of entries.
        function: takes nothing.
        view: that it was given.
        limit_s: how long to wait [s].

    Raises:
        GivenUpError: it took longer.
        Exception: whatever it raised, or what is wrong with what it returned.
    """
    if item.plugin.built_in:
        return [_sound(entry, kind, view) for entry in function()]

    def work() -> list[Any]:
        words = Words()
        entries = list(islice(function(), _MOST + 1))
        if len(entries) > _MOST:
            raise ValueError(f"it gave more than {_MOST} of {kind.__name__} in one call")
        # What it gave may give something else the next time: what is ours is looked at, too.
        return [_sound(taken_over(_sound(entry, kind, view), kind, words), kind, view) for entry in entries]

    return within(limit_s, work, f"check {item.check.name}")


# More than anybody would read of one check.
_MOST = 1000


def handed_to(
    item: BoundCheck, view: RunView, seen: tuple[CharacteristicView, ...], tool: Untouched | None
) -> AbstractContextManager[Handed]:
    """What a check is called with: a stranger's gets copies, which are looked at again when the block ends.

    Args:
        item: the check.
        view: of the run.
        seen: characteristics of it.
        tool: as it was before; None where nobody looks.

    Raises:
        ChangedError: at the end: it changed them, or the tool.
    """
    given = Handed(item.settings, view, seen)
    return nullcontext(given) if item.plugin.built_in else handed_copies(given, tool)


def _sound(entry: object, kind: type[Any], view: RunView) -> Any:
    """What a check returned, if it is what it should be.

    Raises:
        TypeError, ValueError: it is not.
    """
    if not isinstance(entry, kind):
        raise TypeError(f"it returned {type(entry).__name__}, not {kind.__name__}")
    if isinstance(entry, Term):
        _estimates_are_sound(entry)
    if isinstance(entry, Apart):
        _estimates_are_sound(entry.term)
    if not isinstance(entry, Finding):
        return entry
    words: tuple[object, ...] = (entry.code, entry.text)
    if not all(isinstance(word, str) for word in words):
        raise TypeError("code and text of a finding must be text")
    if entry.characteristic is not None and entry.characteristic not in view.routine.characteristics:
        # A stop for a characteristic that is not there would stop nothing.
        raise ValueError(f"a finding names {entry.characteristic!r:.100}, no characteristic of the routine")
    if entry.offer is not None and not isinstance(entry.offer, Offer):
        raise TypeError(f"an offer must be an Offer, found {type(entry.offer).__name__}")
    holds = np.asarray(entry.holds)
    if holds.dtype != np.bool_ or (holds.ndim and holds.shape != (runs_in(view),)):
        raise TypeError(f"holds must be true or false, found {entry.holds!r:.100}")
    for number in entry.data.values():
        real(number, "a number of a finding")
    return replace(entry, level=Level(entry.level))


def _estimates_are_sound(term: Term) -> None:
    """Refuse what the model would take for less uncertainty than there is."""
    for item in term.inputs:
        for part in item.estimate.parts:
            if not np.all(np.asarray(real(part.standard_uncertainty, "a standard uncertainty")) >= 0.0):
                raise ValueError(f"{item.name}: {part.standard_uncertainty!r} is no standard uncertainty")
            if not np.all(np.asarray(real(part.dof, "degrees of freedom")) > 0.0):
                raise ValueError(f"{item.name}: {part.dof!r} can't be degrees of freedom")


def told(error: BaseException) -> str:
    """What a plugin raised, in words that are the same whenever it is raised again.

    >>> told(ValueError("no <object at 0x7f00aa>"))
    'ValueError: no <object>'
    """
    return re.sub(r" at 0x[0-9a-fA-F]+", "", named(error))[:_LONGEST]
