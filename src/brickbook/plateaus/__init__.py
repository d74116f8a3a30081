"""Steady stretches in continuous logs, and the averaging methods for standby power."""

from brickbook.plateaus.cycles import Cycle, find_cycle
from brickbook.plateaus.find import Plateau, find_plateaus
from brickbook.plateaus.metering import (
    equal_loss_current_a,
    maximum_current_ratio,
    permitted_uncertainty_w,
    power_less_current_path_w,
    power_less_voltage_path_w,
    relative_uncertainty_limit,
)
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
from brickbook.plateaus.standby import StandbyMean, average_reading_mean, energy_mean, sampling_mean
from brickbook.plateaus.stretches import Sensitivity
from brickbook.plateaus.windows import mean_over, missing_over, readings_over, rows_over

__all__ = [
    "BENCH",
    "IEC_62301_SAMPLING",
    "STABILITY_RULES",
    "US_MULTIPLE_VOLTAGE",
    "US_OFF_MODE",
    "US_SINGLE_VOLTAGE",
    "Cycle",
    "Plateau",
    "Sensitivity",
    "StabilityRule",
    "StandbyMean",
    "average_reading_mean",
    "energy_mean",
    "equal_loss_current_a",
    "find_cycle",
    "find_plateaus",
    "maximum_current_ratio",
    "mean_over",
    "missing_over",
    "permitted_uncertainty_w",
    "power_less_current_path_w",
    "power_less_voltage_path_w",
    "readings_over",
    "relative_uncertainty_limit",
    "rows_over",
    "sampling_mean",
    "slope_limit_w_per_h",
]
