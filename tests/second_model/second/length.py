"""The value of a characteristic as a function of its inputs, referred to 20 °C (ISO 1).

l = [l_S·(1 + α_S·θ_S) + d]/(1 + α·θ): JCGM 100:2008, H.1.2 eq. (H.1), solved for l (eq. (H.2)). For a difference
within the part l_S is 0. What else is known of it is added outside: DEVELOPERS.md, "The measurement model".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Any

from second.bench import Bench
from second.estimates import Part, parts_of
from second.quantities import quantity
from second.weights import Weighed

# `plugins/README.md`, "Materials": expansion and half-width of its range [1e-6/K].
MATERIALS = {
    "aluminium": (23.1, 2.31),
    "brass": (20.0, 2.0),
    "invar": (1.4, 0.4),
    "steel": (11.5, 1.0),
    "tungsten carbide": (4.3, 0.5),
    "zirconia": (9.2, 0.92),
}

# Handbook values near 20 °C (from memory): density [kg/m³] and specific heat [J/(kg·K)].
HEAT = {
    "aluminium": (2700.0, 896.0),
    "brass": (8530.0, 380.0),
    "steel": (7850.0, 460.0),
    "tungsten carbide": (14900.0, 200.0),
    "zirconia": (6050.0, 481.0),
}
# Heat that still air and radiation take at least [W/(m²·K)]: common practice, from memory.
STILL_AIR = 5.0
BLOCK = ["35 mm", "9 mm"]  # ISO 3650:1998, cross-section above 10 mm (from memory)

Function = Callable[[Mapping[str, Any]], Any]


@dataclass(frozen=True)
class Measurand:
    """A value, as a function of inputs by their names [um], and those inputs."""

    inputs: dict[str, tuple[Part, ...]]
    function: Function


def measurand(routine: Mapping[str, Any], name: str, bench: Bench, seen: Weighed) -> Measurand:
    """The value without its scatter and drift."""
    spec = routine["characteristics"][name]
    inputs: dict[str, tuple[Part, ...]] = {}
    is_size = spec["measure"] == "size"
    lengths: Function = _unreferred
    if "thermal" in routine.get("checks", {}):
        inputs |= _thermal_inputs(routine, bench)
        lengths = _referred(inputs)
    size = nominal = 0.0
    if is_size:
        size, nominal = quantity(routine["reference"]["size"]), quantity(spec["nominal"])
        inputs["deviation of the reference"] = parts_of(routine["reference"]["deviation"])
    if "error" in routine["comparator"]:
        inputs["error of the comparator"] = parts_of(routine["comparator"]["error"])
    terms = [term for term in routine.get("terms", ()) if name in term.get("characteristics", [name])]
    inputs |= {f"term {term['name']}": parts_of(term) for term in terms}

    def value(x: Mapping[str, Any]) -> Any:
        grown, reference_grown = lengths(x)
        reference = size + x["deviation of the reference"] if is_size else 0.0
        length = (reference * (1.0 + reference_grown) + seen.difference) / (1.0 + grown) - nominal
        added = sum(x[f"term {term['name']}"] for term in terms)
        # What the comparator shows too much is taken off: JCGM 100:2008, 4.3, H.1.3.2 (d1, d2)
        return length + added - x.get("error of the comparator", 0.0)

    return Measurand(inputs, value)


def _unreferred(_: Mapping[str, Any]) -> tuple[float, float]:
    """Without `[checks.thermal]` everything is taken as it is at the bench."""
    return 0.0, 0.0


def _thermal_inputs(routine: Mapping[str, Any], bench: Bench) -> dict[str, tuple[Part, ...]]:
    """Temperatures and expansions, as far as the routine and its steps tell (`[checks.thermal]`)."""
    told = routine["checks"]["thermal"]
    inputs: dict[str, tuple[Part, ...]] = {}
    for body in ("part", "reference"):
        if body in bench.temperatures:
            inputs[f"shown temperature of the {body}"] = (_mean(bench.temperatures[body]),)
            inputs["error of the thermometer"] = parts_of(routine["thermometer"]["error"])
        elif f"{body}_temperature" in told:
            inputs[f"temperature of the {body}"] = parts_of(told[f"{body}_temperature"])
        material = routine[body].get("material") if body in routine else None
        if f"{body}_expansion" in told:
            inputs[f"expansion of the {body}"] = parts_of(told[f"{body}_expansion"])
        elif body == "reference" or "expansion_difference" not in told:
            value, halfwidth = MATERIALS[material or ""]
            raw = {"value": f"{value}e-6 1/K", "halfwidth": f"{halfwidth}e-6 1/K"}
            inputs[f"expansion of the {body}"] = parts_of(raw)
    if "difference" in told:
        inputs["difference of temperature"] = parts_of(told["difference"])
    if "brought_from" in told and bench.soaked is not None and {"part", "reference"} - set(bench.temperatures):
        constant = quantity(told["time_constant"]) if "time_constant" in told else _slowest(routine)
        # Newton's law of cooling; a rectangle of that half-width, JCGM 100:2008, 4.3.7 eq. (7)
        left = quantity(told["brought_from"]) / math.exp(bench.soaked / constant)
        inputs["left by the soak"] = (Part(0.0, left / math.sqrt(3.0), shape="rectangular", halfwidth=left),)
    if "expansion_difference" in told:
        inputs["difference of expansion"] = parts_of(told["expansion_difference"])
    return inputs


def _slowest(routine: Mapping[str, Any]) -> float:
    """The longest time constant of part and reference in still air [s]: a lumped body, heat over what its faces lose.

    Bergman and others, Fundamentals of Heat and Mass Transfer, 7th ed., 5.1 (from memory): ρVc/(hA); it stands, and no
    heat leaves through its foot.
    """
    nominal = (quantity(spec["nominal"]) for spec in routine["characteristics"].values() if "nominal" in spec)
    size = quantity(routine["reference"]["size"])
    bodies = (
        (routine["part"]["material"], max(size, *nominal), routine["part"].get("section", BLOCK)),
        (routine["reference"]["material"], size, BLOCK),
    )
    found = []
    for material, height_um, section in bodies:
        density, heat = HEAT[material]
        height, wide, deep = height_um / 1e6, quantity(section[0]) / 1e6, quantity(section[1]) / 1e6
        faces = wide * deep + 2.0 * wide * height + 2.0 * deep * height
        found.append(density * heat * (wide * deep * height) / (STILL_AIR * faces))
    return max(found)


def _mean(shown: list[float]) -> Part:
    """Mean of what a thermometer showed [degC] (JCGM 100:2008, 4.2.3 eq. (5)); of one reading there is no scatter."""
    if len(shown) == 1:
        return Part(shown[0])
    return Part(fmean(shown), stdev(shown) / math.sqrt(len(shown)), len(shown) - 1.0)


def _referred(inputs: Mapping[str, Any]) -> Function:
    """α·θ of the part and α_S·θ_S of the reference from their inputs; θ is a temperature less 20 °C (ISO 1)."""

    def above(x: Mapping[str, Any], body: str) -> Any:
        if f"shown temperature of the {body}" in x:
            return x[f"shown temperature of the {body}"] - x["error of the thermometer"] - 20.0
        return x[f"temperature of the {body}"] - 20.0

    def known(body: str) -> bool:
        return f"temperature of the {body}" in inputs or f"shown temperature of the {body}" in inputs

    stated = sum(part.value for part in inputs.get("difference of temperature", ()))

    def grown(x: Mapping[str, Any]) -> tuple[Any, Any]:
        apart = x.get("difference of temperature", 0.0)  # δθ = θ − θ_S, JCGM 100:2008, H.1.2
        apart = apart + x.get("left by the soak", 0.0)
        part = above(x, "part") if known("part") else above(x, "reference") + apart
        reference = above(x, "reference") if known("reference") else part - apart
        if known("part") and known("reference"):  # its uncertainty is added to theirs: `[checks.thermal]`, `difference`
            reference = reference - (apart - stated)
        own = x.get("expansion of the reference", 0.0)
        # δα = α − α_S, JCGM 100:2008, H.1.2
        expansion = x["expansion of the part"] if "expansion of the part" in x else own + x["difference of expansion"]
        return expansion * part, own * reference

    return grown
