"""Temperatures that a logger wrote down: a text in CSV to rows, and the temperature at a moment between two of them.

Neither file nor clock here. A text is taken whole, or refused with the line.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import re
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from pydantic import ValidationError

from holdzero.hooks import Answer, AnswerRefusedError, Settings, SourceError, Temperature, TemperatureError

__all__ = ["LONGEST_GAP_S", "Row", "Rows", "read_log"]

LONGEST_GAP_S = 600.0
"""How far apart two rows may be that a temperature is taken from [s]: bodies on a bench follow the room in tens of
minutes (common practice, no source)."""

PLACES = ("part", "reference", "plate", "air")
"""What a temperature can be of."""

_HEADER = re.compile(r"(time|temperature|error(?: halfwidth| standard)?|of)(?: *[\[(] *([^\])]+?) *[\])])?")
_ERROR = re.compile(r"(halfwidth|standard) +(.+)")
_EXPECTED = "time,temperature [degC],error halfwidth [K], and if need be of"


class _Degrees(Settings):
    """A temperature as text."""

    value: Temperature


class _Spread(Settings):
    """An error as a routine writes it."""

    value: TemperatureError


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of a log.

    Attributes:
        line: in which it stands.
        raw: the line as it is.
        at: when.
        of: part, reference, plate or air; empty where the log does not say.
        value_degC: the temperature [degC].
        error: what is known of its error, as a routine writes an estimate.
        error_u_K: standard uncertainty of the error [K].
    """

    line: int
    raw: str
    at: dt.datetime
    of: str
    value_degC: float  # noqa: N815  the unit's own capital
    error: Mapping[str, str]
    error_u_K: float  # noqa: N815  the unit's own capital


@dataclass(frozen=True, slots=True)
class _Column:
    """A column by its header: its place, its unit, and how an error is stated."""

    index: int
    unit: str
    kind: str


class Rows:
    """The rows of a log.

    Args:
        name: of its file, for messages and the record.
        digest: of its file.
        rows: in order, with times that rise for each thing.
    """

    def __init__(self, name: str, digest: str, rows: Sequence[Row]) -> None:
        self._name = name
        self._digest = digest
        self._of: dict[str, list[Row]] = {}
        for row in rows:
            self._of.setdefault(row.of, []).append(row)

    def temperature(self, of: str, wall: str) -> Answer:
        """What it says of a thing at a moment: a row of that moment, or linear between the two beside it.

        Args:
            of: part, reference, plate or air.
            wall: the moment, ISO 8601 with its offset.

        Raises:
            AnswerRefusedError: it says nothing of that, or has no rows near enough.
        """
        at = dt.datetime.fromisoformat(wall)
        rows = self._of.get("", self._of.get(of))
        if rows is None:
            mend = "name the column of what it is of, or type the temperature"
            raise AnswerRefusedError(
                f"{self._name}: found rows of {', '.join(self._of)}; expected rows of the {of}; {mend}"
            )
        before, after = self._beside(rows, of, at)
        share = (at - before.at) / (after.at - before.at) if after is not before else 0.0
        value = before.value_degC + share * (after.value_degC - before.value_degC)
        error = max((before, after), key=lambda row: row.error_u_K).error
        # To a tenth of a millikelvin: no thermometer at a bench shows steps of one (common practice, no source).
        return Answer(f"{value:.4f} degC", line=self._told(before, after, at), error=error)

    def _beside(self, rows: Sequence[Row], of: str, at: dt.datetime) -> tuple[Row, Row]:
        index = bisect_left(rows, at, key=lambda row: row.at)
        if index < len(rows) and rows[index].at == at:
            return rows[index], rows[index]
        if index in (0, len(rows)):
            near = rows[min(index, len(rows) - 1)]
            raise AnswerRefusedError(
                f"{self._name}:{near.line}: found rows{f' of the {of}' if near.of else ''} from {_time(rows[0].at)} "
                f"to {_time(rows[-1].at)}; expected one before and one after {_time(at)}; {_MEND}"
            )
        before, after = rows[index - 1], rows[index]
        gap_s = (after.at - before.at).total_seconds()
        if gap_s > LONGEST_GAP_S:
            raise AnswerRefusedError(
                f"{self._name}:{after.line}: found nothing for {gap_s / 60.0:.3g} min since line {before.line}; "
                f"expected rows at most {LONGEST_GAP_S / 60.0:g} min apart about {_time(at)}; read a thermometer, and "
                "type it"
            )
        return before, after

    def _told(self, before: Row, after: Row, at: dt.datetime) -> str:
        """The rows as they are, so that another person can check what was made of them."""
        rows = [before] if after is before else [before, after]
        lines = "; ".join(f"line {row.line}: {row.raw}" for row in rows)
        between = f"; linear at {at.isoformat()}" if after is not before else ""
        return f"{self._name}, {lines}{between}; {self._digest}"


_MEND = (
    "wait for the next row, export the log anew, or type the temperature; is one of the two clocks wrong, or the file "
    "of another day? For readings that were written down before, say when that run began: --thermometers "
    "logger:FILE,TIME"
)


def _time(at: dt.datetime) -> str:
    return at.isoformat(timespec="seconds")


# --- from a text ------------------------------------------------------------------------------


def read_log(text: str, name: str, digest: str = "") -> Rows:
    """The rows of a log.

    Args:
        text: CSV with a header; lines that begin with # are comments.
        name: of the file, for messages and the record.
        digest: of the file.

    Raises:
        SourceError: it is no log; names the line.
    """
    columns: dict[str, _Column] = {}
    rows: list[Row] = []
    # By line feeds alone: other signs that end a line elsewhere are part of a text here, and so is a line's number.
    for line, raw in enumerate(text.split("\n"), 1):
        plain = raw.strip()
        if not plain or plain.startswith("#"):
            continue
        if not columns:
            columns = _columns(_cells(plain, name, line), f"{name}:{line}")
        else:
            rows.append(_row(plain, columns, name, line))
    if not rows:
        raise SourceError(f"{name}: found no rows; expected the header {_EXPECTED}, and rows below it")
    _in_order(rows, name)
    return Rows(name, digest, rows)


def _cells(raw: str, name: str, line: int) -> list[str]:
    try:
        (cells,) = csv.reader([raw], strict=True)
    except (csv.Error, ValueError) as error:
        mend = "check the quotation marks"
        raise SourceError(f"{name}:{line}: found {raw!r:.80}; expected a row of CSV ({error}); {mend}") from None
    return [cell.strip() for cell in cells]


def _columns(cells: Sequence[str], place: str) -> dict[str, _Column]:
    columns: dict[str, _Column] = {}
    for index, cell in enumerate(cells):
        match = _HEADER.fullmatch(cell)
        word, _, kind = (match[1] if match else "").partition(" ")
        if match is None or word in columns or (match[2] and word in ("time", "of")):
            mend = "separate the columns by commas, each once, and leave others out"
            raise SourceError(f"{place}: found the column {cell!r:.60}; expected the header {_EXPECTED}; {mend}")
        columns[word] = _Column(index, match[2] or "", kind)
    missing = [word for word in ("time", "temperature", "error") if word not in columns]
    if missing:
        raise SourceError(f"{place}: found no column {missing[0]}; expected the header {_EXPECTED}; add it")
    return columns


def _row(raw: str, columns: Mapping[str, _Column], name: str, line: int) -> Row:
    cells, place = _cells(raw, name, line), f"{name}:{line}"
    if len(cells) != len(columns):
        mend = "put a number with a decimal comma in quotation marks"
        raise SourceError(f"{place}: found {len(cells)} cells, expected {len(columns)} as in the header; {mend}")
    said = {word: cells[column.index] for word, column in columns.items()}
    error, u_K = _error(said["error"], columns["error"], place)  # noqa: N806  the unit's own capital
    return Row(
        line=line,
        raw=raw,
        at=_moment(said["time"], place),
        of=_of(said["of"], place) if "of" in said else "",
        value_degC=_degrees(said["temperature"], columns["temperature"], place),
        error=error,
        error_u_K=u_K,
    )


def _moment(text: str, place: str) -> dt.datetime:
    at = None
    with contextlib.suppress(ValueError):
        at = dt.datetime.fromisoformat(text)
    if at is None or at.tzinfo is None:
        expected = "a time in ISO 8601 with its offset from UTC, such as 2026-11-30T14:05:00+01:00"
        raise SourceError(f"{place}: found time {text!r:.60}; expected {expected}; write it so")
    return at


def _of(text: str, place: str) -> str:
    if text not in PLACES:
        raise SourceError(f"{place}: found of {text!r:.60}; expected one of {', '.join(PLACES)}; write one of them")
    return text


def _degrees(text: str, column: _Column, place: str) -> float:
    try:
        return _value_degC(f"{text} {column.unit}".strip())
    except ValidationError:
        unit = column.unit
        expected = (
            f"a number alone, in the {unit} of the header" if unit else "a number and its unit, such as 20.31 degC"
        )
        mend = "leave the row out where the logger had none"
        raise SourceError(f"{place}: found temperature {text!r:.60}; expected {expected}; {mend}") from None


def _error(text: str, column: _Column, place: str) -> tuple[Mapping[str, str], float]:
    """What is known of the error, as a routine writes it, and its standard uncertainty [K]."""
    try:
        return _known_error(f"{column.kind} {text} {column.unit}".strip())
    except ValidationError:
        raise SourceError(
            f"{place}: found error {text!r:.60}; expected what is known of the logger's error, such as halfwidth 0.1 K "
            "or standard 0.05 K, whose word and unit may stand in the header: error halfwidth [K]"
        ) from None


# A log says the same few things again and again.
@lru_cache(10_000)
def _value_degC(text: str) -> float:  # noqa: N802  the unit's own capital
    return _Degrees.model_validate({"value": text}).value


@lru_cache(1_000)
def _known_error(text: str) -> tuple[Mapping[str, str], float]:
    match = _ERROR.fullmatch(text)
    # An empty table would be an error of exactly nothing; an unknown key is refused.
    known = {"": text} if match is None else {match[1]: match[2]}
    return known, float(_Spread.model_validate({"value": known}).value.standard_uncertainty)


def _in_order(rows: Sequence[Row], name: str) -> None:
    for one, other in _neighbours(rows):
        if other.at <= one.at:
            mend = "sort the rows, and leave out what was written twice; or was the logger's clock set back?"
            raise SourceError(
                f"{name}:{other.line}: found {_time(other.at)}; expected a time after that of line {one.line}, "
                f"{_time(one.at)}; {mend}"
            )


def _neighbours(rows: Sequence[Row]) -> Iterator[tuple[Row, Row]]:
    for of in dict.fromkeys(row.of for row in rows):
        yield from pairwise(row for row in rows if row.of == of)
