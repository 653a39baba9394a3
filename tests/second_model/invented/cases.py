"""Routines with readings from a seed: legal, invented, and of every kind for which a figure goes another way.

A theme makes sure of a kind; all else is drawn. Limits are put where the verdict is worth asking for: within a few
standard uncertainties of the value, which the second model tells.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import tomli_w

from invented.draft import UNIT_UM, Draft, Table, begun
from invented.themes import THEMES, Theme
from second.bench import unrolled
from second.model import Figures, figures

FEW = 3.0  # limits lie within so many standard uncertainties of the value
OFF_NOMINAL_UM = 3.0  # and the value within this of its nominal
TRIES = 500  # sets of readings, until a closure is as the draft says


@dataclass(frozen=True)
class Case:
    """A routine, its readings file, and its name: number and theme."""

    name: str
    routine: str
    readings: str


def case(number: int, seed: int, themes: Sequence[Theme] = THEMES) -> Case:
    """One routine of a seed: theme after theme, over and over."""
    theme = themes[number % len(themes)]
    draft = begun(random.Random(f"{seed}-{number}"))
    theme(draft)
    _choose_rule(draft)
    readings, found = _measured(draft)
    for name, of in found.items():
        _put_limits(draft, draft.routine["characteristics"][name], of.result.value, of.result.u)
    return Case(f"{number:02d}-{theme.__name__}", tomli_w.dumps(draft.routine), readings)


def _choose_rule(draft: Draft) -> None:
    """Any rule, where the theme has chosen none."""
    rng, decision = draft.rng, draft.routine["decision"]
    if "rule" in decision:
        return
    decision["rule"] = rng.choice(("simple", "guarded", "guarded", "guarded", "probability"))
    if decision["rule"] == "guarded" and rng.random() < 0.3:
        decision["guard"] = rng.choice((0.5, 0.83, 1.0, 1.5))
    elif decision["rule"] != "simple" and rng.random() < 0.4:
        decision["conformance"] = rng.choice((0.8, 0.9, 0.975, 0.99))


def _measured(draft: Draft) -> tuple[str, dict[str, Figures]]:
    """Readings of a part near its nominal size, whose zeros close as the draft says; and what comes of them.

    No two places are as high as each other: no clause says which of them is the highest then.
    """
    routine = tomli_w.dumps(draft.routine)
    for _ in range(TRIES):
        seed, higher = draft.rng.random(), draft.rng.uniform(-OFF_NOMINAL_UM, OFF_NOMINAL_UM)
        as_long = figures(routine, _readings(draft, random.Random(seed), 0.0))
        if "length" in as_long:  # a size: as much higher as brings it near its nominal
            higher -= as_long["length"].result.value
        readings = _readings(draft, random.Random(seed), higher)
        found = figures(routine, readings)
        drifted = any(of.drifted for of in found.values())
        closed, tied = all(of.closed for of in found.values()), any(of.tied for of in found.values())
        if (drifted, closed, tied) == (bool(draft.drift), draft.closes, False):
            return readings, found
    raise ValueError(f"no readings are as they should be in {TRIES} tries")


def _readings(draft: Draft, rng: random.Random, higher: float) -> str:
    """A readings file: zeros, places of different heights, returns, with scatter and drift, to the dial's step."""
    number, unit = draft.routine["comparator"]["resolution"].split()
    steps = (item for item in unrolled(draft.routine["steps"]) if item["do"] != "soak")
    lifts = [item for item in steps for _ in range(item.get("times", 1))]
    heights = {place: rng.uniform(-0.4, 0.4) + higher for place in sorted({item.get("at", "") for item in lifts})}
    time, lines = draft.begins, ["time,answer"]
    for count, item in enumerate(lifts):
        time += rng.randint(8, 60)
        if item["do"] == "temperature":
            lines.append(f"{time:g},{20.0 + rng.uniform(-0.4, 0.4):.2f} degC")
            continue
        shown = rng.gauss(0.0, draft.scatter) + draft.drift * count / len(lifts)
        shown += heights[item["at"]] if item["do"] == "read" else 0.0
        counts = Decimal(round(shown / (float(number) * UNIT_UM[unit])))
        bare = rng.random() < 0.5
        lines.append(f"{time:g},{counts * Decimal(number):+f}" + ("" if bare else f" {unit}"))
    return "\n".join(lines) + "\n"


def _put_limits(draft: Draft, spec: Table, y: float, u: float) -> None:
    """Limits within a few u of the value, on the one side of it or on both."""
    rng = draft.rng
    kind = draft.limits or rng.choice(("both", "both", "lower", "upper"))
    if kind == "met":
        spec |= {rng.choice(("lower", "upper")): f"{y:.1f} um"}
        return
    width = u * (rng.uniform(3.6, 5.0) if kind == "narrow" else rng.uniform(4.0, 20.0))
    if kind == "narrow":
        lower = y - width * rng.uniform(0.3, 0.7)
    else:  # near the one limit or the other, inside or outside
        lower = y + rng.choice((-width, 0.0)) + u * rng.uniform(-FEW, FEW)
    upper = lower + width
    if spec["measure"] == "variation":
        spec["upper"] = f"{max(upper, 0.2 * u):.5f} um"
        return
    spec |= {} if kind == "upper" else {"lower": f"{lower:.5f} um"}
    spec |= {} if kind == "lower" else {"upper": f"{upper:.5f} um"}
