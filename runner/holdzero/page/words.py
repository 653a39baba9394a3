"""Words that the sheets of the bench page share: levels, spans of time, what a reading is of."""

from __future__ import annotations

import datetime as dt

from holdzero.display import micro_text
from holdzero.hooks import Act, Finding, Level
from holdzero.page.shown import Row, Told
from holdzero.routine.approval import NOT_APPROVED
from holdzero.run.kept import Given, Prepared, Reading, TemperatureTaken
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = [
    "entry_row",
    "marks_of",
    "prepared_row",
    "sentence",
    "span",
    "told",
    "told_all",
    "wall_time",
]

_LEVELS = {Level.STOP: ("stop", "STOP"), Level.DOUBT: ("doubt", "Doubt"), Level.NOTE: ("note", "Note")}
_ORDER = list(_LEVELS)


def span(seconds: float) -> str:
    """A span of time [s] in words, no finer than it is known.

    >>> span(20.0), span(720.0), span(9000.0)
    ('less than 1 min', '12 min', '2 h 30 min')
    """
    minutes = round(seconds / 60.0)
    if minutes < 1:
        return "less than 1 min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if hours else f"{minutes} min"


def wall_time(wall: str, after_s: float = 0.0) -> str:
    """The clock's time at a wall time, or so long after it [s].

    >>> wall_time("2026-03-02T08:59:30.000+01:00", 90.0)
    '09:01'
    """
    return f"{dt.datetime.fromisoformat(wall) + dt.timedelta(seconds=after_s):%H:%M}"


def told(finding: Finding) -> Told:
    """A finding as it is shown."""
    level, word = _LEVELS[Level(finding.level)]
    offer = finding.offer
    return Told(
        level=level,
        word=word,
        text=finding.text,
        code=finding.code,
        offer=offer.words if offer is not None else "",
        mends=offer is not None and offer.act is Act.LOOK,
    )


def told_all(findings: tuple[Finding, ...]) -> tuple[Told, ...]:
    """Findings, the gravest first."""
    return tuple(map(told, sorted(findings, key=lambda found: _ORDER.index(Level(found.level)))))


def entry_row(item: Reading | TemperatureTaken | Given, state: State, units: str, *, blind: bool = False) -> Row:
    """An entry of the list."""
    match item:
        case Reading():
            what, value = _reading_label(item, state), micro_text(float(item.value_um), units)
        case TemperatureTaken():
            what, value = f"temperature of the {item.slot.of}", f"{float(item.value_degC):.2f} °C"
        case Given():
            what, value = item.slot.of, item.raw.strip()
    shown = "" if blind else value
    return Row(number=item.seq, what=what, value=shown, rounds=_rounds(item.slot), out=_out(item, state))


def prepared_row(step: Prepared) -> Row:
    """What was prepared between entries, and when."""
    said = step.slot.of or step.slot.say
    what = said if len(said) <= _LINE else f"{said[: _LINE - 1]}…"
    return Row(number=None, what=f"at {wall_time(step.wall)}: {what}", value="", rounds=_rounds(step.slot))


_LINE = 60  # signs of what was prepared: the whole of it is in the routine


def _rounds(slot: Slot) -> str:
    """Which round of several; the part is named beside it."""
    words = slot.round_text.split(", ")
    return ", ".join(word for word in words if word != f"part {slot.serial}" and not word.endswith(" of 1"))


def _out(item: Reading | TemperatureTaken | Given, state: State) -> str:
    """Why an entry counts no more."""
    if item.struck:
        return f"struck out: {item.struck}"
    if item.seq not in state.gone:
        return ""
    return "given up" if item.slot.kind is SlotKind.ZERO else "given up with its zero"


def _reading_label(reading: Reading, state: State) -> str:
    labels = {SlotKind.ZERO: "zero", SlotKind.CHECK: "check standard", SlotKind.RETURN: "return"}
    label = labels.get(reading.kind) or f"place {reading.slot.place}"
    usual = state.comparator.force if state.comparator else None
    if reading.slot.force_N not in (None, usual) and reading.kind is SlotKind.READ:
        label += f" at {reading.slot.force_N:g} N"
    several = reading.slot.serial and len(state.serials) > 1
    return f"{reading.slot.serial}: {label}" if several else label


def marks_of(*, simulated: bool, trial: bool, practice: bool = False, unapproved: bool = False) -> tuple[str, ...]:
    """What a run must not be looked at without."""
    if unapproved and not (simulated or trial or practice):
        return (NOT_APPROVED,)
    marks = ("SIMULATED READINGS: no part is measured",) if simulated or practice else ()
    marks = ("PRACTICE at a virtual bench", *marks) if practice else marks
    return (*marks, "TRIAL of the routine: nothing may be accepted by it") if trial else marks


_NEARLY = 1e-9  # so that the logarithm of a power of ten is not just below a whole number


def sentence(text: str | None) -> str:
    """A text with a full stop; empty for none."""
    if not text:
        return ""
    return text if text.endswith((".", "!", "?")) else f"{text}."
