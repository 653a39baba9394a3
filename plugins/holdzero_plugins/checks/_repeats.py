"""Repeats: readings that should be alike, and which of them lies farther from the others than sound ones do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import (
    LEAST_DOF,
    LEAST_FOR_NOTE,
    Act,
    CharacteristicView,
    Finding,
    Level,
    Measure,
    Number,
    Offer,
    Reading,
    RunView,
    SlotKind,
    distance_from_repeats,
    exceeds,
    looked_at,
    mean,
    outlier_limits,
    pooled_standard_deviation,
    stack,
)
from holdzero_plugins.checks._scatter import Accepted

Truth: TypeAlias = bool | NDArray[np.bool_]

NO_REPEATS = ("drift", "heat")
"""Checks of routines in which the readings of a place differ from one to the next, and are no repeats."""


def groups_of(readings: Iterable[Reading]) -> list[list[Reading]]:
    """Readings that should be alike: of one kind, place, force, zero and visit."""
    groups: dict[tuple[object, ...], list[Reading]] = {}
    for r in readings:
        key = (r.kind, r.zero, r.slot.serial, r.slot.place, r.slot.force_N, r.visit)
        groups.setdefault(key, []).append(r)
    return list(groups.values())


def planned_counts(run: RunView) -> list[int]:
    """How often each place of the part is read under one zero, by the plan and at least as far as it was."""
    zero, counts = "", Counter[tuple[object, ...]]()
    for slot in run.slots:
        if slot.kind is SlotKind.ZERO:
            zero = slot.group
        elif slot.kind is SlotKind.READ:
            counts[zero, slot.place, slot.force_N] += 1
    planned = sorted(counts.values())
    most = max((len(group) for group in groups_of(run.of_kind(SlotKind.READ))), default=0)
    return planned if planned and planned[-1] >= most else [*planned, most]


def where(r: Reading) -> str:
    """Which reading it is, in words."""
    what = {SlotKind.READ: f"at {r.slot.place}", SlotKind.ZERO: "of the zero", SlotKind.RETURN: "of the return"}
    lift = f"reading {r.slot.lift} of {r.slot.lifts}" if r.slot.lifts > 1 else ""
    return ", ".join(word for word in (what.get(r.kind, "of the check standard"), r.slot.round_text, lift) if word)


# --- outliers ---------------------------------------------------------------------------------


def outliers(
    run: RunView, accepted: Accepted | None, characteristics: Sequence[CharacteristicView], *, live: bool
) -> Iterator[Finding]:
    """Readings of the part that lie farther from their repeats than sound ones do, one by one.

    Args:
        run: of one part.
        accepted: scatter known from before; None where the other places of the run must tell.
        characteristics: to say what they would be without it; empty while the part is under the tip.
        live: whether it still is.

    Source: `holdzero.outlier`.
    """
    if any(name in run.routine.checks for name in NO_REPEATS):
        return
    counts, readings = planned_counts(run), run.of_kind(SlotKind.READ)
    for group in groups_of(readings):
        # Each look is a chance to be wrong: on the way only the place that was just read is looked at.
        if len(group) > 1 and (not live or (group[-1] is readings[-1] and _looks_now(len(group), counts))):
            yield from _of_group(run, accepted, counts, group, characteristics, live=live)


def _looks_now(size: int, counts: Sequence[int]) -> bool:
    return looked_at(size) or size in counts


@dataclass(frozen=True, slots=True, kw_only=True)
class _Far:
    """A reading that may lie too far from its repeats.

    Attributes:
        group: itself and its repeats.
        reading: which.
        distance_um: above them, or below [um].
        least_um: from what distance on it is too far [um].
        rate: in how many sound runs one lies so far off, at most [1].
        s_um: standard deviation that this rests on [um].
        dof: its degrees of freedom [1].
        origin: where it comes from, in words.
        step_um: of the dial [um].
    """

    group: Sequence[Reading]
    reading: Reading
    distance_um: Number
    least_um: Number
    rate: float
    s_um: Number
    dof: float
    origin: str
    step_um: float

    @property
    def holds(self) -> Truth:
        """Whether it is too far: on the limit, it is."""
        return np.logical_not(exceeds(self.least_um, np.abs(self.distance_um), self.step_um))


def _of_group(
    run: RunView,
    accepted: Accepted | None,
    counts: Sequence[int],
    group: Sequence[Reading],
    characteristics: Sequence[CharacteristicView],
    *,
    live: bool,
) -> Iterator[Finding]:
    """Findings on the readings of one place under one zero."""
    values = stack([r.value_um for r in group])
    # One step apart is never too far: rounding alone can make it.
    wide = exceeds(values.max(axis=-1) - values.min(axis=-1), run.resolution_um, run.resolution_um)
    if not np.any(wide):
        return
    own = {r.seq for r in group}
    elsewhere = pooled_standard_deviation(
        [r.value_um for r in other] for other in groups_of(r for r in run.readings if r.seq not in own)
    )
    distances = np.zeros_like(values)
    distances[wide] = distance_from_repeats(values[wide])  # of many runs those in which one can be too far
    for index, r in enumerate(group):
        # Two readings tell that one of them is off, and not which: the later one can be taken again.
        if len(group) == 2 and index == 0:  # noqa: PLR2004
            continue
        s, dof = elsewhere
        if dof < LEAST_DOF:
            s, dof = _with_the_rest(s, dof, [other.value_um for other in group if other is not r])
        limit = _limit(run, accepted, (*counts,), len(group), s, dof)
        if limit is not None:
            far = _Far(group=group, reading=r, distance_um=distances[..., index], step_um=run.resolution_um, **limit)
            if np.any(far.holds):
                yield _finding(run, far, characteristics, live=live)


def _with_the_rest(s: Number, dof: float, rest: Sequence[Number]) -> tuple[Number, float]:
    """Scatter of all else that the run read more than once [um], with the other readings of the place.

    Those are more alike than any readings, as the farthest one was left out: they count one degree of freedom less, and
    no place tells so much of itself that the scatter is known.
    """
    s_rest, dof_rest = pooled_standard_deviation([rest])
    counted = dof_rest - 1.0
    if counted <= 0.0:
        return s, dof
    both = dof + counted
    return np.sqrt((dof * np.square(s) + counted * np.square(s_rest)) / both), min(both, _LESS_THAN_KNOWN)


_LESS_THAN_KNOWN = LEAST_DOF - 1.0


def _limit(
    run: RunView, accepted: Accepted | None, counts: Sequence[int], size: int, s: Number, dof: float
) -> dict[str, Any] | None:
    """From what distance on a reading is too far, by what is known from before, else by the run itself."""
    larger: Truth = True if accepted is None else accepted.exceeded_by(s, dof)
    step = run.resolution_um
    own = None
    if np.any(larger) and dof >= (LEAST_FOR_NOTE if np.all(larger) else LEAST_DOF):
        limits = outlier_limits(counts, s, dof, step, own=True)
        origin = "of all else in this run"
        own = {"least_um": limits.of(size), "rate": limits.rate, "s_um": s, "dof": dof, "origin": origin}
    if accepted is None or np.all(larger):
        return own
    if accepted.dof < LEAST_FOR_NOTE:
        return None
    limits = outlier_limits(counts, accepted.standard_um, accepted.dof, step, own=False)
    least = limits.of(size)
    if np.any(larger):  # in a rehearsal some runs scatter more than is known, and some do not
        least = np.where(larger, np.inf if own is None else own["least_um"], least)
    known = {"s_um": accepted.standard_um, "dof": accepted.dof, "origin": accepted.origin}
    return {"least_um": least, "rate": limits.rate, **known}


def _finding(run: RunView, far: _Far, characteristics: Sequence[CharacteristicView], *, live: bool) -> Finding:
    """A doubt; where the scatter is hardly known, a question while the part is there and a note at the end.

    While the part is there a reading is asked about once, however it was noticed.
    """
    r, holds, known = far.reading, far.holds, far.dof >= LEAST_DOF
    distance, least, value = (_only(holds, number) for number in (far.distance_um, far.least_um, r.value_um))
    others = "its other readings"
    if len(far.group) == 2:  # noqa: PLR2004
        others = f"the other one, entry {far.group[0].seq}: one of the two is off"
    rests = (
        f"Sound readings lie {run.length(least)} or more off in {100.0 * far.rate:.1g} % of runs at most "
        f"(s = {run.length(_only(holds, far.s_um))}, {far.dof:g} degrees of freedom, {far.origin})."
    )
    if not known:
        rests = f"How far sound ones scatter is hardly known here ({far.dof:g} degrees of freedom, {far.origin})."
    ask = "Dust, a bad seat, a slip? Wipe, and read it again." if live else "It was kept."
    return Finding(
        level=Level.DOUBT if known or live else Level.NOTE,
        code=f"repeatability/{'outlier' if known or live else 'farthest'}/{r.seq}",
        text=f"Entry {r.seq}, {where(r)}: {told(run, value, distance)} {others}. {rests} {ask}"
        + without(run, r, characteristics),
        data={
            "entry": float(r.seq),
            "read_um": float(np.mean(value)),
            "apart_um": float(np.mean(distance)),
            "limit_um": float(np.mean(least)),
            "rate": far.rate,
            "s_um": float(np.mean(_only(holds, far.s_um))),
            "degrees_of_freedom": far.dof,
        },
        holds=holds,
        offer=Offer(act=Act.STRIKE, entries=(r.seq,)) if live else None,
    )


def told(run: RunView, value_um: Number, distance_um: Number) -> str:
    """A reading and how far off it lies, in words."""
    side = "above" if np.all(distance_um > 0.0) else "below" if np.all(distance_um < 0.0) else "away from"
    return f"{run.length(value_um, 4, sign=True)}, {run.length(np.abs(distance_um))} {side}"


def _only(holds: Truth, number: Number) -> Number:
    """A number in those runs in which something holds; of a run at the bench as it is."""
    if not np.ndim(holds) or not np.ndim(number):
        return number if np.ndim(number) else float(number)
    return np.asarray(number)[holds]


def farthest(run: RunView) -> list[tuple[Reading, Number, Truth]]:
    """The reading that lies farthest from its repeats, of all kinds: each one, its distance [um], where it is it."""
    found: list[tuple[Reading, Number]] = []
    for group in groups_of(run.readings):
        if len(group) > 1:
            far = distance_from_repeats(stack([r.value_um for r in group]))
            found.extend((r, far[..., index]) for index, r in enumerate(group) if len(group) > 2 or index)  # noqa: PLR2004
    if not found:
        return []
    which = np.argmax(stack([np.abs(distance) for _, distance in found]), axis=-1)
    return [(r, distance, which == index) for index, (r, distance) in enumerate(found)]


# --- without it -------------------------------------------------------------------------------


def without(run: RunView, reading: Reading, characteristics: Sequence[CharacteristicView]) -> str:
    """What the values would be without a reading, in words; empty where it is the only one of its place."""
    changes = [
        f"{c.name} {run.length(np.abs(change), 2)} {'higher' if np.all(change > 0.0) else 'lower'}"
        for c in characteristics
        if (change := _change_um(run, reading, c)) is not None
        and np.all(exceeds(np.abs(change), 0.0, run.resolution_um))
    ]
    return f" Without it: {', '.join(changes)}." if changes else ""


def _change_um(run: RunView, reading: Reading, c: CharacteristicView) -> Number | None:
    """By how much the measured difference is larger without a reading [um]; None where it has no part in it."""
    left = [r for r in c.readings if r.seq != reading.seq]
    same = [r for r in left if r.slot.place == reading.slot.place]
    if len(left) == len(c.readings) or not same:
        return None
    before, after = (_place_means(run, readings) for readings in (c.readings, left))
    if c.spec.measure is Measure.VARIATION:
        return _span(after) - _span(before)
    if c.spec.of.value != "mean" and reading.slot.place in c.spec.at:
        end = np.maximum if c.spec.of.value == "largest" else np.minimum
        return _end(end, after, c.spec.at) - _end(end, before, c.spec.at)
    place = str(reading.slot.place)
    weight = sum((w for r, w in zip(c.readings, c.weights, strict=True) if r.slot.place == place), start=0.0)
    return weight * (after[place] - before[place])


def _place_means(run: RunView, readings: Sequence[Reading]) -> dict[str, Number]:
    places: dict[str, list[Number]] = {}
    for r in readings:
        places.setdefault(str(r.slot.place), []).append(run.difference_um(r))
    return {place: mean(differences) for place, differences in places.items()}


def _end(end: np.ufunc, means: dict[str, Number], places: Sequence[str]) -> Number:
    number: Number = end.reduce(stack([means[place] for place in places]), axis=-1)
    return number


def _span(means: dict[str, Number]) -> Number:
    places = list(means)
    return _end(np.maximum, means, places) - _end(np.minimum, means, places)
