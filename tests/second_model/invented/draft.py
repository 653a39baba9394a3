"""Routines that are being written: what every invented one begins as, and the pieces that it is made of."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

Table = dict[str, Any]

# Of the comparator: smallest step and unit of what is read off it.
STEPS_MM = (("0.001", "um"), ("0.01", "um"), ("0.02", "um"), ("2", "nm"))
UNIT_UM = {"um": 1.0, "nm": 1e-3, "uin": 0.0254, "in": 25400.0}


@dataclass
class Draft:
    """A routine that is being written.

    Attributes:
        rng: what is drawn with.
        routine: its tables.
        scatter: of a single reading [um].
        drift: of the zero over the run [um]; where it is 0 no closure may be larger than chance makes it.
        limits: which limits a characteristic has: `both`, `lower`, `upper`, `narrow` or `met`; any where empty.
        closes: whether the bracket closes.
        begins: after which time about the first answer comes [s].
    """

    rng: random.Random
    routine: Table = field(default_factory=dict)
    scatter: float = 0.05
    drift: float = 0.0
    limits: str = ""
    closes: bool = True
    begins: float = 60.0


def begun(rng: random.Random) -> Draft:
    """A routine in millimetres, part and reference alike in size, at a few places near 20 °C."""
    size = rng.choice((3, 5, 8, 12, 20, 25, 40, 50, 75, 100))
    number, unit = rng.choice(STEPS_MM)
    places = list("abcd"[: rng.randint(1, 4)])
    materials = [rng.choice(("steel", "steel", "zirconia", "tungsten carbide")) for _ in range(2)]
    draft = Draft(rng, scatter=float(number) * UNIT_UM[unit] * rng.uniform(4.0, 20.0))
    draft.routine = {
        "format": 1,
        "routine": {"title": "Invented, from a seed", "part": f"SM-{size}", "units": "mm"},
        "reference": {
            "size": f"{size} mm",
            "deviation": estimate(rng, round(rng.uniform(-0.3, 0.3), 3), 0.03, "um"),
            "material": materials[0],
        },
        "part": {"material": materials[1]},
        "comparator": {
            "resolution": f"{number} {unit}",
            "travel": "40 mm",
            "error": estimate(rng, 0.0, 0.03, "um"),
        },
        "decision": {},
        "bracket": {"limit": "5 um"},
        "characteristics": {"length": {"measure": "size", "at": places, "nominal": f"{size} mm"}},
        "checks": {"thermal": warmth(rng, 20.0 + rng.uniform(-0.5, 0.5))},
        "steps": rounds(rng, places),
    }
    return draft


def estimate(rng: random.Random, value: float, scale: float, unit: str) -> Table | list[Table]:
    """An estimate whose standard uncertainty is of the order of `scale`, in any form that a routine knows."""
    if rng.random() < 0.1:
        return [single_estimate(rng, value, 0.7 * scale, unit), single_estimate(rng, 0.0, 0.5 * scale, _spread(unit))]
    return single_estimate(rng, value, scale, unit)


def single_estimate(rng: random.Random, value: float, scale: float, unit: str) -> Table:
    """The same in one table."""

    def far(factor: float) -> str:
        return f"{scale * factor * rng.uniform(0.7, 1.4):.4g} {_spread(unit)}"

    half = scale * rng.uniform(1.2, 2.4)
    bounded = {"halfwidth": f"{half:.4g} {_spread(unit)}"}
    forms: list[Table] = [
        {"standard": far(1.0)},
        {"standard": far(1.0), "dof": rng.randint(3, 60)},
        {"expanded": far(2.0), "coverage": 2},
        {"expanded": far(2.6), "coverage": 2.6, "dof": rng.randint(5, 40)},
        bounded,
        bounded | {"reliability": rng.choice((0.1, 0.25, 0.4))},
        bounded | {"inexact": f"{half * 0.2:.4g} {_spread(unit)}"},
        bounded | {"shape": "triangular"},
        bounded | {"shape": "arcsine"},
        bounded | {"shape": "trapezoid", "inner": f"{half * 0.4:.4g} {_spread(unit)}"},
    ]
    return {"value": f"{value:.6g} {unit}"} | rng.choice(forms)


def _spread(unit: str) -> str:
    """Unit of an uncertainty: that of a temperature is a temperature difference."""
    return "K" if unit == "degC" else unit


def warmth(rng: random.Random, temperature: float) -> Table:
    """What is known of the temperatures: two of part, reference and their difference."""
    part = estimate(rng, round(temperature, 2), 0.1, "degC")
    apart = estimate(rng, round(rng.uniform(-0.05, 0.05), 3), 0.02, "K")
    reference = estimate(rng, round(temperature + rng.uniform(-0.1, 0.1), 2), 0.1, "degC")
    ways: tuple[Table, ...] = (
        {"part_temperature": part, "difference": apart},
        {"reference_temperature": reference, "difference": apart},
        {"part_temperature": part, "reference_temperature": reference},
    )
    return dict(rng.choice(ways))


def rounds(rng: random.Random, places: Sequence[str]) -> list[Table]:
    """One zero, some rounds over the places, one return."""
    reads = [{"do": "read", "at": place, "times": rng.choice((1, 1, 2))} for place in places]
    return [
        {"do": "zero", "times": rng.randint(2, 4)},
        {"do": "repeat", "times": rng.randint(2, 5), "steps": reads},
        {"do": "return", "times": rng.randint(1, 3)},
    ]
