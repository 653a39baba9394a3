"""A bench that knows the truth: what its comparator shows in each of many runs at once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from holdzero.contrast import contrast_weights
from holdzero.evaluate import Evaluation
from holdzero.expect import Ideal
from holdzero.hooks import Contrast
from holdzero.model import Number
from holdzero.rehearse.draws import Draws
from holdzero.rehearse.errors import Floats, drawn, known_reference, shift_um
from holdzero.rehearse.scenario import Hands, Scenario
from holdzero.routine.schema import Characteristic, Comparator, Measure
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["VirtualBench", "heat_um", "laid_um"]


def laid_um(spec: Characteristic, place: str, more_um: Number, contrasts: Mapping[str, Contrast]) -> Number:
    """By how much a place lies higher where a characteristic is to have so much more [um].

    Args:
        spec: the characteristic.
        place: of the part.
        more_um: than in the middle of its limits.
        contrasts: measures of plugins.
    """
    if place not in spec.at:
        return 0.0
    if spec.measure in contrasts:
        weights = contrast_weights(contrasts[spec.measure], len(spec.at))
        return more_um * weights[spec.at.index(place)] / sum(weight**2 for weight in weights)
    if spec.measure is Measure.VARIATION:
        return more_um if place == spec.at[0] else 0.0
    return more_um


class VirtualBench(Ideal):
    """Answers as a bench whose errors are those that the routine states, and what a scenario adds.

    The inputs of its model are drawn once a run; single readings scatter, and are rounded as the comparator shows them.

    Args:
        run: that has begun.
        ideal: evaluation of the routine with ideal readings.
        of: the characteristic whose truth is set.
        more_um: how much more than in the middle of its limits it is, one a run or one for all [um].
        scatter_um: standard deviation of a single reading [um].
        entries: devices of the register for what the routine only requires, by role.
        contrasts: measures of plugins.
        draws: generators by name.
        runs: how many.
        scenario: what else goes on; None for nothing.
    """

    def __init__(
        self,
        run: Run,
        *,
        ideal: Evaluation,
        of: Characteristic,
        more_um: Number,
        scatter_um: float,
        entries: Mapping[str, Mapping[str, Any]],
        contrasts: Mapping[str, Contrast],
        draws: Draws,
        runs: int,
        scenario: Scenario | None = None,
    ) -> None:
        super().__init__(run, 0.0, entries, contrasts)
        self._ideal = ideal
        self._of, self._more_um = of, more_um
        self._noise_um = scatter_um
        self._draws, self._runs = draws, runs
        self._true = dict(drawn(ideal, draws, runs))
        self._scenario = scenario
        if scenario is not None and scenario.reference_error is not None:
            self._true |= known_reference(ideal, scenario.reference_error, runs)
        self._shifts: dict[str, Floats | float] = {}
        self._touched_s: list[float] = []
        self._under = ""

    def reading_um(self, run: Run, slot: Slot) -> Number:
        """What the comparator shows, one a run [um]."""
        at_s = run.state.now_s + self.every_s
        again = sum(reading.slot.id == slot.id for reading in run.state.readings)
        noise = self._draws(f"reading {slot.id} {again}").normal(0.0, self._noise_um, self._runs)
        shown: Number = super().reading_um(run, slot) + noise
        if slot.kind is SlotKind.READ:
            place = str(slot.place)
            if place not in self._shifts:
                self._shifts[place] = shift_um(self._ideal, place, self._true)
            shown = shown + self._shifts[place] + laid_um(self._of, place, self._more_um, self.contrasts)
        if self._scenario is not None:
            shown = self._disturbed(self._scenario, run.state, slot, shown, at_s)
        self._under = f"{slot.kind} {slot.place}"
        comparator = run.state.comparator
        step = comparator.resolution if comparator is not None else 0.0
        shown = np.round(shown / step) * step if step else shown
        return self._misread(self._scenario, slot, shown, comparator) if self._scenario is not None else shown

    def _disturbed(self, scenario: Scenario, state: State, slot: Slot, shown: Number, at_s: float) -> Number:
        """What goes on at the bench besides [um]."""
        shown = shown + scenario.drift * at_s / 3600.0
        if slot.kind is not SlotKind.READ:
            return shown
        shown = shown + scenario.part.places.get(str(slot.place), 0.0)
        if scenario.hands is not None:
            if self._under != f"{slot.kind} {slot.place}":
                self._touched_s.append(at_s)
            shown = shown + heat_um(scenario.hands, state, self._touched_s, at_s)
        if scenario.dust is not None:
            generator = self._draws(f"dust {slot.id}")
            there = generator.random(self._runs) < scenario.dust.chance
            shown = shown + there * scenario.dust.size * generator.random(self._runs)
        return shown

    def _misread(self, scenario: Scenario, slot: Slot, shown: Number, comparator: Comparator | None) -> Number:
        """Whole turns and slips of who reads and writes [um]."""
        generator, runs = self._draws(f"slips {slot.id}"), self._runs
        if scenario.turns is not None and comparator is not None and comparator.turn is not None:
            off = generator.random(runs) < scenario.turns.chance
            side: Floats = np.where(generator.random(runs) < 0.5, -1.0, 1.0)  # noqa: PLR2004  either alike
            shown = shown + np.asarray(off * comparator.turn * side, dtype=np.float64)
        if scenario.slips is not None:
            written: Floats = np.broadcast_to(np.asarray(shown, dtype=np.float64), runs)
            written = np.where(generator.random(runs) < scenario.slips.sign, -written, written)
            factor = np.where(generator.random(runs) < 0.5, 0.1, 10.0)  # noqa: PLR2004  to either side alike
            return np.where(generator.random(runs) < scenario.slips.point, written * factor, written)
        return shown


def heat_um(hands: Hands, state: State, touched_s: Sequence[float], at_s: float) -> float:
    """By how much the part is longer for the heat of hands [um].

    Args:
        hands: how warm they are.
        state: of the run; the part was handled when a preparing step was confirmed last, or at the start.
        touched_s: when it was put under the tip [s].
        at_s: now [s].

    Source: a lumped body loses its heat as exp(−t/τ), any textbook of heat transfer (from memory).
    """
    laid_s = max((done.time_s for done in state.prepared), default=0.0)
    heat = hands.warms * math.exp(-(at_s - laid_s) / hands.fades_in)
    return heat + sum(hands.touch * math.exp(-(at_s - then_s) / hands.fades_in) for then_s in touched_s)
