"""The mutation score: how many small faults in what measures and decides the tests see.

`python -m tests.mutants.score` tries every mutant, which takes hours; `--sample 40` so many of them, drawn by a seed;
`--only holdzero.decide` those of a module; `--named` the named faults alone. It needs a map of what each test runs:
`--map` makes it, of all tests or of those that are named after it. Exit code 1: the score is below 95 %, or a named
fault lives.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from scipy.stats import binomtest

from tests.mutants.faults import EntryError, Tests, all_mutants, argued, named
from tests.mutants.make import Mutant, covered
from tests.mutants.mapping import ADDED, MAP
from tests.mutants.running import Fault, Outcome, Runner

LEAST = 0.95
ROOT = Path(__file__).parent.parent.parent


def main(arguments: Sequence[str] | None = None) -> int:
    """Try mutants; gives the exit code."""
    asked = _parser().parse_args(arguments)
    if asked.map is not None:
        return _mapped(asked.map)
    if not any(MAP.glob("*.json")):
        print("There is no map of the tests; make it: python -m tests.mutants.score --map")
        return 2
    try:
        patches = named()
        mutants = all_mutants(asked.only or None)
        known = argued()
    except EntryError as error:
        print(error)
        return 2
    if asked.function:
        mutants = [m for m in mutants if m.block.function in asked.function]
    if asked.sample:
        mutants = sorted(random.Random(asked.seed).sample(mutants, min(asked.sample, len(mutants))), key=str)
    tests = Tests()
    wanted = [] if asked.named else mutants
    faults = {tests.fault(mutant).key: mutant for mutant in wanted if mutant not in known}
    named_faults = [tests.named(one) for one in patches] if asked.named or not (asked.only or asked.sample) else []
    every = [*named_faults, *(tests.fault(mutant) for mutant in faults.values())]
    alive: list[Fault] = []

    def told(fault: Fault, outcome: Outcome) -> None:
        if not outcome.killed:
            alive.append(fault)
        if asked.verbose or not outcome.killed:
            became = f"killed by {outcome.by}" if outcome.killed else "LIVES"
            print(f"{fault.name}\n    {became} ({outcome.ran} tests, {outcome.took_s:.1f} s)", flush=True)

    began = time.monotonic()
    code = Runner(every, dict(tests.durations), asked.at_once, told).run(ROOT)
    if code not in (0, 5):
        print(f"pytest gave {code}: the tests could not be collected, or the map is of other ones")
        return 2
    return _summed(
        wanted, known, alive, time.monotonic() - began, len(named_faults), asked.seed if asked.sample else None
    )


def _summed(
    wanted: Sequence[Mutant],
    known: dict[Mutant, str],
    alive: Sequence[Fault],
    took_s: float,
    patches: int,
    seed: int | None,
) -> int:
    living = [fault for fault in alive if not fault.key.startswith("named:")]
    of_name = [fault for fault in alive if fault.key.startswith("named:")]
    print(f"\nnamed faults: {patches - len(of_name)} of {patches} killed")
    if not wanted:
        return int(bool(of_name))
    explained = sum(mutant in known for mutant in wanted)
    killed = len(wanted) - explained - len(living)
    score = killed / len(wanted)
    low, high = binomtest(killed, len(wanted)).proportion_ci(0.95)
    drawn = "" if seed is None else f", drawn with seed {seed}"
    print(
        f"mutants: {killed} of {len(wanted)} killed{drawn}, {explained} argued in survivors.toml, "
        f"{len(living)} others live"
    )
    print(
        f"score: {score:.1%} (95 % interval {low:.1%} to {high:.1%}; at least {LEAST:.0%} is asked for), {took_s:.0f} s"
    )
    for fault in sorted(living, key=lambda fault: fault.name):
        print(f"  lives: {fault.name}")
    return int(score < LEAST or bool(of_name))


def _mapped(paths: Sequence[str]) -> int:
    """Run tests and write down what they run."""
    env = {**os.environ, "PYTEST_PLUGINS": "tests.mutants.mapping", **({ADDED: "1"} if paths else {})}
    command = [sys.executable, "-m", "pytest", "-q", *(["-n", "0"] if paths else []), *paths]
    return subprocess.run(command, env=env, cwd=ROOT, check=False).returncode


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants.score", description=__doc__)
    parser.add_argument("--map", nargs="*", metavar="TESTS", help="make the map, of all tests or of these anew")
    parser.add_argument("--sample", type=int, metavar="N", help="so many mutants, drawn")
    parser.add_argument("--seed", type=int, default=20260302, help="of the draw")
    parser.add_argument("--named", action="store_true", help="the named faults alone")
    parser.add_argument("--only", nargs="+", choices=covered(), metavar="MODULE", help="mutants of these modules")
    parser.add_argument("--function", nargs="+", metavar="NAME", help="mutants in these functions")
    parser.add_argument("--at-once", type=int, default=2, metavar="N", help="how many processes")
    parser.add_argument("--verbose", action="store_true", help="tell of each mutant as it ends")
    return parser


if __name__ == "__main__":
    sys.exit(main())
