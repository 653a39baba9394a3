"""The face of a run for pages: shows it as snapshots, and takes what pages post, one at a time.

The thread of the run is the only one that takes a post. So of two posts that race one comes first and the
other answers something that is asked no more; and a page hears "taken" when the event is on disk.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from typing import Any

from holdzero import events as e
from holdzero.errors import SourceExhaustedError
from holdzero.hooks import Answer, Asks, Command, Finding, Prompt, Source
from holdzero.live import Glance, Meanwhile
from holdzero.page.box import TAKEN, Box, Fits, Reply
from holdzero.page.offers import Offers, unchoosable
from holdzero.page.pen import Pen
from holdzero.page.posts import Accept, Done, GoOn, Overrule, Post, Request, Resume, Start, Typed
from holdzero.page.snapshot import Entry, Refusal, Snapshot, Stage
from holdzero.run import Run
from holdzero.run.answer import cuts_short
from holdzero.run.commands import Abandon, Acknowledge, AddNote, Again, Look, Pause, RenewZero, Strike
from holdzero.run.plan import SlotKind
from holdzero.run.state import Phase

__all__ = ["Desk"]

_TICK_S = 0.04  # so that what is live is shown at most 25 times a second
_COMMANDS = (Strike, AddNote, Again, RenewZero, Pause, Look, Abandon)

_UNSAVED = Reply(503, "it was not saved: the run stopped here")


class Desk:
    """A `holdzero.session.Face` and what asks a person, for pages.

    All but `post` and `close` belongs to the thread of the run.

    Args:
        pen: says which page may write.
        counter_s: of the machine [s]; it never goes back.
        source: as on the command line.
        trial: whether nothing may be accepted by the runs.
        devices: those of the register that a role can have.

    Attributes:
        snapshot: what is shown now; replaced whole.
        glance: what an instrument shows now; None where nothing is live.
        on_change: is called whenever one of both was replaced, in the thread of the run.
    """

    def __init__(
        self,
        pen: Pen,
        counter_s: Callable[[], float],
        *,
        source: str = "keyboard",
        trial: bool = False,
        devices: Callable[[str], tuple[Entry, ...]] = lambda _: (),
        greeting: Sequence[str] = (),
    ) -> None:
        self.counter_s = counter_s
        self.devices = devices
        self.on_change: Callable[[], None] = lambda: None
        self.glance: Glance | None = None
        # A page of a server that is gone must not hit a number of this one by chance.
        self.snapshot = Snapshot(
            seq=secrets.randbelow(2**40),
            stage=Stage.CHOOSING,
            source=source,
            trial=trial,
            at_s=counter_s(),
            greeting=tuple(greeting),
        )
        self._now_s: Callable[[], float] = lambda: 0.0
        self._pace: Callable[[], float] = lambda: 1.0
        self._keeps_time = False
        self._box = Box(pen, counter_s)
        self._refused: Refusal | None = None
        self._listens = False
        self._closed = False

    # --- for the server, from any thread ------------------------------------------------------

    def post(self, post: Post) -> Future[Reply]:
        """Hand a post in: see `Box.put`."""
        return self._box.put(post)

    def close(self) -> None:
        """Nobody can answer any more: the run ends here, and can be gone on with."""
        self._closed = True

    # --- the face -----------------------------------------------------------------------------

    def sits_at(self, source: Source) -> Desk:
        """A run begins or goes on with this source; gives the desk."""
        self.snapshot = replace(self.snapshot, simulated=source.simulated)
        self._keeps_time = source.keeps_time
        return self

    def recall(self, run: Run) -> None:
        """A run that is over already is shown as it was."""
        self.snapshot = replace(self.snapshot, run=run)

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Show what is asked now, and what the checks see."""
        register = self.devices(prompt.slot.of) if prompt.asks is Asks.CHOICE else ()
        self._publish(Stage.RUNNING, run=run, prompt=prompt, findings=tuple(findings), register=register)

    def refused(self, reason: str) -> None:
        """Why an answer was not taken; shown with what is asked next."""
        self._refused = Refusal(reason, self.snapshot.seq)
        self._box.reply(Reply(422, reason))

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """It is on disk: the page that posted it is told, all see it with what is asked next.

        What an instrument sends meanwhile is no reply to a post; what was typed is replied to with what is asked next.
        """
        self._refused = None
        self.snapshot = replace(self.snapshot, run=run, taken=event)
        if not isinstance(event, (e.LineUnused, e.SoakObserved)):
            self._box.reply(TAKEN)
        if run.state.phase in (Phase.FINISHED, Phase.ABANDONED):
            self._publish(Stage.RUNNING, run=run)

    def stopped(self, run: Run, finding: Finding) -> Command:
        """What to do about a finding that stops the result."""
        self._publish(Stage.STOPPED, run=run, stop=finding)

        def fits(request: Request) -> str:
            if isinstance(request, Acknowledge):
                return "" if request.code == finding.code else f"what stops now is {finding.code}"
            return _unless(isinstance(request, _COMMANDS), "the run is stopped: say what to do about it")

        request = self._wait(fits)
        if not isinstance(request, (*_COMMANDS, Acknowledge)):
            raise TypeError(request)
        return request

    def paused(self, run: Run) -> None:
        """Wait until the inspector is back."""
        self._publish(Stage.PAUSED, run=run)
        self._wait(lambda request: _unless(isinstance(request, GoOn), "the run is paused: go on first"))

    def overrule(self, reason: str) -> str | None:
        """A reason to use an unfit device; None to name another."""
        self._publish(Stage.OVERRULE, run=self.snapshot.run, unfit=reason)
        fits: Fits = lambda request: _unless(isinstance(request, Overrule), "give a reason, or name another")  # noqa: E731
        request = self._wait(fits)
        reason_given = request.reason if isinstance(request, Overrule) else None
        if reason_given is None:
            # To name another is no answer that could be refused.
            self._box.reply(TAKEN)
        return reason_given

    # --- what asks ----------------------------------------------------------------------------

    def clock(self, now_s: Callable[[], float], pace: Callable[[], float]) -> None:
        """From now on what is shown follows this counter [s], which goes so much faster than the machine's."""
        self._now_s, self._pace = now_s, pace

    def text(self, words: str) -> str:
        """Nothing: who measures what is known before a run begins here."""
        del words
        return ""

    def __call__(self, prompt: Prompt, meanwhile: Meanwhile | None = None) -> Answer | Command:
        """The answer to a prompt.

        Raises:
            AnswerRefusedError: there is nothing to accept, or it did not stand still in time.
            SourceExhaustedError: nobody can answer any more.
        """
        listens, self._listens = self._listens, meanwhile is not None and meanwhile.glance is not None
        shown = self.snapshot
        if not self._box.open or shown.prompt is not prompt or listens is not self._listens:
            self._publish(Stage.RUNNING, run=shown.run, prompt=prompt, findings=shown.findings, register=shown.register)
        try:
            while True:
                request = self._take(lambda request: self._unfit(request, prompt))
                if request is not None:
                    said = self._meant(request, prompt, meanwhile)
                else:
                    said = self._by_itself(prompt, meanwhile)
                self._look_at(meanwhile)
                if said is not None:
                    self._box.open = False
                    return said
        finally:
            self._look_at(None)

    def _unfit(self, request: Request, prompt: Prompt) -> str:
        """Why a request can't be done at a prompt."""
        if isinstance(request, Accept) and prompt.slot.kind is SlotKind.COMPARE:
            return "the last step has a button of its own: a pedal never ends a run"
        return _unless(isinstance(request, (*_COMMANDS, Typed, Accept)), "the run asks for something else now")

    def _meant(self, request: Request, prompt: Prompt, meanwhile: Meanwhile | None) -> Answer | Command | None:
        """What a request answers; None where the prompt stays."""
        if isinstance(request, _COMMANDS):
            return request
        if isinstance(request, Typed):
            return self._typed(request, prompt)
        if prompt.asks is Asks.CONFIRM:
            return Answer("")
        if meanwhile is None:
            self._box.reply(Reply(422, "type the answer"))
            return None
        # Where nothing can be taken this raises, and the run says why.
        said = meanwhile.accept(prompt)
        if said is None:
            # Accepted, and waited for: the prompt stays as it is, and can still be answered otherwise.
            self._box.reply(TAKEN)
        return said

    def _typed(self, request: Typed, prompt: Prompt) -> Answer | None:
        """What was typed; what ends a soak early only once it is known what is missing."""
        run = self.snapshot.run
        now_s, now = self._now_s(), (run.prompt if run is not None else None) or prompt
        comparator = run.state.comparator if run is not None else None
        if request.sure or not cuts_short(request.text, now, comparator, now_s):
            return Answer(request.text)
        self._box.reply(Reply(422, f"{now.missing(now_s)} To end it all the same, send the reason once more"))
        return None

    def _by_itself(self, prompt: Prompt, meanwhile: Meanwhile | None) -> Answer | Command | None:
        """An answer that nobody posted: from an instrument, or a soak that is over."""
        if meanwhile is not None:
            return meanwhile.look(prompt)
        return Answer("") if prompt.asks is Asks.WAIT and self._now_s() >= prompt.until_s else None

    def _look_at(self, meanwhile: Meanwhile | None) -> None:
        """Show what is live, if it changed."""
        glance = meanwhile.glance if meanwhile is not None else None
        if glance != self.glance:
            self.glance = glance
            self.on_change()

    # --- before and after a run ---------------------------------------------------------------

    def choose(self, offers: Callable[[], Offers], ended: str = "") -> Start | Resume:
        """What to do next.

        Args:
            offers: what there is, looked at whenever it is asked for.
            ended: why nothing could be started just now; empty where nothing went wrong.

        Raises:
            SourceExhaustedError: nobody can answer any more.
        """
        while True:
            found = offers()
            self._now_s, self._refused, self._listens = (lambda: 0.0), None, False
            self.snapshot = replace(self.snapshot, taken=None)
            self._publish(
                Stage.CHOOSING,
                routines=found.routines,
                open_runs=found.open_runs,
                chosen=found.chosen,
                ended=ended,
            )
            request = self._wait(partial(unchoosable, found))
            if isinstance(request, Start):
                self.snapshot = replace(self.snapshot, operator=request.operator or "")
            if isinstance(request, Start | Resume):
                self._publish(Stage.RUNNING)
                return request
            ended = ""

    def decided(
        self,
        code: int | None,
        records: Sequence[Any],
        files: Sequence[str],
        said: Sequence[str],
        debrief: Sequence[str] = (),
    ) -> None:
        """Show how a run ended; what follows may still take a while. Arguments as of `end`."""
        # What was taken and neither saved nor refused was lost to the fault that ended the run.
        self._box.reply(_UNSAVED)
        run = self.snapshot.run
        given_up = run is not None and run.state.phase is Phase.ABANDONED
        stage = Stage.INTERRUPTED if not records else Stage.ABANDONED if given_up else Stage.FINISHED
        shown: dict[str, Any] = {
            "run": run,
            "records": tuple(records),
            "files": tuple(files),
            "problems": tuple(said) if records else (),
            "debrief": tuple(debrief),
            "ended": "" if records else "\n".join(said),
            "code": code,
        }
        now = self.snapshot
        # Shown once: whoever has seen it already is not held up by what changed nothing.
        if now.stage is not stage or any(getattr(now, name) != value for name, value in shown.items()):
            self._publish(stage, **shown)

    def end(
        self,
        code: int | None,
        records: Sequence[Any],
        files: Sequence[str],
        said: Sequence[str],
        debrief: Sequence[str] = (),
    ) -> None:
        """Show how a run ended until that was seen.

        Args:
            code: exit code of the run; None where an error ended it.
            records: that were made.
            files: names of what was written.
            said: what was told beside.
            debrief: what was true and hidden, at a virtual bench.

        Raises:
            SourceExhaustedError: nobody can answer any more.
        """
        self.decided(code, records, files, said, debrief)
        self._wait(lambda request: _unless(isinstance(request, Done), "the run is over"))

    # --- within -------------------------------------------------------------------------------

    def _publish(self, stage: Stage, **fields: Any) -> None:
        """Replace what is shown; what is not named is as at the beginning."""
        self._box.reply(TAKEN)
        kept = self.snapshot
        # The box first: whoever sees what is shown can answer it.
        self._box.shown(kept.seq + 1)
        self.snapshot = Snapshot(
            seq=kept.seq + 1,
            stage=stage,
            refused=self._refused,
            taken=kept.taken,
            now_s=self._now_s(),
            at_s=self.counter_s(),
            pace=0.0 if self._keeps_time else self._pace(),
            source=kept.source,
            simulated=kept.simulated,
            trial=kept.trial,
            greeting=kept.greeting,
            operator=kept.operator,
            live=self._listens,
            **fields,
        )
        self.on_change()

    def _wait(self, fits: Fits) -> Request:
        while True:
            request = self._take(fits)
            if request is not None:
                self._box.open = False
                return request

    def _take(self, fits: Fits) -> Request | None:
        if self._closed:
            raise SourceExhaustedError("the page was closed")
        return self._box.take(_TICK_S, fits)


def _unless(fine: bool, why: str) -> str:
    return "" if fine else why
