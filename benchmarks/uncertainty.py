"""What a budget costs: efficiency of many points, and one figure's interval.

    python benchmarks/uncertainty.py [points]

One run measures all ways in turn, best of several; the ratios are what counts. Every way must give the same
uncertainties, or it stops.
"""

from __future__ import annotations

import platform
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat, unumpy

from brickbook.core.coverage import coverage
from brickbook.core.statistics import autocorrelated_mean
from brickbook.core.uncertainty import Measured, Source, propagate

FloatArray = NDArray[np.float64]
GAIN = 0.002  # of reading, standard uncertainty, one for each of the three channels


def best(function: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Shortest time [s] and the result."""
    times, result = [], None
    for _ in range(repeats):
        start = time.perf_counter()
        result = function()
        times.append(time.perf_counter() - start)
    return min(times), result


def by_hand(v: FloatArray, i: FloatArray, p: FloatArray, s: FloatArray) -> FloatArray:
    """Efficiency V I/P with the partial derivatives written out."""
    eta = v * i / p
    relative = (s / v) ** 2 + (s / i) ** 2 + (s / p) ** 2 + 3 * GAIN**2
    return np.asarray(eta * np.sqrt(relative))


def ours(v: FloatArray, i: FloatArray, p: FloatArray, s: FloatArray) -> FloatArray:
    """The same with named sources: own scatter of every point, one gain error for each channel."""
    inputs = [
        Measured(
            x, {Source(f"{name} scatter", "A", "normal", 9, per_element=True): s, Source(f"{name} gain"): GAIN * x}
        )
        for name, x in (("v", v), ("i", i), ("p", p))
    ]
    return np.asarray(propagate(lambda a, b, c: a * b / c, *inputs).u)


def by_operators(v: FloatArray, i: FloatArray, p: FloatArray, s: FloatArray) -> FloatArray:
    """Ours, with operators in place of a function."""
    a, b, c = (
        Measured(
            x, {Source(f"{name} scatter", "A", "normal", 9, per_element=True): s, Source(f"{name} gain"): GAIN * x}
        )
        for name, x in (("v", v), ("i", i), ("p", p))
    )
    return np.asarray((a * b / c).u)


def by_package(v: FloatArray, i: FloatArray, p: FloatArray, s: FloatArray) -> FloatArray:
    """The `uncertainties` package, arrays of numbers with the same sources."""
    a, b, c = (unumpy.uarray(x, s) + x * ufloat(0.0, GAIN) for x in (v, i, p))
    return np.asarray(unumpy.std_devs(a * b / c))


def main() -> None:
    """Print the table."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    rng = np.random.default_rng(1)
    v, i = rng.uniform(5, 20, n), rng.uniform(0.5, 5, n)
    p, s = v * i / 0.9, rng.uniform(0.001, 0.01, n)
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {n} points")
    rows = [
        ("numpy, partial derivatives by hand", by_hand, 20),
        ("brickbook, operators", by_operators, 20),
        ("brickbook, propagate (complex step, checked)", ours, 20),
        ("uncertainties package", by_package, 1),
    ]
    floor, reference = best(lambda: by_hand(v, i, p, s), 20)
    for name, function, repeats in rows:
        seconds, result = best(lambda f=function: f(v, i, p, s), repeats)  # type: ignore[misc]
        worst = float(np.max(np.abs(result / reference - 1)))
        if worst > 1e-9:
            raise SystemExit(f"{name} disagrees by {worst:.1e}")
        print(f"{name:48}{1e3 * seconds:10.2f} ms{seconds / floor:10.1f} times the floor   agrees to {worst:.0e}")
    number = Measured(
        0.9, {Source("scatter", "A", "normal", 9): 0.001, Source("v"): 0.002, Source("i"): 0.001, Source("p"): 0.002}
    )
    series = rng.standard_normal(600)
    for name, call in (
        ("one interval, three bounds and a scatter", lambda: coverage(number)),
        ("one mean of 600 readings", lambda: autocorrelated_mean(series)),
    ):
        call()
        seconds, _ = best(lambda c=call: [c() for _ in range(100)], 5)  # type: ignore[misc]
        print(f"{name:48}{10 * seconds:10.3f} ms")


if __name__ == "__main__":
    main()
