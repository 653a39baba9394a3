"""Who is at the bench: a person at the terminal, or nobody, where the source brings all answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.console import Console

from holdzero import events as e
from holdzero.cli.lines import Lines
from holdzero.cli.terminal import Terminal
from holdzero.errors import SourceError, SourceExhaustedError
from holdzero.hooks import Answer, Command, Finding, Prompt, Source
from holdzero.run import Run
from holdzero.session import Face

__all__ = ["KEYBOARD", "Asker", "Onlooker", "face_for"]

Onlooker = Callable[[Run, Sequence[Finding]], None]
"""Is told what the checks say before each prompt of a run that nobody sits at."""


@dataclass(frozen=True, slots=True)
class _Keyboard:
    """An open keyboard: every prompt goes to the person at the face."""

    ask: Callable[[Prompt], Answer | Command]

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        """What the person types."""
        del now_s
        return self.ask(prompt)

    def blame(self, reason: str) -> SourceError:
        """A person is asked again instead; this is for the record only."""
        return SourceError(reason)

    def close(self) -> None:
        """Nothing is held."""


def _open(argument: str, ask: Callable[[Prompt], Answer | Command]) -> _Keyboard:
    if argument:
        raise SourceError(f"--source keyboard takes no argument, found {argument!r}")
    return _Keyboard(ask)


# The face itself: it is there when no plugin is.
KEYBOARD = Source(
    name="keyboard",
    title="a person types what the dial shows",
    open=_open,
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


class Asker:
    """Asks the person at the terminal, if somebody sits there."""

    def __init__(self, terminal: Terminal | None) -> None:
        self.terminal = terminal

    def __call__(self, prompt: Prompt) -> Answer | Command:
        """The answer to a prompt.

        Raises:
            SourceExhaustedError: nobody sits there.
        """
        if self.terminal is None:
            raise SourceExhaustedError(f"nobody sits at the terminal to answer “{prompt.title}”")
        return self.terminal.ask(prompt)

    def text(self, words: str) -> str:
        """What is typed after `words`; nothing where nobody sits there."""
        return self.terminal.line(words).strip() if self.terminal is not None else ""

    def clock(self, now_s: Callable[[], float]) -> None:
        """From now on a countdown follows this counter [s]."""
        if self.terminal is not None:
            self.terminal.now_s = now_s


def face_for(source: Source, console: Console, onlooker: Onlooker | None = None) -> tuple[Face, Asker]:
    """The face of a source, and what asks the person who sits at it."""
    if not source.interactive:
        return _Silent(onlooker), Asker(None)
    terminal = Terminal(console, Lines(), lambda: 0.0)
    return terminal, Asker(terminal)
