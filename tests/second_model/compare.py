"""The tool's records beside the second model's figures, routine by routine.

    python tests/second_model/compare.py --routines 76 --seed 1 [--keep FOLDER]

It makes routines with readings from the seed, runs the tool on each as a user does, and prints the largest
disagreement of each figure with the routine that shows it; with `--keep` what disagrees is written to a folder.
"""

from __future__ import annotations

import argparse
import csv
import io
import math
import sys
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from holdzero.testing.kit import Measure
from invented.cases import Case, case
from second.conformity import verdict
from second.model import Figures, figures
from second.simulation import share_within, simulated

BOUND = 1e-6  # largest disagreement: of a length [um] or relative, whichever is more lenient; of a probability [1]
DRAWS = 400_000
SIGMAS = 4.0  # how far two simulated probabilities may lie apart, in binomial standard deviations
FIGURES = ("value", "u", "dof", "k", "U", "probability", "simulated probability", "verdict")


@dataclass(frozen=True)
class Compared:
    """One figure of one characteristic.

    Attributes:
        figure: which one.
        where: routine and characteristic.
        tool: what the record says.
        second: what the second model says.
        off: how far they lie apart; infinite where one of them has no such figure, or another word.
        bound: how far they may.
    """

    figure: str
    where: str
    tool: Any
    second: Any
    off: float
    bound: float

    @property
    def agrees(self) -> bool:
        """Whether they lie near enough."""
        return self.off <= self.bound


def record_of(item: Case, root: Path) -> dict[str, Any]:
    """The tool's record of a case."""
    rows = list(csv.DictReader(io.StringIO(item.readings)))
    outcome = Measure(root)(item.routine, [(float(row["time"]), row["answer"]) for row in rows])
    if not outcome.records:
        raise ValueError(f"{item.name}: {outcome!r}")
    return outcome.record


def compared(item: Case, record: Mapping[str, Any]) -> list[Compared]:
    """Every figure of a case."""
    found = []
    for name, second in figures(item.routine, item.readings).items():
        found.extend(_of_one(f"{item.name} {name}", record["results"][name], second))
    return found


def _of_one(where: str, tool: Mapping[str, Any], second: Figures) -> list[Compared]:
    result = second.result
    pairs = (
        ("value", tool["value_um"], result.value),
        ("u", tool["standard_uncertainty_um"], result.u),
        ("dof", math.inf if tool["degrees_of_freedom"] is None else tool["degrees_of_freedom"], result.dof),
        ("k", tool["coverage_factor"], result.k),
        ("U", tool["expanded_uncertainty_um"], result.expanded),
    )
    found = [_number(figure, where, one, other) for figure, one, other in pairs]
    words = {second.verdict}
    if not second.closed:  # nothing is stated where nothing is decided
        none = math.inf if tool["conformance_probability"] is not None else 0.0
        found.append(Compared("probability", where, tool["conformance_probability"], None, none, BOUND))
    elif tool["simulated_errors"] is None:
        off = abs(tool["conformance_probability"] - second.probability)
        found.append(Compared("probability", where, tool["conformance_probability"], second.probability, off, BOUND))
    else:
        near, words = _simulated(where, tool, second)
        found.append(near)
    off = 0.0 if tool["verdict"] in words else math.inf
    return [*found, Compared("verdict", where, tool["verdict"], " or ".join(sorted(words)), off, 0.0)]


def _number(figure: str, where: str, tool: float | None, second: float) -> Compared:
    """Two numbers: equal to the bound, absolute or relative."""
    if tool is None:
        return Compared(figure, where, tool, second, math.inf, BOUND)
    apart = 0.0 if tool == second else abs(tool - second)
    return Compared(figure, where, tool, second, apart / max(1.0, min(abs(second), 1e300)), BOUND)


def _simulated(where: str, tool: Mapping[str, Any], second: Figures) -> tuple[Compared, set[str]]:
    """Probability and verdict where the tool has them from simulated errors: against draws of the second model."""
    values = simulated(second.model, np.random.default_rng(20261130), DRAWS)
    share = share_within(values, *second.limits)
    trials = tool["simulated_errors"]["trials"]
    # Of two independent binomial shares; at least that of one trial inside or outside.
    spread = math.sqrt(max(share * (1.0 - share), 1.0 / trials) * (1.0 / DRAWS + 1.0 / trials))
    off, bound = abs(tool["conformance_probability"] - share), SIGMAS * spread
    near = Compared("simulated probability", where, tool["conformance_probability"], share, off, bound)
    words = {
        verdict(second.decision, second.result, second.limits, min(1.0, max(0.0, share + side)), simulated=True)
        for side in (-bound, 0.0, bound)
    }
    return near, words


def table(everything: Iterable[Compared]) -> list[str]:
    """The largest disagreement of each figure, as a share of what it may be, and where."""
    lines = [f"{'figure':<22}{'compared':>9}{'apart':>7}  {'largest':>9} {'of':>9}  where"]
    for figure in FIGURES:
        found = [item for item in everything if item.figure == figure]
        if found:
            worst = max(found, key=lambda item: item.off / item.bound if item.bound else item.off)
            apart = sum(not item.agrees for item in found)
            row = f"{figure:<22}{len(found):>9}{apart:>7}  {worst.off:>9.2g} {worst.bound:>9.2g}"
            lines.append(f"{row}  {worst.where}: {worst.tool} and {worst.second}")
    return lines


def keep(item: Case, found: Iterable[Compared], folder: Path) -> None:
    """Write a routine that disagrees, its readings, and both figures."""
    folder.mkdir(parents=True, exist_ok=True)
    said = [
        f"# {one.where} {one.figure}: tool {one.tool}, second model {one.second}\n" for one in found if not one.agrees
    ]
    (folder / f"{item.name}.toml").write_text("".join(said) + item.routine, "utf-8")
    (folder / f"{item.name}.readings.csv").write_text(item.readings, "utf-8")


def main() -> int:
    """Print the table; 1 where anything lies further apart than it may."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--routines", type=int, default=76)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--keep", type=Path, default=None, metavar="FOLDER")
    options = asked.parse_args()
    everything: list[Compared] = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(options.routines):
            item = case(number, options.seed)
            root = Path(folder) / str(number)
            root.mkdir()
            found = compared(item, record_of(item, root))
            everything.extend(found)
            if options.keep and not all(one.agrees for one in found):
                keep(item, found, options.keep)
    sys.stdout.write("\n".join(table(everything)) + "\n")
    return 0 if all(one.agrees for one in everything) else 1


if __name__ == "__main__":
    sys.exit(main())
