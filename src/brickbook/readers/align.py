"""The offset between two clocks, from load steps that both meters saw.

Each table's load signal is reduced to its steps: changes from reading to reading that stand out of the noise. Both
trains of steps are laid on one fine grid, spread over the readings' own intervals, and cross-correlated; the top of the
correlation, refined by a parabola through its three highest points, is the offset (generalised cross-correlation of
differenced signals; the parabola is common practice, no source). Nothing is resampled but copies made for this.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from brickbook.core.quantities import quantity_of
from brickbook.core.table import Table

__all__ = ["NoAlignment", "Offset", "load_signal", "step_offset"]

FloatArray = NDArray[np.float64]
# Signals that rise with the load, the best first.
SIGNALS = ("mains_power_w", "port_power_w", "mains_current_a", "port_current_a")
NOISE_FACTOR = 6.0  # a change this many times the usual one is a step
LEAST_CORRELATION = 0.6
RIVAL_RATIO = 0.8  # a second top this high beside the first leaves the choice open ...
RIVAL_MISFIT = 5.0  # ... unless it leaves this many times more of the steps unexplained
LEAST_OVERLAP = 0.4  # share of each meter's step energy that must take part
MOST_POINTS = 1 << 21
# Loads in equal steps held equally long, as the test procedures ask for them, fit at 0.8 when laid one step apart; a
# true fit explains nearly everything. This much misfit is granted to any of them.
_LEAST_MISFIT = 0.02


class NoAlignment(ValueError):  # noqa: N818 - becomes a Fault of a ReadError where the files are known
    """Load steps that do not tell one offset."""


@dataclass(frozen=True, slots=True)
class Offset:
    """What to add to the second clock.

    Parameters
    ----------
    offset_s
        Offset [s].
    u_s
        Standard uncertainty [s]: both meters' reading intervals as rectangular, and the noise.
    correlation
        Height of the top, 1 for perfect likeness.
    steps
        Load steps the two have, the smaller number.
    """

    offset_s: float
    u_s: float
    correlation: float
    steps: int


@dataclass(frozen=True, slots=True)
class _Steps:
    """Times, and the signal rebuilt from its steps alone."""

    time_s: FloatArray
    level: FloatArray
    interval_s: float
    count: int


def load_signal(table: Table) -> tuple[str, FloatArray] | None:
    """The quantity of a table that follows the load, summed over its channels, or `None`."""
    for quantity in SIGNALS:
        names = [name for name in table.columns if quantity_of(name) == quantity and table.has(name)]
        if names:
            total = np.sum([table.columns[name] for name in names], axis=0)
            if int(np.isfinite(total).sum()) >= 3:
                return quantity, total
    return None


def step_offset(time_a_s: FloatArray, signal_a: FloatArray, time_b_s: FloatArray, signal_b: FloatArray) -> Offset:
    """Offset to add to `time_b_s` so that the load steps of b fall on those of a.

    u is sqrt((T_a^2 + T_b^2)/12 + grid^2/12 + noise): a step is seen somewhere within an interval T, and as steps often
    come at a multiple of T this does not average away; noise by (1 - r^2)/(r^2 N B^2), with r the top, N the
    readings of the slower meter and B the bandwidth of its steps (Cramér–Rao bound of a delay).

    Parameters
    ----------
    time_a_s, signal_a
        First clock, rising, and load signal, shape (n,); NaN readings are left out.
    time_b_s, signal_b
        Second clock and load signal, shape (m,).

    Raises
    ------
    NoAlignment
        With fewer than two steps in either, a weak top, or two tops of nearly the same height.
    """
    a, b = _steps(time_a_s, signal_a, "first"), _steps(time_b_s, signal_b, "second")
    span = float(a.time_s[-1] - a.time_s[0] + b.time_s[-1] - b.time_s[0])
    fine = min(a.interval_s, b.interval_s) / 4
    grid_s = max(fine, span / MOST_POINTS)
    widest = max(a.interval_s, b.interval_s)
    x = _spread(a, grid_s, (b.interval_s, 2 * widest))
    y = _spread(b, grid_s, (a.interval_s, 2 * widest))
    lags, height = _correlate(x, y)
    top = int(np.argmax(height))
    peak = float(height[top])
    if peak < LEAST_CORRELATION:
        raise NoAlignment(
            f"the load steps of the two do not look alike (best correlation {peak:.2f}, at least "
            f"{LEAST_CORRELATION:.2f} is needed)"
        )
    width = (a.interval_s + b.interval_s + 2 * widest) / grid_s
    rivals = np.where(np.abs(lags - lags[top]) > width + 2, height, -1.0)
    second = int(np.argmax(rivals))
    shift = float(a.time_s[0] - b.time_s[0])
    unexplained = 1.0 - min(peak, 1.0) ** 2 + _LEAST_MISFIT
    clear = 1.0 - float(rivals[second]) ** 2 > RIVAL_MISFIT * unexplained
    if rivals[second] > RIVAL_RATIO * peak and not clear:
        raise NoAlignment(
            f"two offsets fit nearly as well, {lags[top] * grid_s + shift:.3f} s (correlation {peak:.2f}) and "
            f"{lags[second] * grid_s + shift:.3f} s ({rivals[second]:.2f}): the steps repeat themselves"
        )
    offset = (float(lags[top]) + _vertex(height, top)) * grid_s + shift
    slow, coarse = (x, a.interval_s) if a.interval_s >= b.interval_s else (y, b.interval_s)
    bandwidth = float(np.square(np.diff(slow)).sum() / np.square(slow).sum()) / grid_s**2
    readings = len(slow) * grid_s / coarse
    r2 = min(peak**2, 1.0)
    noise = (1 - r2) / (r2 * readings * bandwidth)
    u = np.sqrt((a.interval_s**2 + b.interval_s**2 + grid_s**2) / 12 + noise)
    return Offset(offset, float(u), peak, min(a.count, b.count))


def _steps(time_s: FloatArray, signal: FloatArray, which: str) -> _Steps:
    good = np.isfinite(time_s) & np.isfinite(signal)
    time, level = time_s[good], signal[good]
    rising = np.ones(len(time), dtype=np.bool_)
    rising[1:] = np.diff(time) > 0
    time, level = time[rising], level[rising]
    if len(time) < 3:
        raise NoAlignment(f"the {which} has fewer than three readings")
    change = np.diff(level)
    usual = float(np.median(np.abs(change))) * 1.4826
    largest = float(np.abs(change).max(initial=0.0))
    # a quarter of the largest step's tenth keeps slow drift of a noiseless signal out
    step = np.abs(change) > max(NOISE_FACTOR * usual, 0.02 * largest)
    count = int(np.count_nonzero(step[1:] & ~step[:-1]) + (len(step) > 0 and bool(step[0])))
    if count < 2 or largest == 0.0:
        seen = "no load step" if largest == 0.0 else "one load step"
        raise NoAlignment(f"the {which} shows {seen}, at least two are needed")
    rebuilt = np.concatenate([[0.0], np.cumsum(np.where(step, change, 0.0))])
    return _Steps(time, rebuilt, float(np.median(np.diff(time))), count)


def _spread(steps: _Steps, grid_s: float, widths_s: tuple[float, float]) -> FloatArray:
    """Step rate on the grid, spread by boxes.

    A step between two readings is already spread over their interval. The other meter's interval as a box gives both
    trains one form; a wider one, common to both, lets steps that were seen early and late by chance still overlap.
    """
    count = int(np.ceil((steps.time_s[-1] - steps.time_s[0]) / grid_s)) + 1
    grid = steps.time_s[0] + np.arange(count + 1) * grid_s
    rate = np.diff(np.interp(grid, steps.time_s, steps.level))
    for width in widths_s:
        half = max(round(width / grid_s / 2), 1)
        padded = np.concatenate([np.zeros(half + 1), rate, np.zeros(half)])
        total = np.cumsum(padded)
        rate = (total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1)  # odd: stays centred
    return np.asarray(rate, dtype=np.float64)


def _correlate(x: FloatArray, y: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Lags k (y moved k points later lies on x) and correlation over the overlap; 0 where too little overlaps."""
    n, m = len(x), len(y)
    size = fft.next_fast_len(n + m)

    def cross(p: FloatArray, q: FloatArray) -> FloatArray:
        product = fft.rfft(p, size) * np.conj(fft.rfft(q, size))
        full = np.asarray(fft.irfft(product, size), dtype=np.float64)
        return np.concatenate([full[size - m + 1 :], full[:n]])

    lags = np.arange(-m + 1, n, dtype=np.int64)
    both = cross(x, y)
    ex, ey = np.concatenate([[0.0], np.cumsum(x**2)]), np.concatenate([[0.0], np.cumsum(y**2)])
    begin, end = np.clip(lags, 0, n), np.clip(lags + m, 0, n)
    in_x = ex[end] - ex[begin]
    in_y = ey[np.clip(end - lags, 0, m)] - ey[np.clip(begin - lags, 0, m)]
    enough = (in_x >= LEAST_OVERLAP * ex[-1]) & (in_y >= LEAST_OVERLAP * ey[-1])
    height = np.zeros(len(lags))
    height[enough] = both[enough] / np.sqrt(in_x[enough] * in_y[enough])
    return lags, height


def _vertex(height: FloatArray, top: int) -> float:
    """Where the parabola through three neighbouring points has its top, in points from the middle one."""
    if not 0 < top < len(height) - 1:
        return 0.0
    left, middle, right = (float(h) for h in height[top - 1 : top + 2])
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
