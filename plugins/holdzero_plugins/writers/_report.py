"""What a report of many records says: what was asked, each record in its order, and each characteristic over them.

It decides nothing and sums up no verdict: each stands as its record has it. Statistics are of values that
stand, measured in production; of all where there is no such value.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from holdzero.hooks import Filed, Inquiry, in_micro, micro_text
from holdzero_plugins.writers._characteristics import Fact, passing_small
from holdzero_plugins.writers._report_lines import (
    KNOWN_VERDICTS,
    Complaint,
    Instrument,
    Line,
    Piece,
    line_of,
    numbers_text,
    short,
)
from holdzero_plugins.writers._report_pictures import FEWEST, Bars, Course, Mark, Point, bars_of, courses_of
from holdzero_plugins.writers._text import css_string, said, small_unit, wall_text

__all__ = ["Report", "report_of"]

T = TypeVar("T", Complaint, Instrument)
_ASKED = {"since": "From", "until": "Until", "real": "Without simulated readings and trials"}
_ASKED |= {"latest": "Without replaced records", "text": "Words"}


@dataclass(frozen=True, slots=True)
class Tally:
    """How many records have a verdict."""

    verdict: str
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One characteristic of one part number over the records."""

    name: str
    tallies: tuple[Tally, ...]
    facts: tuple[Fact, ...]
    of: str
    small: str
    courses: tuple[Course, ...]
    words: str
    off: str
    bars: Bars | None
    no_bars: str


@dataclass(frozen=True, slots=True)
class Group(Generic[T]):
    """Something that several records have, and their numbers."""

    item: T
    numbers: str
    count: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """What occurs in the pictures of values, for their legend."""

    verdicts: tuple[str, ...]
    replaced: bool
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that stands in the report, in its order."""

    title: str
    kicker: str
    head: tuple[Fact, ...]
    tallies: tuple[Tally, ...]
    left_out: str
    first_fail: tuple[str, ...]
    simulated: str
    trial: str
    made_up: bool
    lines: tuple[Line, ...]
    several: bool
    sections: tuple[Section, ...]
    drawn: Drawn
    complaints: tuple[Group[Complaint], ...]
    notes: int
    devices: tuple[Group[Instrument], ...]
    overruled: str
    running_foot: str
    at: str


def report_of(records: Iterable[Filed], inquiry: Inquiry) -> Report:
    """The report.

    Args:
        records: in order.
        inquiry: what was asked, and when.
    """
    lines = tuple(line_of(number, filed) for number, filed in enumerate(records, 1))
    standing = [line for line in lines if line.stands]
    counted = [line for line in standing if not line.simulated and not line.trial] or standing
    history = {"part", "serial"} <= inquiry.asked.keys()
    several = len({line.of for line in lines}) > 1
    title = _title(inquiry, lines, history=history)
    sections = tuple(_sections(lines))
    return Report(
        title=title,
        kicker="History of one part" if history else "Report of measurement records",
        head=tuple(_head(lines, inquiry, several=several)),
        tallies=_tallies(line.verdict for line in counted),
        left_out=_left_out(lines, counted),
        first_fail=tuple(_first_fail(counted)),
        simulated=_some(lines, [line for line in lines if line.simulated], "simulated: no part was measured in them"),
        trial=_some(
            lines, [line for line in lines if line.trial], "of a trial of the routine: nothing is accepted by them"
        ),
        made_up=bool(lines) and all(line.simulated for line in lines),
        lines=lines,
        several=several,
        sections=sections,
        drawn=_drawn([mark for section in sections for mark in _marks(section.courses)]),
        complaints=_grouped(
            (complaint, line.number)
            for level in ("stop", "doubt")
            for line in lines
            for complaint in line.complaints
            if complaint.level == level
        ),
        notes=sum(line.notes for line in lines),
        devices=_grouped((item, line.number) for line in lines for item in line.instruments),
        overruled=numbers_text([line.number for line in lines if any(i.overruled for i in line.instruments)]),
        running_foot=css_string(f"{_cut(title)} · {_count(len(lines))} · {wall_text(inquiry.at)}"),
        at=wall_text(inquiry.at),
    )


# --- the head ----------------------------------------------------------------------------------


def _title(inquiry: Inquiry, lines: Sequence[Line], *, history: bool) -> str:
    if history:
        return f"{said(inquiry.asked['part'])}, serial {said(inquiry.asked['serial'])}"
    parts = list(dict.fromkeys(line.part for line in lines))
    return parts[0] if len(parts) == 1 else f"{len(parts)} part numbers" if parts else "No record"


def _cut(text: str, most: int = 40) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _count(number: int) -> str:
    return "1 record" if number == 1 else f"{number} records"


def _head(lines: Sequence[Line], inquiry: Inquiry, *, several: bool) -> Iterable[Fact]:
    asked = "; ".join(
        f"{_ASKED.get(name, said(name).capitalize())}: {said(word)}" for name, word in inquiry.asked.items()
    )
    yield Fact("Asked", asked or "everything in the book")
    yield Fact("Records", str(len(lines)))
    if lines:
        yield Fact("First begun", lines[0].started)
        yield Fact("Last begun", lines[-1].started)
    if lines and not several:
        yield Fact("Part number, revision", lines[0].of)
    yield Fact("Serials", str(len({(line.part, line.serial) for line in lines if line.serial != said(None)})))
    yield Fact("Operators", ", ".join(dict.fromkeys(line.operator for line in lines)) or said(None))
    yield Fact("Routines", "; ".join(dict.fromkeys(line.routine for line in lines)) or said(None))
    yield Fact("Book", said(inquiry.book))
    yield Fact("Report made", wall_text(inquiry.at))


def _tallies(verdicts: Iterable[str]) -> tuple[Tally, ...]:
    counted = Counter(verdicts)
    return tuple(Tally(verdict, counted[verdict]) for verdict in KNOWN_VERDICTS if counted[verdict])


def _left_out(lines: Sequence[Line], counted: Sequence[Line]) -> str:
    left = len(lines) - len(counted)
    if not left:
        return ""
    return f"{_count(left)} not counted among these verdicts: replaced, simulated or a trial; marked in the table."


def _first_fail(counted: Sequence[Line]) -> Iterable[str]:
    line = next((line for line in counted if line.verdict == "fail"), None)
    if line is None:
        return
    yield f"No. {line.number}, {line.part}, serial {line.serial}, begun {line.started}, record {short(line.digest)}"
    yield from (f"{p.name}: {p.measured}, limits {p.limits}" for p in line.pieces if p.verdict == "fail")


def _some(lines: Sequence[Line], those: Sequence[Line], what: str) -> str:
    """What is said on every page of those among the records; empty where there is none."""
    if not those:
        return ""
    every = len(those) == len(lines)
    is_or_are = "is" if len(those) == 1 else "are"
    return f"{'all of' if every else f'{len(those)} of'} {_count(len(lines))} {is_or_are} {what}"


# --- characteristics ---------------------------------------------------------------------------


def _sections(lines: Sequence[Line]) -> Iterable[Section]:
    groups: dict[tuple[str, str], list[Piece]] = {}
    for line in lines:
        for piece in line.pieces:
            groups.setdefault((line.part, piece.name), []).append(piece)
    parts = {part for part, _ in groups}
    for (part, name), pieces in groups.items():
        yield _section(f"{part}: {name}" if len(parts) > 1 else name, pieces)


def _section(name: str, pieces: Sequence[Piece]) -> Section:
    units = pieces[0].units
    measured = [piece for piece in pieces if piece.value_um is not None]
    counted = _counting(measured)
    points = [_point(piece, units) for piece in measured]
    bounds = {(piece.lower_um, piece.upper_um) for piece in counted}
    lower, upper = (_small(limit, units) for limit in (bounds.pop() if len(bounds) == 1 else (None, None)))
    bars = bars_of([_exact(piece.value_um, units) for piece in counted], lower, upper)
    courses = courses_of(points)
    off = [point.number for point, mark in zip(points, _marks(courses), strict=True) if mark.off]
    return Section(
        name=name,
        tallies=_tallies(piece.verdict for piece in _counting(pieces)),
        facts=tuple(_statistics(counted, units)),
        of=_of(pieces, counted),
        small=small_unit(units),
        courses=courses,
        words=_words(pieces, counted, units),
        off=f"Off the picture, at its edge: No. {numbers_text(off)}." if off else "",
        bars=bars,
        no_bars="" if bars else f"No histogram: there are fewer than {FEWEST} values.",
    )


def _counting(pieces: Sequence[Piece]) -> list[Piece]:
    """Those that stand and are of production; where there is none, those that stand; else all."""
    standing = [piece for piece in pieces if piece.stands]
    return [piece for piece in standing if piece.counts] or standing or list(pieces)


def _marks(courses: Iterable[Course]) -> list[Mark]:
    return [mark for course in courses for mark in course.marks]


def _drawn(marks: Sequence[Mark]) -> Drawn:
    seen = {mark.verdict for mark in marks if not mark.off}
    return Drawn(
        verdicts=tuple(verdict for verdict in KNOWN_VERDICTS if verdict in seen),
        replaced=any(not mark.stands for mark in marks),
        notes="".join(mark.note for mark in marks),
    )


def _exact(value_um: float | None, units: str) -> float:
    return in_micro(value_um or 0.0, units)


def _small(limit_um: float | None, units: str) -> float | None:
    return None if limit_um is None else in_micro(limit_um, units)


def _point(piece: Piece, units: str) -> Point:
    return Point(
        number=piece.number,
        value=_exact(piece.value_um, units),
        expanded=in_micro(piece.expanded_um, units),
        lower=_small(piece.lower_um, units),
        upper=_small(piece.upper_um, units),
        guard=_small(piece.guard_um, units),
        passes=passing_small(piece.passing_um, units),
        verdict=piece.verdict,
        note=piece.note,
        stands=piece.stands,
        words=f"No. {piece.number}: {piece.measured}, {piece.verdict}",
    )


def _statistics(counted: Sequence[Piece], units: str) -> Iterable[Fact]:
    """Number, mean, standard deviation, smallest and largest.

    Source: JCGM 100:2008, 4.2.1 and 4.2.2.
    """
    values = [piece.value_um for piece in counted if piece.value_um is not None]
    yield Fact("Values n", str(len(values)))
    if not values:
        return
    s = statistics.stdev(values) if len(values) > 1 else None
    yield Fact("Mean", micro_text(statistics.mean(values), units, (s or counted[0].expanded_um) or None))
    alone = "none: there is one value" if s is None else micro_text(s, units, s or None, sign=False)
    yield Fact("Standard deviation s", alone)
    for word, piece in (("Smallest", min(counted, key=_value)), ("Largest", max(counted, key=_value))):
        yield Fact(word, f"{micro_text(_value(piece), units, piece.expanded_um or None)}, No. {piece.number}")
    yield Fact("Limits", "; ".join(dict.fromkeys(piece.limits for piece in counted)))


def _value(piece: Piece) -> float:
    return piece.value_um or 0.0


def _of(pieces: Sequence[Piece], counted: Sequence[Piece]) -> str:
    """Of which values the statistics are."""
    words = "s holds the scatter of the parts and that of measuring them. "
    left = len(pieces) - len(counted)
    if not left:
        return words + "All values count." if all(p.counts for p in pieces) else words + "No value is of production."
    return words + f"{left} of {len(pieces)} do not count: replaced, simulated, of a trial, or without a number."


def _words(pieces: Sequence[Piece], counted: Sequence[Piece], units: str) -> str:
    if not counted:
        return "No value."
    ends = (min(counted, key=_value), max(counted, key=_value))
    low, high = (micro_text(_value(piece), units, piece.expanded_um or None) for piece in ends)
    return f"{len(pieces)} records, values from {low} to {high}; limits {ends[0].limits}. Each stands in the table."


# --- what several records have -----------------------------------------------------------------


def _grouped(pairs: Iterable[tuple[T, int]]) -> tuple[Group[T], ...]:
    """Each thing once, in the order in which it came, with the numbers of its records."""
    numbers: dict[T, dict[int, None]] = {}
    for item, number in pairs:
        numbers.setdefault(item, {})[number] = None
    return tuple(Group(item, numbers_text(list(found)), len(found)) for item, found in numbers.items())
