"""What the HTML record says, from its head to its end mark: a record in, texts and pictures out.

Nothing here decides or computes a result; what a record does not hold is said to be not recorded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from holdzero.hooks import Routine, in_micro, micro_text
from holdzero_plugins.writers._characteristics import Fact, Section, sections_of
from holdzero_plugins.writers._entries import Entry, Taken, book_of
from holdzero_plugins.writers._soaked import Soaked, soaked_of
from holdzero_plugins.writers._temperatures import Temperatures, temperatures_of
from holdzero_plugins.writers._text import MISSING, clock, css_string, flat, said, significant, small_unit, wall_text
from holdzero_plugins.writers._trace import Panel, panels_of

__all__ = ["Device", "FindingLine", "Page", "Software", "page_of"]

_LEVELS = ("stop", "doubt", "note")
_ROLES = ("reference", "comparator", "thermometer", "check_standard")
_NAMED = frozenset({"id", "name", "certificate", "due", "overruled"})
_VERDICTS = {
    "pass": "Every characteristic that has limits conforms, each by its decision rule.",
    "fail": "At least one characteristic does not conform by its decision rule:",
    "undecided": "Neither a pass nor a fail can be given:",
    "reported": "No limits are set: values are reported, nothing is decided.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLine:
    """A finding in words, with the numbers behind it."""

    level: str
    text: str
    code: str
    concerns: str
    data: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device in use, as the register or the routine has it."""

    role: str
    name: str
    certificate: str
    due: str
    properties: tuple[Fact, ...]
    overruled: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Software:
    """A program that had a part in the record."""

    name: str
    version: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """All that stands on the page, in its order."""

    verdict: str
    sentence: str
    reasons: tuple[str, ...]
    part: str
    serial: str
    simulated: bool
    trial: bool
    unapproved: bool
    amends: str
    head: tuple[Fact, ...]
    sections: tuple[Section, ...]
    findings: tuple[FindingLine, ...]
    small: str
    panels: tuple[Panel, ...]
    kinds: tuple[str, ...]
    states: tuple[str, ...]
    trace_words: str
    trace_notes: tuple[str, ...]
    soaked: tuple[Soaked, ...]
    devices: tuple[Device, ...]
    temperatures: Temperatures
    entries: tuple[Entry, ...]
    software: tuple[Software, ...]
    digests: tuple[Fact, ...]
    running_foot: str


def page_of(record: Mapping[str, Any]) -> Page:
    """The page of a record."""
    units = record["routine"]["document"]["routine"].get("units", "mm")
    routine = _routine(record)
    book = book_of(record, units)
    sections = sections_of(record, routine, units)
    findings = _findings(record)
    shown = tuple(taken for taken in book.readings if taken.own)
    panels = _panels(shown, units)
    part, serial = said(record["routine"]["part"]), said(record["run"]["serial"])
    return Page(
        verdict=record["verdict"],
        sentence=_VERDICTS.get(record["verdict"], MISSING),
        reasons=tuple(_reasons(record["verdict"], sections, findings)),
        part=part,
        serial=serial,
        simulated=bool(record["simulated"]),
        trial=record["run"].get("purpose") == "trial",
        unapproved=_unapproved(record),
        amends=_amends(record),
        head=tuple(_head(record)),
        sections=sections,
        findings=findings,
        small=small_unit(units),
        panels=panels,
        kinds=tuple(dict.fromkeys(taken.kind for taken in shown)),
        states=tuple(dict.fromkeys(mark.state for panel in panels for mark in panel.marks if mark.state)),
        trace_words=_trace_words(shown, units),
        trace_notes=tuple(_trace_notes(book.readings)),
        soaked=soaked_of(record, units),
        devices=tuple(_device(role, record["register"].get(role)) for role in _roles(record)),
        temperatures=temperatures_of(record, book.temperatures),
        entries=book.entries,
        software=tuple(_software(record["software"])),
        digests=tuple(_digests(record)),
        running_foot=_running_foot(record, part, serial),
    )


def _routine(record: Mapping[str, Any]) -> Routine | None:
    """The typed routine; None where a newer or older version wrote it, and the page does with less."""
    try:
        return Routine.model_validate(record["routine"]["document"])
    except ValueError:
        return None


# --- the head ----------------------------------------------------------------------------------


def _reasons(verdict: str, sections: Iterable[Section], findings: Iterable[FindingLine]) -> Iterable[str]:
    """Why it is no pass, in a line each."""
    if verdict not in ("fail", "undecided"):
        return
    for section in sections:
        if section.verdict == "fail":
            yield f"{section.name}: {section.measured}, limits {section.limits}"
    stops = [finding.text for finding in findings if finding.level == "stop"]
    yield from (f"Stop: {text}" for text in stops)
    if not stops:
        yield from (f"{s.name}: {s.because}" for s in sections if s.verdict == "undecided")


def _head(record: Mapping[str, Any]) -> Iterable[Fact]:
    routine, run = record["routine"], record["run"]
    yield Fact("Part number", said(routine["part"]))
    yield Fact("Revision", said(routine["revision"]))
    yield Fact("Serial", said(run["serial"]))
    yield Fact("Operator", said(run["operator"]))
    if record.get("amends"):
        amends = record["amends"]
        yield Fact("Amended", f"by {said(amends['by'])}, {wall_text(amends['at'])}")
    yield Fact("Started", wall_text(run["started"]))
    yield Fact("Finished", wall_text(run["finished"]))
    yield Fact("Duration, by the run's counter", clock(run.get("duration_s")))
    yield Fact("Routine", said(routine["title"]))
    yield Fact("Routine file", said(routine.get("file")))
    if routine.get("member") is not None:
        yield Fact("Member of the part family", said(routine["member"]))
    batch = run.get("batch") or ()
    if len(batch) > 1:
        yield Fact("Parts of the run", ", ".join(said(serial) for serial in batch))
    # A record of before the purpose knew of simulated runs says production of them.
    made_up = record["simulated"] and run.get("purpose") == "production"
    yield Fact("Purpose", "simulated" if made_up else said(run.get("purpose")))
    yield Fact("Approval of the routine", _approval(routine))
    yield Fact("Source of the readings", said(run["source"]))
    yield Fact("Simulated", "yes: no part was measured" if record["simulated"] else "no")


def _amends(record: Mapping[str, Any]) -> str:
    """Which record it replaces, why, and what was corrected; empty where it replaces none."""
    amends = record.get("amends")
    if not amends:
        return ""
    pairs = amends["corrected"].items()
    told = (f"{said(name)} was {said(_goes_by(old))}, is {said(_goes_by(new))}" for name, (old, new) in pairs)
    return "; ".join((f"Amends record {said(amends['digest'])}: {said(amends['reason'])}", *told))


def _goes_by(one: Any) -> Any:
    """A text, or what a device goes by."""
    return one.get("id") or one.get("name") if isinstance(one, Mapping) else one


def _unapproved(record: Mapping[str, Any]) -> bool:
    """Whether nobody ever answered for the routine; a trial, and what is made up, say enough of themselves."""
    trial = record["run"].get("purpose") == "trial"
    return record["routine"].get("approval") == "none" and not trial and not record["simulated"]


def _approval(routine: Mapping[str, Any]) -> str:
    """Whether somebody answers for the routine's text, and who."""
    table = (routine.get("document") or {}).get("approval") or {}
    by = f"{said(table.get('by'))} on {said(table.get('on'))}"
    words = {"none": "none", "approved": f"by {by}", "changed": f"the text was changed after its approval by {by}"}
    return words.get(str(routine.get("approval")), MISSING)


def _running_foot(record: Mapping[str, Any], part: str, serial: str) -> str:
    """What stands at the foot of every printed page, as the inside of a CSS string."""
    short = said(record["digest"]).removeprefix("sha256:")[:12]
    words = (_shortened(part), f"serial {_shortened(serial)}", said(record["verdict"]), f"record {short}")
    return css_string(" · ".join(words))


def _shortened(text: str, most: int = 24) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


# --- findings ----------------------------------------------------------------------------------


def _findings(record: Mapping[str, Any]) -> tuple[FindingLine, ...]:
    ranks = {level: rank for rank, level in enumerate(_LEVELS)}
    ordered = sorted(record["findings"], key=lambda finding: ranks.get(finding["level"], 0))
    return tuple(
        FindingLine(
            level=finding["level"],
            text=said(finding["text"]),
            code=said(finding["code"]),
            concerns=said(finding.get("characteristic") or "the whole part"),
            data="; ".join(_datum(name, number) for name, number in (finding.get("data") or {}).items()),
        )
        for finding in ordered
    )


def _datum(name: str, number: float | None) -> str:
    return f"{said(name)} = {MISSING if number is None else significant(number, 4)}"


# --- readings ----------------------------------------------------------------------------------


def _panels(shown: tuple[Taken, ...], units: str) -> tuple[Panel, ...]:
    values = [in_micro(taken.value_um, units) for taken in shown]
    return panels_of(shown, values, [micro_text(taken.value_um, units) for taken in shown])


def _trace_words(shown: tuple[Taken, ...], units: str) -> str:
    """The picture for those who can't see it: how many of each kind, from where to where."""
    sentences = []
    for kind in dict.fromkeys(taken.kind for taken in shown):
        values = [taken.value_um for taken in shown if taken.kind == kind]
        spread = f"{micro_text(min(values), units)} to {micro_text(max(values), units)}"
        sentences.append(f"{kind}: {len(values)}, {spread}.")
    return " ".join(sentences) + " Each value stands in the table of events."


def _trace_notes(readings: tuple[Taken, ...]) -> Iterable[str]:
    struck = [taken for taken in readings if taken.struck]
    again = [taken for taken in readings if taken.superseded is not None]
    others = [taken for taken in readings if not taken.own]
    total = len(readings)
    yield f"{len(struck)} of {total} readings struck out." if struck else f"None of {total} readings struck out."
    if again:
        entries = ", ".join(f"{taken.seq} (by {taken.superseded})" for taken in again)
        yield f"Read again, and counted in place of the first: {entries}."
    if others:
        yield f"{len(others)} readings of other parts of the run are not drawn; they are in the table of events."


# --- devices, software -------------------------------------------------------------------------


def _roles(record: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*_ROLES, *record["register"])))


def _device(role: str, entry: Mapping[str, Any] | None) -> Device:
    entry = entry or {}
    names = [said(entry[key]) for key in ("id", "name") if entry.get(key)]
    rest = (Fact(key.replace("_", " "), flat(item)) for key, item in entry.items() if key not in _NAMED)
    overruled = f"used although {said(entry['overruled'])}" if entry.get("overruled") else ""
    return Device(
        role=said(role.replace("_", " ")),
        name=" · ".join(names) or MISSING,
        certificate=said(entry.get("certificate")),
        due=said(entry.get("due")),
        properties=tuple(rest),
        overruled=overruled or ("no" if entry else MISSING),
    )


def _software(software: Mapping[str, Any]) -> Iterable[Software]:
    own = software.get("holdzero") or {}
    yield Software(name="holdzero", version=said(own.get("version")), digest=said(own.get("digest")))
    for plugin in software.get("plugins") or ():
        name = f"plugin {said(plugin.get('name'))}, of {said(plugin.get('distribution'))}"
        yield Software(name=name, version=said(plugin.get("version")), digest=said(plugin.get("digest")))
    libraries = {"Python": software.get("python"), **(software.get("libraries") or {})}
    for name, version in libraries.items():
        yield Software(name=said(name), version=said(version), digest="")


def _digests(record: Mapping[str, Any]) -> Iterable[Fact]:
    yield Fact("Record", said(record["digest"]))
    yield Fact("Routine", said(record["routine"].get("digest")))
    yield Fact("Journal, SHA-256", said(record["run"].get("journal_sha256")))
    yield Fact("Format of the record", said(record.get("format")))
