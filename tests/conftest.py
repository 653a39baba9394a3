"""What all tests share: a routine to start from, and one call that measures with it."""

from __future__ import annotations

import contextlib
import io
import json
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from holdzero.cli.conduct import Options, run_routine
from holdzero.errors import HoldzeroError

ROOT = Path(__file__).parent.parent

# One place, one zero, one return; no temperature, so that a test adds only what it is about.
PLAIN = """\
format = 1

[routine]
title = "Washer, thickness"
part = "W-1"

[reference]
name = "Block 5 mm"
size = "5 mm"
deviation = "0 um"
material = "steel"

[comparator]
resolution = "0.1 um"
travel = "50 um"

[characteristics.thickness]
measure = "size"
at = "a"
nominal = "5 mm"
lower = "-3 um"
upper = "+3 um"

[[steps]]
do = "zero"
times = 3

[[steps]]
do = "repeat"
times = 3
steps = [ { do = "read", at = "a" } ]

[[steps]]
do = "return"

[[steps]]
do = "compare"
"""
GOOD = ("0", "+0.1", "-0.1", "+1.0", "+1.1", "+0.9", "0")


@dataclass(frozen=True)
class Outcome:
    """What came of a run: exit code, records, what was said on standard error, and the folder."""

    code: int
    records: list[dict[str, Any]]
    said: str
    folder: Path

    @property
    def record(self) -> dict[str, Any]:
        """The only record."""
        assert len(self.records) == 1, self.said
        return self.records[0]

    @property
    def journal(self) -> Path:
        """The only journal."""
        (journal,) = self.folder.glob("*.journal.jsonl")
        return journal

    def codes(self, level: str) -> list[str]:
        """Codes of the findings of a level."""
        return [finding["code"] for finding in self.record["findings"] if finding["level"] == level]


Measure = Callable[..., Outcome]


@pytest.fixture
def measure(tmp_path: Path) -> Measure:
    """Measure with a routine text and answers, through everything but the process and its arguments."""
    count = 0

    def go(
        routine: str | Path = PLAIN,
        answers: Iterable[str | tuple[float, str]] = GOOD,
        *,
        serials: tuple[str, ...] = ("1",),
        member: str | None = None,
        overrule: str | None = None,
        choices: dict[str, str] | None = None,
        shop: Path | None = None,
    ) -> Outcome:
        nonlocal count
        count += 1
        folder = tmp_path / f"run-{count}"
        folder.mkdir()
        path = routine if isinstance(routine, Path) else folder / "routine.toml"
        if isinstance(routine, str):
            path.write_text(routine, "utf-8")
        readings = folder / "readings.csv"
        rows = [("", item) if isinstance(item, str) else item for item in answers]
        text = "time,answer\n" + "".join(f'{time},"{answer}"\n' for time, answer in rows)
        readings.write_text(text, "utf-8")
        options = Options(
            source=f"readings:{readings}",
            out=folder / "out",
            json=True,
            shop=shop or folder / "shop.toml",
            overrule=overrule,
            choices=choices or {},
        )
        out, said = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(said):
            try:
                code = run_routine(path, options, operator="T. Ester", serials=serials, member=member)
            except HoldzeroError as error:
                sys.stderr.write(str(error))
                code = 2
        records = [json.loads(line) for line in out.getvalue().splitlines()]
        return Outcome(code=code, records=records, said=said.getvalue(), folder=folder / "out")

    return go


@pytest.fixture
def routines() -> Path:
    """The folder of the shipped routines."""
    return ROOT / "routines"
