"""Steady stretches in continuous logs, and the averaging methods for standby power."""

from brickbook.plateaus.find import Plateau, find_plateaus
from brickbook.plateaus.rules import (
    BENCH,
    IEC_62301_SAMPLING,
    STABILITY_RULES,
    US_MULTIPLE_VOLTAGE,
    US_OFF_MODE,
    US_SINGLE_VOLTAGE,
    StabilityRule,
    slope_limit_w_per_h,
)
from brickbook.plateaus.stretches import Sensitivity
from brickbook.plateaus.windows import mean_over, missing_over, readings_over, rows_over

__all__ = [
    "BENCH",
    "IEC_62301_SAMPLING",
    "STABILITY_RULES",
    "US_MULTIPLE_VOLTAGE",
    "US_OFF_MODE",
    "US_SINGLE_VOLTAGE",
    "Plateau",
    "Sensitivity",
    "StabilityRule",
    "find_plateaus",
    "mean_over",
    "missing_over",
    "readings_over",
    "rows_over",
    "slope_limit_w_per_h",
]
