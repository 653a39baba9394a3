"""Which line of a comparator answers what is asked. Pure: lines and moments in, a decision out."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from holdzero.errors import AnswerRefusedError
from holdzero.hooks import Habits, Said, Sends
from holdzero.limit import exceeds
from holdzero.live.glance import Stand

__all__ = ["BY_ITSELF", "Taker", "Trace"]

LONGEST_S = 10.0
"""How long an accepted value may take to stand still [s] (common practice, no source)."""
BY_ITSELF = 'it sends by itself and not when it is pressed: say sends = "stream" in its profile'
"""Why a line answers nothing that nobody can have pressed."""
_MOST, _SPAN_S = 200, 60.0
# In widths of a value that stands still: heat and drift of a part that lies there do not go so far (common practice,
# no source).
_LIFTED = 20.0
# So many lines in such a time are no presses, bounces and all (common practice, no source).
_TOO_MANY, _TOO_SOON_S = 4, 1.2


class Trace:
    """Recent values for a chart: the last minute, no more than some hundreds, however many arrive."""

    def __init__(self) -> None:
        self._kept: deque[tuple[float, float]] = deque(maxlen=_MOST)

    def add(self, at_s: float, value: float) -> None:
        """A value at a moment [s]; one that comes too soon after the last kept is left out."""
        if not self._kept or at_s - self._kept[-1][0] >= _SPAN_S / _MOST:
            self._kept.append((at_s, value))

    def since(self, at_s: float) -> list[tuple[float, float]]:
        """Kept values from a moment [s] on."""
        return [point for point in self._kept if point[0] >= at_s]

    def since_lifted(self, at_s: float, within: float) -> list[tuple[float, float]]:
        """Kept values from a moment [s] on, since the tip was last lifted, far from the newest, and stood still again.

        What came before is the fall of the tip, and no drift.

        Args:
            at_s: not before this moment [s].
            within: how near values of one that stands still lie together.
        """
        points = self.since(at_s)
        far = [index for index, (_, value) in enumerate(points) if abs(value - points[-1][1]) > _LIFTED * within]
        down = points[far[-1] + 1 :] if far else points
        if not far:
            return down
        values = [value for _, value in down]
        # The first of three that lie together may still be on its way.
        threes = (max(three) - min(three) for three in zip(values, values[1:], values[2:], strict=False))
        still = next((index + 1 for index, apart in enumerate(threes) if not exceeds(apart, within)), len(down) - 1)
        return down[still:]


@dataclass(frozen=True, slots=True)
class _Heard:
    said: Said
    value_um: float


class Taker:
    """Decides by the habits of an instrument.

    Args:
        habits: of the instrument.
    """

    def __init__(self, habits: Habits) -> None:
        self.habits = habits
        self.shown_s = 0.0
        self.accepted_s: float | None = None
        self._last: Said | None = None
        self._good: _Heard | None = None
        self._window: deque[_Heard] = deque(maxlen=max(2, habits.still_number))
        self._taken = ""
        self._taken_um: float | None = None
        self._unread = False
        self._pressed_s = -math.inf
        self._came_s: deque[float] = deque(maxlen=_TOO_MANY)
        self._moved = True
        self._warned = False

    def know(self, habits: Habits) -> None:
        """Go by other habits from now on."""
        if habits != self.habits:
            self.habits = habits
            self._window = deque(self._window, maxlen=max(2, habits.still_number))

    def show(self, at_s: float) -> None:
        """A step is shown from this moment [s] on: what came before answers nothing."""
        self.shown_s, self.accepted_s = at_s, None

    @property
    def streams(self) -> bool:
        """Whether lines come without a press."""
        return self.habits.sends is not Sends.PRESS

    @property
    def value(self) -> tuple[Said, float] | None:
        """The newest line that could be understood, and its value [um]."""
        return (self._good.said, self._good.value_um) if self._good is not None else None

    def hear(self, said: Said, value_um: float | None) -> str:
        """Take in a line, whose value [um] was understood or not.

        Returns:
            Why the line answers nothing, in words; empty where it may.
        """
        last, self._last = self._last, said
        self._unread = said.answer is None or (self.streams and value_um is None)
        if said.answer is None:
            # A series of lines that can't be understood is told once.
            return said.why if last is None or last.answer is not None or not self.streams else ""
        if value_um is not None:
            self._good = _Heard(said, value_um)
            self._window.append(self._good)
            # A tip that was lifted went further than a value that stands still ever does.
            apart = math.inf if self._taken_um is None else abs(value_um - self._taken_um)
            self._moved = self._moved or bool(exceeds(apart, self.habits.still_within_um))
        if self.streams:
            return "" if value_um is not None else said.why or "it is no length"
        self._came_s.append(said.at_s)
        if len(self._came_s) == _TOO_MANY and said.at_s - self._came_s[0] < _TOO_SOON_S:
            return BY_ITSELF
        if last is not None and last.line == said.line and said.at_s - last.at_s < self.habits.double_s:
            return f"the same again after {said.at_s - last.at_s:.2f} s counts as one"
        if said.at_s - self._pressed_s < self.habits.double_s:
            # A key that bounces while the last digit moves sends two different lines.
            return f"{said.at_s - self._pressed_s:.2f} s after the last press it counts as the same"
        return "it came before the step was shown" if said.at_s < self.shown_s else ""

    def press(self, said: Said) -> None:
        """A line of a press was taken."""
        self._pressed_s = said.at_s
        self._take(said, None)

    def accept(self, now_s: float) -> None:
        """The inspector accepts: the value is taken as soon as it stands still.

        Raises:
            AnswerRefusedError: there is nothing to take.
        """
        if not self.streams:
            raise AnswerRefusedError("nothing was sent; press the key of the indicator, or type what it shows")
        if self.stand(now_s) is Stand.SILENT:
            raise AnswerRefusedError("nothing is heard from the indicator; look at its cable, or type what it shows")
        if not self._moved and not self._warned:
            self._warned = True
            raise AnswerRefusedError(
                f"the indicator has shown {self._taken!r} all along since the last reading: is it on hold? Lift and "
                "lower the tip; accept once more if it really is the same"
            )
        self.accepted_s = now_s

    def ready(self, now_s: float) -> Said | None:
        """The line to take, once the inspector accepted and the value stands still.

        Raises:
            AnswerRefusedError: it does not stand still in time.
        """
        if self.accepted_s is None:
            return None
        fresh = [heard for heard in self._window if heard.said.at_s >= self.shown_s]
        full, stand = len(fresh) == self._window.maxlen, self.stand(now_s)
        # What was still before the indicator fell silent, or said that it is in error, is not what it shows now.
        if full and stand is Stand.STILL:
            self._take(fresh[-1].said, fresh[-1].value_um)
            return fresh[-1].said
        newest_s = max(self.accepted_s, fresh[-1].said.at_s if fresh else 0.0)
        # An instrument that seldom sends is waited for as long as it does.
        if now_s - (self.accepted_s if full else newest_s) > LONGEST_S:
            self.accepted_s = None
            if not full or stand is not Stand.MOVING:
                raise AnswerRefusedError(
                    f"{len(fresh)} of {self._window.maxlen} lines were heard since the step was shown, none to be "
                    "taken now; look at the indicator and its cable, or type what it shows"
                )
            raise AnswerRefusedError(
                f"the value does not stand still: the last {len(fresh)} lines lie within {self._spread(fresh):.3g} um, "
                f"{self.habits.still_within_um:g} um is allowed; wait, and look for draught, vibration and hands"
            )
        return None

    def stand(self, now_s: float) -> Stand:
        """How the value stands at a moment [s]."""
        if self._unread:
            return Stand.UNREAD
        silent_s = self.habits.silent_s
        if self._good is None or (silent_s > 0.0 and now_s - self._good.said.at_s > silent_s):
            return Stand.SILENT
        full = len(self._window) == self._window.maxlen
        still = full and not exceeds(self._spread(list(self._window)), self.habits.still_within_um)
        return Stand.STILL if still or not self.streams else Stand.MOVING

    def forget(self) -> None:
        """The line was lost: what was heard before says nothing of now."""
        self._window.clear()
        self._good = self._last = None
        self._unread = False
        self.accepted_s = None

    def _take(self, said: Said, value_um: float | None) -> None:
        self.accepted_s, self._taken, self._taken_um = None, said.line, value_um
        self._moved, self._warned = False, False

    @staticmethod
    def _spread(heard: list[_Heard]) -> float:
        values = [item.value_um for item in heard]
        return max(values) - min(values) if values else 0.0
