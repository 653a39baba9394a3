"""What the check for heat says: what moved, where it ends, how long to wait."""

from __future__ import annotations

import math

import numpy as np

from holdzero.hooks import (
    Characteristic,
    Measure,
    Number,
    RunView,
    part_size_um,
    span_text,
    value_and_uncertainty,
)
from holdzero_plugins.checks._fading import Heat, Spans
from holdzero_plugins.checks._heat_rows import FAR, SOURCE, UNKNOWN
from holdzero_plugins.checks._waiting import waiting_words
from holdzero_plugins.checks._warm_rows import Reach

__all__ = ["advice", "cause", "data", "ending", "most_text", "moved", "prior"]

_COARSE_MIN = 10.0


def middle(number: Number) -> float:
    """The run in the middle, of many; else the number."""
    return float(np.median(number))


def within_part(spec: Characteristic) -> bool:
    """Whether it is a difference within the part, in which heat that is alike at all places cancels."""
    return spec.measure is not Measure.SIZE


def moved(run: RunView, name: str, spec: Characteristic, heat: Heat, changed_um: Number, span_s: float) -> str:
    """What moved, how far, in how long."""
    in_all = f"in {span_text(span_s)}"
    if within_part(spec) and np.all(heat.odd):
        return f"{name}: its places moved against each other by {run.length(abs(middle(changed_um)))} {in_all}"
    if within_part(spec):
        what = "tilt" if spec.measure is Measure.VARIATION else f"a {spec.measure}"
        verb = "faded" if middle(changed_um) > 0.0 else "grew"
        return f"{name}: what looks like {what} {verb} by {run.length(abs(middle(changed_um)))} {in_all}"
    verb = "fell" if middle(heat.moved_um) > 0.0 else "rose"
    return f"{name}: the readings of the part {verb} by {run.length(abs(middle(heat.moved_um)))} {in_all}"


def cause(spec: Characteristic, heat: Heat) -> str:
    """What it most likely is."""
    if np.all(heat.odd):
        return "for longer than a part of this size stays uneven inside, so that it is not known what it is"
    if within_part(spec):
        return "heat of the hand that evens out, not shape"
    return "a cold part that warms up, not size" if middle(heat.moved_um) < 0.0 else "heat of the hand, not size"


def ending(run: RunView, heat: Heat, value_um: Number, allowance_um: float) -> str:
    """Where it ends, if that is known.

    Args:
        run: the readings'.
        heat: in the value.
        value_um: as read [um]; of a size with what is certified of the reference, as a deviation from the nominal.
        allowance_um: how much of it may be heat [um].
    """
    reach, units = heat.in_value, run.routine.routine.units
    low, high = middle(reach.low), middle(reach.high)
    if high - low > 2.0 * FAR * allowance_um:
        return "Where it ends can't be told."
    if low <= 0.0 <= high:
        either = f"from {run.length(low, sign=True)} to {run.length(high, sign=True)}"
        return f"Where it ends is not known: {either} may be heat."
    fades, half = -(low + high) / 2.0, (high - low) / 2.0
    to = value_and_uncertainty(middle(value_um) + fades, half, units)
    return f"It fades by {value_and_uncertainty(fades, half, units)}, to {to} before other corrections."


def most_text(run: RunView, reach: Reach, allowance_um: float) -> str:
    """How much of the value may be heat, against what is allowed."""
    most = middle(reach.most)
    if most > FAR * allowance_um:
        return f"Far more than the allowed {run.length(allowance_um)} of the value may be heat."
    found, allowed = run.against(most, allowance_um, 2)
    return f"Up to {found} of the value may be heat; at most {allowed} is allowed."


def advice(run: RunView, spec: Characteristic, heat: Heat, spans: Spans, span_s: float, limit_um: float) -> str:
    """How long to wait until less than a limit [um] is left.

    What is left is what the readings say; where they do not, what moved goes on at a pace between those of still air.
    """
    if limit_um <= 0.0 or np.all(heat.odd):
        return "Wait until nothing moves any more, and read anew."
    left = _left_um(heat, spans, span_s)
    factor = math.log(max(left / limit_um, 1.0))
    if not factor:
        return f"No more than {run.length(limit_um)} of it is left by now: read all anew, without a wait."
    if within_part(spec):
        return f"Wait about {_minutes(factor * spans.even_s)} min, and read anew."
    material = run.materials.get(run.routine.part.material)
    size = part_size_um(run.routine, run.reference)
    words = waiting_words(material, size, run.routine.part.section, left_um=left, limit_um=limit_um)
    return f"Wait {words or f'up to {_minutes(factor * spans.slowest_s)} min'}, and read anew."


def _left_um(heat: Heat, spans: Spans, span_s: float) -> float:
    """What is left at the pace of still air, as far as the readings allow it."""
    pace_s = max(spans.slowest_s / 2.0, 1.0)
    at_pace = middle(heat.moved_um) / math.expm1(max(span_s, 1.0) / pace_s)
    return abs(min(max(at_pace, middle(heat.left.low)), middle(heat.left.high)))


def _minutes(seconds: float) -> str:
    minutes = seconds / 60.0
    return f"{max(1, math.ceil(minutes))}" if minutes < _COARSE_MIN else f"{5 * math.ceil(minutes / 5.0)}"


def prior(run: RunView, spans: Spans) -> str:
    """What was taken as possible, with its source."""
    if spans == UNKNOWN:
        up_to = f"up to {span_text(spans.slowest_s)}"
        return f"Taken as possible: time constants of {up_to}, as size or material of the part is not known."
    material = run.routine.part.material
    return (
        f"Taken as possible: time constants of {span_text(spans.fastest_s)} (flat on a plate) to "
        f"{span_text(spans.slowest_s)} (still air) for a part of {material} of this size, and up to "
        f"{span_text(spans.even_s)} for differences within it ({SOURCE})."
    )


def data(heat: Heat, spans: Spans, allowance_um: float) -> dict[str, float]:
    """The numbers behind it."""
    numbers = {
        "in_value_low_um": heat.in_value.low,
        "in_value_high_um": heat.in_value.high,
        "left_low_um": heat.left.low,
        "left_high_um": heat.left.high,
        "moved_um": heat.moved_um,
        "time_constant_low_s": heat.shortest_s,
        "time_constant_high_s": heat.longest_s,
        "scatter_um": heat.scatter_um,
    }
    finite = {name: middle(number) for name, number in numbers.items() if math.isfinite(middle(number))}
    return finite | {
        "degrees_of_freedom": heat.dof,
        "allowance_um": allowance_um,
        "slowest_s": spans.slowest_s,
        "fastest_s": spans.fastest_s,
        "even_s": spans.even_s,
    }
