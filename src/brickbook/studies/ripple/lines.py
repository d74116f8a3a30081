"""What a scanned capture is made of: mains ripple, switching, bursts and noise."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal, special

from brickbook.core.statistics import Mean, autocorrelated_mean
from brickbook.studies.ripple.levels import combed_mean
from brickbook.studies.ripple.scan import Scan, Trace

__all__ = [
    "Burst",
    "MainsRipple",
    "Spectrum",
    "Switching",
    "burst",
    "mains_ripple",
    "noise_floor",
    "spectrum",
    "switching",
]

FloatArray = NDArray[np.float64]

_POINTS = 1 << 15  # of the series the mains ripple is fitted to
_SEARCH = 0.01  # relative width within which the mains frequency is looked for
_TRUSTED = 0.25  # of the rate of the means, up to which their spectrum is free of what they fold
_CLEAR = 20.0  # power of a line over that of the noise beside it, from which it is a line
_SEEN = 0.05  # share of the segments in which a switching frequency must be there
_FOLLOW = (0.6, 1.6)  # how far a switching frequency may move and still be the same one


@dataclass(frozen=True, slots=True)
class MainsRipple:
    """Component at twice the mains frequency.

    Parameters
    ----------
    amplitude
        Of the sine, half its peak-to-peak [unit].
    u, dof
        From the noise beside the line.
    frequency_hz
        At which it was found.
    periods
        Of it within the capture.
    """

    amplitude: float
    u: float
    dof: float
    frequency_hz: float
    periods: float


@dataclass(frozen=True, slots=True)
class Switching:
    """The switching frequency, followed from segment to segment.

    Parameters
    ----------
    frequency_hz
        Mean over the segments in which it is there, with their scatter.
    low_hz, high_hz
        5 and 95 percentile of them.
    active_ratio
        Share of the segments in which it is there.
    resolution_hz
        Width of a bin.
    time_s, track_hz
        Middle of each segment in which it is there, and the frequency.
    """

    frequency_hz: Mean
    low_hz: float
    high_hz: float
    active_ratio: float
    resolution_hz: float
    time_s: FloatArray
    track_hz: FloatArray

    @property
    def moves(self) -> bool:
        """Whether it moves by more than the spectrum can blur."""
        return self.high_hz - self.low_hz > 1.0 * self.resolution_hz


@dataclass(frozen=True, slots=True)
class Burst:
    """Switching that stops and starts.

    Parameters
    ----------
    rate_hz
        Bursts a second, with the scatter of their spacing.
    active_ratio
        Share of time in which it switches.
    count
        Bursts seen.
    """

    rate_hz: Mean
    active_ratio: float
    count: int


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Power density from the lowest to the highest frequency the capture can tell, shapes (n,)."""

    frequency_hz: FloatArray
    density: FloatArray


def mains_ripple(scan: Scan, ripple_hz: float) -> MainsRipple | None:
    """Least-squares sine at twice the mains frequency, with its multiples, the mains frequency itself and a drift.

    The frequency is refined within 1 % when there are 10 periods or more. The noise of the amplitude is that of the
    spectrum beside the line: var = S/T for a one-sided density S over a time T (Kay, Fundamentals of Statistical
    Signal Processing: Estimation Theory, example 3.14; from memory); its mean square is taken off the amplitude's.

    Parameters
    ----------
    ripple_hz
        Twice the nominal mains frequency [Hz].

    Returns
    -------
    MainsRipple, or `None` when the capture is shorter than one period or too coarse for it.
    """
    values, step_s, block_s = _slow_series(scan)
    span_s = len(values) * step_s
    periods = span_s * ripple_hz
    if periods < 0.99 or step_s * ripple_hz > 0.1:
        return None
    time_s = step_s * np.arange(len(values), dtype=np.float64)
    orders = [o for o in (0.5, 1.0, 2.0, 3.0, 4.0) if (o >= 1 or periods >= 4) and o * ripple_hz * step_s < 0.3]
    found = ripple_hz
    if periods >= 10:
        found = _refined(values, step_s, ripple_hz)
    weights, residual = _fit(values, time_s, found, orders)
    at = 2 + 2 * orders.index(1.0)
    density, dof = _beside(residual, step_s, found, orders, len(weights))
    variance = density / span_s
    square = float(weights[at] ** 2 + weights[at + 1] ** 2) - 2 * variance
    droop = float(np.sinc(found * block_s))
    amplitude = float(np.sqrt(max(square, 0.0)))
    u = float(np.sqrt(variance))
    return MainsRipple(amplitude / droop, u / droop, dof, found, periods)


def _refined(values: FloatArray, step_s: float, hz: float) -> float:
    """Frequency of the strongest line within 1 % of one [Hz], by a windowed transform with zeros added."""
    n = len(values)
    size = 1 << int(np.ceil(np.log2(8 * n)))
    squares = np.abs(np.fft.rfft(values * np.hanning(n), size)) ** 2
    unit = 1.0 / (size * step_s)
    first, last = int(np.floor(hz * (1 - _SEARCH) / unit)), int(np.ceil(hz * (1 + _SEARCH) / unit))
    place = first + int(squares[first : last + 1].argmax())
    if not first < place < last:
        return hz  # no peak there: keep to what is stated
    left, middle, right = np.log(squares[place - 1 : place + 2] + 1e-300)
    bend = left - 2 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((place + shift) * unit)


def _slow_series(scan: Scan) -> tuple[FloatArray, float, float]:
    """Means of equal stretches less their mean, their spacing and the length of each [s]; gaps are bridged."""
    whole = len(scan.weights) - (1 if scan.block_sizes[-1] < scan.block else 0)
    means, weights = scan.wide.mean[:whole] - scan.centre, scan.weights[:whole]
    lost = weights == 0
    if lost.any() and not lost.all():
        place = np.arange(whole)
        means = np.where(lost, np.interp(place, place[~lost], means[~lost]), means)
    together = max(1, whole // _POINTS)
    many = whole // together
    values = means[: many * together].reshape(many, together).mean(axis=1)
    step_s = together * scan.block * scan.interval_s
    return values - values.mean(), step_s, step_s


def _fit(values: FloatArray, time_s: FloatArray, hz: float, orders: list[float]) -> tuple[FloatArray, FloatArray]:
    columns = [np.ones_like(time_s), time_s - time_s.mean()]
    for order in orders:
        phase = 2 * np.pi * order * hz * time_s
        columns += [np.cos(phase), np.sin(phase)]
    design = np.column_stack(columns)
    # sines over some periods are nearly orthogonal: the normal equations are as good as anything here, and quicker
    scale = np.linalg.norm(design, axis=0)
    scaled = design / np.where(scale > 0, scale, 1.0)
    weights = np.linalg.lstsq(scaled.T @ scaled, scaled.T @ values, rcond=1e-12)[0] / np.where(scale > 0, scale, 1.0)
    return np.asarray(weights), np.asarray(values - design @ weights)


def _beside(residual: FloatArray, step_s: float, hz: float, orders: list[float], used: int) -> tuple[float, float]:
    """One-sided power density beside the line [unit^2/Hz] and its degrees of freedom."""
    n = len(residual)
    squares = np.abs(np.fft.rfft(residual)) ** 2 * 2 * step_s / n
    place = np.arange(len(squares))
    line = hz * n * step_s
    near = (place >= max(1.0, 0.55 * line - 3)) & (place <= 1.45 * line + 3)
    for order in orders:
        near &= np.abs(place - order * line) > 1.5
    if near.sum() >= 3:
        return float(squares[near].mean()), float(2 * near.sum())
    dof = max(n - used, 1)
    white = float(residual @ residual) / dof * 2 * step_s
    # too short to look beside the line: take the residual for white, or for what its low end shows, if that is more
    low = float(squares[1 : max(3, min(len(squares), int(4 * line) + 4))].mean())
    return max(white, low), 4.0


def switching(scan: Scan, ripple_hz: float | None) -> Switching | None:
    """The switching frequency between 20 kHz and 3 MHz; `None` when no line stands out of the noise there.

    Parameters
    ----------
    ripple_hz
        Twice the mains frequency [Hz], with which it may be swept; `None` when it is not known.
    """
    lines, resolution = scan.lines, float(scan.frequency_hz[1])
    known = np.isfinite(lines.power) & (lines.power > 0)
    # against the noise at its own frequency, as noise need not be white
    floor = np.interp(np.where(known, lines.frequency_hz, 0.0), scan.frequency_hz, noise_floor(scan))
    clear = known & (lines.power > _CLEAR * 1.5 * resolution * np.maximum(floor, 1e-300))
    if clear.sum() < max(1.0, _SEEN * len(lines.power)):
        return None
    frequency, power = lines.frequency_hz[clear], lines.power[clear]
    # the strongest place on a logarithmic scale, in steps of 5 %
    place = np.round(np.log(frequency) / 0.05).astype(np.int64)
    first = int(place.min())
    energy = np.convolve(np.bincount(place - first, weights=power), np.ones(3), mode="same")
    mode = float(np.exp(0.05 * (first + int(energy.argmax()))))
    divisor = _subharmonic(scan, mode)
    near = (frequency > _FOLLOW[0] * mode) & (frequency < _FOLLOW[1] * mode)
    track = frequency[near] / divisor
    start = lines.start[clear][near]
    order = np.argsort(start, kind="stable")
    track, start = track[order], start[order]
    if len(track) >= 3:
        mean = _over_periods(track, start.astype(np.float64) * scan.interval_s, ripple_hz)
    else:  # the interpolation between bins is good to a fraction of one
        value = float(track.mean())
        mean = Mean(value, 0.0, 0.1 * resolution / divisor, 2.0, len(track), float(len(track)))
    low, high = np.quantile(track, [0.05, 0.95])
    half = (len(scan.frequency_hz) - 1) * scan.interval_s
    return Switching(
        frequency_hz=mean,
        low_hz=float(low),
        high_hz=float(high),
        active_ratio=float(near.sum() / max(1, int(known.sum()))),
        resolution_hz=resolution,
        time_s=start.astype(np.float64) * scan.interval_s + half,
        track_hz=track,
    )


def _over_periods(track: FloatArray, time_s: FloatArray, ripple_hz: float | None) -> Mean:
    """Mean of a frequency that the mains may sweep: its scatter is that of means over periods of it."""
    span_s = float(time_s[-1] - time_s[0])
    if ripple_hz is None or span_s * ripple_hz < 6 or len(track) < 4 * span_s * ripple_hz:
        return combed_mean(track)
    each = max(1.0, np.floor(span_s * ripple_hz / 64))
    period = np.floor((time_s - time_s[0]) * ripple_hz / each).astype(np.int64)
    counts, sums = np.bincount(period), np.bincount(period, weights=track)
    full = counts >= 0.7 * np.median(counts[counts > 0])
    mean = autocorrelated_mean(sums[full] / counts[full])
    return Mean(mean.value, float(np.std(track)), mean.u, mean.dof, len(track), mean.effective_count)


def _subharmonic(scan: Scan, mode_hz: float) -> int:
    """2 or 3 when the strongest line is that multiple of a lower one, else 1."""
    resolution = float(scan.frequency_hz[1])

    def at(hz: float) -> tuple[float, float]:
        place = round(hz / resolution)
        if place < 6 or place + 9 > len(scan.density):
            return 0.0, float("inf")
        around = np.r_[scan.density[max(place - 12, 3) : place - 4], scan.density[place + 5 : place + 13]]
        return float(scan.density[place - 2 : place + 3].max()), float(np.median(around)) if len(around) else float(
            "inf"
        )

    top, _ = at(mode_hz)
    for divisor in (3, 2):
        if mode_hz / divisor < 20e3:
            continue
        peak, floor = at(mode_hz / divisor)
        if peak > 0.05 * top and peak > 30 * floor:
            return divisor
    return 1


def noise_floor(scan: Scan, share: float = 0.25) -> FloatArray:
    """Power density of the noise under the lines [unit^2/Hz], shape of `scan.density`.

    A low quantile of the density over stretches of it, divided by what that quantile is of the mean for noise alone (a
    gamma distribution), which lines do not reach as long as they leave room between them. Lines that are swept or ring
    leave none: what two quantiles differ by tells.

    Parameters
    ----------
    share
        Of the quantile.
    """
    density = scan.density
    averaged = max(1.0, 0.6 * scan.segments)
    of_mean = float(special.gammaincinv(averaged, share)) / averaged
    edges = np.unique(np.round(np.geomspace(8, len(density) - 1, 25)).astype(np.int64))
    centres, floors = [], []
    for first, last in itertools.pairwise(edges):
        wide = max(0, (24 - (last - first)) // 2)
        part = density[max(3, first - wide) : min(len(density) - 1, last + wide)]
        if len(part):
            centres.append(float(np.sqrt(first * last)))
            floors.append(float(np.quantile(part, share)) / of_mean)
    if not centres:
        return np.zeros_like(density)
    floor = np.interp(np.arange(len(density)), centres, floors)
    return np.asarray(floor, dtype=np.float64)


def burst(scan: Scan, trace: Trace, switching_hz: float, ripple_hz: float | None) -> Burst | None:
    """Whether switching stops and starts: the height of stretches of a few switching periods has two levels."""
    block_s = scan.block * scan.interval_s
    together = max(1, int(np.ceil(1.5 / (switching_hz * block_s))))
    many = len(scan.weights) // together
    if many < 24:
        return None
    shape = (many, together)
    heights = np.nanmax(
        np.where(np.isfinite(trace.high), trace.high, -np.inf)[: many * together].reshape(shape), axis=1
    )
    heights = heights - np.min(
        np.where(np.isfinite(trace.low), trace.low, np.inf)[: many * together].reshape(shape), axis=1
    )
    heights = np.where(np.isfinite(heights), heights, np.nan)
    low, high = np.nanquantile(heights, [0.05, 0.95])
    if not low < 0.4 * high:
        return None
    # two thresholds, so that noise about one does not count as bursts; between them the last state holds
    decided = np.where(heights > low + 0.6 * (high - low), 1, np.where(heights < low + 0.3 * (high - low), 0, -1))
    last = np.maximum.accumulate(np.where(decided >= 0, np.arange(many), 0))
    on = decided[last] == 1
    ratio = float(on.mean())
    rising = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    if len(rising) < 3 or not 0.02 < ratio < 0.98:
        return None
    step_s = together * block_s
    gaps = np.diff(rising) * step_s
    rate = 1.0 / float(gaps.mean())
    if ripple_hz is not None and abs(rate / ripple_hz - 1.0) < 0.1:
        return None  # the ripple follows the mains; it does not burst
    # each edge is known to a step; the mean of the spacings to the first and last edge
    scatter = autocorrelated_mean(gaps) if len(gaps) >= 3 else Mean(float(gaps.mean()), 0.0, 0.0, float("inf"), 2, 2.0)
    u_gap = float(np.hypot(min(scatter.u, float(gaps.std()) or scatter.u), step_s / np.sqrt(6) / len(gaps)))
    mean = Mean(rate, scatter.s * rate**2, u_gap * rate**2, scatter.dof, len(gaps), scatter.effective_count)
    return Burst(mean, ratio, len(rising))


def spectrum(scan: Scan) -> Spectrum:
    """The low end from the block means, joined to the segments' spectrum where both can be trusted."""
    values, step_s, _ = _slow_series(scan)
    size = min(len(values), max(256, len(values) // 4))
    resolution = float(scan.frequency_hz[1])
    last = len(scan.frequency_hz) - 2  # the bin at half the sample rate is one of its own
    if size < 64 or 4 * resolution > _TRUSTED / step_s:
        return Spectrum(scan.frequency_hz[3:last], scan.density[3:last])
    frequency, density = signal.welch(values, 1.0 / step_s, nperseg=size, detrend="constant")
    density = density / np.sinc(frequency * step_s) ** 2
    join_hz = min(max(4 * resolution, 0.02 / step_s), _TRUSTED / step_s)
    slow = (frequency > 1.5 * frequency[1]) & (frequency < join_hz)
    fast = (scan.frequency_hz >= join_hz) & (scan.frequency_hz < scan.frequency_hz[last])
    return Spectrum(
        np.concatenate([frequency[slow], scan.frequency_hz[fast]]),
        np.concatenate([density[slow], scan.density[fast]]),
    )
