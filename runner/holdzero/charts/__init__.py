"""Control charts of a check standard: limits, moving averages, precision, run rules. No clock, file or screen."""

from holdzero.charts.constants import ChartConstants, chart_constants, d2_star, range_probability, range_quantile
from holdzero.charts.limits import (
    ChartError,
    Limits,
    Precision,
    baseline,
    ewma,
    ewma_deviation,
    moving_range_baseline,
    precision_baseline,
)
from holdzero.charts.rules import DEFAULT_RULES, RULES, RunRule
from holdzero.charts.watch import Control, Signal, Watch, state

__all__ = [
    "DEFAULT_RULES",
    "RULES",
    "ChartConstants",
    "ChartError",
    "Control",
    "Limits",
    "Precision",
    "RunRule",
    "Signal",
    "Watch",
    "baseline",
    "chart_constants",
    "d2_star",
    "ewma",
    "ewma_deviation",
    "moving_range_baseline",
    "precision_baseline",
    "range_probability",
    "range_quantile",
    "state",
]
