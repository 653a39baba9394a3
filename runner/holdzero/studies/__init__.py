"""Studies of a measuring process: gauge studies, interlaboratory precision, nested scatter. Numbers only."""

from holdzero.studies.crossed import Component, CrossedStudy, Line, crossed_study
from holdzero.studies.interlaboratory import (
    Consistency,
    PrecisionOfLevel,
    consistency,
    consistency_limits,
    critical_difference,
    critical_range,
    precision_of_level,
    repeatability_limit,
    reproducibility_limit,
)
from holdzero.studies.intervals import Interval, deviation_interval
from holdzero.studies.layout import Layout, StudyError, crossed_layout, crossed_readings
from holdzero.studies.nested import Day, NestedStudy, nested_study
from holdzero.studies.ranges import Factors, RangeStudy, Share, range_factors, range_study

__all__ = [
    "Component",
    "Consistency",
    "CrossedStudy",
    "Day",
    "Factors",
    "Interval",
    "Layout",
    "Line",
    "NestedStudy",
    "PrecisionOfLevel",
    "RangeStudy",
    "Share",
    "StudyError",
    "consistency",
    "consistency_limits",
    "critical_difference",
    "critical_range",
    "crossed_layout",
    "crossed_readings",
    "crossed_study",
    "deviation_interval",
    "nested_study",
    "precision_of_level",
    "range_factors",
    "range_study",
    "repeatability_limit",
    "reproducibility_limit",
]
