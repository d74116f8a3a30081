"""How wide an interval must be, and how probable it is that a value lies beyond a limit.

The error of a `Measured` is the sum of independent sources. The normal ones, type A included, are joined into one
Student t distribution with the Welch–Satterthwaite degrees of freedom (GUM G.4.1); each rectangular one is kept as
what it is. Their sum is convolved numerically (propagation of distributions, JCGM 101:2008 5.2, for a linear model), so
that a budget ruled by one data sheet bound gets k = 1.65 and not the 1.96 of a normal distribution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from brickbook.core.uncertainty import Measured, scalar

__all__ = ["Coverage", "ErrorDistribution", "coverage", "probability_within"]

_POINTS = 1501
_SMALL = 0.08  # rectangular sources below this share of u are joined to the normal part


@dataclass(frozen=True, slots=True)
class Coverage:
    """A coverage interval.

    Parameters
    ----------
    lower, upper
        Ends, in the value's unit.
    factor
        Expanded over standard uncertainty.
    dof
        Effective degrees of freedom of the whole budget (GUM G.4.1).
    """

    lower: float
    upper: float
    factor: float
    dof: float


@dataclass(frozen=True, slots=True)
class ErrorDistribution:
    """Cumulative distribution of a symmetric error, tabulated on a grid wide enough for both tails."""

    grid: NDArray[np.float64]
    cumulative: NDArray[np.float64]

    def cdf(self, x: float) -> float:
        """Probability that the error is at most x."""
        return float(np.interp(x, self.grid, self.cumulative, left=0.0, right=1.0))

    def quantile(self, p: float) -> float:
        """The error that is not exceeded with probability p, 0 < p < 1."""
        return float(np.interp(p, self.cumulative, self.grid))


def error_distribution(measured: Measured) -> ErrorDistribution | None:
    """Distribution of value minus truth; `None` for an exact number."""
    scalar(measured)
    u = float(measured.u)
    if u == 0.0:
        return None
    halves: list[float] = []
    normal_square, bottom = 0.0, 0.0
    for source, term in measured.terms.items():
        size = abs(float(term))
        if size == 0.0:
            continue
        if source.distribution == "rectangular" and size > _SMALL * u:
            halves.append(size * np.sqrt(3.0))
        elif source.distribution == "triangular" and size > _SMALL * u:
            halves += [size * np.sqrt(6.0) / 2] * 2  # a triangle is the sum of two equal rectangles
        else:
            normal_square += size**2
            if np.isfinite(source.dof):
                bottom += size**4 / source.dof
    normal = float(np.sqrt(normal_square))
    dof = normal**4 / bottom if bottom > 0 else float("inf")
    return _convolve(normal, dof, sorted(halves, reverse=True), u)


def coverage(measured: Measured, probability: float = 0.95) -> Coverage:
    """Symmetric interval that holds the truth with the stated probability.

    Parameters
    ----------
    measured
        A single number.
    probability
        Coverage probability, above 0 and below 1.
    """
    distribution = error_distribution(measured)
    value = float(measured.value)
    if distribution is None:
        return Coverage(value, value, 0.0, float("inf"))
    half = distribution.quantile(0.5 + probability / 2)
    return Coverage(value - half, value + half, half / float(measured.u), measured.dof)


def probability_within(measured: Measured, low: float = -np.inf, high: float = np.inf) -> float:
    """Probability that the true value lies in [low, high] (JCGM 106:2012 7.2, flat prior).

    For a normal error this is Phi((high - y)/u) - Phi((low - y)/u).
    """
    value = float(measured.value)
    distribution = error_distribution(measured)
    if distribution is None:
        return float(low <= value <= high)
    top = distribution.cdf(high - value) if np.isfinite(high) else 1.0
    bottom = distribution.cdf(low - value) if np.isfinite(low) else 0.0
    return min(1.0, max(0.0, top - bottom))


def _convolve(normal: float, dof: float, halves: list[float], u: float) -> ErrorDistribution:
    cumulative: NDArray[np.float64]
    reach = sum(halves) + normal * (_reach(dof) if normal else 0.0)
    if normal < 0.01 * u and halves:
        # nothing but rectangles: the first is exact on the grid, a trace of normal widens it imperceptibly
        first, rest = halves[0], [*halves[1:], *([normal * np.sqrt(3.0)] if normal else [])]
        reach = sum(halves) + normal * 2
        grid = np.linspace(-reach, reach, _POINTS) * 1.001
        cumulative = np.clip((grid + first) / (2 * first), 0.0, 1.0)
    else:
        rest = halves
        grid = np.linspace(-reach, reach, _POINTS)
        scaled = grid / normal
        table = special.ndtr(scaled) if np.isinf(dof) else special.stdtr(dof, scaled)
        cumulative = np.asarray(table, dtype=np.float64)
    step = float(grid[1] - grid[0])
    for half in rest:
        area = np.concatenate([[0.0], np.cumsum((cumulative[1:] + cumulative[:-1]) * 0.5)]) * step
        # beyond the grid the distribution is 0 on the left and 1 on the right
        right = np.interp(grid + half, grid, area) + np.maximum(grid + half - grid[-1], 0.0)
        left = np.interp(grid - half, grid, area, left=0.0)
        cumulative = np.asarray((right - left) / (2 * half), dtype=np.float64)
    return ErrorDistribution(grid, np.clip(cumulative, 0.0, 1.0))


def _reach(dof: float) -> float:
    """How many standard deviations hold all but 1e-6 of a t distribution, at most 60."""
    return float(min(60.0, special.stdtrit(dof, 1 - 5e-7))) if np.isfinite(dof) else 5.0
