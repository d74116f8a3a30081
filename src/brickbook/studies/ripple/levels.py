"""Peaks, rms and distribution of a scanned capture, each with the scatter its own stretches show."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import integrate, special

from brickbook.core.statistics import Mean, autocorrelated_mean
from brickbook.studies.ripple.scan import Histogram, Scan, Trace, dealt

__all__ = ["Glitch", "Levels", "combed_mean", "expected_range", "levels", "stretches"]

FloatArray = NDArray[np.float64]

_GLITCH = 1.3  # a stretch this much taller than the median one holds something that is not ripple
_PARTS = 16  # stretches of a capture too short for whole periods of the mains ripple


@dataclass(frozen=True, slots=True)
class Glitch:
    """Something taller than the ripple that most stretches do not have.

    Parameters
    ----------
    excess
        Peak-to-peak of the whole less that of the median stretch [unit].
    time_s
        Middle of the block with the farthest sample, from the first sample on [s].
    stretches
        How many stretches have one.
    """

    excess: float
    time_s: float
    stretches: int


@dataclass(frozen=True, slots=True)
class Levels:
    """Peaks and averages; values in the channel's unit.

    Parameters
    ----------
    low, high
        Extremes of the whole.
    mean, rms
        Arithmetic mean, and rms of the departures from it, over whole periods of the mains ripple where there are any.
    mean_square
        Square of the rms with its scatter.
    recurring
        Peak-to-peak of the stretches: median, with the scatter of a median.
    window, windows
        Samples in a stretch, and how many stretches there are.
    span
        From the 0.1 to the 99.9 percentile.
    glitch
        `None` where all peaks recur.
    """

    low: float
    high: float
    mean: float
    rms: float
    mean_square: Mean
    recurring: Mean
    window: int
    windows: int
    span: Mean
    glitch: Glitch | None


def stretches(scan: Scan, ripple_hz: float | None) -> tuple[int, int, bool]:
    """Blocks in a stretch, stretches, and whether each is whole periods of the mains ripple.

    Parameters
    ----------
    ripple_hz
        Twice the mains frequency [Hz]; `None` when it is not known.
    """
    blocks = len(scan.weights) - (1 if scan.block_sizes[-1] < scan.block else 0)
    block_s = scan.block * scan.interval_s
    if ripple_hz is not None and blocks * block_s * ripple_hz >= 3.99:
        periods = blocks * block_s * ripple_hz
        each = max(1, int(periods // 64))  # periods in a stretch
        return round(each / ripple_hz / block_s), int(periods / each + 0.005), True
    many = min(_PARTS, max(2, blocks // 4))
    return max(1, blocks // many), min(many, blocks), False


def levels(scan: Scan, trace: Trace, ripple_hz: float | None) -> Levels:
    """Levels of one trace of a scan.

    Raises
    ------
    ValueError
        When no block is free of missing samples.
    """
    good = scan.weights > 0
    low, high = float(np.nanmin(trace.low)), float(np.nanmax(trace.high))
    size, many, whole = stretches(scan, ripple_hz)
    edges = _edges(scan, size, many, ripple_hz if whole else None)
    used = slice(0, int(edges[-1])) if whole else slice(None)
    weight = scan.weights[used].astype(np.float64)
    if not weight.any():
        raise ValueError("no stretch of the capture is free of missing samples")
    mean_from_centre = np.where(good, trace.mean - scan.centre, 0.0)
    squares = np.where(good, trace.square, 0.0)
    mean = float(weight @ mean_from_centre[used] / weight.sum())
    variance = max(float(weight @ squares[used] / weight.sum()) - mean**2, 0.0)
    about = squares - 2 * mean * mean_from_centre + mean**2
    groups: list[float] = []
    heights: list[float] = []
    for first, last in itertools.pairwise(edges):
        w = scan.weights[first:last].astype(np.float64)
        if w.any():
            groups.append(float(w @ about[first:last] / w.sum()))
            heights.append(float(np.nanmax(trace.high[first:last]) - np.nanmin(trace.low[first:last])))
    scatter = _mean(np.array(groups)) if whole else _combed_blocks(weight, about)
    return Levels(
        low=low,
        high=high,
        mean=mean + scan.centre,
        rms=float(np.sqrt(variance)),
        mean_square=Mean(variance, scatter.s, scatter.u, scatter.dof, scatter.count, scatter.effective_count),
        recurring=_median(np.array(heights)),
        window=size * scan.block,
        windows=len(heights),
        span=_span(scan.histogram),
        glitch=_glitch(scan, trace, np.array(heights), high - low),
    )


def _edges(scan: Scan, size: int, many: int, ripple_hz: float | None) -> NDArray[np.int64]:
    """Blocks at which the stretches begin and end; periods are laid out in time, so that rounding does not add up."""
    if ripple_hz is None:
        return np.minimum(size * np.arange(many + 1), len(scan.weights)).astype(np.int64)
    block_s = scan.block * scan.interval_s
    each = max(1, int(len(scan.weights) * block_s * ripple_hz // 64))
    edges = np.round(np.arange(many + 1) * each / ripple_hz / block_s).astype(np.int64)
    return np.minimum(edges, len(scan.weights))


def combed_mean(values: FloatArray) -> Mean:
    """Mean of values that follow a course of their own, such as a frequency swept by the mains.

    The course is no scatter. The values are dealt to 16 groups in turn, each of which sees the whole course, and the
    scatter is that of the groups' means. Fewer than 64 values are taken as they come.
    """
    if len(values) < 4 * _PARTS:
        return _mean(values)
    group = dealt(np.arange(len(values)), _PARTS)
    groups = np.bincount(group, weights=values, minlength=_PARTS) / np.bincount(group, minlength=_PARTS)
    s = float(np.std(groups, ddof=1))
    value = float(values.mean())
    return Mean(value, float(np.std(values)), s / _PARTS**0.5, _PARTS - 1.0, len(values), float(_PARTS))


def _combed_blocks(weight: FloatArray, about: FloatArray) -> Mean:
    """Scatter of a weighted mean of blocks, dealt in turn to groups that each see the whole of the capture."""
    parts = min(256, len(about) // 4)
    if parts < 4 * _PARTS:
        parts = max(2, len(about) // 2)
    each = len(about) // parts
    used = slice(0, parts * each)
    sums = (weight * about)[used].reshape(parts, each).sum(axis=1)
    weights = weight[used].reshape(parts, each).sum(axis=1)
    means = sums[weights > 0] / weights[weights > 0]
    return combed_mean(means)


def _mean(values: FloatArray) -> Mean:
    if len(values) < 2:
        value = float(values[0]) if len(values) else float("nan")
        return Mean(value, float("nan"), 0.0, float("inf"), len(values), float(len(values)))
    return autocorrelated_mean(values)


def _median(values: FloatArray) -> Mean:
    """Median, with pi/2 times the variance of the mean (large normal samples), 1 for two values or fewer."""
    mean = _mean(values)
    factor = float(np.sqrt(np.pi / 2)) if len(values) > 2 else 1.0
    # one glitch must not widen the scatter of the others: 1.4826 times the median absolute deviation is s for a normal
    middle = float(np.median(values))
    s = 1.4826 * float(np.median(np.abs(values - middle)))
    share = 0.0 if not np.isfinite(mean.s) or mean.s == 0 else min(1.0, s / mean.s)
    return Mean(middle, s, factor * mean.u * share, mean.dof, mean.count, mean.effective_count)


def _span(histogram: Histogram) -> Mean:
    """0.1 to 99.9 percentile; its scatter from the groups, each of which sees fewer samples."""
    low, high = histogram.quantiles(0.001, 0.999)
    parts = [
        float(np.subtract(*histogram.quantiles(0.999, 0.001, group=k)))
        for k in range(len(histogram.counts))
        if histogram.counts[k].sum() >= 2000
    ]
    many = len(parts)
    if many < 2:
        return Mean(float(high - low), 0.0, 0.0, float("inf"), many, float(many))
    s = float(np.std(parts, ddof=1))  # the groups lie between one another: no order, no correlation
    return Mean(float(high - low), s, s / many**0.5, many - 1.0, many, float(many))


def _glitch(scan: Scan, trace: Trace, heights: FloatArray, whole: float) -> Glitch | None:
    if len(heights) < 4:
        return None
    middle = float(np.median(heights))
    spread = 1.4826 * float(np.median(np.abs(heights - middle)))
    tall = heights > max(_GLITCH * middle, middle + 6 * spread)
    if not tall.any() or tall.sum() > len(heights) / 2:
        return None
    centre = float(np.nanmedian(trace.mean))
    farthest = np.fmax(trace.high - centre, centre - trace.low)
    place = int(np.nanargmax(farthest))
    return Glitch(whole - middle, float(scan.block_time_s[place]), int(tall.sum()))


def expected_range(count: float) -> float:
    """Expected range of `count` independent normal numbers of standard deviation 1.

    Integral of 1 - F^N - (1 - F)^N (Tippett, Biometrika 17 (1925) 364; from memory): 6.48 for 1e3, 9.73 for 1e6.
    """
    if count < 2:
        return 0.0

    def tail(x: float) -> float:
        log_f, log_rest = float(special.log_ndtr(x)), float(special.log_ndtr(-x))
        return float(1.0 - np.exp(count * log_f) - np.exp(count * log_rest))

    value, _ = integrate.quad(tail, 0.0, 12.0, limit=200)
    return 2.0 * float(value)
