"""Frequency and damping of the ringing that follows a step.

From the first turn on the voltage is fitted by v = V + exp(-a t) (A cos w t + B sin w t + C), free decay of a
second-order system (from memory, high: any text on control); C is what is still to come of the level's own change, for
want of better as fast as the swings die. The frequency is w/2 pi, that of the swings, and the damping ratio
a/sqrt(a^2 + w^2), by which two turns half a period apart are in the ratio exp(-pi z/sqrt(1 - z^2)).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brickbook.core.fitting import fit_nonlinear
from brickbook.core.statistics import effective_count
from brickbook.core.uncertainty import Measured, Source, propagate, with_source
from brickbook.studies.loadstep.smoothing import Noise

__all__ = ["Ringing", "damped", "ringing"]

FloatArray = NDArray[np.float64]

_STANDS_OUT = 6.0  # standard deviations of a swing beyond which it is no noise
_POINTS = 4096
_UNLIKE = 0.15  # of the first swing: residuals beyond it are no damped sine


@dataclass(frozen=True, slots=True)
class Ringing:
    """A damped sine.

    Parameters
    ----------
    frequency_hz
        Of the swings [Hz].
    damping_ratio
        Of critical damping.
    swings
        Swings to either side that stand out of the noise.
    flags
        What a reader must know.
    """

    frequency_hz: Measured
    damping_ratio: Measured
    swings: int
    flags: tuple[str, ...] = ()


def damped(t: Any, level: Any, decay: Any, omega: Any, cosine: Any, sine: Any, rest: Any = 0.0) -> Any:
    """Free decay of a second-order system about a level."""
    return level + np.exp(-decay * t) * (cosine * np.cos(omega * t) + sine * np.sin(omega * t) + rest)


def ringing(
    values: FloatArray,
    soft: FloatArray,
    interval_s: float,
    start: int,
    level: float,
    noise: Noise,
    where: str,
    clock: tuple[Source, float],
) -> Ringing | None:
    """The ringing after a step; `None` where fewer than two swings after the first turn stand out of the noise.

    Parameters
    ----------
    values, soft
        Samples, and the same smoothed, shape (n,).
    interval_s
        Between them [s].
    start
        Sample of the first turn.
    level
        Settled level.
    noise
        Of a sample.
    where
        Identity of the step.
    clock
        Source of the clock's error, and its relative standard uncertainty.
    """
    turns = _turns(soft[start:] - level, noise)
    if len(turns) < 3:
        return None
    places = np.array([place for place, _ in turns], dtype=np.float64)
    heights = np.abs(np.array([height for _, height in turns]))
    count = min(len(turns), 5)
    half_period = float((places[count - 1] - places[1]) / (count - 2)) * interval_s
    if half_period <= 0.0:
        return None
    decay = max(float(np.log(heights[1] / heights[count - 1])) / (half_period * (count - 2)), 0.02 / half_period)
    omega = float(np.pi / half_period)
    # as long as it swings, and as long again to tell the level
    last = min(int(2 * places[-1]) + 8, len(values) - start)
    part = values[start : start + last]
    each = max(1, len(part) // _POINTS)
    part = part[: len(part) // each * each].reshape(-1, each).mean(axis=1)
    time = (np.arange(len(part)) * each + (each - 1) / 2) * interval_s
    if len(part) < 12:
        return None
    scale = float(heights[0])
    first = float(turns[0][1])
    try:
        # in units of the period and of the first swing, so that all parameters are of the size of 1
        fit = fit_nonlinear(
            damped,
            time * omega,
            (part - level) / scale,
            (0.0, decay / omega, 1.0, first / scale, decay / omega * first / scale, 0.0),
            lower=(-np.inf, 1e-6, 0.05, -np.inf, -np.inf, -np.inf),
            upper=(np.inf, 20.0, 20.0, np.inf, np.inf, np.inf),
        )
    except (ValueError, ArithmeticError):
        return None
    inflation = len(part) / effective_count(fit.residuals)
    _, a, w, *_ = fit.measured(f"noise in the ringing, {where}")
    a, w = _wider(a, inflation**0.5), _wider(w, inflation**0.5)
    frequency = w * (omega / (2 * np.pi))
    frequency = with_source(frequency, clock[0], -float(frequency.value) * clock[1])
    ratio = propagate(lambda p, q: p / (p * p + q * q) ** 0.5, a, w)
    flags: list[str] = []
    if fit.residual_s > max(_UNLIKE, 2 * noise.sigma / scale):
        flags.append("not one damped sine: the fit leaves more than noise")
    period = 1.0 / float(frequency.value)
    if period < 10 * interval_s:
        flags.append(f"only {period / interval_s:.0f} samples in a period: sample faster")
    return Ringing(frequency, ratio, len(turns), tuple(flags))


def _wider(measured: Measured, factor: float) -> Measured:
    terms: Mapping[Source, Any] = {source: term * factor for source, term in measured.terms.items()}
    return Measured(measured.value, terms)


def _turns(away: FloatArray, noise: Noise) -> list[tuple[int, float]]:
    """Place and height of each swing that stands out, the sides taking turns; the first is at the start."""
    high = _STANDS_OUT * noise.u(2)
    sides = np.where(away > high, 1, np.where(away < -high, -1, 0))
    marked = np.flatnonzero(sides)
    if not len(marked):
        return []
    changes = np.flatnonzero(np.diff(sides[marked])) + 1
    turns = []
    for group in np.split(marked, changes):
        top = int(group[np.argmax(np.abs(away[group]))])
        turns.append((top, float(away[top])))
    return turns
