"""The thickness of a film at no contact force, told from readings at three forces or more.

A film gives way as a power of the force: thickness h = h0 − c·F^p. For a stated p that is linear in h0 and c, and least
squares gives h0 as a sum of weighted readings. Each place has a height of its own, and each force a level of its own:
what flattens covered and bare places alike, and what bends the stand, cancels.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdzero.hooks import Characteristic, CharacteristicView, Number, Reading, RunView, f_quantile, stack
from holdzero_plugins.checks._designs import Array, DesignError, Solution, solved

EXPONENT = 2.0 / 3.0
"""Of the force: a round tip in a layer that is thick beside its contact (Hertz; Puttock & Thwaite, 1969, Case 2)."""

OTHERS = (0.5, 1.0)
"""What it may be all the same: a round tip on a thin layer upon a hard base, whose pressure grows with how far it is
pressed in (elastic foundation; Johnson, Contact Mechanics, 1985, 4.3, from memory); a spring (Hooke)."""

FEWEST_FORCES = 3
MISFIT_PROBABILITY = 0.99  # of the F-test, as for a design that scatters too much (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Untouched:
    """A film at no force, by least squares over all its readings.

    Attributes:
        weights: of the readings, in their order [1]; their sum is the thickness at no force.
        thickness_um: that sum [um].
        others_um: the same for each of the `OTHERS` [um].
        scatter: of a single reading [um] and its degrees of freedom [1], left over by the fit.
        misfit: ratio of variances, and what it is at most in all but a hundredth of sound runs [1]; None where nothing
            is left to test it by.
    """

    weights: Array
    thickness_um: Number
    others_um: tuple[Number, ...]
    scatter: tuple[Number, float]
    misfit: tuple[Number, float] | None

    @property
    def doubt_um(self) -> Number:
        """How far the thickness may be off for the power that is not known, to either side [um]."""
        first, second = (np.abs(other - self.thickness_um) for other in self.others_um)
        return np.maximum(first, second)


def untouched(run: RunView, c: CharacteristicView) -> Untouched | None:
    """The film of a characteristic at no force; None where fewer than three forces, or the places, do not tell it.

    Source: ordinary least squares, NIST/SEMATECH e-Handbook, 4.4.3.1 (from memory).
    """
    forces = _forces(c.spec, c.readings)
    if not c.spec.at_no_force or len(forces) < FEWEST_FORCES:
        return None
    # What was read at a force of either kind of place alone tells nothing of the film.
    counts = [index for index, r in enumerate(c.readings) if r.slot.force_N in forces]
    readings = [c.readings[index] for index in counts]
    read = stack([run.difference_um(r) for r in readings])
    try:
        fits = [_fitted(c.spec, readings, exponent) for exponent in (EXPONENT, *OTHERS)]
    except DesignError:
        return None
    rows = [_row(fit, c.spec) for fit in fits]
    weights = np.zeros(len(c.readings))
    weights[counts] = rows[0]
    return Untouched(
        weights=weights,
        thickness_um=_plain(read @ rows[0]),
        others_um=tuple(_plain(read @ row) for row in rows[1:]),
        scatter=(fits[0].scatter(read), float(fits[0].dof)),
        misfit=_misfit(run, c.spec, readings, fits),
    )


def _forces(spec: Characteristic, readings: Sequence[Reading]) -> set[float]:
    """The forces [N] that both covered and bare places were read at, as far as they are known."""
    covered, bare = (
        {r.slot.force_N for r in readings if r.slot.force_N is not None and r.slot.place in places}
        for places in (spec.at, spec.base or ())
    )
    return covered & bare


def _fitted(spec: Characteristic, readings: Sequence[Reading], exponent: float | None) -> Solution:
    """Readings as heights of places, levels of forces, and a film that gives way; each force by itself if None.

    Raises:
        DesignError: the readings do not tell them apart.
    """
    force = np.array([float(r.slot.force_N or 0.0) for r in readings])
    covered = np.array([1.0 if r.slot.place in spec.at else 0.0 for r in readings])
    rows = np.array([[1.0 if r.slot.place == place else 0.0 for place in spec.places] for r in readings])
    levels = np.array([[1.0 if own == one else 0.0 for one in sorted(set(force))] for own in force])
    # In units of the largest force, so that no column is a thousand times another.
    pressed = levels[:, 1:] if exponent is None else np.power(force / force.max(), exponent)[:, None]
    restraint = np.array([1.0 if place in (spec.base or ()) else 0.0 for place in spec.places])
    return solved(rows, restraint, np.hstack([levels, -covered[:, None] * pressed]))


def _row(fit: Solution, spec: Characteristic) -> Array:
    """Weights of the readings in the thickness at no force [1]: covered places, counted from the mean of the bare."""
    row: Array = np.mean([fit.items[spec.places.index(place)] for place in spec.at], axis=0)
    return row


def _misfit(
    run: RunView, spec: Characteristic, readings: Sequence[Reading], fits: Sequence[Solution]
) -> tuple[Number, float] | None:
    """Whether no power describes how the film gives way, against a thickness of its own at each force.

    Source: lack-of-fit test, NIST/SEMATECH e-Handbook, 4.4.4 (from memory); JCGM 100:2008, F.2.2.1 for readings that
    show one step of the dial all the same.
    """
    try:
        own = _fitted(spec, readings, None)
    except DesignError:
        return None
    if own.dof == 0:
        return None
    read = stack([run.difference_um(r) for r in readings])
    # Repeats of a place at a force may all be rounded alike: then more of them tell no more.
    alike = max(Counter((r.slot.place, r.slot.force_N) for r in readings).values())
    pure = np.maximum(np.square(own.scatter(read)), alike * run.resolution_um**2 / 12.0)
    left = np.min([np.square(fit.scatter(read)) * fit.dof for fit in fits], axis=0)
    more = np.maximum(left - np.square(own.scatter(read)) * own.dof, 0.0)
    spare = float(fits[0].dof - own.dof)
    ratio = np.divide(more / spare, pure, out=np.zeros(np.shape(more)), where=np.greater(pure, 0.0))
    return _plain(ratio), f_quantile(MISFIT_PROBABILITY, spare, float(own.dof))


def _plain(number: Number) -> Number:
    return number if np.ndim(number) else float(number)
