"""Film check: a coating or marking measured as a step, at several contact forces.

It says whether the film gives way under the tip, weighs the readings where its thickness at no force is asked for, and
asks at the bench while the part is there.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Estimate,
    Finding,
    Input,
    Level,
    Measure,
    Number,
    RunView,
    Settings,
    Size,
    Term,
    Weighting,
    hookimpl,
)
from holdzero_plugins.checks import _tables
from holdzero_plugins.checks._film_asked import asked
from holdzero_plugins.checks._film_at_no_force import Untouched, untouched
from holdzero_plugins.checks._film_changes import (
    COVERAGE,
    Change,
    Largest,
    Truth,
    changes,
    expanded_um,
    gives_way,
    largest,
    reads_thicker,
    table,
    thickness_um,
)

# Three sigma, as for the check standard of a design (NIST Monograph 180, 4.4.2, from memory).
_CONTRADICTED = 0.0027


class FilmSettings(Settings):
    """`[checks.film]`."""

    limit: Size | None = Field(
        None,
        description="How much the thickness may differ between any two forces; beyond it the result is undecided. "
        "Where left out, a difference beyond its own uncertainty is a doubt.",
    )


# --- between forces ---------------------------------------------------------------------------


def _judged(settings: FilmSettings, run: RunView, c: CharacteristicView) -> Iterator[Finding]:
    thickness, found = thickness_um(run, c.spec), changes(run, c.spec)
    if not thickness:
        return
    data = {f"thickness_at_{force:g}_N_um": float(np.mean(h)) for force, h in thickness.items()}
    shown_at = c.spec.force if c.spec.force is not None else next(iter(thickness))
    if not found:
        read = "one force" if len(thickness) == 1 else "no two forces at the same places"
        text = (
            f"{c.name} was read at {read}: whether the film gives way under the tip is not known. "
            f"Its thickness holds at {shown_at:g} N."
        )
        yield Finding(level=Level.DOUBT, code="film/one_force", text=text, characteristic=c.name, data=data)
        return
    of_changes = _of_no_force if c.spec.at_no_force else _of_one_force
    for finding in (*_beyond_limit(settings, run, c, found), *of_changes(settings, run, c, found)):
        yield replace(finding, characteristic=c.name, data={**data, **finding.data})


def _allowed(run: RunView, found: Sequence[Change], chance: float) -> list[Number]:
    """What scatter makes of each change, but for a share of runs in which it makes more of any of them [um]."""
    return [expanded_um(run, change, chance / len(found)) for change in found]


def _numbers(far: Largest) -> dict[str, float]:
    return {"give_um": float(np.mean(far.change.thinner_um)), "limit_um": float(np.mean(far.allowed_um))}


def _over_limit(settings: FilmSettings, run: RunView, found: Sequence[Change], *, thicker: bool) -> Largest | None:
    if settings.limit is None:
        return None
    return largest(run, found, [settings.limit] * len(found), thicker=thicker)


def _beyond_limit(
    settings: FilmSettings, run: RunView, c: CharacteristicView, found: Sequence[Change]
) -> Iterator[Finding]:
    """More of a change than the routine allows, in either direction."""
    for thicker in (False, True):
        far = _over_limit(settings, run, found, thicker=thicker)
        if far is None:
            return
        words = reads_thicker(run, far) if thicker else gives_way(run, far)
        allowed = run.against(far.by_um, far.allowed_um, 2)[1]
        mend = (
            _MEASURED_AGAIN
            if thicker
            else "Wipe ink or grease off and measure again. If the film itself is soft, it needs less force, or a "
            "routine that asks for its thickness at 0 N."
        )
        yield Finding(
            level=Level.STOP,
            code="film/limit",
            text=f"{words}; {allowed} is allowed ({table(run, c.spec)}). So {c.name} is undecided. {mend}",
            data=_numbers(far),
            holds=far.holds,
        )


_MEASURED_AGAIN = (
    "No film gets thicker under more force: dirt under the tip, a dial that was moved, or a thicker spot. Clean, and "
    "measure again."
)


def _wrong_way(far: Largest, run: RunView, c: CharacteristicView, level: Level, holds: Truth) -> Finding:
    """Thicker under more force, by more than scatter makes."""
    text = f"{reads_thicker(run, far)} ({table(run, c.spec)}). {_MEASURED_AGAIN}"
    return Finding(level=level, code="film/thicker", text=text, data=_numbers(far), holds=holds)


def _of_one_force(
    settings: FilmSettings, run: RunView, c: CharacteristicView, found: Sequence[Change]
) -> Iterator[Finding]:
    """What is said of a thickness at one force; the limit is told by itself."""
    own = _allowed(run, found, 1.0 - COVERAGE)
    over = _over_limit(settings, run, found, thicker=True)
    thinner = _over_limit(settings, run, found, thicker=False) or largest(run, found, own)
    thicker = largest(run, found, own, thicker=True)
    at = f"{c.spec.force if c.spec.force is not None else found[0].light_N:g} N"
    if settings.limit is None:
        yield Finding(
            level=Level.DOUBT,
            code="film/gives_way",
            text=f"{gives_way(run, thinner)} ({table(run, c.spec)}). The result for {c.name} is valid for {at} only.",
            data=_numbers(thinner),
            holds=thinner.holds,
        )
    told = False if over is None else over.holds
    yield _wrong_way(thicker, run, c, Level.DOUBT, np.logical_and(thicker.holds, np.logical_not(told)))
    firm = np.logical_not(np.logical_or(np.logical_or(thinner.holds, thicker.holds), told))
    yield Finding(
        level=Level.NOTE,
        code="film/firm",
        text=f"The film does not give way beyond {run.length(thinner.allowed_um)} ({table(run, c.spec)}). The result "
        f"for {c.name} is valid for {at}.",
        data=_numbers(thinner),
        holds=firm,
    )


# --- at no force ------------------------------------------------------------------------------


def weigh(settings: FilmSettings, run: RunView, characteristic: CharacteristicView) -> Weighting | None:
    """Weights with which the readings at all forces make the thickness at no force [1]; None for any other.

    Source: NIST/SEMATECH e-Handbook, 4.4.3.1, ordinary least squares (from memory), see `untouched`.
    """
    del settings
    film = untouched(run, characteristic)
    return None if film is None else Weighting(weights=tuple(map(float, film.weights)), scatter=film.scatter)


def doubt(settings: FilmSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """What is not known of how the give grows with force, as a term of zero [um].

    Source: Puttock & Thwaite, CSIRO National Standards Laboratory Technical Paper 25, 1969, Case 2 (force^(2/3));
    JCGM 100:2008, 4.3.7 (rectangular).
    """
    del settings
    film = untouched(run, characteristic)
    if film is None:
        return
    wide = film.doubt_um
    estimate = Estimate.of(0.0, wide / math.sqrt(3.0)) if np.ndim(wide) else Estimate.within(0.0, float(wide))
    why = f"taken as force^(2/3), and it may be force^(1/2) to force^1: ±{run.length(wide)} at no force"
    name = f"film, how it gives way, {characteristic.name}"
    yield Term(
        name="film at no force",
        inputs=(Input(name=name, estimate=estimate, unit="um", evaluation="B", why=why),),
        function=lambda d: d,
        words=f"no correction: the readings count for no force by least squares ({_shares(characteristic, film)}); "
        "carries what else the law of the give may be",
        source="Puttock & Thwaite, CSIRO NSL Technical Paper 25, 1969, Case 2; JCGM 100:2008, 4.3.7",
    )


def _shares(c: CharacteristicView, film: Untouched) -> str:
    """How much the thickness at each force counts."""
    shares: dict[float, float] = {}
    for r, weight in zip(c.readings, film.weights, strict=True):
        if r.slot.place in c.spec.at and r.slot.force_N is not None:
            shares[r.slot.force_N] = shares.get(r.slot.force_N, 0.0) + float(weight)
    words = ", ".join(f"{share:+.3f} × that at {force:g} N" for force, share in sorted(shares.items()))
    return words.replace("-", "−")


def _of_no_force(
    settings: FilmSettings, run: RunView, c: CharacteristicView, found: Sequence[Change]
) -> Iterator[Finding]:
    """What is said of a thickness at no force: how it was told, and what speaks against the law of the give."""
    film = untouched(run, c)
    if film is None:
        return  # the engine says that it has no number
    over = _over_limit(settings, run, found, thicker=True)
    told: Truth = False if over is None else over.holds
    far, less = (
        largest(run, found, _allowed(run, found, chance), thicker=True) for chance in (_CONTRADICTED, 1.0 - COVERAGE)
    )
    yield _wrong_way(far, run, c, Level.STOP, np.logical_and(far.holds, np.logical_not(told)))
    stopped = np.logical_or(told, far.holds)
    yield _wrong_way(less, run, c, Level.DOUBT, np.logical_and(less.holds, np.logical_not(stopped)))
    yield from _fit_told(run, c, film, stopped)


def _fit_told(run: RunView, c: CharacteristicView, film: Untouched, told: Truth) -> Iterator[Finding]:
    """How the thickness was told, and whether the readings fit the law; `told` where more is said against them."""
    half, whole = (run.length(other, 3) for other in film.others_um)
    yield Finding(
        level=Level.NOTE,
        code="film/no_force",
        text=f"{c.name} at no force: {run.length(film.thickness_um, 3)}, told from {table(run, c.spec)}. The give is "
        f"taken to grow as force^(2/3). As force^(1/2) the thickness would be {half}, as force^1 {whole}; U covers "
        "both.",
        data={
            "no_force_um": float(np.mean(film.thickness_um)),
            "no_force_by_half_um": float(np.mean(film.others_um[0])),
            "no_force_by_one_um": float(np.mean(film.others_um[1])),
        },
    )
    if film.misfit is not None:
        ratio, limit = film.misfit
        yield Finding(
            level=Level.STOP,
            code="film/misfit",
            text=f"No film gives way so: {table(run, c.spec)}. So {c.name} at no force is undecided. Dirt at one of "
            "the forces, a thicker spot, or ink that stays pressed? Clean, and read each force on fresh spots.",
            data={"f": float(np.mean(ratio)), "limit": limit},
            holds=np.logical_and(ratio > limit, np.logical_not(told)),
        )


# --- handled ----------------------------------------------------------------------------------


def _handled(run: RunView, c: CharacteristicView) -> Iterable[Finding]:
    """The part was taken out between the two sets, and nothing waited for it to cool."""
    base = c.spec.base or ()
    # At no force the readings of each force are a pair of sets of their own.
    for force in sorted({r.slot.force_N for r in c.readings}, key=lambda force: force or 0.0):
        readings = [r for r in c.readings if r.slot.force_N == force]
        covered = [r.seq for r in readings if r.slot.place in c.spec.at]
        bare = [r.seq for r in readings if r.slot.place in base]
        if not covered or not bare:
            continue
        first, second = sorted((covered, bare), key=min)
        between = [p.seq for p in run.prepared if min(first) < p.seq < max(second)]
        if between and not any(between[-1] < soak.seq < max(second) for soak in run.soaks):
            text = (
                f"{c.name}: the part was handled between the bare and the covered readings, and had no soak after it."
            )
            yield Finding(level=Level.DOUBT, code="film/handled", text=text, characteristic=c.name)
            return


def judge(settings: FilmSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Whether the film gives way, at which force its thickness holds, and whether the part was warm."""
    for c in characteristics:
        if c.spec.measure is Measure.STEP:
            yield from _judged(settings, run, c)
            yield from _handled(run, c)


def watch(settings: FilmSettings, run: RunView) -> Iterable[Finding]:
    """Ask while the part is there."""
    yield from asked(run, settings.limit)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The film check."""
    return [
        Check(
            name="film",
            title="coating as a step, at two forces or more",
            settings=FilmSettings,
            watch=watch,
            weigh=weigh,
            terms=doubt,
            judge=judge,
            validate=_tables.film,
            arrays=True,
        )
    ]
