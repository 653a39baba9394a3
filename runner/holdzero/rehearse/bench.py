"""A bench that knows the truth: what its comparator shows in each of many runs at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from holdzero.contrast import contrast_weights
from holdzero.evaluate import Evaluation
from holdzero.expect import Ideal
from holdzero.hooks import Contrast
from holdzero.model import Number
from holdzero.rehearse.errors import Floats, drawn, shift_um
from holdzero.routine.schema import Characteristic, Measure
from holdzero.run import Run
from holdzero.run.plan import Slot, SlotKind

__all__ = ["VirtualBench", "laid_um"]


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
    """Answers as a bench whose errors are those that the routine states.

    The inputs of its model are drawn once a run; single readings scatter, and are rounded as the comparator shows them.

    Args:
        run: that has begun.
        ideal: evaluation of the routine with ideal readings.
        of: the characteristic whose truth is set.
        more_um: how much more than in the middle of its limits it is, one a run or one for all [um].
        scatter_um: standard deviation of a single reading [um].
        entries: devices of the register for what the routine only requires, by role.
        contrasts: measures of plugins.
        generator: of all draws.
        runs: how many.
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
        generator: np.random.Generator,
        runs: int,
    ) -> None:
        super().__init__(run, 0.0, entries, contrasts)
        self._ideal = ideal
        self._of, self._more_um = of, more_um
        self._noise_um = scatter_um
        self._generator, self._runs = generator, runs
        self._true = drawn(ideal, generator, runs)
        self._shifts: dict[str, Floats | float] = {}

    def reading_um(self, run: Run, slot: Slot) -> Number:
        """What the comparator shows, one a run [um]."""
        shown = super().reading_um(run, slot) + self._generator.normal(0.0, self._noise_um, self._runs)
        if slot.kind is SlotKind.READ:
            place = str(slot.place)
            if place not in self._shifts:
                self._shifts[place] = shift_um(self._ideal, place, self._true)
            shown = shown + self._shifts[place] + laid_um(self._of, place, self._more_um, self.contrasts)
        step = run.state.comparator.resolution if run.state.comparator is not None else 0.0
        return np.round(shown / step) * step if step else shown
