"""`--source practice:SCENARIO.toml`: a virtual bench that a person sits at, to learn a routine without a part.

The indicator and the thermometers of the scenario send lines as real ones do, so that the run, the faces and the
record are those of a real bench. The tip lifts and lowers by itself when the next reading is asked for. Of a soak
or a pause, a minute passes in a second.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Protocol

import numpy as np

from holdzero.errors import SourceError
from holdzero.hooks import Asks, Habits, Prompt, Said, Sends, Source
from holdzero.quantity import Number
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.debrief import Hidden, debriefed, written_for_another
from holdzero.rehearse.goings_on import lift_of
from holdzero.rehearse.scenario import Scenario, load_scenario
from holdzero.rehearse.source import Conducted, bench_of, ready
from holdzero.run.plan import SlotKind
from holdzero.run.state import Phase, State

__all__ = ["PRACTICE", "Hurried", "Practice", "greeting"]

HURRY = 60.0
"""How much faster a soak or a pause goes by than at a bench."""
_EVERY_S = 0.1
_MOST_LINES = 20
_LIFTED_S, _LOWERS_S = 0.8, 0.15
_LIFTED_SHARE = 0.4  # of the comparator's travel
_SWAY, _SWAYS = 0.2, 9.0
_STILL_LINES = 5
_FLICKER = 0.1  # of the scatter from lift to lift: what moves while the tip rests


_AT_A_TERMINAL = "The letters: d prepared again, s strike out, z give the zero up, p pause, ? help."


def greeting(scenario: Scenario | None) -> tuple[str, ...]:
    """What a person has to know before the first step, at whatever face.

    Args:
        scenario: what goes on; None for no more than the routine states.
    """
    what = scenario.title if scenario is not None else "no errors but those that the routine states"
    wrong = "Something may be wrong. What it was is told at the end." if scenario is not None else ""
    return (
        f"PRACTICE at a virtual bench: {what}. No part is measured.",
        f"The indicator sends; the tip lifts and lowers by itself. A soak or a pause takes 1/{HURRY:.0f} of its time.",
        f"Whatever you would do by hand, say it, and it is done. {wrong}".rstrip(),
    )


class Begun(Conducted, Protocol):
    """The run that is practised."""

    started_at_s: float


class Hurried:
    """A counter [s] that goes as another, or faster; it never goes back.

    Args:
        counter_s: the other one.

    Attributes:
        rate: gives how much faster it goes now; it has gone so since the counter was looked at last.
    """

    def __init__(self, counter_s: Callable[[], float]) -> None:
        self.rate: Callable[[], float] = lambda: 1.0
        self._counter_s = counter_s
        self._then_s, self._at_s = counter_s(), 0.0
        self._alone = threading.Lock()

    def __call__(self) -> float:
        """The counter now [s]."""
        with self._alone:
            now_s = self._counter_s()
            self._at_s, self._then_s = self._at_s + (now_s - self._then_s) * self.rate(), now_s
            return self._at_s


class Practice:
    """A bench to practise at.

    Args:
        argument: file of the scenario; empty for the errors that the routine states alone.
        counter_s: of the run; hurried while a soak goes on.

    Attributes:
        indicator: its comparator.
        thermometers: its thermometers.

    Raises:
        FileFaultsError: the scenario has faults.
    """

    def __init__(self, argument: str, counter_s: Hurried) -> None:
        self._written = load_scenario(Path(argument)) if argument else None
        self._counter_s = counter_s
        counter_s.rate = self.pace
        self._hurries = (-1, 1.0)
        self._conducted: Begun | None = None
        self._bench: VirtualBench | None = None
        self.indicator = _Indicator(self)
        self.thermometers = _Thermometers(self)

    def bind(self, run: Begun) -> None:
        """The run that is practised from now on."""
        self._conducted, self._bench = run, None
        if self._written is not None and ready(run.run.state):
            # Whoever takes a scenario of another routine learns it now, and not in the midst of it.
            self._bench = bench_of(run, self._written)

    @property
    def greeting(self) -> Sequence[str]:
        """What a person at a terminal has to know before the first step."""
        return (*greeting(self._written.scenario if self._written is not None else None), _AT_A_TERMINAL)

    @property
    def warnings(self) -> Sequence[str]:
        """What a person has to know once the routine is known."""
        state = self._conducted.run.state if self._conducted is not None else None
        words = written_for_another(self._written.scenario.written_for, state) if self._written and state else ""
        return (words,) if words else ()

    def debrief(self) -> Sequence[str]:
        """What is told at the end: what was hidden, and how near the result comes to the truth."""
        if self._conducted is None:
            return ()
        run, checks = self._conducted.run, self._conducted.checks
        state = run.state
        if not ready(state):  # given up before it was known what lies there
            one = self._written.scenario if self._written is not None else None
            told, part = (one.hidden, one.written_for) if one is not None else (None, "")
            return debriefed(run, checks, Hidden(truths=(), told=told, written_for=part), sat=True)
        # Where all was typed, nothing was asked of the bench.
        bench = self._bench or bench_of(self._conducted, self._written)
        return debriefed(run, checks, bench.hidden(state), sat=True)

    @property
    def now_s(self) -> float:
        """The counter [s]."""
        return self._counter_s()

    def asked(self) -> tuple[VirtualBench, State, Prompt] | None:
        """The bench, the run's state, and what is asked; None where nothing can be shown yet."""
        if self._conducted is None:
            return None
        run = self._conducted.run
        prompt = run.prompt
        if prompt is None or not ready(run.state):
            return None
        if self._bench is None:
            self._bench = bench_of(self._conducted, self._written)
        return self._bench, run.state, prompt

    def pace(self) -> float:
        """How much faster than at a bench time goes now: nobody learns by waiting."""
        run = self._conducted.run if self._conducted is not None else None
        if run is None:
            return 1.0
        if self._hurries[0] != run.state.seq:
            prompt = run.prompt
            waits = run.state.phase is Phase.PAUSED or (prompt is not None and prompt.asks is Asks.WAIT)
            self._hurries = (run.state.seq, HURRY if waits else 1.0)
        return self._hurries[1]

    def run_s(self, at_s: float) -> float:
        """A moment of the counter on the run's own [s]."""
        if self._conducted is None:
            raise SourceError("the practice bench was asked before the run began")
        return at_s - self._conducted.started_at_s


class _Sending:
    """An instrument that sends by itself."""

    habits = Habits(sends=Sends.STREAM)

    def __init__(self, practice: Practice, every_s: float) -> None:
        self._practice = practice
        self._every_s = every_s
        self._next_s = practice.now_s

    def moments(self) -> list[float]:
        """When it sent since the last call [s]; of many the last."""
        now_s = self._practice.now_s
        count = math.floor((now_s - self._next_s) / self._every_s) + 1
        if count < 1:
            return []
        last_s = self._next_s + (count - 1) * self._every_s
        self._next_s = last_s + self._every_s
        return [last_s - index * self._every_s for index in reversed(range(min(count, _MOST_LINES)))]

    def request(self) -> None:
        """It sends by itself."""

    def fault(self) -> str:
        """It is never lost."""
        return ""

    def close(self) -> None:
        """Nothing is held."""


class _Indicator(_Sending):
    """The comparator."""

    def __init__(self, practice: Practice) -> None:
        super().__init__(practice, _EVERY_S)
        self._under = ""
        self._since_s = -math.inf
        self._value_um = 0.0
        self._flicker = np.random.default_rng(0)

    def lines(self) -> Sequence[Said]:
        """All that it sent since the last call."""
        moments = self.moments()
        asked = self._practice.asked() if moments else None
        if asked is None:
            return ()
        bench, state, prompt = asked
        taken_for = bench.taken_for(state)
        step = taken_for * (state.comparator.resolution if state.comparator is not None else 0.0)
        flicker = taken_for * _FLICKER * bench.noise_um
        self.habits = Habits(
            sends=Sends.STREAM, still_number=_STILL_LINES, still_within_um=max(step, 6.0 * flicker), silent_s=0.0
        )
        return [self._said(bench, state, prompt, at_s, flicker) for at_s in moments]

    def _said(self, bench: VirtualBench, state: State, prompt: Prompt, at_s: float, flicker_um: float) -> Said:
        slot, at_run_s, taken_for = prompt.slot, self._practice.run_s(at_s), bench.taken_for(state)
        if slot.kind is SlotKind.SOAK:
            self._value_um = taken_for * _one(bench.soaking_um(state, at_run_s))
        elif slot.kind.is_reading:
            under = lift_of(state, slot)
            if self._under != under:
                self._under, self._since_s = under, at_s
            self._value_um = _one(bench.shown_um(state, slot, at_run_s))
        value = self._value_um + taken_for * self._lifted_um(state, at_s) + flicker_um * float(self._flicker.normal())
        step = taken_for * (state.comparator.resolution if state.comparator is not None else 0.0)
        value = round(value / step) * step if step else value
        # A display whose unit is forgotten sends none.
        line = f"{value:+.{_decimals(step)}f}" + (" um" if taken_for == 1.0 else "")
        return Said(at_s=at_s, line=line, answer=line)

    def _lifted_um(self, state: State, at_s: float) -> float:
        """By how much more it shows while the tip is lifted and lowered [um]."""
        travel = state.comparator.travel if state.comparator is not None else None
        height, since_s = _LIFTED_SHARE * (travel or 50.0), at_s - self._since_s
        if since_s < _LIFTED_S:
            return height * (1.0 + _SWAY * math.sin(_SWAYS * since_s))  # no hand holds it still
        return height * math.exp(-(since_s - _LIFTED_S) / _LOWERS_S)


class _Thermometers(_Sending):
    """Thermometers on all that the routine or the scenario names."""

    def __init__(self, practice: Practice) -> None:
        super().__init__(practice, 1.0)

    def lines(self) -> Sequence[Said]:
        """All that they sent since the last call."""
        moments = self.moments()[-1:]
        asked = self._practice.asked() if moments else None
        if asked is None:
            return ()
        bench, state, _ = asked
        return [self._said(bench, state, of, at_s) for at_s in moments for of in bench.felt(state)]

    def _said(self, bench: VirtualBench, state: State, of: str, at_s: float) -> Said:
        shown = bench.temperature_degC(state, of, self._practice.run_s(at_s))
        return Said(at_s=at_s, line=f"{of} {shown:.2f}", answer=f"{shown:.2f} degC", of=of)


def _decimals(step_um: float) -> int:
    """As many as the comparator shows; four where it does not say."""
    exponent = Decimal(repr(step_um)).normalize().as_tuple().exponent if step_um else -4
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _one(number: Number) -> float:
    return float(np.ravel(number)[0])


PRACTICE = Source(
    name="practice",
    title="a virtual bench to sit at and learn a routine, with what a scenario hides",
    interactive=True,
    keeps_time=False,
    simulated=True,
)
"""A source of the core: it needs the run, which no plugin's source is given."""
