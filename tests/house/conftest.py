"""What the tests of the house rules share: the folder, and a run driven by hand with one of its files."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from holdzero import events as e
from holdzero.catalogue import Catalogue
from holdzero.checks import Checks, bind
from holdzero.hooks import Finding
from holdzero.record import make_record
from holdzero.run import Run
from holdzero.testing import Draft, catalogue_of
from holdzero.testing.drive import begun, loaded_of, taken
from holdzero.verify import verify
from holdzero.views import view_of

HOUSE = Path(__file__).parent.parent.parent / "plugins" / "house"


@pytest.fixture(scope="session")
def house() -> Path:
    """The house folder."""
    return HOUSE


@dataclass
class Desk:
    """A run with house rules: answers at given times, what the checks ask, and the record at the end."""

    catalogue: Catalogue
    checks: Checks
    run: Run
    wall: dt.datetime
    records: list[dict[str, Any]] = field(default_factory=list)

    def at(self, time_s: float, *texts: str) -> Desk:
        """Answer the next prompts, all at one moment [s of the run]."""
        for text in texts:
            prompt = self.run.prompt
            assert prompt is not None, "nothing is asked"
            self.run = taken(self.run, prompt, text, time_s)
        return self

    def event(self, kind: type[Any], time_s: float, **keys: Any) -> Desk:
        """Take any other event."""
        wall = (self.wall + dt.timedelta(seconds=time_s)).isoformat()
        self.run = self.run.take(kind(seq=self.run.state.seq + 1, wall=wall, time_s=time_s, **keys))
        return self

    def again(self, time_s: float) -> Desk:
        """The first preparing step was done again, as with the terminal's `d`."""
        return self.event(e.PreparedAgain, time_s, slot=self.run.state.prepared[0].slot.id)

    def strike(self, time_s: float, seq: int) -> Desk:
        """Strike an entry out."""
        return self.event(e.AnswerStruck, time_s, target=seq, reason="mistyped")

    def asked(self, now_s: float, serial: str | None = "1") -> list[Finding]:
        """What the checks of the house say before the next prompt."""
        view = view_of(self.run.state, serial, self.checks.materials, now_s)
        said = self.checks.watch(view)
        assert said.failures == []
        return [found for found in said.findings if found.holds]

    def codes(self, now_s: float, serial: str | None = "1") -> list[str]:
        """Codes of what the checks say before the next prompt."""
        return [found.code for found in self.asked(now_s, serial)]

    def ended(self, serial: str | None = "1") -> dict[str, Any]:
        """The record of a part; it recomputes identically."""
        record = make_record(self.run, serial, self.checks, {})
        assert verify(record, self.catalogue) == []
        return record


@pytest.fixture(scope="session")
def sit_down() -> Callable[..., Desk]:
    """Start a run with one file of the house folder."""

    def go(
        rule: str,
        draft: Draft,
        *,
        serials: Sequence[str | None] = ("1",),
        operator: str | None = "T. Ester",
    ) -> Desk:
        catalogue = catalogue_of(HOUSE / f"{rule}.py")
        loaded = loaded_of(draft, catalogue)
        checks, faults = bind(loaded.routine, catalogue, loaded.origins)
        assert faults == ()
        run = begun(loaded, serials=serials, operator=operator)
        return Desk(catalogue, checks, run, dt.datetime.fromisoformat(run.state.started))

    return go
