"""What is told at the end of a run at a virtual bench: how near its result comes to the truth, and what was hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdzero.checks import Checks
from holdzero.decide import Verdict
from holdzero.display import micro_text, span_text
from holdzero.evaluate import Result, evaluate
from holdzero.routine.schema import Characteristic
from holdzero.run.state import Reading, State

__all__ = ["Hidden", "Truth", "debriefed"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """What only the bench knew.

    Attributes:
        truths: of the part.
        told: what was wrong at the bench, in words; None where there was no scenario.
        dust: readings that dust lay under, and how high it lifted the part [um].
        drawn: by how much errors that the routine states moved the value of a characteristic [um], by what they are
            of; with the name of the characteristic.
    """

    truths: Sequence[Truth]
    told: str | None
    dust: Sequence[tuple[Reading, float]] = ()
    drawn: tuple[str, Sequence[tuple[str, float]]] = ("", ())


def debriefed(state: State, checks: Checks, hidden: Hidden, *, sat: bool) -> Sequence[str]:
    """What is told at the end, one characteristic a line; then what was done, and what was hidden.

    Args:
        state: of the run that is over.
        checks: bound to its routine.
        hidden: what only the bench knew.
        sat: whether somebody sat at it, who is told what they did.
    """
    units = state.routine.routine.units if state.routine is not None else "mm"
    told = []
    for serial in state.serials:
        results = {result.name: result for result in evaluate(state, serial, checks).results}
        whose = f"Serial {serial}, " if len(state.serials) > 1 else ""
        truths = [truth for truth in hidden.truths if truth.name in results]
        told += [f"{whose}{_beside(results[truth.name], truth, units)}" for truth in truths]
    told += _drawn(*hidden.drawn, units)
    if sat:
        told.append(_done(state))
    told += _of_dust(state, hidden.dust, units)
    if hidden.told is None:
        told.append("Nothing was hidden: no errors but those that the routine states.")
    elif hidden.told:
        told.append(f"What was hidden: {hidden.told}")
    return told


def _drawn(name: str, shares: Sequence[tuple[str, float]], units: str) -> list[str]:
    """The largest of the errors that the routine itself states, as they were in this run."""
    largest = sorted(shares, key=lambda share: -abs(share[1]))[:_LARGEST]
    said = [f"{term} {micro_text(um, units, abs(um))}" for term, um in largest if abs(um) > _WORTH_UM]
    return [f"Errors that the routine states moved {name} by: {'; '.join(said)}."] if said else []


_LARGEST, _WORTH_UM = 3, 0.005


def _done(state: State) -> str:
    """What the person did besides reading."""
    struck = sum(reading.struck is not None for reading in state.readings)
    cleaned = len(state.prepared) - len({done.slot.id for done in state.prepared})
    away_s = sum(away_s for _, away_s in state.absences)
    done = [
        *([f"struck out {_times(struck, 'reading')}"] if struck else []),
        *([f"prepared again {_often(cleaned)}"] if cleaned else []),
        *([f"gave the zero up {_often(len(state.lost_zeros))}"] if state.lost_zeros else []),
        *([f"paused for {span_text(away_s)}"] if away_s else []),
        *(["gave the run up: nothing wrong was accepted or rejected"] if state.abandoned else []),
    ]
    return f"On the way you {', '.join(done)}." if done else "On the way you changed nothing."


def _times(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _often(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _of_dust(state: State, dust: Sequence[tuple[Reading, float]], units: str) -> list[str]:
    """Which readings dust lay under, and which were struck out without need."""
    if not dust:
        return []
    under = {reading.seq for reading, _ in dust}
    lay = []
    for reading, um in dust:
        where = f"place {reading.slot.place}" if reading.slot.place else "the reference"
        stands = "struck out" if reading.struck else "it counts"
        lay.append(f"entry {reading.seq}, {where} ({micro_text(um, units, um)}, {stands})")
    found = [f"Dust lay under {'; '.join(lay)}."]
    needless = [str(r.seq) for r in state.readings if r.struck is not None and r.seq not in under]
    if needless:
        found.append(
            f"Nothing lay under {', '.join(needless)}, which {'was' if len(needless) == 1 else 'were'} struck out too."
        )
    return found


def _beside(result: Result, truth: Truth, units: str) -> str:
    """A result beside the truth."""
    limited = truth.spec.lower is not None or truth.spec.upper is not None
    within = f", {'within' if truth.conforms else 'beyond'} its limits" if limited else ""
    known = f"{truth.name}: in truth {micro_text(truth.true_um, units)}{within}."
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
