"""Means of readings that follow one another, and straight-line fits, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Line", "Mean", "autocorrelated_mean", "autocorrelations", "effective_count", "fit_line", "repeated_mean"]

FloatArray = NDArray[np.float64]

_FEWEST = 6  # readings below which nothing can be learnt about their correlation: taken as independent
_WINDOW = 3.0  # Sokal's window in units of the variance inflation, twice his correlation time (c = 6)
_LEAST_SPREAD = 0.05  # of n: divisor below which the correction of s would be a guess


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
        Degrees of freedom of u.
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

    n_eff = n/t with the variance inflation t = 1 + 2 sum_k (1 - k/n) rho_k (Bayley & Hammersley, J. R. Stat. Soc.
    Suppl. 8 (1946) 184), estimated in two ways of which the larger is taken, never below 1: anticorrelation does not
    shrink an uncertainty.

    1. As a first-order autoregression, rho_k = rho^k, with rho from the lag-1 coefficient r_1 (Box & Jenkins divisor n)
       freed of its bias of -(1 + 4 rho)/n (Marriott & Pope, Biometrika 41 (1954) 390; Kendall, same volume, 403).
       A sum of estimated coefficients cannot do this: its terms add up to -1/2 over all lags, which is why truncation
       at the first crossing gives intervals that hold 62 % instead of 95 % for 30 readings with rho = 0.95.
    2. As the windowed sum of the r_k up to the first lag W of at least 3 times the sum itself (Madras & Sokal,
       J. Stat. Phys. 50 (1988) 109, appendix C; wider beyond 1000 readings), times 1 + (2 W + 1)/n for the mean taken
       out (Wolff, Comput. Phys. Commun. 156 (2004) 143, equation 49). It sees what is not of first order.

    The publications are cited from memory.

    Parameters
    ----------
    readings
        Equally spaced readings, shape (n,), n >= 2, finite.
    """
    n = len(readings)
    return float(n / _inflation(np.asarray(readings, dtype=np.float64))[0])


def autocorrelated_mean(readings: FloatArray) -> Mean:
    """Mean of readings in time order; missing ones (NaN) are left out.

    u = s/sqrt(n_eff) (GUM 4.2.3 with n replaced by the effective count), s corrected for the bias that
    autocorrelation gives it: s^2 = sum (q - mean)^2/(n - n/n_eff). The degrees of freedom (n - 1)/(2 t - 1), t the long
    series' variance inflation (1 + rho)/(1 - rho), are n - 1 for independent readings and n/(2 t) for strongly
    correlated ones; the latter is what the sampling variances of the innovations and of rho give for a Gaussian
    autoregression, var(ln u^2) = 2/n + 4 t/n.

    The 95 % interval holds 93 to 97 % for first-order autoregressions of 30 or more readings with rho up to 0.9, of 60
    or more with rho up to 0.95, and 91 % for 30 with rho = 0.95 (`checks/interval_coverage.py`). Fewer than six
    readings are taken as independent. Drift slower than the window, or a slow part hidden under much faster noise, is
    not seen: average over many correlation times.

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
    inflation, asymptotic = _inflation(values)
    mean = float(values.mean())
    spread = float(np.square(values - mean).sum())
    s = float(np.sqrt(spread / max(n - inflation, _LEAST_SPREAD * n)))
    dof = max((n - 1.0) / (2.0 * asymptotic - 1.0), 1.0)
    return Mean(mean, s, s * float(np.sqrt(inflation / n)), dof, n, n / inflation)


def autocorrelations(readings: FloatArray) -> FloatArray:
    """Autocorrelation coefficients r_k = c_k/c_0 with the divisor n in both (Box & Jenkins), shape (n,); r_0 = 1.

    All zero but the first for constant readings.
    """
    n = len(readings)
    deviations = np.asarray(readings, dtype=np.float64) - np.mean(readings)
    energy = float(deviations @ deviations)
    result = np.zeros(n)
    result[0] = 1.0
    # rounding of the mean leaves a trace of energy in a constant series
    if energy <= n * (4 * np.finfo(np.float64).eps * float(np.max(np.abs(readings)))) ** 2:
        return result
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(deviations, size)
    return np.asarray(np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[:n] / energy, dtype=np.float64)


def _inflation(readings: FloatArray) -> tuple[float, float]:
    """Variance inflation of the mean of these n readings, and the one a long series would have."""
    n = len(readings)
    if n < _FEWEST:
        return 1.0, 1.0
    r = autocorrelations(readings)
    if not r[1:].any():
        return 1.0, 1.0
    rho = min(max((n * float(r[1]) + 1.0) / (n - 4.0), 0.0), 1.0 - 1.0 / n)
    long = (1.0 + rho) / (1.0 - rho)
    first_order = long - 2.0 * rho * (1.0 - rho**n) / (n * (1.0 - rho) ** 2)
    sums = 2.0 * np.cumsum(r[: n // 2 + 1]) - 1.0  # the r_k above already carry the factor (1 - k/n)
    width = _WINDOW * max(1.0, n / 1000) ** 0.25  # a long series can afford to look for a slow part under fast noise
    closed = np.flatnonzero(np.arange(len(sums)) >= width * np.maximum(sums, 1.0))
    window = int(closed[0]) if len(closed) else n // 2
    windowed = float(sums[window]) * (1.0 + (2.0 * window + 1.0) / n)
    return max(first_order, windowed, 1.0), max(long, windowed, 1.0)


def repeated_mean(readings: FloatArray) -> Mean:
    """Mean of repeated independent readings (GUM 4.2); a single reading has no type A part.

    Parameters
    ----------
    readings
        Finite, shape (n,), n >= 1.
    """
    n = len(readings)
    value = float(readings.mean())
    if n == 1:
        return Mean(value, 0.0, 0.0, float("inf"), 1, 1.0)
    s = float(readings.std(ddof=1))
    return Mean(value, s, s / float(np.sqrt(n)), float(n - 1), n, float(n))


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
