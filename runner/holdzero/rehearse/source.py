"""`--source virtual[:SCENARIO.toml]`: one run at a virtual bench, through the same session as at a real one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from holdzero import events as e
from holdzero.checks import Checks
from holdzero.errors import SourceError
from holdzero.expect import expect
from holdzero.heights import middle_um
from holdzero.hooks import Answer, Asks, Command, Measure, Prompt, Source
from holdzero.quantity import Dimension
from holdzero.rehearse.bench import VirtualBench
from holdzero.rehearse.debrief import debriefed
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.fitting import refuse_misfits
from holdzero.rehearse.scenario import Written, load_scenario
from holdzero.result import Evaluation
from holdzero.run import Run
from holdzero.run.plan import SlotKind
from holdzero.run.state import State

__all__ = ["VIRTUAL", "Conducted", "VirtualFeed", "bench_of", "ready"]


class Conducted(Protocol):
    """The run that is answered."""

    run: Run
    checks: Checks


class VirtualFeed:
    """An open virtual bench, which answers every prompt on a clock of its own.

    Args:
        written: what goes on; None for the errors that the routine states alone.
    """

    def __init__(self, written: Written | None) -> None:
        self._written = written
        self._run: Conducted | None = None
        self._bench: VirtualBench | None = None

    def bind(self, run: Conducted) -> None:
        """The run that is answered from now on."""
        self._run = run

    def answer(self, prompt: Prompt, now_s: float) -> Answer:
        """What the bench shows.

        Raises:
            SourceError: a device is to be named, which only a person can.
        """
        del now_s
        if self._run is None:
            raise SourceError("the virtual bench was asked before the run began")
        if prompt.asks is Asks.CHOICE:
            raise SourceError(f"a virtual bench names no {prompt.slot.of}; name it beforehand: --{prompt.slot.of}")
        if self._bench is None:
            self._bench = bench_of(self._run, self._written)
        event = self._bench.answer(self._run.run, prompt)
        return Answer(_text_of(event, prompt), event.time_s)

    def debrief(self) -> Sequence[str]:
        """What is told at the end: how near the result comes to the truth, and what was hidden."""
        if self._run is None or self._bench is None:
            return ()
        state = self._run.run.state
        return debriefed(self._run.run, self._run.checks, self._bench.hidden(state), sat=False)

    def blame(self, reason: str) -> SourceError:
        """What it showed can't be taken: its scenario has something that no bench shows."""
        return SourceError(f"the virtual bench: {reason}")

    def close(self) -> None:
        """Nothing is held."""


def ready(state: State) -> bool:
    """Whether all devices are known, so that a bench can be made."""
    return state.routine is not None and all(
        slot.of in state.devices for slot in state.slots if slot.kind is SlotKind.CHOOSE
    )


def bench_of(conducted: Conducted, written: Written | None) -> VirtualBench:
    """The virtual bench of a run that has begun.

    Args:
        conducted: the run.
        written: what goes on; None for the errors that the routine states alone.

    Raises:
        FileFaultsError: the scenario names what the routine has not.
        HoldzeroError: the routine has no end.
    """
    scenario = written.scenario if written is not None else None
    state, started = conducted.run.state, conducted.run.events[0]
    if not isinstance(started, e.RunStarted) or state.routine is None or state.comparator is None:
        raise SourceError("the virtual bench was asked before the run began")
    entries = {role: chosen.entry for role, chosen in state.devices.items()}
    temperatures = scenario.temperatures if scenario is not None else {}
    checks = conducted.checks
    ideal, _ = expect(started.routine, started.routine_digest, checks, entries=entries, temperatures=temperatures)
    if written is not None:
        refuse_misfits(written, conducted.run, ideal, checks, entries)
    specs = state.routine.characteristics
    of = next((name for name, spec in specs.items() if (spec.lower, spec.upper) != (None, None)), next(iter(specs)))
    more = (scenario.part.more or 0.0) if scenario is not None else 0.0
    scatter = scenario.scatter if scenario is not None else None
    return VirtualBench(
        conducted.run,
        ideal=ideal,
        of=of,
        more_um=more + _without_middle_um(ideal, of),
        scatter_um=scatter if scatter is not None else 0.5 * state.comparator.resolution,
        entries=entries,
        contrasts=checks.contrasts,
        # Of a run that goes on as well: part, reference and errors are what they were, and each reading has its name.
        draws=draws_of(scenario.seed if scenario is not None else 0, 1),
        runs=1,
        scenario=scenario,
        shows=checks.shows_um,
    )


def _without_middle_um(ideal: Evaluation, of: str) -> float:
    """How large a size is that has no middle to count from, where it is as large as the reference [um]."""
    result = next(result for result in ideal.results if result.name == of)
    whole = result.spec.measure is Measure.SIZE and result.spec.nominal is None
    if not whole or result.propagated is None:
        return 0.0
    return float(result.propagated.value_um) - middle_um(result.spec)


def _text_of(event: e.AnyEvent, prompt: Prompt) -> str:
    """The answer as a person would type it."""
    match event:
        case e.ReadingTaken():
            return f"{float(np.ravel(event.value_um)[0]):+.6f} um"
        case e.TemperatureRead():
            return event.raw
        case e.AnswerGiven():
            dimension = next((dimension for dimension in Dimension if dimension.title == prompt.slot.answer), None)
            return event.raw if dimension is None or isinstance(event.value, str) else f"{event.raw} {dimension.unit}"
        case _:
            return ""


def _open(argument: str, ask: Callable[[Prompt], Answer | Command]) -> VirtualFeed:
    del ask
    return VirtualFeed(load_scenario(Path(argument)) if argument else None)


VIRTUAL = Source(
    name="virtual",
    title="a virtual bench, with the errors that the routine states and what a scenario adds",
    open=_open,
    interactive=False,
    keeps_time=True,
    simulated=True,
)
"""A source of the core: it needs the run, which no plugin's source is given."""
