"""Possible values of a characteristic by simulation: JCGM 101:2008, 7.2 to 7.5."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from second.length import Measurand


def simulated(model: Measurand, rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Values of the model [um] at draws of its inputs."""
    drawn: dict[str, Any] = {
        name: sum(part.draws(rng, count) if part.standard > 0.0 else part.value for part in parts)
        for name, parts in model.inputs.items()
    }
    return np.broadcast_to(np.asarray(model.function(drawn), dtype=np.float64), (count,))


def share_within(values: NDArray[np.float64], lower: float, upper: float) -> float:
    """Share of the possible values within the limits (JCGM 106:2012, 7.1)."""
    return float(np.mean((values >= lower) & (values <= upper)))
