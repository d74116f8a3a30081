"""How often stated 95 % intervals hold the truth, by simulation with fixed seeds.

    python checks/interval_coverage.py [series]

First table: means of first-order autoregressions; then of other kinds of noise; with the same for the interval that
takes the readings as independent. Second: whole budgets, where the truth is drawn as the sources say and each type A
part is estimated from its own readings.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from scipy import signal, special

from brickbook.core.coverage import coverage
from brickbook.core.statistics import autocorrelated_mean
from brickbook.core.uncertainty import Measured, Source

FloatArray = NDArray[np.float64]
COUNTS = (6, 10, 30, 60, 120, 300, 2000)


def autoregression(rng: np.random.Generator, count: int, n: int, rho: float) -> FloatArray:
    """Stationary Gaussian series of mean 0, shape (count, n)."""
    noise = rng.standard_normal((count, n))
    noise[:, 0] /= np.sqrt(1.0 - rho**2)
    return np.asarray(signal.lfilter([1.0], [1.0, -rho], noise, axis=1))


def running_mean(rng: np.random.Generator, count: int, n: int, width: int) -> FloatArray:
    """Running means of white noise: a meter that averages longer than it samples."""
    noise = rng.standard_normal((count, n + width - 1))
    return np.lib.stride_tricks.sliding_window_view(noise, width, axis=1).mean(axis=2)


def hidden(rng: np.random.Generator, count: int, n: int, rho: float) -> FloatArray:
    """An autoregression under white noise of the same standard deviation."""
    slow = autoregression(rng, count, n, rho)
    return slow + rng.standard_normal((count, n)) / np.sqrt(1.0 - rho**2)


def beat(rng: np.random.Generator, count: int, n: int) -> FloatArray:
    """A resonance: strongly alternating correlation."""
    noise = rng.standard_normal((count, n + 200))
    return np.asarray(signal.lfilter([1.0], [1.0, -1.6, 0.9], noise, axis=1))[:, 200:]


def held(series: FloatArray) -> tuple[float, float]:
    """Shares of intervals that hold 0: ours, and the one for independent readings [%]."""
    means = [autocorrelated_mean(x) for x in series]
    n = series.shape[1]
    value = np.array([m.value for m in means])
    half = np.array([special.stdtrit(m.dof, 0.975) * m.u for m in means])
    plain = special.stdtrit(n - 1, 0.975) * series.std(axis=1, ddof=1) / np.sqrt(n)
    return 100 * float(np.mean(np.abs(value) <= half)), 100 * float(np.mean(np.abs(value) <= plain))


def budget(rng: np.random.Generator, trials: int, readings: int, scatter: float, bounds: tuple[float, ...]) -> float:
    """Share of intervals that hold the truth: one mean of few readings and some data sheet bounds [%]."""
    hits = 0
    for _ in range(trials):
        error = sum(rng.uniform(-a, a) for a in bounds)
        mean = autocorrelated_mean(scatter * rng.standard_normal(readings))
        terms = {Source(f"bound {k}"): a / 3**0.5 for k, a in enumerate(bounds)}
        terms[Source("scatter", "A", "normal", mean.dof)] = mean.u
        interval = coverage(Measured(mean.value + error, terms))
        hits += interval.lower <= 0.0 <= interval.upper
    return 100 * hits / trials


def main() -> None:
    """Print the tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    rng = np.random.default_rng(20)
    print(
        f"95 % intervals of a mean that hold the truth, {count} series each [%]: ours (readings taken as independent)"
    )
    print(f"{'noise':26}" + "".join(f"{'n = ' + str(n):>15}" for n in COUNTS))
    kinds = [(f"autoregression {rho:g}", lambda n, r=rho: autoregression(rng, count, n, r)) for rho in (0, 0.3, 0.6)]
    kinds += [
        (f"autoregression {rho:g}", lambda n, r=rho: autoregression(rng, count, n, r)) for rho in (0.8, 0.9, 0.95)
    ]
    kinds += [
        ("running mean of 10", lambda n: running_mean(rng, count, n, 10)),
        ("0.9 under white noise", lambda n: hidden(rng, count, n, 0.9)),
        ("0.95 under white noise", lambda n: hidden(rng, count, n, 0.95)),
        ("resonance", lambda n: beat(rng, count, n)),
    ]
    for name, series in kinds:
        row = [held(series(n)) for n in COUNTS]
        print(f"{name:26}" + "".join(f"{ours:8.1f} ({plain:4.1f})" for ours, plain in row), flush=True)
    print("\n95 % intervals of a budget: scatter of single readings 1, bounds as stated [%]")
    for readings, bounds in ((3, ()), (3, (0.5,)), (3, (3.0,)), (5, (1.0, 0.5)), (10, (0.2,) * 8), (30, (0.1,) * 20)):
        share = budget(rng, count, readings, 1.0, bounds)
        print(f"{readings:3d} readings, bounds {' '.join(map(str, bounds)) or 'none':50} {share:6.1f}", flush=True)


if __name__ == "__main__":
    main()
