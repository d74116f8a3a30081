"""Heating curves: exponential fits with the uncertainty of what they predict, and the closed forms used beside them.

A body warmed by a constant power follows T(t) = c + sum b_k exp(-r_k t): one time constant 1/r for a small potted unit,
two for most chargers, fast inner parts and a slow body. The asymptote c is well known where the amplitudes are not
(they trade against each other), so everything is carried with the full covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brickbook.core.fitting import NonlinearFit, fit_nonlinear
from brickbook.core.statistics import effective_count
from brickbook.core.uncertainty import Measured, Source, propagate, sum_of, with_source

__all__ = [
    "STANDARD_AMBIENT_C",
    "ExponentialFit",
    "fit_exponentials",
    "missing_ratio",
    "normalised",
    "residual_rise_k",
    "three_point",
]

FloatArray = NDArray[np.float64]

STANDARD_AMBIENT_C = 25.0
_LARGEST_SHIFT_K = 10.0
_CONVECTION = 0.0037  # relative fall of a rise per kelvin of ambient: natural convection and radiation of such a body
_GRID = 16  # rates tried for the start, per fit
_STARTS = 3  # best of them that are iterated


@dataclass(frozen=True, slots=True)
class ExponentialFit:
    """A sum of exponentials through readings.

    Parameters
    ----------
    steady
        Value for t to infinity.
    amplitudes
        b_k of c + sum b_k exp(-r_k t); with a known origin those of sum b_k (1 - exp(-r_k t)). By falling rate.
    rates
        r_k [1/s], largest first.
    time_constants
        1/r_k [s], shortest first.
    fit
        The least-squares fit. Its covariance takes the residuals as independent.
    inflation
        By how much the variance of the parameters was raised because neighbouring residuals are alike.
    rising
        Whether the value at t = 0 was given and the terms are b_k (1 - exp(-r_k t)).
    """

    steady: Measured
    amplitudes: tuple[Measured, ...]
    rates: tuple[Measured, ...]
    time_constants: tuple[Measured, ...]
    fit: NonlinearFit
    inflation: float
    rising: bool

    def at(self, time_s: ArrayLike) -> FloatArray:
        """The fitted curve, shape of `time_s`."""
        t = np.asarray(time_s, dtype=np.float64)
        curve = np.full(t.shape, float(self.steady.value))
        sign = -1.0 if self.rising else 1.0
        for amplitude, rate in zip(self.amplitudes, self.rates, strict=True):
            curve += sign * float(amplitude.value) * np.exp(-float(rate.value) * t)
        return curve


def fit_exponentials(
    time_s: ArrayLike,
    values: ArrayLike,
    *,
    constants: int,
    source: str,
    origin: float | None = None,
    end: float | None = None,
    correlated: bool = True,
) -> ExponentialFit:
    """Least squares of c + sum b_k exp(-r_k t), k = 1 to `constants`, rates positive.

    Starting values are found by trying a grid of rates, for each of which the rest is linear.

    Parameters
    ----------
    time_s, values
        Readings, shape (n,), times [s] from the start of heating.
    constants
        Number of time constants, 1 to 3.
    source
        Identity of the scatter about the fit.
    origin
        Value at t = 0 where it is known: origin + sum b_k (1 - exp(-r_k t)).
    end
        Value for t to infinity where it is known, as in cooling to a known ambient: end + sum b_k exp(-r_k t).
    correlated
        Raise the variance by n over the effective number of residuals.

    Raises
    ------
    ValueError
        With too few or not finite readings, or times that do not rise.
    ArithmeticError
        When no start converges or the readings cannot tell the parameters apart.
    """
    t = np.asarray(time_s, dtype=np.float64)
    y = np.asarray(values, dtype=np.float64)
    if constants not in (1, 2, 3):
        raise ValueError(f"one to three time constants can be fitted, not {constants}")
    if origin is not None and end is not None:
        raise ValueError("either the origin or the end of a heating curve may be given, not both")
    if len(t) != len(y) or len(t) <= 2 * constants + 1:
        raise ValueError(f"{constants} time constants need more than {2 * constants + 1} readings, there are {len(t)}")
    if not (np.isfinite(t).all() and np.isfinite(y).all()) or not (np.diff(t) > 0).all():
        raise ValueError("the readings of a heating curve must be finite and their times must rise")
    free = origin is None and end is None
    base = origin if origin is not None else end if end is not None else 0.0
    # times in units of the record, so that all parameters are of like size
    span = float(t[-1] - min(t[0], 0.0))
    x, z = t / span, y - base

    def model(at: FloatArray, *p: complex) -> NDArray[np.complex128] | FloatArray:
        rates, amplitudes = p[:constants], p[constants : 2 * constants]
        terms = [b * np.exp(-r * at) for r, b in zip(rates, amplitudes, strict=True)]
        if origin is not None:
            return sum((b - term for b, term in zip(amplitudes, terms, strict=True)), start=np.zeros(len(at)))
        return sum(terms, start=np.full(len(at), p[-1] if free else 0.0))

    count = 2 * constants + free
    lower = np.concatenate([np.full(constants, 1e-6), np.full(count - constants, -np.inf)])
    best: NonlinearFit | None = None
    trouble: ArithmeticError | None = None
    for start in _starts(x, z, constants, free=free, rising=origin is not None):
        try:
            fit = fit_nonlinear(model, x, z, start, lower=lower)
        except ArithmeticError as error:
            trouble = error
            continue
        if best is None or fit.chi2 < best.chi2:
            best = fit
    if best is None:
        raise trouble or ArithmeticError("no starting values fit")
    inflation = len(y) / effective_count(best.residuals) if correlated else 1.0
    return _result(best, constants, base, span, inflation, source, free=free, rising=origin is not None)


def three_point(
    first: Measured | float, second: Measured | float, third: Measured | float, spacing_s: float
) -> tuple[Measured, Measured]:
    """Final value and time constant [s] from three equally spaced readings of one exponential.

    (y2^2 - y1 y3)/(2 y2 - y1 - y3) and h/ln((y2 - y1)/(y3 - y2)), the heat-run rule of the IEC 60076-2 annex family.
    Low wherever a second, faster time constant is still at work.

    Raises
    ------
    ValueError
        When the readings do not flatten: y3 - y2 must be smaller than y2 - y1 and of the same sign.
    """
    y1, y2, y3 = (float(y.value) if isinstance(y, Measured) else float(y) for y in (first, second, third))
    if not 0.0 < (y3 - y2) / (y2 - y1 or np.nan) < 1.0:
        raise ValueError("the three readings do not flatten towards a final value")
    # about the second reading, so that the square does not lose digits
    final = propagate(lambda a, b, c: b - (b - a) * (c - b) / ((c - b) - (b - a)), first, second, third)
    tau = propagate(lambda a, b, c: spacing_s / np.log((b - a) / (c - b)), first, second, third)
    return final, tau


def residual_rise_k(change_k: float, interval_s: float, tau_s: float) -> float:
    """Rise still to come when the change over an interval is just this [K]: d/(exp(dt/tau) - 1)."""
    return change_k / float(np.expm1(interval_s / tau_s))


def missing_ratio(time_s: float, tau_s: float) -> float:
    """Part of the final rise that is missing after this time: exp(-t/tau)."""
    return float(np.exp(-time_s / tau_s))


def normalised(
    temperature: Measured, rise: Measured, ambient: Measured, *, to_c: float = STANDARD_AMBIENT_C, source: str
) -> Measured:
    """Surface temperature at another ambient [°C]: T + (to - ambient).

    The rise itself falls by about 0.37 % of it per kelvin of ambient (natural convection and radiation of a
    charger-sized body, derived), which the rule leaves out: a rectangular term of half-width 0.0037 x rise x |to -
    ambient|.

    Raises
    ------
    ValueError
        For a shift of more than 10 K (common practice).
    """
    shift = to_c - float(ambient.value)
    if abs(shift) > _LARGEST_SHIFT_K:
        raise ValueError(
            f"the ambient was {float(ambient.value):.1f} °C: a surface temperature is not carried {shift:+.1f} K"
        )
    half = _CONVECTION * abs(float(rise.value)) * abs(shift)
    moved = temperature - ambient + to_c
    return with_source(moved, Source(source, "B", "rectangular"), half / 3**0.5) if half else moved


def _starts(x: FloatArray, z: FloatArray, constants: int, *, free: bool, rising: bool) -> list[FloatArray]:
    """Best starting values of a grid of rates, the amplitudes by linear least squares."""
    step = float(np.min(np.diff(x)))
    grid = np.geomspace(0.1, max(3.0 / step, 10.0), _GRID if constants < 3 else _GRID // 2 + 2)
    found: list[tuple[float, FloatArray]] = []
    for rates in combinations(grid[::-1], constants):
        decays = np.exp(-np.outer(x, rates))
        design = np.column_stack([decays, np.ones(len(x))]) if free else 1.0 - decays if rising else decays
        amplitudes, _, rank, _ = np.linalg.lstsq(design, z, rcond=None)
        if rank < design.shape[1]:
            continue
        miss = z - design @ amplitudes
        found.append((float(miss @ miss), np.concatenate([rates, amplitudes])))
    found.sort(key=lambda item: item[0])
    return [start for _, start in found[:_STARTS]]


def _result(
    fit: NonlinearFit,
    constants: int,
    base: float,
    span: float,
    inflation: float,
    source: str,
    *,
    free: bool,
    rising: bool,
) -> ExponentialFit:
    parameters = [m * (1.0 if k >= constants else 1.0 / span) for k, m in enumerate(fit.measured(source))]
    root = float(np.sqrt(inflation))
    wide = [Measured(m.value, {s: float(t) * root for s, t in m.terms.items()}) for m in parameters]
    order = sorted(range(constants), key=lambda k: -float(wide[k].value))
    rates = tuple(wide[k] for k in order)
    amplitudes = tuple(wide[constants + k] for k in order)
    steady = wide[-1] if free else sum_of(amplitudes) + base if rising else Measured(base)
    return ExponentialFit(steady, amplitudes, rates, _inverse(rates), fit, inflation, rising)


def _inverse(rates: Sequence[Measured]) -> tuple[Measured, ...]:
    return tuple(1.0 / rate for rate in rates)
