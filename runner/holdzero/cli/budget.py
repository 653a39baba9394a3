"""`budget`: the expected uncertainty budget of a routine, before any reading."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from holdzero.checks import bind
from holdzero.cli.house import open_shop
from holdzero.cli.options import standard_um
from holdzero.display import length_text, micro_text
from holdzero.errors import FileFaultsError
from holdzero.expansion import kinds_of
from holdzero.expect import Expectation, expect
from holdzero.hooks import Level
from holdzero.model_findings import NOTICEABLE
from holdzero.passable import Trial, culprit_of
from holdzero.result import Result
from holdzero.routine.load import load_routine
from holdzero.routine.schema import Routine

__all__ = ["show_budget"]

_BAR = 24


def show_budget(
    path: Path, *, member: str | None, scatter: str | None, choices: Mapping[str, str], named: Path | None
) -> int:
    """Print what to expect of a routine; gives the exit code."""
    shop = open_shop(named)
    loaded = load_routine(path, member, kinds_of(shop.catalogue))
    checks, faults = bind(loaded.routine, shop.catalogue, loaded.origins)
    if faults:
        raise FileFaultsError(faults)
    scatter_um = standard_um("--scatter", scatter) if scatter is not None else 0.0
    entries = shop.entries(choices)
    evaluation, expected = expect(loaded.document, loaded.digest, checks, scatter_um=scatter_um, entries=entries)
    trial = Trial(document=loaded.document, digest=loaded.digest, checks=checks, entries=entries, scatter_um=scatter_um)
    console = Console(highlight=False)
    units = loaded.routine.routine.units
    header = loaded.routine.routine
    console.print(f"{header.title}   {header.part} {header.revision}")
    told = f"repeats that scatter by s = {scatter}" if scatter else "repeats that scatter by less than the resolution"
    console.print(Text(f"Expected before any reading, for a part in the middle of its limits and {told}.", style="dim"))
    for item in expected:
        console.print()
        _characteristic(console, item, units)
        if (why := _hopeless(loaded.routine, trial, item.result)) is not None:
            console.print(Text(f"Nothing can be passed: {why}.", style="bold"))
    for finding in evaluation.findings:
        if finding.level is Level.STOP:
            console.print(Text(f" # STOP: {finding.text}", style="bold"))
        elif finding.code.startswith("model/"):
            console.print(f" ! doubt: {finding.text}")
    return 0


def _hopeless(routine: Routine, trial: Trial, result: Result) -> str | None:
    """Why not even the best value passes; None where one does, or there is no limit."""
    spec, rule = result.spec, routine.decision.numbers(trial.checks.rule)
    best = None if spec.lower is None and spec.upper is None else trial.hopeless(result, rule)
    if best is None:
        return None
    return culprit_of(routine, best, rule, trial.resolution_um).why or "U is too much for its limits"


def _characteristic(console: Console, item: Expectation, units: str) -> None:
    result, spec = item.result, item.result.spec
    if result.propagated is None or result.decision is None:
        return
    u = float(result.propagated.standard_uncertainty_um)
    expanded = float(result.decision.expanded_uncertainty_um)
    k = float(result.decision.coverage_factor)
    nominal = f", nominal {length_text(spec.nominal, units)}" if spec.nominal is not None else ""
    console.print(Text(f"{result.name}: {spec.measure} at {', '.join(spec.at)}{nominal}", style="bold"))
    size = micro_text(expanded, units, expanded, sign=False)
    console.print(f"U = {size} (k = {k:.2f}, u = {micro_text(u, units, u, sign=False)})")
    first = float(result.propagated.first_order_um)
    if u > first * (1.0 + NOTICEABLE):
        console.print(f"By first order alone u = {micro_text(first, units, u, sign=False)}: pairs (×) count here")
    _against_tolerance(console, item, expanded, units)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("input", "u", "contribution"):
        table.add_column(column, overflow="fold")
    table.add_column("", no_wrap=True)
    for row in result.propagated.contributions:
        part = float(row.contribution_um)
        if part < _NOTHING * u:
            continue
        bar = "█" * max(1, round(_BAR * part / u)) if u else ""
        standard = f"{float(row.input.estimate.standard_uncertainty):.2g} {row.input.unit}".replace("um", "µm")
        told = micro_text(part, units, part, sign=False)
        table.add_row(row.input.name, standard, told, bar)
    console.print(table)
    if item.levers:
        console.print("What would help most (each halved alone):")
    for lever in item.levers:
        told = micro_text(lever.expanded_um, units, expanded, sign=False)
        console.print(f"  {lever.name}: U = {told}; {lever.advice}")


_NOTHING = 0.01  # a hundredth of u adds a twentieth of a per mille to it


def _against_tolerance(console: Console, item: Expectation, expanded: float, units: str) -> None:
    spec, decision = item.result.spec, item.result.decision
    smallest = item.smallest_tolerance_um
    if smallest:
        told = micro_text(smallest, units, smallest, sign=False)
        console.print(f"Narrowest tolerance that its middle could pass: {told} (full width)")
    if spec.lower is None or spec.upper is None or decision is None:
        return
    width = spec.upper - spec.lower
    ratio = f"{width / (2.0 * expanded):.1f}" if expanded else "∞"
    console.print(f"Tolerance {micro_text(width, units, sign=False)} (full width): T/2U = {ratio} (JCGM 106, eq. 12)")
    low, high = item.result.acceptance or (spec.lower, spec.upper)
    bar = _bar(spec.lower, spec.upper, low, high)
    console.print(f"{micro_text(spec.lower, units)} |{bar}| {micro_text(spec.upper, units)}   █ pass  ░ guard band")


def _bar(lower: float, upper: float, low: float, high: float) -> str:
    """The tolerance as cells, and which of them lie where values pass."""
    if low > high or lower == upper:
        return ("█" if low <= high else "░") * _CELLS
    first, last = (round(_CELLS * (edge - lower) / (upper - lower)) for edge in (low, high))
    # What can pass is seen, however little it is.
    last = max(last, first + 1)
    return "░" * first + "█" * (last - first) + "░" * (_CELLS - last)


_CELLS = 40
