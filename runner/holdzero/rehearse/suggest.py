"""The fewest rounds and the shortest soak with which a routine meets a stated risk, and its U holds."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from holdzero.errors import HoldzeroError
from holdzero.process import ProductionProcess
from holdzero.rehearse.curve import Process, band_of, process_of, u_holds
from holdzero.rehearse.many import Rehearsal
from holdzero.routine.load import digest_of

__all__ = ["MOST_ROUNDS", "MOST_SOAK_MIN", "Way", "Wish", "rounds_of", "soak_min_of", "ways_of"]

MOST_ROUNDS = 10
"""More rounds than that are not tried."""
MOST_SOAK_MIN = 240
"""Nor longer soaks, in minutes."""
_READ, _REPEAT, _SOAK = "read", "repeat", "soak"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a routine is to reach.

    Attributes:
        risk: share of all parts that may be good and not pass, and share that may be bad and pass [1].
        sizes: how the true sizes of the process lie.
        coverage: probability that U stands for [1].
        runs: how many parts are rehearsed each time.
    """

    risk: float
    sizes: ProductionProcess
    coverage: float
    runs: int

    def met(self, process: Process) -> bool:
        """Whether both risks are surely no more than that: by the upper ends of their 95 % limits."""
        tally = process.tally
        counts = (tally.bad_passed, tally.good_not_passed)
        return all(band_of(count, tally.runs)[1] <= self.risk for count in counts)

    def held(self, process: Process) -> bool:
        """Whether U holds, see `u_holds`."""
        return u_holds(process.tally.covered, process.tally.runs, self.coverage)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A number of rounds, the shortest soak with it, and what comes of it.

    Attributes:
        rounds: how often the places are read.
        soak_min: of the longest soak of the routine [min]; None where no soak is tried.
        process: what came of the parts.
        risk_met: whether both risks are met.
        u_holds: whether U holds. A value whose U does not hold can't be defended, however small the risk.
        settled: whether a longer soak changes nothing any more. Where a wish is met by no soak, this is the shortest
            that is so; where none is, the longest that is tried.
        hasty: the shortest soak that was tried with as many rounds, meets the risk, and lets U not hold [min].
    """

    rounds: int
    soak_min: int | None
    process: Process
    risk_met: bool
    u_holds: bool
    settled: bool = False
    hasty: Way | None = None

    @property
    def meets(self) -> bool:
        """Whether it can be proposed."""
        return self.risk_met and self.u_holds

    @property
    def off_um(self) -> float:
        """How far the values lie above the truth on average [um]."""
        return self.process.tally.off_um / self.process.tally.runs

    @property
    def bench_s(self) -> float:
        """Time at the bench for a run [s]."""
        return self.process.tally.bench_s / self.process.tally.runs


def ways_of(what: Rehearsal, wish: Wish) -> Iterator[Way]:
    """The shortest soak for each number of rounds, from one round on.

    A soak is tried only where a scenario tells of heat that fades: nothing else says what it is for. With a longer
    soak the risks are taken to fall, and U to hold the better.

    Args:
        what: is rehearsed.
        wish: what is to be reached.

    Raises:
        HoldzeroError: the routine has neither rounds nor a soak that could be changed.
    """
    now, soak = rounds_of(what.document), soak_min_of(what.document)
    heat = what.scenario is not None and what.scenario.hands is not None and soak is not None
    if now is None and not heat:
        raise HoldzeroError(_nothing_to_suggest(times_of(what.document)))
    doubt_um = _doubt_um(what) if heat else 0.0
    for rounds in range(1, MOST_ROUNDS + 1) if now is not None else (1,):

        @cache
        def tried(minutes: int | None, rounds: int = rounds) -> Way:
            document = changed(what.document, rounds if now is not None else None, minutes)
            other = replace(what, document=document, digest=digest_of(document))
            process = process_of(other, wish.sizes, wish.runs)
            met, held = wish.met(process), wish.held(process)
            return Way(rounds=rounds, soak_min=minutes, process=process, risk_met=met, u_holds=held)

        yield _shortest(tried, doubt_um) if heat else tried(None)


def _shortest(tried: Callable[[int], Way], doubt_um: float) -> Way:
    """The shortest soak that meets the wish, to the minute.

    Where none does, the shortest after which a longer one changes nothing; where there is none, the longest.

    Args:
        tried: what comes of a soak [min].
        doubt_um: standard uncertainty of a value [um].
    """
    longest = tried(MOST_SOAK_MIN)
    if longest.meets:
        ways = _halved(tried, lambda way: way.meets)
        hasty = [way for way in ways if way.risk_met and not way.u_holds]
        return replace(ways[0], hasty=min(hasty, key=lambda way: way.soak_min or 0, default=None))
    # A soak only just short of the longest says nothing of still longer ones.
    if not _as_near(tried(MOST_SOAK_MIN // 2), longest, doubt_um):
        return longest
    return replace(_halved(tried, lambda way: _as_near(way, longest, doubt_um))[0], settled=True)


def _halved(tried: Callable[[int], Way], enough: Callable[[Way], bool]) -> list[Way]:
    """The shortest soak that is enough, where the longest is, and behind it all that were tried for it."""
    ways, best = [], tried(MOST_SOAK_MIN)
    low, high = 0, MOST_SOAK_MIN
    while high - low > 1:
        middle = (low + high) // 2
        way = tried(middle)
        ways.append(way)
        if enough(way):
            high, best = middle, way
        else:
            low = middle
    return [best, *ways]


def _as_near(way: Way, longest: Way, doubt_um: float) -> bool:
    """Whether the longest soak is no better: by its risks, its coverage, and what is left of the heat in the values."""
    one, other = way.process.tally, longest.process.tally
    shares = ((one.bad_passed, other.bad_passed), (one.good_not_passed, other.good_not_passed))
    alike = all(count <= band_of(least, other.runs)[1] * one.runs for count, least in shares)
    alike = alike and one.covered >= band_of(other.covered, other.runs)[0] * one.runs
    return alike and abs(way.off_um - longest.off_um) <= _LITTLE * doubt_um


_LITTLE = 0.1  # of the standard uncertainty: with it in the value, the two together are larger by half a percent


def _doubt_um(what: Rehearsal) -> float:
    """Standard uncertainty of a value that scatters as the readings do [um]."""
    result = next(result for result in what.scattered().results if result.name == what.of)
    return 0.0 if result.propagated is None else float(result.propagated.standard_uncertainty_um)


# --- the routine ------------------------------------------------------------------------------


def times_of(document: Mapping[str, Any]) -> tuple[int, ...]:
    """How often the repeat steps go round in which a routine reads its places; each number once."""
    return tuple(sorted({int(step["times"]) for step in _rounds(document["steps"])}))


def rounds_of(document: Mapping[str, Any]) -> int | None:
    """How often a routine reads its places; None where it does so in no repeat step, or in several that differ."""
    numbers = times_of(document)
    return numbers[0] if len(numbers) == 1 else None


def _nothing_to_suggest(times: tuple[int, ...]) -> str:
    """Why neither rounds nor a soak can be changed."""
    why, mend = "the routine reads in no repeat step", "put its read steps into a repeat step"
    if times:
        why = f"the repeat steps in which the routine reads go round {' and '.join(map(str, times))} times"
        mend = "let them go round equally often"
    return (
        f"there is nothing to suggest: {why}, and no scenario tells of heat that a soak would let fade\n"
        f"    {mend}, or name a --scenario with [hands]"
    )


def soak_min_of(document: Mapping[str, Any]) -> float | None:
    """The longest soak of a routine [min]; None where it has none."""
    from holdzero.quantity import Dimension, parse_quantity

    spans = [parse_quantity(step["at_least"], Dimension.TIME).value / 60.0 for step in _soaks(document["steps"])]
    return max(spans, default=None)


def changed(document: Mapping[str, Any], rounds: int | None, soak_min: int | None) -> dict[str, Any]:
    """A routine with another number of rounds, and all its soaks of another length.

    Args:
        document: the resolved routine as plain data.
        rounds: None to leave them.
        soak_min: of each soak [min]; None to leave them.
    """
    other = copy.deepcopy(dict(document))
    if rounds is not None:
        for step in _rounds(other["steps"]):
            step["times"] = rounds
    if soak_min is not None:
        for step in _soaks(other["steps"]):
            step["at_least"] = f"{soak_min} min"
    return other


def _rounds(steps: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Repeat steps, innermost first, that read places a number of times."""
    for step in steps:
        if step["do"] != _REPEAT:
            continue
        inner = step["steps"]
        if any(own["do"] == _READ for own in inner) and "times" in step:
            yield step
        else:
            yield from _rounds(inner)


def _soaks(steps: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for step in steps:
        if step["do"] == _SOAK:
            yield step
        elif step["do"] == _REPEAT:
            yield from _soaks(step["steps"])
