"""Film check: a coating or marking measured as a step, and whether it gives way under the tip."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Finding,
    Level,
    Measure,
    Number,
    Reading,
    RunView,
    Settings,
    Size,
    SlotKind,
    exceeds,
    hookimpl,
    mean,
    student_quantile,
)
from holdzero_plugins.checks import _tables

_COVERAGE = 0.9545  # k = 2 for a normal difference (JCGM 100:2008, G.1.3)


class FilmSettings(Settings):
    """`[checks.film]`."""

    limit: Size | None = Field(
        None, description="How much thinner it may read at the larger force; its own uncertainty where left out."
    )


def _at_force(run: RunView, readings: Iterable[Reading], places: Sequence[str], force: float) -> list[Number]:
    return [run.difference_um(r) for r in readings if r.slot.place in places and r.slot.force_N == force]


def _thickness(run: RunView, c: CharacteristicView) -> dict[float, tuple[Number, int, int]]:
    """Thickness [um] at each contact force [N] that both sets were read at, and how many readings each has."""
    readings, base = run.of_kind(SlotKind.READ), c.spec.base or ()
    forces = sorted({r.slot.force_N for r in readings if r.slot.force_N is not None and r.slot.place in c.spec.places})
    found: dict[float, tuple[Number, int, int]] = {}
    for force in forces:
        covered = _at_force(run, readings, c.spec.at, force)
        bare = _at_force(run, readings, base, force)
        if covered and bare:
            found[force] = (mean(covered) - mean(bare), len(covered), len(bare))
    return found


def _uncertainty(run: RunView, counts: Iterable[int]) -> Number:
    """Expanded uncertainty of a difference of means [um], from the scatter of this run.

    Source: JCGM 100:2008, 4.2.3 and 5.1.2; F.2.2.1 for the resolution.
    """
    s, dof = run.scatter_um
    scatter = s * math.sqrt(sum(1.0 / count for count in counts))
    floor = run.resolution_um / math.sqrt(12.0) * 2.0
    scattered = np.logical_and(dof > 0.0, scatter >= floor)
    factor = np.where(
        scattered,
        student_quantile(0.5 + _COVERAGE / 2.0, dof or math.inf),
        student_quantile(0.5 + _COVERAGE / 2.0, math.inf),
    )
    expanded = np.where(scattered, scatter, floor) * factor
    return expanded if expanded.ndim else float(expanded)


def _giving_way(settings: FilmSettings, run: RunView, c: CharacteristicView) -> Iterable[Finding]:
    thickness = _thickness(run, c)
    if not thickness:
        return
    forces = list(thickness)
    shown_at = c.spec.force if c.spec.force is not None else forces[0]
    table = ", ".join(f"{run.length(h, 3)} at {force:g} N" for force, (h, _, _) in thickness.items())
    data = {f"thickness_at_{force:g}_N_um": float(np.mean(h)) for force, (h, _, _) in thickness.items()}
    if len(forces) == 1:
        text = (
            f"{c.name} was read at one force: whether the film gives way under the tip is not known. "
            f"Its thickness holds at {shown_at:g} N."
        )
        yield Finding(level=Level.DOUBT, code="film/one_force", text=text, characteristic=c.name, data=data)
        return
    (light, *counts_light), (heavy, *counts_heavy) = thickness[forces[0]], thickness[forces[-1]]
    give = light - heavy
    own = _uncertainty(run, (*counts_light, *counts_heavy))
    limit = settings.limit if settings.limit is not None else own
    gives = exceeds(np.abs(give), limit, run.resolution_um)
    data |= {"give_um": float(np.mean(give)), "limit_um": float(np.mean(limit))}
    yield Finding(
        level=Level.DOUBT,
        code="film/gives_way",
        text=f"The film gives way under the tip by {run.length(give)} ({table}). The thickness of {c.name} holds at "
        f"{shown_at:g} N, and at no other force.",
        characteristic=c.name,
        data=data,
        holds=gives,
    )
    yield Finding(
        level=Level.NOTE,
        code="film/firm",
        text=f"The film does not give way beyond {run.length(limit)} ({table}). The thickness of {c.name} holds at "
        f"{shown_at:g} N.",
        characteristic=c.name,
        data=data,
        holds=np.logical_not(gives),
    )


def _handled(run: RunView, c: CharacteristicView) -> Iterable[Finding]:
    """The part was taken out between the two sets, and nothing waited for it to cool."""
    base = c.spec.base or ()
    covered = [r.seq for r in c.readings if r.slot.place in c.spec.at]
    bare = [r.seq for r in c.readings if r.slot.place in base]
    if not covered or not bare:
        return
    first, second = sorted((covered, bare), key=min)
    between = [p.seq for p in run.prepared if min(first) < p.seq < max(second)]
    if between and not any(between[-1] < soak.seq < max(second) for soak in run.soaks):
        text = f"{c.name}: the part was handled between the bare and the covered readings, and had no soak after it."
        yield Finding(level=Level.DOUBT, code="film/handled", text=text, characteristic=c.name)


def judge(settings: FilmSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Whether the film gives way, at which force its thickness holds, and whether the part was warm."""
    for c in characteristics:
        if c.spec.measure is Measure.STEP:
            yield from _giving_way(settings, run, c)
            yield from _handled(run, c)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The film check."""
    return [
        Check(
            name="film",
            title="coating as a step, at two forces or more",
            settings=FilmSettings,
            judge=judge,
            validate=_tables.film,
            arrays=True,
        )
    ]
