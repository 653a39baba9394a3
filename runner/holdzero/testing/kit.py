"""A whole run from texts to a record: through everything but the process and its arguments."""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from holdzero import events as e
from holdzero.catalogue import GIVEN, Catalogue
from holdzero.cli.conduct import Options, run_routine
from holdzero.errors import HoldzeroError
from holdzero.hooks import Finding
from holdzero.json_text import read_json
from holdzero.run import Run
from holdzero.testing.draft import GOOD, PLAIN, Draft
from holdzero.testing.drive import Answers
from holdzero.testing.loading import catalogue_of

__all__ = ["Asked", "Measure", "Outcome", "measure"]

_INVALID = 2  # exit code of a routine, option or answer at fault
_TAKEN = (e.ReadingTaken, e.TemperatureRead, e.AnswerGiven)


@dataclass(frozen=True, slots=True)
class Asked:
    """What the inspector would have been shown during a run, when it first came up.

    Attributes:
        level: `note`, `doubt` or `stop`.
        code: of the finding.
        text: of the finding.
        after: how many readings, temperatures and answers had been given by then.
    """

    level: str
    code: str
    text: str
    after: int


@dataclass(frozen=True)
class Outcome:
    """What came of a run; its repr is a log of it.

    Attributes:
        code: exit code.
        records: one for each part.
        said: on standard error.
        folder: with the files of the run.
        asked: what the checks said before the prompts (`watch`), in order; once when it came up, and
            once more if it had gone and came again.
    """

    code: int
    records: list[dict[str, Any]]
    said: str
    folder: Path
    asked: list[Asked] = field(default_factory=list)

    @property
    def record(self) -> dict[str, Any]:
        """The only record.

        Raises:
            AssertionError: there is none, or there are several.
        """
        if len(self.records) != 1:
            raise AssertionError(f"{len(self.records)} records, not one: {self!r}")
        return self.records[0]

    @property
    def journal(self) -> Path:
        """The only journal."""
        (journal,) = self.folder.glob("*.journal.jsonl")
        return journal

    def codes(self, level: str) -> list[str]:
        """Codes of the findings of a level: `note`, `doubt` or `stop`."""
        return [finding["code"] for finding in self.record["findings"] if finding["level"] == level]

    def __repr__(self) -> str:
        # The codes stand first: pytest cuts long ones in the middle.
        lines = [f"exit code {self.code}"]
        for record in self.records:
            lines.extend(_log(record))
        lines.extend(f"asked after {item.after}: {item.level} {item.code}: {item.text}" for item in self.asked)
        lines.extend(f"said: {line}" for line in self.said.splitlines() if line.strip())
        return f"<Outcome {self._codes}\n    " + "\n    ".join(lines) + ">"

    @property
    def _codes(self) -> str:
        """Verdict and codes in one line, the gravest first."""
        words = [_verdict_and_codes(record) for record in self.records] or ["no record"]
        if self.asked:
            words.append("asked " + ", ".join(dict.fromkeys(item.code for item in self.asked)))
        return "; ".join(words)


def _verdict_and_codes(record: Mapping[str, Any]) -> str:
    """Without the notes: every run has some."""
    found = [(finding["level"], finding["code"]) for finding in record["findings"]]
    codes = (f"{level} {code}" for wanted in ("stop", "doubt") for level, code in found if level == wanted)
    return ", ".join((record["verdict"], *dict.fromkeys(codes)))


def _log(record: Mapping[str, Any]) -> list[str]:
    """One record in a few lines: verdict, findings, numbers."""
    lines = [f"part {record['run']['serial']}: {record['verdict']}"]
    lines.extend(f"  {found['level']} {found['code']}: {found['text']}" for found in record["findings"])
    for name, result in record["results"].items():
        value, expanded = result["value_um"], result["expanded_uncertainty_um"]
        numbers = "no number" if value is None or expanded is None else f"{value:.6g} um, U = {expanded:.3g} um"
        lines.append(f"  {name}: {result['verdict']}, {numbers}")
    return lines


@dataclass
class _Ear:
    """Hears what the checks say during a run."""

    heard: list[Asked] = field(default_factory=list)
    _now: set[tuple[str, str]] = field(default_factory=set)

    def __call__(self, run: Run, findings: Sequence[Finding]) -> None:
        """Keep what was not said before the last prompt too."""
        after = sum(isinstance(event, _TAKEN) for event in run.events)
        said = {(found.code, found.text): str(found.level) for found in findings}
        self.heard.extend(
            Asked(level, code, text, after) for (code, text), level in said.items() if (code, text) not in self._now
        )
        self._now = set(said)


@dataclass
class Measure:
    """Measures: what the fixture `measure` gives.

    Attributes:
        root: folder in which each run gets a folder of its own.
    """

    root: Path
    _count: int = field(default=0, init=False)

    def __call__(
        self,
        routine: str | Path | Draft = PLAIN,
        answers: Answers = GOOD,
        *,
        plugins: Sequence[ModuleType | Path] = (),
        catalogue: Catalogue | None = None,
        serials: Sequence[str] = ("1",),
        member: str | None = None,
        overrule: str | None = None,
        choices: Mapping[str, str] | None = None,
        trials: str | None = None,
        seed: int = 0,
        shop: Path | None = None,
        trial: bool = False,
        may_fail: bool = False,
    ) -> Outcome:
        """Measure.

        Args:
            routine: text, file or draft.
            answers: texts, or times [s] and texts, as in a readings file.
            plugins: modules or paths of single files, loaded beside the built-in plugins without being
                installed. Nothing else that is installed is loaded then.
            catalogue: of plugins, in place of all others.
            serials: of the parts.
            member: of the part family.
            overrule: reason to use an unfit device.
            choices: devices of the register by role.
            trials: of a simulation, as on the command line.
            seed: of the simulation.
            shop: settings of the shop; none if None.
            trial: whether it is a trial run.
            may_fail: whether what `plugins` declare may fail: raise, or return what it must not.

        Raises:
            AssertionError: something that `plugins` declare failed, and `may_fail` is false.
            PluginRefusedError: one of `plugins` can't be loaded.
        """
        self._count += 1
        folder = self.root / f"run-{self._count}"
        folder.mkdir()
        ear = _Ear()
        given = catalogue_of(*plugins) if plugins and catalogue is None else catalogue
        options = Options(
            source=f"readings:{_readings(folder, answers)}",
            out=folder / "out",
            json=True,
            shop=shop or folder / "shop.toml",
            overrule=overrule,
            choices=choices or {},
            trials=trials,
            seed=seed,
            trial=trial,
            catalogue=given,
            onlooker=ear,
        )
        out, said = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(said):
            try:
                path = _written(folder, routine)
                code = run_routine(path, options, operator="T. Ester", serials=tuple(serials), member=member)
            except HoldzeroError as error:
                sys.stderr.write(str(error))
                code = _INVALID
        records = [read_json(line) for line in out.getvalue().splitlines()]
        outcome = Outcome(code=code, records=records, said=said.getvalue(), folder=options.out, asked=ear.heard)
        if plugins and given is not None and not may_fail:
            _none_failed(outcome, given)
        return outcome


def _none_failed(outcome: Outcome, catalogue: Catalogue) -> None:
    """Raise what the engine only puts on record: whoever tests a plugin wants to know at once.

    Raises:
        AssertionError: something that was given failed.
    """
    given = (plugin for plugin in catalogue.plugins if plugin.distribution == GIVEN)
    codes = {f"{word.split()[-1]}/failed" for plugin in given for word in plugin.declares}
    said = [(found["code"], found["text"]) for record in outcome.records for found in record["findings"]]
    said += [(item.code, item.text) for item in outcome.asked]
    failed = list(dict.fromkeys(text for code, text in said if code in codes))
    if failed:
        raise AssertionError("\n".join((*failed, "(may_fail=True lets it pass)", repr(outcome))))


def _written(folder: Path, routine: str | Path | Draft) -> Path:
    if isinstance(routine, Path):
        return routine
    path = folder / "routine.toml"
    path.write_text(routine.text if isinstance(routine, Draft) else routine, "utf-8")
    return path


def _readings(folder: Path, answers: Answers) -> Path:
    """A readings file."""
    path = folder / "readings.csv"
    rows = [("", item) if isinstance(item, str) else item for item in answers]
    text = "time,answer\n" + "".join(f'{time},"{answer}"\n' for time, answer in rows)
    path.write_text(text, "utf-8")
    return path


@pytest.fixture
def measure(tmp_path: Path) -> Measure:
    """Measure with a routine text and answers, through everything but the process and its arguments."""
    return Measure(tmp_path)
