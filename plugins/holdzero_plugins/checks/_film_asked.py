"""The question about a film that gives way, or reads thicker under more force, while the part is still there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import comb

import numpy as np

from holdzero.hooks import Act, Characteristic, Finding, Level, Measure, Offer, RunView, Slot, SlotKind
from holdzero_plugins.checks._film_changes import (
    Change,
    Largest,
    Truth,
    changes,
    expanded_um,
    gives_way,
    largest_in_each,
    reads_thicker,
)

# Of sound runs, over all looks and pairs of forces; all checks together may ask in 1 % (common practice, no source).
_BY_CHANCE = 0.005


def asked(run: RunView, limit_um: float | None) -> Iterator[Finding]:
    """A question for each film that changes between two forces by more than scatter makes.

    Args:
        run: so far.
        limit_um: how much the thickness may differ between two forces [um]; None where nothing says it.
    """
    steps = {n: spec for n, spec in run.routine.characteristics.items() if spec.measure is Measure.STEP}
    if run.scatter_um[1] == 0.0:
        return
    told: dict[str, Truth] = {}
    for name, spec in steps.items():
        found = changes(run, spec)
        for finding in _of_film(run, name, spec, found, limit_um, _BY_CHANCE / len(steps)) if found else ():
            # Two characteristics may be of one film.
            before = told.get(finding.code, False)
            holds = np.logical_and(finding.holds, np.logical_not(before))
            told[finding.code] = np.logical_or(before, holds)
            if np.any(holds):
                yield replace(finding, holds=holds)


def _planned(run: RunView, spec: Characteristic) -> list[tuple[int, Slot]]:
    """The readings of a film that are planned, with their places among all slots."""
    return [(i, s) for i, s in enumerate(run.slots) if s.kind is SlotKind.READ and s.place in spec.places]


def _looks(run: RunView, spec: Characteristic) -> int:
    """How often two forces are compared in a whole run [1]: each pair, at each reading from the second force on."""
    planned = _planned(run, spec)
    forces = {slot.force_N for _, slot in planned}
    second = next((i for i, slot in planned if slot.force_N != planned[0][1].force_N), len(run.slots))
    readings = sum(slot.kind.is_reading for slot in run.slots[second:])
    return max(readings, 1) * max(comb(len(forces), 2), 1)


def _of_film(
    run: RunView, name: str, spec: Characteristic, found: Sequence[Change], limit_um: float | None, chance: float
) -> Iterator[Finding]:
    # The error is shared out among all looks, so that many of them do not ask more often.
    own = [expanded_um(run, change, chance / _looks(run, spec)) for change in found]
    for far in largest_in_each(run, found, own, thicker=True):
        if np.any(far.holds):
            yield _thicker(run, name, far)
    if limit_um is None and spec.at_no_force:
        return  # it may give way: the readings are weighed for no force
    every = len(run.of_kind(SlotKind.READ)) >= sum(slot.kind is SlotKind.READ for slot in run.slots)
    # Once all is read the limit decides as it stands.
    allowed = [(limit_um or 0.0) + (0.0 if every and limit_um is not None else one) for one in own]
    for far in largest_in_each(run, found, allowed):
        if np.any(far.holds):
            yield _thinner(run, name, spec, far, limit_um)


def _thicker(run: RunView, name: str, far: Largest) -> Finding:
    entries = far.change.entries
    return Finding(
        level=Level.DOUBT,
        code=f"film/thicker/{entries[0]}",
        text=f"{reads_thicker(run, far)}; scatter explains {_allowed(run, far)}. No film gets thicker under more "
        "force: dirt under the tip, or the dial was moved? Clean tip and place, and read the film again.",
        characteristic=name,
        data={"give_um": float(np.mean(far.change.thinner_um)), "entry": float(entries[0])},
        holds=far.holds,
        offer=Offer(act=Act.STRIKE, entries=entries),
    )


def _thinner(run: RunView, name: str, spec: Characteristic, far: Largest, limit_um: float | None) -> Finding:
    entries = far.change.entries
    why = f"scatter explains {_allowed(run, far)}" if limit_um is None else f"{run.length(limit_um)} is allowed"
    force = spec.force or far.change.light_N
    go_on = f"just go on: {name} is then valid for {force:g} N only" if limit_um is None else f"{name} stays undecided"
    wipe = Offer(act=Act.PREPARE) if run.prepared else Offer(act=Act.STRIKE, entries=entries)
    return Finding(
        level=Level.DOUBT,
        # By the lighter force: a film that gives way is asked about once, and not at each heavier force again.
        code=f"film/gives_way/{far.change.light_entry}",
        text=f"{gives_way(run, far)}; {why}. If the film itself is soft, {go_on}. Ink or grease on it, "
        "or dirt at a bare place? Wipe that off, strike out what was read there, and read it again.",
        characteristic=name,
        data={"give_um": float(np.mean(far.change.thinner_um)), "entry": float(far.change.light_entry)},
        holds=far.holds,
        offer=wipe,
    )


def _allowed(run: RunView, far: Largest) -> str:
    return run.against(far.by_um, far.allowed_um, 2)[1]
