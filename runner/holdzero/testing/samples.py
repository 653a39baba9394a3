"""Sample runs for a conformance suite: a routine that has a little of everything, and what befalls it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holdzero import events as e
from holdzero.hooks import Number
from holdzero.routine.load import LoadedRoutine
from holdzero.routine.schema import Ask, Read, walk
from holdzero.run import Run
from holdzero.run.plan import SlotKind
from holdzero.run.state import State
from holdzero.testing.draft import Draft
from holdzero.testing.drive import Answers, Say, driven, scripted
from holdzero.testing.virtual import Truth, say_of

__all__ = ["BATCH", "FULL", "TWO", "in_inches", "say_for", "side_by_side", "with_a_strike", "with_table", "worlds"]

_PLACES = [{"do": "read", "at": place} for place in ("a", "b", "c")]

FULL = (
    Draft()
    .with_table("routine", revision="A")
    .with_table("part", material="aluminium")
    .with_table("comparator", force="0.8 N", error={"halfwidth": "0.05 um"})
    .with_table("comparator.tip", material="tungsten carbide", radius="1.5 mm")
    .with_table("thermometer", error={"halfwidth": "0.1 K"})
    .with_table(
        "check_standard",
        name="Block 5.01 mm",
        size="5.01 mm",
        deviation={"value": "0.05 um", "standard": "0.03 um"},
        material="steel",
        limit="0.5 um",
    )
    .with_characteristic("tilt", measure="variation", at=["a", "b"], upper="2 um")
    .with_characteristic("step", measure="step", at="c", from_="b", lower="-2 um", upper="2 um")
    .with_characteristic("against", measure="size", at="c", from_="a", nominal="5 mm")
    .with_steps(
        {"do": "prepare", "name": "clean", "say": "Wipe plate, reference and part with a dry lint-free cloth."},
        {"do": "ask", "name": "finish", "choices": ["ground", "lapped"]},
        {"do": "ask", "name": "humidity", "answer": "number", "unit": "%"},
        {"do": "soak", "at_least": "10 min"},
        {"do": "temperature", "of": "part"},
        {"do": "temperature", "of": "reference"},
        {"do": "temperature", "of": "air"},
        {"do": "zero", "times": 3},
        {"do": "check", "times": 2},
        {"do": "repeat", "times": 4, "steps": _PLACES},
        {"do": "return", "times": 2},
        {"do": "zero", "times": 2},
        {"do": "repeat", "times": 2, "steps": _PLACES},
        {"do": "return"},
        {"do": "temperature", "of": "part"},
        {"do": "compare"},
    )
)
"""Sizes, a variation and a step at three places; two zeros with returns; temperatures; a check standard; questions."""

BATCH = FULL.with_steps(
    {"do": "prepare", "name": "clean", "say": "Wipe plate, reference and parts with a dry lint-free cloth."},
    {"do": "soak", "at_least": "10 min"},
    {"do": "temperature", "of": "reference"},
    {"do": "zero", "times": 2},
    {"do": "check"},
    {"do": "repeat", "over": "parts", "steps": [{"do": "temperature", "of": "part"}, *_PLACES, *_PLACES]},
    {"do": "return"},
    {"do": "compare"},
)
"""The same characteristics of several parts after one zero."""

TWO = ("1", "2")
"""Serials of a batch."""

_TRUTH = Truth(
    deviations_um={"a": 0.6, "b": 0.2, "c": -0.4},
    scatter_um=0.12,
    drift_um_per_h=1.5,
    temperatures_degC={"part": 20.6, "reference": 20.4, "air": 20.5},
)


def with_table(routine: str | Path | Draft | None, name: str, settings: Mapping[str, Any] | None) -> Path | Draft:
    """The routine of a sample run, with the table `[checks.NAME]` where it has none; a file stays as it is."""
    if isinstance(routine, Path):
        return routine
    draft = FULL if routine is None else Draft.of(routine) if isinstance(routine, str) else routine
    return draft.with_check(name, **(settings or {}))


def say_for(loaded: LoadedRoutine, answers: Answers | None) -> Say:
    """The answers of a sample run: those given, or virtual ones about the nominals."""
    if answers is not None:
        return scripted(answers)
    steps = list(walk(loaded.routine.steps))
    known = {**dict.fromkeys((step.at for step in steps if isinstance(step, Read)), 0.3), **_TRUTH.deviations_um}
    told = {step.name: _answer_to(step) for step in steps if isinstance(step, Ask) and not step.choices}
    return say_of(replace(_TRUTH, deviations_um=known, answers=told), seed=1)


def _answer_to(question: Ask) -> str:
    """An answer that a question takes."""
    if question.dimension is None:
        return "as usual" if question.answer == "text" else "1"
    number = "20" if question.answer == "temperature" else "1"
    return f"{number} {question.unit or next(iter(question.dimension.spellings))}"


def with_a_strike(run: Run, say: Say) -> Iterator[Run]:
    """The run as it stands now and after each answer; the second reading of the part is struck out and read again."""
    for now in driven(run, say):
        yield now
        read = [reading for reading in now.state.live if reading.kind is SlotKind.READ]
        if len(read) == _STRUCK:
            yield from driven(now.take(_struck(now, read[-1].seq)), say)
            return


def _struck(run: Run, target: int) -> e.AnswerStruck:
    state = run.state
    return e.AnswerStruck(seq=state.seq + 1, wall=state.wall, time_s=state.now_s, target=target, reason="mistyped")


_STRUCK = 2  # a reading of it stands before, and others come after


def in_inches(run: Run) -> list[tuple[float, str]]:
    """The answers of a run, every reading in inches."""
    said: list[tuple[float, str]] = []
    for event in run.events:
        match event:
            case e.ReadingTaken():
                # A millionth of a millionth of an inch is below what a float of micrometres keeps of a dial.
                said.append((event.time_s, f"{float(event.value_um) / _UM_PER_INCH:.15f} in"))
            case e.TemperatureRead() | e.AnswerGiven():
                said.append((event.time_s, event.raw))
            case e.EntryChosen():
                said.append((event.time_s, str(event.entry["id"])))
            case _:
                pass
    return said


_UM_PER_INCH = 25400.0  # exactly; ISO 31-1


def worlds(state: State, resolution_um: float) -> list[State]:
    """The same run as it might have gone: alike, scattered, with a drift, an outlier, a stuck dial.

    Args:
        state: at the end of a run.
        resolution_um: of its comparator [um].
    """
    count = len(state.readings)
    step, generator = resolution_um or 0.1, np.random.default_rng(7)
    part = [index for index, r in enumerate(state.readings) if r.kind is SlotKind.READ]
    outlier, late = np.zeros(count), np.zeros(count)
    if part:
        outlier[part[len(part) // 2]] = 60.0 * step
        late[part] = 25.0 * np.exp(-np.arange(len(part)) / max(len(part) / 4.0, 1.0)) * step
    read = np.array([float(r.value_um) for r in state.readings])
    ramp = np.linspace(0.0, 1.0, max(count, 2))[:count]
    moved = [
        np.zeros(count),
        np.rint(generator.normal(0.0, 1.0, count)) * step,
        generator.normal(0.0, 6.0, count) * step,
        outlier + generator.normal(0.0, 0.5, count) * step,
        30.0 * step * ramp,
        late + generator.normal(0.0, 0.3, count) * step,
        -read,
    ]
    warmer = generator.normal(0.0, 0.15, (len(moved), len(state.temperatures)))
    warmer[0] = 0.0
    return [_moved(state, by, degrees) for by, degrees in zip(moved, warmer, strict=True)]


def _moved(state: State, by_um: NDArray[np.float64], by_K: NDArray[np.float64]) -> State:  # noqa: N803  the unit's own capital
    readings = tuple(
        replace(r, value_um=float(r.value_um) + float(d)) for r, d in zip(state.readings, by_um, strict=True)
    )
    temperatures = tuple(
        replace(t, value_degC=float(t.value_degC) + float(d)) for t, d in zip(state.temperatures, by_K, strict=True)
    )
    return replace(state, readings=readings, temperatures=temperatures)


def side_by_side(states: Sequence[State]) -> State:
    """Runs of the same plan as one whose readings and temperatures are arrays with a leading axis of runs."""
    first = states[0]

    def stacked(values: Sequence[Number]) -> Number:
        return np.array([float(value) for value in values])

    readings = tuple(
        replace(r, value_um=stacked([state.readings[index].value_um for state in states]))
        for index, r in enumerate(first.readings)
    )
    temperatures = tuple(
        replace(t, value_degC=stacked([state.temperatures[index].value_degC for state in states]))
        for index, t in enumerate(first.temperatures)
    )
    return replace(first, readings=readings, temperatures=temperatures)
