"""Wedge: an indicator that types its value as a keyboard would, by its key or a foot pedal.

`--source wedge` or `wedge:PROFILE.toml`. Whatever has the focus gets the keys, so it must be the terminal of the run.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from holdzero.hooks import Answer, Asks, Command, Feed, Prompt, Source, SourceError, Unused, hookimpl
from holdzero_plugins.sources._meaning import Meaning
from holdzero_plugins.sources._profile import Profile
from holdzero_plugins.sources._profile_file import load_profile

__all__ = ["Wedge", "holdzero_sources"]


class Wedge:
    """A person with an indicator that types.

    A text of the profile's form is the indicator's; any other is a person's, and goes on as typed.

    Args:
        profile: of the indicator's lines.
        ask: asks the person.
        counter_s: any clock that never goes back [s].
    """

    def __init__(
        self,
        profile: Profile,
        ask: Callable[[Prompt], Answer | Command],
        counter_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._profile = profile
        self._meaning = Meaning(profile)
        self._ask = ask
        self._counter_s = counter_s
        self._last = ""
        self._last_s = 0.0

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        """What was typed; the second typing of one press answers nothing, and is put on record."""
        del now_s
        said = self._ask(prompt)
        if not isinstance(said, Answer):
            return said
        if self._again(said.raw):
            return Unused(said.raw, "the same again within a moment counts as one")
        return self._understood(said, prompt)

    def _again(self, text: str) -> bool:
        """Whether a text is what the last press of the indicator sent, once more."""
        at_s = self._counter_s()
        again = bool(self._last) and text == self._last and at_s - self._last_s <= self._profile.double
        self._last_s = at_s
        self._last = text if self._meaning.of_line(text).matched else ""
        return again

    def _understood(self, said: Answer, prompt: Prompt) -> Answer:
        """The answer by the profile, where a value of its dimension is asked for."""
        if prompt.asks is not _ASKS[self._profile.dimension]:
            return said
        meant = self._meaning.of_line(said.raw)
        return said if meant.answer is None else Answer(meant.answer, said.time_s, said.raw)

    def blame(self, reason: str) -> SourceError:
        """Nobody but the person typed it."""
        return SourceError(reason)

    def close(self) -> None:
        """Nothing is held."""


_ASKS = {"length": Asks.READING, "temperature": Asks.TEMPERATURE}


def _open(argument: str, ask: Callable[[Prompt], Answer | Command]) -> Feed:
    profile = load_profile(argument)
    if profile.sends != "press":
        raise SourceError(f'{argument}: sends = "{profile.sends}", but what types like a keyboard can only "press"')
    return Wedge(profile, ask)


@hookimpl
def holdzero_sources() -> Sequence[Source]:
    """The indicator that types."""
    return [
        Source(
            name="wedge",
            title="an indicator or foot pedal that types like a keyboard",
            open=_open,
            interactive=True,
            keeps_time=False,
            simulated=False,
        )
    ]
