"""Speed of a rehearsal against the floor: the time that numpy needs to draw the same random numbers.

    python tests/benchmarks/rehearse.py

It prints; it does not judge. The goal stands beside each figure.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from holdzero.catalogue import load_catalogue
from holdzero.checks import bind
from holdzero.cli.rehearsing import shared_points
from holdzero.cli.workers import executor_for
from holdzero.rehearse import rehearsed
from holdzero.rehearse.draws import draws_of
from holdzero.rehearse.errors import drawn
from holdzero.rehearse.many import BLOCK, Rehearsal
from holdzero.testing.drive import loaded_of

ROUTINE = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"
RUNS = 100_000
READINGS = 14


def fastest(work: Callable[[], object], times: int = 3) -> float:
    """Seconds of the fastest of some times [s]."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return min(taken)


def peak_mb() -> float:
    """Most memory that this process ever had [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main() -> None:
    catalogue = load_catalogue()
    loaded = loaded_of(ROUTINE, catalogue)
    checks, _ = bind(loaded.routine, catalogue)
    what = Rehearsal(
        document=loaded.document, digest=loaded.digest, checks=checks, of="thickness", scatter_um=0.2, seed=1
    )
    ideal = what.ideal()
    rehearsed(what, ideal, 0.0, BLOCK)

    def draws_alone() -> None:
        for number in range(RUNS // BLOCK):
            draws = draws_of(1, number)
            drawn(ideal, draws, BLOCK)
            for reading in range(READINGS):
                draws(f"reading {reading}").normal(0.0, 0.2, BLOCK)

    floor = fastest(draws_alone)
    ours = fastest(lambda: rehearsed(what, ideal, 0.0, RUNS))
    print(f"numpy draws the same numbers              {1e3 * floor:8.0f} ms")
    print(f"{RUNS} runs of the spacer ring        {1e3 * ours:8.0f} ms    {ours / floor:.1f} of that, goal 3")
    for runs in (10_000, 100_000, 1_000_000):
        rehearsed(what, ideal, 0.0, runs)
        print(f"peak memory with {runs:>8} runs           {peak_mb():8.0f} MB                  goal: flat")
    sizes = tuple(np.linspace(-4.0, 4.0, 8))
    for workers in (1, 2):
        with executor_for(workers) as (executor, ahead):
            list(shared_points(what, sizes[:2], 1_000, executor, ahead, None))  # the processes have begun
            taken = fastest(lambda: list(shared_points(what, sizes, RUNS, executor, ahead, None)), 1)
        print(f"8 true sizes of {RUNS} runs, {workers} worker{'s' if workers > 1 else ' '}    {taken:8.2f} s")


if __name__ == "__main__":
    main()
