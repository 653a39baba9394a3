"""A soak that was cut short: what is missing of it, and how far part and reference may then still differ."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdzero.hooks import Estimate, RunView, SlotKind, SoakTaken, exceeds, shown, span_text

if TYPE_CHECKING:
    from holdzero_plugins.checks._growth import ThermalSettings

__all__ = ["Short", "as_soaked", "both_measured", "halfwidth_K", "left_K", "short_soak"]


@dataclass(frozen=True, slots=True)
class Short:
    """A soak that was cut short, and the longest that the part lay before a reading of it [s]."""

    soak: SoakTaken
    soaked_s: float

    @property
    def missing_s(self) -> float:
        """What is missing of its time [s]."""
        return self.soak.slot.at_least_s - self.soaked_s


def both_measured(run: RunView) -> bool:
    """Whether thermometers measured part and reference."""
    return {"part", "reference"} <= {taken.slot.of for taken in run.temperatures}


def short_soak(run: RunView) -> Short | None:
    """What lay shortest before a reading of the part, of the soaks that were cut short and not made up for by then.

    Before the first reading, what counts is how it stands now. A soak that was seen at rest is not short, and a later
    one makes up for it that was as long as it should have been.
    """
    soaks = [soak for soak in run.soaks if soak.slot.serial in (run.serial, None)]
    reads: list[float] = [reading.seq for reading in run.readings if reading.kind is SlotKind.READ]
    found: list[Short] = []
    for number, soak in enumerate(soaks):
        if not soak.missing_s:
            continue
        for read in reads or [math.inf]:
            since = [later for later in soaks[number:] if later.seq < read]
            if since and not any(_made_up(later, soak) for later in since):
                found.append(Short(soak, max(later.elapsed_s for later in since)))
    return min(found, key=lambda short: short.soaked_s, default=None)


def _made_up(later: SoakTaken, soak: SoakTaken) -> bool:
    return bool(later.at_rest) or not exceeds(soak.slot.at_least_s, later.elapsed_s)


def left_K(settings: ThermalSettings, short: Short) -> float | None:  # noqa: N802  the unit's own capital
    """What may be left of the difference that part and reference were laid down with [K]; None where nobody states it.

    Source: a body that takes the temperature beside it with one time constant: Δ·exp(−t/τ) (Newton's law of cooling;
    IEC 60050-351:2013, 351-45-32, time constant; from memory).
    """
    if settings.brought_from is None or settings.time_constant is None or settings.difference is None:
        return None
    return settings.brought_from * math.exp(-short.soaked_s / settings.time_constant)


def halfwidth_K(told: Estimate) -> float:  # noqa: N802  the unit's own capital
    """Half the width of the rectangle that has the standard uncertainty of an estimate [K] (JCGM 100:2008, 4.3.7)."""
    return math.sqrt(3.0) * float(told.standard_uncertainty)


def as_soaked(settings: ThermalSettings, run: RunView) -> Estimate | None:
    """The stated difference [K]; where a soak was cut short, with what that may have left added to its half-width.

    The two are added, and not in quadrature: both are bounds of the same difference.
    """
    told, short = settings.difference, short_soak(run)
    left = left_K(settings, short) if short is not None else None
    if told is None or short is None:
        return told
    if left is None:
        missing = f"{span_text(short.missing_s)} of the soak of {span_text(short.soak.slot.at_least_s)} are missing"
        return replace(told, why=f"{told.why}; but {missing}" if told.why else missing)
    stated = halfwidth_K(told)
    why = (
        f"±{shown(stated)} K stated{f' ({told.why})' if told.why else ''}, and ±{shown(left)} K left after "
        f"{span_text(short.soaked_s)} of {span_text(short.soak.slot.at_least_s)}: "
        f"{shown(settings.brought_from or 0.0)} K · exp(−t/{span_text(settings.time_constant or 0.0)})"
    )
    return Estimate.within(float(told.value), stated + left, why)
