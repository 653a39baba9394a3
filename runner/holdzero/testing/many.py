"""Many real records in little time: runs of a small routine, driven in memory, that differ as a shop's do."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from holdzero.catalogue import Catalogue
from holdzero.checks import bind
from holdzero.record import dumps, make_record
from holdzero.run import Run
from holdzero.software import software_of
from holdzero.testing.draft import Draft
from holdzero.testing.drive import begun, driven, loaded_of, scripted

__all__ = ["WASHER", "Many"]

_READ = {"do": "read", "at": "a"}

WASHER = (
    Draft()
    .with_table("routine", revision="A")
    .with_table("reference", id="B-5.00", certificate="C-1001", due="2036-05-31")
    .with_table("comparator", id="K-1", name="Dial 0.1 um, bench 1")
    .with_table(
        "check_standard",
        id="B-5.01",
        name="Block 5.01 mm",
        size="5.01 mm",
        deviation={"value": "0.05 um", "standard": "0.03 um"},
        material="steel",
        limit="0.5 um",
    )
    .with_steps(
        {"do": "zero", "times": 3},
        {"do": "check"},
        {"do": "repeat", "over": "parts", "steps": [{"do": "repeat", "times": 3, "steps": [_READ]}]},
        {"do": "return"},
        {"do": "compare"},
    )
)
"""One place of a washer against a block, with a check standard and a return; takes batches."""

_ON_STANDARD_UM = 10.05  # its certified size less the reference's
_PACE_S = 6.0  # from one reading to the next


@dataclass(frozen=True, kw_only=True)
class Many:
    """Makes records that a bench could have made: each with a serial, a day, readings and an inspector of its own.

    Attributes:
        catalogue: of plugins.
        draft: the routine; one with other steps needs `answers`.
        begin: start of the first run.
        every: from the start of one run to that of the next.
        operators: who measures, in turn.
        serial: what serials begin with; None for parts without one.
        batch: how many parts a run has.
        deviation_um: of the parts, about which they scatter [um].
        standard_um: how far the check standard reads from its certificate [um].
        answers: of every run, in place of random ones.
        simulated: whether readings are made up.
        trial: whether they are trial runs.
        seed: of the readings.
    """

    catalogue: Catalogue
    draft: Draft = WASHER
    begin: dt.datetime = dt.datetime(2026, 3, 2, 8, tzinfo=dt.timezone(dt.timedelta(hours=1)))
    every: dt.timedelta = field(default=dt.timedelta(hours=5))
    operators: Sequence[str | None] = ("T. Ester", "A. Ivers", "M. Oduya")
    serial: str | None = "S"
    batch: int = 1
    deviation_um: float = 1.0
    standard_um: float = 0.0
    answers: Sequence[str] | None = None
    simulated: bool = False
    trial: bool = False
    seed: int = 1

    def texts(self, count: int) -> Iterator[str]:
        """So many records as texts, oldest first."""
        loaded = loaded_of(self.draft, self.catalogue)
        checks, faults = bind(loaded.routine, self.catalogue)
        if faults:
            raise ValueError(f"the routine has faults: {faults}")
        software, chance = software_of(checks.plugins), random.Random(self.seed)  # noqa: S311  no secret
        for number in range(0, count, self.batch):
            serials = [self._serial(number + place) for place in range(min(self.batch, count - number))]
            operator = self.operators[(number // self.batch) % len(self.operators)]
            run = begun(loaded, serials=serials, operator=operator, simulated=self.simulated, trial=self.trial)
            said = self.answers or self._answers(chance, len(serials))
            *_, run = driven(run, scripted((_PACE_S * (place + 1), text) for place, text in enumerate(said)))
            run = _begun_at(run, self.begin + (number // self.batch) * self.every)
            for serial in serials:
                yield dumps(make_record(run, serial, checks, software))

    def _serial(self, number: int) -> str | None:
        return None if self.serial is None else f"{self.serial}{number:06d}"

    def _answers(self, chance: random.Random, parts: int) -> list[str]:
        """Readings on a dial of 0.1 um."""
        said = [chance.gauss(0.0, 0.1) for _ in range(3)]
        said.append(_ON_STANDARD_UM + self.standard_um + chance.gauss(0.0, 0.1))
        for _ in range(parts):
            part = chance.gauss(self.deviation_um, 0.3)
            said.extend(chance.gauss(part, 0.1) for _ in range(3))
        said.append(chance.gauss(0.0, 0.1))
        return [f"{round(value, 1) + 0.0:+.1f}" for value in said]


def _begun_at(run: Run, begin: dt.datetime) -> Run:
    """The same run as if it had begun at another time."""
    walls = [begin + dt.timedelta(seconds=event.time_s) for event in run.events]
    moved = (
        replace(event, wall=wall.isoformat(timespec="milliseconds"))
        for event, wall in zip(run.events, walls, strict=True)
    )
    return Run.of(moved)
