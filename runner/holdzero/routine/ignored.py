"""Keys and steps that decide nothing where they stand: whoever wrote them counts on what does not happen.

They are faults of a file that a person writes, and not of a routine: a record that was made with one stays readable.
It knows the typed routine and where its keys stand; no plugin, no run.
"""

from __future__ import annotations

from collections.abc import Iterator

from holdzero.decide import Rule
from holdzero.errors import Fault
from holdzero.routine import schema
from holdzero.routine.locate import KeyPath, dotted
from holdzero.routine.resolve import Origins
from holdzero.routine.steps import numbered

__all__ = ["without_effect"]

Idle = Iterator[tuple[KeyPath, str, str, str]]


def without_effect(routine: schema.Routine, origins: Origins) -> tuple[Fault, ...]:
    """Faults of keys and steps of a valid routine that have no effect.

    Args:
        routine: typed, as loaded from a file.
        origins: where its keys were written.
    """
    faults = []
    for path, found, expected, mend in (
        *_of_the_decision(routine),
        *_of_characteristics(routine),
        *_of_terms(routine),
        *_of_steps(routine),
    ):
        file, line = origins.place(path)
        faults.append(Fault(file=file, line=line, key=dotted(path), found=found, expected=expected, mend=mend))
    return tuple(faults)


# What each rule of the core goes by; a rule of a plugin goes by its settings.
_GOES_BY: dict[Rule, tuple[str, ...]] = {
    Rule.SIMPLE: (),
    Rule.GUARDED: ("guard", "conformance"),
    Rule.PROBABILITY: ("conformance",),
}


def _of_the_decision(routine: schema.Routine) -> Idle:
    decision, written = routine.decision, routine.decision.model_fields_set
    own = _GOES_BY[decision.rule] if isinstance(decision.rule, Rule) else ("settings",)
    limited = any(spec.lower is not None or spec.upper is not None for spec in routine.characteristics.values())
    for key in ("guard", "conformance", "settings", "process"):
        if key not in written:
            continue
        if not limited:
            mend = "state lower or upper, or drop it"
            yield ("decision", key), f"{key}, and no characteristic has a limit", "limits that it decides about", mend
        elif key != "process" and key not in own:
            rules = " or ".join(rule for rule, keys in _GOES_BY.items() if key in keys) or "a rule of a plugin"
            yield (
                ("decision", key),
                f'{key} with rule = "{decision.rule}", which does not go by it',
                f"{key} with {rules}",
                "drop it, or take another rule",
            )
    if {"guard", "conformance"} <= written and decision.guard is not None and "guard" in own:
        expected = "one of them: a stated guard band takes the place of the probability"
        yield ("decision", "conformance"), "conformance beside guard", expected, "drop one of them"


def _of_characteristics(routine: schema.Routine) -> Idle:
    for name, spec in routine.characteristics.items():
        path: KeyPath = ("characteristics", name)
        if spec.process is not None and spec.lower is None and spec.upper is None:
            mend = "state lower or upper, or drop it"
            yield (*path, "process"), "process without a limit", "limits that parts of the process may miss", mend
        if spec.measure is schema.Measure.VARIATION:
            if "of" in spec.model_fields_set:
                yield (*path, "of"), "of with a variation", "of with a size or a step", "drop it"
            if spec.lower is not None and spec.lower < 0.0:
                found = f"{spec.lower:g} um with a variation"
                yield (*path, "lower"), found, "upper alone: a variation is never below zero", "drop lower"


def _of_terms(routine: schema.Routine) -> Idle:
    for index, term in enumerate(routine.terms):
        if not term.estimate.value and not term.estimate.standard_uncertainty:
            expected = "a value, or an uncertainty: standard, expanded or halfwidth"
            yield ("terms", index), f"{term.name}: exactly zero", expected, "state how well it is known, or drop it"
        if term.characteristics is not None and not term.characteristics:
            expected = "the names of those that it applies to"
            yield ("terms", index, "characteristics"), "an empty list", expected, "leave it out for all of them"


def _of_steps(routine: schema.Routine) -> Idle:
    steps = list(numbered(routine.steps))
    for path, step in steps:
        if isinstance(step, schema.Repeat) and step.say:
            mend = "write it in the step inside that it is for, or in a prepare step before"
            yield (*path, "say"), "say of a repeat, which is shown to nobody", "say of a step", mend
        if isinstance(step, schema.TemperatureStep) and step.of == "reference" and routine.zero_place is not None:
            mend = 'take of = "part", or drop the step'
            yield (*path, "of"), "a temperature of a reference that is not there", "part, plate or air", mend
    kinds = [step.do for _, step in steps]
    if "compare" in kinds[:-1]:
        path, _ = steps[kinds.index("compare")]
        yield path, "a compare before other steps, which nobody is asked for then", *_COMPARE_LAST
    elif kinds[-1] == "compare" and len(steps[-1][0]) > _TOP:
        yield steps[-1][0], "a compare inside a repeat, which ends the run in its first round", *_COMPARE_LAST


_COMPARE_LAST = ("compare as the last step", "put it behind all others; it may be left out")
_TOP = 2  # parts of the path of a step that stands in no repeat
