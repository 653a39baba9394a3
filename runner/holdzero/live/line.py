"""An instrument as the run hears it: what its plugin does wrong is told as a fault of the line, and stops nothing."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from holdzero.checks import told
from holdzero.hooks import Habits, Instrument, Said, Sends

__all__ = ["Line"]

_REQUEST_S = 0.25

_T = TypeVar("_T")


class Line:
    """One instrument.

    Args:
        of: what it is of: the comparator or the thermometers.
        instrument: from a plugin, which may raise anything; then it is asked no more.
        counter_s: of the machine [s].

    Attributes:
        lost: why it could not be heard when that was looked at last; empty where it could.
    """

    def __init__(self, of: str, instrument: Instrument, counter_s: Callable[[], float]) -> None:
        self.of = of
        self.lost = ""
        self._instrument = instrument
        self._counter_s = counter_s
        self._habits = instrument.habits
        self._asks = self._habits.sends is Sends.ASKED
        self._requested_s = -math.inf
        self._unsaid = ""
        self._broken = ""

    @property
    def habits(self) -> Habits:
        """How it behaves; a virtual one knows its comparator only once the run has begun."""
        now: object = self._tried(lambda: self._instrument.habits, self._habits)
        self._habits = now if isinstance(now, Habits) else self._habits
        return self._habits

    def fault(self) -> str:
        """Why it can't be heard now; that is kept until `changed` has told it."""
        self._unsaid = self._unsaid or self._fault_now()
        return self._unsaid

    def changed(self) -> bool:
        """Whether it was lost, or is back, since the last look; `lost` is set to what is so now."""
        before, self.lost, self._unsaid = self.lost, self._unsaid or self._fault_now(), ""
        return bool(before) is not bool(self.lost)

    def lines(self) -> Sequence[Said]:
        """All whole lines since the last call, none of them of the future; where it wants to be asked, it is."""
        now_s = self._counter_s()
        if self._asks and now_s - self._requested_s >= _REQUEST_S:
            self._requested_s = now_s
            self._tried(self._instrument.request, None)
        return self._tried(self._said, ())

    def close(self) -> None:
        """Let go of it."""
        with contextlib.suppress(Exception, SystemExit):
            self._instrument.close()

    def _said(self) -> Sequence[Said]:
        given: Sequence[Any] = list(self._instrument.lines())
        for one in given:
            at_s, answer = getattr(one, "at_s", None), getattr(one, "answer", None)
            if not isinstance(one, Said) or not isinstance(at_s, int | float) or not isinstance(answer, str | None):
                raise TypeError(f"{one!r:.200} is no line")
            if not math.isfinite(at_s):
                raise ValueError(f"a line of {at_s} s")
        now_s = self._counter_s()
        return [replace(one, at_s=min(one.at_s, now_s)) for one in given]

    def _fault_now(self) -> str:
        fault: object = self._tried(self._instrument.fault, "")
        return self._broken or (fault if isinstance(fault, str) else f"{fault!r:.200}")

    def _tried(self, call: Callable[[], _T], otherwise: _T) -> _T:
        if self._broken:
            return otherwise
        try:
            return call()
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            self._broken = f"its plugin failed ({told(error)}); end the run here and go on with it anew"
            return otherwise
