"""Absence: time in which nobody was at the bench, however it came. Its one definition, for the fold and the session.

It is time between two events that show somebody there, in which the routine did not prescribe waiting. Where the run's
counter goes with the wall clock, both are looked at: they go apart where the machine slept or a clock was set.
"""

from __future__ import annotations

import datetime as dt

from holdzero import events as e
from holdzero.errors import EventRefusedError
from holdzero.limit import exceeds
from holdzero.run.kept import Absence
from holdzero.run.plan import SlotKind
from holdzero.run.state import Phase, State

__all__ = ["absence_at", "apart", "away_s", "earlier", "leapt_s", "shows_somebody", "too_long", "wall_span_s"]

_ALLOWANCE_S = 10.0
"""By how much wall clock and counter may go apart between two events [s]: a clock that is kept by a time server is put
right by less (common practice, no source)."""

_BUSY_S = 300.0
"""Somebody who cleans, fetches or lays a part answers nothing for so long [s], and is there all the same (common
practice, no source). A longer `longest_absence` of the routine counts in its place."""

# What comes by itself, whether anybody is there or not.
_BY_ITSELF = (e.BenchKnown, e.SoakObserved, e.LineUnused, e.LineLost, e.LineBack, e.PluginFailed, e.PluginSlow)


def shows_somebody(event: e.AnyEvent) -> bool:
    """Whether an event shows somebody at the bench, or ends a wait; one that asks shows nobody."""
    return not isinstance(event, (*_BY_ITSELF, e.QuestionAsked))


def wall_span_s(then: str, now: str) -> float:
    """Seconds between two wall times [s]; less than zero where the clock went back.

    Raises:
        EventRefusedError: one of them is no time.
    """
    try:
        return (dt.datetime.fromisoformat(now) - dt.datetime.fromisoformat(then)).total_seconds()
    except (ValueError, TypeError):
        raise EventRefusedError(f"{then!r} and {now!r} are not both times with an offset") from None


def earlier(wall: str, by_s: float) -> str:
    """The wall time so long before another [s]."""
    moment = dt.datetime.fromisoformat(wall) - dt.timedelta(seconds=by_s)
    return moment.isoformat(timespec="milliseconds")


def apart(counter_s: float, wall_s: float) -> bool:
    """Whether counter and wall clock tell of different spans [s]: the machine slept, or one of them was set."""
    return abs(counter_s - wall_s) > _ALLOWANCE_S


def _length_s(counter_s: float, wall_s: float, waited_s: float) -> float | None:
    """How long nobody was there [s], by both clocks and what the routine prescribed of it; None where nobody knows."""
    if wall_s < 0.0 and apart(counter_s, wall_s):
        return None
    longer, shorter = max(counter_s, wall_s), max(0.0, min(counter_s, wall_s))
    return max(0.0, longer - min(shorter, waited_s))


def away_s(state: State, now_s: float, wall: str) -> float | None:
    """How long it is since somebody was there, whatever was waited for [s]; None where nobody knows.

    Args:
        state: of the run.
        now_s: the run's counter [s].
        wall: wall time.
    """
    return _length_s(*_spans_s(state, now_s, wall), 0.0)


def too_long(state: State, length_s: float | None, *, back: bool) -> bool:
    """Whether nobody was there for longer than the routine allows; a time that nobody knows is longer.

    Args:
        state: of the run.
        length_s: how long [s].
        back: whether somebody came back; else it was a step that took long.
    """
    if state.routine is None:
        return False
    longest_s = state.routine.bracket.longest_absence
    return length_s is None or bool(exceeds(length_s, longest_s if back else max(longest_s, _BUSY_S)))


def absence_at(before: State, event: e.AnyEvent) -> Absence | None:
    """The absence that an event ends, if there was one.

    Args:
        before: state before it.
        event: the next one.
    """
    if before.phase is Phase.NEW or not shows_somebody(event):
        return None
    back = isinstance(event, e.RunContinued)
    if isinstance(event, e.RunContinued) and not before.paced:
        length_s = event.away_s
    else:
        counter_s, wall_s = _spans_s(before, event.time_s, event.wall)
        length_s = _length_s(counter_s, wall_s, _waited_s(before, event))
    if not too_long(before, length_s, back=back):
        return None
    return Absence(seq=event.seq, after=before.here_seq, length_s=length_s)


def _spans_s(state: State, now_s: float, wall: str) -> tuple[float, float]:
    """Time since somebody was there [s], by counter and wall clock."""
    counter_s = now_s - state.here_s
    return counter_s, wall_span_s(state.here_wall, wall) if state.paced else counter_s


def _waited_s(before: State, event: e.AnyEvent) -> float:
    """How much of the time before an event the routine prescribes at most [s]: a soak; what was left, after a break."""
    slot = before.first_open
    if slot is None or slot.kind is not SlotKind.SOAK:
        return 0.0
    left = isinstance(event, e.RunContinued) or before.phase is Phase.PAUSED
    return max(0.0, before.soak_from_s + slot.at_least_s - before.here_s) if left else float("inf")


def leapt_s(before: State, event: e.AnyEvent) -> float:
    """By how much the clock of a soak has to be put back before an event [s]: what the counter leapt is no soak.

    Where the wall clock went back, nobody knows how long it was, and none of it counts.

    Args:
        before: state before it.
        event: the next one.
    """
    slot = before.first_open
    if not before.paced or slot is None or slot.kind is not SlotKind.SOAK:
        return 0.0
    counter_s, wall_s = event.time_s - before.now_s, wall_span_s(before.wall, event.wall)
    return counter_s - max(0.0, wall_s) if counter_s - wall_s > _ALLOWANCE_S else 0.0
