"""How much each place counts in a characteristic, and how far its readings come to.

Source: `routines/README.md`, `[characteristics.NAME]`; DEVELOPERS.md, "The measurement model": the measured difference
is Σ weight · (reading − its zero), and each place counts through the mean of its readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import fmean
from typing import Any

from second.bench import Bench, Reading
from second.quantities import quantity


@dataclass(frozen=True)
class Weighed:
    """The measured difference of a characteristic.

    Attributes:
        readings: of the part, those that count.
        weights: one for each of them.
        difference: Σ weight · (reading − mean of its zero) [um].
        of_zero: by number of a zero, the sum of the weights under it.
        of_place: weight of each place.
        means: of the readings of each place, less their zeros [um].
    """

    readings: list[Reading]
    weights: list[float]
    difference: float
    of_zero: dict[int, float]
    of_place: dict[str, float]
    means: dict[str, float]


def listed(value: str | list[str] | None) -> list[str]:
    """Places as a list, be it one or several."""
    return [value] if isinstance(value, str) else list(value or ())


def zero_mean(bench: Bench, zero: int) -> float:
    """Mean of what was read when a zero was set [um] (JCGM 100:2008, 4.2.1 eq. (3))."""
    return fmean(item.value for item in bench.under(zero, "zero"))


def weighed(spec: Mapping[str, Any], bench: Bench) -> Weighed:
    """Readings and weights of a characteristic."""
    at, base = listed(spec["at"]), listed(spec.get("from"))
    force = quantity(spec["force"]) if "force" in spec else None
    readings = [item for item in bench.readings if item.kind == "read" and item.place in {*at, *base}]
    if force is not None:
        readings = [item for item in readings if item.force in (None, force)]
    above = {
        place: [item.value - zero_mean(bench, item.zero) for item in readings if item.place == place]
        for place in (*at, *base)
    }
    means = {place: fmean(values) for place, values in above.items()}
    of_place = _of_place(spec, at, base, means)
    weights = [of_place[item.place] / len(above[item.place]) for item in readings]
    of_zero = dict.fromkeys((item.zero for item in readings), 0.0)
    for item, weight in zip(readings, weights, strict=True):
        of_zero[item.zero] += weight
    difference = sum(of_place[place] * mean for place, mean in means.items())
    return Weighed(readings, weights, difference, of_zero, of_place, means)


def _of_place(spec: Mapping[str, Any], at: list[str], base: list[str], means: Mapping[str, float]) -> dict[str, float]:
    """Weight of each place."""
    highest, lowest = max(at, key=lambda place: means[place]), min(at, key=lambda place: means[place])
    weights = dict.fromkeys(means, 0.0)
    if spec["measure"] == "variation":
        weights[highest], weights[lowest] = 1.0, -1.0
    elif spec["measure"] == "step":
        weights |= dict.fromkeys(at, 1.0 / len(at)) | dict.fromkeys(base, -1.0 / len(base))
    elif spec.get("of", "mean") == "mean":
        weights |= dict.fromkeys(at, 1.0 / len(at))
    else:
        weights[highest if spec["of"] == "largest" else lowest] = 1.0
    return weights
