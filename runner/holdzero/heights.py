"""How high the places of a part lie, and what a characteristic comes to where they do.

Places belong to several characteristics at once: a size and a variation of the same faces, a step that rises from a
place whose size is asked for. Heights are laid out so that all of them come to what is wanted of them as far as they
do not contradict one another, and the one whose truth is set does in any case.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from holdzero.characteristic import laid_um
from holdzero.contrast import contrast_weights
from holdzero.hooks import Apart, Contrast
from holdzero.model import Number, Term
from holdzero.result import Result
from holdzero.routine.schema import Characteristic, Measure, Selection

__all__ = ["Heights", "comes_to_um", "laid_um", "middle_um"]


def middle_um(spec: Characteristic) -> float:
    """What a characteristic is where its truth is nothing more [um]."""
    return 0.5 * (spec.lower + spec.upper) if spec.lower is not None and spec.upper is not None else 0.0


def comes_to_um(spec: Characteristic, heights: Mapping[str, Number], contrasts: Mapping[str, Contrast]) -> Number:
    """What a characteristic comes to, from the heights of its places [um].

    Args:
        spec: the characteristic.
        heights: of places, by name [um]; 0 where one is left out.
        contrasts: measures of plugins.
    """
    places = np.stack(np.broadcast_arrays(*(heights.get(place, 0.0) for place in spec.at)))
    if spec.measure in contrasts:
        weights = np.asarray(contrast_weights(contrasts[spec.measure], len(spec.at)))
        return np.asarray(np.tensordot(weights, places, axes=1))
    highest, lowest = places.max(axis=0), places.min(axis=0)
    if spec.measure is Measure.VARIATION:
        return np.asarray(highest - lowest)
    of_all = {Selection.MEAN: places.mean(axis=0), Selection.LARGEST: highest, Selection.SMALLEST: lowest}
    return np.asarray(of_all[spec.of] - _mean(heights, spec.base or ()))


def _level(heights: Mapping[str, Number], settled: set[str], spec: Characteristic) -> dict[str, Number]:
    """Places of a face of which a size settled some: the others lie level with those, its errors among them [um]."""
    known = [place for place in spec.at if place in settled]
    level = _mean(heights, known)
    return {place: level for place in spec.at if known and place not in settled}


def _mean(heights: Mapping[str, Number], places: Sequence[str]) -> Number:
    return sum((heights.get(place, 0.0) for place in places), start=0.0) / max(len(places), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heights:
    """Lays places out.

    Attributes:
        results: of the routine with ideal readings.
        of: name of the characteristic whose truth is set; empty for none.
        contrasts: measures of plugins.
        apart: by how much places lie apart, as checks know it.
    """

    results: Sequence[Result]
    of: str
    contrasts: Mapping[str, Contrast]
    apart: Sequence[Apart] = ()

    def laid_out(self, wanted_um: Callable[[Result], Number], apart_um: Callable[[Term], Number]) -> dict[str, Number]:
        """Heights with which the characteristics come to what is wanted [um]; a place that is left out lies at 0.

        Args:
            wanted_um: what a characteristic is to come to [um].
            apart_um: what the term of an `Apart` comes to [um].
        """
        heights = self._known_apart(apart_um)
        settled = set(heights)
        for result in sorted(self.results, key=self._turn):
            spec, own = result.spec, result.name == self.of
            if self._is_of_a_face(spec):
                heights |= _level(heights, settled, spec)
            if spec.measure is Measure.SIZE:
                size = wanted_um(result) + _mean(heights, spec.base or ())
                heights |= {place: size for place in spec.at if place not in settled}
            elif (
                spec.measure is Measure.STEP or own or (spec.measure in self.contrasts and settled.isdisjoint(spec.at))
            ):
                lacks = wanted_um(result) - comes_to_um(spec, heights, self.contrasts)
                self._mend(heights, settled, spec, lacks, own=own)
            else:
                continue
            settled.update(spec.at)
        return heights

    def raised_um(self, own: Characteristic, more_um: Number) -> dict[str, Number]:
        """By how much higher the places lie where the characteristic whose truth is set has so much more [um].

        Args:
            own: that characteristic.
            more_um: than it has, as the comparator shows it [um].
        """
        raised = {place: laid_um(own, place, more_um, self.contrasts) for place in own.places}
        if own.measure is not Measure.SIZE:
            return raised
        # A part that is larger at a place of a face is so at the others too, where no characteristic says another size.
        others = [result.spec for result in self.results if result.name != self.of]
        said = {place for spec in others if not self._is_of_a_face(spec) for place in spec.places}
        for spec in filter(self._is_of_a_face, others):
            raised |= {
                at: um for at, um in _level(raised, set(own.at), spec).items() if at not in said | set(own.places)
            }
        return raised

    def _is_of_a_face(self, spec: Characteristic) -> bool:
        """Whether a characteristic tells how the places of a face lie to one another, and of no size."""
        return spec.measure is Measure.VARIATION or spec.measure in self.contrasts

    def _known_apart(self, apart_um: Callable[[Term], Number]) -> dict[str, Number]:
        """Places that lie by a known amount from others, all of them no places of the one whose truth is set [um]."""
        parts = {place for result in self.results for place in result.spec.at}
        own = {place for result in self.results if result.name == self.of for place in result.spec.at}
        heights = dict[str, Number]()
        for known in self.apart:
            # Of a part nothing is known: what is told from it can't be laid before it.
            if known.place not in own and parts.isdisjoint(known.above):
                heights[known.place] = apart_um(known.term) + _mean(heights, known.above)
        return heights

    def _turn(self, result: Result) -> int:
        """Sizes come first, the one whose truth is set before the others; any other whose truth is set comes last."""
        own = result.name == self.of
        if result.spec.measure is Measure.SIZE:
            return 0 if own else 1
        return 3 if own else 2

    def _mend(
        self, heights: dict[str, Number], settled: set[str], spec: Characteristic, lacks: Number, *, own: bool
    ) -> None:
        """Lay places so that a characteristic comes to as much more as it lacks."""
        free = [place for place in spec.at if place not in settled]
        bare = [place for place in spec.base or () if place not in settled]
        if spec.measure is Measure.VARIATION:
            # About the mean of its places: what they are in the mean stays as it is.
            more = {place: lacks * ((place == spec.at[0]) - 1.0 / len(spec.at)) for place in spec.at}
        elif spec.measure is not Measure.STEP or (own and (spec.of is not Selection.MEAN or not (free or bare))):
            more = {place: laid_um(spec, place, lacks, self.contrasts) for place in spec.at}
        elif free:
            more = dict.fromkeys(free, lacks * (len(spec.at) / len(free) if spec.of is Selection.MEAN else 1.0))
        else:
            more = dict.fromkeys(bare, -lacks * (len(spec.base or ()) / max(len(bare), 1)))
        for place, height in more.items():
            heights[place] = heights.get(place, 0.0) + height
