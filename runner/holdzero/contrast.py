"""The weights of a measure that a plugin declares, looked at before anything is weighed with them."""

from __future__ import annotations

import math

from holdzero.hooks import Contrast

__all__ = ["contrast_weights"]


def contrast_weights(contrast: Contrast, places: int) -> tuple[float, ...]:
    """The weights of a contrast for so many places.

    Raises:
        ValueError: they are not what they should be.
    """
    most = contrast.most if contrast.most is not None else places
    if not contrast.fewest <= places <= most:
        needed = f"{contrast.fewest}" if most == contrast.fewest else f"{contrast.fewest} or more"
        raise ValueError(f"it needs {needed} places, and has {places}")
    weights = tuple(float(weight) for weight in contrast.weights(places))
    scale = max((abs(weight) for weight in weights), default=0.0)
    if len(weights) != places or not math.isfinite(scale) or scale == 0.0:
        raise ValueError(f"its weights for {places} places are {weights}")
    if abs(sum(weights)) > _ROUNDING * places * scale:
        raise ValueError(f"its weights {weights} do not sum to zero")
    return weights


_ROUNDING = 1e-12  # of sums of a few floats
