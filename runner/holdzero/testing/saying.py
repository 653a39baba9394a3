"""What a check says of a view, all of it, as data that can be compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from holdzero.catalogue import Plugin
from holdzero.characteristic import characteristic_of
from holdzero.checks import Checks
from holdzero.hooks import CharacteristicView, Check, Finding, RunView, Settings, Term, Weighting
from holdzero.run.state import State
from holdzero.testing.complaint import Subject
from holdzero.views import view_of

__all__ = ["SERIAL", "Said", "Suite", "value_of"]

SERIAL = "1"
"""Of the part of a sample run."""


@dataclass(frozen=True, slots=True)
class Said:
    """All that a check says of one view.

    Attributes:
        watched: at the bench.
        weighed: by characteristic, where it weighs.
        terms: by characteristic; and what is expected on the check standard, and by how much places lie apart.
        judged: at the end.
    """

    watched: tuple[Finding, ...]
    weighed: tuple[tuple[str, Weighting | None], ...]
    terms: tuple[tuple[str, tuple[Term, ...]], ...]
    judged: tuple[Finding, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """At the bench and at the end."""
        return (*self.watched, *self.judged)

    @property
    def anything(self) -> bool:
        """Whether there is anything at all."""
        return bool(self.findings or any(terms for _, terms in self.terms) or any(made for _, made in self.weighed))

    @property
    def plain(self) -> object:
        """The same as data that can be compared: functions by what they give."""
        return (
            [_plain_finding(finding) for finding in self.watched],
            [(name, weighing and (weighing.weights, weighing.scatter)) for name, weighing in self.weighed],
            [(name, [_plain_term(term) for term in terms]) for name, terms in self.terms],
            [_plain_finding(finding) for finding in self.judged],
        )

    @property
    def codes(self) -> list[tuple[str, str]]:
        """Level and code of what holds."""
        return sorted((str(f.level), f.code) for f in self.findings if bool(np.any(f.holds)))


def _plain_finding(finding: Finding) -> object:
    return (str(finding.level), finding.code, finding.text, finding.characteristic, dict(finding.data), finding.holds)


def _plain_term(term: Term) -> object:
    return (term.name, term.inputs, term.words, term.source, value_of(term))


def value_of(term: Term) -> Any:
    """What a term gives at the estimates of its inputs [um]."""
    return term.function(*(item.estimate.value for item in term.inputs))


@dataclass(frozen=True, slots=True)
class Suite:
    """A check that is put through its rules.

    Attributes:
        subject: the check, for messages.
        check: as declared.
        settings: typed.
        checks: of the sample run's routine, this one among them.
        alone: this one without the others.
        plugin: that declares it.
    """

    subject: Subject
    check: Check
    settings: Settings
    checks: Checks
    alone: Checks
    plugin: Plugin

    def said(self, view: RunView) -> Said:
        """All that the check says of a view, through the functions themselves."""
        check, settings = self.check, self.settings
        seen = self._characteristics(view)
        watched = tuple(check.watch(settings, view)) if check.watch is not None else ()
        weighed, terms = [], []
        for index, one in enumerate(seen):
            weighing = check.weigh(settings, view, one) if check.weigh is not None else None
            weighed.append((one.name, weighing))
            if weighing is not None:
                seen[index] = replace(one, weights=weighing.weights, scatter=weighing.scatter)
            if check.terms is not None:
                terms.append((one.name, tuple(check.terms(settings, view, seen[index]))))
        if check.expected is not None:
            terms.append(("the check standard", tuple(check.expected(settings, view))))
        if check.apart is not None:
            terms.extend((f"place {one.place}", (one.term,)) for one in check.apart(settings, view))
        judged = tuple(check.judge(settings, view, tuple(seen))) if check.judge is not None else ()
        return Said(watched=watched, weighed=tuple(weighed), terms=tuple(terms), judged=judged)

    def _characteristics(self, view: RunView) -> list[CharacteristicView]:
        made = (
            characteristic_of(view, name, spec, self.checks.contrasts)[0]
            for name, spec in view.routine.characteristics.items()
        )
        return [one for one in made if one is not None]

    def nonsense(self, view: RunView) -> list[str]:
        """What the engine itself would not take of it."""
        failures = list(self.alone.watch(view).failures)
        seen = self._characteristics(view)
        for one in seen:
            weighed, _, failed = self.alone.weigh(view, one)
            failures += failed + self.alone.terms(view, weighed)[1]
        failures += self.alone.expected(view)[1]
        failures += self.alone.apart(view)[1]
        failures += [*self.alone.shows(1.0)[1], *self.alone.shows(np.array([-1.0, 0.0, 1.0]))[1]]
        failures += self.alone.judge(view, seen)[1]
        return [f"{failure.during}: {failure.message}" for failure in failures]

    def view(self, state: State, serial: str = SERIAL) -> RunView:
        """What the check sees of a run, for one part."""
        return view_of(state, serial, dict(self.checks.materials))
