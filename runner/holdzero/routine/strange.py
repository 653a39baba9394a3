"""What a routine may say and hardly anybody means: warnings of numbers that look like a slip, each with what to do.

It knows the resolved routine, typed and as written, and where its keys stand; no plugin, no run.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from holdzero.errors import Fault
from holdzero.routine import schema
from holdzero.routine.locate import KeyPath, dotted
from holdzero.routine.resolve import Origins
from holdzero.routine.steps import numbered

__all__ = ["strange"]

Warnings = Iterator[tuple[KeyPath, str, str]]


def strange(routine: schema.Routine, document: Mapping[str, Any], origins: Origins) -> tuple[Fault, ...]:
    """Warnings of a valid routine.

    Args:
        routine: typed.
        document: the same as plain data, quantities as they were written.
        origins: where its keys were written.
    """
    warnings = (
        *_estimates(document),
        *_systems_of_units(routine, document),
        *_devices(routine),
        *_rule(routine),
        *_shifts(routine),
        *_characteristics(routine),
        *_times(routine),
    )
    faults = []
    for path, found, mend in warnings:
        file, line = origins.place(path)
        faults.append(Fault(file=file, line=line, key=dotted(path), found=found, expected="", mend=mend, warning=True))
    return tuple(dict.fromkeys(faults))


# --- estimates as written -------------------------------------------------------------------------

_SPREADS = ("standard", "expanded", "halfwidth")
# Certificates state k = 2 or 3, or the factor of 95 %, 1.96 for a normal value (JCGM 100:2008, 6.3.1 and Table G.1,
# both from memory).
_SMALLEST_FACTOR, _LARGEST_FACTOR = 1.96, 3.0
_ZERO = re.compile(r"[+-]?[0.,]+(?:[eE][+-]?[0-9]+)?\s*(?:1/)?[^0-9]*")


def _estimates(node: Any, path: KeyPath = ()) -> Warnings:
    """Tables that state how well a value is known, wherever they stand."""
    if isinstance(node, list):
        for index, item in enumerate(node):
            yield from _estimates(item, (*path, index))
    if not isinstance(node, Mapping):
        return
    written = {key: node[key] for key in ("value", *_SPREADS) if isinstance(node.get(key), str)}
    spread = next((key for key in _SPREADS if key in written), None)
    if spread is not None:
        yield from _spread(node, path, spread, written)
    for key, item in node.items():
        yield from _estimates(item, (*path, str(key)))


def _spread(node: Mapping[str, Any], path: KeyPath, spread: str, written: Mapping[str, str]) -> Warnings:
    if _ZERO.fullmatch(written[spread]):
        mend = "say how well it is known; of what is exact, write the value alone"
        yield (*path, spread), f"{spread} = {written[spread]!r}, which makes it exact", mend
    factor = node.get("coverage")
    if spread == "expanded" and isinstance(factor, int | float) and not _SMALLEST_FACTOR <= factor <= _LARGEST_FACTOR:
        probability = factor / 100.0 if factor > 50.0 else factor  # noqa: PLR2004  per cent
        mend = "write the factor k of the certificate, 2 or 3 as a rule"
        if 0.5 < probability < 1.0:  # noqa: PLR2004  a probability
            mend += f"; {factor:g} looks like a probability"
        yield (*path, "coverage"), f"a coverage factor of {factor:g}", mend
    systems = {system for text in written.values() if (system := _system(text))}
    if len(systems) > 1:
        mend = "check both units; write them in one system"
        yield path, f"{' and '.join(written.values())} in one estimate: {' and '.join(sorted(systems))}", mend


_SYSTEMS = {
    "inches": re.compile(r"[0-9.,]\s*(?:in|\"|uin|µin|μin|thou)$"),
    "millimetres": re.compile(r"[0-9.,]\s*(?:nm|um|µm|μm|mm|cm|m)$"),
    "Fahrenheit": re.compile(r"[0-9.,]\s*(?:degF|°F|F)$"),
    "Celsius": re.compile(r"[0-9.,]\s*(?:degC|°C|C)$"),
}


def _system(text: object) -> str:
    """The system that a quantity is written in; empty where that is none of these, or zero, which is one in all."""
    if not isinstance(text, str) or (_ZERO.fullmatch(text) and not text.rstrip().endswith(("C", "F"))):
        return ""
    return next((name for name, pattern in _SYSTEMS.items() if pattern.search(text.strip())), "")


# --- devices ----------------------------------------------------------------------------------------


def _systems_of_units(routine: schema.Routine, document: Mapping[str, Any]) -> Warnings:
    """Inches for a part in millimetres, and the other way round."""
    size = _system(document["reference"].get("size"))
    for name, spec in document["characteristics"].items():
        nominal = _system(spec.get("nominal"))
        if size and nominal and size != nominal:
            found = f"{document['reference']['size']}: {size}, and {name} is {spec['nominal']}"
            yield ("reference", "size"), found, "is it the right block, and the right unit?"
            break
    own, shown = _system(f"1 {document['comparator'].get('unit') or ''}"), _SHOWN[routine.routine.units]
    own = own or _system(document["comparator"].get("resolution") or document["comparator"].get("largest_resolution"))
    if own and own != shown:
        key = "resolution" if "resolution" in document["comparator"] else "largest_resolution"
        found = f"a comparator that shows {own}, and the routine shows {shown}"
        yield ("comparator", key), found, f"bare readings count as {own}: say it in unit, or set units of [routine]"


_SHOWN = {"mm": "millimetres", "in": "inches"}

# What calibration can reach, and what indicators press with (common practice, no source).
_BEST_EXPANDED_UM, _LEAST_FORCE_N, _LARGEST_FORCE_N = 0.005, 0.001, 20.0
_SHARE_OF_STEP = 0.1
# From a fine point to a face that is nearly flat (common practice, no source).
_SMALLEST_TIP_UM, _LARGEST_TIP_UM = 50.0, 500e3


def _devices(routine: schema.Routine) -> Warnings:
    sizes = any(spec.measure is schema.Measure.SIZE for spec in routine.characteristics.values())
    blocks = {"reference": routine.reference, "check_standard": routine.check_standard}
    for role, block in blocks.items():
        if not isinstance(block, schema.Reference):
            continue
        expanded = 2.0 * float(block.deviation.standard_uncertainty)
        if 0.0 < expanded < _BEST_EXPANDED_UM:
            mend = "check number and unit: um, and not nm?"
            yield (role, "deviation"), f"an expanded uncertainty of {expanded:g} um: no block is known so well", mend
        if role == "reference" and sizes and not expanded:
            mend = "state the uncertainty of its certificate, or U leaves it out"
            yield (role, "deviation"), "a reference that is taken as exact", mend
    comparator = routine.comparator
    if isinstance(comparator, schema.Comparator):
        yield from _comparator(routine, comparator)
    standard, reference = routine.check_standard, routine.reference
    if standard is not None and isinstance(reference, schema.Reference) and standard.size == reference.size:
        mend = "take one of another size: of the same it shows no wrong unit, sign or gain"
        yield ("check_standard", "size"), "a check standard of the size of the reference", mend


def _comparator(routine: schema.Routine, comparator: schema.Comparator) -> Warnings:
    step, travel, force = comparator.resolution, comparator.travel, comparator.force
    if travel is not None and travel <= step:
        yield ("comparator", "travel"), f"a travel of {travel:g} um, no more than one step", "check number and unit"
    if force is not None and not _LEAST_FORCE_N <= force <= _LARGEST_FORCE_N:
        yield ("comparator", "force"), f"{force:g} N: no comparator presses so", "check number and unit"
    radius = comparator.tip.radius if comparator.tip is not None else None
    if radius is not None and not _SMALLEST_TIP_UM <= radius <= _LARGEST_TIP_UM:
        mend = f"check number and unit{_other_unit(radius)}"
        yield ("comparator", "tip", "radius"), f"{radius / 1000.0:g} mm: no tip is so", mend
    known = 2.0 * float(comparator.error.standard_uncertainty)
    if 0.0 < known < _SHARE_OF_STEP * step:
        found = f"an error known to {known:g} um, a small part of the resolution of {step:g} um"
        yield ("comparator", "error"), found, "check number and unit"
    bracket = routine.bracket
    limits = {("bracket", "limit"): bracket.limit, ("bracket", "zero_within"): bracket.zero_within}
    if routine.check_standard is not None:
        limits["check_standard", "limit"] = routine.check_standard.limit
    for path, limit in limits.items():
        if limit is not None and limit < step:
            found = f"{limit:g} um, less than the resolution of {step:g} um"
            yield path, found, "one step of the dial is more: check number and unit"


def _other_unit(radius_um: float) -> str:
    """In which unit the same number would be a tip's radius: millimetres for micrometres, or the other way round."""
    if _SMALLEST_TIP_UM <= 1000.0 * radius_um <= _LARGEST_TIP_UM:
        return f": did you mean {radius_um:g} mm?"
    in_mm = radius_um / 1000.0
    return f": did you mean {in_mm:g} um?" if _SMALLEST_TIP_UM <= in_mm <= _LARGEST_TIP_UM else ""


# --- decision, terms, characteristics ---------------------------------------------------------------

_LEAST_COVERAGE = 0.9


def _rule(routine: schema.Routine) -> Warnings:
    decision = routine.decision
    if decision.coverage_probability < _LEAST_COVERAGE:
        found = f"U for {100.0 * decision.coverage_probability:g} %"
        yield ("decision", "coverage_probability"), found, "U stands for 95 % as a rule: leave it out"
    if decision.guard == 0.0:
        yield ("decision", "guard"), "a guard band of nothing", 'write rule = "simple", which says what it is'
    limited = any(spec.lower is not None or spec.upper is not None for spec in routine.characteristics.values())
    if "rule" in decision.model_fields_set and not limited:
        yield ("decision", "rule"), "a rule, and no characteristic has a limit", "state lower or upper, or drop it"


def _shifts(routine: schema.Routine) -> Warnings:
    """Constants that are added to what is a difference of readings of one part."""
    within = {
        name: spec
        for name, spec in routine.characteristics.items()
        if spec.measure is schema.Measure.VARIATION or not isinstance(spec.measure, schema.Measure)
    }
    for index, term in enumerate(routine.terms):
        hit = [name for name in within if term.characteristics is None or name in term.characteristics]
        value = float(term.estimate.value)
        if hit and value:
            found = f"{value:+g} um, added to {' and '.join(hit)}: a difference within the part"
            yield ("terms", index, "value"), found, "name the sizes that it is for in characteristics"
    comparator = routine.comparator
    error = float(comparator.error.value) if isinstance(comparator, schema.Comparator) else 0.0
    if error and within:
        found = f"an error of {error:+g} um of any difference, taken off {' and '.join(within)} too"
        yield (
            ("comparator", "error"),
            found,
            "write value 0 and how large it may be, or state it in [[terms]] for sizes",
        )


def _characteristics(routine: schema.Routine) -> Warnings:
    for name, spec in routine.characteristics.items():
        path: KeyPath = ("characteristics", name)
        if "of" in spec.model_fields_set and len(spec.at) == 1:
            yield (*path, "of"), f"of = {spec.of.value!r} of one place", "name the other places in at, or drop it"
        if spec.measure is schema.Measure.VARIATION and spec.lower == 0.0:
            mend = "drop lower: a variation is never less, and a part without any could not be passed"
            yield (*path, "lower"), "a lower limit of zero for a variation", mend


# --- times, thermometer -----------------------------------------------------------------------------

_SHIFT_S, _DAY_S = 8.0 * 3600.0, 24.0 * 3600.0


def _times(routine: schema.Routine) -> Warnings:
    if routine.bracket.longest_absence > _SHIFT_S:
        found = f"{routine.bracket.longest_absence / 3600.0:g} h without a fresh zero, longer than a shift"
        yield ("bracket", "longest_absence"), found, "check number and unit; 30 min where left out"
    widths = [
        spec.upper - (spec.lower or 0.0)
        for spec in routine.characteristics.values()
        if spec.upper is not None and (spec.lower is not None or spec.measure is schema.Measure.VARIATION)
    ]
    felt = False
    for path, step in numbered(routine.steps):
        felt = felt or isinstance(step, schema.TemperatureStep)
        if not isinstance(step, schema.Soak):
            continue
        felt = felt or step.within_temperature is not None
        if step.at_least > _DAY_S:
            yield (*path, "at_least"), f"a soak of {step.at_least / 3600.0:g} h", "check number and unit"
        if step.within is not None and widths and step.within >= min(widths):
            found = f"{step.within:g} um still to come, as much as a tolerance of {min(widths):g} um"
            yield (*path, "within"), found, "check number and unit"
    if routine.thermometer is not None and not felt:
        yield ("thermometer",), "a thermometer that no step reads", "add a temperature step, or drop the table"
