"""Crown: how much higher the middle of a part is than its ends."""

from __future__ import annotations

from collections.abc import Sequence

from holdzero.hooks import Contrast, hookimpl


def weights(places: int) -> Sequence[float]:
    """The middle of three places counts for, the mean of the two ends against [1]."""
    del places
    return [-0.5, 1.0, -0.5]


@hookimpl
def holdzero_measures() -> Sequence[Contrast]:
    """The crown."""
    title = "the middle of three places less the mean of the ends"
    return [Contrast(name="crown", title=title, weights=weights, fewest=3, most=3)]
