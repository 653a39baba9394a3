"""Speed of what a person waits for, as ratios against a floor measured in the same run.

    python tests/benchmarks/bench.py

It prints; it does not judge. The goal stands beside each figure.
"""

from __future__ import annotations

import csv
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from holdzero import events as e
from holdzero.catalogue import load_catalogue
from holdzero.checks import Checks, bind
from holdzero.estimate import Estimate
from holdzero.evaluate import evaluate
from holdzero.events import event_from_data, event_to_data
from holdzero.journal import Journal, read_journal
from holdzero.model import Input, Term, propagate
from holdzero.montecarlo import simulate
from holdzero.routine.load import load_routine
from holdzero.run import Run
from holdzero.verify import verify

ROOT = Path(__file__).parents[2]
ROUTINE = ROOT / "routines" / "spacer-ring.toml"
READINGS = ROUTINE.with_suffix(".readings.csv")
TOOL = [sys.executable, "-m", "holdzero"]


def median_s(work: Callable[[], object], times: int) -> float:
    """Median time of one call [s], after one that does not count."""
    work()
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return statistics.median(spans)


def process(*command: str) -> Callable[[], object]:
    return lambda: subprocess.run(command, check=True, capture_output=True)


def to_first_prompt() -> None:
    """Start a run at the keyboard and wait until the first prompt is out."""
    with tempfile.TemporaryDirectory() as folder:
        command = [*TOOL, "run", str(ROUTINE), "--operator", "B", "--serial", "1", "--out", folder]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
            seen = b""
            while b"Enter when done" not in seen:
                read = os.read(child.stdout.fileno(), 65536) if child.stdout else b""
                if not read:
                    raise RuntimeError("the run ended before its first prompt")
                seen += read
            child.kill()


def starts() -> None:
    python = sys.executable
    libraries = median_s(process(python, "-c", "import numpy, pydantic, pint"), 9)
    parser = median_s(process(python, "-c", "import typer"), 9)
    prompt = median_s(to_first_prompt, 9)
    wanted = median_s(process(*TOOL, "--help"), 9)
    version = median_s(process(*TOOL, "--version"), 9)
    print(f"import numpy, pydantic, pint           {libraries * 1e3:8.1f} ms")
    print(
        f"run, to the first prompt               {prompt * 1e3:8.1f} ms   {prompt / libraries:5.2f} of that, goal 2.5"
    )
    print(f"import typer                           {parser * 1e3:8.1f} ms")
    print(f"--help                                 {wanted * 1e3:8.1f} ms   {wanted / parser:5.2f} of that, goal 1.5")
    print(f"--version                              {version * 1e3:8.1f} ms   {version / parser:5.2f} of that, goal 1.5")


def measured(folder: Path) -> tuple[Run, Checks]:
    """The spacer ring, run from its readings file."""
    source = f"readings:{READINGS}"
    command = [*TOOL, "run", str(ROUTINE), "--source", source, "--operator", "B", "--serial", "1", "--out", str(folder)]
    subprocess.run(command, check=True, capture_output=True)
    (journal,) = folder.glob("*.journal.jsonl")
    checks, _ = bind(load_routine(ROUTINE).routine, load_catalogue())
    return Run.of(read_journal(journal).events), checks


def evaluation(run: Run, checks: Checks) -> None:
    span = median_s(lambda: evaluate(run.state, "1", checks), 200)
    with READINGS.open(encoding="utf-8") as file:
        answers = sum(1 for _ in csv.reader(line for line in file if not line.startswith("#"))) - 1
    print(f"evaluate spacer ring ({answers} answers)      {span * 1e3:8.2f} ms                  goal 2.0")
    span = median_s(lambda: Run.of(run.events), 50)
    print(f"fold its {len(run.events)} events                      {span * 1e3:8.2f} ms")


def recomputing(folder: Path) -> None:
    from holdzero.record import loads

    (path,) = folder.glob("*.record.json")
    record, catalogue = loads(path.read_text("utf-8"), str(path)), load_catalogue()
    print(f"verify its record                      {median_s(lambda: verify(record, catalogue), 20) * 1e3:8.2f} ms")


def appending(run: Run, folder: Path) -> None:
    """Journal against a bare write and fsync of the same bytes, line by line in turn."""
    reading = next(event for event in run.events if isinstance(event, e.ReadingTaken))
    ours: list[float] = []
    bare: list[float] = []
    with Journal.create(folder / "bench.journal.jsonl") as journal, (folder / "bare").open("wb", buffering=0) as file:
        for number in range(1, 401):
            event = event_from_data({**event_to_data(reading), "seq": number})
            start = time.perf_counter()
            journal.append(event)
            middle = time.perf_counter()
            line = (folder / "bench.journal.jsonl").read_bytes()[-400:].splitlines(keepends=True)[-1]
            begin = time.perf_counter()
            file.write(line)
            os.fsync(file.fileno())
            end = time.perf_counter()
            ours.append(middle - start)
            bare.append(end - begin)
    one, other = statistics.median(ours), statistics.median(bare)
    print(f"bare write and fsync of a line         {other * 1e6:8.1f} us")
    print(f"journal append of the same line        {one * 1e6:8.1f} us   {one / other:5.2f} of that, goal 1.3")


GUM = ROOT / "routines" / "end-gauge-gum-h1.toml"
TRIALS = 1_000_000


def gum_terms(folder: Path) -> list[Term]:
    """The terms of the end gauge of GUM H.1, which JCGM 101, 9.5, simulates."""
    source = f"readings:{GUM.with_suffix('.readings.csv')}"
    command = [*TOOL, "run", str(GUM), "--source", source, "--operator", "B", "--out", str(folder)]
    subprocess.run(command, check=True, capture_output=True)
    (journal,) = folder.glob("*.journal.jsonl")
    run = Run.of(read_journal(journal).events)
    checks, _ = bind(load_routine(GUM).routine, load_catalogue())
    return next(list(result.terms) for result in evaluate(run.state, None, checks).results if result.name == "length")


def bare_draws() -> None:
    """The variates of that model and nothing else."""
    generator = np.random.default_rng(1)
    for dof in (18, 24, 5, 8):
        generator.standard_t(dof, TRIALS)
    generator.standard_normal(TRIALS)
    for _ in range(6):  # rectangular, arcsine, and two for each pair of inexact limits
        generator.random(TRIALS)


def simulating(folder: Path) -> None:
    terms = gum_terms(folder)
    pairs = []
    for _ in range(9):
        start = time.perf_counter()
        simulate(terms, np.random.default_rng(1), TRIALS, 0.99)
        middle = time.perf_counter()
        bare_draws()
        pairs.append((middle - start, time.perf_counter() - middle))
    ratio = statistics.median(ours / bare for ours, bare in pairs)
    ours, bare = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"numpy draws the variates of JCGM 101, 9.5 {bare * 1e3:5.0f} ms")
    print(f"a million trials of its model          {ours * 1e3:8.0f} ms   {ratio:5.2f} of that, goal 1.5")
    code = (
        "import resource, sys; from holdzero.cli import app; sys.argv[1:] = sys.argv[1:]\n"
        "try: app()\nexcept SystemExit: pass\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)"
    )
    source = f"readings:{GUM.with_suffix('.readings.csv')}"
    for trials in ("1000", "1000000", "10000000"):
        words = ["run", str(GUM), "--source", source, "--operator", "B", "--out", str(folder), "--trials", trials]
        done = subprocess.run([sys.executable, "-c", code, *words], check=True, capture_output=True, text=True)
        print(f"peak memory with {trials:>8} trials        {done.stdout.split()[-1]:>8} MB                  goal 200")


def budget_of_fifteen() -> None:
    """First-order budget of a model of fifteen inputs, beside two general libraries."""
    estimates = [(1.0 + 0.1 * n, 0.01 + 0.001 * n, 5.0 + n) for n in range(15)]
    inputs = [
        Input(name=f"x{n}", estimate=Estimate.of(x, u, dof=v), unit="um", evaluation="B")
        for n, (x, u, v) in enumerate(estimates)
    ]
    terms = [
        Term(name=f"t{n}", inputs=tuple(inputs[n : n + 3]), function=lambda a, b, c: a * b + c) for n in range(0, 15, 3)
    ]
    ours = median_s(lambda: propagate(terms), 300)
    print(f"budget of fifteen inputs               {ours * 1e3:8.3f} ms                  goal 0.5")
    try:
        import GTC
        import uncertainties
    except ImportError:
        print("(GTC and uncertainties are not installed: no ratios)")
        return

    def by_gtc() -> None:
        x = [GTC.ureal(value, u, v) for value, u, v in estimates]
        y = sum((x[n] * x[n + 1] + x[n + 2] for n in range(3, 15, 3)), start=x[0] * x[1] + x[2])
        GTC.reporting.budget(y)
        assert y.df > 0.0

    def by_uncertainties() -> None:
        x = [uncertainties.ufloat(value, u) for value, u, _ in estimates]
        y = sum((x[n] * x[n + 1] + x[n + 2] for n in range(3, 15, 3)), start=x[0] * x[1] + x[2])
        assert len(y.error_components()) == 15

    for name, other in (("GTC", by_gtc), ("uncertainties", by_uncertainties)):
        span = median_s(other, 300)
        print(f"the same by {name:<15}            {span * 1e3:8.3f} ms   {ours / span:5.2f} of that is ours")


def main() -> None:
    starts()
    budget_of_fifteen()
    with tempfile.TemporaryDirectory() as name:
        simulating(Path(name))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run, checks = measured(folder)
        evaluation(run, checks)
        recomputing(folder)
    with tempfile.TemporaryDirectory(dir=ROOT) as name:
        appending(run, Path(name))


if __name__ == "__main__":
    main()
