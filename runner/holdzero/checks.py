"""Binding a routine to the plugins that it names, and calling checks so that none can do harm.

A check that is missing, refused, raises or returns nonsense becomes a finding that stops the
result, never a pass and never a lost reading.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from holdzero.catalogue import Catalogue, Plugin
from holdzero.contrast import contrast_weights
from holdzero.decide import GivenBand, Rule
from holdzero.errors import Fault
from holdzero.hooks import (
    CharacteristicView,
    Check,
    Contrast,
    Finding,
    Level,
    Material,
    Measure,
    RunView,
    Settings,
    Term,
    Weigh,
    Weighting,
)
from holdzero.patience import within
from holdzero.routine.load import faults_of
from holdzero.routine.resolve import Origins
from holdzero.routine.schema import Characteristic, Routine, Selection, walk

__all__ = ["BoundCheck", "Checks", "Failure", "Patience", "Slow", "Watched", "bind", "implied_checks", "told"]

_LONGEST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundCheck:
    """A check with its settings for one routine."""

    plugin: Plugin
    check: Check
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """A plugin that failed: which, while doing what, how, and what kind of thing it is."""

    plugin: str
    during: str
    message: str
    what: str = "check"

    @property
    def finding(self) -> Finding:
        """The failure as a finding that stops the result."""
        text = (
            f"The {self.what} {self.plugin} failed in {self.during}: {self.message}. The result can't stand without it."
        )
        return Finding(level=Level.STOP, code=f"{self.plugin}/failed", text=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow:
    """A check that took longer over an event than it may [s]."""

    plugin: str
    during: str
    took_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What the checks said of a run so far, which of them failed, and which were slow."""

    findings: list[Finding]
    failures: list[Failure]
    slow: list[Slow]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a check may take.

    Attributes:
        budget_s: over an event, before it is said to be slow [s].
        limit_s: over an event, before it is given up [s]; at the end ten times as long. Built-in
            checks are not given up: they are tested with the tool.
    """

    budget_s: float = 0.2
    limit_s: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """What plugins add to a routine: the checks that are bound, what is missing, and their tables.

    Attributes:
        bound: checks with their settings.
        missing: what the routine names and no plugin that is loaded declares.
        materials: all that are known, by name.
        contrasts: measures that plugins declare, by name.
        rule: the decision rule, where it is a plugin's.
        used: plugins that the routine names besides its checks.
        patience: how long a check may take.
    """

    bound: tuple[BoundCheck, ...] = ()
    missing: tuple[Failure, ...] = ()
    materials: Mapping[str, Material] = field(default_factory=dict)
    contrasts: Mapping[str, Contrast] = field(default_factory=dict)
    rule: GivenBand | None = None
    used: tuple[Plugin, ...] = ()
    patience: Patience = Patience()

    @property
    def plugins(self) -> tuple[Plugin, ...]:
        """All that have a say in the result, each once."""
        return tuple(dict.fromkeys((*(item.plugin for item in self.bound), *self.used)))

    def watch(
        self, view: RunView, *, counter_s: Callable[[], float] | None = None, without: Container[str] = ()
    ) -> Watched:
        """Findings for the inspector now.

        Args:
            view: of the run.
            counter_s: a counter [s] to time the checks by; None to leave them untimed.
            without: checks that failed before in this run and are not called again.
        """
        said = Watched(findings=[], failures=[], slow=[])
        for item in self.bound:
            if item.check.watch is None or item.check.name in without:
                continue
            start_s = counter_s() if counter_s is not None else 0.0
            made, failed = self._called(item, "watch", Finding, item.check.watch, (item.settings, view))
            took_s = counter_s() - start_s if counter_s is not None else 0.0
            said.findings.extend(made)
            said.failures.extend(failed)
            if took_s > self.patience.budget_s and not failed:
                said.slow.append(Slow(plugin=item.check.name, during="watch", took_s=took_s))
        return said

    def terms(self, view: RunView, characteristic: CharacteristicView) -> tuple[list[tuple[str, Term]], list[Failure]]:
        """Terms of a characteristic with the name of the check that adds each, and failures."""
        terms: list[tuple[str, Term]] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.terms is not None:
                arguments = (item.settings, view, characteristic)
                made, failed = self._called(item, "terms", Term, item.check.terms, arguments)
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
                made, failed = self._called(item, "weigh", Weighting, _in_a_list(weigh), arguments)
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
                made, failed = self._called(item, "judge", Finding, item.check.judge, arguments)
                findings.extend(made)
                failures.extend(failed)
        return findings, failures

    def _called(
        self, item: BoundCheck, during: str, kind: type[Any], function: Callable[..., Iterable[Any]], given: Any
    ) -> tuple[list[Any], list[Failure]]:
        view: RunView = given[1]

        def work() -> list[Any]:
            return [_sound(entry, kind, view) for entry in function(*given)]

        limit_s = self.patience.limit_s * (1.0 if during == "watch" else _AT_THE_END)
        try:
            if item.plugin.built_in:
                return work(), []
            return within(limit_s, work, f"check {item.check.name}"), []
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            return [], [Failure(plugin=item.check.name, during=during, message=told(error))]


# A person waits for a check at every event, and once for all of them at the end.
_AT_THE_END = 10.0


def _in_a_list(weigh: Weigh) -> Callable[..., Iterable[Weighting]]:
    def call(settings: Settings, view: RunView, characteristic: CharacteristicView) -> list[Weighting]:
        weighting = weigh(settings, view, characteristic)
        if weighting is not None and len(weighting.weights) != len(characteristic.readings):
            raise ValueError(f"{len(weighting.weights)} weights for {len(characteristic.readings)} readings")
        return [] if weighting is None else [weighting]

    return call


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


def bind(
    routine: Routine, catalogue: Catalogue, origins: Origins | None = None, patience: Patience = Patience()
) -> tuple[Checks, tuple[Fault, ...]]:
    """The checks of a routine, with their settings read, and what else plugins add to it.

    Args:
        routine: typed.
        catalogue: what is loaded; built-in plugins that the routine names are loaded now.
        origins: where the routine's keys were written; None where it comes from a record.
        patience: how long a check may take.

    Returns:
        The checks, and faults in their settings. A check that is not loaded is no fault of the
        routine: it is among the missing, and the result will be undecided.
    """
    tables = {name: routine.checks.get(name, {}) for name in (*routine.checks, *implied_checks(routine))}
    measures = [str(spec.measure) for spec in routine.characteristics.values() if spec.measure not in set(Measure)]
    catalogue.want(*tables, *measures, str(routine.decision.rule))
    bound: list[BoundCheck] = []
    missing: list[Failure] = []
    faults: list[Fault] = []
    # By name, so that a record whose keys were put in another order still recomputes.
    for name, table in sorted(tables.items()):
        if name not in catalogue.checks:
            missing.append(Failure(plugin=name, during="loading", message=_why_missing(name, catalogue)))
            continue
        plugin, check = catalogue.checks[name]
        settings, wrong = _settings(check.settings, table, origins, ("checks", name))
        faults.extend(wrong)
        if settings is not None:
            bound.append(BoundCheck(plugin=plugin, check=check, settings=settings))
        elif origins is None:
            missing.append(Failure(plugin=name, during="reading its settings", message="they are not valid now"))
    if origins is not None:
        for name, spec in routine.characteristics.items():
            faults.extend(_contrast_faults(name, spec, catalogue, origins))
    rule, lost, wrong = _rule(routine, catalogue, origins)
    checks = Checks(
        bound=tuple(bound),
        missing=(*missing, *lost),
        materials={name: material for name, (_, material) in catalogue.materials.items()},
        contrasts={name: contrast for name, (_, contrast) in catalogue.contrasts.items()},
        rule=rule,
        used=_used(routine, catalogue),
        patience=patience,
    )
    return checks, (*faults, *wrong)


def _settings(
    model: type[Settings], table: Mapping[str, Any], origins: Origins | None, path: tuple[str, ...]
) -> tuple[Settings | None, tuple[Fault, ...]]:
    try:
        return model.model_validate(table), ()
    except ValidationError as error:
        return None, () if origins is None else faults_of(error, table, origins, model, path)


def _unknown(word: str, known: Sequence[str], origins: Origins, path: tuple[str, ...], catalogue: Catalogue) -> Fault:
    file, line = origins.place(path)
    close = difflib.get_close_matches(word, known, 1)
    mend = f"did you mean {close[0]}?" if close else _why_missing(word, catalogue)
    key, expected = ".".join(path), "one of " + ", ".join(known)
    return Fault(file=file, line=line, key=key, found=repr(word), expected=expected, mend=mend)


def _contrast_faults(name: str, spec: Characteristic, catalogue: Catalogue, origins: Origins) -> Iterable[Fault]:
    """What is wrong with a characteristic whose measure is not the core's own."""
    if isinstance(spec.measure, Measure):
        return
    path = ("characteristics", name)
    if spec.measure not in catalogue.contrasts:
        catalogue.want_all()  # so that all names are known
        known = (*Measure, *catalogue.contrasts)
        yield _unknown(spec.measure, known, origins, (*path, "measure"), catalogue)
        return
    file, line = origins.place(path)
    if spec.nominal is not None or spec.of is not Selection.MEAN or spec.base is not None:
        expected, mend = f"nominal, of and from with measures of the core, and no {spec.measure}", "drop them"
        found = "one of nominal, of, from"
        yield Fault(file=file, line=line, key=".".join(path), found=found, expected=expected, mend=mend)
    try:
        contrast_weights(catalogue.contrasts[spec.measure][1], len(spec.at))
    except Exception as error:  # noqa: BLE001  a plugin may raise anything; the author is told
        found, mend = f"{len(spec.at)} places", "name as many in at as it needs"
        yield Fault(file=file, line=line, key=".".join((*path, "at")), found=found, expected=told(error), mend=mend)


def _rule(
    routine: Routine, catalogue: Catalogue, origins: Origins | None
) -> tuple[GivenBand | None, tuple[Failure, ...], tuple[Fault, ...]]:
    """The decision rule where it is a plugin's; and why it is not there, if it is not."""
    name = routine.decision.rule
    if isinstance(name, Rule):
        return None, (), ()
    if name not in catalogue.rules:
        if origins is not None:
            catalogue.want_all()  # so that all names are known
            known = (*Rule, *catalogue.rules)
            return None, (), (_unknown(name, known, origins, ("decision", "rule"), catalogue),)
        return None, (Failure(plugin=name, during="loading", message=_why_missing(name, catalogue), what="rule"),), ()
    _, rule = catalogue.rules[name]
    settings, wrong = _settings(rule.settings, routine.decision.settings, origins, ("decision", "settings"))
    if settings is None:
        lost = Failure(plugin=name, during="reading its settings", message="they are not valid now", what="rule")
        return None, () if origins is not None else (lost,), wrong
    try:
        sentence = str(rule.words(settings))
    except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        return None, (Failure(plugin=name, during="words", message=told(error), what="rule"),), ()
    return GivenBand(name=name, guard=lambda standing: rule.guard(settings, standing), sentence=sentence), (), ()


def _used(routine: Routine, catalogue: Catalogue) -> tuple[Plugin, ...]:
    """The plugins of the routine's kinds of step, measures, rule and materials."""
    devices = (routine.reference, routine.check_standard, routine.part)
    tip = getattr(routine.comparator, "tip", None)
    materials = {getattr(item, "material", "") for item in (*devices, tip)}
    found = [
        *(catalogue.steps.get(step.kind) for step in walk(routine.steps)),
        *(catalogue.contrasts.get(str(spec.measure)) for spec in routine.characteristics.values()),
        catalogue.rules.get(str(routine.decision.rule)),
        *(catalogue.materials.get(name) for name in sorted(materials)),
    ]
    return tuple(dict.fromkeys(item[0] for item in found if item is not None))


def _why_missing(name: str, catalogue: Catalogue) -> str:
    for refusal in catalogue.refusals:
        if refusal.name == name:
            return f"its plugin was refused: {refusal.reason}"
    if not catalogue.has_built_ins:
        return "no built-in plugins are installed: reinstall holdzero"
    known = "no plugin that is loaded declares it"
    refused = "; ".join(f"{refusal.name} was refused: {refusal.reason}" for refusal in catalogue.refusals)
    return f"{known}; {refused}" if refused else known
