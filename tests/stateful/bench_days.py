"""Days at the bench: what people do there, and what happens to them, as rules of a state machine."""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from holdzero.catalogue import Catalogue
from holdzero.hooks import Command
from holdzero.journal import mark_of
from holdzero.record import loads
from holdzero.run.commands import Abandon, Acknowledge, AddNote, Again, Pause, RenewZero, Strike
from tests.stateful.driven import begins, moved_to, resumes, what_of
from tests.stateful.job import CODES, Job, Saying, record_holds
from tests.stateful.plain_model import PLACES, PaperRun, told_by
from tests.stateful.shop import OUT_OF_USE, Shop

__all__ = ["BenchDays", "one", "picks"]

_INTERRUPTED = 4
_AT_ONCE, _RUNS = 2, 4  # runs that somebody sits at, and of one example
_ACT_S, _SOAK_S = 5.0, 120.0
_NO_ENTRY = 9999

picks = st.integers(0, 7)
noises = st.sampled_from((0.0, 0.1, -0.1))
spans_s = st.sampled_from((30.0, 30.0, 1800.0))
reasons = st.sampled_from(("mistyped", "dirt", "bumped"))


class BenchDays(RuleBasedStateMachine):
    """Runs and their journals.

    Attributes:
        catalogue: of plugins.
        empty_book: a book without a record.
        done: how often what was done.
    """

    catalogue: ClassVar[Catalogue]
    empty_book: ClassVar[Path]
    done: ClassVar[Counter[str]]

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="holdzero-days-"))
        self.shop = Shop(self.folder, self.catalogue, self.empty_book)
        self.jobs: list[Job] = []
        self.copies = 0
        self.was_called_away = False

    def teardown(self) -> None:
        for job in self.at_work:
            job.sitting.pulls_plug()
        shutil.rmtree(self.folder)

    # --- who is there ---------------------------------------------------------------------------

    @property
    def at_work(self) -> list[Job]:
        return [job for job in self.jobs if job.at_work]

    @property
    def asking(self) -> list[Job]:
        return [job for job in self.jobs if job.asks]

    @property
    def stopped(self) -> list[Job]:
        return [job for job in self.at_work if job.sitting.stop is not None]

    @property
    def paused(self) -> list[Job]:
        return [job for job in self.at_work if job.sitting.is_paused]

    @property
    def left(self) -> list[Job]:
        return [job for job in self.jobs if job.is_left]

    @property
    def whole(self) -> list[Job]:
        """Those left of which nothing was cut off, since the last entry, to see that it is seen."""
        return [job for job in self.left if not job.paper.over and 1 < len(job.entries) != job.was_cut_at]

    @property
    def to_mistake(self) -> list[Job]:
        """Those at which no nonsense was answered since the last entry."""
        return [job for job in self.asking if len(job.entries) != job.was_mistaken_at]

    @property
    def ended(self) -> list[Job]:
        return [job for job in self.jobs if job.record is not None]

    def goes_by(self, span_s: float = _ACT_S) -> None:
        self.shop.world_s += span_s

    def does(self, what: str) -> None:
        self.done[what] += 1

    def sent(self, records: list[tuple[Path, Any]]) -> None:
        """What a run sends to the book at its end."""
        raise NotImplementedError

    def power_is_back(self, job: Job) -> None:
        """What lies there that nobody was told of."""
        raise NotImplementedError

    # --- at the bench -----------------------------------------------------------------------------

    @precondition(lambda self: len(self.at_work) < _AT_ONCE and len(self.jobs) < _RUNS)
    @rule(a=st.sampled_from((0.0, 0.0, 6.0)), b=st.sampled_from((0.0, 0.0, -6.0)))
    def begins(self, a: float, b: float) -> None:
        self.does("begin")
        self.goes_by(0.001)  # two runs may begin within one second, and have one name
        sitting = begins(self.shop, "1")
        assert sitting.journal is not None
        assert sitting.journal not in [job.journal for job in self.jobs]
        job = Job(PaperRun(), sitting, sitting.journal, {"a": a, "b": b}, last_s=self.shop.world_s)
        self.jobs.append(job)

    @precondition(lambda self: self.asking)
    @rule(pick=picks, noise=noises, times=st.integers(1, 6))
    def answers(self, pick: int, noise: float, times: int) -> None:
        job = one(self.asking, pick)
        for _ in range(times):
            if job.asks:
                self.does("answer")
                self.says(job, self.sound(job, noise))

    @precondition(lambda self: self.asking)
    @rule(pick=picks, off=st.sampled_from((8.0, -8.0, 20.0)))
    def answers_oddly(self, pick: int, off: float) -> None:
        self.does("odd answer")
        job = one(self.asking, pick)
        said = self.sound(job, off)
        if said.what == "soak":
            self.shop.world_s -= _SOAK_S
            said = Saying("soak", "no time")
        self.says(job, Saying(said.what, said.raw, said.um, sound=said.um is None))

    @precondition(lambda self: self.to_mistake)
    @rule(pick=picks)
    def answers_nonsense(self, pick: int) -> None:
        self.does("nonsense")
        job = one(self.to_mistake, pick)
        job.was_mistaken_at = len(job.entries)
        before, refused = len(told_by(job.journal)), len(job.sitting.refusals)
        what = what_of(job.sitting.prompt) if job.sitting.prompt else ""
        self.says(job, Saying(what, "?" if what == "soak" else OUT_OF_USE if what == "comparator" else "red"))
        assert len(job.sitting.refusals) > refused
        after = [entry["event"] for entry in told_by(job.journal)[before:]]
        assert after in ([], ["run_continued"]), "what is refused leaves no trace, but that somebody was away"

    @precondition(lambda self: self.asking or self.stopped)
    @rule(pick=picks, which=picks, reason=reasons)
    def strikes(self, pick: int, which: int, reason: str) -> None:
        self.does("strike")
        job = one(self.asking + self.stopped, pick)
        numbers = [line.number for line in job.paper.lines if line.raw and line.what not in ("comparator", "soak")]
        target = one([*numbers, _NO_ENTRY], which)
        struck = target == _NO_ENTRY or job.paper.line(target).struck is not None
        before, refused = len(told_by(job.journal)), len(job.sitting.refusals)
        self.says(job, Strike(target, reason))
        assert (len(job.sitting.refusals) > refused) is struck, job.sitting.refusals
        words = {entry["event"] for entry in told_by(job.journal)[before:]}
        assert not struck or words <= {"run_continued", "question_asked"}, "what is refused leaves no trace"

    @precondition(lambda self: self.asking or self.stopped)
    @rule(pick=picks, reason=reasons)
    def gives_zero_up(self, pick: int, reason: str) -> None:
        self.does("zero given up")
        self.says(one(self.asking + self.stopped, pick), RenewZero(reason))

    @precondition(lambda self: self.asking or self.stopped)
    @rule(pick=picks, which=st.integers(0, 2))
    def does_besides(self, pick: int, which: int) -> None:
        job = one(self.asking + self.stopped, pick)
        wiped = [item.slot.id for item in job.sitting.run.state.prepared] if job.sitting.run else []
        commands: list[Command] = [AddNote("hm"), Pause(), Again(wiped[0]) if wiped else AddNote("well")]
        self.does(type(commands[which]).__name__.lower())
        job.asked = job.stands_at
        self.says(job, commands[which])

    @precondition(lambda self: self.paused)
    @rule(pick=picks, span_s=spans_s)
    def goes_on(self, pick: int, span_s: float) -> None:
        self.does("go on")
        job = one(self.paused, pick)
        asked, before = job.asked, job.last_s
        self.goes_by(span_s)
        self.says(job, None)
        if self.shop.world_s - before < 600.0:
            assert job.stands_at == asked

    @precondition(lambda self: self.stopped)
    @rule(pick=picks)
    def acknowledges(self, pick: int) -> None:
        self.does("acknowledge")
        job = one(self.stopped, pick)
        assert job.sitting.stop is not None
        self.says(job, Acknowledge(job.sitting.stop.code))

    @precondition(lambda self: self.asking or self.stopped)
    @rule(pick=picks, sure=st.integers(0, 3))
    def abandons(self, pick: int, sure: int) -> None:
        if sure == 0:
            self.does("abandon")
            self.says(one(self.asking + self.stopped, pick), Abandon("no time"))

    @precondition(lambda self: self.asking)
    @rule(pick=picks, noise=noises)
    def finishes(self, pick: int, noise: float) -> None:
        self.does("finish")
        job = one(self.asking, pick)
        for _ in range(40):
            if not job.asks:
                break
            self.says(job, self.sound(job, noise))
            job.holds()

    @precondition(lambda self: not self.was_called_away and any(job.paper.zero for job in self.asking))
    @rule()
    def is_called_away(self) -> None:
        """Nobody says anything for long; nothing is paused."""
        self.does("called away")
        self.was_called_away = True
        self.goes_by(1800.0)

    # --- breaks -----------------------------------------------------------------------------------

    @precondition(lambda self: self.at_work)
    @rule(pick=picks)
    def leaves(self, pick: int) -> None:
        self.does("Ctrl-C")
        job = one(self.at_work, pick)
        job.asked = job.stands_at or job.asked
        job.sitting.leaves()
        assert job.sitting.code == _INTERRUPTED

    @precondition(lambda self: self.at_work)
    @rule(pick=picks)
    def loses_power(self, pick: int) -> None:
        self.does("power cut while waiting")
        one(self.at_work, pick).loses_power()

    @precondition(lambda self: self.asking)
    @rule(
        pick=picks,
        noise=noises,
        after=st.integers(0, 5),
        cut=st.integers(0, 100),
        lag=st.integers(0, 3),
        strike=st.booleans(),
    )
    def loses_power_meanwhile(self, pick: int, noise: float, after: int, cut: int, lag: int, strike: bool) -> None:
        """While an entry is written: of what was not synced any part may be on the disk, of the mark an older one."""
        self.does("power cut while writing")
        job = one(self.asking, pick)
        live = [line.number for line in job.paper.lines if line.um is not None and line.struck is None]
        said = Strike(live[-1], "dirt") if strike and live else self.sound(job, noise)
        job.loses_power(said, after=after, cut=cut, lag=lag)
        self.power_is_back(job)
        self.looks_at_end(job)

    @precondition(lambda self: self.left and len(self.at_work) < _AT_ONCE)
    @rule(pick=picks, span_s=spans_s, where=st.integers(0, 3))
    def resumes(self, pick: int, span_s: float, where: int) -> None:
        """Where it was, or in another folder, with the mark of the journal's end or without."""
        self.does("resume" if where < 2 else "resume elsewhere")
        job = one(self.left, pick)
        self.goes_by(span_s)
        journal, marked = job.journal, mark_of(job.journal).exists()
        if where >= 2:
            self.copies += 1
            marked = marked and where == 2
            journal = moved_to(self.folder / f"elsewhere-{self.copies}", journal, mark=marked)
        job.resumed(resumes(self.shop, journal), journal, marked=marked)
        self.looks_at_end(job)

    @precondition(lambda self: self.whole)
    @rule(missing=st.integers(1, 3))
    def resumes_what_was_cut(self, missing: int) -> None:
        """Somebody took whole entries off the end of a copy: it is seen."""
        job = self.whole[0]
        job.was_cut_at = len(job.entries)
        missing = min(missing, len(job.entries) - 1)
        mark = mark_of(job.journal)
        if not mark.exists() or int(mark.read_bytes()[:9]) < len(job.entries):
            return
        self.does("resume what was cut")
        self.copies += 1
        copy = self.folder / f"cut-{self.copies}" / job.journal.name
        copy.parent.mkdir()
        lines = job.journal.read_bytes().split(b"\n")[: len(job.entries) - missing]
        copy.write_bytes(b"".join(line + b"\n" for line in lines))
        shutil.copyfile(mark, mark_of(copy))
        resumes(self.shop, copy).pulls_plug()
        last = told_by(copy)[len(lines)]
        assert (last["event"], last["journal"], last["missing"]) == ("run_continued", "cut", missing)

    @precondition(lambda self: self.at_work)
    @rule(pick=picks)
    def resumes_what_goes_on(self, pick: int) -> None:
        self.does("resume while it goes on")
        job = one(self.at_work, pick)
        before = job.journal.read_bytes()
        second = resumes(self.shop, job.journal)
        assert not second.at_work
        assert "another run holds it" in str(second.error)
        assert job.journal.read_bytes() == before

    # --- what must hold -------------------------------------------------------------------------------

    @invariant()
    def runs_hold(self) -> None:
        for job in self.jobs:
            job.holds()

    @invariant()
    def records_stay(self) -> None:
        for job in self.ended:
            assert job.file is not None
            assert job.file.read_bytes() == job.text, "a record that was shown stays as it is"

    # --- the same for several rules -------------------------------------------------------------------

    def sound(self, job: Job, noise: float) -> Saying:
        """What is answered where all is as it should be, but for this [um]."""
        assert job.sitting.prompt is not None
        what = what_of(job.sitting.prompt)
        if what == "soak":
            self.goes_by(_SOAK_S)
            return Saying(what, "")
        if what in (*PLACES, "zero", "return"):
            um = job.true_um.get(what, 0.0) + noise
            return Saying(what, f"{um:+.1f}", um)
        return Saying(what, {"comparator": "C-1", "surface": "clean", "prepare": "", "compare": ""}.get(what, "20.1"))

    def says(self, job: Job, said: Saying | Command | None) -> None:
        self.goes_by()
        self.was_called_away = False
        job.says(said)
        self.looks_at_end(job)

    def looks_at_end(self, job: Job) -> None:
        """A run that is over has its record, and that says what the paper says."""
        if job.at_work or job.record is not None or not job.sitting.records:
            return
        ((record, path),) = job.sitting.records
        if job.sitting.code is None:
            return  # power was cut before anybody saw it
        assert job.paper.over, "it ended, and nobody ended it"
        job.changed = True
        # What the book knows of the bench goes into the result.
        job.paper.smooth = job.paper.smooth and not any(other.paper.is_odd for other in self.ended)
        job.record, job.file, job.paper.verdict = record, path, record["verdict"]
        job.holds()
        assert job.sitting.code == CODES[record["verdict"]]
        job.text = path.read_bytes()
        assert loads(job.text.decode(), "") == record
        record_holds(job, record, self.catalogue)
        self.does(f"paper says {job.paper.must_be or ('no pass' if job.paper.must_not_pass else 'nothing')}")
        self.sent([(path, record)])


T = TypeVar("T")


def one(items: Sequence[T], pick: int) -> T:
    """The item that a number picks, whatever the number."""
    return items[pick % len(items)]
