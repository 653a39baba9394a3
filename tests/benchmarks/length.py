"""How the time grows with the number of prompts: fold, validate, resume, verify, book verify.

    python tests/benchmarks/length.py [--upto 2000] [--characteristics 1000] [--shape rounds|zeros|place]

It prints the processor's time [s] of each at 1,000, 2,000, 5,000 and 10,000 prompts, and the exponent of its growth:
the slope of the logarithms by least squares. The commands are run whole; what one takes with ten prompts is taken off
before the exponent is fitted, as it is the same for any length. It prints; it does not judge. The goals: fold within
2 s and `validate` within 5 s at 10,000 prompts, exponents of at most 1.1.
"""

from __future__ import annotations

import argparse
import copy
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from holdzero import events as e
from holdzero.catalogue import load_catalogue
from holdzero.checks import bind
from holdzero.events import event_from_data, event_to_data
from holdzero.expect import Ideal, begun, conducted
from holdzero.journal import Journal
from holdzero.routine.load import LoadedRoutine, load_routine
from holdzero.run import Run

ROOT = Path(__file__).parents[2]
TOOL = [sys.executable, "-m", "holdzero"]
LENGTHS = (1000, 2000, 5000, 10000)
SHORTEST = 10
MOST_ROUNDS = 1000


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--upto", type=int, default=LENGTHS[-1])
    parser.add_argument("--characteristics", type=int, default=3)
    parser.add_argument("--shape", choices=SHAPES, default="rounds")
    wanted = parser.parse_args()
    lengths = [length for length in LENGTHS if length <= max(wanted.upto, LENGTHS[1])]
    seconds: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as name:
        for length in (SHORTEST, *lengths):
            folder = Path(name) / str(length)
            folder.mkdir()
            for what, span in measured(folder, length, wanted.characteristics, wanted.shape).items():
                seconds.setdefault(what, []).append(span)
    print(f"prompts        {''.join(f'{length:>9}' for length in lengths)}   exponent")
    for what, (shortest, *spans) in seconds.items():
        exponent = np.polyfit(np.log(lengths), np.log(np.maximum(np.array(spans) - shortest, 1e-4)), 1)[0]
        print(f"{what:<15}{''.join(f'{span:>9.2f}' for span in spans)}   {exponent:8.2f}")


def measured(folder: Path, length: int, characteristics: int, shape: str) -> dict[str, float]:
    """The processor's time of each [s]."""
    path = folder / "long.toml"
    path.write_text(tomli_w.dumps(routine_of(length, characteristics, shape)), "utf-8")
    events = ideal_events(load_routine(path))
    records, book = folder / "records", folder / "book.sqlite"
    records.mkdir()
    journal = records / "long.journal.jsonl"
    with Journal.create(journal) as kept:
        for event in events:
            kept.append(event)
    fold = min(spent(lambda: Run.of(events)) for _ in range(3))
    validate = command("validate", str(path))
    resume = command("resume", str(journal), "--out", str(records))
    verify = command("verify", str(records))
    command("book", "add", str(records), "--book", str(book))
    book_verify = command("book", "verify", "--workers", "1", "--book", str(book))
    return {"fold": fold, "validate": validate, "resume": resume, "verify": verify, "book verify": book_verify}


def spent(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def command(*words: str) -> float:
    """The processor's time of a command [s]. A fail, and undecided, are answers as well."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([*TOOL, *words], check=False, cwd=ROOT, capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1, 3):
        raise RuntimeError(f"{' '.join(words)}: {done.stdout}{done.stderr}")
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


# --- the routine ------------------------------------------------------------------------------


def routine_of(length: int, characteristics: int, shape: str) -> dict[str, Any]:
    """The spacer ring with so many prompts, and so many characteristics, each of places of its own."""
    document = copy.deepcopy(dict(load_routine(ROOT / "routines" / "spacer-ring.toml").document))
    document["checks"]["repeatability"].pop("limit")
    usual = document["characteristics"]["thickness"]
    places = [f"p{number}" for number in range(1, characteristics + 1)]
    sizes = {f"size at {place}": {**usual, "at": [place]} for place in places}
    document["characteristics"] = sizes
    reads = [{"do": "read", "at": place} for place in places]
    document["steps"] = [{"do": "prepare", "say": "Wipe the part."}, *SHAPES[shape](length - 2, reads)]
    return document


def in_rounds(length: int, reads: list[Any]) -> list[dict[str, Any]]:
    """One zero for each round, and a return at its end."""
    return repeated(length, [{"do": "zero"}, *reads, {"do": "check"}, {"do": "return"}])


def under_one_zero(length: int, reads: list[Any]) -> list[dict[str, Any]]:
    """One zero for all, and a return in each round."""
    return [{"do": "zero"}, *repeated(length - 2, [*reads, {"do": "return"}]), {"do": "check"}, {"do": "return"}]


def at_one_place(length: int, reads: list[Any]) -> list[dict[str, Any]]:
    """One place with most of the readings."""
    count = max(1, length - len(reads) - 2)
    rounds = -(-count // MOST_ROUNDS)
    many = {"do": "repeat", "times": rounds, "steps": [{**reads[0], "times": count // rounds}]}
    return [{"do": "zero"}, many, *reads[1:], {"do": "check"}, {"do": "return"}]


def repeated(length: int, steps: list[Any]) -> list[dict[str, Any]]:
    rounds = max(1, length // len(steps))
    outer = -(-rounds // MOST_ROUNDS)
    within = {"do": "repeat", "times": rounds // outer, "steps": steps}
    return [{"do": "repeat", "times": outer, "steps": [within]}]


SHAPES: dict[str, Callable[[int, list[Any]], list[dict[str, Any]]]] = {
    "rounds": in_rounds,
    "zeros": under_one_zero,
    "place": at_one_place,
}


# --- the run ------------------------------------------------------------------------------


def ideal_events(loaded: LoadedRoutine) -> list[e.AnyEvent]:
    """The events of a run with ideal readings, as it would be at a bench: the readings as typed."""
    checks, _ = bind(loaded.routine, load_catalogue())
    start = begun(loaded.document, loaded.digest)
    bench = Ideal(start, 0.0, {}, checks.contrasts, shows=checks.shows_um)
    return [typed(event) for event in conducted(start, bench).events]


def typed(event: e.AnyEvent) -> e.AnyEvent:
    if not isinstance(event, e.ReadingTaken):
        return event
    value = float(np.rint(event.value_um * 2.0)) / 2.0
    return event_from_data({**event_to_data(event), "raw": f"{value} um", "value_um": value})


if __name__ == "__main__":
    main()
