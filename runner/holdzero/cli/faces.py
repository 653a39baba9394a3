"""Who is at the bench: a person at the terminal, or nobody, where the source brings all answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeAlias

from rich.console import Console

from holdzero import events as e
from holdzero.cli.lines import Lines
from holdzero.cli.terminal import Terminal
from holdzero.errors import SourceError, SourceExhaustedError
from holdzero.hooks import Answer, Command, Finding, Prompt, Source
from holdzero.live import Meanwhile
from holdzero.run import Run
from holdzero.session import Face

__all__ = ["KEYBOARD", "Asker", "Asking", "FaceFor", "Onlooker", "face_for"]

Onlooker = Callable[[Run, Sequence[Finding]], None]
"""Is told what the checks say before each prompt of a run that nobody sits at."""


# The face itself: it is there when no plugin is, and nothing has to be opened.
KEYBOARD = Source(
    name="keyboard",
    title="a person types what the dial shows",
    interactive=True,
    keeps_time=False,
    simulated=False,
)


class _Silent:
    """The face of a source that nobody sits at: nothing is shown, and nobody can be asked."""

    def __init__(self, onlooker: Onlooker | None) -> None:
        self.onlooker = onlooker

    def show(self, run: Run, prompt: Prompt, findings: Sequence[Finding]) -> None:
        """Nobody looks, but for an onlooker."""
        del prompt
        if self.onlooker is not None:
            self.onlooker(run, findings)

    def refused(self, reason: str) -> None:
        """Nobody looks."""

    def taken(self, run: Run, event: e.AnyEvent) -> None:
        """Nobody looks."""

    def stopped(self, run: Run, finding: Finding) -> Command:
        """Nobody decides: the session does not ask where the source is not interactive."""
        del run
        raise SourceError(finding.text)

    def paused(self, run: Run) -> None:
        """Goes on at once."""

    def overrule(self, reason: str) -> str | None:
        """Nobody overrules."""
        del reason
        return None


class Asking(Protocol):
    """Asks the person at a face."""

    def __call__(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        """The answer to a prompt; meanwhile, instruments are listened to."""
        ...

    def text(self, words: str) -> str:
        """What is answered to a question that belongs to no step."""
        ...

    def clock(self, now_s: Callable[[], float], pace: Callable[[], float]) -> None:
        """From now on a countdown follows this counter [s], which goes so much faster than the machine's."""
        ...


FaceFor: TypeAlias = Callable[[Source, Console], tuple[Face, Asking]]
"""Gives the face of a source, and what asks the person who sits at it."""


class Asker:
    """Asks the person at the terminal, if somebody sits there."""

    def __init__(self, terminal: Terminal | None) -> None:
        self.terminal = terminal

    def __call__(self, prompt: Prompt, meanwhile: Meanwhile) -> Answer | Command:
        """The answer to a prompt; meanwhile, instruments are listened to.

        Raises:
            SourceExhaustedError: nobody sits there.
        """
        if self.terminal is None:
            raise SourceExhaustedError(f"nobody sits at the terminal to answer “{prompt.title}”")
        return self.terminal.ask(prompt, meanwhile)

    def text(self, words: str) -> str:
        """What is typed after `words`; nothing where nobody sits there."""
        return self.terminal.line(words).strip() if self.terminal is not None else ""

    def clock(self, now_s: Callable[[], float], pace: Callable[[], float]) -> None:
        """From now on a countdown follows this counter [s], which goes so much faster than the machine's."""
        if self.terminal is not None:
            self.terminal.now_s, self.terminal.pace = now_s, pace


def face_for(source: Source, console: Console, onlooker: Onlooker | None = None) -> tuple[Face, Asker]:
    """The face of a source, and what asks the person who sits at it."""
    if not source.interactive:
        return _Silent(onlooker), Asker(None)
    terminal = Terminal(console, Lines(), lambda: 0.0)
    return terminal, Asker(terminal)
