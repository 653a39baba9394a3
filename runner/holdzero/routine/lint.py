"""What is legal in a routine but unwise: warnings, located, each with what to do.

It knows the typed routine and where its keys stand; no plugin, no run.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterable, Iterator

from holdzero.errors import Fault
from holdzero.length import MOST_GROWTH
from holdzero.limit import exceeds
from holdzero.routine import schema
from holdzero.routine.limits import like_a_size, small
from holdzero.routine.locate import KeyPath, dotted
from holdzero.routine.resolve import Origins

__all__ = ["unwise"]


def unwise(routine: schema.Routine, origins: Origins, today: dt.date) -> tuple[Fault, ...]:
    """Warnings of a valid routine.

    Args:
        routine: typed.
        origins: where its keys were written.
        today: to see what is overdue.
    """
    warnings = (
        *_places(routine),
        *_order(routine),
        *_overdue(routine, today),
        *_tolerances(routine),
        *_beyond_travel(routine),
        *_blocks(routine),
        *_silences(routine),
    )
    faults = []
    for path, found, mend in warnings:
        file, line = origins.place(path)
        faults.append(Fault(file=file, line=line, key=dotted(path), found=found, expected="", mend=mend, warning=True))
    return tuple(dict.fromkeys(faults))


Warnings = Iterator[tuple[KeyPath, str, str]]
Numbered = tuple[KeyPath, schema.AnyStep, bool]


def _numbered(
    steps: Iterable[schema.AnyStep], path: KeyPath = ("steps",), *, over: bool = False, rounds: int = 1
) -> Iterator[Numbered]:
    """All steps with their paths, and whether each is done for every part of a batch."""
    for index, step in enumerate(steps):
        here: KeyPath = (*path, index)
        yield here, step, over
        if isinstance(step, schema.Repeat):
            once = step.times == 1
            for _ in range(1 if once else rounds):
                yield from _numbered(step.steps, (*here, "steps"), over=over or step.over is not None, rounds=rounds)


def _places(routine: schema.Routine) -> Warnings:
    read = {step.at for _, step, _ in _numbered(routine.steps) if isinstance(step, schema.Read)}
    used = {place for spec in routine.characteristics.values() for place in spec.places}
    for path, step, _ in _numbered(routine.steps):
        if isinstance(step, schema.Read) and step.at not in used:
            yield (
                path,
                f"a reading at {step.at!r} that no characteristic uses",
                "name the place in a characteristic, or drop the step",
            )
    for name, spec in routine.characteristics.items():
        missing = [place for place in spec.places if place not in read]
        if missing:
            spare = {place.lower(): place for place in sorted(read - used)}
            close = difflib.get_close_matches(missing[0].lower(), spare, 1)
            mend = "add a read step, or the characteristic stays undecided"
            yield (
                ("characteristics", name),
                f"place {', '.join(missing)} that no step reads",
                f"did you mean {spare[close[0]]}? Or {mend}" if close else mend,
            )
        forces = {
            step.force if step.force is not None else _usual(routine)
            for _, step, _ in _numbered(routine.steps)
            if isinstance(step, schema.Read) and step.at in spec.places
        }
        if spec.force is None and len(forces) > 1:
            yield ("characteristics", name), "readings at several forces", "say which counts: force = …"


def _usual(routine: schema.Routine) -> float | None:
    return routine.comparator.force if isinstance(routine.comparator, schema.Comparator) else None


def _order(routine: schema.Routine) -> Warnings:
    # Each repeat twice: what its second round finds is what its third finds.
    steps = list(_numbered(routine.steps, rounds=2))
    kinds: list[str] = [step.do for _, step, _ in steps]
    batch = any(isinstance(step, schema.Repeat) and step.over for _, step, _ in steps)
    for (path, step, over), kind, before in zip(steps, kinds, _prefixes(kinds), strict=True):
        if kind in ("read", "check", "return") and "zero" not in before:
            yield path, f"{kind} before any zero", "put a zero step before it"
        if kind == "compare" and "zero" not in before:
            yield path, "compare before any zero", "put a zero step, readings and a return before it"
        if kind == "read" and batch and not over:
            yield path, "a reading outside the parts loop", 'put it inside the repeat over = "parts"'
        if kind == "check" and routine.check_standard is None:
            yield path, "a check step without a check standard", "add [check_standard]"
        if isinstance(step, schema.Zero) and "zero" in before and _unclosed(before):
            yield (
                path,
                "a zero set again before the return",
                "put a return step before it, or the readings are undecided",
            )
    if "return" not in kinds:
        yield ("steps",), "no return to the reference", "add a return step after the readings, or all is undecided"
    elif _unclosed(kinds):
        yield ("steps",), "readings after the last return", "put a return step after them, or they are undecided"


def _prefixes(kinds: list[str]) -> Iterator[list[str]]:
    for index in range(len(kinds)):
        yield kinds[:index]


def _unclosed(kinds: list[str]) -> bool:
    """Whether a reading stands behind the last return."""
    tail = kinds[len(kinds) - kinds[::-1].index("return") :] if "return" in kinds else kinds
    return "read" in tail


def _overdue(routine: schema.Routine, today: dt.date) -> Warnings:
    named = {
        "reference": routine.reference,
        "check_standard": routine.check_standard,
        "comparator": routine.comparator,
        "thermometer": routine.thermometer,
    }
    for role, device in named.items():
        due = getattr(device, "due", None)
        if due is not None and due < today:
            yield (role, "due"), f"due on {due.isoformat()}, which is past", "have it calibrated, or state another"


def _tolerances(routine: schema.Routine) -> Warnings:
    if not isinstance(routine.comparator, schema.Comparator):
        return
    resolution, travel = routine.comparator.resolution, routine.comparator.travel
    for name, spec in routine.characteristics.items():
        # A variation has a lower end by itself; a size or step with one limit has no width.
        lower = 0.0 if spec.lower is None and spec.measure is schema.Measure.VARIATION else spec.lower
        width = spec.upper - lower if spec.upper is not None and lower is not None else None
        if width is not None and exceeds(resolution, width):
            yield (
                ("characteristics", name),
                f"a tolerance of {width:g} um, smaller than the resolution of {resolution:g} um",
                "check its number and unit, or use a finer comparator",
            )
        if width is not None and routine.bracket.limit is not None and exceeds(routine.bracket.limit, width):
            yield (
                ("bracket", "limit"),
                f"{routine.bracket.limit:g} um, more than the tolerance of {name} ({width:g} um)",
                "a zero that may wander so far can turn a bad part into a good one: narrow it",
            )
        apart = abs(spec.nominal - _size_um(routine)) if spec.nominal is not None else 0.0
        if travel is not None and exceeds(apart, travel, resolution):
            yield (
                ("characteristics", name, "nominal"),
                f"{apart:g} um away from the reference, beyond the travel",
                "choose a reference nearer to the part",
            )


def _size_um(routine: schema.Routine) -> float:
    """Nominal size of the reference [um]; 0 where the zero is taken on the part, from which no size is measured."""
    return 0.0 if isinstance(routine.reference, schema.ReferencePlace) else routine.reference.size


def _beyond_travel(routine: schema.Routine) -> Warnings:
    """Limits that the comparator can't show: a slip of the unit, or too short a travel."""
    comparator, size = routine.comparator, _size_um(routine)
    travel = comparator.travel if isinstance(comparator, schema.Comparator) else comparator.smallest_travel
    if travel is None:
        return
    for name, spec in routine.characteristics.items():
        for key, limit in (("lower", spec.lower), ("upper", spec.upper)):
            if limit is None or (spec.nominal is not None and like_a_size(limit, spec.nominal)):
                continue
            # A size is read against the reference; a difference within the part from one end to the other.
            reach = spec.nominal - size if spec.nominal is not None else 0.0
            most = travel if spec.nominal is not None else 2.0 * travel
            if not exceeds(abs(reach), travel) and exceeds(abs(reach + limit), most):
                yield (
                    ("characteristics", name, key),
                    f"{limit:+g} um, beyond the travel of {travel:g} um",
                    "check number and unit (um, not mm?), or take a comparator with more travel",
                )


# A block differs from its nominal size, and is known, to this share of it or to this length, whichever is
# more (common practice, no source: gauge blocks of the coarsest grades are ten times closer).
_SHARE_OF_SIZE, _LEAST_SLIP_UM = 1e-3, 5.0


def _blocks(routine: schema.Routine) -> Warnings:
    """Certified numbers that no block has: a slip of the unit, or the size in place of its deviation."""
    mend = "check number and unit: um, and not mm?"
    for role, block in (("reference", routine.reference), ("check_standard", routine.check_standard)):
        if not isinstance(block, schema.Reference):
            continue
        most = max(_SHARE_OF_SIZE * block.size, _LEAST_SLIP_UM)
        value, standard = float(block.deviation.value), float(block.deviation.standard_uncertainty)
        if exceeds(abs(value), most):
            size = like_a_size(value, block.size)
            instead = f"take the nominal size off: {small(value - block.size, routine.routine.units)}"
            yield (role, "deviation"), f"{value:+g} um, more than a block deviates", instead if size else mend
        if exceeds(2.0 * standard, most):
            yield (role, "deviation"), f"an expanded uncertainty of {2.0 * standard:g} um, more than a block's", mend


def _grown_steps(routine: schema.Routine) -> Warnings:
    """Differences within the part so large that it would show how much they have grown."""
    comparator = routine.comparator
    coarsest = comparator.resolution if isinstance(comparator, schema.Comparator) else comparator.largest_resolution
    for name, spec in routine.characteristics.items():
        largest = max((abs(limit) for limit in (spec.lower, spec.upper) if limit is not None), default=0.0)
        if exceeds(largest * MOST_GROWTH, coarsest, coarsest):
            yield (
                ("characteristics", name),
                f"no thermal check for a {spec.measure} of {largest:g} um",
                "add [checks.thermal], or it is that at the bench's temperature",
            )


def _silences(routine: schema.Routine) -> Warnings:
    sizes = any(spec.measure is schema.Measure.SIZE for spec in routine.characteristics.values())
    if sizes and "thermal" not in routine.checks:
        yield (
            ("checks",),
            "no thermal check for a size",
            "add [checks.thermal], or the size is that at the bench's temperature",
        )
    elif "thermal" not in routine.checks:
        yield from _grown_steps(routine)
    measured = any(step.do == "temperature" for _, step, _ in _numbered(routine.steps))
    if measured and routine.thermometer is None:
        mend = "add [thermometer], else its readings count as exact"
        yield ("steps",), "a temperature step without a thermometer", mend
    if routine.check_standard is not None and not any(step.do == "check" for _, step, _ in _numbered(routine.steps)):
        yield ("check_standard",), "a check standard that no step reads", "add a check step after the zero"
