"""What a routine can only end in, seen before anybody measures with it.

The routine is run with ideal readings through the same run, checks and decision as at the bench. What stops it then,
and rests on no number that was read, stops it whatever is read. The checks of others are left out: they judge what
was answered, and an ideal run answers nothing that a person would.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from holdzero.checks import Checks
from holdzero.decide import DecisionRule, Rule
from holdzero.display import micro_text
from holdzero.errors import Fault, HoldzeroError
from holdzero.expect import NeverEndsError, expect
from holdzero.hooks import Check, Finding, Level, Material
from holdzero.passable import Trial, culprit_of
from holdzero.result import Evaluation, Result
from holdzero.routine import schema
from holdzero.routine.load import LoadedRoutine
from holdzero.routine.locate import KeyPath, dotted

__all__ = ["foreseen"]

Told = tuple[KeyPath, str, str, str, bool]


def foreseen(loaded: LoadedRoutine, checks: Checks) -> tuple[Fault, ...]:
    """Errors of a routine that can only end undecided, and a warning where no part could pass.

    Args:
        loaded: a routine that is valid by itself.
        checks: bound to it without a fault.
    """
    routine, document = loaded.routine, loaded.document
    try:
        entries = _just_fit(routine, checks.materials)
        own = replace(checks, bound=tuple(item for item in checks.bound if item.plugin.built_in), missing=())
        evaluation, _ = expect(document, loaded.digest, own, entries=entries)
    except NeverEndsError as error:
        found = f"a routine that never ends: “{error.title}” is asked for again and again"
        told: list[Told] = [(("steps",), found, "", _MENDS["bracket/no-zero"], False)]
    except HoldzeroError:
        return ()  # where it can't be run at all, the run will say so
    else:
        told = list(_hopeless(routine, evaluation, checks.materials))
        if not told and not checks.missing:
            trial = Trial(document=document, digest=loaded.digest, checks=own, entries=entries)
            others = [item.check for item in checks.bound if not item.plugin.built_in]
            told.extend(_never_passed(routine, evaluation, trial, others))
        told.extend(_of_the_model(evaluation))
    return tuple(_faults(loaded, told))


def _faults(loaded: LoadedRoutine, told: Iterable[Told]) -> Iterator[Fault]:
    for path, found, expected, mend, warning in told:
        file, line = loaded.origins.place(path)
        yield Fault(file=file, line=line, key=dotted(path), found=found, expected=expected, mend=mend, warning=warning)


# --- devices that are only required -------------------------------------------------------------


def _just_fit(routine: schema.Routine, materials: Mapping[str, Material]) -> dict[str, dict[str, Any]]:
    """Entries that just meet what the routine requires, by role; what it leaves open is as usual."""
    usual = next((name for name, item in materials.items() if item.expansion and item.modulus), "")
    entries: dict[str, dict[str, Any]] = {}
    reference, comparator, thermometer = routine.reference, routine.comparator, routine.thermometer
    if isinstance(reference, schema.RequiredReference):
        entries["reference"] = {
            "id": "any",
            "size": _um(reference.size),
            "deviation": {"value": "0 um", "expanded": _um(reference.largest_expanded or 0.0), "coverage": 2},
            "material": reference.material or usual,
        }
    if isinstance(comparator, schema.RequiredComparator):
        entries["comparator"] = {
            "id": "any",
            "resolution": _um(comparator.largest_resolution),
            **({"travel": _um(comparator.smallest_travel)} if comparator.smallest_travel else {}),
            "force": "1 N",
            "tip": {"material": usual, "radius": "1.5 mm"},
        }
    if isinstance(thermometer, schema.RequiredThermometer):
        error = {"expanded": f"{thermometer.largest_expanded!r} K", "coverage": 2}
        entries["thermometer"] = {"id": "any", "error": error}
    return entries


def _um(value_um: float) -> str:
    return f"{value_um!r} um"


# --- what is told ---------------------------------------------------------------------------------


_MEND = "until this is mended no reading can be decided"
_MENDS = {
    "bracket/open": "add a return step after the readings",
    "bracket/no-zero": "put a zero step before the readings",
    "reading/missing": "check the names of the places, or add a read step",
    "reading/forces": "say which counts: force = …",
    "reading/no_force": "add [checks.film] and read bare and covered places at three forces; or say which force",
    "check_standard/unread": "add a check step after the zero, or take [check_standard] away",
}


def _hopeless(routine: schema.Routine, evaluation: Evaluation, materials: Mapping[str, Material]) -> Iterator[Told]:
    """What stops the ideal run and rests on no number of it."""
    stops = [
        item
        for item in evaluation.findings
        if item.level is Level.STOP and not item.data and not item.code.endswith("/failed")
    ]
    unknown = list(_unknown_materials(routine, materials))
    if unknown and any(item.code in _OF_MATERIALS for item in stops):
        yield from unknown
        stops = [item for item in stops if item.code not in _OF_MATERIALS]
    for item in stops:
        found = f"a routine that can only end undecided: {item.text}"
        yield _place_of(item, routine), found, "", _MENDS.get(item.code, _MEND), False


def _place_of(finding: Finding, routine: schema.Routine) -> KeyPath:
    check = finding.code.partition("/")[0]
    if check in routine.checks:
        return ("checks", check)
    if check == "check_standard":
        return ("check_standard",)
    return ("characteristics", finding.characteristic) if finding.characteristic else ("steps",)


# Findings that a material's name would mend.
_OF_MATERIALS = frozenset({"thermal/expansion", "thermal/cooling", "contact/material"})


def _named(routine: schema.Routine) -> Iterator[tuple[KeyPath, str]]:
    yield ("part", "material"), routine.part.material
    if not isinstance(routine.reference, schema.ReferencePlace):
        yield ("reference", "material"), routine.reference.material
    tip = routine.comparator.tip if isinstance(routine.comparator, schema.Comparator) else None
    if tip is not None:
        yield ("comparator", "tip", "material"), tip.material


def _unknown_materials(routine: schema.Routine, materials: Mapping[str, Material]) -> Iterator[Told]:
    """Names of materials that no table has, each with the one that may have been meant."""
    for path, name in _named(routine):
        if name and name not in materials:
            close = difflib.get_close_matches(name.lower(), list(materials), 1)
            mend = (
                f"did you mean {close[0]}?" if close else "use a known one, or state its numbers in the check's table"
            )
            yield path, repr(name), "one of " + ", ".join(materials), mend, False


def _never_passed(
    routine: schema.Routine, evaluation: Evaluation, trial: Trial, others: Sequence[Check]
) -> Iterator[Told]:
    """Characteristics of which no value passes, with what keeps the best one from it."""
    if trial.checks.rule is None and not isinstance(routine.decision.rule, Rule):
        return  # the rule is not there, which is told elsewhere
    if any(check.weigh is not None for check in others):
        return  # with the weights of a stranger's design it may be known better
    shifted = any(check.terms is not None for check in others)
    rule = routine.decision.numbers(trial.checks.rule)
    for result in evaluation.results:
        if result.propagated is None or (result.spec.lower is None and result.spec.upper is None):
            continue
        if shifted and result.spec.measure is schema.Measure.VARIATION:
            continue  # how little it can come to is a stranger's to say
        try:
            best = trial.hopeless(result, rule)
            if best is not None:
                yield _hopelessly(routine, best, rule, trial.resolution_um)
        except Exception:
            if trial.checks.rule is None:
                raise
            continue  # the rule is a plugin's, and may raise anything: the run says so


def _of_the_model(evaluation: Evaluation) -> Iterator[Told]:
    """Where second order counts: it is left out, or U covers another share than it says."""
    for finding in evaluation.findings:
        if finding.code == "model/second_order":
            mend = "drop order = 1 and order_why, if U is to hold"
            yield ("decision", "order"), finding.text, "", mend, True
        elif finding.code == "model/coverage" and finding.characteristic:
            mend = "know the two inputs better: holdzero budget shows what would help most"
            yield ("characteristics", finding.characteristic), finding.text, "", mend, True


def _hopelessly(routine: schema.Routine, best: Result, rule: DecisionRule, resolution_um: float) -> Told:
    culprit = culprit_of(routine, best, rule, resolution_um)
    expanded = float(best.decision.expanded_uncertainty_um) if best.decision is not None else 0.0
    at_best = "where all places are alike" if best.spec.measure is schema.Measure.VARIATION else "in its middle"
    why = culprit.why or f"even {at_best} U = {micro_text(expanded, routine.routine.units, sign=False)} is too much"
    of = "" if culprit.path[0] == "characteristics" else f" of {best.name}"
    found = f"a tolerance{of} in which nothing can be passed{_only_required(routine)}: {why}"
    return culprit.path, found, "", culprit.mend, True


def _only_required(routine: schema.Routine) -> str:
    devices = {"reference": routine.reference, "comparator": routine.comparator, "thermometer": routine.thermometer}
    required = [role for role, device in devices.items() if type(device).__name__.startswith("Required")]
    return f" with a {' and a '.join(required)} that only just will do" if required else ""
