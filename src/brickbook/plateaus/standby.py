"""Mean of a low power by the methods of IEC 62301:2011, and whether it is stable.

Clause 5.3.3 is cited by 10 CFR 430 Subpart B Appendix Z; the other clause numbers and all values are from memory,
with the confidence beside each.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from brickbook.core.statistics import Line, Mean, autocorrelated_mean, effective_count, fit_line
from brickbook.plateaus.cycles import Cycle, batches_of, find_cycle, hidden_bursts, mean_over_cycles
from brickbook.plateaus.noise import sample_interval_s
from brickbook.plateaus.rules import slope_limit_w_per_h

__all__ = ["StandbyMean", "average_reading_mean", "energy_mean", "sampling_mean"]

FloatArray = NDArray[np.float64]

_SAMPLING = "IEC 62301:2011 5.3.2 sampling method (from memory, high)"
_SAMPLING_CYCLIC = "IEC 62301:2011 5.3.2 sampling method, cyclic (from memory, medium)"
_AVERAGE = "IEC 62301:2011 5.3.3 average reading method (from memory, medium)"
_ENERGY = "IEC 62301:2011 5.3.3 accumulated energy over time (from memory, medium)"
_LEAST_RECORD_S = 900.0
_LONGEST_RECORD_S = 3.0 * 3600.0
_LONGEST_INTERVAL_S = 1.0
_LEAST_COMPARISON_S = 600.0
_CYCLES_THAT_AVERAGE_OUT = 100  # in one comparison period: its phase moves the mean by less than 1 % of the swing
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class StandbyMean:
    """A mean power and its stability.

    Parameters
    ----------
    value
        Mean power with its type A uncertainty [W].
    method
        Method and clause.
    stable
        Whether the method's conditions are met. An unstable mean may be quoted only with its reason.
    reason
        Why, in words with numbers.
    slope_w_per_h, u_slope_w_per_h
        Change of the power and the standard uncertainty of it, autocorrelation counted [W/h].
    from_s, to_s
        First and last reading averaged [s].
    cycle_s, cycles
        Period [s] and number of whole cycles averaged over; NaN and 0 where no period was seen.
    missing_count
        Readings missing from the record.
    warnings
        What the log cannot tell.
    """

    value: Mean
    method: str
    stable: bool
    reason: str
    slope_w_per_h: float
    u_slope_w_per_h: float
    from_s: float
    to_s: float
    cycle_s: float = float("nan")
    cycles: int = 0
    missing_count: int = 0
    warnings: tuple[str, ...] = ()


def sampling_mean(time_s: FloatArray, power_w: FloatArray) -> StandbyMean:
    """Mean by the sampling method: the last two thirds of the record, stable if their least-squares slope is small.

    The whole record is taken, at least 15 min; a longer one is what the method's "lengthen the record" gives, and no
    shorter part of it is tried. The slope must be below 10 mW/h up to 1 W and below 1 % of the power per hour above.
    Where the power is cyclic the mean is over whole cycles, and where the slope then fails, the method's rule for
    cyclic loads is used: two halves of whole cycles, at least four in all, difference of their means over the time
    between their mid-points.

    Parameters
    ----------
    time_s, power_w
        Times [s], not falling, and readings [W], shape (n,); NaN is a missing reading.

    Raises
    ------
    ValueError
        With fewer than 16 readings or falling times.
    """
    time, power, missing = _record(time_s, power_w)
    interval = sample_interval_s(time)
    length = float(time[-1] - time[0]) + interval
    cut = float(time[0]) + length / 3.0
    kept = time >= cut - 1e-6 * interval
    time, power = time[kept], power[kept]
    cycle = find_cycle(time, power)
    warnings = [w for w in (hidden_bursts(time, power, cycle),) if w]
    if interval > _LONGEST_INTERVAL_S * 1.05:
        warnings.append(f"sampled every {interval:.3g} s, the method asks for 1 s or less")
    line, u_slope = _slope(time, power)
    slope, method = line.slope, _SAMPLING
    value, cycles, from_s = autocorrelated_mean(power), 0, float(time[0])
    if cycle is not None:
        value, cycles, from_s = mean_over_cycles(time, power, cycle.period_s)
        u_slope = _slope(*batches_of(time, power, cycle.period_s)[:2])[1]
    limit = slope_limit_w_per_h(value.value)
    stable = abs(slope) < limit
    how = f"slope of the last {_minutes(float(time[-1] - time[0]) + interval)}"
    if cycle is not None and not stable:
        slope, u_slope, compared = _halves(time, power, cycle)
        stable, method = abs(slope) < limit, _SAMPLING_CYCLIC
        how = f"change between two halves of {compared // 2} cycles of {cycle.period_s:.3g} s"
    reason = f"{how} {1000.0 * slope:+.3g} mW/h, {1000.0 * limit:.3g} mW/h allowed"
    if length + interval < _LEAST_RECORD_S:
        stable, reason = False, f"the record is only {_minutes(length)} long, the method needs 15 min; {reason}"
    elif not stable:
        more = "lengthen the record" if length < _LONGEST_RECORD_S else "even after 3 h; look for slow cycles"
        reason = f"{reason}: {more}"
    if u_slope > limit:
        warnings.append(
            f"the slope is known only to ±{1000.0 * u_slope:.2g} mW/h (standard uncertainty), more than the limit: "
            "a longer record would tell"
        )
    return StandbyMean(
        value=value,
        method=method,
        stable=stable,
        reason=reason,
        slope_w_per_h=slope,
        u_slope_w_per_h=u_slope,
        from_s=from_s,
        to_s=float(time[-1]),
        cycle_s=cycle.period_s if cycle is not None else float("nan"),
        cycles=cycles,
        missing_count=missing,
        warnings=tuple(warnings),
    )


def average_reading_mean(time_s: FloatArray, power_w: FloatArray, *, settling_s: float = 1800.0) -> StandbyMean:
    """Mean by the average reading method: two comparison periods after settling.

    What follows the settling time is halved; each half is at least 10 min. Stable if the difference of their means over
    the time between their mid-points is below 10 mW/h up to 1 W and 1 % of the power per hour above. The method is not
    for cyclic loads; bursts of which a hundred or more fall in each half are let pass (reading taken).

    Parameters
    ----------
    time_s, power_w
        Times [s], not falling, and readings [W], shape (n,); NaN is a missing reading.
    settling_s
        Start of the record that is left out; 0 if the unit had settled before [s].

    Raises
    ------
    ValueError
        With fewer than 16 readings after settling, or falling times.
    """
    time, power, missing = _record(time_s, power_w, settling_s)
    interval = sample_interval_s(time)
    length = float(time[-1] - time[0]) + interval
    early = time < time[0] + length / 2.0
    first, second = autocorrelated_mean(power[early]), autocorrelated_mean(power[~early])
    apart_h = float(time[~early].mean() - time[early].mean()) / _HOUR_S
    slope = (second.value - first.value) / apart_h
    u_slope = sqrt(first.u**2 + second.u**2) / apart_h
    cycle = find_cycle(time, power)
    value, cycles, from_s = autocorrelated_mean(power), 0, float(time[0])
    if cycle is not None:
        u_slope = sqrt(sum(_u_of_half(time[half], power[half], cycle) ** 2 for half in (early, ~early))) / apart_h
        value, cycles, from_s = mean_over_cycles(time, power, cycle.period_s)
    limit = slope_limit_w_per_h(value.value)
    stable = abs(slope) < limit
    reason = (
        f"change between two periods of {_minutes(length / 2.0)} {1000.0 * slope:+.3g} mW/h, "
        f"{1000.0 * limit:.3g} mW/h allowed"
    )
    if (length + interval) / 2.0 < _LEAST_COMPARISON_S:
        stable = False
        reason = f"each comparison period is only {_minutes(length / 2.0)}, the method needs 10 min; {reason}"
    elif cycle is not None and length / 2.0 / cycle.period_s < _CYCLES_THAT_AVERAGE_OUT:
        stable = False
        reason = f"the power is cyclic (period {cycle.period_s:.3g} s), use the sampling method; {reason}"
    warning = hidden_bursts(time, power, cycle)
    return StandbyMean(
        value=value,
        method=_AVERAGE,
        stable=stable,
        reason=reason,
        slope_w_per_h=slope,
        u_slope_w_per_h=u_slope,
        from_s=from_s,
        to_s=float(time[-1]),
        cycle_s=cycle.period_s if cycle is not None else float("nan"),
        cycles=cycles,
        missing_count=missing,
        warnings=(warning,) if warning else (),
    )


def energy_mean(
    time_s: FloatArray, energy_wh: FloatArray, *, resolution_wh: float | None = None, settling_s: float = 1800.0
) -> StandbyMean:
    """Mean power from an energy register: P = (E_end - E_begin)/(t_end - t_begin), with the register's resolution.

    Each register value is known to its last digit: error within ± half of it, so a difference of two has the standard
    uncertainty digit/sqrt 6 (GUM 4.3.7, twice). Stability is that of the average reading method, from the register at
    the middle: slope = (E_end - 2 E_middle + E_begin)/(T/2)^2, where u = digit sqrt(6/12)/(T/2)^2.

    Parameters
    ----------
    time_s, energy_wh
        Times [s], not falling, and register [Wh], shape (n,); NaN is a missing reading.
    resolution_wh
        Worth of the register's last digit [Wh]; the smallest step seen, if not given.
    settling_s
        Start of the record that is left out; 0 if the unit had settled before [s].

    Raises
    ------
    ValueError
        With fewer than three register values after settling, falling times or a falling register (reset or overflow).
    """
    time, energy, missing = _record(time_s, energy_wh, settling_s, least=3)
    steps = np.diff(energy)
    if np.any(steps < 0.0):
        at = int(np.argmax(steps < 0.0))
        raise ValueError(
            f"the energy register falls from {energy[at]:g} Wh to {energy[at + 1]:g} Wh at {time[at + 1]:g} s: "
            "it was reset or ran over; take the part before or after"
        )
    warnings: list[str] = []
    digit = resolution_wh
    if digit is None:
        digit = float(steps[steps > 0.0].min()) if np.any(steps > 0.0) else float("nan")
        warnings.append(f"the register's resolution is not stated: {digit:.3g} Wh, its smallest step, is taken")
    if not digit > 0.0:
        raise ValueError("the register did not move: state resolution_wh, or log until it moves")
    span_h = float(time[-1] - time[0]) / _HOUR_S
    power = float(energy[-1] - energy[0]) / span_h
    u = digit / sqrt(6.0) / span_h
    middle = int(np.argmin(np.abs(time - 0.5 * (time[0] + time[-1]))))
    early_h = float(time[middle] - time[0]) / _HOUR_S
    late_h = float(time[-1] - time[middle]) / _HOUR_S
    limit = slope_limit_w_per_h(power)
    if early_h > 0.0 and late_h > 0.0:
        first = float(energy[middle] - energy[0]) / early_h
        second = float(energy[-1] - energy[middle]) / late_h
        slope = (second - first) / (0.5 * (early_h + late_h))
        weights = (1.0 / late_h, -1.0 / late_h - 1.0 / early_h, 1.0 / early_h)
        u_slope = digit / sqrt(12.0) * sqrt(sum(w * w for w in weights)) / (0.5 * (early_h + late_h))
    else:
        slope = u_slope = float("nan")
    stable = abs(slope) < limit
    half_s = min(early_h, late_h) * _HOUR_S
    change = f"change between two periods of {_minutes(half_s)} {1000.0 * slope:+.3g} mW/h"
    reason = f"{change}, {1000.0 * limit:.3g} mW/h allowed"
    if half_s + sample_interval_s(time) < _LEAST_COMPARISON_S:
        stable, reason = False, f"each period is only {_minutes(half_s)}, the method needs 10 min; {reason}"
    if u_slope > limit:
        warnings.append(
            f"the register's last digit lets the slope be known only to ±{1000.0 * u_slope:.2g} mW/h "
            "(standard uncertainty), more than the limit: log longer"
        )
    return StandbyMean(
        value=Mean(power, float("nan"), u, float("inf"), len(energy), 2.0),
        method=_ENERGY,
        stable=stable,
        reason=reason,
        slope_w_per_h=slope,
        u_slope_w_per_h=u_slope,
        from_s=float(time[0]),
        to_s=float(time[-1]),
        missing_count=missing,
        warnings=tuple(warnings),
    )


def _record(
    time_s: FloatArray, readings: FloatArray, settling_s: float = 0.0, *, least: int = 16
) -> tuple[FloatArray, FloatArray, int]:
    """Times and readings after settling without the missing ones, and how many were missing."""
    if np.shape(time_s) != np.shape(readings) or np.ndim(time_s) != 1:
        raise ValueError(f"time and readings have shapes {np.shape(time_s)} and {np.shape(readings)}")
    timed = np.isfinite(time_s)
    time, values = time_s[timed], readings[timed]
    if np.any(np.diff(time) < 0.0):
        raise ValueError("the times fall: readings must be in time order")
    late = time >= (time[0] + settling_s if len(time) else 0.0)
    time, values = time[late], values[late]
    good = np.isfinite(values)
    if int(good.sum()) < least:
        raise ValueError(f"at least {least} readings are needed after {settling_s:g} s, there are {int(good.sum())}")
    missing = int((~good).sum()) + int((~timed).sum())
    return time[good], values[good], missing


def _slope(time: FloatArray, power: FloatArray) -> tuple[Line, float]:
    """Least-squares line over hours, and the uncertainty of its slope with autocorrelated residuals."""
    hours = time / _HOUR_S
    line = fit_line(hours, power)
    residuals = power - line.intercept - line.slope * (hours - line.x_mean)
    return line, line.u_slope * sqrt(len(power) / effective_count(residuals))


def _halves(time: FloatArray, power: FloatArray, cycle: Cycle) -> tuple[float, float, int]:
    """Slope between two halves of whole cycles, its uncertainty, and the number of cycles in both."""
    interval = sample_interval_s(time)
    end_s = float(time[-1])
    each = int((end_s - float(time[0]) + interval) / cycle.period_s + 1e-9) // 2
    half_s = each * cycle.period_s
    late = time > end_s - half_s + 1e-6 * interval
    early = (time > end_s - 2.0 * half_s + 1e-6 * interval) & ~late
    apart_h = float(time[late].mean() - time[early].mean()) / _HOUR_S
    means = [float(power[part].mean()) for part in (early, late)]
    u = [_u_of_half(time[part], power[part], cycle) for part in (early, late)]
    return (means[1] - means[0]) / apart_h, sqrt(u[0] ** 2 + u[1] ** 2) / apart_h, 2 * each


def _u_of_half(time: FloatArray, power: FloatArray, cycle: Cycle) -> float:
    """Type A uncertainty of the mean of a half from its batches of cycles."""
    means = batches_of(time, power, cycle.period_s)[1]
    return autocorrelated_mean(means).u if len(means) > 1 else float("nan")


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.3g} min" if seconds >= 60.0 else f"{seconds:.3g} s"
