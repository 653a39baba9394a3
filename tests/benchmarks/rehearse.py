"""Speed of a rehearsal against the floor: the time that numpy needs to draw the same random numbers.

    python tests/benchmarks/rehearse.py

It prints; it does not judge. The goal stands beside each figure.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from holdzero.catalogue import load_catalogue
from holdzero.checks import bind
from holdzero.cli.rehearsing import Plan, Subject, Work, shared_out
from holdzero.cli.workers import executor_for
from holdzero.rehearse import rehearsed
from holdzero.rehearse.draws import Draws, draws_of
from holdzero.rehearse.errors import drawn
from holdzero.rehearse.many import BLOCK, Rehearsal
from holdzero.testing.drive import loaded_of

ROUTINE = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"
RUNS = 100_000
TIMES = 12
READINGS = 15  # three zeros, a check, nine of the part, two returns


def fastest(work: Callable[[], object], times: int) -> float:
    """Seconds of the fastest of some times [s]."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return min(taken)


def done(plan: Plan, work: Work) -> list[object]:
    """All pieces of a plan."""
    return list(shared_out([plan], RUNS, work))


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

    def draw_all(draws: Draws, runs: int) -> None:
        drawn(ideal, draws, runs)
        for reading in range(READINGS):
            draws(f"reading {reading}").normal(0.0, what.scatter_um, runs)

    def draws_alone() -> None:
        for number, start in enumerate(range(0, RUNS, BLOCK)):
            draw_all(draws_of(1, number), min(BLOCK, RUNS - start))

    # In turn, as a machine that others use as well is not equally quick all the time.
    pairs = [(fastest(draws_alone, 1), fastest(lambda: rehearsed(what, ideal, 0.0, RUNS), 1)) for _ in range(TIMES)]
    floor, ours = (min(taken) for taken in zip(*pairs, strict=True))
    print(f"numpy draws the same numbers              {1e3 * floor:8.0f} ms")
    print(f"{RUNS} runs of the spacer ring        {1e3 * ours:8.0f} ms    {ours / floor:.1f} of that, goal 3")
    for runs in (10_000, 100_000, 1_000_000):
        rehearsed(what, ideal, 0.0, runs)
        print(f"peak memory with {runs:>8} runs           {peak_mb():8.0f} MB                  goal: flat")
    subject = Subject(
        document=what.document,
        digest=what.digest,
        of=what.of,
        scatter_um=what.scatter_um,
        seed=what.seed,
        entries=what.entries,
        scenario=None,
    )
    plan = Plan(subject=subject, sizes_um=tuple(np.linspace(-4.0, 4.0, 8)), process=None)
    for workers in (1, 2):
        with executor_for(workers) as (executor, ahead):
            work = Work(executor=executor, ahead=ahead, shop=None)
            list(shared_out([plan], 1_000, work))  # the processes have begun
            taken = fastest(partial(done, plan, work), 1)
        print(f"8 true sizes of {RUNS} runs, {workers} worker{'s' if workers > 1 else ' '}    {taken:8.2f} s")


if __name__ == "__main__":
    main()
