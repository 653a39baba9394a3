"""How often a sound run has a reading called an outlier, and how often dust is named.

    python tests/benchmarks/outliers.py [runs]

Each run is looked at after every reading, as at the bench. The true value lies at the same point between two counts of
the dial at all places, and at several points in turn: the worst one counts. Nothing published: it is made up.
"""

from __future__ import annotations

import datetime as dt
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import Reading, RunView
from holdzero.routine.schema import Comparator, Reference, Routine
from holdzero.run.plan import Slot, SlotKind, plan_of
from holdzero_plugins.checks._repeats import outliers
from holdzero_plugins.checks._scatter import Accepted

SEED, RUNS = 20261130, 100_000
DIAL_TO_SIGMA = (0.1, 0.5, 1.0, 2.0, 5.0)
POSITIONS = (0.0, 0.125, 0.25, 0.375, 0.5)  # of a step; beyond the middle it is the same turned round
KNOWN_DOF = 1e6

ROUTINE = Routine.model_validate(
    tomllib.loads("""
format = 1
routine = { title = "Ring", part = "R-1" }
reference = { name = "Block", size = "12 mm", deviation = "0 um" }
comparator = { resolution = "0.5 um", travel = "500 um" }
characteristics.t = { measure = "size", at = ["a", "b", "c"], nominal = "12 mm", lower = "-10 um", upper = "10 um" }
steps = [
    { do = "zero", times = 3 },
    { do = "repeat", times = 3, steps = [
        { do = "read", at = "a" }, { do = "read", at = "b" }, { do = "read", at = "c" },
    ] },
    { do = "return", times = 2 },
]
""")
)
STEP_UM = 0.5


@dataclass(frozen=True, kw_only=True)
class Case:
    """One bench: the dial's step in standard deviations, where the true values lie, what is known, what goes wrong."""

    dial: float
    position: float
    accepted: bool
    rounds: int = 3
    dust_um: float = 0.0
    random_position: bool = False

    @property
    def sigma_um(self) -> float:
        """Standard deviation of a reading before it is rounded [um]."""
        return STEP_UM / self.dial


def plan(rounds: int) -> tuple[Slot, ...]:
    """What is done, in so many rounds."""
    steps = [step.model_copy(update={"times": rounds}) if step.do == "repeat" else step for step in ROUTINE.steps]
    return plan_of(ROUTINE.model_copy(update={"steps": tuple(steps)}), (None,))


def view_of(slots: Sequence[Slot], values: NDArray[np.float64]) -> RunView:
    """A view of runs; `values` has a row for each slot that is read [um]."""
    comparator, reference = ROUTINE.comparator, ROUTINE.reference
    assert isinstance(comparator, Comparator)
    assert isinstance(reference, Reference)
    read = [slot for slot in slots if slot.kind.is_reading]
    return RunView(
        routine=ROUTINE,
        serial=None,
        reference=reference,
        comparator=comparator,
        thermometer=None,
        readings=tuple(
            Reading(seq=seq, slot=slot, raw="", value_um=value, time_s=20.0 * seq, wall="", zero=1)
            for seq, (slot, value) in enumerate(zip(read, values, strict=True), 2)
        ),
        temperatures=(),
        soaks=(),
        prepared=(),
        given=(),
        operator=None,
        day=dt.date(2026, 3, 2),
        now_s=0.0,
        materials={},
        finished=False,
        slots=tuple(slots),
    )


def drawn(case: Case, runs: int, generator: np.random.Generator) -> tuple[RunView, int]:
    """Runs of a case, and the entry that dust lies under: the second round's second place."""
    slots = plan(case.rounds)
    read = [slot for slot in slots if slot.kind.is_reading]
    places = [slot.place for slot in read]
    true = {
        place: generator.uniform(0.0, 1.0, runs) if case.random_position else np.full(runs, case.position)
        for place in dict.fromkeys(places)
    }
    exact = np.array([true[place] * STEP_UM for place in places]) + generator.normal(
        0.0, case.sigma_um, (len(read), runs)
    )
    dusty = [index for index, place in enumerate(places) if place == "b"][1]
    exact[dusty] += case.dust_um
    return view_of(slots, np.rint(exact / STEP_UM) * STEP_UM), dusty + 2


def looks(whole: RunView) -> Iterator[tuple[RunView, bool]]:
    """The run after each reading of the part, and at its end; whether the part is still there."""
    for count, reading in enumerate(whole.readings, 1):
        if reading.kind is SlotKind.READ:
            yield replace(whole, readings=whole.readings[:count]), True
    yield whole, False


def named(case: Case, runs: int, generator: np.random.Generator) -> tuple[float, float]:
    """Shares of the runs in which any sound reading is called an outlier, and in which the dusty one is named [1]."""
    whole, dusty = drawn(case, runs, generator)
    accepted = (
        Accepted(standard_um=case.sigma_um, dof=KNOWN_DOF, origin="", probability=None) if case.accepted else None
    )
    sound, found = np.zeros(runs, dtype=bool), np.zeros(runs, dtype=bool)
    for view, live in looks(whole):
        for finding in outliers(view, accepted, (), live=live):
            if finding.data["entry"] == dusty and case.dust_um:
                found |= finding.holds
            else:
                sound |= finding.holds
    return float(np.mean(sound)), float(np.mean(found))


def worst(dial: float, runs: int, *, accepted: bool, rounds: int = 3) -> tuple[float, float]:
    """The largest share over all positions, and where it is [1]."""
    shares = []
    for number, position in enumerate(POSITIONS):
        generator = np.random.default_rng([SEED, round(10 * dial), number, accepted, rounds])
        case = Case(dial=dial, position=position, accepted=accepted, rounds=rounds)
        shares.append((named(case, runs, generator)[0], position))
    return max(shares)


def main() -> None:
    """Print both tables."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    print(f"{runs} runs each, three places; share of sound runs with an outlier [%], worst position of the true value")
    for rounds in (3, 5):
        for accepted in (True, False):
            for dial in DIAL_TO_SIGMA:
                share, position = worst(dial, runs, accepted=accepted, rounds=rounds)
                known = "known before" if accepted else "of the run itself"
                print(f"{rounds} rounds  scatter {known:17}  dial/sigma {dial:3}  {100 * share:7.3f}  at {position}")
    print("dust under one reading of the second round, named [%]; true values anywhere")
    for dial in DIAL_TO_SIGMA:
        for accepted in (True, False):
            for height in (4.0, 6.0, 8.0):
                case = Case(
                    dial=dial,
                    position=0.0,
                    accepted=accepted,
                    dust_um=height * STEP_UM / dial,
                    random_position=True,
                )
                generator = np.random.default_rng([SEED, round(10 * dial), round(height), accepted])
                found = named(case, runs // 4, generator)[1]
                print(f"dial/sigma {dial:3}  known before {accepted!s:5}  {height:g} sigma  {100 * found:6.1f}")
    for sigma in (0.1, 0.2, 0.25, 0.3, 0.4):
        for accepted in (True, False):
            case = Case(dial=STEP_UM / sigma, position=0.0, accepted=accepted, dust_um=3.0, random_position=True)
            found = named(case, runs // 4, np.random.default_rng([SEED, round(100 * sigma), accepted]))[1]
            print(f"spacer ring, 3 um of dust, sigma {sigma} um  known before {accepted!s:5}  {100 * found:6.1f}")


if __name__ == "__main__":
    main()
