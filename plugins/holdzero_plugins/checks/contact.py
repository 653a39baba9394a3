"""Contact check: tip and part flatten where they touch, and a softer part reads short for it.

Only the difference between part and reference counts. It is taken out of a size:

    + Σ weight · (approach on what was read, at its force − approach on the reference, at the zero's force)

`[checks.contact]` has these keys; all may be left out:

- `geometry`: `sphere on plane`, `sphere on cylinder` or `parallel flats`;
- `part_diameter`, `reference_diameter`: of the cylinders, where there are cylinders; a reference
  without a diameter is flat;
- `force`, `radius`: estimates, where they are known better than the comparator's `force` and
  `tip.radius`, which are taken as exact. For parallel flats `radius` is that of the tip's face.

Moduli come from the table of elastic constants by the materials of tip, part and reference. Part
and reference of one material share one modulus, so that nothing is left of it when they are alike.
A reading at another force than the comparator's is taken to have the force of the zero times the
same factor, and so its uncertainty. Readings of one characteristic at one force cancel in a step
and a variation.

Where it ends is said (`_pressed`): a contact wider than a tenth of the tip's radius, a peak pressure at which tip,
part or reference begins to yield, a mean pressure beyond its hardness. Undecided is only what is corrected for it.

What it leaves out: the contact with the anvil, the compression of the whole part, and a film that is
thinner than the contact is wide.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Self, TypeAlias

import numpy as np
from pydantic import Field, field_validator, model_validator

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Estimate,
    Finding,
    ForceEstimate,
    Input,
    LengthEstimate,
    Level,
    Measure,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    Term,
    hookimpl,
    refuse,
)
from holdzero_plugins.checks import _pressed, _tables
from holdzero_plugins.checks._hertz import (
    contact_modulus,
    ellipse_on_cylinder,
    flat_punch,
    mean_pressure,
    peak_pressure,
    radius_on_plane,
    sphere_on_cylinder,
    sphere_on_plane,
)

Role: TypeAlias = Literal["part", "reference"]
Geometry: TypeAlias = Literal["sphere on plane", "sphere on cylinder", "parallel flats"]
Loads: TypeAlias = dict[tuple[Role, float], Number]

# An estimate that may reach zero has no approach; three standard uncertainties keep it away.
_LEAST_SURE = 3.0
# Draws far out in a tail are held at this share of the estimate: a force or a radius is never negative.
_LEAST_SHARE = 0.01


class ContactSettings(Settings):
    """`[checks.contact]`."""

    geometry: Geometry = Field(
        "sphere on plane", description="`sphere on plane`, `sphere on cylinder` or `parallel flats`."
    )
    part_diameter: Size | None = Field(None, description="Diameter of a cylindrical part.")
    reference_diameter: Size | None = Field(None, description="Diameter of a cylindrical reference; flat if left out.")
    force: ForceEstimate | None = Field(None, description="Contact force; the comparator's, exact, if left out.")
    radius: LengthEstimate | None = Field(
        None, description="Radius of the tip, or of its flat face; the comparator's, exact, if left out."
    )

    @field_validator("force", "radius")
    @classmethod
    def _surely_above_zero(cls, estimate: Estimate | None) -> Estimate | None:
        if estimate is not None and not estimate.value > _LEAST_SURE * estimate.standard_uncertainty:
            found = f"{estimate.value:g} with a standard uncertainty of {estimate.standard_uncertainty:g}"
            raise refuse(found, "more than three standard uncertainties above zero", "measure it better")
        return estimate

    @model_validator(mode="after")
    def _fits_the_geometry(self) -> Self:
        cylinder = self.geometry == "sphere on cylinder"
        if cylinder and self.part_diameter is None:
            raise refuse("sphere on cylinder", "part_diameter beside it", 'add part_diameter = "10 mm"')
        if not cylinder and (self.part_diameter is not None or self.reference_diameter is not None):
            raise refuse(f"a diameter with {self.geometry}", "a diameter with a cylinder only", "drop it")
        if self.geometry == "parallel flats" and self.radius is None:
            raise refuse("parallel flats", "radius, of the tip's face", 'add radius = "1 mm"')
        return self


def _elastic(run: RunView) -> dict[str, tuple[Estimate, float]]:
    """Modulus [GPa] and Poisson's ratio [1] of the materials whose two are known."""
    return {
        name: (row.modulus, row.poisson)
        for name, row in run.materials.items()
        if row.modulus is not None and row.poisson is not None
    }


def _modulus(run: RunView, of: str, material: str) -> Input:
    """The modulus of a material as an input."""
    estimate, _ = _elastic(run)[material]
    why = f"{material}: {estimate.why}"
    return Input(name=f"modulus of {of}", estimate=estimate, unit="GPa", evaluation="B", why=why)


@dataclass(frozen=True, slots=True)
class _Body:
    """What the tip touches: its modulus, Poisson's ratio [1] and the radius of a cylinder [um]."""

    modulus: Input
    poisson: float
    cylinder_um: float | None


@dataclass(frozen=True, slots=True)
class _Contact:
    """All that an approach follows from, and the inputs among it."""

    geometry: Geometry
    force: Input
    radius: Input
    tip: _Body
    bodies: Mapping[Role, _Body]

    def inputs(self, roles: Iterable[Role]) -> tuple[Input, ...]:
        """The inputs of the approaches on these bodies, each once."""
        moduli = (self.bodies[role].modulus for role in roles)
        return tuple(dict.fromkeys((self.force, self.radius, self.tip.modulus, *moduli)))

    def approach_um(self, role: Role, share: float, at: Mapping[str, Number]) -> Number:
        """Approach of the tip and a body [um] at a share of the force, for these numbers of the inputs."""
        body, modulus = self.bodies[role], self._modulus(role, at)
        force, radius = share * _held(self.force, at), _held(self.radius, at)
        if self.geometry == "parallel flats":
            return flat_punch(force, radius, modulus)
        if body.cylinder_um is None:
            return sphere_on_plane(force, radius, modulus)
        return sphere_on_cylinder(force, radius, body.cylinder_um, modulus)

    def _modulus(self, role: Role, at: Mapping[str, Number]) -> Number:
        body = self.bodies[role]
        moduli = (_held(self.tip.modulus, at), _held(body.modulus, at))
        return contact_modulus(moduli[0], self.tip.poisson, moduli[1], body.poisson)

    def pressed(self, role: Role, share: float) -> _pressed.Pressed:
        """How the tip presses a body at a share of the force, at the estimates."""
        at = {item.name: item.estimate.value for item in self.inputs([role])}
        body, modulus = self.bodies[role], self._modulus(role, at)
        force, radius = share * float(self.force.estimate.value), self.radius.estimate.value
        flat = self.geometry == "parallel flats"
        axes = (radius, radius)
        if not flat and body.cylinder_um is None:
            axes = (radius_on_plane(force, radius, modulus),) * 2
        elif body.cylinder_um is not None:
            axes = ellipse_on_cylinder(force, radius, body.cylinder_um, modulus)
        return _pressed.Pressed(
            body=role,
            force_N=force,
            radius_um=float(axes[0]),
            mean_GPa=float(mean_pressure(force, *axes)),
            peak_GPa=None if flat else float(peak_pressure(force, *axes)),
        )

    def alike(self, loads: Loads) -> bool:
        """Whether all that these loads are of gives way alike, so that nothing is left of it."""
        kinds = {(self.bodies[role].modulus.name, self.bodies[role].cylinder_um, share) for role, share in loads}
        return len(kinds) == 1


def _held(item: Input, at: Mapping[str, Number]) -> Number:
    return np.maximum(at[item.name], _LEAST_SHARE * item.estimate.value)


def _stated(name: str, estimate: Estimate | None, instrument: float | None, unit: str) -> Input | None:
    """An input from the settings, else from the comparator; None where neither has it."""
    if estimate is not None:
        why = estimate.why or "stated in the routine"
        return Input(name=name, estimate=estimate, unit=unit, evaluation="B", why=why)
    if instrument is None:
        return None
    return Input(name=name, estimate=Estimate.exact(instrument), unit=unit, evaluation="B", why="of the comparator")


def _force(settings: ContactSettings, run: RunView) -> Input | None:
    return _stated("contact force", settings.force, run.comparator.force if run.comparator else None, "N")


def _radius(settings: ContactSettings, run: RunView) -> Input | None:
    tip = run.comparator.tip if run.comparator else None
    return _stated("tip radius", settings.radius, tip.radius if tip else None, "um")


def _materials(run: RunView) -> dict[str, str]:
    """Materials by what is made of them; empty where nobody says."""
    tip = run.comparator.tip if run.comparator else None
    reference = run.reference.material if run.reference else ""
    return {"tip": tip.material if tip else "", "part": run.routine.part.material, "reference": reference}


def _contact(settings: ContactSettings, run: RunView) -> _Contact | None:
    """What the approaches follow from; None where something of it is not known."""
    force, radius, names = _force(settings, run), _radius(settings, run), _materials(run)
    if force is None or radius is None or any(name not in _elastic(run) for name in names.values()):
        return None
    alike = names["part"] == names["reference"]
    bodies = {
        role: _Body(
            _modulus(run, "part and reference" if alike else f"the {role}", names[role]),
            _elastic(run)[names[role]][1],
            diameter / 2.0 if diameter is not None else None,
        )
        for role, diameter in _diameters(settings)
    }
    return _Contact(
        geometry=settings.geometry,
        force=force,
        radius=radius,
        tip=_Body(_modulus(run, "the tip", names["tip"]), _elastic(run)[names["tip"]][1], None),
        bodies=bodies,
    )


def _diameters(settings: ContactSettings) -> tuple[tuple[Role, float | None], ...]:
    return ("part", settings.part_diameter), ("reference", settings.reference_diameter)


def _loads(settings: ContactSettings, run: RunView, characteristic: CharacteristicView) -> Loads:
    """How often each approach counts [1], by body and share of the zero's force; empty where all cancel."""
    base = _base(settings, run)
    on_reference = characteristic.spec.base if characteristic.spec.measure is Measure.SIZE else None
    loads: Loads = {}
    for reading, weight in zip(characteristic.readings, characteristic.weights, strict=True):
        role: Role = "reference" if reading.slot.place in (on_reference or ()) else "part"
        key = (role, _share(reading, base))
        loads[key] = loads.get(key, 0.0) + weight
        loads["reference", 1.0] = loads.get(("reference", 1.0), 0.0) - weight
    shares = {share for role, share in loads if role == "part"}
    return {} if not characteristic.common_weight and len(shares) == 1 else loads


def _base(settings: ContactSettings, run: RunView) -> float | None:
    """Force of the zero [N], as the readings' own are stated."""
    base = run.comparator.force if run.comparator else None
    return float(settings.force.value) if base is None and settings.force is not None else base


def _share(reading: Reading, base: float | None) -> float:
    """Force of a reading in units of the zero's [1]."""
    force = reading.slot.force_N
    return 1.0 if force is None or base is None else force / base


def correction(settings: ContactSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """Difference of the elastic approaches on part and reference [um]; a softer part reads short.

    Source: Puttock & Thwaite, CSIRO National Standards Laboratory Technical Paper 25, 1969, Case 2
    and Case 11; its use for blocks of two materials: NIST Monograph 180, Appendix D.
    """
    contact, loads = _contact(settings, run), _loads(settings, run, characteristic)
    if contact is None or not loads:
        return
    inputs = contact.inputs(role for role, _ in loads)
    names = tuple(item.name for item in inputs)

    def function(*numbers: Number) -> Number:
        at = dict(zip(names, numbers, strict=True))
        total: Number = 0.0
        for (role, share), weight in loads.items():
            total = total + weight * contact.approach_um(role, share, at)
        return total

    yield Term(
        name="elastic contact, part less reference",
        inputs=inputs,
        function=function,
        words=f"elastic approach of {_in_words(contact, run, loads)}; what gives way more reads short",
        source="Puttock & Thwaite, CSIRO NSL Technical Paper 25, 1969",
    )


def _approaches(contact: _Contact, loads: Loads) -> dict[tuple[Role, float], Number]:
    """The approaches at the estimates [um], by body and force [N]."""
    inputs = contact.inputs(role for role, _ in loads)
    at = {item.name: item.estimate.value for item in inputs}
    force = float(contact.force.estimate.value)
    return {(role, share * force): contact.approach_um(role, share, at) for role, share in loads}


def _in_words(contact: _Contact, run: RunView, loads: Loads) -> str:
    found = _approaches(contact, loads).items()
    return ", ".join(f"tip and {role} by {run.length(d)} at {force:.3g} N" for (role, force), d in found)


def _missing(settings: ContactSettings, run: RunView) -> Iterator[tuple[str, str]]:
    """What is not known: a word for the code, and what to state."""
    unknown = {role: name for role, name in _materials(run).items() if name not in _elastic(run)}
    if unknown:
        words = ", ".join(f"{role} {name or 'not stated'}" for role, name in unknown.items())
        keys = {"tip": "comparator.tip.material", "part": "part.material", "reference": "reference.material"}
        where = ", ".join(keys[role] for role in unknown)
        yield "material", f"The modulus is not known ({words}): state {where}, one of {', '.join(_elastic(run))}."
    if _force(settings, run) is None:
        yield "force", "The contact force is not known: state comparator.force, or force in [checks.contact]."
    if _radius(settings, run) is None:
        yield "radius", "The tip's radius is not known: state comparator.tip.radius, or radius in [checks.contact]."


def judge(settings: ContactSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """How far the bodies approach; what needs it and can't have it is undecided; and where its formula ends."""
    contact, missing = _contact(settings, run), tuple(_missing(settings, run))
    corrected: set[str] = set()
    marked: dict[str, _pressed.Breach] = {}
    for c in characteristics:
        loads = _loads(settings, run, c)
        for word, text in missing if loads else ():
            yield Finding(level=Level.STOP, code=f"contact/{word}", text=text, characteristic=c.name)
        if contact is None:
            continue
        presses = [contact.pressed(role, share) for role, share in loads or _touched(settings, run, c)]
        found = _pressed.breaches(presses, _materials(run), run.materials)
        if loads:
            yield _told(contact, run, c.name, loads, _pressed.stays_elastic(run, presses, _materials(run), found))
        if loads and not contact.alike(loads):
            corrected |= {item.who for item in found}
            yield from _pressed.of_a_correction(c.name, found)
        else:
            marked |= {item.who: item for item in found}
        if loads and settings.geometry != "parallel flats":
            (term,) = correction(settings, run, c)
            own = (0.0, 0.0) if contact.alike(loads) else _pressed.value_and_expanded_um(term)
            yield from _pressed.width(run, c.name, _pressed.widest(presses, contact.radius, own))
    left = [item for who, item in marked.items() if who not in corrected]
    if left:
        yield _pressed.mark(left)


def _touched(settings: ContactSettings, run: RunView, c: CharacteristicView) -> list[tuple[Role, float]]:
    """What is touched for a characteristic in which all of it cancels: body and share of the zero's force."""
    base = _base(settings, run)
    return [("part", share) for share in {_share(r, base): None for r in c.readings}] + [("reference", 1.0)]


def _told(contact: _Contact, run: RunView, name: str, loads: Loads, elastic: str) -> Finding:
    found = _approaches(contact, loads)
    return Finding(
        level=Level.NOTE,
        code="contact/approach",
        text=f"{name}: elastic approach of {_in_words(contact, run, loads)}. {elastic}",
        characteristic=name,
        data={f"{role}_at_{force:.3g}_N_um": float(np.mean(d)) for (role, force), d in found.items()},
    )


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The contact check."""
    return [
        Check(
            name="contact",
            title="elastic contact of tip with part and reference",
            settings=ContactSettings,
            terms=correction,
            judge=judge,
            validate=_tables.contact,
            arrays=True,
        )
    ]
