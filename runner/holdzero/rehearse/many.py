"""Many runs of a routine at once, and what came of them in numbers."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holdzero.checks import Checks
from holdzero.errors import HoldzeroError
from holdzero.evaluate import evaluate
from holdzero.expect import Ideal, begun, conducted, expect
from holdzero.heights import middle_um
from holdzero.hooks import Number
from holdzero.limit import between
from holdzero.rehearse.bench import VirtualBench, places_of
from holdzero.rehearse.draws import Draws, draws_of
from holdzero.rehearse.scenario import Scenario
from holdzero.result import Evaluation, Result
from holdzero.routine import schema
from holdzero.run import Run
from holdzero.run.state import State

__all__ = ["BLOCK", "Rehearsal", "Tally", "least_um", "rehearsed"]

BLOCK = 100_000
"""Runs that are drawn and folded at once: memory does not grow with their number."""

LOT = 34_000
"""Runs of a block that are evaluated at once: few enough that their arrays fit the memory that is kept."""


@dataclass(frozen=True, kw_only=True)
class Rehearsal:
    """What is rehearsed.

    Attributes:
        document: the resolved routine as plain data.
        digest: its digest.
        checks: bound to it.
        of: name of the characteristic whose truth is set.
        scatter_um: standard deviation of a single reading [um].
        seed: of all draws.
        entries: devices of the register for what the routine only requires, by role.
        scenario: what else goes on at the bench; None for nothing.
    """

    document: Mapping[str, Any]
    digest: str
    checks: Checks
    of: str
    scatter_um: float
    seed: int = 0
    entries: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    scenario: Scenario | None = None

    def ideal(self) -> Evaluation:
        """The routine with ideal readings.

        Raises:
            HoldzeroError: it never ends, or a device is missing or unfit.
        """
        return self._expected(0.0)

    def scattered(self) -> Evaluation:
        """The routine with ideal readings that scatter as they are rehearsed: what its uncertainty will be about.

        Raises:
            HoldzeroError: it never ends, or a device is missing or unfit.
        """
        return self._expected(self.scatter_um)

    def _expected(self, scatter_um: float) -> Evaluation:
        evaluation, _ = expect(
            self.document,
            self.digest,
            self.checks,
            scatter_um=scatter_um,
            entries=self.entries,
            temperatures=self.scenario.temperatures if self.scenario is not None else {},
        )
        return evaluation

    @property
    def every_s(self) -> float:
        """Time from one answer to the next [s]."""
        own = self.scenario.every if self.scenario is not None else None
        return own if own is not None else Ideal.every_s

    @cached_property
    def begun(self) -> Run:
        """A run that has begun: where all runs start from."""
        return begun(self.document, self.digest)

    @property
    def places(self) -> tuple[str, ...]:
        """Where the part is read."""
        return places_of(self.begun.state.slots)

    @cached_property
    def spec(self) -> schema.Characteristic:
        """The characteristic whose truth is set.

        Raises:
            HoldzeroError: the routine has none of this name.
        """
        characteristics = schema.Routine.model_validate(dict(self.document)).characteristics
        if self.of not in characteristics:
            raise HoldzeroError(f"there is no characteristic {self.of!r}; there are: {', '.join(characteristics)}")
        return characteristics[self.of]

    @property
    def middle_um(self) -> float:
        """What the characteristic is where its truth is nothing more [um]."""
        return middle_um(self.spec)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What came of many runs, counted; two of them add up.

    Attributes:
        runs: how many.
        passed: in how many the characteristic passed.
        failed: in how many it failed.
        good_not_passed: how many with a conforming part did not pass.
        bad_passed: how many with a part beyond its limits passed.
        good: how many had a conforming part.
        covered: in how many the truth lay within U of the value.
        off_um: how far the values lay above the truth, summed over the runs [um].
        findings: in how many each finding fired, by level and code.
        bench_s: time at the bench, summed over the runs [s].
    """

    runs: int = 0
    passed: int = 0
    failed: int = 0
    good_not_passed: int = 0
    bad_passed: int = 0
    good: int = 0
    covered: int = 0
    off_um: float = 0.0
    findings: Mapping[str, int] = field(default_factory=dict)
    bench_s: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        """Both together."""
        return Tally(
            runs=self.runs + other.runs,
            passed=self.passed + other.passed,
            failed=self.failed + other.failed,
            good_not_passed=self.good_not_passed + other.good_not_passed,
            bad_passed=self.bad_passed + other.bad_passed,
            good=self.good + other.good,
            covered=self.covered + other.covered,
            off_um=self.off_um + other.off_um,
            findings=dict(Counter(self.findings) + Counter(other.findings)),
            bench_s=self.bench_s + other.bench_s,
        )

    @property
    def undecided(self) -> int:
        """In how many it was neither."""
        return self.runs - self.passed - self.failed


def rehearsed(what: Rehearsal, ideal: Evaluation, true_um: Number, runs: int, key: Iterable[int] = ()) -> Tally:
    """Count what comes of many runs.

    Args:
        what: is rehearsed.
        ideal: its evaluation with ideal readings.
        true_um: the characteristic in truth, one a run or one for all [um].
        runs: how many.
        key: further numbers of the seed, so that each lot of runs has draws of its own.

    Returns:
        The counts; the same for the same seed and key.
    """
    total = Tally()
    more_um = true_um - what.middle_um - _of_places_um(what, ideal)
    _keep_memory()
    for number, start in enumerate(range(0, runs, BLOCK)):
        size = min(BLOCK, runs - start)
        part = more_um[start : start + size] if isinstance(more_um, np.ndarray) else more_um
        total = total + _block(what, ideal, part, size, draws_of(what.seed, *key, number))
    return total


def least_um(what: Rehearsal, ideal: Evaluation) -> float:
    """The least that a variation can be in truth, where a scenario says how its places lie [um]; else 0.

    Args:
        what: is rehearsed.
        ideal: its evaluation with ideal readings.
    """
    if what.spec.measure is not schema.Measure.VARIATION:
        return 0.0
    more_um = -what.middle_um - _of_places_um(what, ideal)
    return float(np.ravel(_bench(what, ideal, more_um, 1, draws_of(what.seed)).true_um())[0])


def _of_places_um(what: Rehearsal, ideal: Evaluation) -> float:
    """By how much more the characteristic is in truth for what a scenario says of its places [um]."""
    if what.scenario is None or not what.scenario.part.places:
        return 0.0
    # So far up that the place that makes a variation is the highest, wherever the others lie.
    variation = what.spec.measure is schema.Measure.VARIATION
    far_um = 2.0 * sum(map(abs, what.scenario.part.places.values())) if variation else 0.0
    bench = _bench(what, ideal, far_um, 1, draws_of(what.seed))
    return float(np.ravel(bench.true_um())[0]) - what.middle_um - far_um


def _keep_memory() -> None:
    """Have freed arrays kept for the next ones.

    The C library gives large arrays back to the system when they are freed, and gets the next ones page by page: a
    quarter of the time of a rehearsal. Once it frees something larger it keeps all that is smaller (mallopt(3),
    M_MMAP_THRESHOLD of glibc; elsewhere this does nothing).
    """
    np.empty(_KEPT_BYTES, dtype=np.uint8)


_KEPT_BYTES = 31 * 2**20  # the library keeps nothing larger than 32 MB; never touched, so it takes no memory


def _bench(what: Rehearsal, ideal: Evaluation, more_um: Number, runs: int, draws: Draws) -> VirtualBench:
    return VirtualBench(
        what.begun,
        ideal=ideal,
        of=what.of,
        more_um=more_um,
        scatter_um=what.scatter_um,
        entries=what.entries,
        contrasts=what.checks.contrasts,
        draws=draws,
        runs=runs,
        scenario=what.scenario,
        shows=what.checks.shows_um,
    )


def _block(what: Rehearsal, ideal: Evaluation, more_um: Number, runs: int, draws: Draws) -> Tally:
    bench = _bench(what, ideal, more_um, runs, draws)
    state = conducted(what.begun, bench).state
    true_um = np.broadcast_to(bench.true_um(), runs)
    total = Tally()
    for start in range(0, runs, LOT):
        lot = slice(start, min(start + LOT, runs))
        evaluation = evaluate(_lot_of(state, lot), None, what.checks)
        result = next(result for result in evaluation.results if result.name == what.of)
        total = total + _counted(evaluation, result, true_um[lot], state)
    return total


def _lot_of(state: State, lot: slice) -> State:
    """The state of some of the runs that were folded together."""

    def own(number: Any) -> Any:
        return number[lot] if isinstance(number, np.ndarray) and number.ndim else number

    return replace(
        state,
        readings=tuple(replace(reading, value_um=own(reading.value_um)) for reading in state.readings),
        temperatures=tuple(replace(taken, value_degC=own(taken.value_degC)) for taken in state.temperatures),
        given=tuple(replace(given, value=own(given.value)) for given in state.given),
    )


def _counted(evaluation: Evaluation, result: Result, true_um: NDArray[np.float64], state: State) -> Tally:
    runs = true_um.size

    def count(mask: Any) -> int:
        return int(np.count_nonzero(np.broadcast_to(mask, runs)))

    spec, passed = result.spec, result.passed
    good = between(true_um, spec.lower, spec.upper, state.comparator.resolution if state.comparator else 0.0)
    covered: Any = False
    off = np.zeros(1)
    if result.propagated is not None and result.decision is not None:
        off = np.asarray(result.propagated.value_um) - true_um
        covered = np.abs(off) <= result.decision.expanded_uncertainty_um
    return Tally(
        runs=runs,
        passed=count(passed),
        failed=count(result.failed),
        good=count(good),
        good_not_passed=count(np.logical_and(good, np.logical_not(passed))),
        bad_passed=count(np.logical_and(np.logical_not(good), passed)),
        covered=count(covered),
        off_um=float(off.sum()),
        findings=_fired(evaluation, runs),
        bench_s=state.now_s * runs,
    )


_ENTRY = re.compile(r"/\d+$")  # which entry it is about


def _fired(evaluation: Evaluation, runs: int) -> dict[str, int]:
    """In how many runs each finding fired; one that concerns several characteristics or entries counts once."""
    masks: dict[str, Any] = {}
    for finding in evaluation.findings:
        name = f"{finding.level.value} {_ENTRY.sub('', finding.code)}"
        masks[name] = np.logical_or(masks.get(name, False), finding.holds)
    return {name: int(np.count_nonzero(np.broadcast_to(mask, runs))) for name, mask in masks.items()}
