"""What plugins cost: loading them all, and one check at one event.

    python tests/benchmarks/plugins.py

It prints; it does not judge. The goal stands beside the figure that has one.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from holdzero.catalogue import Plugin, load_catalogue
from holdzero.checks import BoundCheck, Checks
from holdzero.hooks import Check, RunView, Settings
from holdzero.run import Run
from holdzero.untouched import Untouched
from holdzero.views import view_of

__all__ = ["loading", "watching"]

_START = "import numpy, pydantic, pint, holdzero.hooks, holdzero.catalogue"
# In the process itself, so that its start does not drown what is looked for.
_LOADING = (
    f"import time; {_START}; start = time.perf_counter(); "
    "holdzero.catalogue.load_catalogue(); print(time.perf_counter() - start)"
)


def loading() -> None:
    """All built-in plugins, into a process that has the libraries already."""
    spans = []
    for _ in range(11):
        done = subprocess.run([sys.executable, "-c", _LOADING], check=True, capture_output=True, text=True)
        spans.append(float(done.stdout))
    print(f"load all built-in plugins              {statistics.median(spans) * 1e3:8.1f} ms                  goal 60")


def watching(run: Run) -> None:
    """One check at the last event of a run: as a built-in plugin, and as a stranger's, which may be given up."""
    catalogue = load_catalogue()
    materials = {name: material for name, (_, material) in catalogue.materials.items()}
    view = view_of(run.state, run.state.serials[0], materials)
    plugin, _ = next(iter(catalogue.checks.values()))
    nothing = Check(name="nothing", title="", settings=Settings, watch=lambda _settings, _run: [])
    rows = [(plugin, nothing), *((own, check) for own, check in catalogue.checks.values() if check.watch)]
    stranger = replace(plugin, module="somebody.else", distribution="somebody else")
    for own, check in rows:
        ours, theirs = _each(own, check, view), _each(stranger, check, view)
        told = f"{ours * 1e6:8.1f} us   {theirs * 1e6:8.1f} us as a stranger's"
        print(f"one event, check {check.name:<22}{told}")


def _each(plugin: Plugin, check: Check, view: RunView) -> float:
    bound = BoundCheck(plugin=plugin, check=check, settings=check.settings.model_validate({}))
    checks = Checks(bound=(bound,), tool=None if plugin.built_in else Untouched.now())
    return _median_s(lambda: checks.watch(replace(view), counter_s=time.perf_counter), 300)


def _median_s(work: Callable[[], object], times: int) -> float:
    work()
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return statistics.median(spans)


def _of_the_ring() -> Run:
    """The spacer ring, run from its readings file."""
    import tempfile

    from holdzero.journal import read_journal

    routine = Path(__file__).parents[2] / "routines" / "spacer-ring.toml"
    source = f"readings:{routine.with_suffix('.readings.csv')}"
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "holdzero", "run", str(routine), "--source", source, "--out", folder]
        subprocess.run([*command, "--operator", "B", "--serial", "1"], check=True, capture_output=True)
        (journal,) = Path(folder).glob("*.journal.jsonl")
        return Run.of(read_journal(journal).events)


if __name__ == "__main__":
    loading()
    watching(_of_the_ring())
