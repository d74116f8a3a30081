"""Scatter of a log about its levels, and the time between its readings."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

__all__ = ["Noise", "noise_about", "noise_of", "sample_interval_s", "white_scatter_of"]

FloatArray = NDArray[np.float64]

_LEAST_FOR_R = 30  # readings from which an autocorrelation is told
_LARGEST_R = 0.98
_SMOOTH = 2.3  # noise has a ratio of 2 at most, known to 0.1 or so
_TRIM = 4.0  # standard deviations
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


def white_scatter_of(readings: FloatArray) -> float:
    """Standard deviation of white noise, blind to the level changes under it: median |difference|/(0.6745 sqrt 2).

    At least the smallest difference seen, taken for the last digit (at most 1/200 of the range), over sqrt 12.

    Parameters
    ----------
    readings
        In time order, shape (n,), finite.
    """
    moves = np.abs(np.diff(readings))
    if len(moves) == 0:
        return 0.0
    return max(float(np.median(moves)) / (_NORMAL_MAD * sqrt(2.0)), _digit(readings))


def noise_about(readings: FloatArray, levels: FloatArray) -> Noise:
    """Scatter of readings about the levels they were found to have: `noise_of` what is left, or of the readings.

    The smaller counts: frequent steps make the readings look autocorrelated, and the stairs that were fitted to a slow
    change make what is left look so.

    Parameters
    ----------
    readings, levels
        In time order, shape (n,), finite.
    """
    return min(noise_of(readings - levels), noise_of(readings), key=lambda noise: noise.sigma_of_means)


def noise_of(readings: FloatArray) -> Noise:
    """Scatter of readings that mostly stay at a level, blind to its changes and to slow ones.

    For noise of autocorrelation r_L the mean square difference at lag L is 2 sigma^2 (1 - r_L); differences beyond four
    times the median one's worth are left out as changes of level. In a first-order autoregression r_L = r_1^L, so the
    mean squares at lags 2 and 1 have the ratio 1 + r_1, and the mean of n readings scatters as
    sigma sqrt[(1 + r_1)/(1 - r_1)]/sqrt(n) (Bayley & Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184, n large).
    A log that moves smoothly has a ratio of up to 4: no noise does that, and none is made of it.

    Parameters
    ----------
    readings
        In time order, shape (n,), finite.
    """
    white = white_scatter_of(readings)
    moves = np.abs(np.diff(readings))
    if len(readings) < _LEAST_FOR_R or np.median(moves) == 0.0 or white <= _digit(readings):
        return Noise(white, white)
    near = _trimmed_square(moves)
    ratio = _trimmed_square(np.abs(readings[2:] - readings[:-2])) / near
    # near 1 a small error of r_1 is a large one of the noise, so r_1 is taken no nearer to it than three of its errors
    largest = min(1.0 - 3.0 / sqrt(len(readings)), _LARGEST_R)
    r_1 = min(max(ratio - 1.0, 0.0), largest) if ratio <= _SMOOTH else 0.0
    sigma = sqrt(near / (1.0 - r_1))
    return Noise(sigma, sigma * sqrt((1.0 + r_1) / (1.0 - r_1)))


def _digit(readings: FloatArray) -> float:
    """Standard deviation of rounding, if the smallest difference seen is the last digit."""
    moves = np.abs(np.diff(readings))
    moving = moves[moves > 0.0]
    return min(float(moving.min()), float(np.ptp(readings)) / 200.0) / sqrt(12.0) if len(moving) else 0.0


def _trimmed_square(differences: FloatArray) -> float:
    """Half the mean square of the differences that belong to the noise: sigma^2 (1 - r)."""
    kept = differences[differences <= _TRIM / _NORMAL_MAD * float(np.median(differences))]
    return 0.5 * float(np.mean(np.square(kept)))
