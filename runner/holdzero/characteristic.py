"""What a characteristic is made of: which readings, and how much each of them counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from functools import reduce

import numpy as np

from holdzero.calling import told
from holdzero.contrast import contrast_weights
from holdzero.decide import Truth
from holdzero.hooks import CharacteristicView, Contrast, Finding, Number, RunView, mean
from holdzero.oversight import stop
from holdzero.routine.schema import Characteristic, Measure, Selection
from holdzero.run.kept import Reading
from holdzero.run.plan import SlotKind

__all__ = ["characteristic_of", "laid_um"]


def characteristic_of(
    view: RunView, name: str, spec: Characteristic, contrasts: Mapping[str, Contrast]
) -> tuple[CharacteristicView | None, list[Finding]]:
    """The characteristic's readings and weights; or what keeps it from having a number.

    Args:
        view: of the run.
        name: of the characteristic.
        spec: as in the routine.
        contrasts: measures that plugins declare, by name.
    """
    wanted = frozenset(spec.places)
    readings = [r for r in view.of_kind(SlotKind.READ) if r.slot.place in wanted]
    # At no force nothing is read: a check weighs the readings at all forces.
    if spec.force is not None and not spec.at_no_force:
        readings = [r for r in readings if r.slot.force_N == spec.force]
    read = {r.slot.place for r in readings}
    missing = [place for place in spec.places if place not in read]
    if missing:
        text = f"{name}: no reading at {', '.join(missing)}."
        return None, [stop("reading/missing", text, name)]
    forces = sorted({r.slot.force_N for r in readings if r.slot.force_N is not None})
    if len(forces) > 1 and not spec.at_no_force:
        text = f"{name}: readings at {', '.join(f'{f:g} N' for f in forces)} can't be put together; say which force."
        return None, [stop("reading/forces", text, name)]
    if any(not view.zeros(r.zero) for r in readings):
        return None, [stop("bracket/no-zero", f"{name}: a reading has no zero before it.", name)]
    try:
        of_place = _place_weights(view, spec, readings, contrasts)
    except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        said = told(error).removeprefix("ValueError: ")
        text = f"{name}: the measure {spec.measure} gives it no number: {said}."
        return None, [stop("measure/failed", text, name)]
    weights = _weights(spec, readings, of_place)
    return CharacteristicView(name=name, spec=spec, readings=tuple(readings), weights=weights), []


def laid_um(spec: Characteristic, place: str, more_um: Number, contrasts: Mapping[str, Contrast]) -> Number:
    """By how much a place lies higher where a characteristic is to have so much more [um].

    Args:
        spec: the characteristic.
        place: of the part.
        more_um: than it has.
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


def _weights(spec: Characteristic, readings: Sequence[Reading], of_place: Mapping[str, Number]) -> tuple[Number, ...]:
    """Weight of each reading in the measured difference: each place counts through its mean."""
    counts = Counter(str(r.slot.place) for r in readings)
    each = {place: of_place[place] / counts[place] for place in spec.places}
    return tuple(each[str(r.slot.place)] for r in readings)


def _place_weights(
    view: RunView, spec: Characteristic, readings: Sequence[Reading], contrasts: Mapping[str, Contrast]
) -> dict[str, Number]:
    if not isinstance(spec.measure, Measure):
        if spec.measure not in contrasts:
            raise ValueError("no plugin that is loaded declares it")
        return dict(zip(spec.at, contrast_weights(contrasts[spec.measure], len(spec.at)), strict=True))
    base: dict[str, Number] = dict.fromkeys(spec.base, -1.0 / len(spec.base)) if spec.base else {}
    base |= dict.fromkeys(spec.beside or (), 0.0)
    if spec.measure is not Measure.VARIATION and spec.of is Selection.MEAN:
        return dict.fromkeys(spec.at, 1.0 / len(spec.at)) | base
    differences: dict[str, list[Number]] = {place: [] for place in spec.at}
    for r in readings:
        if r.slot.place in differences:
            differences[str(r.slot.place)].append(view.difference_um(r))
    means = [mean(own) for own in differences.values()]
    # Where places are equal, the first counts as the highest and the last as the lowest: two places
    # still make a variation, with the uncertainty of both.
    highest = _first_equal(means, reduce(np.maximum, means))
    lowest = _first_equal(means[::-1], reduce(np.minimum, means))[::-1]
    if spec.measure is Measure.VARIATION:
        chosen = [high - low for high, low in zip(highest, lowest, strict=True)]
    else:
        chosen = highest if spec.of is Selection.LARGEST else lowest
    return dict(zip(spec.at, map(_plain, chosen), strict=True)) | base


def _first_equal(numbers: Sequence[Number], to: Number) -> list[Number]:
    """1 for the first number that is equal to another, 0 for the rest; run by run."""
    found: list[Number] = []
    before: Truth = False
    for number in numbers:
        equal = np.equal(number, to)
        found.append(np.greater(equal, before).astype(np.float64))
        before = np.logical_or(before, equal)
    return found


def _plain(number: Number) -> Number:
    return float(number) if np.ndim(number) == 0 else number
