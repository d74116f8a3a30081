"""Scatter of a log about its levels, and the time between its readings."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

__all__ = ["Noise", "noise_about", "sample_interval_s", "scatter_of"]

FloatArray = NDArray[np.float64]

_NORMAL_MAD = 0.6745  # median absolute deviation of a unit normal


@dataclass(frozen=True, slots=True)
class Noise:
    """Scatter of one reading, `sigma`, and of a mean of many: sigma_of_means/sqrt(n), larger if autocorrelated."""

    sigma: float
    sigma_of_means: float


def sample_interval_s(time_s: FloatArray) -> float:
    """Median time between readings [s]; equal time stamps (a coarse clock) are left out, 0 without two different ones.

    Parameters
    ----------
    time_s
        Times, shape (n,), finite, not falling [s].
    """
    steps = np.diff(time_s)
    steps = steps[steps > 0.0]
    return float(np.median(steps)) if len(steps) else 0.0


def scatter_of(readings: FloatArray) -> float:
    """Standard deviation of white noise, blind to the level changes under it: median |difference|/(0.6745 sqrt 2).

    At least the smallest difference seen, taken for the last digit (at most 1/200 of the range), over sqrt 12.

    Parameters
    ----------
    readings
        In time order, shape (n,), finite.
    """
    moves = np.abs(np.diff(readings))
    moving = moves[moves > 0.0]
    if len(moving) == 0:
        return 0.0
    digit = min(float(moving.min()), float(np.ptp(readings)) / 200.0)
    return max(float(np.median(moves)) / (_NORMAL_MAD * sqrt(2.0)), digit / sqrt(12.0))


def noise_about(readings: FloatArray, levels: FloatArray) -> Noise:
    """Scatter of readings about the levels they were found to have.

    Sigma is the median |departure|/0.6745, at least `scatter_of` the readings; r_1, the autocorrelation of neighbours,
    follows from the median difference of neighbours, which is sigma sqrt(1 - r_1) for normal noise. The mean of n
    readings of a first-order autoregression scatters as sigma sqrt[(1 + r_1)/(1 - r_1)]/sqrt(n) (Bayley & Hammersley,
    J. R. Stat. Soc. Suppl. 8 (1946) 184, n large). Medians, because a few levels may be wrong.

    Parameters
    ----------
    readings, levels
        In time order, shape (n,), finite.
    """
    departures = readings - levels
    near = scatter_of(readings)
    sigma = max(float(np.median(np.abs(departures))) / _NORMAL_MAD, near)
    moves = float(np.median(np.abs(np.diff(departures)))) / (_NORMAL_MAD * sqrt(2.0)) if len(readings) > 1 else sigma
    r_1 = min(max(1.0 - (moves / sigma) ** 2, 0.0), 0.95) if sigma > 0.0 else 0.0
    # a meter at rest on one digit moves seldom: that is resolution, not autocorrelation
    if moves == 0.0:
        r_1 = 0.0
    return Noise(sigma, sigma * sqrt((1.0 + r_1) / (1.0 - r_1)))
