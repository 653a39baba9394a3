"""What a contact bears: who yields under the tip, and where the formula of a small, elastic contact ends.

It knows pressures, widths and materials as plain numbers, and says in findings what follows; no settings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from holdzero.hooks import Finding, Input, Level, Material, Number, RunView, Term, length_text

__all__ = [
    "Breach",
    "Pressed",
    "Wide",
    "breaches",
    "mark",
    "of_a_correction",
    "stays_elastic",
    "value_and_expanded_um",
    "widest",
    "width",
]

# Yield begins below the surface where the peak pressure is so many yield strengths: K. L. Johnson, Contact Mechanics,
# 1985, 6.1, sphere on plane (from memory); an ellipse of a cylinder begins to yield at more.
_FIRST_YIELD = 1.6
# The mean pressure of a contact that is plastic all through, its hardness, is about so many yield strengths: Jackson
# and Green, J. Tribology 127 (2005) 343, abstract (seen).
_HARDNESS_OVER_YIELD = 3.0
# Hertz takes the contact for small against the radii: K. L. Johnson, Contact Mechanics, 1985, 4.2 (from memory). The
# points that approach lie no further away than the radius, and there a body under a point load still moves by
# F(1 + ν)(3 − 2ν)/(2πER), 0.7 a/R of its approach (worked out by Boussinesq's formula, Johnson, 3.2, from memory). Up
# to a tenth that is no more than what an allowance of a tenth on the moduli makes of an approach, two thirds of it.
_WIDEST = 0.1
# Factor of an expanded uncertainty for about 95 % (JCGM 100:2008, 6.3.3).
_COVERAGE = 2.0
_UM_PER = {"mm": 1000.0, "in": 25400.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressed:
    """How the tip presses what it touches.

    Attributes:
        body: `part` or `reference`.
        force_N: contact force [N].
        radius_um: radius of the contact, or longer half axis of its ellipse [um].
        mean_GPa: mean pressure [GPa].
        peak_GPa: pressure in its middle [GPa]; None under a flat face, whose edge has none that is finite.
    """

    body: str
    force_N: float  # noqa: N815  the unit's own capital
    radius_um: float
    mean_GPa: float  # noqa: N815  the unit's own capitals
    peak_GPa: float | None  # noqa: N815  the unit's own capitals


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """Who yields where.

    Attributes:
        who: `tip`, `part` or `reference`.
        material: what it is made of.
        pressed: where it is pressed hardest.
        begins_GPa: from which pressure on [GPa]: the peak, or the mean where it is plastic all through.
        plastic: whether it is plastic all through.
    """

    who: str
    material: str
    pressed: Pressed
    begins_GPa: float  # noqa: N815  the unit's own capitals
    plastic: bool

    @property
    def words(self) -> str:
        """Pressure and limit, for a person."""
        of, at = f"the {self.who} ({self.material})", f"at {self.pressed.force_N:.3g} N"
        limit = f"{_in_GPa(self.begins_GPa)}"
        if self.plastic or self.pressed.peak_GPa is None:
            return f"{of} is pressed with {_in_GPa(self.pressed.mean_GPa)} on average {at} and bears {limit}"
        return f"{of} is pressed with {_in_GPa(self.pressed.peak_GPa)} at most {at} and yields from {limit} on"


def _strength_GPa(material: Material | None) -> tuple[float, float] | None:  # noqa: N802  the unit's own capitals
    """Yield strength and hardness [GPa], the one by the other where one alone is known; None where neither is."""
    if material is None or (material.yield_GPa is None and material.hardness_GPa is None):
        return None
    hardness = material.hardness_GPa
    if hardness is None:
        hardness = _HARDNESS_OVER_YIELD * (material.yield_GPa or 0.0)
    return material.yield_GPa or hardness / _HARDNESS_OVER_YIELD, hardness


def breaches(
    presses: Sequence[Pressed], names: Mapping[str, str], materials: Mapping[str, Material]
) -> tuple[Breach, ...]:
    """Who yields under these pressures, each where it is pressed hardest.

    Args:
        presses: the contacts.
        names: materials of `tip`, `part` and `reference`.
        materials: all that are known, by name; of one without hardness and yield strength nothing is told.
    """
    found = []
    for who, material in names.items():
        own = [item for item in presses if who in ("tip", item.body)]
        strength = _strength_GPa(materials.get(material))
        if not own or strength is None:
            continue
        hardest = max(own, key=lambda item: item.mean_GPa)
        first, hardness = _FIRST_YIELD * strength[0], strength[1]
        if hardest.mean_GPa > hardness:
            found.append(Breach(who=who, material=material, pressed=hardest, begins_GPa=hardness, plastic=True))
        elif hardest.peak_GPa is not None and hardest.peak_GPa > first:
            found.append(Breach(who=who, material=material, pressed=hardest, begins_GPa=first, plastic=False))
    return tuple(found)


def stays_elastic(run: RunView, presses: Sequence[Pressed], names: Mapping[str, str], found: Sequence[Breach]) -> str:
    """How wide and how hard the contacts are, and what of it is tested, in sentences.

    Args:
        run: that the contacts are of.
        presses: the contacts.
        names: materials of `tip`, `part` and `reference`.
        found: who yields.
    """
    largest, hardest = (max(presses, key=key) for key in (lambda p: p.radius_um, lambda p: p.mean_GPa))
    if hardest.peak_GPa is None:
        said = [f"Pressure {_in_GPa(hardest.mean_GPa)} on average; that at the edge of the face is not tested."]
    else:
        said = [f"Contact at most {_wide(run, largest)} wide, pressure at most {_in_GPa(hardest.peak_GPa)}."]
    strengths = {name: _strength_GPa(run.materials.get(name)) for name in dict.fromkeys(names.values())}
    unknown = [name for name, strength in strengths.items() if strength is None]
    if unknown:
        said.append(f"Whether it stays elastic is not tested for {', '.join(unknown)}: no hardness is known.")
    known = [f"{name} ({_in_GPa(strength[1])})" for name, strength in strengths.items() if strength is not None]
    if known and not found:
        elastic = "no contact is plastic all through" if hardest.peak_GPa is None else "it stays elastic"
        said.append(f"By the hardness of {', '.join(known)} {elastic}.")
    return " ".join(said)


def _in_GPa(pressure_GPa: float) -> str:  # noqa: N802, N803  the unit's own capitals
    return f"{float(f'{pressure_GPa:.3g}'):g} GPa"


def _wide(run: RunView, pressed: Pressed) -> str:
    units = run.routine.routine.units
    worth = _UM_PER[units]
    return length_text(float(f"{2.0 * pressed.radius_um / worth:.2g}") * worth, units)


def of_a_correction(name: str, found: Sequence[Breach]) -> Iterator[Finding]:
    """What it means for a result that is corrected for an elastic contact that some of the bodies don't bear.

    Args:
        name: of the characteristic.
        found: who yields.
    """
    plastic, yielding = [item for item in found if item.plastic], [item for item in found if not item.plastic]
    if plastic:
        text = (
            f"{name}: {_and(plastic)}. The contact is plastic: the tip leaves a mark, and how far it sinks in is not "
            f"known, so that nothing can be corrected. {_MEND}"
        )
        yield Finding(level=Level.STOP, code="contact/plastic", text=text, characteristic=name)
    if yielding:
        text = (
            f"{name}: {_and(yielding)}. The tip leaves a mark and sinks in further than the correction says: that one "
            f"is for an elastic contact, and U carries nothing for it. {_MEND}"
        )
        yield Finding(level=Level.DOUBT, code="contact/yield", text=text, characteristic=name)


_MEND = "Use less force or a larger tip; check force and tip.radius."


def _and(found: Iterable[Breach]) -> str:
    return "; ".join(item.words for item in found)


def mark(found: Sequence[Breach]) -> Finding:
    """Who yields where no result is corrected for it: part and reference, or all places, sink in alike."""
    words = _and(found)
    text = (
        f"{words[0].upper()}{words[1:]}. The tip leaves a mark. No result is corrected for it: what is pressed alike "
        f"cancels, but a place that is read often sinks in further. {_MEND}"
    )
    return Finding(level=Level.DOUBT, code="contact/mark", text=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wide:
    """A contact that is wide for its tip.

    Attributes:
        pressed: the contact.
        tip_um: radius of the tip [um].
        correction_um: what is taken off for it [um].
        carried_um: expanded uncertainty of that [um].
    """

    pressed: Pressed
    tip_um: float
    correction_um: Number
    carried_um: Number

    @property
    def wrong_um(self) -> Number:
        """By how much the correction may be wrong, as the contact is no small one [um]: a/R of it."""
        return self.share * np.abs(self.correction_um)

    @property
    def share(self) -> float:
        """Radius of the contact in units of the tip's [1]."""
        return self.pressed.radius_um / self.tip_um


def widest(presses: Sequence[Pressed], radius: Input, correction_um: tuple[Number, Number]) -> Wide:
    """The widest of these contacts beside the tip's radius, with the correction and its expanded uncertainty [um]."""
    return Wide(
        pressed=max(presses, key=lambda item: item.radius_um),
        tip_um=float(radius.estimate.value),
        correction_um=correction_um[0],
        carried_um=correction_um[1],
    )


def value_and_expanded_um(term: Term) -> tuple[Number, Number]:
    """A term at the estimates of its inputs, and its expanded uncertainty for about 95 % [um].

    Source: JCGM 100:2008, 5.1.3 note 2, each input moved by its standard uncertainty to either side; 6.3.3, k = 2.
    """
    at = [item.estimate.value for item in term.inputs]
    variance: Number = 0.0
    for index, item in enumerate(term.inputs):
        shift = item.estimate.standard_uncertainty
        ends = [term.function(*at[:index], at[index] + sign * shift, *at[index + 1 :]) for sign in (1.0, -1.0)]
        variance = variance + ((ends[0] - ends[1]) / 2.0) ** 2
    return term.function(*at), _COVERAGE * variance**0.5


def width(run: RunView, name: str, wide: Wide) -> Iterator[Finding]:
    """What it means for a result that a contact is wider than the formula holds for.

    Undecided it is where its own uncertainty does not carry what the formula may be wrong by, and where the contact
    would be as wide as the tip; where nothing is corrected, it is a note.
    """
    if wide.share <= _WIDEST:
        return
    units = run.routine.routine.units
    head = (
        f"{name}: the contact is {_wide(run, wide.pressed)} wide, on a tip of {length_text(wide.tip_um, units)} "
        "radius. The formula holds up to a fifth of that radius"
    )
    if not np.any(wide.correction_um):
        text = f"{head}; nothing is corrected, as part and reference give way alike. Check tip.radius and force."
        yield Finding(level=Level.NOTE, code="contact/wide", text=text, characteristic=name)
        return
    if wide.share >= 1.0:
        text = f"{head}: no tip touches like that, and no correction is known. Check tip.radius and force."
        yield Finding(level=Level.STOP, code="contact/wide", text=text, characteristic=name)
        return
    wrong, carried = run.against(wide.wrong_um, wide.carried_um)
    lost = wide.wrong_um > wide.carried_um
    said = f"{head}. The correction of {run.length(wide.correction_um, sign=True)} may be wrong by about {wrong}"
    for level, holds, rest in (
        (Level.STOP, lost, f", more than its uncertainty of {carried} carries. {_MEND}"),
        (Level.DOUBT, np.logical_not(lost), f", which its uncertainty of {carried} carries. {_MEND}"),
    ):
        yield Finding(level=level, code="contact/wide", text=said + rest, characteristic=name, holds=holds)
