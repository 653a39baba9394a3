"""The second model of a measurement: from a routine and its readings to the figures of its record.

Written from the published documents that each function names, and from what `routines/README.md` and DEVELOPERS.md
("The measurement model") say that a key means. Nothing of holdzero is imported here or in any module beside it.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from second.bench import Bench, bench_of
from second.conformity import FLOATS_LEAVE_UM, conformance_probability, verdict
from second.estimates import Part
from second.length import Measurand, measurand
from second.propagation import Propagated, propagated
from second.quantities import quantity
from second.scatter import Drift, drifts_of, scatter_of, single_spread, spread_of
from second.weights import weighed

DEFAULT_COVERAGE = 0.9545  # that of k = 2 for a normal result (JCGM 100:2008, Table G.1)


@dataclass(frozen=True)
class Figures:
    """What a record says of one characteristic.

    Attributes:
        result: y, u, ν, k, U.
        limits: lower and upper [um]; infinite where there is none.
        probability: of conformance.
        verdict: `pass`, `fail` or `undecided`.
        closed: whether every zero that counts came back within the bracket's limit.
        drifted: whether a drift was taken out.
        decision: the routine's table `[decision]`.
        model: the inputs and their function.
        tied: whether the highest or the lowest place counts, and two places are as high as each other.
    """

    result: Propagated
    limits: tuple[float, float]
    probability: float
    verdict: str
    closed: bool
    drifted: bool
    decision: dict[str, Any]
    model: Measurand
    tied: bool


def figures(routine_text: str, readings_text: str) -> dict[str, Figures]:
    """The figures of each characteristic."""
    routine = tomllib.loads(routine_text)
    bench = bench_of(routine, readings_text)
    return {name: _of_one(routine, name, bench) for name in routine["characteristics"]}


def _of_one(routine: dict[str, Any], name: str, bench: Bench) -> Figures:
    spec, decision = routine["characteristics"][name], routine.get("decision", {})
    coverage = float(decision.get("coverage_probability", DEFAULT_COVERAGE))
    seen, step = weighed(spec, bench), quantity(routine["comparator"]["resolution"])
    drifts = drifts_of(bench, seen, single_spread(bench), step)
    spread = spread_of(routine.get("checks", {}).get("repeatability", {}), bench, seen)
    scatter = scatter_of(spread, step, bench, seen, drifts)
    model = _with(measurand(routine, name, bench, seen), scatter, drifts)
    result = propagated(model, order=int(decision.get("order", 2)), coverage=coverage)
    limits = tuple(
        quantity(spec[key]) if key in spec else sign * math.inf for key, sign in (("lower", -1.0), ("upper", 1.0))
    )
    probability = conformance_probability(result, limits[0], limits[1])
    limit = quantity(routine["bracket"]["limit"])
    closed = all(abs(drift.closure) <= limit for drift in drifts)
    heights = sorted(seen.means.values())
    extreme = spec["measure"] == "variation" or spec.get("of", "mean") != "mean"
    tied = extreme and any(higher - lower < FLOATS_LEAVE_UM for lower, higher in pairwise(heights))
    drifted = any(drift.taken for drift in drifts)
    said = verdict(decision, result, (limits[0], limits[1]), probability) if closed else "undecided"
    return Figures(result, (limits[0], limits[1]), probability, said, closed, drifted, decision, model, tied)


def _with(model: Measurand, scatter: Part, drifts: list[Drift]) -> Measurand:
    """The value with its scatter and drift: what was taken out is a number, what is carried is an input about zero."""
    taken = sum(drift.share * drift.closure for drift in drifts if drift.taken)
    carried = [drift for drift in drifts if not drift.taken]
    more: dict[str, tuple[Part, ...]] = {"scatter": (scatter,)}
    for drift in carried:
        halfwidth = abs(drift.closure)
        part = Part(0.0, halfwidth / math.sqrt(3.0), shape="rectangular", halfwidth=halfwidth)
        more[f"drift {drift.zero}.{drift.visit}"] = (part,)

    def value(x: Any) -> Any:
        drift = sum(item.share * x[f"drift {item.zero}.{item.visit}"] for item in carried)
        return model.function(x) + x["scatter"] - drift - taken

    return Measurand({**model.inputs, **more}, value)
