"""What is told at the end of a run at a virtual bench: how near its result comes to the truth, and what was hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdzero.checks import Checks
from holdzero.decide import Verdict
from holdzero.display import micro_text
from holdzero.evaluate import Result, evaluate
from holdzero.routine.schema import Characteristic
from holdzero.run.state import State

__all__ = ["Truth", "debriefed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of the part.

    Attributes:
        name: of a characteristic.
        spec: the characteristic.
        true_um: its value in truth [um].
    """

    name: str
    spec: Characteristic
    true_um: float

    @property
    def conforms(self) -> bool:
        """Whether it lies within its limits."""
        lower, upper = self.spec.lower, self.spec.upper
        return (lower is None or self.true_um >= lower) and (upper is None or self.true_um <= upper)


def debriefed(state: State, checks: Checks, truths: Sequence[Truth], hidden: str) -> Sequence[str]:
    """What is told at the end, one characteristic a line.

    Args:
        state: of the finished run.
        checks: bound to its routine.
        truths: of the part.
        hidden: what was wrong at the bench; empty for nothing.
    """
    units = state.routine.routine.units if state.routine is not None else "mm"
    told = []
    for serial in state.serials:
        results = {result.name: result for result in evaluate(state, serial, checks).results}
        whose = f"Serial {serial}, " if len(state.serials) > 1 else ""
        told += [f"{whose}{_beside(results[truth.name], truth, units)}" for truth in truths if truth.name in results]
    if hidden:
        told.append(f"What was hidden: {hidden}")
    return told


def _beside(result: Result, truth: Truth, units: str) -> str:
    """A result beside the truth."""
    within = "within its limits" if truth.conforms else "beyond its limits"
    known = f"{truth.name}: in truth {micro_text(truth.true_um, units)}, {within}."
    if result.propagated is None or result.decision is None:
        return f"{known} No value was found."
    expanded = float(result.decision.expanded_uncertainty_um)
    largest = micro_text(expanded, units, expanded, sign=False)
    off = float(result.propagated.value_um) - truth.true_um
    inside = "no more than" if abs(off) <= expanded else "more than"
    apart = f"off by {micro_text(off, units, expanded)}, {inside} its U of {largest}"
    return f"{known} The value is {apart}. {_judged(result.verdict, conforms=truth.conforms)}"


def _judged(verdict: Verdict, *, conforms: bool) -> str:
    """What the verdict is worth."""
    if verdict is Verdict.REPORTED:
        return "Nothing is decided of it."
    if verdict is Verdict.PASS:
        return "It passed, and rightly." if conforms else "It passed, and is bad: that part would have gone out."
    if verdict is Verdict.FAIL:
        return "It failed, and is good: that part would have been scrapped." if conforms else "It failed, and rightly."
    return "It stayed undecided: nothing wrong was accepted or rejected."
