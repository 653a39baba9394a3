"""Places check: one place that stands out from the others alike in every round, as ink, a burr or dirt does.

Repeats agree on it, so no test of scatter within a place sees it. It asks while the part is there and drops nothing:
the part may be so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import reduce
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import (
    Act,
    Characteristic,
    CharacteristicView,
    Check,
    Finding,
    Level,
    Measure,
    Number,
    Offer,
    Reading,
    RunView,
    Settings,
    SlotKind,
    exceeds,
    hookimpl,
    mean,
    student_quantile,
)

Truth: TypeAlias = bool | NDArray[np.bool_]
Places: TypeAlias = Mapping[str, Sequence[Reading]]

SIGNIFICANCE = 0.01  # common practice, no source
# The others agree where they lie no farther apart than this share of the way to it (common practice, no source).
_AGREE = 0.5
_FEWEST = 3  # of two places nobody can say which of them is odd


class PlacesSettings(Settings):
    """`[checks.places]`: it has no keys; what is allowed are the limits of the characteristics."""


def _allowed_um(spec: Characteristic) -> float | None:
    """How far one place may lie from the others before it decides by itself [um]; None where nothing says it.

    A measure of a plugin (a crown, a taper) is about places that differ, and allows any.
    """
    if spec.upper is None:
        return None
    if spec.measure is Measure.VARIATION:
        return spec.upper
    if spec.measure in (Measure.SIZE, Measure.STEP) and spec.lower is not None:
        return (spec.upper - spec.lower) / 2.0
    return None


def _read_at(run: RunView, spec: Characteristic) -> Places:
    """The readings of each place that count [one sequence a place]."""
    forces = None if spec.at_no_force else spec.force
    places: dict[str, list[Reading]] = {place: [] for place in spec.at}
    for r in run.of_kind(SlotKind.READ):
        if r.slot.place in places and run.zeros(r.zero) and forces in (None, r.slot.force_N):
            places[str(r.slot.place)].append(r)
    return places


def _standards_um(run: RunView, places: Places) -> dict[str, Number]:
    """Standard uncertainty of the mean of each place [um]: the larger of scatter and rounding.

    Source: JCGM 100:2008, 4.2.3 (scatter of a mean), F.2.2.1 (rounding, the same in all repeats).
    """
    s, _ = run.scatter_um
    zeros = {r.zero for group in places.values() for r in group}
    # A zero that all share moves no place against another; zeros of their own scatter as readings do.
    each = 1.0 if len(zeros) == 1 else 2.0
    floor = run.resolution_um / np.sqrt(12.0)
    return {place: np.maximum(s * np.sqrt(each / len(group)), floor) for place, group in places.items()}


def _apart(settings: PlacesSettings, run: RunView, *, live: bool) -> Iterable[Finding]:
    """A place that stands out: a finding for each, where it does in any run."""
    del settings
    told: dict[int, Truth] = {}
    for name, spec in run.routine.characteristics.items():
        allowed, places = _allowed_um(spec), _read_at(run, spec)
        _, dof = run.scatter_um
        if allowed is None or dof == 0.0 or len(places) < _FEWEST or not all(places.values()):
            continue
        for place, group in places.items():
            gap, holds = _gap_um(run, places, place, allowed)
            entry = group[0].seq
            holds = np.logical_and(holds, np.logical_not(told.get(entry, False)))
            told[entry] = np.logical_or(holds, told.get(entry, False))
            if np.any(holds):
                yield _finding(run, name, group, gap=gap, allowed=allowed, holds=holds, live=live)


def _gap_um(run: RunView, places: Places, place: str, allowed: float) -> tuple[Number, Truth]:
    """How far a place lies from the mean of the others [um], and whether it alone stands out.

    It does where each of its readings lies beyond each of theirs, they agree among themselves, and it lies farther
    off than is allowed by more than scatter, rounding and the comparator make of it in 1 % of runs.

    Source: JCGM 100:2008, 5.1.2 (uncertainty of the difference), G.3 (Student's t; that of the scatter, which has the
    fewest degrees of freedom). What agrees is common practice, no source.
    """
    differences = {name: [run.difference_um(r) for r in group] for name, group in places.items()}
    own, others = differences.pop(place), [mean(values) for values in differences.values()]
    all_others = [value for values in differences.values() for value in values]
    gap = mean(own) - mean(others)
    above = reduce(np.minimum, own) > reduce(np.maximum, all_others)
    below = reduce(np.maximum, own) < reduce(np.minimum, all_others)
    highest, lowest = reduce(np.maximum, others), reduce(np.minimum, others)
    apart = highest - lowest
    nearest = np.where(above, mean(own) - highest, lowest - mean(own))
    agree = np.logical_not(exceeds(apart, np.minimum(_AGREE * nearest, allowed), run.resolution_um))
    standards = _standards_um(run, places)
    squares = [np.square(standards[name]) for name in differences]
    of_comparator = run.comparator.error.standard_uncertainty if run.comparator else 0.0
    # JCGM 100:2008, 5.1.2: u²(gap) = u²(own mean) + Σ u²(mean of another) / (how many others)² + u²(comparator)
    standard = np.sqrt(np.square(standards[place]) + sum(squares) / len(squares) ** 2 + of_comparator**2)
    factor = student_quantile(1.0 - SIGNIFICANCE, run.scatter_um[1])
    far = exceeds(np.abs(gap), allowed + factor * standard, run.resolution_um)
    return gap, np.logical_and(np.logical_or(above, below), np.logical_and(agree, far))


def _finding(
    run: RunView, name: str, group: Sequence[Reading], *, gap: Number, allowed: float, holds: Truth, live: bool
) -> Finding:
    held = gap[holds] if isinstance(gap, np.ndarray) and gap.ndim else gap
    above = bool(np.all(held > 0.0))
    side = "above" if above else "below" if np.all(held < 0.0) else "off"
    count = f"all its {len(group)} readings" if len(group) > 1 else "its one reading"
    likely = "Ink, a burr, dirt?" if above else "A scratch, a hollow, the tip beside the place?"
    do = "Wipe it, look at it against the light, and read it again." if live else "It was kept: nothing is dropped."
    return Finding(
        level=Level.DOUBT,
        code=f"places/apart/{group[0].seq}",
        text=f"Place {group[0].slot.place} lies {run.length(np.abs(held), 3)} {side} the other places, in {count}; "
        f"{name} allows {run.length(allowed, 3)}. The others agree. {likely} {do}",
        characteristic=name,
        data={"gap_um": float(np.mean(held)), "allowed_um": allowed, "entry": float(group[0].seq)},
        holds=holds,
        offer=Offer(act=Act.STRIKE, entries=tuple(r.seq for r in group)) if live else None,
    )


def watch(settings: PlacesSettings, run: RunView) -> Iterable[Finding]:
    """Ask while the part is there."""
    yield from _apart(settings, run, live=True)


def judge(settings: PlacesSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """The same at the end."""
    del characteristics
    yield from _apart(settings, run, live=False)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The check of places."""
    return [
        Check(
            name="places",
            title="one place that stands out from the others",
            settings=PlacesSettings,
            watch=watch,
            judge=judge,
            arrays=True,
        )
    ]
