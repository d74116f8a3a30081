"""Power that comes in bursts: its period, and means over whole cycles."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from brickbook.core.statistics import Mean, autocorrelated_mean
from brickbook.plateaus.noise import sample_interval_s

__all__ = ["Cycle", "batches_of", "find_cycle", "hidden_bursts", "mean_over_cycles"]

FloatArray = NDArray[np.float64]

_LEAST_CYCLES = 4  # IEC 62301:2011 5.3.2 (from memory, medium)
_LEAST_CORRELATION = 0.3
_MOST_BATCHES = 64
_LEAST_PER_BATCH = 20
_FEW_PER_CYCLE = 4.0
_LARGE_SCATTER = 0.1  # of the mean
_LINKED = 0.5  # autocorrelation of neighbours from which a log follows what it shows


@dataclass(frozen=True, slots=True)
class Cycle:
    """A period seen in a log.

    Parameters
    ----------
    period_s
        Length of a cycle [s].
    correlation
        Autocorrelation of the readings one period apart, 0 to 1.
    readings_per_cycle
        Sampling of a cycle; below four the period may be the alias of faster bursts.
    """

    period_s: float
    correlation: float
    readings_per_cycle: float


def find_cycle(time_s: FloatArray, power_w: FloatArray) -> Cycle | None:
    """The period of a cyclic power, or `None` where none is seen at least four times.

    The period is the first peak of the autocorrelation, after it has crossed zero, that reaches nine tenths of the
    highest one; it counts if the correlation is at least 0.3 there and at twice the lag as well. Peaks at further
    multiples then refine it. A straight line is taken out first. Uneven sampling is interpolated for this search only.

    Parameters
    ----------
    time_s, power_w
        Times [s], not falling, and readings [W], shape (n,), finite.
    """
    interval = sample_interval_s(time_s)
    if len(time_s) < 16 or interval <= 0.0:
        return None
    grid = np.arange(time_s[0], time_s[-1] + 0.5 * interval, interval)
    readings = np.interp(grid, time_s, power_w)
    line = np.polynomial.Polynomial.fit(grid, readings, 1)
    deviations = readings - line(grid)
    n = len(grid)
    energy = float(deviations @ deviations) / n
    if n < 16 or energy <= (1e-9 * float(np.abs(readings).max())) ** 2:
        return None
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(deviations, size)
    lags = n // 2
    correlation = np.fft.irfft(spectrum * np.conj(spectrum), size)[:lags] / (energy * (n - np.arange(lags)))
    longest = n // _LEAST_CYCLES
    below = np.flatnonzero(correlation[:longest] <= 0.0)
    if len(below) == 0:
        return None
    inner = np.arange(max(int(below[0]), 2), longest)
    inner = inner[inner + 1 < lags]
    if len(inner) == 0:
        return None
    peaks = inner[(correlation[inner] >= correlation[inner - 1]) & (correlation[inner] >= correlation[inner + 1])]
    needed = max(_LEAST_CORRELATION, 4.0 / sqrt(n))
    peaks = peaks[correlation[peaks] >= needed]
    if len(peaks) == 0:
        return None
    lag = int(peaks[np.argmax(correlation[peaks] >= 0.9 * correlation[peaks].max())])
    period = _peak(correlation, lag)
    multiple = 2
    while period * multiple < lags - 2:
        near = round(period * multiple)
        reach = max(1, min(lag // 4, 3))
        top = near - reach + int(np.argmax(correlation[near - reach : near + reach + 1]))
        if correlation[top] < needed:
            break
        period = _peak(correlation, top) / multiple
        multiple += 1
    if multiple == 2:  # not seen again at twice the lag
        return None
    return Cycle(period * interval, float(correlation[lag]), period)


def _peak(correlation: FloatArray, lag: int) -> float:
    """Lag of a peak, by the parabola through it and its neighbours."""
    before, top, after = (float(correlation[lag + k]) for k in (-1, 0, 1))
    bend = before - 2.0 * top + after
    return lag + 0.5 * (before - after) / bend if bend < 0.0 else float(lag)


def mean_over_cycles(time_s: FloatArray, power_w: FloatArray, period_s: float) -> tuple[Mean, int, float]:
    """Mean over the whole cycles at the end of a record, their count, and the time where they begin [s].

    The uncertainty is that of the means of batches of whole cycles: readings within a cycle are no sample of
    independent ones.

    Parameters
    ----------
    time_s, power_w
        Times [s] and readings [W], shape (n,), finite.
    period_s
        Length of a cycle [s].

    Raises
    ------
    ValueError
        With fewer than four whole cycles.
    """
    interval = sample_interval_s(time_s)
    end_s = float(time_s[-1])
    # a reading stands for one interval: n of them last n intervals
    cycles = int((end_s - float(time_s[0]) + interval) / period_s + 1e-9)
    if cycles < _LEAST_CYCLES:
        raise ValueError(f"at least {_LEAST_CYCLES} whole cycles are needed, there are {cycles}")
    inside = time_s > end_s - cycles * period_s + 1e-6 * interval
    time, power = time_s[inside], power_w[inside]
    _, means, per_batch = batches_of(time, power, period_s)
    batches = autocorrelated_mean(means)
    # the batches hold most of the cycles, the mean all of them
    u = batches.u * sqrt(len(means) * per_batch / cycles)
    s = float(np.std(power, ddof=1))
    mean = Mean(float(power.mean()), s, u, batches.dof, len(power), batches.effective_count)
    return mean, cycles, float(time[0])


def batches_of(time_s: FloatArray, power_w: FloatArray, period_s: float) -> tuple[FloatArray, FloatArray, int]:
    """Mean time [s] and mean power [W] of batches of whole cycles, counted from the end, and cycles in a batch.

    A batch holds at least 20 readings where the record is long enough for four batches; at most 64 batches are made.
    """
    interval = sample_interval_s(time_s)
    end_s = float(time_s[-1])
    cycles = max(int((end_s - float(time_s[0]) + interval) / period_s + 1e-9), 1)
    per_batch = max(1, int(np.ceil(_LEAST_PER_BATCH * interval / period_s)), -(-cycles // _MOST_BATCHES))
    per_batch = max(1, min(per_batch, cycles // _LEAST_CYCLES))
    batch = np.floor((end_s - time_s) / (per_batch * period_s) + 1e-9).astype(np.int64)
    whole = cycles // per_batch  # an incomplete batch at the beginning is left out
    counts = np.bincount(batch, minlength=whole)[:whole]
    some = counts > 0
    times = np.bincount(batch, weights=time_s, minlength=whole)[:whole][some] / counts[some]
    means = np.bincount(batch, weights=power_w, minlength=whole)[:whole][some] / counts[some]
    return times[::-1], means[::-1], per_batch


def hidden_bursts(time_s: FloatArray, power_w: FloatArray, cycle: Cycle | None) -> str:
    """A warning where the sampling may hide bursts, else an empty string.

    A log cannot show bursts that come and go between two readings; only the meter's own averaging over its interval
    keeps the mean right then, and the log does not tell whether it averages. Warned of are periods of fewer than four
    readings, and readings that scatter by more than a tenth of the mean with neighbours that are hardly alike
    (thresholds chosen here, no source). Bursts in step with the sampling leave no trace at all.

    Parameters
    ----------
    time_s, power_w
        Times [s] and readings [W], shape (n,), finite, n >= 3.
    cycle
        What `find_cycle` saw.
    """
    interval = sample_interval_s(time_s)
    holds = f"the mean holds only if the meter averages over its interval of {interval:.3g} s"
    if cycle is not None and cycle.readings_per_cycle < _FEW_PER_CYCLE:
        return (
            f"the period of {cycle.period_s:.3g} s is seen with only {cycle.readings_per_cycle:.2g} readings per cycle "
            f"and may be the alias of faster bursts: {holds}"
        )
    scatter = float(np.std(power_w, ddof=1))
    mean = abs(float(np.mean(power_w)))
    deviations = power_w - power_w.mean()
    energy = float(deviations @ deviations)
    linked = float(deviations[1:] @ deviations[:-1]) / energy if energy > 0.0 else 1.0
    if scatter <= _LARGE_SCATTER * mean or linked > _LINKED:
        return ""
    return (
        f"the readings jump by {100.0 * scatter / mean:.0f} % of their mean from one to the next: bursts faster than "
        f"the sampling cannot be seen, and {holds}"
    )
