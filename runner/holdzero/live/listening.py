"""What goes on while a person is waited for: instruments are heard, a soak is watched, an answer comes by itself."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from holdzero import events as e
from holdzero.errors import AnswerRefusedError, QuantityError, SourceError
from holdzero.hooks import Answer, Asks, Command, Instrument, Prompt, Said
from holdzero.live.glance import Glance, Meanwhile, Stand
from holdzero.live.line import Line
from holdzero.live.logged import Logs
from holdzero.live.taking import BY_ITSELF, LONGEST_S, Taker, Trace
from holdzero.outlook import Outlook, outlook_of
from holdzero.quantity import Dimension, parse_quantity
from holdzero.run import Run
from holdzero.run.answer import WATCHED, seen_value
from holdzero.run.commands import COMPARATOR, THERMOMETERS, Absent, LineIn, LineOut
from holdzero.run.plan import SlotKind
from holdzero.run.soaking import reading_step

__all__ = ["Ask", "Conducted", "Listening"]

_POINTS = 240.0
_SHORTEST_S = 1.0
_OUTLOOK_S = 1.0
# How often it is put on record at the most that what comes by itself can't be used.
_UNUSED_S = 10.0
_MOST_NOTED = 200  # unused presses that are each on record (common practice, no source)
# Of one look: each is put on disk, and whoever types meanwhile waits for it.
_NOTED_AT_ONCE = 4

_FROM_A_LOG = "accepting takes what the logger has of the moment when this was asked first"

Ask = Callable[[Prompt, Meanwhile], Answer | Command]
"""Asks the person at the face, who is waited for; meanwhile is looked at while it waits."""


class Conducted(Protocol):
    """The run that is listened for."""

    run: Run
    started_at_s: float

    def now_s(self) -> float:
        """The run's counter now [s]."""
        ...

    def parted(self) -> bool:
        """Whether wall clock and counter went apart since the last event."""
        ...

    def note(self, kind: type[Any], **fields: Any) -> e.AnyEvent:
        """Put something on record that answers nothing."""
        ...


class Listening:
    """An open feed: a person at the face, and instruments where there are any.

    Args:
        ask: asks the person.
        counter_s: of the machine [s]; the lines of instruments are stamped with it.
        comparator: the line of the comparator; None where readings are typed.
        thermometers: lines of thermometers.
        logs: what loggers wrote down; None where there are none.
        wall: the wall time now, ISO 8601 with its offset.
    """

    def __init__(
        self,
        ask: Ask,
        counter_s: Callable[[], float],
        comparator: Instrument | None = None,
        thermometers: Sequence[Instrument] = (),
        logs: Logs | None = None,
        wall: Callable[[], str] = str,
    ) -> None:
        self._ask = ask
        self._counter_s = counter_s
        self._comparator = Line(COMPARATOR, comparator, counter_s) if comparator is not None else None
        self._lines = [Line(THERMOMETERS, instrument, counter_s) for instrument in thermometers]
        if self._comparator is not None:
            self._lines.insert(0, self._comparator)
        self._taker = Taker(comparator.habits) if comparator is not None else None
        self._temperatures: dict[str, tuple[Said, float]] = {}
        self._channels: dict[str, Line] = {}
        self._wanted_s: float | None = None
        self._trace = Trace()
        self._why = ""
        self._seen_s: dict[str, float] = {}
        self._unused: dict[str, tuple[float, str]] = {}
        self._outlook: tuple[float, Outlook | None] = (-math.inf, None)
        self._run: Conducted | None = None
        self._shown_s = 0.0
        self._noted = self._noted_now = 0
        self._logs = logs
        self._wall = wall
        # The temperature that is asked for: its step, and when it was shown first, by both clocks.
        self._question: tuple[str, str, float] = ("", "", 0.0)

    def bind(self, run: Conducted) -> None:
        """The run that is listened for from now on; a line that it had lost when it was left is still lost to it."""
        self._run = run
        left = {event.of: event for event in run.run.events if isinstance(event, e.LineLost | e.LineBack)}
        for line in self._lines:
            event = left.pop(line.of, None)
            line.lost = event.why if isinstance(event, e.LineLost) else ""

    # --- the feed -----------------------------------------------------------------------------

    def answer(self, prompt: Prompt, now_s: float) -> Answer | Command:
        """What the person says, or an instrument in their place."""
        del now_s
        return self.asked(prompt)

    def asked(self, prompt: Prompt) -> Answer | Command:
        """The same, for a source of its own that asks a person."""
        self._wanted_s, self._why = None, ""
        # What was told of the last step says nothing of this one.
        self._outlook = (-math.inf, None)
        if self._taker is not None:
            self._taker.show(self._counter_s())
        self._shown_s = self._counter_s()
        if prompt.slot.id != self._question[0]:
            self._question = (prompt.slot.id, self._wall(), self._shown_s)
        return self._ask(prompt, self)

    def blame(self, reason: str) -> SourceError:
        """A person is asked again instead; this is for the record only."""
        return SourceError(reason)

    def close(self) -> None:
        """Let go of the instruments."""
        for line in self._lines:
            line.close()

    # --- while the person is waited for ---------------------------------------------------------

    def look(self, prompt: Prompt) -> Answer | Command | None:
        """Look at what arrived; an answer that came by itself ends the wait."""
        changed = self._changed()
        if changed is not None:
            return changed
        answer = self._hear(prompt)
        if answer is not None:
            return answer
        if prompt.asks is Asks.WAIT:
            now = self._bound.run.prompt or prompt
            return Answer("") if now.may_end(self._bound.now_s()) else None
        if self._taker is not None and prompt.asks is Asks.READING:
            return self._ready(self._taker)
        if prompt.asks is Asks.TEMPERATURE and self._wanted_s is not None:
            return self._temperature(prompt)
        return None

    def accept(self, prompt: Prompt) -> Answer | None:
        """The person accepts without typing; None where that answers nothing by itself, or a value is waited for.

        Raises:
            AnswerRefusedError: there is nothing to take.
        """
        came = self._hear(prompt)
        if came is not None:
            return came
        if prompt.asks is Asks.READING and self._taker is not None:
            self._fit()
            self._taker.accept(self._counter_s())
            return self._ready(self._taker)
        if prompt.asks is Asks.TEMPERATURE and prompt.slot.of in self._temperatures:
            self._wanted_s = self._counter_s()
            return self._temperature(prompt)
        if prompt.asks is Asks.TEMPERATURE and self._logs is not None:
            # Of the moment when it was asked first: the rows of then are there a little later.
            _, wall, shown_s = self._question
            return replace(self._logs.answer(prompt.slot.of, wall), time_s=self._run_s(shown_s))
        return Answer("")

    @property
    def glance(self) -> Glance | None:
        """What to show now; None where nothing is live."""
        prompt = self._run.run.prompt if self._run is not None else None
        outlook = self._of_soak(prompt) if prompt is not None and prompt.asks is Asks.WAIT else self._of_value(prompt)
        temperatures = {of: value for of, (_, value) in self._temperatures.items()}
        lost = next((f"{line.of}: {line.lost}" for line in self._lines if line.lost), "")
        if self._taker is None:
            logged = self._logs is not None and prompt is not None and prompt.asks is Asks.TEMPERATURE
            if not self._lines and outlook is None and not logged:
                return None
            stand = Stand.LOST if lost else Stand.STILL if temperatures else Stand.SILENT
            why = lost or self._why or (_FROM_A_LOG if logged and not temperatures else "")
            return Glance(stand=stand, why=why, temperatures=temperatures, outlook=outlook)
        newest = self._taker.value
        return Glance(
            stand=Stand.LOST if lost else self._taker.stand(self._counter_s()),
            answer=newest[0].answer or "" if newest else "",
            value_um=newest[1] if newest else None,
            line=newest[0].line if newest else "",
            why=lost or self._why,
            at_s=self._run_s(newest[0].at_s) if newest else 0.0,
            temperatures=temperatures,
            outlook=outlook,
            taking=self._taker.accepted_s is not None,
            trace=self._trace.since_lifted(0.0, self._taker.habits.still_within_um) if self._taker.streams else (),
        )

    # --- inside -------------------------------------------------------------------------------

    @property
    def _bound(self) -> Conducted:
        if self._run is None:
            raise SourceError("the instruments were listened to before the run began")
        return self._run

    def _run_s(self, at_s: float) -> float:
        return at_s - self._bound.started_at_s

    def _fit(self) -> None:
        fault = self._comparator.fault() if self._comparator is not None else ""
        if fault:
            raise AnswerRefusedError(f"the line to the indicator is out: {fault}; mend it, or type what the dial shows")

    def _changed(self) -> Absent | LineOut | LineIn | None:
        """A machine that slept, a clock that was set; a line that was lost, or is back."""
        if self._run is not None and self._run.parted():
            return Absent()
        for line in self._lines:
            if not line.changed():
                continue
            if not line.lost:
                return LineIn(line.of)
            if line is self._comparator and self._taker is not None:
                self._taker.forget()
            for of in [of for of, own in self._channels.items() if own is line]:
                # What was heard before says nothing of now.
                self._temperatures.pop(of, None)
            return LineOut(line.of, line.lost)
        return None

    def _hear(self, prompt: Prompt) -> Answer | None:
        """All that arrived, in the order of its arrival; the first line of a press that answers is the answer."""
        answer: Answer | None = None
        self._noted_now = 0
        if self._taker is not None and self._comparator is not None:
            self._taker.know(self._comparator.habits)
        came = [(line, said) for line in self._lines for said in line.lines()]
        for line, said in sorted(came, key=lambda one: one[1].at_s):
            if line is self._comparator and self._taker is not None:
                answer = self._heard(said, prompt, self._taker, answer)
            else:
                self._felt(said, prompt, line)
        return answer

    def _heard(self, said: Said, prompt: Prompt, taker: Taker, answer: Answer | None) -> Answer | None:
        """A line of the comparator."""
        value = self._length(said.answer)
        why = taker.hear(said, value)
        if value is not None:
            self._trace.add(self._run_s(said.at_s), value)
        if prompt.asks is Asks.WAIT and value is not None:
            self._observe(said, prompt)
        elif not why and not taker.streams:
            if answer is not None:
                why = "another line came at the same moment"
            elif prompt.asks is not Asks.READING:
                why = "no reading was asked for"
            elif said.answer is not None:
                taker.press(said)
                return self._answered(said)
        self._why = said.why or why
        if why and (taker.streams or why == BY_ITSELF):
            self._tell(COMPARATOR, said, why)
        elif why and self._noted < _MOST_NOTED and self._noted_now < _NOTED_AT_ONCE:
            self._noted += 1
            self._noted_now += 1
            self._bound.note(e.LineUnused, line=said.line, why=why)
        elif why:  # nobody presses a key so often for nothing: garbage must not fill the journal, nor the time
            self._tell(COMPARATOR, said, why)
        return answer

    def _length(self, answer: str | None) -> float | None:
        """What the comparator shows [um]; whatever is asked for now, a bare number is in its unit."""
        state = self._bound.run.state
        unit, division = (state.comparator.unit, state.comparator.division) if state.comparator else (None, None)
        return _value(answer, Dimension.LENGTH, bare_unit=unit or None, division_um=division, further=state.aliases)

    def _felt(self, said: Said, prompt: Prompt, line: Line) -> None:
        """A line of a thermometer."""
        value = _value(said.answer, Dimension.TEMPERATURE, bare_unit="degC")
        if value is None or said.of not in WATCHED:
            self._why = said.why or "it is of nothing that is watched"
            self._tell(THERMOMETERS, said, self._why)
            return
        self._temperatures[said.of], self._channels[said.of] = (said, value), line
        if prompt.asks is Asks.WAIT:
            self._observe(said, prompt)

    def _tell(self, of: str, said: Said, why: str) -> None:
        """Put on record that what comes by itself can't be used: now and then, and the same only once."""
        told = self._unused.get(of)
        if told is None or (said.at_s - told[0] >= _UNUSED_S and why != told[1]):
            self._unused[of] = (said.at_s, why)
            self._bound.note(e.LineUnused, line=said.line, why=why)

    def _observe(self, said: Said, prompt: Prompt) -> None:
        """Put what is seen during a soak on record, as often as is worth it; what can be no reading is left out."""
        apart = max(_SHORTEST_S, prompt.slot.at_least_s / _POINTS)
        if said.answer is None or said.at_s < self._shown_s or said.at_s - self._seen_s.get(said.of, -apart) < apart:
            return
        state = self._bound.run.state
        with contextlib.suppress(AnswerRefusedError):
            value = seen_value(said.answer, said.of, state.comparator, state.aliases)
            self._seen_s[said.of] = said.at_s
            # It may have waited, while something else was typed.
            at_s = max(self._run_s(said.at_s), state.now_s)
            self._bound.note(e.SoakObserved, time_s=at_s, slot=prompt.slot.id, of=said.of, raw=said.answer, value=value)

    def _ready(self, taker: Taker) -> Answer | None:
        """The accepted value, if it stands still."""
        said = taker.ready(self._counter_s())
        return self._answered(said) if said is not None else None

    def _answered(self, said: Said) -> Answer:
        return Answer(said.answer or "", self._run_s(said.at_s), said.line)

    def _temperature(self, prompt: Prompt) -> Answer | None:
        """The newest of the thermometer that is asked for, once it is newer than the step."""
        said, _ = self._temperatures[prompt.slot.of]
        if said.at_s >= self._shown_s:
            return self._answered(said)
        if self._wanted_s is not None and self._counter_s() - self._wanted_s > LONGEST_S:
            self._wanted_s = None
            raise AnswerRefusedError(f"nothing is heard of the {prompt.slot.of}; look at the thermometer, or type it")
        return None

    def _of_soak(self, prompt: Prompt) -> Outlook | None:
        """What holds the soak up, or what is watched at all."""
        limited = [outlook for outlook in prompt.outlooks if outlook.within]
        worst = max(limited, key=lambda outlook: outlook.bound / (outlook.within or 1.0), default=None)
        return worst or next(iter(prompt.outlooks), None)

    def _of_value(self, prompt: Prompt | None) -> Outlook | None:
        """How near the live value is to rest since the step was shown."""
        if self._taker is None or not self._taker.streams or prompt is None or prompt.asks is not Asks.READING:
            return None
        now_s = self._counter_s()
        if now_s - self._outlook[0] >= _OUTLOOK_S:
            points = self._trace.since_lifted(self._run_s(self._shown_s), self._taker.habits.still_within_um)
            soaks = (slot for slot in self._bound.run.state.slots if slot.kind is SlotKind.SOAK)
            within = next((slot.within_um for slot in soaks if slot.within_um is not None), None)
            times, values = [at for at, _ in points], [value for _, value in points]
            comparator = self._bound.run.state.comparator
            step = reading_step(values, comparator.resolution if comparator is not None else None)
            found = outlook_of(times, values, of="", unit="um", within=within, step=step)
            self._outlook = (now_s, found)
        return self._outlook[1]


def _value(
    answer: str | None,
    dimension: Dimension,
    *,
    bare_unit: str | None,
    division_um: float | None = None,
    further: Mapping[str, float] | None = None,
) -> float | None:
    """A line's value in the inside unit; None where it has none of this dimension."""
    if answer is None:
        return None
    try:
        return parse_quantity(answer, dimension, bare_unit=bare_unit, division_um=division_um, further=further).value
    except QuantityError:
        return None
