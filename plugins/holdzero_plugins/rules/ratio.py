"""Ratio rule: simple acceptance, but only where the tolerance is wide enough against U."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from pydantic import Field

from holdzero.hooks import GuardRule, Number, Settings, Standing, exceeds, hookimpl

_WIDE_ENOUGH = 4.0  # the usual 4 to 1 (common practice, no source)


class RatioSettings(Settings):
    """`[decision.settings]` with `rule = "ratio"`."""

    least: float = Field(
        _WIDE_ENOUGH, strict=True, ge=1.0, le=100.0, description="Least ratio of the tolerance's full width to 2 U."
    )


def guard(settings: RatioSettings, standing: Standing) -> Number:
    """No guard band where the ratio is reached, and one without end where it is not [um].

    Source: measurement capability index T/(2U), JCGM 106:2012, eq. (12); simple acceptance, 8.2.
    """
    if standing.lower_um is None or standing.upper_um is None:
        return math.inf
    width = standing.upper_um - standing.lower_um
    narrow = exceeds(2.0 * settings.least * standing.expanded_uncertainty_um, width)
    return np.where(narrow, math.inf, 0.0) if np.ndim(narrow) else math.inf if narrow else 0.0


def words(settings: RatioSettings) -> str:
    """The rule in a sentence."""
    return (
        f"Simple acceptance (JCGM 106:2012, 8.2) where the tolerance is at least {settings.least:g} times 2 U wide: "
        "pass when the measured value lies within the limits, fail beyond them; undecided where the tolerance is "
        "narrower or has one limit only. At a limit the chance of a wrong decision is up to 50 %."
    )


@hookimpl
def holdzero_rules() -> Sequence[GuardRule]:
    """The ratio rule."""
    return [
        GuardRule(
            name="ratio",
            title="simple acceptance where the tolerance is wide against U",
            settings=RatioSettings,
            guard=guard,
            words=words,
        )
    ]
