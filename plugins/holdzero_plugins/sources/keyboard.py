"""Keyboard: a person reads the dial and types what it shows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from holdzero.hooks import Answer, Command, Prompt, Source, SourceError, hookimpl


@dataclass(frozen=True, slots=True)
class Keyboard:
    """An open keyboard: every prompt goes to the person."""

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


def _open(argument: str, ask: Callable[[Prompt], Answer | Command]) -> Keyboard:
    if argument:
        raise SourceError(f"--source keyboard takes no argument, found {argument!r}")
    return Keyboard(ask)


@hookimpl
def holdzero_sources() -> Sequence[Source]:
    """The keyboard."""
    return [
        Source(
            name="keyboard",
            title="a person types what the dial shows",
            open=_open,
            interactive=True,
            keeps_time=False,
            simulated=False,
        )
    ]
