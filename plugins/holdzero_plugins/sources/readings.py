"""Readings file: answers written down beforehand, in the order of the prompts.

CSV with the header `time,answer`; time in seconds from the start of the run, may be empty. Steps
that only need confirming are confirmed by themselves; so is a soak before an answer without a time, and the record
says that its time was not recorded. Lines that begin with # are comments.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from holdzero.hooks import (
    Answer,
    Asks,
    Command,
    Prompt,
    SlotKind,
    Source,
    SourceError,
    SourceExhaustedError,
    exceeds,
    hookimpl,
    read_whole,
)

_LARGEST = 10_000_000  # bytes


@dataclass(frozen=True, slots=True)
class Row:
    """One answer, the line that it stands in, and its time [s] where it has one."""

    line: int
    time_s: float | None
    answer: str


def read_rows(text: str, name: str) -> tuple[Row, ...]:
    """The answers of a readings file.

    Raises:
        SourceError: the text is no readings file; names the line.
    """
    lines = ["" if line.lstrip().startswith("#") else line for line in text.splitlines()]
    reader = csv.reader(lines, strict=True)
    rows: list[Row] = []
    header = False
    try:
        for cells in reader:
            line = reader.line_num
            stripped = [cell.strip() for cell in cells]
            if not any(stripped):
                continue
            if not header:
                if stripped != ["time", "answer"]:
                    raise SourceError(f"{name}:{line}: found {','.join(cells)!r}; the first line must be time,answer")
                header = True
                continue
            rows.append(_row(stripped, line, name))
    except csv.Error as error:
        raise SourceError(f"{name}:{reader.line_num}: {error}; check the quotation marks") from None
    if not header:
        raise SourceError(f"{name}: empty; the first line must be time,answer")
    return tuple(rows)


def _row(cells: list[str], line: int, name: str) -> Row:
    if len(cells) != 2:  # noqa: PLR2004  time and answer
        mend = "put an answer with a decimal comma in quotation marks"
        raise SourceError(f"{name}:{line}: found {len(cells)} cells, expected time,answer; {mend}")
    time_s = None
    if cells[0]:
        try:
            time_s = float(cells[0])
        except ValueError:
            time_s = math.nan
        if not math.isfinite(time_s) or time_s < 0.0:
            raise SourceError(
                f"{name}:{line}: found time {cells[0]!r}; expected seconds from the start of the run, or nothing"
            )
    if not cells[1]:
        raise SourceError(f"{name}:{line}: the answer is missing")
    return Row(line, time_s, cells[1])


class Readings:
    """An open readings file.

    Args:
        name: of the file, for messages.
        rows: its answers.
    """

    def __init__(self, name: str, rows: tuple[Row, ...]) -> None:
        self._name = name
        self._rows = rows
        self._next = 0

    def answer(self, prompt: Prompt, now_s: float) -> Answer:
        """The next answer; a step that only needs confirming is confirmed, a soak lasts as long as it should."""
        row = self._rows[self._next] if self._next < len(self._rows) else None
        if prompt.asks is Asks.WAIT:
            end_s = max(now_s, prompt.until_s)
            if row is None or row.time_s is None or not now_s <= row.time_s < end_s:
                return Answer("", end_s, recorded=row is not None and row.time_s is not None)
            # On its limit a soak is over: the answer comes no later than what follows it.
            return Answer(f"the readings go on at {row.time_s:g} s" if exceeds(end_s, row.time_s) else "", row.time_s)
        if prompt.asks is Asks.CONFIRM:
            if prompt.slot.kind is SlotKind.COMPARE and row is not None:
                raise SourceError(
                    f"{self._name}:{row.line}: {row.answer!r} is one answer too many; the run needs no more"
                )
            return Answer("")
        if row is None:
            raise SourceExhaustedError(f"{self._name}: no answer is left for “{prompt.title}”")
        if row.time_s is not None and row.time_s < now_s:
            mend = "times count from the start of the run, and must not go back"
            raise SourceError(f"{self._name}:{row.line}: time {row.time_s:g} s, but the run is at {now_s:g} s; {mend}")
        self._next += 1
        return Answer(row.answer, row.time_s)

    def blame(self, reason: str) -> SourceError:
        """The error that names the line of the last answer."""
        row = self._rows[max(self._next - 1, 0)] if self._rows else None
        place = f"{self._name}:{row.line}" if row else self._name
        return SourceError(f"{place}: {reason}")

    def close(self) -> None:
        """Nothing is held: the file was read whole."""


def _open(argument: str, ask: Callable[[Prompt], Answer | Command]) -> Readings:
    del ask
    if not argument:
        raise SourceError("name the file: --source readings:FILE")
    path = Path(argument)
    try:
        raw = read_whole(path, _LARGEST)
    except OSError as error:
        raise SourceError(f"{argument}: {error.strerror or 'it cannot be read'}") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SourceError(f"{argument}:{raw.count(bytes([10]), 0, error.start) + 1}: save the file as UTF-8") from None
    return Readings(argument, read_rows(text, argument))


@hookimpl
def holdzero_sources() -> Sequence[Source]:
    """The readings file."""
    return [
        Source(
            name="readings",
            title="answers from a CSV file, in the order of the prompts",
            open=_open,
            interactive=False,
            keeps_time=True,
            simulated=False,
        )
    ]
