"""Binding a routine to the plugins that it names, and calling checks so that none can do harm.

A check that is missing, refused, raises or returns nonsense becomes a finding that stops the
result, never a pass and never a lost reading.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, fields, replace
from functools import cache, partial
from typing import Any

import numpy as np
from pydantic import ValidationError

from holdzero.calling import BoundCheck, Failure, given_by, handed_to, told
from holdzero.catalogue import Catalogue, Plugin
from holdzero.contrast import contrast_weights
from holdzero.decide import GivenBand, Rule
from holdzero.errors import Fault
from holdzero.handed import ChangedError, unchanged
from holdzero.hooks import (
    Apart,
    CharacteristicView,
    Contrast,
    Finding,
    GuardRule,
    Level,
    Material,
    Measure,
    RunView,
    Settings,
    Shows,
    Standing,
    Term,
    Weigh,
    Weighting,
)
from holdzero.model import Number, propagate
from holdzero.one_by_one import Characteristics, runs_in, taken_in_turn
from holdzero.remarks import remarks_of
from holdzero.routine.load import faults_of
from holdzero.routine.resolve import Origins
from holdzero.routine.schema import Characteristic, Routine, walk
from holdzero.routine.steps import Soak, TemperatureStep
from holdzero.taken_over import locked, with_shared
from holdzero.together import DifferError, findings_together, terms_together, weighting_together
from holdzero.untouched import Untouched
from holdzero.worded import worded

__all__ = ["BoundCheck", "Checks", "Failure", "Patience", "Slow", "Watched", "bind", "implied_checks", "told"]


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
        tool: as it was before a stranger's check was called; None where there is none.
    """

    bound: tuple[BoundCheck, ...] = ()
    missing: tuple[Failure, ...] = ()
    materials: Mapping[str, Material] = field(default_factory=dict)
    contrasts: Mapping[str, Contrast] = field(default_factory=dict)
    rule: GivenBand | None = None
    used: tuple[Plugin, ...] = ()
    patience: Patience = Patience()
    tool: Untouched | None = None

    @property
    def strangers(self) -> tuple[str, ...]:
        """Names of the checks that do not come with the tool."""
        return tuple(item.check.name for item in self.bound if not item.plugin.built_in)

    def without(self, names: Container[str]) -> Checks:
        """The same without some checks."""
        return replace(self, bound=tuple(item for item in self.bound if item.check.name not in names))

    @property
    def run_by_run(self) -> tuple[str, ...]:
        """The checks that a rehearsal calls for each run by itself, and that make it slower."""
        checks = (item.check for item in self.bound)
        return tuple(c.name for c in checks if not c.arrays and (c.terms or c.judge or c.weigh) is not None)

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
            watch = item.check.watch
            if watch is None or item.check.name in without:
                continue
            start_s = counter_s() if counter_s is not None else 0.0
            made, failed = self._called(item, "watch", Finding, _of_the_run(watch), view)
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
            if item.check.terms is None:
                continue
            call, shared = _of_one(item.check.terms), characteristic.difference_read(view)
            if _one_by_one(item, view):
                together = partial(terms_together, shared=(shared,))
                made, failed = self._in_turn(
                    item, "terms", Term, _proved(call), view, (characteristic,), together=together
                )
            else:
                made, failed = self._called(item, "terms", Term, call, view, (characteristic,))
                if not item.plugin.built_in:
                    made = [with_shared(term, shared) for term in made]
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
            if item.check.weigh is None:
                continue
            call = _of_one(_in_a_list(item.check.weigh))
            if _one_by_one(item, view):
                together = partial(weighting_together, characteristic=characteristic)
                made, failed = self._in_turn(item, "weigh", Weighting, call, view, (characteristic,), together=together)
            else:
                made, failed = self._called(item, "weigh", Weighting, call, view, (characteristic,))
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

    def expected(self, view: RunView) -> tuple[list[Term], list[Failure]]:
        """Summands of what the comparator should show on the check standard [um], of one run; and failures."""
        terms: list[Term] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.expected is not None:
                made, failed = self._called(item, "expected", Term, _of_the_run(item.check.expected), view)
                terms.extend(made)
                failures.extend(failed)
        return terms, failures

    def apart(self, view: RunView) -> tuple[list[Apart], list[Failure]]:
        """By how much places lie apart, as the checks know it, of one run; and failures."""
        known: list[Apart] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.apart is not None:
                made, failed = self._called(item, "apart", Apart, _of_the_run(item.check.apart), view)
                known.extend(made)
                failures.extend(failed)
        return known, failures

    def shows_um(self, should_um: Number) -> Number:
        """What a comparator shows at a bench that is made up, with the errors that checks take out of it [um]."""
        return self.shows(should_um)[0]

    def shows(self, should_um: Number) -> tuple[Number, list[Failure]]:
        """The same, and failures; a check that fails leaves it as it is.

        Args:
            should_um: what it would show without them, one number or an array [um].
        """
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.shows is not None:
                try:
                    should_um = _shown_um(item, item.check.shows, should_um)
                except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
                    failures.append(Failure(plugin=item.check.name, during="shows", message=told(error)))
        return should_um, failures

    def judge(
        self, view: RunView, characteristics: Sequence[CharacteristicView]
    ) -> tuple[list[Finding], list[Failure]]:
        """Findings at the end, and failures."""
        findings: list[Finding] = []
        failures: list[Failure] = []
        for item in self.bound:
            if item.check.judge is None:
                continue
            call, seen = item.check.judge, tuple(characteristics)
            if _one_by_one(item, view):
                made, failed = self._in_turn(item, "judge", Finding, call, view, seen, together=findings_together)
            else:
                made, failed = self._called(item, "judge", Finding, call, view, seen)
            findings.extend(made)
            failures.extend(failed)
        return findings, failures

    def _called(
        self, item: BoundCheck, during: str, kind: type[Any], call: Call, view: RunView, seen: Characteristics = ()
    ) -> tuple[list[Any], list[Failure]]:
        """What a check gives, or how it failed."""
        try:
            with handed_to(item, view, seen, self.tool) as own:
                function = partial(call, own.settings, own.view, own.seen)
                return given_by(item, kind, function, view, self._limit_s(during)), []
        except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
            return [], [Failure(plugin=item.check.name, during=during, message=told(error))]

    def _in_turn(
        self,
        item: BoundCheck,
        during: str,
        kind: type[Any],
        call: Call,
        view: RunView,
        seen: Characteristics,
        *,
        together: Callable[[Sequence[list[Any] | None]], list[Any]],
    ) -> tuple[list[Any], list[Failure]]:
        """What a check that takes no arrays gives for many runs; the time limit is that of one call."""
        failed = partial(Failure, plugin=item.check.name, during=during)
        try:
            with handed_to(item, view, seen, self.tool) as own:

                def given(run: RunView, of_run: Characteristics) -> list[Any]:
                    return given_by(item, kind, partial(call, own.settings, run, of_run), run, self._limit_s(during))

                taken = taken_in_turn(given, own.view, own.seen)
        except ChangedError as error:
            return [], [failed(message=str(error))]
        failures = [] if taken.raised is None else [failed(message=told(taken.raised), runs=taken.lost)]
        try:
            return together(taken.made), failures
        except DifferError as error:
            return [], [*failures, failed(message=str(error))]

    def _limit_s(self, during: str) -> float:
        return self.patience.limit_s * (1.0 if during == "watch" else _AT_THE_END)


# A person waits for a check at every event, and once for all of them at the end.
_AT_THE_END = 10.0


def _shown_um(item: BoundCheck, shows: Shows, should_um: Number) -> Number:
    call, each = partial(shows, item.settings.model_copy(deep=True)), np.asarray(should_um, dtype=np.float64)
    should_um = locked(should_um)
    shown = call(should_um) if item.check.arrays or not each.ndim else np.vectorize(call, otypes=[float])(each)
    if np.shape(shown) != each.shape or not np.all(np.isfinite(np.asarray(shown, dtype=np.float64))):
        raise TypeError(f"it returned {shown!r:.60}, and as many finite numbers as it was given are asked for")
    return shown


def _one_by_one(item: BoundCheck, view: RunView) -> bool:
    """Whether a check is called for each run of a rehearsal by itself."""
    return not item.check.arrays and runs_in(view) is not None


Call = Callable[[Any, RunView, Characteristics], Iterable[Any]]
"""A check's function, whichever: takes settings, view and characteristics."""


def _of_the_run(function: Callable[[Any, RunView], Iterable[Any]]) -> Call:
    return lambda settings, run, _: function(settings, run)


def _of_one(function: Callable[[Any, RunView, CharacteristicView], Iterable[Any]]) -> Call:
    return lambda settings, run, seen: function(settings, run, seen[0])


def _proved(call: Call) -> Call:
    """Terms that give numbers: one run's that do not stop that run, and not all that stand beside it."""

    def proved(settings: Any, run: RunView, seen: Characteristics) -> list[Term]:
        terms = list(call(settings, run, seen))
        if all(isinstance(term, Term) for term in terms):
            propagate(terms)
        return terms

    return proved


def _in_a_list(weigh: Weigh) -> Callable[..., Iterable[Weighting]]:
    def call(settings: Settings, view: RunView, characteristic: CharacteristicView) -> list[Weighting]:
        weighting = weigh(settings, view, characteristic)
        if weighting is not None and len(weighting.weights) != len(characteristic.readings):
            raise ValueError(f"{len(weighting.weights)} weights for {len(characteristic.readings)} readings")
        return [] if weighting is None else [weighting]

    return call


def implied_checks(routine: Routine) -> tuple[str, ...]:
    """Checks that run whether or not a table of the routine names them."""
    always = ("places", "plausibility", "repeatability", "zero_return")
    standard = ("check_standard",) if routine.check_standard is not None else ()
    measured = any(isinstance(step, TemperatureStep) and step.of != "air" for step in walk(routine.steps))
    watched = any(isinstance(step, Soak) and (step.within or step.within_temperature) for step in walk(routine.steps))
    return (*always, *standard, *(("thermal",) if measured or watched else ()))


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
    contrasts = {name: _asked_once(contrast) for name, (_, contrast) in catalogue.contrasts.items()}
    if origins is not None:
        for name, spec in routine.characteristics.items():
            faults.extend(_contrast_faults(name, spec, catalogue, origins, contrasts))
    # Once a run is bound, and once it is recorded: what was loaded since is looked after too.
    tool = Untouched.now() if any(not plugin.built_in for plugin in catalogue.plugins) else None
    rule, lost, wrong = _rule(routine, catalogue, origins, tool)
    checks = Checks(
        bound=tuple(bound),
        missing=(*missing, *lost),
        materials={name: material for name, (_, material) in catalogue.materials.items()},
        contrasts=contrasts,
        rule=rule,
        used=_used(routine, catalogue),
        patience=patience,
        tool=tool,
    )
    if origins is not None:
        remarks = remarks_of(bound, routine, origins, complete=not missing)
        faults.extend(remark for remark in remarks if not remark.warning)
    return checks, (*faults, *wrong)


def _settings(
    model: type[Settings], table: Mapping[str, Any], origins: Origins | None, path: tuple[str, ...]
) -> tuple[Settings | None, tuple[Fault, ...]]:
    try:
        # A copy: settings may hold what they are made of, and the table is the record's.
        return model.model_validate(deepcopy(table)), ()
    except ValidationError as error:
        return None, () if origins is None else faults_of(error, table, origins, model, path)


def _unknown(word: str, known: Sequence[str], origins: Origins, path: tuple[str, ...], catalogue: Catalogue) -> Fault:
    file, line = origins.place(path)
    close = difflib.get_close_matches(word, known, 1)
    mend = f"did you mean {close[0]}?" if close else _why_missing(word, catalogue)
    key, expected = ".".join(path), "one of " + ", ".join(known)
    return Fault(file=file, line=line, key=key, found=repr(word), expected=expected, mend=mend)


def _asked_once(contrast: Contrast) -> Contrast:
    """The same, asked once for each number of places: the weights of a run are those that it began with."""

    @cache
    def weights(places: int) -> tuple[float, ...]:
        return tuple(float(weight) for weight in contrast.weights(places))

    return replace(contrast, weights=weights)


def _contrast_faults(
    name: str, spec: Characteristic, catalogue: Catalogue, origins: Origins, contrasts: Mapping[str, Contrast]
) -> Iterable[Fault]:
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
    if spec.nominal is not None or "of" in spec.model_fields_set or spec.base is not None:
        expected, mend = f"nominal, of and from with measures of the core, and no {spec.measure}", "drop them"
        found = "one of nominal, of, from"
        yield Fault(file=file, line=line, key=".".join(path), found=found, expected=expected, mend=mend)
    try:
        contrast_weights(contrasts[spec.measure], len(spec.at))
    except Exception as error:  # noqa: BLE001  a plugin may raise anything; the author is told
        found, mend = f"{len(spec.at)} places", "name as many in at as it needs"
        yield Fault(file=file, line=line, key=".".join((*path, "at")), found=found, expected=told(error), mend=mend)


def _rule(
    routine: Routine, catalogue: Catalogue, origins: Origins | None, tool: Untouched | None
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
    plugin, rule = catalogue.rules[name]
    settings, wrong = _settings(rule.settings, routine.decision.settings, origins, ("decision", "settings"))
    if settings is None:
        lost = Failure(plugin=name, during="reading its settings", message="they are not valid now", what="rule")
        return None, () if origins is not None else (lost,), wrong
    try:
        sentence = worded(rule.words(settings), "the words of a rule")
    except (Exception, SystemExit) as error:  # noqa: BLE001  a plugin may raise anything, and must harm nobody
        return None, (Failure(plugin=name, during="words", message=told(error), what="rule"),), ()
    guard = partial(rule.guard, settings) if plugin.built_in else partial(_guard_of, rule, settings, tool)
    return GivenBand(name=name, guard=guard, sentence=sentence), (), ()


def _guard_of(rule: GuardRule, settings: Settings, tool: Untouched | None, standing: Standing) -> Number:
    """The guard band of a stranger's rule [um], which gets copies."""
    numbers: dict[str, Any] = {field.name: locked(getattr(standing, field.name)) for field in fields(standing)}
    own, before = Standing(**numbers), Standing(**numbers)
    copy = settings.model_copy(deep=True)
    try:
        return rule.guard(copy, own)
    finally:
        unchanged(tool, ("standing", before, own), ("settings", settings, copy))


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
