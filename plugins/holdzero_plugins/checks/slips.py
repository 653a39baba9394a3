"""Slips: what a reading alone can tell of a mistake, while the part is still under the tip.

It asks and never corrects: each question says what the value would be. It reads the typed text, so
it takes one run at a time, in a rehearsal too; only `alike` would be for arrays.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    Characteristic,
    CharacteristicView,
    Check,
    Finding,
    Level,
    Measure,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    exceeds,
    hookimpl,
    mistyped,
    stack,
    student_quantile,
)
from holdzero_plugins.checks._growth import bench_of
from holdzero_plugins.checks._slip_signatures import (
    Expected,
    Guess,
    at_least,
    changed_numbers,
    same_step_probability,
    turns,
)

DOUBLE_SEND_S = 0.5  # nobody lifts and reads again so fast (common practice, no source)
ALIKE_SIGNIFICANCE = 0.01  # common practice, no source
WRONG_PART_WIDTHS = 3.0  # beyond so many tolerance widths it may be another part (common practice, no source)
# A reading is far from the others beyond this quantile of Student's t; few degrees of freedom would
# make it so wide that no slip is seen, hence the largest factor (both common practice, no source).
_FAR = 0.999
_LARGEST_FACTOR = 6.0


class SlipsSettings(Settings):
    """`[checks.slips]`."""

    scatter: Size | None = Field(
        None,
        description="Standard deviation expected of a reading; the run's own, and at least the resolution, "
        "where left out.",
    )


# --- what was expected ------------------------------------------------------------------------


def _reach_um(settings: SlipsSettings, run: RunView, repeats: int) -> float:
    """How far a good reading may lie from the median of its repeats [um]; `run` is without the reading.

    Source: a prediction interval, e.g. NIST/SEMATECH e-Handbook, 7.2.1 (from memory); the levels
    are common practice, no source.
    """
    s, dof = (settings.scatter, math.inf) if settings.scatter is not None else run.scatter_um
    factor = min(student_quantile(_FAR, dof), _LARGEST_FACTOR) if dof else _LARGEST_FACTOR
    return float(factor) * max(float(s), run.resolution_um) * math.sqrt(1.0 + (1.0 / repeats if repeats else 0.0))


def _same(one: Reading, other: Reading) -> bool:
    """Whether two readings are of the same thing."""
    return (one.kind, one.slot.serial, one.slot.place, one.slot.force_N) == (
        other.kind,
        other.slot.serial,
        other.slot.place,
        other.slot.force_N,
    )


def _expected(settings: SlipsSettings, run: RunView, reading: Reading) -> Expected | None:
    """What the dial should have shown, from the best that is known; `run` is without the reading."""
    own = [r for r in run.readings if _same(r, reading)]
    if reading.kind is SlotKind.ZERO:
        values = [float(r.value_um) for r in own if r.zero == reading.zero]
        return _of_repeats(settings, run, values, 0.0, "the other lifts")
    if not run.zeros(reading.zero):
        return None
    zero = float(run.zero_um(reading.zero))
    if reading.kind is SlotKind.RETURN:
        values = [float(r.value_um) for r in run.zeros(reading.zero)]
        expected = _of_repeats(settings, run, values, 0.0, "its zero")
        return expected and replace(expected, reach_um=max(expected.reach_um, run.bracket_limit_um))
    differences = [float(run.difference_um(r)) for r in own if run.zeros(r.zero)]
    expected = _of_repeats(settings, run, differences, zero, "the other readings there")
    if expected is not None or reading.kind is not SlotKind.READ:
        return expected
    return _of_nominal(run, reading, zero) or _of_other_places(settings, run, reading, zero)


def _of_repeats(
    settings: SlipsSettings, run: RunView, values: Sequence[float], zero_um: float, why: str
) -> Expected | None:
    if not values:
        return None
    reach = _reach_um(settings, run, len(values))
    return Expected(value_um=statistics.median(values) + zero_um, reach_um=reach, why=why, repeats=len(values))


def _specs(run: RunView, reading: Reading, measure: Measure) -> Iterator[tuple[str, Characteristic]]:
    for name, spec in run.routine.characteristics.items():
        if spec.measure is measure and reading.slot.place in spec.at and spec.force in (None, reading.slot.force_N):
            yield name, spec


def _of_nominal(run: RunView, reading: Reading, zero_um: float) -> Expected | None:
    """The nominal size: a part that is any good lies within one width of its tolerance of it."""
    for _, spec in _specs(run, reading, Measure.SIZE):
        bench = bench_of(run)
        if bench is not None and None not in (spec.nominal, spec.lower, spec.upper):
            lower, upper = float(spec.lower or 0.0), float(spec.upper or 0.0)
            middle = float(bench.shows_um(float(spec.nominal or 0.0) + (lower + upper) / 2.0))
            return Expected(value_um=middle + zero_um, reach_um=upper - lower, why="what the nominal size would give")
    return None


def _of_other_places(settings: SlipsSettings, run: RunView, reading: Reading, zero_um: float) -> Expected | None:
    """Places that should be alike: of a variation that has a limit."""
    for _, spec in _specs(run, reading, Measure.VARIATION):
        others = [
            float(run.difference_um(r))
            for r in run.of_kind(SlotKind.READ)
            if r.slot.place in spec.at and r.slot.force_N == reading.slot.force_N and run.zeros(r.zero)
        ]
        if others and spec.upper is not None:
            reach = max(spec.upper, _reach_um(settings, run, 0))
            return Expected(value_um=statistics.median(others) + zero_um, reach_um=reach, why="the other places")
    return None


# --- what it looks like -----------------------------------------------------------------------


def guesses(settings: SlipsSettings, run: RunView, reading: Reading) -> list[Guess]:
    """What a reading looks like, the most specific first; empty where nothing is odd.

    Args:
        settings: of the check.
        run: holds the reading and those that it is compared with.
        reading: one of a run at a bench, its value a float [um].

    Source: common practice, no source.
    """
    if mistyped(run, reading):
        return []  # asked already, whatever the routine names
    others = replace(run, readings=tuple(r for r in run.readings if r.seq != reading.seq))
    previous = next((r for r in reversed(others.readings) if r.seq < reading.seq), None)
    found = list(_sent_twice(reading, previous))
    expected = _expected(settings, others, reading)
    value = float(reading.value_um)
    if expected is not None and not expected.fits(value):
        found.extend(_exactly_zero(run, reading, expected))
        found.extend(turns(value, expected, run.comparator.turn if run.comparator else None))
        found.extend(_sent_again(reading, previous))
        found.extend(changed_numbers(value, reading.raw, expected, run.resolution_um))
        found.extend(_dirt(reading, value, expected))
    found.extend(_wrong_part(others, reading))
    return found


def _text(reading: Reading) -> str:
    return reading.raw.strip()


def _sent_twice(reading: Reading, previous: Reading | None) -> Iterable[Guess]:
    """The same text right behind the one before; equal times mean that nobody kept the time."""
    if previous is None or _text(previous) != _text(reading):
        return
    span = reading.time_s - previous.time_s
    if 0.0 < span < DOUBLE_SEND_S:
        yield Guess(what="twice", asks=f"the value before, sent once more ({span:.2g} s after it)")


def _sent_again(reading: Reading, previous: Reading | None) -> Iterable[Guess]:
    if previous is not None and not _same(previous, reading) and _text(previous) == _text(reading):
        yield Guess(what="before", asks=f"the last value {previous.where}, sent once more")


def _exactly_zero(run: RunView, reading: Reading, expected: Expected) -> Iterable[Guess]:
    if reading.kind is SlotKind.READ and abs(float(reading.value_um)) <= run.resolution_um / 4.0:
        asks = "a zero that was set on the part, or a tip that does not touch it"
        yield Guess(what="zero", asks=asks, mended_um=expected.value_um)


def _dirt(reading: Reading, value_um: float, expected: Expected) -> Iterable[Guess]:
    """Dirt lifts: under the part a reading is high, under the reference its zero is.

    A reading lower than the ones before it tells of dirt that was there before and is gone.
    """
    if not expected.repeats:
        return
    high = value_um > expected.value_um
    if reading.kind is SlotKind.ZERO or (reading.kind is SlotKind.RETURN and not high):
        side = "this lift" if high else "the other lifts"
        yield Guess(what="zero_dirt", asks=f"dirt under the reference at {side}; wipe, and take the zero anew")
    elif high:
        yield Guess(what="dust", asks="dust or a burr under it; wipe and read again", mended_um=expected.value_um)
    else:
        asks = "dust that lay under it before and is gone; then it is the earlier readings that are wrong"
        yield Guess(what="dust_before", asks=asks)


def _wrong_part(others: RunView, reading: Reading) -> Iterable[Guess]:
    """The first reading of a size lies several tolerances away."""
    bench = bench_of(others)
    if reading.kind is not SlotKind.READ or bench is None or not others.zeros(reading.zero):
        return
    for name, spec in _specs(others, reading, Measure.SIZE):
        earlier = any(r.slot.place in spec.places and r.seq < reading.seq for r in others.of_kind(SlotKind.READ))
        if earlier or spec.base is not None or spec.nominal is None or spec.lower is None or spec.upper is None:
            continue
        deviation = float(bench.length_um(others.difference_um(reading))) - spec.nominal
        width = spec.upper - spec.lower
        off = abs(deviation - (spec.lower + spec.upper) / 2.0)
        if width > 0.0 and exceeds(off, WRONG_PART_WIDTHS * width, others.resolution_um):
            yield Guess(what="part", asks=f"another part, routine or reference ({name} off by several tolerances)")


def _question(run: RunView, reading: Reading, found: Sequence[Guess], expected: Expected | None) -> Finding:
    def told(guess: Guess) -> str:
        if guess.mended_um is None:
            return guess.asks
        return f"{guess.asks} (it would be {run.length(guess.mended_um, 4, sign=True)})"

    best, data = found[0], {"entry": float(reading.seq), "read_um": float(reading.value_um)}
    if best.mended_um is not None:
        data["mended_um"] = best.mended_um
    far = ""
    if expected is not None and not expected.fits(float(reading.value_um)):
        far = f", far from {expected.why} ({run.length(expected.value_um, 4, sign=True)})"
        data |= {"expected_um": expected.value_um, "reach_um": expected.reach_um}
    more = "".join(f" Or {told(guess)}?" for guess in found[1:])
    return Finding(
        level=Level.DOUBT,
        code=f"slips/{best.what}/{reading.seq}",
        text=f"{_text(reading)} {reading.where}{far}. Is this {told(best)}?{more} Look again; strike it out if so.",
        data=data,
    )


def watch(settings: SlipsSettings, run: RunView) -> Iterable[Finding]:
    """One question about the latest reading, if it looks like a slip."""
    reading = run.newest
    if reading is None:
        return
    found = guesses(settings, run, reading)
    if found:
        others = replace(run, readings=run.readings[:-1])
        yield _question(run, reading, found, _expected(settings, others, reading))


# --- at the end -------------------------------------------------------------------------------


def alike(settings: SlipsSettings, run: RunView) -> Iterable[Finding]:
    """Repeats that are more alike than the scatter [um] known from before lets them be.

    Source: see `same_step_probability`; a scatter that the same readings gave would prove nothing.
    """
    if settings.scatter is None or run.resolution_um == 0.0:
        return
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for r in run.of_kind(SlotKind.READ):
        groups.setdefault((r.zero, r.slot.serial, r.slot.place, r.slot.force_N), []).append(r)
    repeated = [group for group in groups.values() if len(group) > 1]
    if not repeated:
        return
    steps = [np.rint(stack([r.value_um for r in group]) / run.resolution_um) for group in repeated]
    identical = sum(((np.ptp(values, axis=-1) == 0.0).astype(int) for values in steps), start=np.int64(0))
    scatter = settings.scatter / run.resolution_um
    chance = np.array(at_least([same_step_probability(len(group), scatter) for group in repeated]))[identical]
    data = {"identical": float(np.mean(identical)), "of": float(len(repeated)), "probability": float(np.mean(chance))}
    yield Finding(
        level=Level.DOUBT,
        code="slips/alike",
        text=f"{int(np.max(identical))} of {len(repeated)} places show the same in all their repeats; readings that "
        f"scatter by {run.length(settings.scatter)} do so in {float(np.min(chance)):.2g} of runs. Was the part lifted "
        "and seated anew for each of them?",
        data=data,
        holds=chance < ALIKE_SIGNIFICANCE,
    )


def _unanswered(settings: SlipsSettings, run: RunView) -> Iterable[Finding]:
    so_far = [replace(run, readings=run.readings[: index + 1]) for index in range(len(run.readings))]
    asked = [
        (r, found[0]) for r, then in zip(run.readings, so_far, strict=True) if (found := guesses(settings, then, r))
    ]
    if asked:
        listed = "; ".join(f"entry {r.seq} ({_text(r)} {r.where}): {guess.asks}" for r, guess in asked)
        count = f"{len(asked)} reading{'s' if len(asked) > 1 else ''} that may be a slip"
        text = f"{count} stand{'s' if len(asked) == 1 else ''} as read: {listed}."
        yield Finding(level=Level.NOTE, code="slips/unanswered", text=text, data={"entries": float(len(asked))})


def judge(settings: SlipsSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """How many questions stand unanswered, as they were asked at each entry; and repeats too alike."""
    del characteristics
    yield from _unanswered(settings, run)
    yield from alike(settings, run)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check for slips."""
    return [
        Check(
            name="slips",
            title="questions about readings that look like a slip",
            settings=SlipsSettings,
            watch=watch,
            judge=judge,
        )
    ]
