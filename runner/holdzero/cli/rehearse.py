"""`rehearse`: a routine tried many times with the errors that it states, before metal is touched."""

from __future__ import annotations

import json as js
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console

from holdzero.checks import bind
from holdzero.cli.files import write_whole
from holdzero.cli.house import open_shop
from holdzero.cli.output import plain_console, tell
from holdzero.display import micro_text
from holdzero.errors import FileFaultsError, HoldzeroError, QuantityError
from holdzero.expansion import kinds_of
from holdzero.quantity import Dimension, parse_quantity
from holdzero.rehearse import Curve, Point, Process, band_of, points_of, process_of, true_sizes_um
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.scenario import load_scenario
from holdzero.routine import schema
from holdzero.routine.load import LoadedRoutine, load_routine
from holdzero.wording import clock_text, limits_text

__all__ = ["Wanted", "rehearse_routine"]

_DONE, _INTERRUPTED = 0, 4
_BAR = 30
_MOST = 10_000_000


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
    json: bool
    html: Path | None


def rehearse_routine(path: Path, wanted: Wanted, *, named: Path | None) -> int:
    """Rehearse a routine and say what came of it; gives the exit code.

    Raises:
        HoldzeroError: the routine is at fault, or what was asked for can't be done.
    """
    if not 1 <= wanted.runs <= _MOST:
        raise HoldzeroError(f"--runs {wanted.runs}: write a number from 1 to {_MOST}")
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
    scenario = load_scenario(wanted.scenario)[0] if wanted.scenario is not None else None
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
    return _rehearsed(loaded, what, wanted)


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


def _rehearsed(loaded: LoadedRoutine, what: Rehearsal, wanted: Wanted) -> int:
    """Go through the sizes; what is done is kept where somebody breaks off."""
    ideal = what.ideal()
    sizes = true_sizes_um(ideal, what.of)
    points: list[Point] = []
    process: Process | None = None
    code = _DONE
    try:
        points.extend(points_of(what, ideal, sizes, wanted.runs))
        process = _process(what, loaded.routine, wanted.runs * len(sizes))
    except KeyboardInterrupt:
        code = _INTERRUPTED
    if not points:
        tell("\nholdzero: stopped before anything was rehearsed")
        return _INTERRUPTED
    if code == _INTERRUPTED:
        tell(f"\nholdzero: stopped; {len(points)} of {len(sizes)} true sizes are done, and stand below")
    said = _Said(loaded.routine, what, Curve(points=tuple(points)), process, wanted)
    if wanted.json:
        print(js.dumps(said.data, ensure_ascii=False))  # noqa: T201  what scripts read
    else:
        said.show(plain_console(stderr=False))
    if wanted.html is not None and len(points) > 1:
        said.write(wanted.html)
    return code


def _process(what: Rehearsal, routine: schema.Routine, runs: int) -> Process | None:
    """Over the process, where the routine says how its parts lie."""
    process = routine.decision.process
    if process is None:
        return None
    return process_of(what, float(process.value), float(process.standard_uncertainty), runs)


class _Said:
    """What came of it, for people and for scripts."""

    def __init__(
        self, routine: schema.Routine, what: Rehearsal, curve: Curve, process: Process | None, wanted: Wanted
    ) -> None:
        self.routine, self.what, self.curve, self.process, self.wanted = routine, what, curve, process, wanted
        self.units = routine.routine.units
        self.spec = what.spec

    @property
    def title(self) -> str:
        """Which routine."""
        header = self.routine.routine
        return f"{header.title}   {header.part} {header.revision}".rstrip()

    @property
    def told(self) -> str:
        """What was rehearsed, and with which errors."""
        scatter = micro_text(self.what.scatter_um, self.units, self.what.scatter_um or None, sign=False)
        limits = limits_text(self.spec.lower, self.spec.upper, self.units)
        return (
            f"{self.what.of}, {limits}: {self.wanted.runs} runs of each of {len(self.curve.points)} true sizes, seed "
            f"{self.what.seed}. Errors are drawn as the routine states them; single readings scatter by s = {scatter}."
            f"{f' Scenario: {self.what.scenario.title}.' if self.what.scenario is not None else ''}"
        )

    @property
    def sentences(self) -> list[str]:
        """Coverage, risks, time."""
        total = self.curve.total
        low, high = band_of(total.covered, total.runs)
        said = self.routine.decision.numbers(self.what.checks.rule).coverage_probability
        covered = (
            f"The truth lay within U of the value in {_percent(total.covered, total.runs)} of {total.runs} runs "
            f"({100 * low:.2f} % to {100 * high:.2f} %); U stands for {100 * said:.4g} %."
        )
        lasted = clock_text(total.bench_s / total.runs)
        found = [covered, f"Time at the bench: {lasted} a run (h:mm:ss or m:ss), ten seconds an answer."]
        if self.process is not None:
            p = self.process
            found.append(
                f"Of the process ({micro_text(p.mean_um, self.units)}, s = "
                f"{micro_text(p.standard_um, self.units, p.standard_um, sign=False)}): a bad part passes in "
                f"{_percent(p.tally.bad_passed, p.tally.runs)} of all, a good one does not pass in "
                f"{_percent(p.tally.good_not_passed, p.tally.runs)} (JCGM 106:2012, 9.4)."
            )
        return found

    @property
    def findings(self) -> list[tuple[str, str]]:
        """Each finding and in what share of the runs it fired, the most frequent of the gravest first."""
        total = self.curve.total
        order = ("stop", "caution", "note")
        rows = sorted(total.findings.items(), key=lambda row: (order.index(row[0].split(" ")[0]), -row[1], row[0]))
        return [(name, _percent(count, total.runs)) for name, count in rows]

    @property
    def lines(self) -> list[tuple[str, ...]]:
        """A line a true size."""
        return [
            (
                micro_text(point.true_um, self.units),
                _percent(point.tally.passed, point.tally.runs),
                _percent(point.tally.failed, point.tally.runs),
                _percent(point.tally.undecided, point.tally.runs),
            )
            for point in self.curve.points
        ]

    @property
    def data(self) -> dict[str, Any]:
        """All of it as plain data."""
        total = self.curve.total
        return {
            "simulated": True,
            "routine": {"title": self.routine.routine.title, "digest": self.what.digest},
            "of": self.what.of,
            "lower_um": self.spec.lower,
            "upper_um": self.spec.upper,
            "scatter_um": self.what.scatter_um,
            "seed": self.what.seed,
            "scenario": self.what.scenario.title if self.what.scenario is not None else None,
            "runs": total.runs,
            "points": [
                {
                    "true_um": point.true_um,
                    "runs": point.tally.runs,
                    "pass": point.tally.passed,
                    "fail": point.tally.failed,
                    "undecided": point.tally.undecided,
                    "pass_band": band_of(point.tally.passed, point.tally.runs),
                }
                for point in self.curve.points
            ],
            "covered": total.covered,
            "findings": dict(total.findings),
            "bench_s": total.bench_s / total.runs,
            "process": None
            if self.process is None
            else {
                "mean_um": self.process.mean_um,
                "standard_um": self.process.standard_um,
                "runs": self.process.tally.runs,
                "consumer_risk": self.process.consumer_risk,
                "producer_risk": self.process.producer_risk,
            },
        }

    def show(self, console: Console) -> None:
        """For a person at a terminal."""
        console.print(self.title)
        console.print("SIMULATED: no part is measured.")
        console.print(self.told)
        console.print()
        console.print("   true size       pass       fail  undecided   █ pass  ░ undecided  x fail")
        for point, line in zip(self.curve.points, self.lines, strict=True):
            mark = "!" if self._beyond(point) else " "
            console.print(f"{mark} {line[0]:>10} {line[1]:>10} {line[2]:>10} {line[3]:>10}   {_bar(point)}")
        console.print("! beyond the limits: a pass there is a bad part accepted.")
        console.print()
        for words in self.sentences:
            console.print(words)
        if self.findings:
            console.print()
            console.print("Findings, and in what share of the runs they fired:")
            for name, share in self.findings:
                console.print(f"  {share:>9}  {name}")

    def _beyond(self, point: Point) -> bool:
        """Whether a part of this true size does not conform."""
        above = self.spec.upper is not None and point.true_um > self.spec.upper
        return above or (self.spec.lower is not None and point.true_um < self.spec.lower)

    def write(self, path: Path) -> None:
        """As a page with the picture."""
        from holdzero.pictures.operating import plot_of_points
        from holdzero.pictures.page import page

        text = page(
            "rehearsal",
            title=self.title,
            told=self.told,
            of=self.what.of,
            plot=plot_of_points(self.curve.points, (self.spec.lower, self.spec.upper), self.units),
            sentences=self.sentences,
            findings=self.findings,
            head=("true size", "pass", "fail", "undecided"),
            lines=self.lines,
        )
        write_whole(path, text.encode("utf-8"))


def _percent(count: int, runs: int) -> str:
    """A share; never rounded to all or nothing where that is not so."""
    share = 100.0 * count / runs
    if 0 < count < runs:
        share = min(max(share, 0.01), 99.99)
    return f"{share:.2f} %"


def _bar(point: Point) -> str:
    tally = point.tally
    passed = round(_BAR * tally.passed / tally.runs)
    failed = min(math.ceil(_BAR * tally.failed / tally.runs), _BAR - passed)
    return "█" * passed + "░" * (_BAR - passed - failed) + "x" * failed
