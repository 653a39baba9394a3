"""Scatter in three nested levels: readings of a day, days of a run, runs of a study; one check standard or more.

Everything is in the unit of the readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdzero.charts.limits import precision_baseline
from holdzero.statistics import pooled_standard_deviation
from holdzero.studies.layout import StudyError

__all__ = ["Day", "NestedStudy", "nested_study"]

_LEAST = 2  # of runs, days and readings: with one of them a scatter is missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """The readings of a check standard on one day.

    Attributes:
        mean: [any unit].
        standard_deviation: of a single reading [same unit].
    """

    mean: float
    standard_deviation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedStudy:
    """Scatter by level, in the unit of the readings.

    Attributes:
        repeatability: s1, of a reading within a day [unit of the readings].
        repeatability_dof: [1].
        of_days: s2, of the means of days within a run [unit of the readings].
        of_days_dof: [1].
        of_runs: s3, of the means of runs [unit of the readings].
        of_runs_dof: [1].
        days: what days add beyond the scatter of their readings [unit of the readings].
        runs: what runs add beyond the scatter of their days [unit of the readings].
        days_variance: as estimated, which may be below zero [unit of the readings, squared].
        runs_variance: as estimated, which may be below zero [unit of the readings, squared].
        single_reading: of one future reading on any day of any run [unit of the readings].
        notes: which variances were set to zero, in words.
    """

    repeatability: float
    repeatability_dof: float
    of_days: float
    of_days_dof: float
    of_runs: float
    of_runs_dof: float
    days: float
    runs: float
    days_variance: float
    runs_variance: float
    single_reading: float
    notes: tuple[str, ...]


def nested_study(standards: Sequence[Sequence[Sequence[Day]]], *, readings: int) -> NestedStudy:
    """Split the scatter of check standards into that of readings, days and runs.

    Args:
        standards: for each check standard its runs, for each run its days [any unit]; equally many
            runs and days throughout, two or more.
        readings: number of readings in each day [1], two or more.

    Returns:
        Pooled standard deviations of each level, and what each level adds. A variance that comes out
        below zero is set to 0, and the notes say so.

    Raises:
        StudyError: runs or days are missing, or a number is none.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4 and 2.4.5 (results seen, formulas
    from memory): s_days² = s2² − s1²/J, s_runs² = s3² − s2²/K, and a single reading scatters by
    √(s_runs² + s_days² + s1²).

    >>> first = [Day(mean=1.0, standard_deviation=1.0), Day(mean=5.0, standard_deviation=1.0)]
    >>> second = [Day(mean=1.0, standard_deviation=1.0), Day(mean=5.0, standard_deviation=1.0)]
    >>> nested_study([[first, second]], readings=4).notes
    ('variance of the runs came out below zero and is set to 0',)
    """
    count = _days_of_a_run(standards, readings)
    all_days = [day for runs in standards for days in runs for day in days]
    first = precision_baseline([day.standard_deviation for day in all_days], float(readings - 1))
    s1, dof1 = first.pooled_standard_deviation, first.dof
    s2, dof2 = pooled_standard_deviation([[day.mean for day in days] for runs in standards for days in runs])
    means = [[math.fsum(day.mean for day in days) / count for days in runs] for runs in standards]
    s3, dof3 = pooled_standard_deviation(means)
    of_days, of_runs = float(s2), float(s3)
    days = of_days**2 - s1**2 / readings
    runs = of_runs**2 - of_days**2 / count
    below = [name for name, variance in (("days", days), ("runs", runs)) if variance < 0.0]
    return NestedStudy(
        repeatability=s1,
        repeatability_dof=dof1,
        of_days=of_days,
        of_days_dof=dof2,
        of_runs=of_runs,
        of_runs_dof=dof3,
        days=math.sqrt(max(0.0, days)),
        runs=math.sqrt(max(0.0, runs)),
        days_variance=days,
        runs_variance=runs,
        single_reading=math.sqrt(max(0.0, runs) + max(0.0, days) + s1**2),
        notes=tuple(f"variance of the {name} came out below zero and is set to 0" for name in below),
    )


def _days_of_a_run(standards: Sequence[Sequence[Sequence[Day]]], readings: int) -> int:
    """How many days each run has.

    Raises:
        StudyError: runs or days are missing, or a number is none.
    """
    runs, days = {len(runs) for runs in standards}, {len(days) for runs in standards for days in runs}
    for name, counts in (("runs", runs), ("days", days)):
        if len(counts) != 1 or min(counts) < _LEAST:
            raise StudyError(f"a nested study needs equally many {name} throughout, {_LEAST} or more")
    if readings < _LEAST:
        raise StudyError(f"a nested study needs {_LEAST} readings a day or more; there are {readings}")
    numbers = [(day.mean, day.standard_deviation) for runs in standards for days in runs for day in days]
    if not np.all(np.isfinite(numbers)) or any(s < 0.0 for _, s in numbers):
        raise StudyError("a mean or a standard deviation is no number; take the day again or leave it out")
    return days.pop()
