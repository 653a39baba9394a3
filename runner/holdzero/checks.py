"""Binding a routine to the checks that it names, and calling them so that none can do harm.

A check that is missing, refused, raises or returns nonsense becomes a finding that stops the
result, never a pass and never a lost reading.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from holdzero.catalogue import Catalogue, Plugin
from holdzero.errors import Fault
from holdzero.hooks import CharacteristicView, Check, Finding, Level, RunView, Settings, Term, Weigh, Weighting
from holdzero.routine.load import faults_of
from holdzero.routine.resolve import Origins
from holdzero.routine.schema import Routine

__all__ = ["BoundCheck", "Checks", "Failure", "bind", "implied_checks", "told"]

_LONGEST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundCheck:
    """A check with its settings for one routine."""

    plugin: Plugin
    check: Check
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """A check that failed: which plugin, while doing what, and how."""

    plugin: str
    during: str
    message: str

    @property
    def finding(self) -> Finding:
        """The failure as a finding that stops the result."""
        text = f"The check {self.plugin} failed in {self.during}: {self.message}. The result can't stand without it."
        return Finding(level=Level.STOP, code=f"{self.plugin}/failed", text=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """All checks of a routine: those that are bound, and those that are missing."""

    bound: tuple[BoundCheck, ...] = ()
    missing: tuple[Failure, ...] = ()

    def watch(self, view: RunView) -> tuple[list[Finding], list[Failure]]:
        """Findings for the inspector now, and failures."""
        findings: list[Finding] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.watch is not None:
                made, failed = _called(item, "watch", Finding, item.check.watch, (item.settings, view))
                findings.extend(made)
                failures.extend(failed)
        return findings, failures

    def terms(self, view: RunView, characteristic: CharacteristicView) -> tuple[list[tuple[str, Term]], list[Failure]]:
        """Terms of a characteristic with the name of the check that adds each, and failures."""
        terms: list[tuple[str, Term]] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.terms is not None:
                arguments = (item.settings, view, characteristic)
                made, failed = _called(item, "terms", Term, item.check.terms, arguments)
                terms.extend((item.check.name, term) for term in made)
                failures.extend(failed)
        return terms, failures

    def weigh(
        self, view: RunView, characteristic: CharacteristicView
    ) -> tuple[CharacteristicView, list[Finding], list[Failure]]:
        """The characteristic as the design of its readings weighs it, findings and failures."""
        found: list[tuple[str, Weighting]] = []
        failures: list[Failure] = []
        for item in self.bound:
            weigh = item.check.weigh
            if weigh is not None:
                arguments = (item.settings, view, characteristic)
                made, failed = _called(item, "weigh", Weighting, _in_a_list(weigh), arguments)
                found.extend((item.check.name, weighting) for weighting in made)
                failures.extend(failed)
        if not found:
            return characteristic, [], failures
        if len(found) > 1:
            names = " and ".join(name for name, _ in found)
            text = f"{characteristic.name}: the checks {names} both weigh its readings; drop one of them."
            stop = Finding(level=Level.STOP, code="design/two", text=text, characteristic=characteristic.name)
            return characteristic, [stop], failures
        weighting = found[0][1]
        return replace(characteristic, weights=weighting.weights, scatter=weighting.scatter), [], failures

    def judge(
        self, view: RunView, characteristics: Sequence[CharacteristicView]
    ) -> tuple[list[Finding], list[Failure]]:
        """Findings at the end, and failures."""
        findings: list[Finding] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.judge is not None:
                arguments = (item.settings, view, tuple(characteristics))
                made, failed = _called(item, "judge", Finding, item.check.judge, arguments)
                findings.extend(made)
                failures.extend(failed)
        return findings, failures


def _in_a_list(weigh: Weigh) -> Callable[..., Iterable[Weighting]]:
    def call(settings: Settings, view: RunView, characteristic: CharacteristicView) -> list[Weighting]:
        weighting = weigh(settings, view, characteristic)
        if weighting is not None and len(weighting.weights) != len(characteristic.readings):
            raise ValueError(f"{len(weighting.weights)} weights for {len(characteristic.readings)} readings")
        return [] if weighting is None else [weighting]

    return call


def _called(
    item: BoundCheck, during: str, kind: type[Any], function: Callable[..., Iterable[Any]], arguments: tuple[Any, ...]
) -> tuple[list[Any], list[Failure]]:
    view: RunView = arguments[1]
    try:
        made = [_sound(entry, kind, view) for entry in function(*arguments)]
    except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        return [], [Failure(plugin=item.check.name, during=during, message=told(error))]
    return made, []


def _sound(entry: object, kind: type[Any], view: RunView) -> Any:
    """What a check returned, if it is what it should be.

    Raises:
        TypeError, ValueError: it is not.
    """
    if not isinstance(entry, kind):
        raise TypeError(f"it returned {type(entry).__name__}, not {kind.__name__}")
    if isinstance(entry, Term):
        _estimates_are_sound(entry)
    if not isinstance(entry, Finding):
        return entry
    words: tuple[object, ...] = (entry.code, entry.text)
    if not all(isinstance(word, str) for word in words):
        raise TypeError("code and text of a finding must be text")
    if entry.characteristic is not None and entry.characteristic not in view.routine.characteristics:
        # A stop for a characteristic that is not there would stop nothing.
        raise ValueError(f"a finding names {entry.characteristic!r}, no characteristic of the routine")
    if np.asarray(entry.holds).dtype != np.bool_:
        raise TypeError(f"holds must be true or false, found {entry.holds!r}")
    for number in entry.data.values():
        np.asarray(number, dtype=np.float64)
    return replace(entry, level=Level(entry.level))


def _estimates_are_sound(term: Term) -> None:
    """Refuse what the model would take for less uncertainty than there is."""
    for item in term.inputs:
        for part in item.estimate.parts:
            if not np.all(np.asarray(part.standard_uncertainty) >= 0.0):
                raise ValueError(f"{item.name}: {part.standard_uncertainty!r} is no standard uncertainty")
            if not np.all(np.asarray(part.dof) > 0.0):
                raise ValueError(f"{item.name}: {part.dof!r} can't be degrees of freedom")


def told(error: BaseException) -> str:
    """What a plugin raised, in words that are the same whenever it is raised again.

    >>> told(ValueError("no <object at 0x7f00aa>"))
    'ValueError: no <object>'
    """
    try:
        text = str(error)
    except Exception:  # noqa: BLE001  even that is a plugin's
        text = "it can't say what"
    text = re.sub(r" at 0x[0-9a-fA-F]+", "", text).encode("utf-8", "replace").decode("utf-8")
    return f"{type(error).__name__}: {text}"[:_LONGEST]


def implied_checks(routine: Routine) -> tuple[str, ...]:
    """Checks that run whether or not a table of the routine names them."""
    always = ("repeatability", "zero_return")
    return (*always, "check_standard") if routine.check_standard is not None else always


def bind(routine: Routine, catalogue: Catalogue, origins: Origins | None = None) -> tuple[Checks, tuple[Fault, ...]]:
    """The checks of a routine, with their settings read.

    Args:
        routine: typed.
        catalogue: what is loaded.
        origins: where the routine's keys were written; None where it comes from a record.

    Returns:
        The checks, and faults in their settings. A check that is not loaded is no fault of the
        routine: it is among the missing, and the result will be undecided.
    """
    tables = {name: routine.checks.get(name, {}) for name in (*routine.checks, *implied_checks(routine))}
    bound: list[BoundCheck] = []
    missing: list[Failure] = []
    faults: list[Fault] = []
    # By name, so that a record whose keys were put in another order still recomputes.
    for name, table in sorted(tables.items()):
        if name not in catalogue.checks:
            missing.append(Failure(plugin=name, during="loading", message=_why_missing(name, catalogue)))
            continue
        plugin, check = catalogue.checks[name]
        try:
            bound.append(BoundCheck(plugin=plugin, check=check, settings=check.settings.model_validate(table)))
        except ValidationError as error:
            if origins is None:
                missing.append(Failure(plugin=name, during="reading its settings", message=str(error)))
            else:
                faults.extend(faults_of(error, table, origins, check.settings, ("checks", name)))
    return Checks(bound=tuple(bound), missing=tuple(missing)), tuple(faults)


def _why_missing(name: str, catalogue: Catalogue) -> str:
    for refusal in catalogue.refusals:
        if refusal.name == name:
            return f"its plugin was refused: {refusal.reason}"
    if not catalogue.has_built_ins:
        return "no built-in plugins are installed: reinstall holdzero"
    known = "no plugin that is loaded declares it"
    refused = "; ".join(f"{refusal.name} was refused: {refusal.reason}" for refusal in catalogue.refusals)
    return f"{known}; {refused}" if refused else known
