"""What the built-in checks say of their tables before any run: keys without effect are refused, strange values told.

Each function takes the settings of its check, the routine, and the plan of a run; what it looks at is said there.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from holdzero.hooks import Characteristic, Comparator, Estimate, Measure, Remark, Routine, Slot, SlotKind
from holdzero_plugins.checks._scatter import GONE
from holdzero_plugins.checks._soaked import cooling_of
from holdzero_plugins.tables.materials import materials

if TYPE_CHECKING:
    from holdzero_plugins.checks._comparison import DriftSettings
    from holdzero_plugins.checks._scatter import RepeatabilitySettings
    from holdzero_plugins.checks._thermal_settings import ThermalSettings
    from holdzero_plugins.checks.block import BlockSettings
    from holdzero_plugins.checks.contact import ContactSettings
    from holdzero_plugins.checks.film import FilmSettings
    from holdzero_plugins.checks.indicator import IndicatorSettings

__all__ = ["block", "contact", "drift", "film", "indicator", "repeatability", "thermal"]

Plan = Sequence[Slot]


def _odd(key: str, found: str, mend: str) -> Remark:
    return Remark(key=key, found=found, mend=mend, warning=True)


def _idle(key: str, found: str, expected: str, mend: str = "drop it") -> Remark:
    return Remark(key=key, found=found, expected=expected, mend=mend)


def _sizes(routine: Routine) -> bool:
    return any(spec.measure is Measure.SIZE for spec in routine.characteristics.values())


def _read(plan: Plan, spec: Characteristic, places: Iterable[str]) -> list[Slot]:
    """The readings of a characteristic at some of its places, as they are planned."""
    own = set(places)
    return [
        slot for slot in plan if slot.kind is SlotKind.READ and slot.place in own and spec.force in (None, slot.force_N)
    ]


def _alike(plan: Plan) -> Counter[tuple[object, ...]]:
    """How often the same is read: one kind, place and force under one zero, a return in one visit."""
    counts: Counter[tuple[object, ...]] = Counter()
    zero = ""
    for slot in plan:
        if slot.kind is SlotKind.ZERO:
            zero = slot.group
        if slot.kind.is_reading:
            visit = slot.group if slot.kind is SlotKind.RETURN else ""
            counts[slot.kind, zero, slot.serial, slot.place, slot.force_N, visit] += 1
    return counts


# --- thermal ----------------------------------------------------------------------------------

# No bench is colder or warmer [degC], no solid expands more [1/K] (common practice, no source).
_COLDEST_DEGC, _WARMEST_DEGC, _LARGEST_EXPANSION_PER_K = 10.0, 35.0, 1e-4
_ROUNDING_K = 1e-9


def thermal(settings: ThermalSettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """Temperatures that a step measures all the same, expansions that another one takes the place of, idle limits."""
    measured = {slot.of for slot in plan if slot.kind is SlotKind.TEMPERATURE}
    stated = {"part": settings.part_temperature, "reference": settings.reference_temperature}
    for of, estimate in stated.items():
        if estimate is not None and of in measured:
            expected = "one of the two: where a step measures it, the reading counts"
            yield _idle(f"{of}_temperature", f"a temperature of the {of} that a step measures", expected, "drop one")
    if settings.part_expansion is not None and settings.expansion_difference is not None:
        expected = "one of them: the difference takes the place of the part's"
        yield _idle("part_expansion", "part_expansion beside expansion_difference", expected, "drop one of them")
    known = {of for of, estimate in stated.items() if estimate is not None or of in measured}
    if known == {"part", "reference"}:
        yield from _beside_both(settings, bool(measured & known))
    yield from _limits(settings, measured, known)
    yield from _of_the_soak(settings, routine, plan, measured)
    if not _sizes(routine) and routine.check_standard is None:
        yield from _without_a_size(settings, known)
    yield from _strange(settings)


def _beside_both(settings: ThermalSettings, measured: bool) -> Iterator[Remark]:
    """A difference beside both temperatures: only its uncertainty counts."""
    difference = settings.difference
    if difference is None:
        return
    value = float(difference.value)
    expected = "a value of 0 K: both temperatures are known, and its uncertainty alone counts"
    apart = 0.0
    if not measured and settings.part_temperature is not None and settings.reference_temperature is not None:
        apart = float(settings.part_temperature.value) - float(settings.reference_temperature.value)
    if value and abs(value - apart) > _ROUNDING_K:
        yield _idle("difference", f"a difference of {value:g} K beside both temperatures", expected, "write 0 K")
    if not difference.standard_uncertainty:
        found, expected = "an exact difference beside both temperatures", "an uncertainty to add to theirs"
        yield _idle("difference", found, expected, "say how well it is known (standard or halfwidth), or drop it")


def _limits(settings: ThermalSettings, measured: set[str], known: set[str]) -> Iterator[Remark]:
    for key in ("lowest", "highest"):
        if getattr(settings, key) is not None and not measured:
            mend = "add a temperature step, or drop it"
            yield _idle(key, "a limit of temperatures, and no step measures one", "a temperature step", mend)
    if settings.largest_change is not None and not measured & {"part", "reference"}:
        mend = "measure one before and after the readings, or drop it"
        yield _idle("largest_change", "a limit of a change, and no step measures part or reference", "two steps", mend)
    if settings.lowest is not None and settings.highest is not None and settings.lowest >= settings.highest:
        found = f"{settings.lowest:g} degC, and highest is {settings.highest:g} degC"
        yield _idle("lowest", found, "lowest below highest", "exchange them, or check a number")
    if settings.largest_difference is None or known == {"part", "reference"} or settings.difference is not None:
        return
    found, expected = "a limit of a difference that nobody knows", "the temperatures of part and reference"
    yield _idle("largest_difference", found, expected, "measure both, or drop it")


def _of_the_soak(settings: ThermalSettings, routine: Routine, plan: Plan, measured: set[str]) -> Iterator[Remark]:
    """What a soak leaves of the difference that it began with, where it counts beside a stated one."""
    brought = settings.brought_from
    if brought is None:
        if settings.time_constant is not None:
            found, mend = "time_constant without brought_from", "add brought_from, or drop time_constant"
            yield _idle("time_constant", found, "brought_from beside it", mend)
        return
    soaks = [slot.at_least_s for slot in plan if slot.kind is SlotKind.SOAK]
    drop = "drop brought_from" + (" and time_constant" if settings.time_constant is not None else "")
    if not soaks:
        found, expected = "what a soak leaves, and no step soaks", "a soak step"
        yield _idle("brought_from", found, expected, f"add one, or {drop}")
    elif {"part", "reference"} <= measured:
        found = "what a soak leaves, and steps measure part and reference"
        yield _idle("brought_from", found, "a difference that nobody measures", drop)
    elif settings.difference is None:
        found, expected = "what a soak leaves beside difference, and none is stated", "difference beside it"
        yield _idle("brought_from", found, expected, f"state difference, or {drop}")
    elif (cooling := cooling_of(settings, routine, None, materials())) is not None:
        # Newton's law of cooling, as in `_soaked.left_of`.
        left = brought * math.exp(-max(soaks) / cooling[0])
        stated = math.sqrt(3.0) * float(settings.difference.standard_uncertainty)
        if left > stated + _ROUNDING_K:
            found = f"{brought:.2g} K: a whole soak of {max(soaks) / 60.0:g} min may leave {left:.2g} K of it, "
            found += f"more than the ±{stated:.2g} K of difference"
            yield _odd("brought_from", found, "soak longer, or check brought_from and time_constant: U grows by it")


def _without_a_size(settings: ThermalSettings, known: set[str]) -> Iterator[Remark]:
    """A difference within one part grows with the part: what is said of the reference counts only in place of that."""
    idle = {
        "reference_temperature": settings.difference is None or "part" in known,
        "difference": "reference" not in known or "part" in known,
        "reference_expansion": settings.expansion_difference is None,
    }
    for key, alone in idle.items():
        if alone and getattr(settings, key) is not None and not (key == "difference" and settings.largest_difference):
            mend = "drop it; a variation or a step within one part grows with the part alone"
            yield _odd(key, f"{key}, and no characteristic is a size", mend)


def _strange(settings: ThermalSettings) -> Iterator[Remark]:
    stated = (settings.part_temperature, settings.reference_temperature)
    numbers = [None if estimate is None else float(estimate.value) for estimate in stated]
    keys = ("part_temperature", "reference_temperature", "lowest", "highest")
    for key, number in zip(keys, (*numbers, settings.lowest, settings.highest), strict=True):
        if number is not None and not _COLDEST_DEGC <= number <= _WARMEST_DEGC:
            yield _odd(key, f"{number:.4g} degC: no bench is so", f"check number and unit{_meant(number)}")
    for key in ("part_expansion", "reference_expansion", "expansion_difference"):
        estimate: Estimate | None = getattr(settings, key)
        if estimate is not None and abs(float(estimate.value)) > _LARGEST_EXPANSION_PER_K:
            found = f"{float(estimate.value):g} 1/K, more than any solid expands"
            yield _odd(key, found, 'check number and unit: steel has "11.5e-6 1/K"')


def _meant(number: float) -> str:
    """Which unit would make a temperature of a bench of the same number."""
    if _COLDEST_DEGC <= (number - 32.0) / 1.8 <= _WARMEST_DEGC:
        return f": did you mean {number:.4g} degF?"
    in_degf = number * 1.8 + 32.0
    return f": did you mean {in_degf:.4g} degC?" if _COLDEST_DEGC <= in_degf <= _WARMEST_DEGC else ""


# --- repeatability ----------------------------------------------------------------------------


def repeatability(settings: RepeatabilitySettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """Limits of a scatter that is never seen, and keys of before."""
    alike = _alike(plan)
    if settings.limit is not None and max(alike.values(), default=0) < 2:  # noqa: PLR2004  one reading has no scatter
        found, expected = "a limit of the scatter, and nothing is read twice under one zero", "repeats"
        yield _idle("limit", found, expected, "give a step times = 3, or drop it")
    for key in GONE.keys() & routine.checks.get("repeatability", {}).keys():
        yield _idle(key, GONE[key], "no such key", "drop it")
    comparator = routine.comparator
    if settings.limit is not None and isinstance(comparator, Comparator):
        # What rounding alone makes of readings (JCGM 100:2008, F.2.2.1).
        rounding = comparator.resolution / math.sqrt(12.0)
        if settings.limit < rounding:
            found = f"{settings.limit:g} um, less than the resolution of {comparator.resolution:g} um makes by itself"
            yield _odd("limit", found, "check number and unit: one reading that rounds the other way stops the run")


# --- designs, heat, film ----------------------------------------------------------------------


def drift(settings: DriftSettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """A design that there is not, and a bias that only differences have."""
    del plan
    compared = {
        name: spec
        for name, spec in routine.characteristics.items()
        if spec.base is not None and spec.measure is not Measure.VARIATION
    }
    picked = [name for name, spec in compared.items() if spec.of.value != "mean"]
    if len(picked) == len(compared):
        found, expected = "a design, and no characteristic whose drift it could take out", "a size or step with from"
        yield _idle("", found, expected, "name the places of the reference in from, or drop the table")
    else:
        for name in picked:
            found = f"{name}, which counts the {compared[name].of} of its places: no design weighs it"
            yield _odd("", found, "its drift stays in; take the mean (leave out of), or measure it by itself")
    if settings.bias and settings.design == "linear":
        yield _idle("bias", 'bias with design = "linear"', 'bias with design = "pairs"', "drop it, or take pairs")


def film(settings: FilmSettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """No step to look at, or one force, so that nothing is known of how it gives way."""
    steps = {name: spec for name, spec in routine.characteristics.items() if spec.measure is Measure.STEP}
    if not steps:
        found, expected = "a check of a film, and no characteristic is a step", 'measure = "step"'
        yield _idle("", found, expected, "measure the film as a step, or drop the table")
        return
    yield from _without_force(steps, plan)
    at_one = [name for name, spec in steps.items() if len(_forces(plan, spec)) < 2]  # noqa: PLR2004  two forces
    if len(at_one) < len(steps):
        return
    if settings.limit is not None:
        found, expected = "a limit of how it gives way, and it is read at one force", "readings at a second force"
        yield _idle("limit", found, expected, "read bare and covered places at another force too, or drop it")
    else:
        found = f"{' and '.join(at_one)} read at one force: whether the film gives way stays unknown"
        yield _odd("", found, "read bare and covered places at another force too")


_FEWEST_FORCES = 3  # a power law has two unknowns, and one reading more shows whether it holds


def _without_force(steps: Mapping[str, Characteristic], plan: Plan) -> Iterator[Remark]:
    """A thickness at no force, and too few forces to tell it from."""
    for name, spec in steps.items():
        forces = sorted(_forces(plan, spec))
        if spec.at_no_force and spec.of.value != "mean":
            found = f"{name} at 0 N, of = {spec.of.value!r}"
            yield _idle("", found, "at 0 N the mean of the places", "drop of, or give each place a characteristic")
        elif spec.at_no_force and len(forces) < _FEWEST_FORCES:
            at = ", ".join(f"{force:g} N" for force in forces) or "no force that is known"
            found = f"{name} at 0 N, and its bare and covered places are read at {at}"
            mend = "read bare and covered places at another force, lighter or between; or say which force counts"
            if any(slot.force_N is None for slot in plan if slot.place in spec.places):
                mend = "state comparator.force, or force in each read step"
            yield _idle("", found, f"readings at {_FEWEST_FORCES} forces or more", mend)


def _forces(plan: Plan, spec: Characteristic) -> set[float]:
    """The forces [N] that both covered and bare places are read at."""
    free = spec.model_copy(update={"force": None})
    covered, bare = (
        {slot.force_N for slot in _read(plan, free, places) if slot.force_N is not None}
        for places in (spec.at, spec.base or ())
    )
    return covered & bare


# --- contact, block, indicator ----------------------------------------------------------------


# Tips of comparators, and what they press with (common practice, no source); as of the comparator's own keys.
_TIP_UM, _FORCE_N = (50.0, 500e3), (0.001, 20.0)
_THOUSAND = 1000.0


def contact(settings: ContactSettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """What gives way alike at all places cancels within a part; a radius or a force that no tip has."""
    del plan
    if not _sizes(routine):
        yield _odd("", "elastic contact, and no characteristic is a size: within a part it cancels", "drop the table")
    if settings.radius is not None and not _TIP_UM[0] <= (radius := float(settings.radius.value)) <= _TIP_UM[1]:
        found = f"{radius / _THOUSAND:g} mm: no tip is so"
        yield _odd("radius", found, f"check number and unit{_other_unit(radius)}")
    if settings.force is not None and not _FORCE_N[0] <= (force := float(settings.force.value)) <= _FORCE_N[1]:
        yield _odd("force", f"{force:g} N: no comparator presses so", "check number and unit")


def _other_unit(radius_um: float) -> str:
    """In which unit the same number would be a tip's radius: millimetres for micrometres, or the other way round."""
    if _TIP_UM[0] <= radius_um * _THOUSAND <= _TIP_UM[1]:
        return f": did you mean {radius_um:g} mm?"
    in_mm = radius_um / _THOUSAND
    return f": did you mean {in_mm:g} um?" if _TIP_UM[0] <= in_mm <= _TIP_UM[1] else ""


def block(settings: BlockSettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """A standard without a grade, places that nobody reads, no block to set a length from."""
    if "standard" in settings.model_fields_set and settings.grade is None:
        yield _idle("standard", "standard, and no grade", "grade beside it", "add grade, or drop it")
    if routine.zero_place is not None:
        found, mend = "a length, and the zero is taken on the part", "take a block as reference, or drop the table"
        yield _idle("", found, "a reference of known size", mend)
    read = {slot.place for slot in plan if slot.kind is SlotKind.READ and settings.force in (None, slot.force_N)}
    missing = [place for place in settings.places if place not in read]
    if missing:
        found = f"five points, and no step reads {', '.join(missing)}"
        yield _odd("", found, "read them, or name the five places in centre and corners")


def indicator(settings: IndicatorSettings, routine: Routine, plan: Plan) -> Iterator[Remark]:
    """An approach without hysteresis, a deflection without a change of force."""
    if "approach" in settings.model_fields_set and settings.hysteresis is None:
        yield _idle("approach", "approach, and no hysteresis", "hysteresis beside it", "add hysteresis, or drop it")
    usual = routine.comparator.force if isinstance(routine.comparator, Comparator) else None
    changes = any(slot.force_N not in (None, usual) for slot in plan if slot.kind is SlotKind.READ)
    if settings.deflection is None or changes:
        return
    if settings.force_change is None:
        found, expected = "a deflection, and one force everywhere", "force_change, or readings at another force"
        yield _idle("deflection", found, expected, "add force_change, or drop it")
    elif not _sizes(routine):
        found = "force_change, and no characteristic is a size: within a part it cancels"
        yield _odd("force_change", found, "drop deflection and force_change")
