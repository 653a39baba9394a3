"""What a soak leaves: how far part and reference may still differ after it, and what is missing of one cut short."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdzero.hooks import (
    Estimate,
    Material,
    Reference,
    Routine,
    RunView,
    SlotKind,
    SoakTaken,
    exceeds,
    length_text,
    part_size_um,
    shown,
    span_text,
    time_constant_s,
)

if TYPE_CHECKING:
    from holdzero_plugins.checks._thermal_settings import ThermalSettings

__all__ = ["Left", "Short", "as_soaked", "both_measured", "cooling_of", "halfwidth_K", "left_of", "short_soak"]

_SHORTEST_UM, _LONGEST_UM = 1e3, 2e6


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
    soaks = _soaks(run)
    # Every characteristic asks; most runs have no such soak.
    reads = _reads(run) if any(soak.missing_s for soak in soaks) else []
    found: list[Short] = []
    for number, soak in enumerate(soaks):
        if not soak.missing_s:
            continue
        for read in reads:
            since = [later for later in soaks[number:] if later.seq < read]
            if since and not any(_made_up(later, soak) for later in since):
                found.append(Short(soak, max(later.elapsed_s for later in since)))
    return min(found, key=lambda short: short.soaked_s, default=None)


def _soaks(run: RunView) -> list[SoakTaken]:
    return [soak for soak in run.soaks if soak.slot.serial in (run.serial, None)]


def _reads(run: RunView) -> list[float]:
    """When the part was read, as entries; before the first reading, what counts is how it stands now."""
    return [reading.seq for reading in run.of_kind(SlotKind.READ)] or [math.inf]


def _made_up(later: SoakTaken, soak: SoakTaken) -> bool:
    return bool(later.at_rest) or not exceeds(soak.slot.at_least_s, later.elapsed_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What a soak may have left of the difference that part and reference were laid down with.

    Attributes:
        halfwidth_K: at most so much, either way [K].
        soaked_s: the shortest that they lay before a reading of the part [s].
        words: the formula with its numbers, and where they come from.
    """

    halfwidth_K: float  # noqa: N815  the unit's own capital
    soaked_s: float
    words: str

    @property
    def estimate(self) -> Estimate:
        """The same as an input of a budget: rectangular about 0 [K] (JCGM 100:2008, 4.3.7)."""
        return Estimate.within(0.0, self.halfwidth_K, self.words)


def left_of(settings: ThermalSettings, run: RunView) -> Left | None:
    """What a soak, whole or cut short, may have left [K]; None where nobody states it, or thermometers measured both.

    Source: a body that takes the temperature beside it with one time constant: Δ·exp(−t/τ) (Newton's law of cooling;
    IEC 60050-351:2013, 351-45-32, time constant; from memory).
    """
    brought, soaked_s = settings.brought_from, _soaked_s(run)
    if brought is None or soaked_s is None or settings.difference is None or both_measured(run):
        return None
    cooling = cooling_of(settings, run.routine, run.reference, run.materials)
    if cooling is None:
        return None
    constant_s, source = cooling
    left = brought * math.exp(-soaked_s / constant_s)
    words = f"±{shown(left)} K left after {span_text(soaked_s)}: {shown(brought)} K · exp(−t/{span_text(constant_s)})"
    return Left(halfwidth_K=left, soaked_s=soaked_s, words=f"{words}; {source}")


def _soaked_s(run: RunView) -> float | None:
    """The shortest that the part lay before a reading of it [s]; None while nothing was soaked."""
    short, soaks = short_soak(run), _soaks(run)
    if short is not None:
        return short.soaked_s
    if not soaks:
        return None
    return min(max((soak.elapsed_s for soak in soaks if soak.seq < read), default=0.0) for read in _reads(run))


def cooling_of(
    settings: ThermalSettings, routine: Routine, reference: Reference | None, materials: Mapping[str, Material]
) -> tuple[float, str] | None:
    """The time constant in which part and reference come together [s], and where it comes from.

    Where the routine states none, it is the longest in still air: of the part, or of the reference if that is slower.

    Args:
        settings: of the check.
        routine: with the part.
        reference: the one in use; None: as the routine asks for it.
        materials: all that are known, by name.

    Returns:
        None where it is not known how fast the part cools.
    """
    if settings.time_constant is not None:
        return settings.time_constant, "both as stated"
    size, block = part_size_um(routine, reference), reference or routine.reference
    own = _in_air(materials, routine.part.material, size, routine.part.section)
    if own is None:
        return None
    other = None
    if isinstance(block, Reference):
        other = _in_air(materials, block.material, block.size, None)
    slowest_s, of, length_um = max(one for one in (own, other) if one is not None)
    body = f"{length_text(length_um, routine.routine.units)} of {of}"
    source = (
        "τ = ρcV/(hA), h = 5 W/(m²·K), Bergman and others, Fundamentals of Heat and Mass Transfer, 5.1, from memory"
    )
    return slowest_s, f"{span_text(slowest_s)} is the longest of {body} in still air ({source})"


def _in_air(
    materials: Mapping[str, Material], name: str, size_um: float | None, section_um: tuple[float, float] | None
) -> tuple[float, str, float] | None:
    """The longest time constant of a body [s], its material and its size [um]; None where that is not known."""
    if size_um is None or name not in materials:
        return None
    # Below 1 mm and above 2 m as at these: no shorter than it is, and there it hardly grows any more.
    length = min(max(size_um, _SHORTEST_UM), _LONGEST_UM)
    try:
        return time_constant_s(materials[name], length, "air", section_um=section_um)[1], name, size_um
    except ValueError:
        return None


def halfwidth_K(told: Estimate) -> float:  # noqa: N802  the unit's own capital
    """Half the width of the rectangle that has the standard uncertainty of an estimate [K] (JCGM 100:2008, 4.3.7)."""
    return math.sqrt(3.0) * float(told.standard_uncertainty)


def as_soaked(settings: ThermalSettings, run: RunView) -> Estimate | None:
    """The stated difference [K]; where a soak was cut short and nobody states what that leaves, its words say so."""
    told, short = settings.difference, short_soak(run)
    if told is None or short is None or left_of(settings, run) is not None:
        return told
    missing = f"{span_text(short.missing_s)} of the soak of {span_text(short.soak.slot.at_least_s)} are missing"
    return replace(told, why=f"{told.why}; but {missing}" if told.why else missing)
