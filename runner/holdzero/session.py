"""One run at the bench: a source answers prompts, events go to the journal, a face shows it all.

The order is the promise: an event is checked by the fold, then put on disk, and only then is the
next prompt shown. Clock, face, feed and journal are handed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Protocol, TypeAlias, TypeVar

from holdzero import events as e
from holdzero.checks import Checks, told
from holdzero.errors import AnswerRefusedError, EventRefusedError, HoldzeroError, SourceError
from holdzero.handed import ChangedError, unchanged
from holdzero.hooks import Answer, Feed, Finding, Level, Source
from holdzero.journal import Journal
from holdzero.mistyped import mistyped_questions
from holdzero.oversight import run_findings
from holdzero.register import Register
from holdzero.run import Run
from holdzero.run.absence import apart, away_s, earlier, too_long, wall_span_s
from holdzero.run.answer import (
    Confirmed,
    Ended,
    Named,
    Seen,
    TakenReading,
    TakenTemperature,
    Told,
    Understood,
    understand,
)
from holdzero.run.commands import (
    Abandon,
    Absent,
    Acknowledge,
    AddNote,
    Again,
    Command,
    LineIn,
    LineOut,
    Look,
    Pause,
    Recorded,
    RenewZero,
    Strike,
    Unused,
)
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Prompt, back_text
from holdzero.run.state import Phase, State
from holdzero.views import view_of
from holdzero.worded import worded

__all__ = ["Clock", "Face", "Known", "Session"]


@dataclass(frozen=True, slots=True)
class Clock:
    """Wall time as ISO 8601 with offset, and a counter in seconds that never goes back."""

    wall: Callable[[], str]
    counter_s: Callable[[], float]


Known: TypeAlias = Callable[[State], Mapping[str, Any] | None]
"""Gives the fields of `BenchKnown` for a run whose comparator is known; None for nothing."""


class Face(Protocol):
    """What shows a run to a person."""

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Show what is asked now, and what the checks see."""
        ...

    def refused(self, reason: str) -> None:
        """Say why an answer was not taken."""
        ...

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Echo what was taken; it is on disk."""
        ...

    def stopped(self, run: Run, finding: Finding) -> Command:
        """Ask what to do about a finding that stops the result."""
        ...

    def paused(self, run: Run) -> None:
        """Wait until the inspector is back."""
        ...

    def overrule(self, reason: str) -> str | None:
        """Ask for a reason to use an unfit device; None to name another."""
        ...


@dataclass(slots=True)
class Session:
    """A run that is being conducted.

    Attributes:
        run: so far.
        journal: open.
        checks: bound to the routine.
        source: what the feed is of.
        feed: open.
        face: shows it.
        clock: of the machine.
        register: of the shop.
        choices: devices named beforehand, by role.
        overrule: reason given beforehand for using an unfit device.
        started_at_s: the clock's counter when the run's counter was zero [s].
        known: what the book knows of the bench, asked once when the comparator is known; None where
            there is no book.
    """

    run: Run
    journal: Journal
    checks: Checks
    source: Source
    feed: Feed
    face: Face
    clock: Clock
    register: Register
    choices: Mapping[str, str]
    overrule: str | None
    started_at_s: float
    known: Known | None = None
    _failed: set[str] = field(default_factory=set)
    _slow: set[str] = field(default_factory=set)
    _late: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        for note in self.run.state.notes:
            if note.plugin is not None:
                (self._slow if note.slow else self._failed).add(note.plugin)

    def now_s(self) -> float:
        """The run's counter now [s]; it stands still where the source keeps the time."""
        if self.source.keeps_time:
            return self.run.state.now_s
        return max(self.run.state.now_s, self.clock.counter_s() - self.started_at_s)

    def take(self, kind: type[Any], time_s: float | None = None, **fields: Any) -> e.AnyEvent:
        """Make an event, check it by the fold, put it on disk, go on.

        Raises:
            EventRefusedError: it does not fit; nothing happened.
            JournalError: it could not be saved; nothing happened.
        """
        at = self.now_s() if time_s is None else time_s
        event: e.AnyEvent = kind(seq=self.run.state.seq + 1, wall=self._wall(at), time_s=at, **fields)
        run = self.run.take(event)
        self.journal.append(event)
        self.run = run
        return event

    def _wall(self, at_s: float) -> str:
        """Wall time at a moment of the run's counter: what arrived a while ago is of then."""
        wall = self.clock.wall()
        late_s = self.now_s() - at_s if self.run.state.paced else 0.0
        return earlier(wall, late_s) if late_s > 0.0 else wall

    def parted(self) -> bool:
        """Whether wall clock and counter went apart since the last event: the machine slept, or one was set."""
        state = self.run.state
        if not state.paced or state.phase is not Phase.RUNNING:
            return False
        return apart(self.now_s() - state.now_s, wall_span_s(state.wall, self.clock.wall()))

    def _idle(self) -> bool:
        """Whether a zero that is in force was left alone for too long, with no answer to what is asked."""
        state = self.run.state
        if self.source.keeps_time or not state.zeros or state.slot is None or state.slot.kind is SlotKind.SOAK:
            return False
        return too_long(state, away_s(state, self.now_s(), self.clock.wall()), back=False)

    def note(self, kind: type[Any], **fields: Any) -> e.AnyEvent:
        """Put something on record that answers nothing, and show it.

        Raises:
            JournalError: it could not be saved; nothing happened.
        """
        event = self.take(kind, **fields)
        self.face.taken(self.run, event)
        return event

    def conduct(self) -> Run:
        """Go on until the run is finished or abandoned.

        Raises:
            SourceError: an answer can't be taken, and nobody is there to ask again.
            SourceExhaustedError: there are no more answers.
            JournalError: the last event could not be saved.
        """
        while self.run.state.phase in (Phase.RUNNING, Phase.PAUSED):
            if self.run.state.phase is Phase.PAUSED:
                self.face.paused(self.run)
                self._command(Absent())
                continue
            if self.parted():
                self._command(Absent())
            self._look_up()
            findings = self._watch()
            stop = self._pending(findings)
            if stop is not None:
                command = self.face.stopped(self.run, stop)
                self._do(command, self._notice())
                continue
            self._ask(findings)
        return self.run

    def _look_up(self) -> None:
        """Put on record what the book knows, once; a book that can't be reached is a note, and no more."""
        state = self.run.state
        on_the_part = state.routine is not None and state.routine.zero_place is not None
        if self.known is None or state.history is not None or state.comparator is None:
            return
        if state.reference is None and not on_the_part:
            return
        known, self.known = self.known, None
        try:
            found = known(state)
        except HoldzeroError as error:
            self.take(e.NoteAdded, text=f"the book could not be asked: {str(error).splitlines()[0]}")
            return
        if found is not None:
            self.take(e.BenchKnown, **found)

    def _watch(self) -> list[Finding]:
        state, prompt = self.run.state, self.run.prompt
        if prompt is None:
            return []
        # What was read last is what is asked about, though the next prompt may be for another part.
        last = state.live[-1].slot.serial if state.live and state.live[-1].kind is SlotKind.READ else None
        own = next((serial for serial in (last, prompt.slot.serial) if serial in state.serials), state.serials[0])
        view = view_of(state, own, self.checks.materials, self.now_s())
        said = self.checks.watch(view, counter_s=self.clock.counter_s, without=self._failed)
        for failure in said.failures:
            self._failed.add(failure.plugin)
            self.take(e.PluginFailed, plugin=failure.plugin, during=failure.during, message=failure.message)
        for slow in said.slow:
            late = slow.plugin in self._late
            self._late.add(slow.plugin)
            # Once may be the machine's own doing.
            if late and slow.plugin not in self._slow:
                self._slow.add(slow.plugin)
                self.take(e.PluginSlow, plugin=slow.plugin, during=slow.during, took_s=slow.took_s)
        findings = [finding for finding in (*mistyped_questions(view), *said.findings, *self._ill()) if finding.holds]
        self._on_record(findings)
        return findings

    def _on_record(self, findings: Sequence[Finding]) -> None:
        """Put questions on record as asked: whoever reads the record sees what could have been done, and when."""
        asked = {question.code for question in self.run.state.questions}
        for finding in findings:
            if finding.offer is None or finding.level is Level.STOP or finding.code in asked:
                continue
            asked.add(finding.code)
            offer = finding.offer
            act, entries = offer.act.value, offer.entries
            self.take(e.QuestionAsked, code=finding.code, text=finding.text, act=act, entries=entries)

    def _ill(self) -> list[Finding]:
        """What checks did wrong in this run, for the inspector to know now."""
        found = (f for f in run_findings(self.run.state) if f.code.endswith(("/failed", "/slow")))
        return [replace(finding, level=Level.DOUBT) for finding in found]

    def _pending(self, findings: Sequence[Finding]) -> Finding | None:
        """A finding that stops the result, and that the inspector has not yet answered."""
        if not self.source.interactive:
            return None
        seen = self.run.state.acknowledged
        return next((f for f in findings if f.level is Level.STOP and f.code not in seen), None)

    def _ask(self, findings: Sequence[Finding]) -> None:
        prompt = self.run.prompt
        if prompt is None:
            raise EventRefusedError("nothing is left to ask, and the run is not over")
        chosen = self.choices.get(prompt.slot.of) if prompt.slot.kind is SlotKind.CHOOSE else None
        if chosen is not None:
            self._choose(prompt, chosen)
            return
        self.face.show(self.run, prompt, findings)
        try:
            said = self._said(prompt)
        except AnswerRefusedError as error:
            if not self.source.interactive:
                raise self._blame(str(error)) from None
            self.face.refused(str(error))
            return
        back = self._notice()
        if not isinstance(said, Answer):
            self._do(said, back)
            return
        if back is not None and self.run.state.slot != prompt.slot:
            self.face.refused(back_text(back, self.run.state).rstrip("."))
            return
        at = self.now_s() if said.time_s is None else max(said.time_s, self.run.state.now_s)
        try:
            # What was seen while a soak went on may let it end.
            asked = self.run.prompt or prompt
            understood = understand(said.raw, asked, self.run.state.comparator, at)
            event = self._event(understood, asked, said, at)
        except (AnswerRefusedError, EventRefusedError) as error:
            if not self.source.interactive:
                raise self._blame(str(error)) from None
            self.face.refused(str(error))
            return
        self.face.taken(self.run, event)

    def _said(self, prompt: Prompt) -> Answer | Command:
        """What the source says, if it is anything that a source can say.

        Raises:
            SourceError: the source failed, or gave something else; no answer was lost.
            AnswerRefusedError: its text is none that a record can hold.
        """
        try:
            said: object = self.feed.answer(prompt, self.now_s())
            unchanged(self.checks.tool)
        except ChangedError as error:
            while_asked = f"a plugin changed the tool while the source {self.source.name} was asked"
            raise SourceError(f"{while_asked}: {error}; see: holdzero plugins") from None
        except HoldzeroError:
            raise
        except (Exception, SystemExit) as error:
            raise SourceError(f"the source {self.source.name} failed: {told(error)}") from error
        if isinstance(said, Command):
            return _readable(said)
        if isinstance(said, Answer) and isinstance(said.raw, str):
            time_s: object = said.time_s
            spread: object = said.error
            timed = time_s is None or (isinstance(time_s, int | float) and math.isfinite(time_s))
            if timed and isinstance(spread, Mapping):
                return _readable(said)
        raise SourceError(f"the source {self.source.name} failed: {said!r:.200} is no answer")

    def _blame(self, reason: str) -> SourceError:
        """The source's own error where it can make one: it may know the line."""
        try:
            blamed: object = self.feed.blame(reason)
        except (Exception, SystemExit):  # noqa: BLE001  a plugin may raise anything; the reason is what counts
            blamed = None
        return blamed if isinstance(blamed, SourceError) else SourceError(reason)

    def _event(  # noqa: PLR0911  one arm an answer
        self, understood: Understood, prompt: Prompt, said: Answer, at: float
    ) -> e.AnyEvent:
        slot, raw, line, error = prompt.slot.id, said.raw, said.line, dict(said.error)
        match understood:
            case TakenReading(value):
                return self.take(e.ReadingTaken, at, slot=slot, raw=raw, value_um=value, line=line)
            case TakenTemperature(value):
                return self.take(e.TemperatureRead, at, slot=slot, raw=raw, value_degC=value, line=line, error=error)
            case Seen(of, value):
                return self.take(e.SoakObserved, at, slot=slot, of=of, raw=raw, value=value)
            case Ended(reason):
                return self.take(e.SoakEnded, at, slot=slot, reason=reason, recorded=said.recorded)
            case Told(told_value):
                return self.take(e.AnswerGiven, at, slot=slot, raw=raw, value=told_value)
            case Named(identifier):
                return self._choose(prompt, identifier)
            case Confirmed():
                kind = e.RunFinished if prompt.slot.kind is SlotKind.COMPARE else e.StepDone
                return self.take(kind, at, slot=slot)

    def _choose(self, prompt: Prompt, identifier: str) -> e.AnyEvent:
        role = prompt.slot.of
        entry = self.register.entry(role, identifier)
        if entry is None:
            known = ", ".join(getattr(self.register, role)) or "none"
            raise AnswerRefusedError(f"there is no {role} {identifier!r} in the register; it has: {known}")
        slot = prompt.slot.id
        try:
            return self.take(e.EntryChosen, slot=slot, role=role, entry=entry, overruled=None)
        except EventRefusedError as error:
            reason = self.overrule or (self.face.overrule(str(error)) if self.source.interactive else None)
            if reason is None:
                raise
            return self.take(e.EntryChosen, slot=slot, role=role, entry=entry, overruled=reason)

    def _notice(self) -> e.AnyEvent | None:
        """Put on record that nobody was there, where the clocks say so."""
        return self._back() if self.parted() or self._idle() else None

    def _back(self) -> e.AnyEvent:
        away = away_s(self.run.state, self.now_s(), self.clock.wall())
        return self.take(e.RunContinued, away_s=away)

    def _do(self, command: Command, back: e.AnyEvent | None) -> None:
        """Carry out what was wanted, and then say that nobody was there before."""
        if not isinstance(command, Absent):
            self._command(command)
        if back is not None:
            self.face.taken(self.run, back)

    def _command(self, command: Command) -> None:
        if isinstance(command, Look):
            return  # the checks look anyway before anything is asked
        try:
            event = self._commanded(command)
        except EventRefusedError as error:
            self.face.refused(str(error))
            return
        self.face.taken(self.run, event)

    def _commanded(self, command: Recorded) -> e.AnyEvent:  # noqa: C901, PLR0911  one arm a command
        match command:
            case Unused(line, why):
                return self.take(e.LineUnused, line=line, why=why)
            case LineOut(of, why):
                return self.take(e.LineLost, of=of, why=why)
            case LineIn(of):
                return self.take(e.LineBack, of=of)
            case Strike(target, reason):
                return self.take(e.AnswerStruck, target=target, reason=reason)
            case AddNote(text):
                return self.take(e.NoteAdded, text=text)
            case Pause():
                return self.take(e.RunPaused)
            case Again(slot):
                soaked = any(soak.slot.id == slot for soak in self.run.state.soaks)
                return self.take(e.SoakBegunAgain if soaked else e.PreparedAgain, slot=slot)
            case RenewZero(reason):
                return self.take(e.ZeroRenewed, reason=reason, anew=True)
            case Acknowledge(code):
                return self.take(e.StopAcknowledged, code=code)
            case Abandon(reason):
                return self.take(e.RunAbandoned, reason=reason)
            case Absent():
                return self._back()


Spoken = TypeVar("Spoken", Answer, Command)


def _readable(said: Spoken) -> Spoken:
    """What a source said, if a record can hold its text.

    Raises:
        AnswerRefusedError: it can't.
    """
    for part in fields(said):
        item: Any = getattr(said, part.name)
        for text in (*item, *item.values()) if isinstance(item, Mapping) else (item,):
            if not isinstance(text, str):
                continue
            try:
                worded(text, "what was said")
            except ValueError as error:
                raise AnswerRefusedError(str(error)) from None
    return said
