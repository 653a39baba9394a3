"""Where a result is not as good as its U says: second order that was left out, errors far from normal, a simulation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from holdzero.decide import Decision
from holdzero.distribution import MonteCarlo
from holdzero.error_distribution import ErrorDistribution
from holdzero.hooks import Finding, Level, RunView
from holdzero.limit import exceeds
from holdzero.model import Propagated
from holdzero.result import Result

__all__ = ["ENOUGH_TRIALS", "NOTICEABLE", "RESTS_ON", "model_findings", "rests_on"]

# With fewer trials the ends of the interval differ from first order by chance alone.
ENOUGH_TRIALS = 100_000


def model_findings(view: RunView, result: Result) -> Iterable[Finding]:
    """Where propagation is not good enough."""
    if result.propagated is None:
        return
    if view.routine.decision.order == 1 and result.second is not None:
        yield _left_out(view, result.name, result.propagated, result.second)
    if result.errors is not None and result.decision is not None:
        yield _coverage(view, result.name, result.errors, result.decision)
    if result.simulation is not None:
        yield from _of_the_simulation(result.name, result.simulation)
    if result.validated is False:
        text = (
            f"{result.name}: propagation and simulation differ by more than the last digit that counts; where a "
            f"probability decides, it is the simulation's, if that is stable and has {ENOUGH_TRIALS} trials or more."
        )
        yield Finding(level=Level.DOUBT, code="model/propagation", text=text, characteristic=result.name)


# By how much the terms of second order may raise an uncertainty before it is said that they are left out: as much as
# moves the second of two significant digits by one or more (JCGM 100:2008, 7.2.6).
NOTICEABLE = 0.05


def _left_out(view: RunView, name: str, first: Propagated, second: Propagated) -> Finding:
    """The routine asks for first order, and second order would count."""
    low, high = float(first.standard_uncertainty_um), float(second.standard_uncertainty_um)
    pair = next((f" ({row.input.name})" for row in second.contributions if row.is_pair), "")
    return Finding(
        level=Level.DOUBT,
        code="model/second_order",
        text=f"{name}: u is by first order, {view.length(low, 3)}, as the routine asks: "
        f"{view.routine.decision.order_why}. With the terms of second order{pair} it is {view.length(high, 3)}.",
        characteristic=name,
        data={"first_order_um": low, "second_order_um": high},
        holds=high > low * (1.0 + NOTICEABLE),
    )


def _coverage(view: RunView, name: str, errors: ErrorDistribution, decision: Decision) -> Finding:
    """U does not cover what it says, as the errors are far from normal."""
    stated = view.routine.decision.coverage_probability
    by = f"; the conformance probability is that of {errors.trials:,} simulated errors (seed {errors.seed})"
    return Finding(
        level=Level.DOUBT,
        code="model/coverage",
        text=f"{name}: U covers the true value in {100.0 * errors.coverage:.1f} % of cases, not in "
        f"{100.0 * stated:.4g} %: the effect of {errors.pair} is far from normal"
        f"{by if decision.chance is not None else ''}.",
        characteristic=name,
        data={"coverage": errors.coverage, "stated": stated},
    )


def _of_the_simulation(name: str, simulation: MonteCarlo) -> Iterable[Finding]:
    """What a simulation can't say, or did not come to."""
    trials = simulation.trials
    unstable = f"{name}: the simulation did not become stable in {trials} trials."
    if simulation.heavy_tails:
        few = "; ".join(f"{of}: {dof:.3g}" for of, dof in simulation.heavy_tails.items())
        text = (
            f"{name}: the simulation has no standard uncertainty, only an interval. With 2 degrees of freedom or fewer "
            f"an input has no standard deviation ({few}). More readings give it one. JCGM 101, 6.4.9.4."
        )
        yield Finding(level=Level.NOTE, code="model/no_standard_deviation", text=text, characteristic=name)
        unstable = (
            f"{name}: without a standard deviation no adaptive number of trials can become stable, and none was tried. "
            f"{trials} trials were made. For a decision by simulation ask for that number: --trials {trials}."
        )
    if not simulation.stable:
        yield Finding(level=Level.DOUBT, code="model/unstable", text=unstable, characteristic=name)


RESTS_ON = "/rests_on"
"""How the code of a finding ends that names a plugin without which the verdict would not be what it is."""


def rests_on(view: RunView, result: Result, names: Sequence[str], without: Propagated | None) -> Iterable[Finding]:
    """Where checks that do not come with the tool move a value by more than its U, or make U noticeably smaller.

    Args:
        view: of the run, at a bench.
        result: with their terms and weights.
        names: of the checks.
        without: the same without them; None where there is no number then.
    """
    if result.propagated is None or result.decision is None:
        return
    stated = float(result.decision.expanded_uncertainty_um)
    who = f"The check{'s' if len(names) > 1 else ''} {' and '.join(names)}"
    mend = "See what its terms say before you rely on the verdict."
    if without is None:
        text, data = f"{result.name}: without {who[4:]} it has no number. {mend}", {}
    else:
        moved = float(result.propagated.value_um) - float(without.value_um)
        u, plain_u = float(result.propagated.standard_uncertainty_um), float(without.standard_uncertainty_um)
        # With a large u of its own a term could move a value by any amount, and stay below the U that it made.
        plain = float(result.decision.coverage_factor) * plain_u
        expanded, of = (stated, "U") if stated <= plain else (plain, "U without it")
        data = {"moved_um": moved, "expanded_um": expanded, "standard_um": u, "standard_without_um": plain_u}
        if exceeds(abs(moved), expanded, view.resolution_um):
            does = f"moves the value by {view.length(moved, 3, sign=True)}, more than {of} = {view.length(expanded)}"
        elif plain_u > u * (1.0 + NOTICEABLE):
            does = f"makes u {view.length(u, 3)}; without it u is {view.length(plain_u, 3)}"
        else:
            return
        does = does if len(names) == 1 else does.replace("moves", "move").replace("makes", "make")
        text = f"{result.name}: {who[0].lower()}{who[1:]} {does}. The verdict rests on that. {mend}"
    yield Finding(level=Level.DOUBT, code=f"{names[0]}{RESTS_ON}", text=text, characteristic=result.name, data=data)
