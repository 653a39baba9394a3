"""What a routine says of a quantity: its summands, their standard uncertainties and distributions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from second.quantities import quantity

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """One summand of a quantity.

    Attributes:
        value: its estimate.
        standard: its standard uncertainty.
        dof: degrees of freedom of that.
        shape: `normal` (Student's t where `dof` is finite), or what a bounded one looks like.
        halfwidth: of a bounded one.
        inner: half the width of the top of a trapezoid.
        inexact: by how much the ends of a rectangle may be off.
    """

    value: float
    standard: float = 0.0
    dof: float = math.inf
    shape: str = "normal"
    halfwidth: float = 0.0
    inner: float = 0.0
    inexact: float = 0.0

    def draws(self, rng: np.random.Generator, count: int) -> Floats:
        """Possible values (JCGM 101:2008, 6.4; read in a transcription)."""
        if self.shape == "normal":
            # 6.4.7 normal; 6.4.9 Student's t, scaled and shifted
            unit = rng.standard_normal(count) if math.isinf(self.dof) else rng.standard_t(self.dof, count)
            return self.value + self.standard * unit
        return self.value + self._bounded(rng, count)

    def _bounded(self, rng: np.random.Generator, count: int) -> Floats:
        a, one, other = self.halfwidth, rng.random(count), rng.random(count)
        if self.shape == "arcsine":  # 6.4.6.4
            return a * np.sin(2.0 * math.pi * one)
        if self.shape == "triangular":  # 6.4.5.4
            return a * (one + other - 1.0)
        if self.shape == "trapezoid":  # 6.4.4.1: the sum of two rectangles, half-widths (a ± inner)/2
            return (a + self.inner) / 2.0 * (2.0 * one - 1.0) + (a - self.inner) / 2.0 * (2.0 * other - 1.0)
        # 6.4.3.4 curvilinear trapezoid. An uncertainty that is reliable to a fraction q has ends that are inexact by q
        # times the half-width: 9.5.2.9, in which 10 % and 50 % of H.1 become d = 0.1 a and 0.5 a.
        reliability = 0.0 if math.isinf(self.dof) else math.sqrt(1.0 / (2.0 * self.dof))
        low = -a + (self.inexact or reliability * a) * (2.0 * one - 1.0)
        return low * (1.0 - 2.0 * other)


def parts_of(raw: Any) -> tuple[Part, ...]:
    """The summands of an estimate; a list is the sum of its estimates (`routines/README.md`)."""
    if isinstance(raw, list):
        return tuple(_part(item) for item in raw)
    return (_part(raw),)


def _part(raw: str | Mapping[str, Any]) -> Part:
    if isinstance(raw, str):
        return Part(quantity(raw))
    value = quantity(raw.get("value", "0 um"))
    dof = float(raw.get("dof", math.inf))
    if "reliability" in raw:
        dof = 0.5 / raw["reliability"] ** 2  # JCGM 100:2008, G.4.2 eq. (G.3)
    if "standard" in raw:
        return Part(value, quantity(raw["standard"]), dof)
    if "expanded" in raw:  # JCGM 100:2008, 4.3.3
        return Part(value, quantity(raw["expanded"]) / raw["coverage"], dof)
    a, shape = quantity(raw["halfwidth"]), raw.get("shape", "rectangular")
    inner, inexact = quantity(raw.get("inner", "0 um")), quantity(raw.get("inexact", "0 um"))
    variance = {
        "rectangular": a**2 / 3.0 + inexact**2 / 9.0,  # JCGM 100:2008, 4.3.7; JCGM 101:2008, 6.4.3.3
        "triangular": a**2 / 6.0,  # JCGM 100:2008, 4.3.9
        "trapezoid": (a**2 + inner**2) / 6.0,  # JCGM 100:2008, 4.3.9; JCGM 101:2008, 6.4.4.3: β = inner/a
        "arcsine": a**2 / 2.0,  # JCGM 101:2008, 6.4.6.3; JCGM 100:2008, H.1.3.4
    }[shape]
    return Part(value, math.sqrt(variance), dof, shape, a, inner, inexact)
