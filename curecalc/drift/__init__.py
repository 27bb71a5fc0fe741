"""Is it still as it was: control charts, trends with a forecast, change since a calibration, scatter between lots.

These functions take plain numbers in any one unit and times in any one unit (the logbook uses days); they know nothing
of files. The logbook turns its entries into such series, and puts the units back.
"""

from .change import Change, change
from .charts import Baseline, Chart, Signal, baseline, ewma_chart, individuals_chart
from .components import Components, between_and_within
from .constants import ChartConstants, chart_constants
from .covariates import Covariates, regress
from .rules import RULES, run_length, run_signals
from .trend import Crossing, Trend, crossing, trend

__all__ = [
    "RULES", "Baseline", "Change", "Chart", "ChartConstants", "Components", "Covariates", "Crossing", "Signal", "Trend",
    "baseline", "between_and_within", "change", "chart_constants", "crossing", "ewma_chart", "individuals_chart", "regress",
    "run_length", "run_signals", "trend",
]  # fmt: skip
