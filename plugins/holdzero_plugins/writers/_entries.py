"""The events of a record in words, and the readings among them with what each is of.

An event names a step; the record says what the step is, and which readings count. A step that it
does not name is shown as it stands, never dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from holdzero.hooks import micro_text
from holdzero_plugins.writers._text import clock, flat, said, wall_text

__all__ = ["Book", "Entry", "Taken", "book_of"]

_WORDS = {"zero": "zero", "check": "check", "return": "return", "read": "part"}
_LONG_WORDS = {
    "zero": "zero, on the reference",
    "check": "check standard",
    "return": "return to the reference",
    "reading": "reading",
}
Step = Mapping[str, Any]
"""A step as the record has it."""

_STEP_WORDS = {
    "run_started": "run started",
    "step_done": "step done",
    "prepared_again": "step done again",
    "soak_ended": "soak ended",
    "soak_begun_again": "soak begun again",
    "soak_observed": "seen while soaking",
    "line_unused": "line not used",
    "line_lost": "line lost",
    "line_back": "line back",
    "entry_chosen": "device chosen",
    "answer_struck": "struck out",
    "zero_renewed": "dial moved, zero given up",
    "note_added": "note",
    "stop_acknowledged": "stop seen, went on",
    "plugin_failed": "check failed",
    "plugin_slow": "check slow",
    "run_paused": "run paused",
    "run_continued": "run went on",
    "run_finished": "run finished",
    "run_abandoned": "run abandoned",
}
_ENVELOPE = frozenset({"event", "seq", "wall", "time_s", "slot", "routine_digest", "software"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A reading of the comparator.

    Attributes:
        seq: its entry number.
        kind: zero, check, return, part or reading (where the plan does not know it).
        label: what it is of, short: a place, or the kind.
        value_um: as understood [um].
        group: what was read in one go.
        struck: why it was struck out; empty while it counts.
        superseded: the entry that took its place; None while it counts.
        own: whether the part of this record, or all parts, depend on it.
    """

    seq: int
    kind: str
    label: str
    value_um: float
    group: str
    struck: str = ""
    superseded: int | None = None
    own: bool = True

    @property
    def counts(self) -> bool:
        """Whether a result is made of it."""
        return not self.struck and self.superseded is None and self.own


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A line of the table of events; all of it text."""

    seq: str
    time: str
    wall: str
    what: str
    raw: str
    value: str
    remark: str
    crossed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """All events of a record: as lines, and the readings and temperatures among them."""

    entries: tuple[Entry, ...]
    readings: tuple[Taken, ...]
    temperatures: tuple[Entry, ...]


def book_of(record: Mapping[str, Any], units: str) -> Book:
    """The events of a record.

    Args:
        record: as plain data.
        units: `mm` or `in`.
    """
    events: Sequence[Mapping[str, Any]] = record["events"]
    slots = {str(step["id"]): step for step in record["steps"]}
    struck = {e["target"]: (said(e["reason"]), e["seq"]) for e in events if e["event"] == "answer_struck"}
    readings = _readings(record, slots, {target: reason for target, (reason, _) in struck.items()})
    by_seq = {taken.seq: taken for taken in readings}
    lines = [(e["event"], _entry(e, slots, struck, _reading_of(e, by_seq), units)) for e in events]
    return Book(
        entries=tuple(_gathered(lines)),
        readings=readings,
        temperatures=tuple(line for kind, line in lines if kind == "temperature_read"),
    )


def _gathered(lines: Sequence[tuple[str, Entry]]) -> Iterator[Entry]:
    """All lines; what was seen in a row while everything soaked is one: it is drawn, and whole in the record."""
    for kind, group in groupby(lines, key=lambda item: item[0]):
        entries = [line for _, line in group]
        if kind != "soak_observed" or len(entries) < _A_FEW:
            yield from entries
            continue
        first, last = entries[0], entries[-1]
        what = f"seen while soaking, {len(entries)} entries, drawn above: from {first.what.partition(': ')[2]}"
        yield replace(
            first, seq=f"{first.seq} to {last.seq}", what=f"{what} to {last.what.partition(': ')[2]}", raw="", value=""
        )


_A_FEW = 4


def _readings(record: Mapping[str, Any], slots: Mapping[str, Step], struck: Mapping[int, str]) -> tuple[Taken, ...]:
    events = [e for e in record["events"] if e["event"] == "reading_taken"]
    counting = {row["entry"] for row in record["readings"] if row["counts"]}
    latest = {e["slot"]: e["seq"] for e in events if e["seq"] in counting}
    serial = _as_measured(record)
    return tuple(_taken(e, slots.get(e["slot"]), struck, latest, serial) for e in events)


def _as_measured(record: Mapping[str, Any]) -> object:
    """The serial by which the events know the part: an amendment corrects it without touching them."""
    was = ((record.get("amends") or {}).get("corrected") or {}).get("serial")
    return record["run"].get("serial") if was is None else was[0]


def _taken(
    event: Mapping[str, Any], slot: Step | None, struck: Mapping[int, str], latest: Mapping[str, int], serial: object
) -> Taken:
    kind = _WORDS.get(slot["kind"], "reading") if slot is not None else "reading"
    later = latest.get(event["slot"], event["seq"])
    again = kind in ("part", "check") and later > event["seq"] and event["seq"] not in struck
    return Taken(
        seq=event["seq"],
        kind=kind,
        label=said(slot["place"]) if slot is not None and slot["place"] is not None else kind,
        value_um=float(event["value_um"]),
        group=str(slot["group"]) if slot is not None else str(event["slot"]),
        struck=struck.get(event["seq"], ""),
        superseded=later if again else None,
        own=slot is None or kind != "part" or slot["serial"] == serial,
    )


def _reading_of(event: Mapping[str, Any], by_seq: Mapping[int, Taken]) -> Taken | None:
    return by_seq.get(event["seq"]) if event["event"] == "reading_taken" else None


def _entry(
    event: Mapping[str, Any],
    slots: Mapping[str, Step],
    struck: Mapping[int, tuple[str, int]],
    taken: Taken | None,
    units: str,
) -> Entry:
    remark = ""
    if event["seq"] in struck:
        reason, by = struck[event["seq"]]
        remark = f"struck out in entry {by}: {reason}"
    elif taken is not None and taken.superseded is not None:
        remark = f"read again in entry {taken.superseded}, which counts in its place"
    elif taken is not None and not taken.own:
        remark = "another part: no result here depends on it"
    return Entry(
        seq=said(event["seq"]),
        time=clock(event["time_s"]),
        wall=wall_text(event["wall"]),
        what=_what(event, slots.get(str(event.get("slot"))), taken),
        raw=said(event["raw"]) if "raw" in event else "",
        value=_value(event, units),
        remark=remark,
        crossed=event["seq"] in struck,
    )


def _value(event: Mapping[str, Any], units: str) -> str:
    if event["event"] == "reading_taken":
        return micro_text(float(event["value_um"]), units)
    if event["event"] == "answer_given":
        value = event["value"]
        return said(value) if isinstance(value, str) else f"{float(value):.6g}".replace("-", "−")
    if event["event"] == "temperature_read":
        return f"{float(event['value_degC']):.6g} °C".replace("-", "−")
    return ""


def _what(event: Mapping[str, Any], slot: Step | None, taken: Taken | None) -> str:
    kind = str(event["event"])
    if taken is not None:
        return _what_was_read(event, slot, taken)
    if kind == "temperature_read":
        return f"temperature of the {slot['of']}" if slot is not None else "temperature"
    if kind == "answer_given":
        return f"answer: {said(slot['of'])}" if slot is not None else "answer"
    words = _STEP_WORDS.get(kind, kind.replace("_", " "))
    details = _details(event, slot)
    return f"{words}: {details}" if details else words


def _what_was_read(event: Mapping[str, Any], slot: Step | None, taken: Taken) -> str:
    if taken.kind != "part" or slot is None:
        unknown = f" ({said(event['slot'])})" if taken.kind == "reading" else ""
        return _LONG_WORDS[taken.kind] + unknown
    serial = f" of {said(slot['serial'])}" if slot["serial"] is not None else ""
    force = f", {slot['force_N']:g} N" if slot["force_N"] is not None else ""
    return f"part{serial} at {taken.label}{force}"


def _details(event: Mapping[str, Any], slot: Step | None) -> str:
    """What the event says beside its kind, in its own words."""
    if event["event"] in _DETAILS:
        return _DETAILS[event["event"]](event, slot)
    return ": ".join(said(item) for key, item in event.items() if key not in _ENVELOPE)


def _of_step(event: Mapping[str, Any], slot: Step | None) -> str:
    return said(slot["say"]) if slot is not None and slot["say"] else f"step {said(event['slot'])}"


def _of_soak(event: Mapping[str, Any], slot: Step | None) -> str:
    asked = f"at least {clock(slot['at_least_s'])} was asked for" if slot is not None else f"step {said(event['slot'])}"
    if event.get("reason"):
        return f"{asked}; cut short: {said(event['reason'])}"
    return asked if event.get("recorded", True) else f"{asked}; its time was not recorded"


def _of_choice(event: Mapping[str, Any], _: Step | None) -> str:
    overruled = f", used although {said(event['overruled'])}" if event["overruled"] else ""
    return f"{said(event['role'])} {said(event['entry'].get('id') or event['entry'].get('name'))}{overruled}"


def _of_start(event: Mapping[str, Any], _: Step | None) -> str:
    overruled = f"; overruled: {flat(event['overruled'])}" if event.get("overruled") else ""
    return f"readings from {said(event.get('source'))}{overruled}"


_DETAILS: Mapping[str, Callable[[Mapping[str, Any], Step | None], str]] = {
    "run_started": _of_start,
    "step_done": _of_step,
    "prepared_again": _of_step,
    "soak_ended": _of_soak,
    "soak_begun_again": _of_soak,
    "soak_observed": lambda event, _: f"{said(event['of'] or 'reading')} {said(event['raw'])}",
    "line_unused": lambda event, _: f"{said(event['line'])}, {said(event['why'])}",
    "line_lost": lambda event, _: f"{said(event['of'])}, {said(event['why'])}",
    "line_back": lambda event, _: said(event["of"]),
    "entry_chosen": _of_choice,
    "answer_struck": lambda event, _: f"entry {said(event['target'])}, {said(event['reason'])}",
    "plugin_failed": lambda event, _: f"{said(event['plugin'])}, in {said(event['during'])}: {said(event['message'])}",
    "plugin_slow": lambda event, _: f"{said(event['plugin'])}, in {said(event['during'])}: {event['took_s']:.2g} s",
    "run_continued": lambda event, _: (
        "after a time that nobody knows: the clock was set back"
        if event["away_s"] is None
        else f"after {clock(event['away_s'])} away"
    ),
    "run_finished": lambda _event, _slot: "",
}
