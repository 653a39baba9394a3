"""What came of a rehearsal, for people and for scripts: a table, a page, plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console

from holdzero.display import micro_text
from holdzero.errors import HoldzeroError
from holdzero.limit import between
from holdzero.process import ProductionProcess
from holdzero.rehearse import Curve, Point, Process, band_of, u_holds
from holdzero.rehearse.many import Rehearsal, Tally
from holdzero.routine import schema
from holdzero.whole_file import write_whole
from holdzero.wording import clock_text, limits_text

__all__ = ["Said", "are", "counted", "percent", "process_data", "process_text", "write_text"]

_BAR = 30
_MINUTE_S = 60.0
# What the run itself looks after, beside the checks that a routine names.
_OWN = {
    "bracket": "whether the reference reads on return what it read at the zero",
    "design": "one way of weighing readings, and not two",
    "entry": "what is typed and can hardly be meant: between steps of the dial, a size, another unit",
    "model": "whether the value follows its inputs straight enough for U",
    "selection": "a largest or smallest place that is picked by scatter",
    "soak": "how a soak ended",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What came of it.

    Attributes:
        routine: that was rehearsed.
        what: was rehearsed.
        curve: by true size.
        process: over the process that the routine states; None where it states none.
        runs: of each true size.
        sizes: how many true sizes were to be rehearsed.
        finished: whether all was done; not so where somebody broke it off.
    """

    routine: schema.Routine
    what: Rehearsal
    curve: Curve
    process: Process | None
    runs: int
    sizes: int
    finished: bool

    @property
    def units(self) -> str:
        """In which lengths are shown."""
        return self.routine.routine.units

    @property
    def spec(self) -> schema.Characteristic:
        """The characteristic whose truth is set."""
        return self.what.spec

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
            f"{self.what.of}, {limits}: {self._done}, seed {self.what.seed}. "
            f"Errors are drawn as the routine states them; single readings scatter by s = {scatter}."
            f"{f' Scenario: {self.what.scenario.title}.' if self.what.scenario is not None else ''}"
        )

    @property
    def _done(self) -> str:
        """How much was done."""
        points = len(self.curve.points)
        runs = f"{counted(self.runs, 'run')} of {'each of ' if points > 1 else ''}"
        if self.finished:
            return f"{runs}{counted(points, 'true size')}"
        return f"UNFINISHED, {runs}{points} of {counted(self.sizes, 'true size')}"

    @staticmethod
    def _why_not(total: Tally) -> str:
        """Why U does not hold, as far as the findings tell."""
        if total.findings.get("doubt model/second_order"):
            return "it is by first order, and second order counts"
        if total.findings.get("doubt model/coverage"):
            return "the errors are far from normal, as the finding model/coverage says"
        return "it rests on few readings, or something goes on that the routine knows nothing of"

    @property
    def sentences(self) -> list[str]:
        """Coverage, risks, time."""
        total = self.curve.total
        low, high = band_of(total.covered, total.runs)
        said = self.routine.decision.numbers(self.what.checks.rule).coverage_probability
        covered = (
            f"The truth lay within U of the value in {percent(total.covered, total.runs)} of "
            f"{counted(total.runs, 'run')} ({100 * low:.2f} % to {100 * high:.2f} %); U stands for {100 * said:.4g} %."
        )
        lasted = clock_text(total.bench_s / total.runs)
        if not u_holds(total.covered, total.runs, said):
            covered = f"! {covered} U does not hold here: {self._why_not(total)}."
        found = [
            covered,
            f"On average the value lies {micro_text(total.off_um / total.runs, self.units)} off the truth.",
            f"Time at the bench: {lasted} a run (h:mm:ss or m:ss), {_pace(self.what.every_s)} an answer.",
        ]
        if self.process is not None:
            p = self.process
            found.append(
                f"Of the process ({process_text(p.sizes, self.units)}): a bad part passes in "
                f"{percent(p.tally.bad_passed, p.tally.runs)} of all, a good one does not pass in "
                f"{percent(p.tally.good_not_passed, p.tally.runs)} (JCGM 106:2012, 9.5.2)."
            )
        if self.what.checks.run_by_run:
            found.append(f"Taken one run at a time, which is slower: {', '.join(self.what.checks.run_by_run)}.")
        return found

    @property
    def findings(self) -> list[tuple[str, str]]:
        """Each finding and in what share of the runs it fired, the most frequent of the gravest first."""
        total = self.curve.total
        order = ("stop", "doubt", "note")
        rows = sorted(total.findings.items(), key=lambda row: (order.index(row[0].split(" ")[0]), -row[1], row[0]))
        return [(name, percent(count, total.runs)) for name, count in rows]

    @property
    def meanings(self) -> list[tuple[str, str]]:
        """What those look after that had findings, by the first word of a finding's name."""
        known = _OWN | {item.check.name: item.check.title for item in self.what.checks.bound}
        spoke = {name.split(" ")[1].split("/")[0] for name, _ in self.findings}
        return [(name, known[name]) for name in sorted(spoke & known.keys())]

    @property
    def lines(self) -> list[tuple[str, ...]]:
        """A line a true size."""
        return [
            (
                micro_text(point.true_um, self.units),
                percent(point.tally.passed, point.tally.runs),
                percent(point.tally.failed, point.tally.runs),
                percent(point.tally.undecided, point.tally.runs),
            )
            for point in self.curve.points
        ]

    @property
    def data(self) -> dict[str, Any]:
        """All of it as plain data."""
        total = self.curve.total
        return {
            "simulated": True,
            "routine": {
                "title": self.routine.routine.title,
                "part": self.routine.routine.part,
                "revision": self.routine.routine.revision,
                "digest": self.what.digest,
            },
            "of": self.what.of,
            "lower_um": self.spec.lower,
            "upper_um": self.spec.upper,
            "scatter_um": self.what.scatter_um,
            "seed": self.what.seed,
            "scenario": self.what.scenario.title if self.what.scenario is not None else None,
            "runs": total.runs,
            "finished": self.finished,
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
            "off_um": total.off_um / total.runs,
            "findings": dict(total.findings),
            "run_by_run": list(self.what.checks.run_by_run),
            "bench_s": total.bench_s / total.runs,
            "process": None
            if self.process is None
            else {
                **process_data(self.process.sizes),
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
        self.show_sizes(console)
        console.print()
        for words in self.sentences:
            console.print(words)
        if self.findings:
            console.print()
            console.print("Findings, and in what share of the runs they fired:")
            for name, share in self.findings:
                console.print(f"  {share:>9}  {name}")
            console.print("where")
            for name, meaning in self.meanings:
                console.print(f"  {name}: {meaning}")

    def show_sizes(self, console: Console) -> None:
        """A line a true size."""
        console.print("   true size       pass       fail  undecided   █ pass  ░ undecided  x fail")
        for point, line in zip(self.curve.points, self.lines, strict=True):
            mark = "!" if self._beyond(point) else " "
            console.print(f"{mark} {line[0]:>10} {line[1]:>10} {line[2]:>10} {line[3]:>10}   {_bar(point)}")
        console.print("! beyond the limits: a pass there is a bad part accepted.")

    def _beyond(self, point: Point) -> bool:
        """Whether a part of this true size does not conform."""
        return not between(point.true_um, self.spec.lower, self.spec.upper)

    def section(self, title: str) -> dict[str, Any]:
        """As it stands on a page under a title: the picture, what it says, findings and counts."""
        from holdzero.pictures.operating import plot_of_points

        points, limits = self.curve.points, (self.spec.lower, self.spec.upper)
        return {
            "title": title,
            "told": self.told,
            "plot": plot_of_points(points, limits, self.units, title) if len(points) > 1 else None,
            "sentences": self.sentences,
            "findings": self.findings,
            "meanings": self.meanings,
            "head": ("true size", "pass", "fail", "undecided"),
            "lines": self.lines,
        }


def write_text(path: Path, text: str) -> None:
    """Write a page whole.

    Raises:
        HoldzeroError: it could not be written.
    """
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise HoldzeroError(f"--html {path}: it could not be written: {error.strerror}") from None


def counted(number: int, word: str) -> str:
    """A number of things.

    >>> counted(1, "run"), counted(2, "run")
    ('1 run', '2 runs')
    """
    return f"{number} {word}{'' if number == 1 else 's'}"


def are(number: int) -> str:
    """What so many are."""
    return "is" if number == 1 else "are"


def _pace(seconds: float) -> str:
    """A time between answers [s]: from a minute on as other times are written."""
    return f"{seconds:g} s" if seconds < _MINUTE_S else clock_text(seconds)


def percent(count: int, runs: int) -> str:
    """A share of runs; never rounded to all or nothing where that is not so."""
    share = 100.0 * count / runs
    if 0 < count < runs:
        share = min(max(share, 0.01), 99.99)
    return f"{share:.2f} %"


def _bar(point: Point) -> str:
    tally = point.tally
    passed = round(_BAR * tally.passed / tally.runs)
    failed = min(math.ceil(_BAR * tally.failed / tally.runs), _BAR - passed)
    return "█" * passed + "░" * (_BAR - passed - failed) + "x" * failed


def process_text(sizes: ProductionProcess, units: str) -> str:
    """How the parts of a process lie, in words: mean and standard deviation, and the form where it is not normal."""
    forms = {"gamma": "gamma, mean ", "values": "listed sizes, mean "}
    spread = micro_text(sizes.standard_um, units, sizes.standard_um or None, sign=False)
    return f"{forms.get(sizes.kind, '')}{micro_text(sizes.mean_um, units)}, s = {spread}"


def process_data(sizes: ProductionProcess) -> dict[str, Any]:
    """The same as plain data."""
    return {"shape": sizes.kind, "mean_um": sizes.mean_um, "standard_um": sizes.standard_um}
