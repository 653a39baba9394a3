"""Comparator due: what is measured must not rest on a comparator that is past its day. A rule of the house.

The runner lets an overdue comparator be used with a reason; here that is a stop all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from pydantic import Field

from holdzero.hooks import CharacteristicView, Check, Finding, Level, RunView, Settings, hookimpl

HOLDZERO_API = 1


class ComparatorDueSettings(Settings):
    """`[checks.comparator_due]`."""

    ahead_days: int = Field(
        5, strict=True, ge=0, le=366, description="So many days before the day it is due, a doubt is given."
    )


def _days(count: int) -> str:
    return "today" if count == 0 else f"in {count} day{'s' if count > 1 else ''}"


def _look(settings: ComparatorDueSettings, run: RunView) -> Finding | None:
    """What there is to say of the comparator's due date on the day on which the run began."""
    comparator = run.comparator
    if comparator is None:
        text = "No comparator was named: whether its calibration is due is not known. Name one, and measure again."
        return Finding(level=Level.STOP, code="comparator_due/no_comparator", text=text)
    name = f"The comparator {comparator.id or comparator.name}".rstrip()
    if comparator.due is None:
        text = f"{name} has no day on which its calibration is due. Add one where it is described: due = …"
        return Finding(level=Level.STOP, code="comparator_due/unknown", text=text)
    left = (comparator.due - run.day).days
    data = {"days_left": float(left)}
    if left < 0:
        text = (
            f"{name}: its calibration was due on {comparator.due}, and the run began on {run.day}. "
            "Nothing may be measured with it, whatever the reason; take another."
        )
        return Finding(level=Level.STOP, code="comparator_due/past", text=text, data=data)
    if left <= settings.ahead_days:
        text = (
            f"{name}: its calibration is due {_days(left)}, on {comparator.due}; this is told "
            f"{settings.ahead_days} days ahead. Send it off in time."
        )
        return Finding(level=Level.DOUBT, code="comparator_due/soon", text=text, data=data)
    return None


def watch(settings: ComparatorDueSettings, run: RunView) -> Iterable[Finding]:
    """The same as at the end, before anything is read with it."""
    if run.comparator is not None and not run.readings and (found := _look(settings, run)) is not None:
        yield replace(found, text=f"{found.text} Is it the right one?")


def judge(
    settings: ComparatorDueSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """Whether the comparator was within its day."""
    del characteristics  # it is the same comparator for all of them
    if (found := _look(settings, run)) is not None:
        yield found


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check of the comparator's day."""
    return [
        Check(
            name="comparator_due",
            title="the comparator is within its day",
            settings=ComparatorDueSettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
