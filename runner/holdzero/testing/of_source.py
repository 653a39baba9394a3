"""The conformance suite for a source: from its opening to the end of a run, and what it refuses."""

from __future__ import annotations

import contextlib
import itertools
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import Checks, told
from holdzero.errors import HoldzeroError, SourceError
from holdzero.hooks import Answer, Command, Feed, Finding, Log, Prompt, Source
from holdzero.journal import Journal
from holdzero.register import Register
from holdzero.routine.load import LoadedRoutine
from holdzero.run import Run
from holdzero.run.commands import Acknowledge
from holdzero.session import Clock, Session
from holdzero.testing.complaint import Subject, hidden, subject_of
from holdzero.testing.draft import GOOD, Draft
from holdzero.testing.drive import Answers, begun, loaded_of, scripted

__all__ = ["source_conforms"]

__tracebackhide__ = hidden

# What people type by mistake, and what no source can mean.
_BAD = ("", " ", "no/such/place/at/all", "\0", "x" * 5000, "::", "%s{0}", "\N{SKULL AND CROSSBONES}")


def source_conforms(
    source: Source,
    catalogue: Catalogue,
    *,
    argument: str = "",
    routine: str | Path | Draft | None = None,
    answers: Answers | None = None,
) -> None:
    """Put a source through its rules.

    Args:
        source: declared by a plugin.
        catalogue: for the routine.
        argument: with which it opens.
        routine: of the sample run; the plain one if None.
        answers: of the person whom it may ask; those that the plain routine passes with if None.

    Raises:
        AssertionError: it breaks one; says which, what was found, how to mend it.
    """
    subject = subject_of(source)
    subject.titled(source.title)
    if source.log is not None:
        for bad in (*_BAD, *((argument,) if argument else ())):
            _logs_nothing_of(subject, source.log, bad)
        return
    if source.open is None:
        for bad in _BAD:
            _hears_nothing_of(subject, source, bad)
        return
    loaded = loaded_of(Draft() if routine is None else routine, catalogue)
    said = list(GOOD if answers is None else answers)
    first = _whole_run(subject, source, argument, loaded, said)
    if not source.interactive:
        again = _whole_run(subject, source, argument, loaded, said)
        subject.answers_for(first, again, "what it answers, opened twice,")
    for bad in _BAD:
        _refuses(subject, source, bad)


def _whole_run(
    subject: Subject, source: Source, argument: str, loaded: LoadedRoutine, answers: Sequence[str | tuple[float, str]]
) -> list[tuple[str, float]]:
    """Texts and times of a run that it answers to its end, through the session as at the bench."""
    person = _Person(answers)
    mend = "give argument=… (and routine=…, answers=…) that fit"
    if source.open is None:
        raise subject.broken("it must open", "open is None", "give open, or listen")
    with subject.never_raising(f"it must open for a sample run, with the argument {argument!r}", mend):
        feed = source.open(argument, person)
    with tempfile.TemporaryDirectory() as folder:
        started = begun(loaded, simulated=source.simulated)
        with Journal.create(Path(folder) / "run.journal.jsonl") as journal:
            session = _session(started, journal, source, feed, person)
            try:
                run = session.conduct()
            except HoldzeroError as error:
                found = f"{told(error)} (at “{session.run.prompt.title if session.run.prompt else 'nothing'}”)"
                raise subject.broken("it must answer a sample run to its end", found, mend) from error
    _is_blamed(subject, feed)
    _closes(subject, feed)
    return _answers_of(run)


def _hears_nothing_of(subject: Subject, source: Source, argument: str) -> None:
    """A line that is not there is refused, or it opens and says what is wrong with it."""
    rule = f"the argument {argument!r:.40} must be refused with a SourceError, or taken"
    mend = "raise SourceError with what was found and what is expected"
    with contextlib.suppress(HoldzeroError), subject.never_raising(rule, mend, HoldzeroError):
        if source.listen is None:
            return
        instrument = source.listen(argument, lambda: 0.0)
        try:
            instrument.lines()
            instrument.fault()
        finally:
            instrument.close()


def _logs_nothing_of(subject: Subject, log: Callable[[str], Log], argument: str) -> None:
    """A log that is not there is refused; one that is there has nothing of a time that nobody wrote down."""
    rule = f"the argument {argument!r:.40} must be refused with a SourceError, or taken"
    mend = "raise SourceError with what was found and what is expected"
    with contextlib.suppress(HoldzeroError), subject.never_raising(rule, mend, HoldzeroError):
        kept = log(argument)
        try:
            kept.temperature("part", "1970-01-01T00:00:00+00:00")
        finally:
            kept.close()


def _answers_of(run: Run) -> list[tuple[str, float]]:
    """Texts and times of what was answered."""
    return [(str(getattr(event, "raw", type(event).__name__)), event.time_s) for event in run.events]


def _session(started: Run, journal: Journal, source: Source, feed: Feed, person: _Person) -> Session:
    seconds = itertools.count()
    person.run = started
    return Session(
        run=started,
        journal=journal,
        checks=Checks(),
        source=source,
        feed=feed,
        face=person,
        clock=Clock(lambda: "2026-03-02T08:00:00.000+00:00", lambda: float(next(seconds))),
        register=Register(),
        choices={},
        overrule=None,
        started_at_s=0.0,
    )


class _Person:
    """Sits at the bench: answers when asked by the source, and sees what the run shows."""

    def __init__(self, answers: Sequence[str | tuple[float, str]]) -> None:
        self._say = scripted(answers)
        self._refusals = 0
        self.run: Run | None = None

    def __call__(self, prompt: Prompt) -> Answer | Command:
        if self.run is None:
            raise SourceError("a person was asked before the run began")
        return Answer(self._say(self.run, prompt)[1])

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        del prompt, findings
        self.run = run

    def refused(self, reason: str) -> None:
        self._refusals += 1
        if self._refusals > _PATIENCE:
            raise SourceError(f"{self._refusals} answers were refused, the last for: {reason}")

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        del event
        self.run = run

    def stopped(self, run: Run, finding: Finding) -> Command:
        del run
        return Acknowledge(finding.code)

    def paused(self, run: Run) -> None:
        self.run = run

    def overrule(self, reason: str) -> str | None:
        del reason
        return None


_PATIENCE = 20  # answers that are refused before the source is said not to fit


def _is_blamed(subject: Subject, feed: Feed) -> None:
    reason = "the reason of the conformance suite"
    with subject.never_raising("blame must not raise", "return SourceError(reason)"):
        blamed: object = feed.blame(reason)
    subject.require(
        good=isinstance(blamed, SourceError) and reason in str(blamed),
        rule="blame must give a SourceError that has the reason in it",
        found=f"{blamed!r}",
        mend="return SourceError(reason), with the place in front where it is known",
    )


def _closes(subject: Subject, feed: Feed) -> None:
    with subject.never_raising("close must not raise", "let go only of what is held"):
        feed.close()
    with subject.never_raising("close must do no harm a second time", "remember that it is closed"):
        feed.close()


def _refuses(subject: Subject, source: Source, argument: str) -> None:
    """A bad argument is taken, or refused as a source refuses."""
    rule = f"the argument {argument!r:.40} must be refused with a SourceError, or taken"
    with (
        contextlib.suppress(HoldzeroError),
        subject.never_raising(rule, "raise SourceError with what was found and what is expected", HoldzeroError),
    ):
        if source.open is not None:
            source.open(argument, _Person(())).close()
