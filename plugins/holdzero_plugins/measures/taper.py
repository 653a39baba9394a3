"""Taper: how much larger a part is at one end than at the other."""

from __future__ import annotations

from collections.abc import Sequence

from holdzero.hooks import Contrast, hookimpl


def weights(places: int) -> Sequence[float]:
    """The first place counts for, the last against; what lies between does not [1]."""
    return [1.0, *[0.0] * (places - 2), -1.0]


@hookimpl
def holdzero_measures() -> Sequence[Contrast]:
    """The taper."""
    return [Contrast(name="taper", title="the first place less the last", weights=weights)]
