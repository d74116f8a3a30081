"""Local fits to a noisy trace, as wide as the trace allows.

A dip of some microseconds and the tail that follows it want different averaging. At each sample the trace is fitted by
a parabola over a window, which for equally spaced samples is a fixed set of weights (Savitzky & Golay, Anal. Chem. 36
(1964) 1627; from memory, high). The window is the widest whose result still agrees with those of all narrower ones
within their noise: the intersection of confidence intervals (Goldenshluger & Nemirovski, Math. Methods Stat. 6 (1997)
135; from memory, medium). The result is then taken from a window of half that width, so that what is left of the shape
is no more than the noise; as much is counted for it.

The noise of a window is not reckoned from white noise: the weights are applied to what the trace does while nothing
happens, so that ripple and noise with a memory count for what they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

__all__ = ["Fit", "Noise", "Smooth", "fit_at", "kernel", "noise_of", "one_sided", "smooth"]

FloatArray = NDArray[np.float64]

_AGREE = 2.5  # standard deviations within which windows of different width must agree
_WINDOWS = 12  # of a width, needed to learn its noise from a quiet stretch
_LEAST = 24  # samples of a quiet stretch from which noise can be learnt


@dataclass(frozen=True, slots=True)
class Noise:
    """What the trace does while nothing happens.

    Parameters
    ----------
    sigma
        Standard deviation of a sample [unit].
    quiet
        Samples of a quiet stretch about its straight line [unit], shape (n,).
    floor
        Least standard deviation of any mean: what the converter's steps leave [unit].
    """

    sigma: float
    quiet: FloatArray
    floor: float

    def u(self, half: int) -> float:
        """Standard deviation of a fit over 2 half + 1 samples [unit]."""
        if half < 2:
            return float(np.hypot(self.sigma, self.floor))
        weights = kernel(half)
        gain = float(np.sqrt(weights @ weights))
        white = self.sigma * gain
        widest = max((len(self.quiet) - _WINDOWS) // (_WINDOWS + 1) // 2, 0)
        usable = min(half, widest)
        if usable >= 2:
            own = kernel(usable)
            seen = float(np.std(signal.fftconvolve(self.quiet, own, mode="valid")))
            # a window that happens to be whole periods of a ripple takes all of it out: its neighbour does not
            beside = kernel(max(usable * 5 // 6, 2))
            less = float(np.sqrt((own @ own) / (beside @ beside)))
            seen = max(seen, less * float(np.std(signal.fftconvolve(self.quiet, beside, mode="valid"))))
            # wider windows than the stretch can tell of: as much less as white noise would be
            seen *= gain / float(np.sqrt(own @ own))
            return float(np.hypot(seen, self.floor))
        return float(np.hypot(white, self.floor))


def noise_of(quiet: FloatArray, step: float, floor: float) -> Noise:
    """Noise of a quiet stretch; steps of the converter count as noise of q/sqrt 12 where they hide it.

    Raises
    ------
    ValueError
        When the stretch has fewer than 24 samples.
    """
    if len(quiet) < _LEAST:
        raise ValueError(
            f"only {len(quiet)} samples in the settled stretch, {_LEAST} are needed to learn its noise: sample faster "
            "or capture longer"
        )
    place = np.linspace(-1.0, 1.0, len(quiet))
    slope = float(place @ quiet) / float(place @ place)
    rest = quiet - quiet.mean() - slope * place
    sigma = max(float(np.sqrt(rest @ rest / (len(rest) - 2))), step / 12**0.5)
    return Noise(sigma, rest, floor)


def kernel(half: int) -> FloatArray:
    """Weights of the value of a parabola in the middle of 2 half + 1 samples."""
    if half < 2:
        return np.ones(1)
    j = np.arange(-half, half + 1, dtype=np.float64)
    weights = 3.0 * (3.0 * half**2 + 3.0 * half - 1.0) - 15.0 * j**2
    return weights / ((2.0 * half - 1.0) * (2.0 * half + 1.0) * (2.0 * half + 3.0))


@dataclass(frozen=True, slots=True)
class Smooth:
    """A smoothed trace.

    Parameters
    ----------
    wide
        From the widest windows that agree [unit], shape (n,): for finding things.
    half
        Half-width of those windows [samples], shape (n,).
    """

    wide: FloatArray
    half: NDArray[np.int64]

    def careful(self, place: int) -> int:
        """Half-width at a sample that leaves little of the shape: half the widest one, 0 for the sample itself."""
        half = int(self.half[place]) // 2
        return half if half >= 2 else 0


def smooth(values: FloatArray, noise: Noise, widest: int) -> Smooth:
    """The trace from windows as wide as it allows, sample by sample.

    Parameters
    ----------
    values
        Equally spaced samples [unit], shape (n,), all finite.
    noise
        Of the trace.
    widest
        Largest half-width [samples].
    """
    n = len(values)
    wide, half = values.copy(), np.zeros(n, dtype=np.int64)
    bound = _AGREE * noise.u(0)
    low, high = values - bound, values + bound
    alive = np.ones(n, dtype=np.bool_)
    sizes = _sizes(min(widest, (n - 1) // 2))
    scatter = np.array([noise.u(size) for size in sizes])
    # a window is not trusted further than the wider ones deserve
    bounds = _AGREE * np.maximum.accumulate(scatter[::-1])[::-1] if len(sizes) else scatter
    for size, bound in zip(sizes, bounds.tolist(), strict=True):
        fitted = signal.fftconvolve(np.pad(values, size, mode="reflect"), kernel(size), mode="valid")
        low = np.where(alive, np.maximum(low, fitted - bound), low)
        high = np.where(alive, np.minimum(high, fitted + bound), high)
        alive &= low <= high
        wide[alive], half[alive] = fitted[alive], size
        if not alive.any():
            break
    return Smooth(wide, half)


def _sizes(widest: int) -> list[int]:
    sizes, size = [], 2.0
    while round(size) <= widest:
        sizes.append(round(size))
        size *= 2**0.5
    return sorted(set(sizes))


@dataclass(frozen=True, slots=True)
class Fit:
    """A parabola a + b x + c x^2 about a sample, x in samples.

    Parameters
    ----------
    a, b, c
        Coefficients [unit], [unit/sample], [unit/sample^2].
    u_a, u_b
        Their standard uncertainties from noise.
    half
        Half-width of the window [samples].
    """

    a: float
    b: float
    c: float
    u_a: float
    u_b: float
    half: int

    def vertex(self) -> tuple[float, float]:
        """Value and place of the turning point, the bias that noise in the slope gives the value taken off.

        The value is a - b^2/(4 c), and b^2 is on average too large by u(b)^2. Where the turning point is outside the
        window the value is that in the middle.
        """
        if self.c == 0.0 or self.half < 2:
            return self.a, 0.0
        place = -self.b / (2.0 * self.c)
        if abs(place) > self.half / 2:
            return self.a, 0.0
        return self.a - max(self.b**2 - self.u_b**2, 0.0) / (4.0 * self.c), place


def fit_at(values: FloatArray, place: int, half: int, noise: Noise) -> Fit:
    """Parabola through the samples about a place; for half-widths below 2 the sample and the line to its neighbours."""
    if half < 2 or place - half < 0 or place + half >= len(values):
        left, right = max(place - 1, 0), min(place + 1, len(values) - 1)
        slope = float(values[right] - values[left]) / max(right - left, 1)
        return Fit(float(values[place]), slope, 0.0, noise.u(0), noise.u(0) / 2**0.5, 0)
    x = np.arange(-half, half + 1, dtype=np.float64)
    y = values[place - half : place + half + 1]
    a = float(kernel(half) @ y)
    square = float(x @ x)
    b = float(x @ y) / square
    design = x**2 - square / len(x)
    c = float(design @ y) / float(design @ design)
    u_a = noise.u(half)
    weights = kernel(half)
    # noise with a memory weighs on the slope as it does on the value
    excess = u_a / (float(np.sqrt(weights @ weights)) or 1.0)
    return Fit(a, b, c, u_a, excess / square**0.5, half)


def one_sided(values: FloatArray, place: int, noise: Noise, widest: int) -> tuple[float, float, float, int]:
    """Value at a place from a straight line through it and the samples after it, as many as agree.

    Serves where a smooth course begins with an edge. Value, slope for a sample, standard uncertainty of the value from
    noise, and samples used.
    """
    sigma = noise.u(0)
    low, high = values[place] - _AGREE * sigma, values[place] + _AGREE * sigma
    count = 1
    for size in _sizes(min(widest, len(values) - place)):
        if size < 3:
            continue
        value, _, gain = _line(values[place : place + size])
        bound = _AGREE * max(sigma * gain, noise.floor)
        low, high = max(low, value - bound), min(high, value + bound)
        if low > high:
            break
        count = size
    count = max(count // 3, 1)  # what the line leaves of a bend grows with the square of its length
    if count < 3:
        return float(values[place]), 0.0, sigma, 1
    value, slope, gain = _line(values[place : place + count])
    return value, slope, float(np.hypot(sigma * gain, noise.floor)), count


def _line(y: FloatArray) -> tuple[float, float, float]:
    """Value at the first sample, slope, and the factor from sample noise to the value's."""
    n = len(y)
    x = np.arange(n, dtype=np.float64)
    d = x - x.mean()
    square = float(d @ d)
    slope = float(d @ y) / square
    return float(y.mean()) - slope * float(x.mean()), slope, float(np.sqrt(1.0 / n + x.mean() ** 2 / square))
