"""Readings of a gauge study put in order: every inspector reads every part equally often, or a refusal."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holdzero.errors import HoldzeroError

__all__ = ["Layout", "StudyError", "check_tolerance", "crossed_layout", "crossed_readings"]

_LEAST = 2  # of parts, inspectors and trials: with one of them a scatter is missing


class StudyError(HoldzeroError):
    """The readings are not what the study needs; the message says what is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Readings of a crossed study, in order.

    Attributes:
        parts: names, in the order in which they came.
        inspectors: names, in the order in which they came.
        readings_um: [um], axes: part, inspector, trial.
    """

    parts: tuple[str, ...]
    inspectors: tuple[str, ...]
    readings_um: NDArray[np.float64]


def crossed_layout(rows: Iterable[tuple[str, str, float]]) -> Layout:
    """Put rows of part, inspector and reading in order.

    Args:
        rows: name of the part, name of the inspector, reading [um]; the trials of a cell in their order.

    Returns:
        The readings with a place for each part, inspector and trial.

    Raises:
        StudyError: a part was not read by an inspector, or not as often as the others; or there are
            too few parts, inspectors or trials.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for part, inspector, reading in rows:
        cells.setdefault((part, inspector), []).append(float(reading))
    parts = tuple(dict.fromkeys(part for part, _ in cells))
    inspectors = tuple(dict.fromkeys(inspector for _, inspector in cells))
    if not cells:
        raise StudyError("there are no readings")
    trials = max(len(readings) for readings in cells.values())
    for part in parts:
        for inspector in inspectors:
            found = len(cells.get((part, inspector), ()))
            if found != trials:
                raise StudyError(
                    f"part {part} has {found} readings by {inspector}, others have {trials}; a gauge study needs "
                    "equally many in each cell: take those that are missing, or leave the part or the inspector out"
                )
    readings = [[cells[part, inspector] for inspector in inspectors] for part in parts]
    return Layout(parts=parts, inspectors=inspectors, readings_um=crossed_readings(readings))


def crossed_readings(readings_um: ArrayLike) -> NDArray[np.float64]:
    """Readings of a crossed study as an array that a study can work with.

    Args:
        readings_um: [um], axes: part, inspector, trial.

    Returns:
        The same as an array [um].

    Raises:
        StudyError: cells differ in length or lack a reading, there are too few parts, inspectors or
            trials, or all readings are equal.
    """
    try:
        readings = np.array(readings_um, dtype=np.float64)
    except (TypeError, ValueError):
        raise StudyError("a gauge study needs equally many readings in each cell of part and inspector") from None
    if readings.ndim != 3:  # noqa: PLR2004  part, inspector, trial
        raise StudyError(
            "a gauge study needs readings by part, inspector and trial, equally many in each cell; "
            f"these have {readings.ndim} axes"
        )
    for name, count in zip(("parts", "inspectors", "trials"), readings.shape, strict=True):
        if count < _LEAST:
            raise StudyError(f"a gauge study needs {_LEAST} {name} or more; there are {count}")
    bad = np.argwhere(~np.isfinite(readings))
    if bad.size:
        part, inspector, trial = (int(place) + 1 for place in bad[0])
        raise StudyError(f"trial {trial} of part {part} by inspector {inspector} is no number; take the reading")
    if np.all(readings == readings.flat[0]):
        raise StudyError("all readings are equal: the resolution is too coarse to see parts, inspectors or scatter")
    return readings


def check_tolerance(tolerance_um: float | None) -> None:
    """Refuse a tolerance [um] that is no width; None says that there is none.

    Raises:
        StudyError: it is not above zero, or not finite.
    """
    if tolerance_um is not None and not 0.0 < tolerance_um < math.inf:
        raise StudyError(f"the tolerance is {tolerance_um} um; give its width, above zero")
