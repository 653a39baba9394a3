"""Whether what was watched holds a fade that is slower than it can be: numbers alone.

Two fades are fitted, in a room that may drift a little; the slower of the two is made faster and faster for as long as
that explains the points, but for what scatter, rounding and swings can make. What is left is the least that it can be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

__all__ = ["slow_fade_s"]

_FEWEST = 20
_NUMBERS = 5.0  # that are fitted
_FASTEST_S, _SLOWEST = 15.0, 12.0  # what is looked for: from seconds to so many times the longest that is sound
_RATIO = 1.15  # from one time constant to the next that is tried
_DRIFTS = 5  # that are tried, from one side to the other
# Both a choice of ours: in standard deviations, so that chance alone finds hardly any; and how far it must have moved.
_SURE, _SEEN = 4.0, 5.0
_DITHERED = 0.5  # a scatter of so much of a step averages rounding out (worked out: a twentieth of a step is left)


def slow_fade_s(
    times_s: Sequence[float] | Floats,
    values: Sequence[float] | Floats,
    *,
    longest_s: float,
    drift_per_s: float,
    step: float,
) -> float | None:
    """The least time constant that a fade can have which is clearly slower than a limit [s]; None where none is told.

    Args:
        times_s: of the points, in order [s].
        values: of the points [any unit].
        longest_s: time constant that is still sound [s].
        drift_per_s: steady drift that is sound, either way [same unit/s]; beside one fade alone, any is.
        step: in which values are shown [same unit].

    Source: least squares with the linear numbers projected out (Golub and Pereyra 1973, variable projection); profile
    likelihood, Bates and Watts, Nonlinear Regression Analysis (1988), 6.1 (from memory), widened by the residuals' own
    correlation.
    """
    times, shown = np.asarray(times_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if times.size < _FEWEST or times[-1] <= times[0]:
        return None
    times = times - times.mean()
    shown = shown - shown.mean() - np.linspace(-drift_per_s, drift_per_s, _DRIFTS)[:, None] * times
    constants = _constants(longest_s)
    profile, pairs = _profile(times, constants, shown)
    best = int(profile.argmin())
    left, amplitude = _left(times, shown, pairs[best], constants)
    spread = max(math.sqrt(float(profile[best]) / (times.size - _NUMBERS)), step / math.sqrt(12.0))
    systematic = 0.0 if _scatter(shown) > _DITHERED * step else step / 2.0
    bound = _SURE * spread * _correlated(left) + systematic * math.sqrt(times.size)
    allowed = np.sqrt(np.maximum(profile - profile[best], 0.0)) <= bound
    least_s = float(constants[allowed.argmax()])
    steady = float(_rss(_faded(times, constants[constants <= longest_s]), times, shown).min())
    told = least_s > longest_s and math.sqrt(max(steady - float(profile[best]), 0.0)) > bound
    moved = abs(amplitude) * -math.expm1(-float(np.ptp(times)) / constants[best])
    return least_s if told and moved > _SEEN * max(spread, step) else None


def _constants(longest_s: float) -> Floats:
    """The time constants that are tried [s]; the limit itself is one, so that nothing sound falls between two."""
    number = math.ceil(math.log(_SLOWEST * longest_s / _FASTEST_S) / math.log(_RATIO)) + 1
    return np.sort(np.append(np.geomspace(_FASTEST_S, _SLOWEST * longest_s, number), longest_s))


def _profile(times: Floats, constants_s: Floats, shown: Floats) -> tuple[Floats, list[tuple[int, int, int]]]:
    """For each slower time constant the least sum of squares; and which faster one, slower one and drift have it."""
    shapes = _faded(times, constants_s)
    profile, pairs = np.full(constants_s.size, np.inf), [(0, 0, 0)] * constants_s.size
    for slower in range(1, constants_s.size):
        found = _rss(shapes[:slower], shapes[slower], shown)
        faster, drift = (int(index) for index in np.unravel_index(found.argmin(), found.shape))
        profile[slower], pairs[slower] = found[faster, drift], (faster, slower, drift)
    return profile, pairs


def _faded(times: Floats, constants_s: Floats) -> Floats:
    faded = np.exp(-(times - times[0]) / constants_s[:, None])
    return np.asarray(faded - faded.mean(axis=-1, keepdims=True))


def _rss(quick: Floats, late: Floats, shown: Floats) -> Floats:
    """Sums of squares that a late shape and each of several quick ones leave of what is shown: a row a quick one."""
    columns = np.stack([np.broadcast_to(late, quick.shape), quick], axis=-1)
    basis = np.linalg.qr(columns)[0]
    taken = np.einsum("pnc,kn->pkc", basis, shown)
    return np.asarray(np.maximum(np.square(shown).sum(axis=-1) - np.square(taken).sum(axis=-1), 0.0))


def _left(times: Floats, shown: Floats, pair: tuple[int, int, int], constants_s: Floats) -> tuple[Floats, float]:
    """Residuals, and the amplitude of the slower fade at the first point."""
    faster, slower, drift = pair
    columns = _faded(times, constants_s[[faster, slower]]).T
    factors = np.linalg.lstsq(columns, shown[drift], rcond=None)[0]
    return shown[drift] - columns @ factors, float(factors[1])


def _correlated(left: Floats) -> float:
    """By how much the residuals' own correlation widens a mean: √((1 + ρ)/(1 − ρ)), ρ from one to the next."""
    square = float(left @ left)
    rho = float(left[1:] @ left[:-1]) / square if square > 0.0 else 0.0
    rho = min(max(rho, 0.0), 0.95)
    return math.sqrt((1.0 + rho) / (1.0 - rho))


def _scatter(shown: Floats) -> float:
    """From one point to the next, where a drift does not show (von Neumann's mean square successive difference)."""
    return math.sqrt(float(np.square(np.diff(shown[_DRIFTS // 2])).mean()) / 2.0)
