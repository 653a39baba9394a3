"""A soak as it is shown: its countdown, and how near all that is watched is to rest, in words."""

from __future__ import annotations

from collections.abc import Sequence

from holdzero.display import MICRO
from holdzero.hooks import Asks, Prompt
from holdzero.live import Glance
from holdzero.outlook import Outlook
from holdzero.page.chart import soak_picture
from holdzero.page.shown import Rest, Soak
from holdzero.page.snapshot import Snapshot
from holdzero.page.words import span, wall_time
from holdzero.run.soaking import hidden_text
from holdzero.run.state import State
from holdzero.wording import clock_text, drift_text, small_text

__all__ = ["OVER", "rest_now", "rest_of", "soak_of"]

OVER = "The time is over, and it is not at rest yet: wait, or end it with a reason."
"""As the script says it too, when the countdown comes to its end."""


def soak_of(prompt: Prompt, state: State, *, now_s: float, pace: float) -> Soak:
    """The soak that is asked for.

    Args:
        prompt: that asks for it.
        state: of the run.
        now_s: the run's counter [s].
        pace: how much faster time goes by than on the wall; 0 where it does not by itself.
    """
    left_s = (prompt.until_s - state.now_s) / (pace or 1.0)
    at = f"; the time is over at {wall_time(state.wall, left_s)}" if state.wall else ""
    return Soak(
        until_s=prompt.until_s,
        now_s=now_s,
        length_s=prompt.slot.at_least_s,
        left=clock_text(max(0.0, prompt.until_s - now_s)),
        ends=f"to go{at}" if now_s < prompt.until_s else OVER,
        pace=pace,
        may_end=prompt.may_end(now_s),
        rests=tuple(rest_of(outlook, outlook.seen, state, now_s=now_s) for outlook in prompt.outlooks),
    )


def rest_now(snapshot: Snapshot, glance: Glance) -> Rest | None:
    """How near to rest what holds the soak up is now, by what is live; None where no soak is asked for."""
    run, prompt, outlook = snapshot.run, snapshot.prompt, glance.outlook
    if run is None or prompt is None or outlook is None or prompt.asks is not Asks.WAIT:
        return None
    return rest_of(outlook, outlook.seen, run.state, now_s=snapshot.now_s)


def rest_of(outlook: Outlook, seen: Sequence[tuple[float, float]], state: State, *, now_s: float) -> Rest:
    """How near one thing is to rest, in words and as a picture.

    Args:
        outlook: where it stands.
        seen: what was seen of it: time [s] and value, in the outlook's unit.
        state: of the run.
        now_s: the run's counter [s].
    """
    units = state.routine.routine.units if state.routine else "mm"
    unit, worth = MICRO[units] if outlook.unit == "um" else ("K", 1.0)
    state_word, word = _stand(outlook, units)
    return Rest(
        of=outlook.of or "the comparator",
        drift="not known"
        if outlook.moved
        else drift_text(outlook.rate_per_min / worth, 2.0 * outlook.rate_u / worth, unit),
        to_come=_to_come(outlook, unit, worth),
        allowed="no limit is set" if outlook.within is None else f"{outlook.within / worth:g} {unit}",
        left=_left(outlook, state, now_s),
        word=word,
        state=state_word,
        picture=soak_picture(outlook, seen),
    )


def _to_come(outlook: Outlook, unit: str, worth: float) -> str:
    if outlook.steady:
        return "no end in sight"
    if outlook.moved:
        return "it may have moved just now, or was not seen for a while: wait for more values"
    if outlook.early:
        return "too early to say"
    return f"at most {small_text(outlook.bound / worth, sign=False)} {unit}"


def _stand(outlook: Outlook, units: str) -> tuple[str, str]:
    if outlook.within is None:
        return "watched", "watched only"
    if outlook.near and not outlook.enough:
        return "moving", hidden_text(outlook, units) or "near enough to rest, but not watched for long enough yet"
    return ("settled", "settled") if outlook.settled else ("moving", "not at rest yet")


def _left(outlook: Outlook, state: State, now_s: float) -> str:
    """How long it still takes, and the clock's time then."""
    if outlook.within is None:
        return "no limit is set"
    if outlook.settled:
        return "none: near enough to rest"
    if outlook.left_s is None:
        return "not known yet"
    left_s = max(0.0, outlook.left_s - max(0.0, now_s - outlook.at_s))
    at = f", at {wall_time(state.wall, left_s + now_s - state.now_s)}" if state.wall else ""
    return f"{span(left_s)}{at}"
