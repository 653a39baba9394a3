"""Temperatures from what loggers wrote down, in place of a person's answer or a file's."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace

from holdzero.checks import told
from holdzero.errors import AnswerRefusedError, SourceError
from holdzero.hooks import Answer, Asks, Command, Feed, Log, Prompt

__all__ = ["LoggedFeed", "Logs"]


class Logs:
    """All logs of a run: the first that knows the thing answers.

    Args:
        logs: open, from plugins.
    """

    def __init__(self, logs: Sequence[Log]) -> None:
        self._logs = logs

    def answer(self, of: str, wall: str) -> Answer:
        """The temperature of a thing at a wall time.

        Raises:
            AnswerRefusedError: no log has it; the reason of each.
        """
        refused = []
        for log in self._logs:
            try:
                said: object = log.temperature(of, wall)
            except (AnswerRefusedError, SourceError) as error:
                refused.append(str(error))
            except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
                refused.append(f"its plugin failed ({told(error)}); type the temperature")
            else:
                if isinstance(said, Answer):
                    return said
                refused.append(f"{said!r:.200} is no answer; type the temperature")
        raise AnswerRefusedError("\n    ".join(refused))


class LoggedFeed:
    """A feed that nobody sits at, but for the temperatures, which loggers wrote down.

    Args:
        feed: open; is not asked for temperatures.
        logs: of the run.
        keeps_time: whether the feed's answers bring their own time, counted from the start of the run.
        starts: wall time of that start by the logs' argument; empty where it is that of the run.
        wall: the wall time now, for a feed that keeps no time.
    """

    def __init__(self, feed: Feed, logs: Logs, *, keeps_time: bool, starts: str, wall: Callable[[], str]) -> None:
        self._feed = feed
        self._logs = logs
        self._keeps_time = keeps_time
        self._starts = starts
        self._wall = wall
        self._untimed = False
        self._logged = False

    def begin(self, wall: str) -> None:
        """When the run began, by its own record."""
        self._starts = self._starts or wall

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        """The logs' answer where a temperature is asked for, else the feed's."""
        self._logged = prompt.asks is Asks.TEMPERATURE
        if self._logged:
            return replace(self._logs.answer(prompt.slot.of, self._moment(now_s)), time_s=None)
        said = self._feed.answer(prompt, now_s)
        if isinstance(said, Answer) and prompt.asks in (Asks.READING, Asks.ANSWER):
            self._untimed = said.time_s is None
        return said

    def _moment(self, now_s: float) -> str:
        if not self._keeps_time:
            return self._wall()
        if self._untimed:
            raise AnswerRefusedError(
                "the answer before this step has no time, so no row of a logger can be found for it; write the seconds "
                "since the start of the run beside each answer"
            )
        return (dt.datetime.fromisoformat(self._starts) + dt.timedelta(seconds=now_s)).isoformat()

    def blame(self, reason: str) -> SourceError:
        """The error to stop with: a log's own, where the last answer was one's."""
        return SourceError(reason) if self._logged else self._feed.blame(reason)

    def close(self) -> None:
        """Let go of the feed."""
        self._feed.close()
