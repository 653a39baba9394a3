"""Days with the book: what people do with records that are there, and what the book must hold after all."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import invariant, precondition, rule

from holdzero.book.rows import document_of
from holdzero.record import loads
from tests.stateful.bench_days import BenchDays, one, picks
from tests.stateful.driven import resumes
from tests.stateful.job import CODES, Job, digest_of
from tests.stateful.plain_model import PaperBook

__all__ = ["Days"]

_DONE, _INVALID = 0, 2


class Days(BenchDays):
    """Runs, their journals, and the book."""

    def __init__(self) -> None:
        super().__init__()
        self.book = PaperBook()
        self.chain: list[tuple[str, str, str]] = []
        self.is_shelf_there = self.book_changed = True
        self.is_to_verify = False
        self.shelf_moves = 0

    # --- the book -----------------------------------------------------------------------------------

    @precondition(lambda self: self.ended)
    @rule(pick=picks, how=st.integers(0, 3))
    def adds(self, pick: int, how: int) -> None:
        """A record once more, a copy of it, all of a folder, or what waits there."""
        self.does("add")
        job = one(self.ended, pick)
        assert job.file is not None
        if how == 3:
            code = self.shop.send(job.file.parent)
            came = [path for path in self.book.waiting if path.parent == job.file.parent]
        else:
            copy = self.folder / "copies" / job.file.name
            if how == 1:
                copy.parent.mkdir(exist_ok=True)
                shutil.copyfile(job.file, copy)
            code = self.shop.add({0: job.file, 1: copy, 2: job.file.parent}[how])
            came = [
                path for path in self.book.waiting if path == job.file or (how == 2 and path.parent == job.file.parent)
            ]
        if not self.is_shelf_there:
            assert code == _INVALID or (how == 3 and not came)
            return
        assert code == _DONE
        self.came_in(came, marks=how != 1)

    @precondition(lambda self: self.is_shelf_there and self.book.records)
    @rule(pick=picks, device=st.booleans())
    def amends(self, pick: int, device: bool) -> None:
        self.does("amend")
        digest = one(self.book.records, pick)
        before = self.documents()[digest]
        was = before["register"].get("comparator", {}).get("id")
        new = {"C-1": "C-2", "C-2": "C-1"}.get(was or "", "C-1")
        operator = None if device else f"O. Perator {len(self.book.entries)}"
        code = self.shop.amend(digest, operator=operator, comparator=new if device else None)
        may = digest in self.book.standing and (was is not None or not device)
        assert code == (_DONE if may else _INVALID), self.shop.said.getvalue()[-500:]
        if not may:
            return
        (fresh,) = set(self.documents()) - set(self.book.records)
        made = self.documents()[fresh]
        assert made["amends"]["digest"] == digest, "an amendment names what it replaces"
        assert made["events"] == before["events"], "an amendment is of the same events"
        assert made["verdict"] == before["verdict"], "both comparators are alike"
        assert (made["register"]["comparator"]["id"] == new) if device else (made["run"]["operator"] == operator)
        self.book.put_in(made)
        self.book_changed = True

    @precondition(lambda self: self.is_shelf_there and self.book.records)
    @rule(pick=picks, meaning=st.sampled_from(("reviewed", "rejected")), note=st.sampled_from(("", "seen")))
    def reviews(self, pick: int, meaning: str, note: str) -> None:
        self.does("review")
        digest = one(self.book.records, pick)
        code = self.shop.review(digest, name="R. Eader", meaning=meaning, note=note)
        may = meaning != "rejected" or bool(note)
        assert code == (_DONE if may else _INVALID)
        if may:
            self.book.reviews.append((digest, "R. Eader", meaning, note))
            self.book.entries.append(("act", ""))  # what it is, the book says; how often, the paper
            self.book_changed = True

    @precondition(lambda self: self.is_shelf_there and self.book.records)
    @rule()
    def verifies_book(self) -> None:
        self.does("book verify")
        chain = self.chain[-1][2] if self.chain else None
        assert self.shop.verifies_book(chain) == _DONE, self.shop.said.getvalue()[-2000:]

    @precondition(lambda self: self.is_to_verify)
    @rule()
    def verifies(self) -> None:
        self.does("verify")
        self.is_to_verify = False
        assert self.shop.verifies(self.folder) == _DONE, self.shop.said.getvalue()[-2000:]

    @precondition(lambda self: self.ended)
    @rule(pick=picks)
    def resumes_what_is_over(self, pick: int) -> None:
        """The record is made again: it is the same, and no second one."""
        self.does("resume what is over")
        job = one(self.ended, pick)
        assert job.file is not None
        before, files = job.file.read_bytes(), set(job.file.parent.iterdir())
        sitting = resumes(self.shop, job.journal)
        assert sitting.code == CODES[job.paper.verdict]
        assert job.file.read_bytes() == before
        assert {path for path in set(job.file.parent.iterdir()) - files if path.suffix != ".waiting"} == set()
        self.sent([(job.file, job.record)])

    @precondition(lambda self: self.jobs and self.shelf_moves < len(self.jobs))
    @rule()
    def takes_shelf_away_or_back(self) -> None:
        """The book is on a drive that is there or not."""
        self.does("book away or back")
        away = self.folder / "away"
        if self.is_shelf_there:
            self.shop.shelf.rename(away)
        else:
            away.rename(self.shop.shelf)
        self.is_shelf_there = not self.is_shelf_there
        self.shelf_moves += 1

    @invariant()
    def book_holds(self) -> None:
        if not self.is_shelf_there or not self.book_changed:
            return
        self.book_changed = False
        self.chain = self.links()
        assert [kind for kind, _, _ in self.chain] == [kind for kind, _ in self.book.entries]
        # What an act is called by is made of its whole text, its time among it; records are known by the paper.
        self.book.entries = [
            (kind, digest if kind == "act" else known)
            for (kind, digest, _), (_, known) in zip(self.chain, self.book.entries, strict=True)
        ]
        assert [digest for _, digest, _ in self.chain] == [digest for _, digest in self.book.entries]
        assert [chain for _, _, chain in self.chain] == self.book.chain(), "every entry is chained to the one before"
        for digests in self.book.runs.values():
            first = [digest for digest in digests if digest not in self.book.amends]
            assert len(first) == 1, "the book holds each run once"
        rows = self.rows("SELECT digest, name, meaning, note FROM reviews ORDER BY id")
        assert rows == self.book.reviews
        for digest, document in self.documents().items():
            assert digest_of(document) == digest

    @invariant()
    def what_waits_is_marked(self) -> None:
        for path, digest in self.book.waiting.items():
            assert loads(path.read_text("utf-8"), "")["digest"] == digest
            assert path.with_name(path.name.replace(".record.json", ".waiting")).exists()

    # --- the same for several rules -------------------------------------------------------------------

    def sent(self, records: list[tuple[Path, Any]]) -> None:
        """Its own record, and what waits in the folder besides."""
        self.is_to_verify = True
        for path, record in records:
            self.book.waiting[path] = record["digest"]
        if self.is_shelf_there:
            folder = records[0][0].parent
            own = [path for path, _ in records]
            self.came_in([*own, *(path for path in self.book.waiting if path.parent == folder and path not in own)])

    def power_is_back(self, job: Job) -> None:
        """A record that was written and marked before the power went waits for the book, whoever comes next."""
        for mark in job.journal.parent.glob("*.waiting"):
            path = mark.with_name(mark.name.replace(".waiting", ".record.json"))
            if path not in self.book.waiting:
                record = loads(path.read_text("utf-8"), "")
                assert job.paper.over, "a run has no record before it is over"
                assert record["events"][-1]["seq"] == len(job.entries)
                self.book.waiting[path] = record["digest"]

    def came_in(self, paths: list[Path], *, marks: bool = True) -> None:
        """What waited is in the book now, once."""
        self.book_changed = True
        known = {digest for _, digest in self.book.entries}
        fresh = {self.book.waiting[path]: path for path in paths if self.book.waiting[path] not in known}
        order = [digest for kind, digest, _ in self.links() if kind == "record" and digest not in known]
        assert set(order) == set(fresh), "what the tool says is in the book is in it, and nothing else"
        for digest in order:
            self.book.put_in(loads(fresh[digest].read_text("utf-8"), ""))
        for path in paths:
            if marks:
                del self.book.waiting[path]

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Rows of the book, read without the tool."""
        connection = sqlite3.connect(self.shop.book)
        try:
            return connection.execute(query).fetchall()
        finally:
            connection.close()

    def links(self) -> list[tuple[str, str, str]]:
        """Kind, digest and chain of all that is in the book, in order."""
        records = self.rows("SELECT id, 0, 'record', digest, chain FROM records")
        acts = self.rows("SELECT after, id, 'act', digest, chain FROM acts")
        return [(kind, digest, chain) for _, _, kind, digest, chain in sorted([*records, *acts])]

    def documents(self) -> dict[str, Any]:
        """Records of the book, by digest."""
        query = "SELECT digest, document FROM records JOIN documents ON record_id = id ORDER BY id"
        return {digest: loads(document_of(document), digest) for digest, document in self.rows(query)}
