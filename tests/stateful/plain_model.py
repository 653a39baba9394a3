"""What an inspector would have on paper: answers given and struck, zeros, runs that ended, what the book must hold.

Nothing of holdzero is imported here. Where a case is not clear-cut, the paper says nothing (None).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["LIMIT_UM", "LONGEST_AWAY_S", "PLACES", "SHEET", "Line", "PaperBook", "PaperRun", "told_by"]

SHEET = (
    *("comparator", "surface", "prepare", "soak", "part warm", "reference warm"),
    *("zero", "zero", "a", "b", "a", "b", "return", "return", "compare"),
)
"""What is to be answered in a run without accidents, in order."""
PLACES = ("a", "b")
LIMIT_UM = 3.0  # how far a place may lie from its nominal size
BRACKET_UM = 1.0  # how far a return may lie from its zero
LONGEST_AWAY_S = 600.0
_CLEARLY_UM = 1.5  # a value is judged on paper where it lies so far from its limits


@dataclass
class Line:
    """One line of the sheet: what was written down, and whether it was struck out."""

    number: int
    what: str
    raw: str
    um: float | None
    sound: bool
    zero: int
    step: int | None
    struck: str | None = None
    gone: bool = False

    @property
    def counts(self) -> bool:
        """Whether it was neither struck out nor lost with its zero."""
        return self.struck is None and not self.gone


@dataclass
class PaperRun:
    """A run on paper.

    Attributes:
        lines: answers with their numbers.
        told: what the tool said was saved: number, kind of entry, and what must stand in it.
        zero: number of the zero in force; 0 before any.
        plain: whether the sheet alone says what comes next.
        clear: whether the sheet alone says what counts.
        smooth: whether nothing happened, in this run or on the bench before, that could leave a sound part undecided.
        over: `finished` or `abandoned` when it is.
        verdict: that the tool gave.
    """

    lines: list[Line] = field(default_factory=list)
    told: list[tuple[int, str, dict[str, Any]]] = field(default_factory=list)
    zero: int = 0
    set_anew: bool = True
    plain: bool = True
    clear: bool = True
    smooth: bool = True
    over: str = ""
    verdict: str = ""

    # --- what happens -------------------------------------------------------------------------

    def answered(self, number: int, what: str, raw: str, um: float | None, *, sound: bool) -> None:
        """Write an answer down that the tool took."""
        if what == "zero":
            last = next((line.what for line in reversed(self.lines) if line.um is not None), "")
            if self.set_anew or last != "zero":
                self.zero += 1
            self.set_anew = False
        step = self.next_step if self.plain else None
        self.lines.append(Line(number, what, raw, um, sound, self.zero, step))
        if what == "soak" and raw:
            self.smooth = False

    def struck(self, target: int, reason: str) -> None:
        """Strike a line out; it stays legible."""
        line = self.line(target)
        line.struck = reason
        if line.what == "zero" and any(other.zero == line.zero and other.what in PLACES for other in self.lines):
            self.plain = self.clear = self.smooth = False
        if line.what == "return":
            self.plain = self.clear = False
        if line.what in PLACES and any(other.what == "return" for other in self.lines):
            self.plain = False

    def gave_zero_up(self) -> None:
        """The dial was moved: what is not closed under this zero is lost."""
        for line in self.lines:
            if line.zero == self.zero and line.what in PLACES and line.struck is None and not self.closed(line):
                line.gone = True
        self.set_anew, self.plain = True, False

    def was_away(self, away_s: float) -> None:
        """Nobody was there for so long [s]."""
        if away_s > LONGEST_AWAY_S and self.zero:
            self.set_anew, self.plain = True, False
            self.smooth = self.smooth and not any(line.counts and not self.closed(line) for line in self.of_places)

    # --- what follows ---------------------------------------------------------------------------

    def line(self, number: int) -> Line:
        """The line of a number."""
        return next(line for line in self.lines if line.number == number)

    @property
    def of_places(self) -> list[Line]:
        """Readings of the part."""
        return [line for line in self.lines if line.what in PLACES]

    @property
    def next_step(self) -> int | None:
        """The first line of the sheet without an answer; None where the sheet alone does not say it."""
        if not self.plain:
            return None
        filled = {line.step for line in self.lines if line.struck is None}
        return next((step for step in range(len(SHEET)) if step not in filled), None)

    @property
    def next_asked(self) -> str | None:
        """What must be asked now; None where the sheet alone does not say it."""
        step = self.next_step
        return None if step is None else SHEET[step]

    def zero_um(self, number: int) -> float | None:
        """Mean of what the reference read under a zero [um]."""
        return _mean(line.um for line in self.lines if line.zero == number and line.what == "zero" and not line.struck)

    def closing_um(self, reading: Line) -> float | None:
        """What the reference read at its first visit after a reading, under the same zero [um]."""
        gauge = [line for line in self.lines if line.um is not None and line.what in (*PLACES, "zero", "return")]
        after = [line for line in gauge if line.number > reading.number]
        visit: list[Line] = []
        for line in after:
            if line.zero != reading.zero or (visit and line.what != "return"):
                break
            if line.what == "return":
                visit.append(line)
        return _mean(line.um for line in visit if line.struck is None)

    def closed(self, reading: Line) -> bool:
        """Whether the reference read the same again after a reading."""
        zero, closing = self.zero_um(reading.zero), self.closing_um(reading)
        return zero is not None and closing is not None and abs(closing - zero) <= BRACKET_UM

    def value_um(self, place: str) -> float | None:
        """Mean of what counts at a place, less what zero and return read on the mean [um]."""
        values = []
        for line in self.of_places:
            zero, closing = self.zero_um(line.zero), self.closing_um(line)
            if line.what == place and line.counts and line.um is not None and zero is not None and closing is not None:
                values.append(line.um - (zero + closing) / 2.0)
        return _mean(values)

    def is_open(self, place: str) -> bool:
        """Whether something counts at a place, as far as the sheet says it, whose zero was not closed."""
        counting = [line for line in self.of_places if line.what == place and line.counts]
        return self.clear and not all(self.closed(line) for line in counting)

    @property
    def must_not_pass(self) -> str:
        """Why this can be no PASS; empty where nothing says so."""
        if self.over != "finished":
            return "it was not measured to its end"
        if not self.clear:
            return ""
        for place in PLACES:
            counting = [line for line in self.of_places if line.what == place and line.counts]
            if not counting:
                return f"nothing counts at {place}"
            if self.is_open(place):
                return f"the zero of {place} was not closed"
            value = self.value_um(place)
            if value is not None and abs(value) > LIMIT_UM + _CLEARLY_UM:
                return f"{place} is out of its limits"
        return ""

    @property
    def must_be(self) -> str:
        """`pass` or `fail`, where everything was as it should be; else empty."""
        if self.over != "finished" or not (self.clear and self.smooth):
            return ""
        values = [self.value_um(place) for place in PLACES]
        sound = all(line.sound for line in self.lines if line.counts)
        if not sound or None in values or not all(self.closed(line) for line in self.of_places if line.counts):
            return ""
        if all(value is not None and abs(value) < LIMIT_UM - _CLEARLY_UM for value in values):
            return "pass"
        return "fail" if any(value is not None and abs(value) > LIMIT_UM + _CLEARLY_UM for value in values) else ""

    @property
    def is_odd(self) -> bool:
        """Whether anything unsound counts, as far as is known: the bench is not trusted as before after that."""
        return any(not line.sound for line in self.lines if line.counts or not self.clear)

    @property
    def counting(self) -> set[int] | None:
        """Numbers of the readings of the part that count; None where the sheet alone does not say it."""
        return {line.number for line in self.of_places if line.counts} if self.clear else None


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


# --- the journal as anybody can read it -----------------------------------------------------------


def told_by(path: Path) -> list[dict[str, Any]]:
    """The entries of a journal, each line's digest worked out anew.

    Raises:
        AssertionError: a digest is wrong, or a whole line is no entry.
    """
    chain = hashlib.sha256(b"holdzero journal 1").hexdigest()
    entries = []
    for text in path.read_bytes().split(b"\n")[:-1]:
        line = json.loads(text)
        said = json.dumps(line["event"], sort_keys=True, separators=(",", ":"))
        chain = hashlib.sha256((chain + said).encode()).hexdigest()
        assert line["chain"] == chain, f"{path.name}: the digest of entry {line['event']['seq']}"
        entries.append(line["event"])
    assert [entry["seq"] for entry in entries] == list(range(1, len(entries) + 1))
    return entries


# --- the book -------------------------------------------------------------------------------------


@dataclass
class PaperBook:
    """What the book must hold.

    Attributes:
        entries: digests in the order in which they came: of records, and of what people did (`act`).
        runs: which records of the book are of a run, oldest first, by the digest of its journal.
        amends: which record an amendment is of.
        reviews: digest, name, meaning and note.
        waiting: digests of records that wait for the book, by their file.
    """

    entries: list[tuple[str, str]] = field(default_factory=list)
    runs: dict[str, list[str]] = field(default_factory=dict)
    amends: dict[str, str] = field(default_factory=dict)
    reviews: list[tuple[str, str, str, str]] = field(default_factory=list)
    waiting: dict[Path, str] = field(default_factory=dict)

    @property
    def records(self) -> list[str]:
        """Digests of records, oldest first."""
        return [digest for kind, digest in self.entries if kind == "record"]

    @property
    def standing(self) -> list[str]:
        """Records that no other one replaces."""
        replaced = set(self.amends.values())
        return [digest for digest in self.records if digest not in replaced]

    def put_in(self, record: Mapping[str, Any]) -> None:
        """A record comes in; one that is there already stays as it is."""
        if record["digest"] in self.records:
            return
        self.entries.append(("record", record["digest"]))
        self.runs.setdefault(record["run"]["journal_sha256"], []).append(record["digest"])
        if "amends" in record:
            self.amends[record["digest"]] = record["amends"]["digest"]

    def chain(self) -> list[str]:
        """What the chain must be after each entry."""
        chain = "sha256:" + hashlib.sha256(b"holdzero book 1").hexdigest()
        chains = []
        for _, digest in self.entries:
            chain = "sha256:" + hashlib.sha256(f"{chain}{digest}".encode()).hexdigest()
            chains.append(chain)
        return chains
