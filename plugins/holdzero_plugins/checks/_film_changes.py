"""How thick a film reads at each contact force, and how much that changes from one force to another.

Only places that were read at both forces are compared: a film is not equally thick everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.hooks import (
    Characteristic,
    Number,
    Reading,
    RunView,
    SlotKind,
    exceeds,
    mean,
    stack,
    student_quantile,
)

Truth: TypeAlias = bool | NDArray[np.bool_]
Places: TypeAlias = Mapping[str, Sequence[Reading]]

COVERAGE = 0.9545  # k = 2 for a normal difference (JCGM 100:2008, G.1.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a film reads at a heavier force, compared with a lighter one.

    Attributes:
        light_N: the lighter force [N].
        heavy_N: the heavier one [N].
        thinner_um: thickness at the lighter force less that at the heavier one [um].
        variance: of that, in units of the variance of a single reading [1].
        entries: covered readings at the heavier force, by their numbers.
        light_entry: first covered reading at the lighter force, by its number.
    """

    light_N: float  # noqa: N815  the unit's own capital
    heavy_N: float  # noqa: N815  the unit's own capital
    thinner_um: Number
    variance: float
    entries: tuple[int, ...]
    light_entry: int


def _at_forces(run: RunView, places: Iterable[str]) -> dict[float, Places]:
    """The readings that stand, by force and place; forces in rising order."""
    wanted, found = set(places), dict[float, dict[str, list[Reading]]]()
    for r in run.of_kind(SlotKind.READ):
        stands = run.zeros(r.zero) and r.seq not in run.gone
        if r.slot.force_N is not None and r.slot.place in wanted and stands:
            found.setdefault(r.slot.force_N, {}).setdefault(str(r.slot.place), []).append(r)
    return dict(sorted(found.items()))


def _mean_um(run: RunView, readings: Sequence[Reading]) -> Number:
    return mean([run.difference_um(r) for r in readings])


def thickness_um(run: RunView, spec: Characteristic) -> dict[float, Number]:
    """Mean thickness [um] at each contact force [N] that covered and bare places were read at, lightest first."""
    covered, bare = _at_forces(run, spec.at), _at_forces(run, spec.base or ())
    return {
        force: mean([_mean_um(run, own) for own in covered[force].values()])
        - mean([_mean_um(run, own) for own in bare[force].values()])
        for force in covered
        if force in bare
    }


def changes(run: RunView, spec: Characteristic) -> list[Change]:
    """Each force compared with each heavier one, as far as places were read at both."""
    covered, bare = _at_forces(run, spec.at), _at_forces(run, spec.base or ())
    found: list[Change] = []
    for light, heavy in combinations([force for force in covered if force in bare], 2):
        upper, lower = (
            [(own[light][p], own[heavy][p]) for p in own[light] if p in own[heavy]] for own in (covered, bare)
        )
        if upper and lower:
            found.append(
                Change(
                    light_N=light,
                    heavy_N=heavy,
                    thinner_um=_fallen_um(run, upper) - _fallen_um(run, lower),
                    variance=_variance(upper) + _variance(lower),
                    entries=tuple(r.seq for _, at_heavy in upper for r in at_heavy),
                    light_entry=min(r.seq for at_light, _ in upper for r in at_light),
                )
            )
    return found


Pairs: TypeAlias = Sequence[tuple[Sequence[Reading], Sequence[Reading]]]


def _fallen_um(run: RunView, places: Pairs) -> Number:
    """By how much places read lower at the heavier force, in the mean [um]."""
    return mean([_mean_um(run, at_light) - _mean_um(run, at_heavy) for at_light, at_heavy in places])


def _variance(places: Pairs) -> float:
    # JCGM 100:2008, 5.1.2 eq. (10): variance of a mean of differences of means
    return sum(1.0 / len(one) + 1.0 / len(other) for one, other in places) / len(places) ** 2


def expanded_um(run: RunView, change: Change, chance: float) -> Number:
    """What scatter and rounding make of a change, either way, but for a small share of runs [um].

    Args:
        run: so far.
        change: whose readings these are.
        chance: the share of runs [1].

    Source: JCGM 100:2008, 4.2.3 and 5.1.2; F.2.2.1 for the resolution.
    """
    s, dof = run.scatter_um
    scatter, floor = s * math.sqrt(change.variance), run.resolution_um / math.sqrt(12.0) * 2.0
    scattered = np.logical_and(dof > 0.0, scatter >= floor)
    factors = [student_quantile(1.0 - chance / 2.0, known) for known in (dof or math.inf, math.inf)]
    expanded = np.where(scattered, scatter, floor) * np.where(scattered, *factors)
    return expanded if expanded.ndim else float(expanded)


@dataclass(frozen=True, slots=True, kw_only=True)
class Largest:
    """A change in one direction, and what is allowed of it.

    Attributes:
        change: between which forces.
        by_um: how large it is [um]; above zero in its direction.
        allowed_um: what is allowed of it [um].
        holds: whether it lies beyond.
    """

    change: Change
    by_um: Number
    allowed_um: Number
    holds: Truth


def largest(run: RunView, found: Sequence[Change], allowed_um: Sequence[Number], *, thicker: bool = False) -> Largest:
    """The change that lies farthest beyond what is allowed of it; it holds where any of them lies beyond.

    Args:
        run: whose readings these are.
        found: one or more.
        allowed_um: of each [um].
        thicker: whether those count that are thicker under more force, or those that are thinner.
    """
    each = _directed(run, found, allowed_um, thicker=thicker)
    farthest = max(each, key=lambda one: float(np.max(one.by_um - one.allowed_um)))
    holds: Truth = False
    for one in each:
        holds = np.logical_or(holds, one.holds)
    return replace(farthest, holds=holds)


def largest_in_each(
    run: RunView, found: Sequence[Change], allowed_um: Sequence[Number], *, thicker: bool = False
) -> list[Largest]:
    """Each change, where it is the one of its run that lies farthest beyond what is allowed; arguments as above."""
    each = _directed(run, found, allowed_um, thicker=thicker)
    index = np.argmax(stack([one.by_um - one.allowed_um for one in each]), axis=-1)
    return [replace(one, holds=np.logical_and(one.holds, index == number)) for number, one in enumerate(each)]


def _directed(run: RunView, found: Sequence[Change], allowed_um: Sequence[Number], *, thicker: bool) -> list[Largest]:
    made: list[Largest] = []
    for change, allowed in zip(found, allowed_um, strict=True):
        by = -change.thinner_um if thicker else change.thinner_um
        made.append(Largest(change=change, by_um=by, allowed_um=allowed, holds=exceeds(by, allowed, run.resolution_um)))
    return made


# --- in words ---------------------------------------------------------------------------------


def table(run: RunView, spec: Characteristic) -> str:
    """The thickness at each force."""
    return ", ".join(f"{run.length(h, 3)} at {force:g} N" for force, h in thickness_um(run, spec).items())


def gives_way(run: RunView, far: Largest) -> str:
    """What was seen of a film that is thinner under more force."""
    return f"The film gives way under the tip: it reads {_compared(run, far, 'thinner')}"


def reads_thicker(run: RunView, far: Largest) -> str:
    """What was seen of a film that is thicker under more force."""
    return f"The film reads {_compared(run, far, 'thicker')}"


def _compared(run: RunView, far: Largest, which: str) -> str:
    by, _ = run.against(far.by_um, far.allowed_um, 2)
    return f"{by} {which} at {far.change.heavy_N:g} N than at {far.change.light_N:g} N"
