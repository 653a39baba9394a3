"""A bench that knows the truth: what its comparator shows in each of many runs at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from holdzero.contrast import contrast_weights
from holdzero.estimate import Estimate
from holdzero.evaluate import Evaluation, Result
from holdzero.expect import Ideal
from holdzero.hooks import Contrast
from holdzero.model import Number
from holdzero.rehearse.debrief import Hidden, Truth
from holdzero.rehearse.draws import Draws
from holdzero.rehearse.errors import REFERENCE, Floats, covering, drawn, drawn_of, inputs_of, known_reference, shift_um
from holdzero.rehearse.goings_on import GoingsOn, again
from holdzero.rehearse.scenario import Scenario, true_value
from holdzero.routine.schema import Characteristic, Measure, Selection
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["VirtualBench", "laid_um", "middle_um", "places_of"]

_BLOCK = "the check standard"


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
        of: name of the characteristic whose truth is set.
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
        of: str,
        more_um: Number,
        scatter_um: float,
        entries: Mapping[str, Mapping[str, Any]],
        contrasts: Mapping[str, Contrast],
        draws: Draws,
        runs: int,
        scenario: Scenario | None = None,
    ) -> None:
        super().__init__(run, 0.0, entries, contrasts, scenario.temperatures if scenario is not None else {})
        self._ideal = ideal
        own = next(result for result in ideal.results if result.name == of)
        self._name, self._of, self._more_um = of, own.spec, more_um
        self.noise_um = scatter_um
        self._draws, self._runs = draws, runs
        self._true = dict(drawn(ideal, draws, runs))
        self._scenario = scenario
        self._goings_on = GoingsOn(scenario, draws, runs) if scenario is not None else None
        if scenario is not None:
            units = {name: item.unit for name, item in inputs_of(ideal).items()}
            self._true |= {name: np.full(runs, true_value(text, units[name])) for name, text in scenario.true.items()}
            if scenario.reference_error is not None:
                self._true |= known_reference(ideal, scenario.reference_error, runs)
        self._shifts: dict[str, Floats | float] = {}
        # What differs within the part does not show in the places that its size is known of.
        self._within_um = missing_um(own) if own.spec.measure not in (Measure.SIZE, Measure.STEP) else 0.0

    def reading_um(self, run: Run, slot: Slot) -> Number:
        """What the comparator shows, one a run [um]."""
        return self.shown_um(run.state, slot, run.state.now_s + self.every_s)

    def shown_um(self, state: State, slot: Slot, at_s: float) -> Number:
        """What the comparator shows at a time, one a run [um].

        Args:
            state: of the run.
            slot: that is read.
            at_s: when [s].
        """
        shown = self._draws(f"reading {slot.id} {again(state, slot)}").normal(0.0, self.noise_um, self._runs)
        more: Number = self._ideal_um(state, slot)
        if slot.kind is SlotKind.READ:
            place = str(slot.place)
            if place not in self._shifts:
                shift = shift_um(self._ideal, place, self._true) + self._level_um(place)
                self._shifts[place] = shift + laid_um(self._of, place, self._more_um + self._within_um, self.contrasts)
            more = more + self._shifts[place] if more else self._shifts[place]
        elif slot.kind is SlotKind.CHECK and state.routine is not None and state.routine.check_standard is not None:
            if _BLOCK not in self._shifts:
                self._shifts[_BLOCK] = self._block_um(state.routine.check_standard.deviation)
            more = more + self._shifts[_BLOCK]
        if self._goings_on is not None:
            more = more + self._goings_on.more_um(state, slot, at_s)
        # In place: these are the longest arrays that there are.
        shown += more
        step = state.comparator.resolution if state.comparator is not None else 0.0
        if step:
            shown /= step
            np.rint(shown, out=shown)
            shown *= step
        return self._goings_on.misread_um(state, slot, shown) if self._goings_on is not None else shown

    def temperature_degC(self, state: State, of: str, at_s: float) -> float:  # noqa: N802  the unit's own capital
        """What a thermometer shows [degC]."""
        warmer = self._goings_on.warmer_K(state, of, at_s) if self._goings_on is not None else 0.0
        return super().temperature_degC(state, of, at_s) + warmer

    def soaking_um(self, state: State, at_s: float) -> Number:
        """What the comparator shows of a part that lies under it while it soaks [um].

        Args:
            state: of the run.
            at_s: when [s].
        """
        return self._goings_on.soaking_um(state, at_s) if self._goings_on is not None else 0.0

    def hidden(self, state: State) -> Hidden:
        """What only the bench knows, of one run."""
        dust = self._goings_on.dust_under(state) if self._goings_on is not None else ()
        told = self._scenario.hidden if self._scenario is not None else None
        return Hidden(truths=self.truths, told=told, dust=dust)

    def felt(self, state: State) -> tuple[str, ...]:
        """What a thermometer hangs on."""
        asked = [slot.of for slot in state.slots if slot.kind is SlotKind.TEMPERATURE]
        warm = self._goings_on is not None and self._goings_on.shown_warmth
        return tuple(dict.fromkeys((*asked, *self.temperatures, *(("part", "reference") if warm else ()))))

    @property
    def true_um(self) -> Number:
        """The characteristic whose truth is set, in truth [um]."""
        return self._true_um(self._of)

    @property
    def truths(self) -> tuple[Truth, ...]:
        """What is true of all characteristics, where there is one run."""
        return tuple(
            Truth(name=result.name, spec=result.spec, true_um=float(np.ravel(self._true_um(result.spec))[0]))
            for result in self._ideal.results
        )

    def _true_um(self, spec: Characteristic) -> Number:
        """A characteristic in truth, one a run or one for all [um]."""
        more = self._scenario.part.places if self._scenario is not None else {}
        laid = self._more_um + self._within_um
        levels = [laid_um(self._of, place, laid, self.contrasts) + more.get(place, 0.0) for place in spec.at]
        places = np.stack(np.broadcast_arrays(*levels))
        if spec.measure in self.contrasts:
            weights = np.asarray(contrast_weights(self.contrasts[spec.measure], len(spec.at)))
            return np.asarray(np.tensordot(weights, places, axes=1))
        highest, lowest = places.max(axis=0), places.min(axis=0)
        if spec.measure is Measure.VARIATION:
            return np.asarray(highest - lowest)
        of_all = {Selection.MEAN: places.mean(axis=0), Selection.LARGEST: highest, Selection.SMALLEST: lowest}
        base_um = float(np.mean([more.get(place, 0.0) for place in spec.base])) if spec.base else 0.0
        return np.asarray(of_all[spec.of] + middle_um(spec) - base_um)

    def _block_um(self, deviation: Estimate) -> Floats | float:
        """By how much more the check standard shows than its certificate and the reference's let expect [um]."""
        own = drawn_of("deviation of the check standard", deviation, self._draws, self._runs) - float(deviation.value)
        reference = inputs_of(self._ideal).get(REFERENCE)
        return own if reference is None else own + float(reference.estimate.value) - self._true[REFERENCE]

    def _level_um(self, place: str) -> float:
        """By how much higher a place lies than ideal readings have it, so that the corrections end at the truth."""
        result = covering(self._ideal, place)
        sizes = (Measure.SIZE, Measure.STEP)
        return missing_um(result) if result is not None and result.spec.measure in sizes else 0.0


def places_of(slots: Iterable[Slot]) -> tuple[str, ...]:
    """Where a part is read, each place once."""
    return tuple(dict.fromkeys(slot.place for slot in slots if slot.kind is SlotKind.READ and slot.place is not None))


def missing_um(result: Result) -> float:
    """What an ideal result lacks of the middle of its limits: corrections that its readings know nothing of [um]."""
    return middle_um(result.spec) - float(result.propagated.value_um) if result.propagated is not None else 0.0


def middle_um(spec: Characteristic) -> float:
    """What a characteristic is where its truth is nothing more [um]."""
    return 0.5 * (spec.lower + spec.upper) if spec.lower is not None and spec.upper is not None else 0.0
