"""How wide an interval must be, and how probable it is that a value lies beyond a limit.

The error of a `Measured` is the sum of independent sources. The normal ones, and those known only through some degrees
of freedom, are joined into one Student t distribution with the Welch–Satterthwaite degrees of freedom (GUM G.4.1);
each rectangular bound taken as certain is kept as what it is. Their sum is convolved numerically (propagation of
distributions, JCGM 101:2008 5.2, for a linear model), so that a budget ruled by one data sheet bound gets k = 1.65 and
not the 1.96 of a normal distribution.

Every such error is symmetric. With D(x) = F(x) - 1/2 (odd) and its integral G from 0 (even), the convolution with a
rectangle of half-width h is D'(x) = [G(x + h) - G(|x - h|)]/(2h). The first step uses the closed form of G for the t,
normal or rectangular distribution, the later ones a table; the tabulated D is then good to about 1e-5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from brickbook.core.uncertainty import Measured, Source, scalar, welch_satterthwaite

__all__ = ["Coverage", "ErrorDistribution", "coverage", "error_distribution", "probability_within"]

FloatArray = NDArray[np.float64]

_POINTS = 901  # of the half table
_SMALL = 0.08  # bounds below this share of u are not convolved one by one
_TAIL = 1e-8  # probability left beyond the table, one side


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
    """Cumulative distribution of a symmetric error.

    Parameters
    ----------
    grid, cumulative
        Table, wide enough to leave 1e-8 beyond each end.
    """

    grid: FloatArray
    cumulative: FloatArray

    def cdf(self, x: float) -> float:
        """Probability that the error is at most x."""
        return float(np.interp(x, self.grid, self.cumulative, left=0.0, right=1.0))

    def quantile(self, p: float) -> float:
        """The error that is not exceeded with probability p, 0 < p < 1."""
        if not 0.0 < p < 1.0:
            raise ValueError(f"a probability between 0 and 1 is needed, this is {p:g}")
        return float(np.interp(p, self.cumulative, self.grid))


@dataclass(frozen=True, slots=True)
class _Parts:
    """The t part (scale, dof) and the half-widths of the rectangles kept apart, largest first."""

    scale: float
    dof: float
    halves: list[float]


def error_distribution(measured: Measured) -> ErrorDistribution | None:
    """Distribution of value minus truth; `None` for an exact number.

    Raises
    ------
    ValueError
        When the uncertainty is not finite.
    """
    scalar(measured)
    parts = _parts(measured)
    return None if parts is None else _convolve(parts, float(measured.u))


def coverage(measured: Measured, probability: float = 0.95) -> Coverage:
    """Symmetric interval that holds the truth with the stated probability.

    Parameters
    ----------
    measured
        A single number.
    probability
        Coverage probability, above 0 and below 1.

    Raises
    ------
    ValueError
        When the probability is not between 0 and 1, or the uncertainty is not finite.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a coverage probability between 0 and 1 is needed, this is {probability:g}")
    scalar(measured)
    value = float(measured.value)
    parts = _parts(measured)
    if parts is None:
        return Coverage(value, value, 0.0, float("inf"))
    u = float(measured.u)
    p = 0.5 + probability / 2
    if not parts.halves:  # one t or normal distribution: no table needed
        unit = special.ndtri(p) if np.isinf(parts.dof) else special.stdtrit(parts.dof, p)
        half = parts.scale * float(unit)
    else:
        half = _convolve(parts, u).quantile(p)
    return Coverage(value - half, value + half, half / u, measured.dof)


def probability_within(measured: Measured, low: float = -np.inf, high: float = np.inf) -> float:
    """Probability that the true value lies in [low, high] (JCGM 106:2012 7.2, flat prior).

    For a normal error this is Phi((high - y)/u) - Phi((low - y)/u).
    """
    value = float(measured.value)
    distribution = error_distribution(measured)
    if distribution is None:
        return float(low <= value <= high)
    # the error is symmetric: truth minus value is distributed as value minus truth
    top = distribution.cdf(high - value) if np.isfinite(high) else 1.0
    bottom = distribution.cdf(low - value) if np.isfinite(low) else 0.0
    return min(1.0, max(0.0, top - bottom))


def _parts(measured: Measured) -> _Parts | None:
    u = float(measured.u)
    if not np.isfinite(u):
        raise ValueError(f"the standard uncertainty of {measured.value} is not finite")
    if u == 0.0:
        return None
    halves: list[float] = []
    joined: dict[Source, float] = {}
    small = 0.0
    for source, term in measured.terms.items():
        size = abs(float(term))
        if source.distribution == "normal" or np.isfinite(source.dof):
            # a bound that may itself be wrong (finite dof, GUM G.4.2) has no sharp ends: it goes the normal way
            joined[source] = size
        elif size <= _SMALL * u:
            small += size**2
        elif source.distribution == "rectangular":
            halves.append(size * 3**0.5)
        else:
            halves += [size * 1.5**0.5] * 2  # a triangle is the sum of two equal rectangles
    dof = welch_satterthwaite({s: t for s, t in joined.items() if t})
    scale_square = sum(size**2 for size in joined.values())
    # Many small bounds add up to a normal error. Joined to a t distribution they would thin its tails (Welch–
    # Satterthwaite then is 2 % short of the sum of the distributions), so next to one they stand as three rectangles.
    if np.isfinite(dof) and small > (_SMALL * u) ** 2:
        halves += [small**0.5] * 3
    else:
        scale_square += small
    return _Parts(float(np.sqrt(scale_square)), dof, sorted(halves, reverse=True))


def _convolve(parts: _Parts, u: float) -> ErrorDistribution:
    scale, dof, halves = parts.scale, parts.dof, list(parts.halves)
    # a sum of rectangles is bounded, and sub-Gaussian with variance proxy sum h^2 (Hoeffding): the nearer limit
    rectangles = min(sum(halves), float(np.sqrt(-2 * np.log(_TAIL) * sum(h * h for h in halves))))
    unit = -special.ndtri(_TAIL) if np.isinf(dof) else -special.stdtrit(dof, _TAIL)
    reach = (rectangles + scale * float(unit)) * 1.0001
    core = 2 * u  # nearly equal steps in the core, growing ones in the tails
    x = np.asarray(core * np.sinh(np.linspace(0.0, np.arcsinh(reach / core), _POINTS)), dtype=np.float64)
    if not halves:
        table = _t_cumulative(x / scale, dof)
    elif scale == 0.0 and len(halves) == 1:
        table = np.clip(x / (2 * halves.pop()), 0.0, 0.5)
    elif scale == 0.0:
        first, second = halves.pop(0), halves.pop(0)
        table = (_box_area(x + second, first) - _box_area(np.abs(x - second), first)) / (2 * second)
    else:
        first = halves.pop(0)
        difference = _t_area((x + first) / scale, dof) - _t_area(np.abs(x - first) / scale, dof)
        table = difference * (scale / (2 * first))
    for half in halves:
        area = np.concatenate([[0.0], np.cumsum((table[1:] + table[:-1]) * np.diff(x) / 2)])
        right, left = x + half, np.abs(x - half)
        beyond = np.maximum(right - x[-1], 0.0) / 2  # D is 1/2 past the table
        table = (np.interp(right, x, area) + beyond - np.interp(left, x, area)) / (2 * half)
    table = np.maximum.accumulate(np.clip(table, 0.0, 0.5))
    return ErrorDistribution(
        np.concatenate([-x[:0:-1], x]),
        np.concatenate([0.5 - table[:0:-1], 0.5 + table]),
    )


def _t_cumulative(x: FloatArray, dof: float) -> FloatArray:
    """F(x) - 1/2 of the t distribution, normal for infinite dof."""
    return np.asarray((special.ndtr(x) if np.isinf(dof) else special.stdtr(dof, x)) - 0.5, dtype=np.float64)


def _t_area(x: FloatArray, dof: float) -> FloatArray:
    """Integral of F - 1/2 from 0 to x >= 0: x (F - 1/2) less the integral of t f(t)."""
    if np.isinf(dof):
        with np.errstate(over="ignore"):  # far out the exponential is 0 whatever the square
            moment = -np.expm1(-0.5 * x * x) / np.sqrt(2 * np.pi)
    elif abs(dof - 1.0) < 1e-6:
        moment = np.log1p(x * x) / (2 * np.pi)
    else:
        log_peak = special.gammaln((dof + 1) / 2) - special.gammaln(dof / 2)
        peak = np.exp(log_peak) / np.sqrt(dof * np.pi)
        moment = -peak * dof / (dof - 1) * np.expm1(-(dof - 1) / 2 * np.log1p(x * x / dof))
    return np.asarray(x * _t_cumulative(x, dof) - moment, dtype=np.float64)


def _box_area(x: FloatArray, half: float) -> FloatArray:
    """The same for the rectangular distribution."""
    return np.where(x < half, x * x / (4 * half), x / 2 - half / 4)
