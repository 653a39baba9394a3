"""`rehearse --risk`: the fewest rounds and the shortest soak that meet it, for people and for scripts."""

from __future__ import annotations

import json as js
from collections import Counter
from collections.abc import Sequence
from typing import Any

from rich.console import Console

from holdzero.cli.output import plain_console, tell
from holdzero.cli.rehearsed import percent
from holdzero.cli.workers import heard_between_pieces
from holdzero.display import micro_text
from holdzero.rehearse.curve import band_of
from holdzero.rehearse.many import Rehearsal
from holdzero.rehearse.suggest import MOST_ROUNDS, MOST_SOAK_MIN, Way, Wish, rounds_of, soak_min_of, ways_of
from holdzero.routine import schema
from holdzero.wording import clock_text

__all__ = ["suggest_ways"]

_DONE, _INTERRUPTED = 0, 4
_ONE_ROUND = (
    "One round alone is not proposed: it shows no slip, and no scatter of the part (common practice, no source)."
)


def suggest_ways(routine: schema.Routine, what: Rehearsal, wish: Wish, *, json: bool) -> int:
    """Say with which rounds and soak a routine meets a risk; gives the exit code.

    Args:
        routine: typed.
        what: is rehearsed.
        wish: what it is to reach.
        json: as data, and nothing else.

    Raises:
        HoldzeroError: nothing of the routine could be changed.
    """
    ways: list[Way] = []
    with heard_between_pieces() as stopped:
        for way in ways_of(what, wish):
            ways.append(way)
            if stopped():
                break
    if stopped():
        tell(f"\nholdzero: stopped; {len(ways)} of {MOST_ROUNDS} numbers of rounds are done, and stand below")
    if json:
        print(js.dumps(_data(what, wish, ways), ensure_ascii=False))  # noqa: T201  what scripts read
    else:
        _show(plain_console(stderr=False), routine, what, wish, ways)
    return _INTERRUPTED if stopped() else _DONE


def _best(ways: Sequence[Way]) -> Way | None:
    """The quickest at the bench of those that meet the wish; one round alone only where nothing else does."""
    good = [way for way in ways if way.meets and way.rounds > 1] or [way for way in ways if way.meets]
    return min(good, key=lambda way: (way.bench_s, way.rounds), default=None)


def _data(what: Rehearsal, wish: Wish, ways: Sequence[Way]) -> dict[str, Any]:
    best = _best(ways)
    return {
        "simulated": True,
        "of": what.of,
        "risk": wish.risk,
        "process": {"mean_um": wish.mean_um, "standard_um": wish.standard_um},
        "now": {"rounds": rounds_of(what.document), "soak_min": soak_min_of(what.document)},
        "ways": [_way(way) for way in ways],
        "suggested": None if best is None else _way(best),
    }


def _way(way: Way) -> dict[str, Any]:
    return {
        "rounds": way.rounds,
        "soak_min": way.soak_min,
        "meets": way.meets,
        "runs": way.process.tally.runs,
        "consumer_risk": way.process.consumer_risk,
        "producer_risk": way.process.producer_risk,
        "consumer_risk_limit": _limit(way.process.tally.bad_passed, way),
        "producer_risk_limit": _limit(way.process.tally.good_not_passed, way),
        "bench_s": way.bench_s,
    }


def _limit(count: int, way: Way) -> float:
    """Upper end of the 95 % limits of a share [1]: what decides."""
    return band_of(count, way.process.tally.runs)[1]


def _show(console: Console, routine: schema.Routine, what: Rehearsal, wish: Wish, ways: Sequence[Way]) -> None:
    units, header = routine.routine.units, routine.routine
    console.print(f"{header.title}   {header.part} {header.revision}".rstrip())
    console.print("SIMULATED: no part is measured.")
    spread = micro_text(wish.standard_um, units, wish.standard_um or None, sign=False)
    scenario = f" Scenario: {what.scenario.title}." if what.scenario is not None else ""
    console.print(
        f"{what.of}: of {wish.runs} parts of the process ({micro_text(wish.mean_um, units)}, s = {spread}) no more "
        f"than {_percent_of(wish.risk)} may be bad and pass, and no more may be good and not pass; both by the upper "
        f"ends of their 95 % limits.{scenario}"
    )
    console.print()
    console.print("   rounds    soak   at the bench     bad passes      good does not")
    for way in ways:
        soak = "as is" if way.soak_min is None else f"{way.soak_min} min" if way.meets else f">{MOST_SOAK_MIN} min"
        bad, good = _share(way.process.tally.bad_passed, way), _share(way.process.tally.good_not_passed, way)
        mark = "+ meets it" if way.meets else "x does not"
        console.print(f"   {way.rounds:>6} {soak:>8} {clock_text(way.bench_s):>12} {bad:>15} {good:>18}   {mark}")
    console.print("   In brackets: the upper ends of the 95 % limits, which decide.")
    console.print()
    for sentence in _sentences(what, ways):
        console.print(sentence)


def _share(count: int, way: Way) -> str:
    return f"{100.0 * count / way.process.tally.runs:.2f} ({100.0 * _limit(count, way):.2f}) %"


def _percent_of(share: float) -> str:
    """A share that was asked for [1]."""
    return f"{100.0 * share:.3g} %"


def _sentences(what: Rehearsal, ways: Sequence[Way]) -> list[str]:
    best, now = _best(ways), soak_min_of(what.document)
    rounds = rounds_of(what.document)
    found = [f"The routine as it stands: {_in_words(rounds, now)}."]
    if best is None:
        tried = (
            f"{len(ways)} round{'s' if len(ways) != 1 else ''}"
            if rounds is not None
            else f"{MOST_SOAK_MIN} min of soak"
        )
        found.append(f"Nothing up to {tried} meets it.")
        found.extend(_why_not(what, ways))
    else:
        soak = None if best.soak_min is None else float(best.soak_min)
        found.append(f"Quickest that meets it: {_in_words(None if rounds is None else best.rounds, soak)}.")
        if rounds is not None and ways[0].meets:
            found.append(_ONE_ROUND)
    if now is not None and all(way.soak_min is None for way in ways):
        found.append("The soak was left as it is: no scenario tells of heat that it would let fade (--scenario).")
    return found


def _in_words(rounds: int | None, soak_min: float | None) -> str:
    words = [f"{rounds} round{'s' if rounds != 1 else ''}"] if rounds is not None else []
    words += [f"a soak of {soak_min:g} min"] if soak_min is not None else []
    return ", ".join(words) or "no rounds and no soak that could be changed"


def _why_not(what: Rehearsal, ways: Sequence[Way]) -> list[str]:
    """What keeps good parts from passing where neither rounds nor soak help, in the way that comes nearest."""
    nearest = min(ways, key=lambda way: way.process.tally.good_not_passed + way.process.tally.bad_passed, default=None)
    if nearest is None:
        return []
    tally = nearest.process.tally
    soak = None if nearest.soak_min is None else float(nearest.soak_min)
    found = [f"Nearest: {_in_words(None if rounds_of(what.document) is None else nearest.rounds, soak)}."]
    stops = Counter({name.partition(" ")[2]: n for name, n in tally.findings.items() if name.startswith("stop ")})
    if stops:
        told = "; ".join(f"{name} in {percent(count, tally.runs)}" for name, count in stops.most_common(3))
        found.append(f"Of its runs these are stopped: {told}.")
    found.append(
        "What else is missing lies near the limits: a better reference or comparator, less heat, or wider limits."
    )
    return found
