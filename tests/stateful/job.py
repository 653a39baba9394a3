"""A run on paper beside the same run in the tool, and what must hold between them after every act."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import rfc8785

from holdzero.catalogue import Catalogue
from holdzero.events import AnyEvent, RunContinued, event_to_data
from holdzero.hooks import Answer, Command
from holdzero.journal import mark_of, read_journal
from holdzero.run import Run
from holdzero.run.commands import AddNote
from holdzero.verify import verify
from tests.stateful.driven import Sitting, cut_to, what_of
from tests.stateful.plain_model import LONGEST_AWAY_S, PLACES, PaperRun, told_by

__all__ = ["CODES", "Job", "Saying", "record_holds"]

CODES = {"pass": 0, "fail": 1, "undecided": 3}
# Wherever between a zero and a return, at most 1 um apart, the tool takes the zero to be at a reading, the mean of both
# is no farther off.
_GUARD_UM = 0.5
_ANSWERS = frozenset(
    ("entry_chosen", "answer_given", "step_done", "soak_ended", "temperature_read", "reading_taken", "run_finished")
)
_OF_THE_TOOL = frozenset(("run_started", "bench_known", "question_asked", "plugin_failed", "plugin_slow"))


@dataclass(frozen=True)
class Saying:
    """An answer, and what it means on paper."""

    what: str
    raw: str
    um: float | None = None
    sound: bool = True


@dataclass
class Job:
    """A run: on paper, and in the tool.

    Attributes:
        true_um: by how much each place is off its nominal size [um].
        said: what is being said.
        asked: what was asked when it was left, or stopped at.
        asked_after: how many entries there were when something was asked last.
        entries: of the journal, when it was last looked at.
        marks: what the mark of its end said, oldest first.
        heard: how many of the tool's acknowledgements are on paper.
        last_s: when something was saved last [s].
        was_cut_at: how many entries there were when a copy of it was cut last.
        was_mistaken_at: how many there were when nonsense was answered last.
        changed: whether it has to be looked at again.
        record: that it ended with.
        file: of the record.
        text: of that file.
    """

    paper: PaperRun
    sitting: Sitting
    journal: Path
    true_um: Mapping[str, float]
    said: Saying | Command | None = None
    asked: tuple[Any, ...] = ()
    asked_after: int = 0
    entries: list[dict[str, Any]] = field(default_factory=list)
    marks: list[bytes] = field(default_factory=list)
    heard: int = 0
    last_s: float = 0.0
    changed: bool = True
    was_cut_at: int = 0
    was_mistaken_at: int = 0
    record: Mapping[str, Any] | None = None
    file: Path | None = None
    text: bytes = b""

    @property
    def at_work(self) -> bool:
        """Whether somebody sits there."""
        return self.sitting.at_work

    @property
    def is_left(self) -> bool:
        """Whether nobody sits there, and it has no record yet."""
        return not self.at_work and self.record is None

    @property
    def asks(self) -> bool:
        """Whether an answer is waited for."""
        return self.at_work and self.sitting.prompt is not None

    @property
    def stands_at(self) -> tuple[Any, ...]:
        """What is waited for."""
        prompt, stop = self.sitting.prompt, self.sitting.stop
        if stop is not None:
            return ("stop", stop.code)
        return () if prompt is None else (prompt.slot, prompt.title, prompt.say, prompt.number, prompt.count)

    # --- acts -------------------------------------------------------------------------------------

    def says(self, said: Saying | Command | None) -> None:
        """Say something, and write down what the tool says was saved."""
        self.said = said
        self.sitting.says(Answer(said.raw) if isinstance(said, Saying) else said)
        self._listen()
        self.said = None

    def loses_power(self, said: Saying | Command | None = None, *, after: int = 0, cut: int = 0, lag: int = 0) -> None:
        """Power fails while the tool is at it.

        Args:
            said: what was said last; None where nothing was.
            after: how many syncs were lived to see.
            cut: how much of what was not synced is on the disk [%].
            lag: how many entries the mark of the journal's end is behind.
        """
        self.asked = self.stands_at or self.asked
        before = len(self.entries)
        self.said = said
        self.sitting.pulls_plug(Answer(said.raw) if isinstance(said, Saying) else said, after=after)
        self._listen()
        whole, safe = self.journal.read_bytes(), self.sitting.shop.disk.safe(self.journal)
        left = safe + (len(whole) - safe) * cut // 100
        cut_to(self.journal, left)
        if self.marks and lag and mark_of(self.journal).exists():
            mark_of(self.journal).write_bytes(self.marks[-min(lag, len(self.marks))])
        # A line of which nothing but its end is missing is whole.
        lines = whole[: left + 1 if whole[left : left + 1] == b"\n" else left].split(b"\n")[:-1]
        self.entries = [json.loads(line)["event"] for line in lines]
        self._in_doubt(before)
        self.said = None

    def _in_doubt(self, before: int) -> None:
        """What nobody was told and is on the disk all the same was said; what is not must be said again."""
        told = {number for number, _, _ in self.paper.told}
        for entry in self.entries[before:]:
            if entry["seq"] not in told:
                self._hear(entry)

    def resumed(self, sitting: Sitting, journal: Path, *, marked: bool) -> None:
        """Somebody sits down to it again; the mark of the journal's end is there or was lost."""
        before, away_s = self.entries, sitting.shop.world_s - self.last_s
        self.sitting, self.journal, self.heard = sitting, journal, 0
        entries = told_by(journal)
        assert entries[: len(before)] == before, "what was saved is in the journal after a break"
        after = [entry["event"] for entry in entries[len(before) :]]
        assert after[:1] == ([] if self.paper.over else ["run_continued"]), f"it goes on with {after}"
        if not self.paper.over:
            found = entries[len(before)]
            assert abs(found["away_s"] - away_s) <= 1.0, f"away for {away_s} s, the tool says {found['away_s']} s"
            assert found["journal"] == ("whole" if marked else "no mark")
        self._listen()
        if self.asked and away_s <= LONGEST_AWAY_S and not self.paper.over and not self._went_on(before):
            assert self.stands_at == self.asked, "it asks what it asked before the break"
        self.asked = ()

    def _went_on(self, before: list[dict[str, Any]]) -> bool:
        """Whether an answer that nobody was told of counts after all."""
        return self.asked_after != len(before)

    def _listen(self) -> None:
        """Write down what the tool says was saved since."""
        fresh = sorted((*self.sitting.saved[self.heard :], *self._told_by_refusal()), key=lambda event: event.seq)
        self.heard = len(self.sitting.saved)
        for event in fresh:
            self._hear(_as_told(event))
        self.changed = True

    def _told_by_refusal(self) -> list[AnyEvent]:
        """Who comes back after long, and says what is not taken, is told why not and no more."""
        last = self.sitting.run.events[-1:] if self.sitting.run is not None else ()
        known = {number for number, _, _ in self.paper.told} | {event.seq for event in self.sitting.saved}
        return [event for event in last if isinstance(event, RunContinued) and event.seq not in known]

    def _hear(self, entry: Mapping[str, Any]) -> None:
        """Write down what was saved; what the tool adds of its own accord is not on paper."""
        number, word, said, paper = entry["seq"], entry["event"], self.said, self.paper
        must: dict[str, Any] = {}
        if word in _OF_THE_TOOL or (word == "note_added" and not isinstance(said, AddNote)):
            return
        if word in _ANSWERS:
            assert isinstance(said, Saying), f"{word} was saved, and nothing was answered"
            paper.answered(number, said.what, said.raw, said.um, sound=said.sound)
            must = {"raw": said.raw} if "raw" in entry else {}
            paper.over = "finished" if word == "run_finished" else ""
        elif word == "run_continued":
            paper.was_away(self.sitting.shop.world_s - self.last_s)
        else:
            assert said is not None, f"{word} was saved, and nothing was said"
            must = {key: item for key, item in vars_of(said).items() if key in entry}
        if word == "answer_struck":
            paper.struck(must["target"], must["reason"])
        elif word == "zero_renewed":
            paper.gave_zero_up()
        elif word == "run_abandoned":
            paper.over = "abandoned"
        paper.told.append((number, word, must))
        self.last_s = self.sitting.shop.world_s

    # --- what must hold -----------------------------------------------------------------------------

    def holds(self) -> None:
        """Paper, journal and live state say the same."""
        if not self.changed or not self.journal.exists():
            return
        self.changed = False
        self.entries = told_by(self.journal) if self.at_work or self.record is not None else self.entries
        for number, word, must in self.paper.told:
            assert number <= len(self.entries), f"entry {number}, {word}, was said to be saved, and is not"
            entry = self.entries[number - 1]
            assert entry["event"] == word
            assert {key: entry[key] for key in must} == must, f"entry {number} is as it was said"
        if not self.at_work or self.sitting.run is None:
            return
        if mark_of(self.journal).exists():
            self.marks.append(mark_of(self.journal).read_bytes())
        assert self.sitting.shop.disk.safe(self.journal) == self.journal.stat().st_size, "all is synced that was taken"
        folded = Run.of(read_journal(self.journal).events)
        assert folded == self.sitting.run, "the fold of the journal is the live state"
        self._struck_stays(folded)
        if self.sitting.prompt is not None:
            self._asks_rightly(folded)
            self.asked_after = len(self.entries)

    def _struck_stays(self, run: Run) -> None:
        state = run.state
        kept = {item.seq: item for item in state.entries}
        counted = {reading.seq for reading in state.counted}
        for line in self.paper.lines:
            if line.number in kept:
                assert (kept[line.number].raw, kept[line.number].struck) == (line.raw, line.struck)
            assert line.struck is None or line.number not in counted, "what was struck out does not count"
        counting = self.paper.counting
        if counting is not None:
            part = {r.seq for r in state.counted if r.slot.place in PLACES} - state.gone
            assert part == counting, "what counts is what counts on paper"

    def _asks_rightly(self, run: Run) -> None:
        prompt = self.sitting.prompt
        assert prompt is not None
        assert run.prompt is not None
        assert run.prompt.slot == prompt.slot, "it asks what the journal asks"
        asked = what_of(prompt)
        if self.paper.next_asked is not None:
            assert asked == self.paper.next_asked, f"it asks for {asked}, the sheet for {self.paper.next_asked}"
        if asked == "compare" and self.paper.clear:
            counting = [line for line in self.paper.of_places if line.counts]
            assert all(self.paper.closing_um(line) is not None for line in counting), "all is followed by a return"
        if self.paper.set_anew:
            assert asked not in PLACES, "the part is read under a zero that is in force"


def vars_of(said: Saying | Command) -> dict[str, Any]:
    """What was said, by name."""
    return {part.name: getattr(said, part.name) for part in fields(said)}


def _as_told(event: AnyEvent) -> dict[str, Any]:
    """An entry as it was shown to be saved."""
    found: dict[str, Any] = json.loads(json.dumps(event_to_data(event)))
    return found


# --- at the end -------------------------------------------------------------------------------------


def digest_of(record: Mapping[str, Any]) -> str:
    """SHA-256 over a record without its digest, as RFC 8785 writes it."""
    bare = {key: item for key, item in record.items() if key != "digest"}
    return "sha256:" + hashlib.sha256(rfc8785.dumps(bare)).hexdigest()


def record_holds(job: Job, record: Mapping[str, Any], catalogue: Catalogue) -> None:
    """A record says what its journal and the paper say, and recomputes."""
    paper = job.paper
    assert record["digest"] == digest_of(record)
    assert record["run"]["journal_sha256"] == json.loads(job.journal.read_bytes().splitlines()[-1])["chain"]
    bare = [dict(entry) for entry in job.entries]
    del bare[0]["routine"]
    assert record["events"] == bare, "the record has every entry of the journal"
    assert verify(record, catalogue) == []
    rows = {row["entry"]: row for row in record["readings"]}
    for line in paper.lines:
        if line.um is not None or line.what == "surface":
            row = rows[line.number]
            assert (row["raw"], row["struck"]) == (line.raw, line.struck)
            assert line.struck is None or not row["counts"]
    _verdict_holds(paper, record)


def _verdict_holds(paper: PaperRun, record: Mapping[str, Any]) -> None:
    verdict, said = record["verdict"], [finding["code"] for finding in record["findings"]]
    why = paper.must_not_pass
    assert not (why and verdict == "pass"), f"PASS, though {why}"
    for place, name in zip(PLACES, ("left", "right"), strict=True):
        decided = record["results"][name]["verdict"] in ("pass", "fail")
        assert not (decided and paper.is_open(place)), f"{place} is decided, and its zero was not closed"
    must = paper.must_be
    assert not must or verdict == must, f"{verdict} where the paper says {must}: {said}"
    if paper.clear and paper.over == "finished" and all(paper.closed(line) for line in paper.of_places if line.counts):
        for place, name in zip(PLACES, ("left", "right"), strict=True):
            value, found = paper.value_um(place), record["results"][name]["value_um"]
            if value is not None and found is not None:
                assert abs(value - found) <= _GUARD_UM, f"{place}: {found} um, on paper {value} um"
