"""Words and marks that all faces of the command line share: verdicts, levels, readings."""

from __future__ import annotations

from holdzero.display import micro_text
from holdzero.hooks import Level
from holdzero.run.kept import Given, Prepared, Reading, TemperatureTaken
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["LEVELS", "VERDICTS", "in_a_line", "reading_label", "readings_so_far"]

_LINE = 60

# Word and sign; colour only comes on top. Yellow is left to cautions: it says that somebody can be hurt.
VERDICTS = {
    "pass": ("PASS", "[+]", "green"),
    "fail": ("FAIL", "[x]", "red"),
    "undecided": ("UNDECIDED", "[?]", "magenta"),
    "reported": ("REPORTED", "[=]", "cyan"),
}
LEVELS = {Level.NOTE: ("note", " · "), Level.DOUBT: ("doubt", " ! "), Level.STOP: ("STOP", " # ")}


def _standing(item: Reading | TemperatureTaken | Given, state: State) -> str:
    if item.struck:
        return f"  struck out: {item.struck}"
    return "  given up with its zero" if item.seq in state.gone else ""


def _round(slot: Slot) -> str:
    return f"  {slot.round_text}" if slot.round_text else ""


def in_a_line(text: str) -> str:
    """A text, cut where it is longer than a line of a list."""
    return text if len(text) <= _LINE else f"{text[: _LINE - 1]}…"


def reading_label(reading: Reading, state: State) -> str:
    """What a reading is of, in a word or two; its force where it is not the comparator's own."""
    labels = {SlotKind.ZERO: "zero", SlotKind.CHECK: "check", SlotKind.RETURN: "return"}
    label = labels.get(reading.kind) or str(reading.slot.place)
    usual = state.comparator.force if state.comparator else None
    if reading.slot.force_N not in (None, usual) and reading.kind is SlotKind.READ:
        label += f" {reading.slot.force_N:g} N"
    return label


def readings_so_far(state: State, units: str) -> list[str]:
    """Each entry as `number label value`, in their order; a struck one says so. A blind routine keeps readings back.

    What was prepared between them stands there without a number: it can't be struck out.
    """
    blind = state.routine is not None and state.routine.routine.blind
    lines = []
    for item in sorted((*state.entries, *state.prepared), key=lambda item: item.seq):
        match item:
            case Prepared():
                lines.append(f"  -  at {item.wall[11:16]}: {in_a_line(item.slot.of or item.slot.say)}")
                continue
            case Reading():
                label, value = reading_label(item, state), "" if blind else micro_text(float(item.value_um), units)
            case TemperatureTaken():
                label, value = f"{item.slot.of} temp.", f"{float(item.value_degC):.2f} °C"
            case Given():
                label, value = item.slot.of, item.raw.strip()
        lines.append(f"{item.seq:>3}  {label:<12} {value:>12}{_standing(item, state)}{_round(item.slot)}")
    return lines
