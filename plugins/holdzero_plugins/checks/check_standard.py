"""Check standard: a second known block, read against its certified value.

It catches what repeats never show: a wrong master, a wrong unit, a sign turned round, a wrong gain.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Finding,
    Level,
    Number,
    RunView,
    Settings,
    SlotKind,
    exceeds,
    hookimpl,
    mean,
)

UM_PER_UNIT_SLIP = 25.4  # millimetre for inch, exact
_MEND = (
    "A wrong block under the zero, or dirt? Take the right one, wipe it, and give the zero up (z): it is set anew, and "
    "the check standard read again. Only this reading wrong? Strike it out (s)."
)


class CheckStandardSettings(Settings):
    """`[checks.check_standard]`: it has no keys; block and limit stand in `[check_standard]`."""


def _expected_um(run: RunView) -> Number | None:
    """What the comparator should show on the check standard [um]: its size less the reference's."""
    block, reference = run.routine.check_standard, run.reference
    if block is None or reference is None:
        return None
    return (block.size - reference.size) + (block.deviation.value - reference.deviation.value)


def _looks_like(read: float, expected: float, limit: float, turn: float | None) -> str:
    """Which faults would give this reading, in words."""
    guesses = {
        "the sign turned round": -read,
        "inches taken for millimetres": read * UM_PER_UNIT_SLIP,
        "millimetres taken for inches": read / UM_PER_UNIT_SLIP,
        "a decimal slip": read * 10.0,
        "a decimal slip the other way": read / 10.0,
    }
    if turn is not None:
        guesses |= {"one turn of the dial missed": read + turn, "one turn of the dial too many": read - turn}
    found = [words for words, mended in guesses.items() if not exceeds(abs(mended - expected), limit)]
    if not found and expected and 0.5 < read / expected < 2.0:  # noqa: PLR2004  a factor, not another thing
        found = [f"a wrong gain (it shows {read / expected:.3f} of what it should), a wrong block, or dirt"]
    return " or ".join(found) if found else "a wrong block or reference, or dirt under one of them"


def _against_certificate(run: RunView) -> Iterable[Finding]:
    block, expected = run.routine.check_standard, _expected_um(run)
    readings = [r for r in run.of_kind(SlotKind.CHECK) if run.zeros(r.zero)]
    if block is None or expected is None or not readings:
        return
    turn = run.comparator.turn if run.comparator else None
    for number in sorted({r.zero for r in readings}):
        read = mean([run.difference_um(r) for r in readings if r.zero == number])
        off = read - expected
        likely = _looks_like(float(np.mean(read)), float(np.mean(expected)), block.limit, turn)
        data = {"read_um": float(np.mean(read)), "expected_um": float(np.mean(expected)), "limit_um": block.limit}
        out = exceeds(np.abs(off), block.limit, run.resolution_um)
        yield Finding(
            level=Level.STOP,
            code="check_standard/limit",
            text=f"The check standard reads {run.length(read, 4)}; its certificate says {run.length(expected, 4)}, "
            f"within {run.length(block.limit, 3)}. This looks like: {likely}.",
            data=data,
            holds=out,
        )
        yield Finding(
            level=Level.NOTE,
            code="check_standard/good",
            text=f"The check standard reads {run.length(off, 3, sign=True)} off its certificate "
            f"(limit {run.length(block.limit, 3)}).",
            data=data,
            holds=np.logical_not(out),
        )


def watch(settings: CheckStandardSettings, run: RunView) -> Iterable[Finding]:
    """Stop at once, before a part is read with a wrong zero."""
    del settings
    last = max((r.seq for r in run.of_kind(SlotKind.CHECK)), default=0)
    # What was read under a zero that was given up is read again, and asked about then.
    standing = tuple(r for r in run.readings if r.kind is not SlotKind.CHECK or r.zero not in run.lost_zeros)
    run = run if len(standing) == len(run.readings) else replace(run, readings=standing)
    # Each reading is asked about anew: going on after one says nothing of the next.
    return [
        replace(f, code=f"{f.code}/{last}", text=f"{f.text} {_MEND}")
        for f in _against_certificate(run)
        if f.level is Level.STOP
    ]


def judge(
    settings: CheckStandardSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """The same at the end; and a check standard that nobody read."""
    del settings, characteristics
    yield from _against_certificate(run)
    if not run.of_kind(SlotKind.CHECK):
        text = "The routine names a check standard, and it was not read."
        yield Finding(level=Level.STOP, code="check_standard/unread", text=text)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check standard."""
    return [
        Check(
            name="check_standard",
            title="second known block against its certificate",
            settings=CheckStandardSettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
