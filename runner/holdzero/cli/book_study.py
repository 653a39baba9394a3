"""`book study`: readings of records become a study of the measuring process, shown, drawn and handed on."""

from __future__ import annotations

import datetime as dt
import json as plain_json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import typer

from holdzero.book import Book, Criteria
from holdzero.book.export import Csv
from holdzero.book.study import BY, INSPECTOR, Level, Taken, by_laboratories, by_parts, readings_of, whole
from holdzero.cli.book_find import range_ms
from holdzero.cli.book_of import book_of, files_read, print_table
from holdzero.cli.book_watch import written_page
from holdzero.cli.files import by_number
from holdzero.cli.routines import files_of
from holdzero.cli.study_tables import Table, tables_of_levels, tables_of_parts, tables_of_ranges
from holdzero.cli.writable import free_to_write
from holdzero.errors import HoldzeroError, RecordError
from holdzero.json_text import escaped
from holdzero.pictures import page
from holdzero.pictures.plot import Plot
from holdzero.pictures.spreads import spreads_of
from holdzero.pictures.study import letters_of, plot_by_inspector, plot_by_part
from holdzero.quantity import Dimension, parse_quantity
from holdzero.record import loads
from holdzero.studies import CrossedStudy, Layout, RangeStudy, range_study
from holdzero.whole_file import read_whole_text, write_whole

__all__ = ["METHODS", "Studying", "study_records"]

METHODS = ("anova", "range", "laboratories")
_DONE = 0
_COVERAGE = 0.95
_MANY = 5000  # records; a study has some dozens
_COLUMNS = ("part", "inspector", "comparator", "trial", "value_um", "taken", "entry", "record", "simulated")


@dataclass(frozen=True, slots=True, kw_only=True)
class Studying:
    """What a person wants studied, and how."""

    records: Sequence[str]
    part: str | None
    title: str | None
    since: str | None
    until: str | None
    at: str | None
    method: str
    by: str
    tolerance: str | None
    html: Path | None
    csv: Path | None
    json: bool
    replace: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Study:
    """A study: its readings, and what came of them by the method that was asked for."""

    taken: Sequence[Taken]
    by: str
    layout: Layout | None = None
    crossed: CrossedStudy | None = None
    ranges: RangeStudy | None = None
    why_no_ranges: str = ""
    levels: Sequence[Level] = ()
    tolerance_um: float | None = None

    @property
    def tables(self) -> list[Table]:
        """What is told in numbers."""
        if self.crossed is not None and self.layout is not None:
            return tables_of_parts(self.crossed, self.layout, self.ranges, self.why_no_ranges, _COVERAGE)
        if self.ranges is not None and self.layout is not None:
            return tables_of_ranges(self.ranges, self.layout)
        return tables_of_levels(self.levels)

    def name(self, item: Taken) -> str:
        """What a reading is told apart by."""
        return item.inspector if self.by == INSPECTOR else item.comparator

    @property
    def simulated(self) -> bool:
        """Whether a reading is made up."""
        return any(item.simulated for item in self.taken)


def study_records(wanted: Studying, *, book: str | None, shop: Path | None) -> int:
    """Study the readings of records; gives the exit code.

    Raises:
        HoldzeroError: readings are missing, or there is nothing to study.
    """
    if wanted.method not in METHODS or wanted.by not in BY:
        raise HoldzeroError(f"--method is one of {', '.join(METHODS)}, and --by one of {', '.join(BY)}")
    reads = [*files_read(book, shop), *files_of([Path(word) for word in wanted.records], "*.record.json")]
    for option, path in (("--html", wanted.html), ("--csv", wanted.csv)):
        if path is not None:
            free_to_write(path, replace=wanted.replace, reads=reads, option=option)
    study = _made(wanted, book, shop)
    if wanted.csv is not None:
        _write_csv(wanted.csv, study.taken)
    if wanted.html is not None:
        written_page(wanted.html, _page(study))
    if wanted.json:
        typer.echo(escaped(plain_json.dumps(_data(study), ensure_ascii=False, allow_nan=False)))
        return _DONE
    _print(study)
    for path in (wanted.csv, wanted.html):
        if path is not None:
            typer.echo(f"{path}: written")
    return _DONE


def _made(wanted: Studying, book: str | None, shop: Path | None) -> _Study:
    tolerance_um = None
    if wanted.tolerance is not None:
        tolerance_um = parse_quantity(wanted.tolerance, Dimension.LENGTH).value
    by = wanted.by if wanted.method == "laboratories" else INSPECTOR
    taken = readings_of(_records(wanted, book, shop), place=wanted.at, by=by)
    if wanted.method == "laboratories":
        return _Study(taken=taken, by=by, levels=by_laboratories(taken, by))
    layout = whole(taken)
    if wanted.method == "range":
        ranges = range_study(layout.readings_um, tolerance_um=tolerance_um)
        return _Study(taken=taken, by=by, layout=layout, ranges=ranges)
    crossed, beside, why_not = by_parts(layout, tolerance_um)
    return _Study(
        taken=taken,
        by=by,
        layout=layout,
        crossed=crossed,
        ranges=beside,
        why_no_ranges=why_not,
        tolerance_um=tolerance_um,
    )


def _records(wanted: Studying, book: str | None, shop: Path | None) -> list[Mapping[str, Any]]:
    """Records that are named, as files or by their digests; else those of the book that are asked for."""
    if not wanted.records and wanted.part is None and wanted.title is None:
        raise HoldzeroError("say which records: files, digests, or --part and --title")
    opened: Book | None = None
    found: list[Mapping[str, Any]] = []
    for word in sorted(wanted.records, key=lambda word: by_number(Path(word))):
        if Path(word).exists():
            paths = sorted(files_of([Path(word)], "*.record.json"), key=by_number)
            found += [_of_file(path) for path in paths]
            continue
        opened = opened if opened is not None else book_of(book, shop)
        found.append(opened.get(word).record)
    if wanted.part is not None or wanted.title is not None:
        opened = opened if opened is not None else book_of(book, shop)
        found += _asked(opened, wanted)
    return found


def _of_file(path: Path) -> Mapping[str, Any]:
    """A record that was not changed since it was made."""
    try:
        text = read_whole_text(path)
    except (OSError, UnicodeDecodeError) as error:
        raise HoldzeroError(f"{path}: it can't be read: {error}") from None
    record = loads(text, str(path))
    try:
        Book.checked(text)
    except RecordError as error:
        raise RecordError(f"{path}: {error}") from None
    return record


def _asked(book: Book, wanted: Studying) -> list[Mapping[str, Any]]:
    since_ms, until_ms = range_ms(wanted.since, wanted.until)
    criteria = Criteria(
        part=wanted.part,
        since_ms=since_ms,
        until_ms=until_ms,
        simulated=False,
        latest=True,
    )
    rows = [row for row in book.find(criteria, _MANY + 1) if wanted.title in (None, row["title"])]
    if len(rows) > _MANY:
        raise HoldzeroError(f"more than {_MANY} records; narrow what is asked with --title, --since and --until")
    if not rows:
        raise HoldzeroError("the book has no record of that part and title")
    return [book.get(row["digest"]).record for row in rows]


def _write_csv(path: Path, taken: Sequence[Taken]) -> None:
    form = Csv(".", ",")
    lines = [form.line(_COLUMNS)]
    lines += [
        form.line(
            (
                item.part,
                item.inspector,
                item.comparator,
                item.trial,
                item.value_um,
                item.wall,
                item.entry,
                item.digest,
                item.simulated,
            )
        )
        for item in taken
    ]
    try:
        write_whole(path, ("\ufeff" + "".join(lines)).encode("utf-8", "replace"))
    except OSError as error:
        raise HoldzeroError(f"{path}: it could not be written: {error.strerror}") from None


def _summary(study: _Study) -> list[str]:
    parts, names = ({key(item) for item in study.taken} for key in (lambda item: item.part, study.name))
    records = {item.digest for item in study.taken}
    found = [
        f"{len(parts)} parts, {len(names)} {study.by}s, {len(study.taken)} readings of {len(records)} records",
        "each reading less the mean of its zero",
    ]
    if study.simulated:
        found.insert(0, "SIMULATED: readings are made up")
    return found


def _print(study: _Study) -> None:
    for line in _summary(study):
        typer.echo(line)
    for table in study.tables:
        typer.echo(f"\n{table.title}")
        wide = {place: max(len(line[place]) for line in (table.head, *table.lines)) for place in table.numbers}
        rows = [
            tuple(word.rjust(wide[place]) if place in wide else word for place, word in enumerate(line))
            for line in (table.head, *table.lines)
        ]
        print_table(rows[0], rows[1:])
        for note in table.notes:
            typer.echo("".join(sign if sign.isprintable() else "·" for sign in f"  {note}"))


def _page(study: _Study) -> str:
    grand = math.fsum(item.value_um for item in study.taken) / len(study.taken)
    now = dt.datetime.now().astimezone().isoformat(sep=" ", timespec="minutes")
    plots: list[Plot] = [
        plot_by_inspector(study.taken, study.name),
        plot_by_part(study.taken, study.name, grand),
    ]
    return page(
        "study",
        title=f"Gauge study, {len({item.part for item in study.taken})} parts",
        summary=[*_summary(study), f"made {now}"],
        simulated=study.simulated,
        tables=study.tables,
        spreads=None if study.crossed is None else spreads_of(study.crossed, study.tolerance_um),
        plots=plots,
        legend=[(letter, name) for name, letter in letters_of(map(study.name, study.taken)).items()],
    )


def _data(study: _Study) -> dict[str, Any]:
    said = {
        "by": study.by,
        "simulated": study.simulated,
        "readings": [asdict(item) for item in study.taken],
        "parts": None if study.layout is None else list(study.layout.parts),
        "inspectors": None if study.layout is None else list(study.layout.inspectors),
        "anova": None if study.crossed is None else _crossed_data(study.crossed),
        "range": None if study.ranges is None else asdict(study.ranges),
        "laboratories": [asdict(level) for level in study.levels],
    }
    return {key: _finite(item) for key, item in said.items()}


def _crossed_data(study: CrossedStudy) -> dict[str, Any]:
    data = asdict(study)
    for name, item in data.items():
        if isinstance(item, dict) and "variance_um2" in item:
            item["standard_um"] = getattr(study, name).standard_um
    return data


def _finite(item: Any) -> Any:
    """The same without infinity, which JSON does not have: None."""
    if isinstance(item, dict):
        return {key: _finite(value) for key, value in item.items()}
    if isinstance(item, list | tuple):
        return [_finite(value) for value in item]
    return None if isinstance(item, float) and not math.isfinite(item) else item
