"""From records to a study of the measuring process: readings by part, inspector and trial. Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from holdzero.amendment import as_measured
from holdzero.studies import (
    Consistency,
    CrossedStudy,
    Layout,
    PrecisionOfLevel,
    RangeStudy,
    StudyError,
    consistency,
    crossed_layout,
    crossed_study,
    precision_of_level,
    range_study,
)

__all__ = ["BY", "INSPECTOR", "Level", "Taken", "by_laboratories", "by_parts", "readings_of", "whole"]

INSPECTOR = "inspector"
"""Name of the question by which a run is told who reads from then on."""
BY = ("inspector", "comparator")
"""What readings are told apart by."""
_MOST_NAMED = 20  # cells that a refusal names


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A reading of a study.

    Attributes:
        part: serial of the part.
        inspector: who read: the newest answer to the question `inspector` before it, else the operator.
        comparator: what it was read with.
        trial: number of the reading among those of the same part and inspector, from 1, in order of time.
        value_um: reading less the mean of its zero [um].
        digest: of its record.
        entry: its number in the run.
        wall: when it was taken.
        simulated: whether it is made up.
    """

    part: str
    inspector: str
    comparator: str
    trial: int
    value_um: float
    digest: str
    entry: int
    wall: str
    simulated: bool


def readings_of(records: Iterable[Mapping[str, Any]], *, place: str | None = None, by: str = INSPECTOR) -> list[Taken]:
    """The readings of records, in order of time, each with its trial.

    A record that another of them replaces is left out, and so is one that comes twice. A run counts once: of several
    writings of it one counts, an amended one before others, else the last.

    Args:
        records: as plain data; of the writings of a run the newest last.
        place: at which they were read; None where there is only one.
        by: `inspector` or `comparator`: what trials are counted within.

    Raises:
        StudyError: there are several places, a part has no serial, or nobody is named who read.
    """
    counts: Counter[tuple[str, str]] = Counter()
    found: list[Taken] = []
    kept = _kept(records)
    for record in sorted(kept, key=lambda item: (str(item["run"]["started"]), str(item["run"]["serial"]))):
        for part, inspector, comparator, row, value in _of_record(record, _place(kept, place)):
            cell = part, inspector if by == INSPECTOR else comparator
            counts[cell] += 1
            found.append(
                Taken(
                    part=part,
                    inspector=inspector,
                    comparator=comparator,
                    trial=counts[cell],
                    value_um=value,
                    digest=record["digest"],
                    entry=row["entry"],
                    wall=row["wall"],
                    simulated=record["simulated"],
                )
            )
    return found


def _kept(records: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    each = {record["digest"]: record for record in records}
    replaced = {(record.get("amends") or {}).get("digest") for record in each.values()}
    replaced |= {record.get("rewrites") for record in each.values()}
    standing = [record for digest, record in each.items() if digest not in replaced]
    ordered = sorted(standing, key=lambda record: "amends" in record)  # stable: otherwise the last counts
    return list(
        {(record["run"]["journal_sha256"], as_measured(record, "serial")): record for record in ordered}.values()
    )


def _counted(record: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Readings of the part that count."""
    own = as_measured(record, "serial")
    for row in record["readings"]:
        if row["kind"] == "read" and row["counts"] and row["serial"] in (None, own):
            yield row


def _place(records: Sequence[Mapping[str, Any]], wanted: str | None) -> str:
    places = list(dict.fromkeys(row["place"] for record in records for row in _counted(record)))
    if not places:
        raise StudyError("no record has a reading that counts")
    if wanted is None and len(places) > 1:
        raise StudyError(f"the readings are of several places: {', '.join(places)}; say which with --at")
    if wanted is not None and wanted not in places:
        raise StudyError(f"no reading is of place {wanted!r}; there are {', '.join(places)}")
    return wanted if wanted is not None else places[0]


def _of_record(record: Mapping[str, Any], place: str) -> Iterator[tuple[str, str, str, Mapping[str, Any], float]]:
    part, device = record["run"]["serial"], record["register"].get("comparator") or {}
    zeros: dict[Any, list[float]] = {}
    for row in record["readings"]:
        if row["kind"] == "zero" and row["counts"]:
            zeros.setdefault(row["zero"], []).append(row["value"])
    for row in _counted(record):
        if row["place"] != place:
            continue
        if not part:
            raise StudyError(f"record {_short(record)} has no serial: its part can't be told from others; amend it")
        inspector = _inspector(record, row["entry"])
        under = zeros.get(row["zero"])
        if under is None:
            raise StudyError(f"record {_short(record)}, entry {row['entry']}: the reading has no zero that counts")
        value = row["value"] - math.fsum(under) / len(under)
        yield part, inspector, str(device.get("id") or device.get("name") or ""), row, value


def _inspector(record: Mapping[str, Any], entry: int) -> str:
    """Who read: as asked in the run; else the operator."""
    asked = [
        row
        for row in record["readings"]
        if row["kind"] == "ask" and row["place"] == INSPECTOR and row["struck"] is None and row["entry"] < entry
    ]
    said = max(asked, key=lambda row: row["entry"])["raw"] if asked else record["run"]["operator"]
    name = " ".join(str(said or "").split())
    if not name:
        raise StudyError(f"record {_short(record)} does not say who read; ask for 'inspector', or name the operator")
    return name


def _short(record: Mapping[str, Any]) -> str:
    return str(record["digest"]).removeprefix("sha256:")[:12]


def whole(taken: Sequence[Taken]) -> Layout:
    """The readings as a crossed study takes them: equally many of each part by each inspector.

    Raises:
        StudyError: with every cell that lacks readings.
    """
    cells = Counter((item.part, item.inspector) for item in taken)
    parts, inspectors = (list(dict.fromkeys(cell[place] for cell in cells)) for place in (0, 1))
    trials = max(cells.values(), default=0)
    missing = [
        f"part {part}, inspector {inspector}: {cells[part, inspector]} of {trials}"
        for part in parts
        for inspector in inspectors
        if cells[part, inspector] != trials
    ]
    if missing:
        shown = missing[:_MOST_NAMED]
        more = [f"and {len(missing) - len(shown)} more"] if len(missing) > len(shown) else []
        lines = "".join(f"\n    {line}" for line in (*shown, *more))
        raise StudyError(
            f"a gauge study needs equally many readings of each part by each inspector; these are missing:{lines}\n"
            "    take them, or leave the part or the inspector out"
        )
    return crossed_layout((item.part, item.inspector, item.value_um) for item in taken)


def by_parts(layout: Layout, tolerance_um: float | None) -> tuple[CrossedStudy, RangeStudy | None, str]:
    """Both analyses of a crossed study; the second is None, with the reason, where ranges tell nothing.

    Args:
        layout: the readings.
        tolerance_um: width of the tolerance [um]; None if there is none.
    """
    study = crossed_study(layout.readings_um, tolerance_um=tolerance_um)
    try:
        return study, range_study(layout.readings_um, tolerance_um=tolerance_um), ""
    except StudyError as error:
        return study, None, str(error)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A part as the level of an interlaboratory study.

    Attributes:
        part: serial.
        laboratories: names, in order.
        counts: readings of each [1].
        precision: what the level shows [um].
        marks: h and k of each laboratory.
    """

    part: str
    laboratories: tuple[str, ...]
    counts: tuple[int, ...]
    precision: PrecisionOfLevel
    marks: tuple[Consistency, ...]


def by_laboratories(taken: Sequence[Taken], by: str) -> list[Level]:
    """Each part as a level, inspectors or comparators as laboratories; they may have read unequally often.

    Raises:
        StudyError: a laboratory did not read a part, or there are too few.
    """
    cells: dict[str, dict[str, list[float]]] = {}
    for item in taken:
        name = item.inspector if by == INSPECTOR else item.comparator
        cells.setdefault(item.part, {}).setdefault(name, []).append(item.value_um)
    names = list(dict.fromkeys(name for level in cells.values() for name in level))
    missing = [f"part {part}, {by} {name}" for part, level in cells.items() for name in names if name not in level]
    if missing:
        lines = "".join(f"\n    {line}" for line in missing[:_MOST_NAMED])
        raise StudyError(f"each {by} must read each part; these readings are missing:{lines}")
    return [
        Level(
            part=part,
            laboratories=tuple(names),
            counts=tuple(len(level[name]) for name in names),
            precision=precision_of_level([level[name] for name in names]),
            marks=consistency([level[name] for name in names]),
        )
        for part, level in cells.items()
    ]
