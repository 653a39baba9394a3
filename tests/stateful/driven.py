"""The real tool, driven step by step: a run in a thread that stops wherever a person is waited for.

Through public doors alone: `run_routine`, `resume_run` and a face. See `shop.py` for the clock and the disk.
"""

from __future__ import annotations

import queue
import shutil
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from holdzero import events as e
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.cli.conduct import Options, resume_run, run_routine
from holdzero.hooks import Answer, Command, Finding, Prompt
from holdzero.journal import mark_of
from holdzero.live import Meanwhile
from holdzero.run import Run
from holdzero.run.plan import SlotKind
from tests.stateful.shop import PulledPlugError, Shop

__all__ = ["Sitting", "begins", "cut_to", "moved_to", "quiet_catalogue", "resumes", "what_of"]

_PATIENCE_S = 60.0


def what_of(prompt: Prompt) -> str:
    """What is asked, in the words of the paper."""
    slot = prompt.slot
    if slot.kind is SlotKind.READ:
        return slot.place or ""
    if slot.kind is SlotKind.TEMPERATURE:
        return f"{slot.of} warm"
    return slot.of if slot.kind in (SlotKind.CHOOSE, SlotKind.ASK) else slot.kind.value


class Sitting:
    """Somebody at the bench, from the beginning of a run or its resuming on until it ends or the plug is pulled.

    Args:
        shop: where.
        work: conducts the run; gives the exit code.
        out: folder of the records.
        journal: of the run, where it has one already.

    Attributes:
        prompt: what is asked now; None where nothing is.
        stop: the finding that stops the run now; None for none.
        is_paused: whether the run is paused.
        run: as it was shown last.
        saved: entries that the tool said were saved, in order.
        refusals: what it did not take, and why.
        records: that it showed at the end, with their files.
        code: exit code; None while it goes on, and where it broke off.
        error: with which it broke off.
    """

    def __init__(self, shop: Shop, work: Callable[[Options], int], out: Path, journal: Path | None = None) -> None:
        self.shop, self.out = shop, out
        self.prompt: Prompt | None = None
        self.stop: Finding | None = None
        self.is_paused = False
        self.run: Run | None = None
        self.saved: list[e.AnyEvent] = []
        self.refusals: list[str] = []
        self.records: list[tuple[Mapping[str, Any], Path]] = []
        self.code: int | None = None
        self.error: BaseException | None = None
        self.journal = journal
        self._in: queue.SimpleQueue[Answer | Command | BaseException | None] = queue.SimpleQueue()
        self._out: queue.SimpleQueue[None] = queue.SimpleQueue()
        before = set(out.glob("*.journal.jsonl")) if out.is_dir() else set()
        options = Options(
            source="keyboard",
            out=out,
            json=False,
            shop=shop.register,
            overrule=None,
            choices={},
            book=str(shop.book),
            catalogue=shop.catalogue,
            face=lambda *_: (self, self),
            seen=self._seen,
        )
        self._thread = threading.Thread(target=self._conducts, args=(work, options), daemon=True)
        self._step(self._thread.start)
        if journal is None:
            (self.journal,) = set(out.glob("*.journal.jsonl")) - before

    @property
    def at_work(self) -> bool:
        """Whether a person is waited for."""
        return self.code is None and self.error is None

    def says(self, said: Answer | Command | None) -> None:
        """Answer what is asked, or say what else is to be done; None ends a pause. Gives when it is asked again."""
        self._step(lambda: self._in.put(said))

    def leaves(self) -> None:
        """Press Ctrl-C."""
        self._step(lambda: self._in.put(KeyboardInterrupt()))

    def pulls_plug(self, said: Answer | Command | None = None, *, after: int = 0) -> None:
        """Power fails: at once, or after so many syncs of what follows from a last answer.

        Whoever has read the sync's end may count on it; what was not synced may be there in part.
        """
        disk = self.shop.disk
        if said is not None:
            disk.until = after
            self.says(said)
            disk.until = None
        if self.at_work:
            disk.freeze()
            self._step(lambda: self._in.put(PulledPlugError()))
        if isinstance(self.error, PulledPlugError):
            disk.thaw()

    # --- the thread of the run ------------------------------------------------------------------

    def _step(self, begin: Callable[[], None]) -> None:
        """Let the run go on until a person is waited for again, or it ends."""
        with self.shop.ours():
            begin()
            self._out.get(timeout=_PATIENCE_S)
        if not self.at_work:
            self._thread.join(_PATIENCE_S)

    def _conducts(self, work: Callable[[Options], int], options: Options) -> None:
        try:
            self.code = work(options)
        except BaseException as error:  # noqa: BLE001  a pulled plug too
            self.error = error
        self.prompt = self.stop = None
        self._out.put(None)

    def _waits(self) -> Answer | Command | None:
        self._out.put(None)
        said = self._in.get()
        self.prompt, self.stop, self.is_paused = None, None, False
        if isinstance(said, BaseException):
            raise said
        return said

    def _seen(self, record: Mapping[str, Any], files: Sequence[Path]) -> None:
        self.records.append((record, files[0]))

    # --- the face -------------------------------------------------------------------------------

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Look at it."""
        del findings, prompt
        self.run = run

    def refused(self, reason: str) -> None:
        """It was not taken."""
        self.refusals.append(reason)

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """It was saved."""
        self.run = run
        self.saved.append(event)

    def stopped(self, run: Run, finding: Finding) -> Command:
        """Something stops the result."""
        self.run, self.stop = run, finding
        said = self._waits()
        assert isinstance(said, Command)
        return said

    def paused(self, run: Run) -> None:
        """The run is paused."""
        self.run, self.is_paused = run, True
        self._waits()

    def overrule(self, reason: str) -> str | None:
        """Nothing unfit is used."""
        raise AssertionError(reason)

    def text(self, words: str) -> str:
        """Nothing is asked besides."""
        raise AssertionError(words)

    def clock(self, now_s: Callable[[], float], pace: Callable[[], float]) -> None:
        """Nothing is counted down."""

    def __call__(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        """What is answered to a prompt."""
        del meanwhile
        self.prompt = prompt
        said = self._waits()
        assert said is not None
        return said


def begins(shop: Shop, serial: str) -> Sitting:
    """Somebody begins a run."""
    return Sitting(
        shop,
        lambda options: run_routine(shop.routine, options, operator="T. Ester", serials=(serial,), member=None),
        shop.out,
    )


def resumes(shop: Shop, journal: Path) -> Sitting:
    """Somebody goes on with a run; its records go beside the journal."""
    return Sitting(shop, lambda options: resume_run(journal, options, routine=None), journal.parent, journal)


def cut_to(journal: Path, length: int) -> None:
    """Leave the first bytes of a journal alone, as a power cut may."""
    with journal.open("r+b") as file:
        file.truncate(length)


def moved_to(folder: Path, journal: Path, *, mark: bool) -> Path:
    """The journal in another folder, with the mark of its end or without it."""
    folder.mkdir()
    there = folder / journal.name
    shutil.move(journal, there)
    if mark:
        shutil.move(mark_of(journal), mark_of(there))
    return there


def quiet_catalogue() -> Catalogue:
    """The built-in plugins, without what draws pages of a record."""
    catalogue = load_catalogue()
    catalogue.want_all()
    catalogue.writers.clear()
    return catalogue
