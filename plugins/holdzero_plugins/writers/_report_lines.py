"""What a report keeps of each record: its line, its results, its devices and findings, all in words for the page.

Records come one at a time and are let go again: only what is shown is kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from holdzero.hooks import Filed, stops_of
from holdzero_plugins.writers._characteristics import limits_of, measured_text, passing_um
from holdzero_plugins.writers._pictures import Passing
from holdzero_plugins.writers._text import flat, number_or_missing, said, wall_text

__all__ = ["KNOWN_VERDICTS", "Complaint", "Instrument", "Line", "Piece", "line_of", "numbers_text", "short"]

KNOWN_VERDICTS = ("fail", "undecided", "pass", "reported")
_SECONDS = re.compile(r"(\d\d:\d\d):\d\d(?= |$)")  # more than a list needs
_NO_TRIAL = frozenset({"production", "practice", "simulated"})
_ROLES = ("reference", "comparator", "thermometer", "check_standard")


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One characteristic of one record.

    Attributes:
        number: of the record in the report.
        name: of the characteristic.
        verdict: of those that are known; anything else is undecided.
        measured: value and uncertainty in words.
        limits: in words.
        value_um: measured [um]; None where there is no number.
        expanded_um: U [um]; 0 where it is not known.
        lower_um: limit [um].
        upper_um: limit [um].
        guard_um: guard band [um]; None where a probability decides.
        passing_um: least and largest value that passes [um], None for no end; empty where none does.
        units: mm or in.
        counts: whether it counts in statistics: it stands, and was measured in production.
        stands: whether no later record replaces it.
        note: S, T or R below its mark: simulated, trial, replaced.
    """

    number: int
    name: str
    verdict: str
    measured: str
    limits: str
    value_um: float | None
    expanded_um: float
    lower_um: float | None
    upper_um: float | None
    guard_um: float | None
    passing_um: Passing
    units: str
    counts: bool
    stands: bool
    note: str


@dataclass(frozen=True, slots=True)
class Instrument:
    """A device as a record has it."""

    role: str
    name: str
    certificate: str
    due: str
    overruled: bool


@dataclass(frozen=True, slots=True)
class Complaint:
    """A finding that is no note."""

    level: str
    text: str
    code: str
    concerns: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One record."""

    number: int
    part: str
    of: str
    serial: str
    routine: str
    operator: str
    started: str
    verdict: str
    simulated: bool
    trial: bool
    stands: bool
    marks: tuple[str, ...]
    digest: str
    signatures: tuple[str, ...]
    reviews: tuple[str, ...]
    pieces: tuple[Piece, ...]
    instruments: tuple[Instrument, ...]
    complaints: tuple[Complaint, ...]
    notes: int


def line_of(number: int, filed: Filed) -> Line:
    """What is kept of a record.

    Args:
        number: of the record in the report, from 1.
        filed: as the book hands it over.
    """
    record = filed.record
    routine, run = record["routine"], record["run"]
    findings = record.get("findings") or ()
    return Line(
        number=number,
        part=said(routine["part"]),
        of=_of(routine),
        serial=said(run["serial"]),
        routine=said(routine["title"]),
        operator=said(run["operator"]),
        started=_SECONDS.sub(r"\1", wall_text(run["started"])),
        verdict=_verdict(record["verdict"]),
        simulated=bool(record["simulated"]),
        trial=_is_trial(record),
        stands=filed.replaced_by is None,
        marks=tuple(_marks(filed)),
        digest=said(record["digest"]),
        signatures=tuple(said(key) for key in filed.signatures),
        reviews=tuple(_review(review) for review in filed.reviews),
        pieces=tuple(_piece(number, name, result, filed) for name, result in record["results"].items()),
        instruments=tuple(_instruments(record["register"])),
        complaints=tuple(_complaint(finding) for finding in findings if finding["level"] != "note"),
        notes=sum(finding["level"] == "note" for finding in findings),
    )


def _of(routine: Mapping[str, Any]) -> str:
    """Part number and revision, as far as there is one."""
    return ", ".join(said(routine[key]) for key in ("part", "revision") if routine[key])


def _verdict(word: object) -> str:
    return str(word) if word in KNOWN_VERDICTS else "undecided"


def _is_trial(record: Mapping[str, Any]) -> bool:
    return str(record["run"].get("purpose")) not in _NO_TRIAL


def short(digest: object) -> str:
    """The beginning of a digest, enough to find its record by."""
    return said(digest).removeprefix("sha256:")[:12]


def _marks(filed: Filed) -> Iterable[str]:
    record = filed.record
    if record["simulated"]:
        yield "SIMULATED"
    if _is_trial(record):
        yield "TRIAL"
    if filed.replaced_by is not None:
        yield f"REPLACED by record {short(filed.replaced_by)}"
    amends = record.get("amends")
    if isinstance(amends, Mapping):
        yield f"Amends record {short(amends.get('digest'))}: {said(amends.get('reason'))}, {said(amends.get('by'))}"


def _review(review: Mapping[str, str]) -> str:
    note = f": {said(review['note'])}" if review.get("note") else ""
    signed = f", signed with key {said(review['signed'])[:16]}" if review.get("signed") else ", not signed"
    return f"{said(review.get('meaning'))}, {said(review.get('name'))}, {wall_text(review.get('at'))}{note}{signed}"


def _piece(number: int, name: str, r: Mapping[str, Any], filed: Filed) -> Piece:
    record = filed.record
    document = record["routine"].get("document") or {}
    units = (document.get("routine") or {}).get("units", "mm")
    units = units if units in ("mm", "in") else "mm"
    by_probability = (document.get("decision") or {}).get("rule") == "probability"
    stands, made_up, trial = filed.replaced_by is None, bool(record["simulated"]), _is_trial(record)
    measured = measured_text(r, units)
    notes = (("S", made_up), ("T", trial), ("R", not stands))
    return Piece(
        number=number,
        name=said(name),
        verdict=_verdict(r["verdict"]),
        measured=f"STOP: {measured}" if stops_of(record, name) and r["value_um"] is not None else measured,
        limits=limits_of(r, units),
        value_um=number_or_missing(r, "value_um"),
        expanded_um=number_or_missing(r, "expanded_uncertainty_um") or 0.0,
        lower_um=number_or_missing(r, "lower_um"),
        upper_um=number_or_missing(r, "upper_um"),
        guard_um=None if by_probability else number_or_missing(r, "guard_band_um"),
        passing_um=passing_um(r),
        units=units,
        counts=stands and not made_up and not trial,
        stands=stands,
        note="".join(letter for letter, so in notes if so),
    )


def _instruments(register: Mapping[str, Any]) -> Iterable[Instrument]:
    for role in dict.fromkeys((*_ROLES, *register)):
        entry = register.get(role)
        if isinstance(entry, Mapping):
            yield Instrument(
                role=said(role.replace("_", " ")),
                name=" · ".join(said(entry[key]) for key in ("id", "name") if entry.get(key)) or said(None),
                certificate=flat(entry.get("certificate")),
                due=said(entry.get("due")),
                overruled=bool(entry.get("overruled")),
            )


def _complaint(finding: Mapping[str, Any]) -> Complaint:
    level = finding["level"] if finding["level"] in ("stop", "doubt") else "stop"
    concerns = said(finding.get("characteristic") or "the whole part")
    return Complaint(level, said(finding["text"]), said(finding["code"]), concerns)


def numbers_text(numbers: Sequence[int]) -> str:
    """Numbers in their order, runs of three and more drawn together.

    >>> numbers_text([1, 2, 3, 4, 7, 9, 10])
    '1–4, 7, 9, 10'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)  # noqa: PLR2004  two are as short with a comma
