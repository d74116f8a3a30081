"""Means of readings that follow one another, and straight-line fits, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Line", "Mean", "autocorrelated_mean", "effective_count", "fit_line"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean of a series with the type A uncertainty of that mean.

    Parameters
    ----------
    value
        Arithmetic mean.
    s
        Experimental standard deviation of one reading.
    u
        Standard uncertainty of the mean.
    dof
        Degrees of freedom, effective count minus one.
    count, effective_count
        Readings used, and how many independent ones they are worth.
    """

    value: float
    s: float
    u: float
    dof: float
    count: int
    effective_count: float


@dataclass(frozen=True, slots=True)
class Line:
    """Least-squares straight line y = intercept + slope (x - x_mean)."""

    slope: float
    u_slope: float
    intercept: float
    x_mean: float
    residual_s: float
    dof: int


def effective_count(readings: FloatArray) -> float:
    """How many independent readings an autocorrelated series is worth.

    n_eff = n / [1 + 2 sum_k (1 - k/n) r_k] with the estimated autocorrelations r_k summed up to the first that is not
    positive (Bayley & Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184; truncation at the first crossing as in
    Zięba & Ramza, Metrol. Meas. Syst. 18 (2011) 529). Never above n: anticorrelation does not shrink an uncertainty.

    Parameters
    ----------
    readings
        Equally spaced readings, shape (n,), n >= 2, finite.
    """
    n = len(readings)
    deviations = readings - readings.mean()
    energy = float(deviations @ deviations)
    if n < 3 or energy <= 0.0:
        return float(n)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(deviations, size)
    correlation = np.fft.irfft(spectrum * np.conj(spectrum), size)[: n // 2 + 1] / energy
    negative = np.flatnonzero(correlation <= 0.0)
    last = int(negative[0]) if len(negative) else len(correlation)
    lags = np.arange(1, last)
    # correlation[k] above is the biased estimate, which already carries the factor (1 - k/n)
    return float(n / max(1.0, 1.0 + 2.0 * float(correlation[lags].sum())))


def autocorrelated_mean(readings: FloatArray) -> Mean:
    """Mean of readings in time order; missing ones (NaN) are left out.

    u = s/sqrt(n_eff) (GUM 4.2.3 with n replaced by the effective count), s corrected for the bias that
    autocorrelation gives it: s^2 = sum (q - mean)^2 / (n - n/n_eff).

    Raises
    ------
    ValueError
        With fewer than two readings: their scatter is unknown.
    """
    values = np.asarray(readings, dtype=np.float64)
    values = values[np.isfinite(values)]
    n = len(values)
    if n < 2:
        raise ValueError(f"a type A uncertainty needs at least two readings, there are {n}")
    n_eff = max(effective_count(values), 1.5)
    mean = float(values.mean())
    s = float(np.sqrt(np.square(values - mean).sum() / max(n - n / n_eff, 0.5)))
    return Mean(mean, s, s / float(np.sqrt(n_eff)), max(n_eff - 1.0, 1.0), n, n_eff)


def fit_line(x: FloatArray, y: FloatArray) -> Line:
    """Unweighted least-squares line (GUM H.3): slope with its standard uncertainty from the residuals.

    Raises
    ------
    ValueError
        With fewer than three points or all x equal.
    """
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    if len(x) < 3:
        raise ValueError(f"a line with uncertainty needs at least three points, there are {len(x)}")
    x_mean = float(x.mean())
    dx = x - x_mean
    spread = float(dx @ dx)
    if spread == 0.0:
        raise ValueError("all x are equal: there is no slope")
    slope = float(dx @ y) / spread
    intercept = float(y.mean())
    residual = y - intercept - slope * dx
    dof = len(x) - 2
    s = float(np.sqrt(residual @ residual / dof))
    return Line(slope, s / float(np.sqrt(spread)), intercept, x_mean, s, dof)
