"""What came of a part: its results, findings and verdict, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from holdzero.decide import Decision, Truth, Verdict
from holdzero.distribution import MonteCarlo
from holdzero.error_distribution import ErrorDistribution
from holdzero.hooks import Apart, Finding
from holdzero.model import Number, Propagated, Term
from holdzero.risk import Acceptance, GlobalRisk
from holdzero.routine.schema import Characteristic

__all__ = ["Evaluation", "Result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of one characteristic; all but its name and verdict are None where it has no number.

    Attributes:
        weights: how much each place counts in the measured difference [1].
        terms: summands of its value.
        propagated: by the order that the routine asks for.
        second: with the terms of second order, whatever the routine asks for.
        errors: simulated, where the terms of second order move the coverage of U.
        simulation: by Monte Carlo, where the run asks for it; `validated` says whether it agrees with propagation.
        decision: by the rule of the routine.
        acceptance: which measured values would pass; None without limits.
        stopped: whether a finding stops it; where the readings are arrays, one entry a run, or one for all.

    Where the readings are arrays there is no one verdict: `passed` and `failed` say it run by run, and weights,
    simulation, acceptance and risk are left out.
    """

    name: str
    spec: Characteristic
    verdict: Verdict
    weights: Mapping[str, Number] = field(default_factory=dict)
    terms: tuple[Term, ...] = ()
    propagated: Propagated | None = None
    second: Propagated | None = None
    errors: ErrorDistribution | None = None
    simulation: MonteCarlo | None = None
    validated: bool | None = None
    decision: Decision | None = None
    acceptance: Acceptance | None = None
    risk: GlobalRisk | None = None
    stopped: Truth = False

    @property
    def passed(self) -> Truth:
        """Whether it passes; an array has one entry a run."""
        return False if self.decision is None else self._alone(self.decision.passes, self.decision.fails)

    @property
    def failed(self) -> Truth:
        """Whether it fails; an array has one entry a run."""
        return False if self.decision is None else self._alone(self.decision.fails, self.decision.passes)

    def _alone(self, one: Truth, other: Truth) -> Truth:
        return np.logical_and(one, np.logical_not(np.logical_or(other, self.stopped)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What came of one part.

    Attributes:
        serial: of the part; None where it has none.
        results: one for each characteristic.
        findings: that hold, the heaviest first.
        verdict: of the part.
        check_standard: summands of what the comparator should show on the check standard [um], where
            the routine was run with ideal readings.
        apart: by how much places lie apart, as checks know it, there as well.
    """

    serial: str | None
    results: tuple[Result, ...]
    findings: tuple[Finding, ...]
    verdict: Verdict
    check_standard: tuple[Term, ...] = ()
    apart: tuple[Apart, ...] = ()
