"""What a characteristic is made of: which readings, and how much each of them counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from holdzero.contrast import contrast_weights
from holdzero.hooks import CharacteristicView, Contrast, Finding, Number, RunView, mean, stack
from holdzero.oversight import stop
from holdzero.routine.schema import Characteristic, Measure, Selection
from holdzero.run.plan import SlotKind
from holdzero.run.state import Reading

__all__ = ["characteristic_of"]


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
    readings = [r for r in view.of_kind(SlotKind.READ) if r.slot.place in spec.places]
    if spec.force is not None:
        readings = [r for r in readings if r.slot.force_N == spec.force]
    missing = [place for place in spec.places if not any(r.slot.place == place for r in readings)]
    if missing:
        text = f"{name}: no reading at {', '.join(missing)}."
        return None, [stop("reading/missing", text, name)]
    forces = sorted({r.slot.force_N for r in readings if r.slot.force_N is not None})
    if len(forces) > 1:
        text = f"{name}: readings at {', '.join(f'{f:g} N' for f in forces)} can't be put together; say which force."
        return None, [stop("reading/forces", text, name)]
    if any(not view.zeros(r.zero) for r in readings):
        return None, [stop("bracket/no-zero", f"{name}: a reading has no zero before it.", name)]
    try:
        of_place = _place_weights(view, spec, readings, contrasts)
    except Exception as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        text = f"{name}: the measure {spec.measure} gives it no number: {error}."
        return None, [stop("measure/failed", text, name)]
    weights = _weights(spec, readings, of_place)
    return CharacteristicView(name=name, spec=spec, readings=tuple(readings), weights=weights), []


def _weights(spec: Characteristic, readings: Sequence[Reading], of_place: Mapping[str, Number]) -> tuple[Number, ...]:
    """Weight of each reading in the measured difference: each place counts through its mean."""
    counts = {place: sum(r.slot.place == place for r in readings) for place in spec.places}
    return tuple(of_place[str(r.slot.place)] / counts[str(r.slot.place)] for r in readings)


def _place_weights(
    view: RunView, spec: Characteristic, readings: Sequence[Reading], contrasts: Mapping[str, Contrast]
) -> dict[str, Number]:
    if not isinstance(spec.measure, Measure):
        if spec.measure not in contrasts:
            raise ValueError("no plugin that is loaded declares it")
        return dict(zip(spec.at, contrast_weights(contrasts[spec.measure], len(spec.at)), strict=True))
    base: dict[str, Number] = dict.fromkeys(spec.base, -1.0 / len(spec.base)) if spec.base else {}
    base |= dict.fromkeys(spec.beside or (), 0.0)
    if spec.measure is Measure.STEP or (spec.measure is Measure.SIZE and spec.of is Selection.MEAN):
        return dict.fromkeys(spec.at, 1.0 / len(spec.at)) | base
    means = stack([mean([view.difference_um(r) for r in readings if r.slot.place == place]) for place in spec.at])
    # Where places are equal, the first counts as the highest and the last as the lowest: two places
    # still make a variation, with the uncertainty of both.
    last = means.shape[-1] - 1 - means[..., ::-1].argmin(axis=-1)
    highest, lowest = _one_hot(means.argmax(axis=-1), means), _one_hot(np.asarray(last), means)
    chosen = {
        Measure.VARIATION: highest - lowest,
        Measure.SIZE: highest if spec.of is Selection.LARGEST else lowest,
    }[spec.measure]
    return {place: _plain(chosen[..., index]) for index, place in enumerate(spec.at)} | base


def _one_hot(index: NDArray[np.intp] | np.intp, like: NDArray[np.float64]) -> NDArray[np.float64]:
    hot: NDArray[np.float64] = (np.arange(like.shape[-1]) == np.asarray(index)[..., None]).astype(np.float64)
    return hot


def _plain(number: Number) -> Number:
    return float(number) if np.ndim(number) == 0 else number
