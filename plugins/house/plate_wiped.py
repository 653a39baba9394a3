"""Plate wiped: nothing is read unless the surface plate was wiped a short while before. A rule of the house.

The step `wipe` asks for it; at any later prompt the inspector wipes again and says so with `d`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Finding,
    Level,
    Reading,
    RunView,
    Settings,
    SlotKind,
    StepKind,
    Time,
    exceeds,
    hookimpl,
)

HOLDZERO_API = 2

_WIPE = "wipe"
_SOLVENT = (
    "Cleaning solvent is flammable and harms skin, eyes and lungs: no flame, spark or hot lamp; fresh air, gloves, "
    "glasses; used cloths into a closed metal bin."
)
_PLATE = (
    "A surface plate is heavy and can tip or fall: do not lean on it, push it on its stand or lift it alone. "
    "Safety sheets and local rules come before this text."
)


class WipeSettings(Settings):
    """`do = "wipe"`."""

    what: str = Field("the surface plate and the anvil", description="What is wiped.")
    solvent: bool = Field(True, strict=True, description="Whether a solvent is used; its caution is shown then.")
    caution: str = Field("", description="What else can hurt; shown before the step.")


class PlateWipedSettings(Settings):
    """`[checks.plate_wiped]`."""

    within: Time = Field(1800.0, description="How long a wipe is good for. Left out: 30 min.")


def steps(settings: WipeSettings) -> Sequence[Mapping[str, Any]]:
    """One preparing step that the check knows as `wipe`."""
    cloth = "a lint-free cloth and solvent" if settings.solvent else "a dry lint-free cloth"
    dry = " Let it dry: what evaporates cools the plate." if settings.solvent else ""
    say = f"Wipe {settings.what} with {cloth}. Look along the surface for lint and burrs.{dry}"
    caution = " ".join(word for word in (_SOLVENT if settings.solvent else "", _PLATE, settings.caution) if word)
    return [{"do": "prepare", "name": _WIPE, "say": say, "caution": caution}]


def _clock(seconds: float) -> str:
    """A span of time [s] in words; part of a second counts as a whole one.

    >>> _clock(1800.0), _clock(1860.2)
    ('30 min', '31 min 01 s')
    """
    minutes, rest = divmod(math.ceil(seconds), 60)
    return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"


def _age_s(run: RunView, at_s: float, seq: float) -> float | None:
    """How long before `at_s` the last wipe was that came before event `seq` [s]; None if there was none."""
    wipes = [done.time_s for done in run.prepared if done.slot.of == _WIPE and done.seq < seq]
    return at_s - wipes[-1] if wipes else None


def _good(age_s: float | None, settings: PlateWipedSettings) -> bool:
    return age_s is not None and not exceeds(age_s, settings.within)


def _needed(run: RunView) -> list[Reading]:
    """The readings of this part and all that share a zero with them; before it is read, those of the last zero."""
    zeros = {reading.zero for reading in run.of_kind(SlotKind.READ)}
    if not run.finished and run.readings:
        zeros.add(run.readings[-1].zero)
    return [reading for reading in run.readings if reading.zero in zeros]


def _taken(settings: PlateWipedSettings, run: RunView, advice: str) -> Iterable[Finding]:
    """Readings that were taken without a wipe, or too late after it."""
    ages = [(reading, _age_s(run, reading.time_s, reading.seq)) for reading in _needed(run)]
    without = [str(reading.seq) for reading, age_s in ages if age_s is None]
    late = {reading.seq: age_s for reading, age_s in ages if age_s is not None and not _good(age_s, settings)}
    limit = _clock(settings.within)
    if without:
        text = f"No wipe of the plate is on record before entry {', '.join(without)}. {advice}"
        yield Finding(level=Level.STOP, code="plate_wiped/none", text=text)
    if late:
        told = ", ".join(f"{seq} ({_clock(age_s)})" for seq, age_s in late.items())
        text = f"Read later than {limit} after the plate was wiped: entry {told}. {advice}"
        data = {"longest_s": max(late.values()), "limit_s": settings.within}
        yield Finding(level=Level.STOP, code="plate_wiped/late", text=text, data=data)


def watch(settings: PlateWipedSettings, run: RunView) -> Iterable[Finding]:
    """Whether the plate is wiped for the reading that is asked for, and was for those that were taken."""
    limit = _clock(settings.within)
    if run.asked is not None and run.asked.kind.is_reading:
        age_s = _age_s(run, run.now_s, math.inf)
        if age_s is None:
            text = (
                "No wipe of the plate is on record, and the routine asks for none before this reading. "
                f"Its author must put a step wipe no more than {limit} before it; give this run up?"
            )
            yield Finding(level=Level.STOP, code="plate_wiped/due", text=text)
        elif not _good(age_s, settings):
            text = (
                f"The plate was wiped {_clock(age_s)} ago, and a reading may come {limit} after it at most. "
                "Will you wipe it now, then type d?"
            )
            data = {"age_s": age_s, "limit_s": settings.within}
            yield Finding(level=Level.STOP, code="plate_wiped/due", text=text, data=data)
    yield from _taken(settings, run, "Will you wipe it, type d, then strike these entries out and read them again?")


def judge(
    settings: PlateWipedSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """Whether every reading that the part hangs on was taken soon enough after a wipe."""
    del characteristics  # it is the same plate for all of them
    yield from _taken(settings, run, "Measure again on a plate that was wiped.")


@hookimpl
def holdzero_steps() -> Sequence[StepKind]:
    """The wiping step."""
    return [StepKind(name=_WIPE, title="wipe the surface plate", settings=WipeSettings, steps=steps)]


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check of the wipe."""
    return [
        Check(
            name="plate_wiped",
            title="the plate was wiped a short while before each reading",
            settings=PlateWipedSettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
