"""`rehearse --risk`: the fewest rounds and the shortest soak that meet it, for people and for scripts."""

from __future__ import annotations

import json as js
from collections import Counter
from collections.abc import Sequence
from typing import Any

from rich.console import Console

from holdzero.cli.output import plain_console, tell
from holdzero.cli.rehearsed import are, counted, percent, process_data, process_text
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
    with heard_between_pieces("the number of rounds at work, with all its soaks,") as stopped:
        for way in ways_of(what, wish):
            ways.append(way)
            if stopped():
                break
    if stopped():
        tell(f"\nholdzero: stopped; {len(ways)} of {MOST_ROUNDS} numbers of rounds {are(len(ways))} done; see below")
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
        "coverage_probability": wish.coverage,
        "process": process_data(wish.sizes),
        "now": {"rounds": rounds_of(what.document), "soak_min": soak_min_of(what.document)},
        "ways": [_way(way) for way in ways],
        "suggested": None if best is None else _way(best),
    }


def _way(way: Way) -> dict[str, Any]:
    return {
        "rounds": way.rounds,
        "soak_min": way.soak_min,
        "meets": way.meets,
        "risk_met": way.risk_met,
        "u_holds": way.u_holds,
        "longer_soak_changes_nothing": way.settled,
        "runs": way.process.tally.runs,
        "consumer_risk": way.process.consumer_risk,
        "producer_risk": way.process.producer_risk,
        "consumer_risk_limit": _limit(way.process.tally.bad_passed, way),
        "producer_risk_limit": _limit(way.process.tally.good_not_passed, way),
        "covered": way.process.tally.covered / way.process.tally.runs,
        "covered_limit": _limit(way.process.tally.covered, way),
        "off_um": way.off_um,
        "bench_s": way.bench_s,
    }


def _limit(count: int, way: Way) -> float:
    """Upper end of the 95 % limits of a share [1]: what decides."""
    return band_of(count, way.process.tally.runs)[1]


def _show(console: Console, routine: schema.Routine, what: Rehearsal, wish: Wish, ways: Sequence[Way]) -> None:
    units, header = routine.routine.units, routine.routine
    console.print(f"{header.title}   {header.part} {header.revision}".rstrip())
    console.print("SIMULATED: no part is measured.")
    scenario = f" Scenario: {what.scenario.title}." if what.scenario is not None else ""
    console.print(
        f"{what.of}: of {counted(wish.runs, 'part')} of the process ({process_text(wish.sizes, units)}) "
        f"no more than {_percent_of(wish.risk)} may be bad and pass, and no more may be good and not pass, both by the "
        f"upper ends of their 95 % limits; and U must hold: the truth within it in {100.0 * wish.coverage:.4g} % of "
        f"the parts, as far as so many can show.{scenario}"
    )
    console.print()
    console.print("rounds     soak at the bench    bad passes    good does not     in U")
    for way in ways:
        tally = way.process.tally
        soak = "as is" if way.soak_min is None else _tried_text(way)
        bad, good = _share(tally.bad_passed, way), _share(tally.good_not_passed, way)
        covered = percent(tally.covered, tally.runs)
        time = clock_text(way.bench_s)
        console.print(f"{way.rounds:>6} {soak:>8} {time:>9} {bad:>15} {good:>16} {covered:>8}  {_mark(way)}")
    console.print("In brackets: the upper ends of the 95 % limits, which decide.")
    if any(way.risk_met and not way.u_holds for way in ways):
        console.print("! no U: the risk is met, but the truth lies within U in fewer parts than U stands for.")
    if any(way.settled for way in ways):
        console.print("After a soak that stands beside an x or ! a longer one changes nothing any more.")
    console.print()
    for sentence in _sentences(what, wish, ways):
        console.print(sentence)


def _tried_text(way: Way) -> str:
    return f"{way.soak_min} min" if way.meets or way.settled else f">{MOST_SOAK_MIN} min"


def _mark(way: Way) -> str:
    if way.meets:
        return "+ meets it"
    return "! no U" if way.risk_met else "x does not"


def _share(count: int, way: Way) -> str:
    return f"{100.0 * count / way.process.tally.runs:.2f} ({100.0 * _limit(count, way):.2f}) %"


def _percent_of(share: float) -> str:
    """A share that was asked for [1]."""
    return f"{100.0 * share:.3g} %"


def _sentences(what: Rehearsal, wish: Wish, ways: Sequence[Way]) -> list[str]:
    best, now = _best(ways), soak_min_of(what.document)
    rounds = rounds_of(what.document)
    found = [f"The routine as it stands: {_in_words(rounds, now)}."]
    if best is None:
        tried = counted(len(ways), "round") if rounds is not None else f"{MOST_SOAK_MIN} min of soak"
        found.append(f"Nothing up to {tried} meets it.")
        found.extend(_why_not(what, wish, ways))
    else:
        found.append(f"Quickest that meets it: {_way_in_words(what, best)}.")
        if best.hasty is not None:
            found.append(_without_u(what, wish, best.hasty))
        if rounds is not None and ways[0].meets:
            found.append(_ONE_ROUND)
    if now is not None and all(way.soak_min is None for way in ways):
        found.append("The soak was left as it is: no scenario tells of heat that it would let fade (--scenario).")
    return found


def _in_words(rounds: int | None, soak_min: float | None) -> str:
    words = [counted(rounds, "round")] if rounds is not None else []
    words += [f"a soak of {soak_min:g} min"] if soak_min is not None else []
    return ", ".join(words) or "no rounds and no soak that could be changed"


def _way_in_words(what: Rehearsal, way: Way) -> str:
    rounds = None if rounds_of(what.document) is None else way.rounds
    return _in_words(rounds, None if way.soak_min is None else float(way.soak_min))


def _without_u(what: Rehearsal, wish: Wish, way: Way) -> str:
    """Why a way that meets the risk is not proposed."""
    tally, units = way.process.tally, schema.Routine.model_validate(dict(what.document)).routine.units
    return (
        f"With {_way_in_words(what, way)} the risk is met too, but U does not hold there: the truth lies within it in "
        f"{percent(tally.covered, tally.runs)} of the parts, and U stands for {100.0 * wish.coverage:.4g} %; on "
        f"average the value lies {micro_text(way.off_um, units)} off the truth. So it is not proposed."
    )


def _why_not(what: Rehearsal, wish: Wish, ways: Sequence[Way]) -> list[str]:
    """What keeps good parts from passing where neither rounds nor soak help, in the way that comes nearest."""
    nearest = min(ways, key=lambda way: way.process.tally.good_not_passed + way.process.tally.bad_passed, default=None)
    if nearest is None:
        return []
    undefended = next((way for way in ways if way.risk_met), None)
    if undefended is not None:
        missing = "Something goes on that the routine does not know of, or its rounds are too few for what it states."
        return [_without_u(what, wish, undefended).replace("is met too", "is met"), missing]
    tally = nearest.process.tally
    found = [f"Nearest: {_way_in_words(what, nearest)}."]
    if nearest.settled:
        found.append("No soak helps: after this one a longer one changes nothing any more.")
    stops = Counter({name.partition(" ")[2]: n for name, n in tally.findings.items() if name.startswith("stop ")})
    if stops:
        told = "; ".join(f"{name} in {percent(count, tally.runs)}" for name, count in stops.most_common(3))
        found.append(f"Of its runs these are stopped: {told}.")
    found.append(
        "What else is missing lies near the limits: a better reference or comparator, less heat, or wider limits."
    )
    return found
