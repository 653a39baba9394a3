"""Two readers: two people read what is critical, each place of it. A rule of the house.

The step `reader` asks who reads from here on; before the first one it is the operator.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Finding,
    Level,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    StepKind,
    exceeds,
    hookimpl,
    mean,
    stack,
)

HOLDZERO_API = 2

_READER = "reader"


class ReaderSettings(Settings):
    """`do = "reader"`."""

    names: tuple[str, ...] = Field((), description="Who may be named; anybody where left out.")
    say: str = Field("", description="What the inspector is told, in place of the usual words.")


class TwoReadersSettings(Settings):
    """`[checks.two_readers]`."""

    critical: tuple[str, ...] = Field(min_length=1, description="Characteristics that two people must read.")
    limit: Size | None = Field(
        None, description="How far the means of two readers may differ at a place; not looked at where left out."
    )


def steps(settings: ReaderSettings) -> Sequence[Mapping[str, Any]]:
    """One question that the check knows as `reader`."""
    say = settings.say or "Who reads from here on? Type the name as it is always typed."
    return [{"do": "ask", "name": _READER, "say": say, "choices": list(settings.names)}]


def _alike(name: str) -> str:
    """A name as names are compared: without the blanks around it, whatever its capitals."""
    return " ".join(name.split()).casefold()


def _asked_for_each_part(run: RunView) -> bool:
    """Whether the routine asks for the reader inside its loop of parts."""

    def asks(steps: Iterable[Any], *, inside: bool) -> bool:
        return any(
            asks(step.steps, inside=inside or step.over == "parts")
            if step.do == "repeat"
            else inside and step.do == "ask" and step.name == _READER
            for step in steps
        )

    return asks(run.routine.steps, inside=False)


def _readers(run: RunView) -> list[tuple[int, str | None]]:
    """Who reads since which event: the sequence number, and the name; None where that is not known.

    An answer that was struck out and given again holds since it was first given.
    """
    answers = [given for given in (*run.withdrawn, *run.given) if given.slot.of == _READER]
    each = _asked_for_each_part(run)
    live = {given.slot.id: given for given in run.given}
    found: dict[str, tuple[int, str | None]] = {}
    for given in sorted(answers, key=lambda answer: answer.seq):
        stands = live.get(given.slot.id)
        # What was said outside the loop may have changed with another part since.
        known = stands is not None and not (each and given.slot.serial != run.serial)
        found.setdefault(given.slot.id, (given.seq, str(stands.value) if stands and known else None))
    # Before the first answer it is the operator, if no part that was read before had answers of its own.
    return [(0, None if each else run.operator), *found.values()]


def _by_reader(
    run: RunView, readers: Sequence[tuple[int, str | None]], readings: Iterable[Reading]
) -> tuple[dict[str, list[Number]], list[str]]:
    """Differences [um] by who read them, and the names as they were typed."""
    read: dict[str, list[Number]] = {}
    typed: dict[str, str] = {}
    for reading in readings:
        who = [name for since, name in readers if since < reading.seq][-1]
        if who is not None and who.strip():
            read.setdefault(_alike(who), []).append(run.difference_um(reading))
            typed.setdefault(_alike(who), who.strip())
    return read, list(typed.values())


def _alone(c: CharacteristicView, place: str, names: Sequence[str]) -> Finding:
    who = f"by {names[0]} alone" if names else "by nobody who is named"
    text = (
        f"{c.name} is critical and place {place} was read {who}; two people must read it. "
        "Measure again, and name the second one in a step reader before the second reading."
    )
    return Finding(level=Level.STOP, code="two_readers/alone", text=text, characteristic=c.name)


def _apart(limit_um: float, run: RunView, c: CharacteristicView, place: str, means: Sequence[Number]) -> Finding:
    apart = np.ptp(stack(means), axis=-1)
    found, allowed = run.against(apart, limit_um)
    text = (
        f"{c.name}: at place {place} two readers differ by {found}; at most {allowed} is allowed. "
        "Look how each of them puts the part under the tip, and measure again."
    )
    return Finding(
        level=Level.STOP,
        code="two_readers/apart",
        text=text,
        characteristic=c.name,
        data={"apart_um": float(np.mean(apart)), "limit_um": limit_um},
        holds=exceeds(apart, limit_um, run.resolution_um),
    )


def judge(
    settings: TwoReadersSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """Whether two people read each place of what is critical, and agree."""
    unknown = [name for name in settings.critical if name not in run.routine.characteristics]
    if unknown:
        known = ", ".join(run.routine.characteristics)
        text = (
            f"two_readers: critical names {', '.join(unknown)}, and the routine has no such characteristic; it has "
            f"{known}. Its author must put that right."
        )
        yield Finding(level=Level.STOP, code="two_readers/unknown", text=text)
    readers = _readers(run)
    for c in characteristics:
        for place in c.spec.places if c.name in settings.critical else ():
            read, names = _by_reader(run, readers, [r for r in c.readings if r.slot.place == place])
            if len(read) < 2:  # noqa: PLR2004  two people
                yield _alone(c, place, names)
            elif settings.limit is not None:
                yield _apart(settings.limit, run, c, place, [mean(group) for group in read.values()])


def watch(settings: TwoReadersSettings, run: RunView) -> Iterable[Finding]:
    """Whether the reader that was just named is another than the one before."""
    del settings  # nobody is named twice in a row, whatever is critical
    *_, (since, before), (named, last) = ((0, None), *_readers(run))
    read_between = any(since < reading.seq < named for reading in run.of_kind(SlotKind.READ))
    if read_between and before and last and _alike(before) == _alike(last):
        text = (
            f"{last.strip()} read so far, and was named as the next reader. Is it another person now? "
            "Then strike that answer out and give the other name."
        )
        yield Finding(level=Level.DOUBT, code="two_readers/same", text=text)


@hookimpl
def holdzero_steps() -> Sequence[StepKind]:
    """The question who reads."""
    return [StepKind(name=_READER, title="ask who reads from here on", settings=ReaderSettings, steps=steps)]


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check of the readers."""
    return [
        Check(
            name="two_readers",
            title="two people read what is critical",
            settings=TwoReadersSettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
