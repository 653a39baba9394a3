"""`rehearse`: a routine tried many times with the errors that it states, before metal is touched."""

from __future__ import annotations

import json as js
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holdzero.checks import bind
from holdzero.cli.house import open_shop
from holdzero.cli.output import plain_console, tell
from holdzero.cli.rehearsed import Said, show_beside
from holdzero.cli.rehearsing import shared_points
from holdzero.cli.workers import cores, executor_for, heard_between_pieces
from holdzero.errors import FileFaultsError, HoldzeroError, QuantityError
from holdzero.expansion import kinds_of
from holdzero.quantity import Dimension, parse_quantity
from holdzero.rehearse import Curve, Point, Process, process_of, true_sizes_um
from holdzero.rehearse.errors import inputs_of
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import load_scenario
from holdzero.routine import schema
from holdzero.routine.load import LoadedRoutine, load_routine

__all__ = ["Wanted", "rehearse_routine"]

_DONE, _INTERRUPTED = 0, 4
_MOST = 10_000_000
_WORTH_SHARING = 20_000  # runs of a size; fewer are done before a second process has begun


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What `rehearse` was asked for."""

    runs: int
    seed: int
    of: str | None
    scatter: str | None
    member: str | None
    choices: Mapping[str, str]
    scenario: Path | None
    against: Path | None
    workers: int | None
    scheduler: str | None
    json: bool
    html: Path | None


def rehearse_routine(path: Path, wanted: Wanted, *, named: Path | None) -> int:
    """Rehearse a routine and say what came of it; gives the exit code.

    Raises:
        HoldzeroError: the routine is at fault, or what was asked for can't be done.
    """
    if not 1 <= wanted.runs <= _MOST:
        raise HoldzeroError(f"--runs {wanted.runs}: write a number from 1 to {_MOST}")
    paths = (path,) if wanted.against is None else (path, wanted.against)
    return _rehearsed([_what(each, wanted, named) for each in paths], wanted, named)


def _what(path: Path, wanted: Wanted, named: Path | None) -> tuple[LoadedRoutine, Rehearsal]:
    """A routine, and what is rehearsed of it."""
    shop = open_shop(named)
    loaded = load_routine(path, wanted.member, kinds_of(shop.catalogue))
    checks, faults = bind(loaded.routine, shop.catalogue, loaded.origins)
    if faults:
        raise FileFaultsError(faults)
    entries: dict[str, Mapping[str, Any]] = {}
    for role, name in wanted.choices.items():
        entry = shop.register.entry(role, name)
        if entry is None:
            raise HoldzeroError(f"there is no {role} {name!r} in {shop.path}")
        entries[role] = entry
    written = load_scenario(wanted.scenario) if wanted.scenario is not None else None
    scenario = written.scenario if written is not None else None
    scatter_um = _scatter_um(wanted.scatter, loaded.routine, entries)
    if wanted.scatter is None and scenario is not None and scenario.scatter is not None:
        scatter_um = scenario.scatter
    what = Rehearsal(
        document=loaded.document,
        digest=loaded.digest,
        checks=checks,
        of=wanted.of or _first_decided(loaded.routine),
        scatter_um=scatter_um,
        seed=wanted.seed,
        entries=entries,
        scenario=scenario,
    )
    if written is not None:
        written.fits(what.places, inputs_of(what.ideal()))
    return loaded, what


def _first_decided(routine: schema.Routine) -> str:
    specs = routine.characteristics.items()
    found = next((name for name, spec in specs if spec.lower is not None or spec.upper is not None), None)
    if found is None:
        raise HoldzeroError("no characteristic has limits: nothing is decided, and nothing can be rehearsed")
    return found


def _scatter_um(text: str | None, routine: schema.Routine, entries: Mapping[str, Mapping[str, Any]]) -> float:
    """Standard deviation of a single reading: as asked for, else half of what the comparator resolves."""
    if text is not None:
        try:
            value = parse_quantity(text, Dimension.LENGTH).value
        except QuantityError as error:
            raise HoldzeroError(f"--scatter: {error}") from None
        if value < 0.0:
            raise HoldzeroError(f"--scatter {text}: a standard deviation is not below zero")
        return value
    if isinstance(routine.comparator, schema.Comparator):
        return 0.5 * routine.comparator.resolution
    said = entries.get("comparator", {}).get("resolution")
    if said is None:
        raise HoldzeroError('say how single readings scatter, for example --scatter "0.2 um"')
    return 0.5 * parse_quantity(str(said), Dimension.LENGTH).value


def _rehearsed(both: Sequence[tuple[LoadedRoutine, Rehearsal]], wanted: Wanted, named: Path | None) -> int:
    """Go through the sizes; what is done is kept where somebody breaks off."""
    sizes = true_sizes_um(both[0][1].ideal(), both[0][1].of)
    done: list[list[Point]] = [[] for _ in both]
    processes: list[Process | None] = [None for _ in both]
    workers = wanted.workers if wanted.workers is not None else cores() if wanted.runs >= _WORTH_SHARING else 1
    with (
        executor_for(workers, wanted.scheduler) as (executor, ahead),
        heard_between_pieces() as stopped,
    ):
        for (_, what), points in zip(both, done, strict=True):
            for point in shared_points(what, sizes, wanted.runs, executor, ahead, named):
                points.append(point)
                if stopped():
                    break
        if not stopped():
            processes = [_process(what, loaded.routine, wanted.runs * len(sizes)) for loaded, what in both]
    whole = min(map(len, done))
    if not whole:
        tell("\nholdzero: stopped before anything was rehearsed")
        return _INTERRUPTED
    if whole < len(sizes):
        tell(f"\nholdzero: stopped; {whole} of {len(sizes)} true sizes are done, and stand below")
    said = [
        Said(routine=loaded.routine, what=what, curve=Curve(points=tuple(points[:whole])), process=p, runs=wanted.runs)
        for (loaded, what), points, p in zip(both, done, processes, strict=True)
    ]
    _tell(said, wanted)
    return _DONE if whole == len(sizes) else _INTERRUPTED


def _tell(said: Sequence[Said], wanted: Wanted) -> None:
    console = plain_console(stderr=False)
    if wanted.json:
        data = said[0].data if len(said) == 1 else {"simulated": True, "revisions": [item.data for item in said]}
        print(js.dumps(data, ensure_ascii=False))  # noqa: T201  what scripts read
    elif len(said) == 1:
        said[0].show(console)
    else:
        show_beside(console, said)
    if wanted.html is not None and len(said[0].curve.points) > 1:
        said[0].write(wanted.html)


def _process(what: Rehearsal, routine: schema.Routine, runs: int) -> Process | None:
    """Over the process, where the routine says how its parts lie."""
    process = routine.decision.process
    if process is None:
        return None
    return process_of(what, float(process.value), float(process.standard_uncertainty), runs)
