"""How often a sound run is asked about: whole runs at a virtual bench, through the session, with nothing wrong.

    python tests/benchmarks/questions.py [runs] [routine.toml …]

All errors are drawn from the routine's own model, single readings scatter by half a step of the dial (the virtual
bench's own choice), and the part lies in the middle of its limits. It counts the questions on record, by code, in each
shipped routine; it prints and does not judge. No more than 1 % of sound runs may be asked about.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, cast

from holdzero import events as e
from holdzero.catalogue import Catalogue, load_catalogue
from holdzero.checks import bind
from holdzero.cli.faces import face_for
from holdzero.journal import Journal
from holdzero.register import Register
from holdzero.rehearse.scenario import load_scenario
from holdzero.rehearse.source import VIRTUAL, VirtualFeed
from holdzero.run import Run
from holdzero.session import Clock, Session
from holdzero.testing.drive import begun, loaded_of

RUNS = 300
ROUTINES = Path(__file__).parents[2] / "routines"
SOUND = 'format = 1\ntitle = "a sound bench"\nseed = {seed}\n'


class Nowhere:
    """A journal of a run that nobody wants back."""

    def append(self, event: e.AnyEvent) -> None:
        """It is forgotten."""


def conducted(path: Path, catalogue: Catalogue, scenario: Path) -> Run:
    """One whole run at a virtual bench."""
    loaded = loaded_of(path, catalogue)
    checks, _ = bind(loaded.routine, catalogue)
    feed = VirtualFeed(load_scenario(scenario))
    session = Session(
        run=begun(loaded, simulated=True),
        journal=cast("Journal", Nowhere()),
        checks=checks,
        source=VIRTUAL,
        feed=feed,
        face=face_for(VIRTUAL, cast("Any", None), None)[0],
        clock=Clock(lambda: "2026-03-02T08:00:00+00:00", lambda: 0.0),
        register=Register(),
        choices={},
        overrule=None,
        started_at_s=0.0,
    )
    feed.bind(session)
    return session.conduct()


def codes_of(run: Run) -> Iterator[str]:
    """What was asked, without the number of the entry."""
    for question in run.state.questions:
        yield re.sub(r"/\d+$", "", question.code)


def counted(path: Path, catalogue: Catalogue, runs: int) -> tuple[int, Counter[str], Counter[str]]:
    """How many runs were asked anything; how many each code, and how often."""
    asked, in_runs, times = 0, Counter[str](), Counter[str]()
    with TemporaryDirectory() as folder:
        scenario = Path(folder) / "sound.toml"
        for seed in range(runs):
            scenario.write_text(SOUND.format(seed=seed), "utf-8")
            codes = list(codes_of(conducted(path, catalogue, scenario)))
            asked += bool(codes)
            times.update(codes)
            in_runs.update(set(codes))
    return asked, in_runs, times


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    paths = [Path(word) for word in sys.argv[2:]] or sorted(ROUTINES.glob("*.toml"))
    catalogue = load_catalogue()
    print("| routine | question | runs asked, % | questions |\n|---|---|---|---|")
    for path in paths:
        asked, in_runs, times = counted(path, catalogue, runs)
        print(f"| {path.stem} | any, of {runs} runs | {100.0 * asked / runs:.1f} | {times.total()} |", flush=True)
        for code, number in sorted(in_runs.items()):
            print(f"| | {code} | {100.0 * number / runs:.1f} | {times[code]} |", flush=True)


if __name__ == "__main__":
    main()
