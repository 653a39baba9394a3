"""What the residuals of a fit tell: what rounding leaves, whether they come in runs, whether something began late."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holdzero.decay import Floats
from holdzero.model import student_quantile
from holdzero.statistics import runs_statistic

__all__ = ["Doubts", "doubts_of", "rounding_bias", "swing_of"]

_FEWEST = 12
_SURE = 0.95
_PARTS = 4
_GROWTH = 1.3
_TAKEN = 1e-6
# One in a thousand fits that hold is given up for each of the two tests, so that chance hardly delays; that something
# began late is taken for possible at one in five, which costs a few readings more (choices of ours).
_GIVEN_UP, _DOUBTED = 0.001, 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """Whether a fit holds.

    Attributes:
        refused: it does not.
        doubted: it may not: something seems to have begun late.
        newest: how many of the newest readings are after a change; 0 where none is found.
    """

    refused: bool
    doubted: bool
    newest: int


def rounding_bias(values: Floats, step: float) -> float:
    """What rounding to a step shows wrong at most once noise is averaged [unit of the values].

    Where the noise is as large as half a step, next to nothing is left; where it is small, half a step is. The noise is
    that of the quietest quarter of the readings, from their second differences: what hardly noise alone can do.

    Args:
        values: as shown, in order [any unit].
        step: they are rounded to [same unit].

    Source: the mean error of rounding x with noise of standard deviation s is Σ (−1)^m·q/(πm)·sin(2πmx/q)·
    exp(−2π²m²s²/q²) (Widrow and Kollár, Quantization Noise, 2008, from memory); its size is at most
    −q/π·ln(1 − exp(−2π²s²/q²)), as the exponents grow faster than m. Rounding alone makes no scatter above q²/4.
    """
    if step <= 0.0:
        return 0.0
    bends = np.square(np.diff(values, n=2)) / 6.0
    if bends.size < _FEWEST:
        return step / 2.0
    noise = min(float(part.mean()) * part.size / _chi_square(part.size) for part in np.array_split(bends, _PARTS))
    share = math.exp(-2.0 * math.pi**2 * max(0.0, noise / step**2 - 0.25))
    return min(step / 2.0, -step / math.pi * math.log1p(-share)) if share < 1.0 else step / 2.0


def _chi_square(dof: int) -> float:
    from scipy.special import chdtri

    return float(chdtri(dof, 1.0 - _SURE))


def swing_of(left: Floats) -> float:
    """How far residuals go together to one side: the farthest mean of a twelfth of them [unit of the residuals]."""
    length = max(2, left.size // 12)
    sums = np.concatenate([[0.0], np.cumsum(left)])
    return float(np.abs(sums[length:] - sums[:-length]).max()) / length


def doubts_of(times_s: Floats, left: Floats, taken: Floats, *, spread: float, systematic: float, dof: float) -> Doubts:
    """Test a fit by its residuals.

    Two tests: whether they come in runs of one sign; and whether a step or a bend that came with one of the newest
    readings, a third of them or any other number, would explain them better. What does not average is left out of both.

    Args:
        times_s: of the readings, in order [s].
        left: residuals [any unit].
        taken: orthonormal columns that the fit has taken up, last axis the readings [1].
        spread: standard deviation of a reading [unit of the residuals].
        systematic: what does not average, at most [unit of the residuals].
        dof: degrees of freedom of the spread [1].

    Source: runs, see `runs_statistic`; t of one more column, NIST/SEMATECH e-Handbook, 4.4.4 (from memory), with the
    error divided by the number of columns.
    """
    signs, _ = runs_statistic(left[np.abs(left) > systematic])
    newest, explained = _late(times_s, left, taken, spread, systematic)
    # With the column the residuals are smaller, and have one degree of freedom less.
    t = explained * np.sqrt((dof - 1.0) / np.maximum(dof - np.square(explained), _TAKEN))
    at = int(t.argmax())
    refused, doubted = (
        float(student_quantile(1.0 - error / (2.0 * t.size), dof - 1.0)) < float(t[at])
        for error in (_GIVEN_UP, _DOUBTED)
    )
    in_runs = signs < float(student_quantile(_GIVEN_UP, math.inf))
    after = int(newest[at]) if doubted else 0
    if ((refused or in_runs) and 2 * after >= left.size) or (in_runs and not after):
        # What began long ago shows by how far the fit misses it.
        missed = left.size - 1 - int(np.abs(left).argmax())
        after = missed if 2 * missed >= left.size else 0
    return Doubts(refused=refused or in_runs, doubted=doubted, newest=after)


def _late(times_s: Floats, left: Floats, taken: Floats, spread: float, systematic: float) -> tuple[Floats, Floats]:
    """How many of the newest readings are after a step or a bend, and what each explains, in spreads."""
    count = left.size
    longest = count - 3
    grown = np.geomspace(3.0, longest, max(2, math.ceil(math.log(longest / 3.0) / math.log(_GROWTH)) + 1))
    newest = np.unique(np.concatenate([[1.0, 2.0], grown.astype(int), [count // 3]])).astype(int)
    bends = newest[newest > 2]  # noqa: PLR2004  two readings more make no bend
    places = np.arange(count)
    steps = (places >= count - newest[:, None]).astype(np.float64)
    slopes = np.maximum(times_s - times_s[count - bends - 1][:, None], 0.0)
    columns = np.vstack([steps, slopes])
    own = columns - (columns @ taken.T) @ taken
    size = np.sqrt(np.square(own).sum(axis=-1))
    told = size > _TAKEN * np.sqrt(np.square(columns).sum(axis=-1))
    beyond = np.abs(own @ left) - systematic * np.abs(own).sum(axis=-1)
    return np.concatenate([newest, bends]), np.divide(beyond, size * spread, out=np.zeros_like(size), where=told)
