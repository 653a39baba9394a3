"""The run: what is asked now, and what follows from an answer. No clock, no file, no screen.

run = Run.of(events)
while (prompt := run.prompt) is not None:
run = run.take(event_that_answers(prompt))
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from holdzero.events import AnyEvent
from holdzero.run.fold import take
from holdzero.run.prompt import Prompt, prompt_of
from holdzero.run.row import longer
from holdzero.run.state import State

__all__ = ["Run"]


@dataclass(frozen=True)
class Run:
    """A run so far: its events, and the state that they fold to."""

    events: Sequence[AnyEvent] = ()
    state: State = field(default_factory=State)

    @classmethod
    def of(cls, events: Iterable[AnyEvent]) -> Run:
        """The run that these events make.

        Raises:
            EventRefusedError: one of them does not fit.
        """
        run = cls()
        for event in events:
            run = run.take(event)
        return run

    def take(self, event: AnyEvent) -> Run:
        """The run after one more event; this one stays as it is.

        Raises:
            EventRefusedError: the event does not fit.
        """
        return Run(events=longer(self.events, event), state=take(self.state, event))

    @cached_property
    def prompt(self) -> Prompt | None:
        """What is asked for now; None where the run is paused or over."""
        return prompt_of(self.state)
