"""Instruments that err as their accuracy table allows: the error model of `core.instrument`, run forwards.

For each instrument, quantity and range one fraction of the bound is drawn; for each segment of a log one departure from
the straight line (where the readings hardly scatter, the rounding of the last digit is that departure); then scatter,
quantisation, and what real logs have: lost samples and overflow codes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.core.instrument import Instrument

__all__ = ["MeterBench"]

FloatArray = NDArray[np.float64]


@dataclass(slots=True)
class MeterBench:
    """All meters of one bench on one day: their errors stay what they are from file to file.

    Parameters
    ----------
    instruments
        As in bench.toml.
    rng
        Source of all randomness.
    perfect
        Read the truth: no error, no scatter, no quantisation. For checks.
    errors_seed
        Of the meters' own errors, where several campaigns are read by the same meters; by default they are drawn anew.
    """

    instruments: Mapping[str, Instrument]
    rng: np.random.Generator
    perfect: bool = False
    errors_seed: int | None = None
    _fractions: dict[str, float] = field(default_factory=dict)

    def read(
        self,
        instrument: str,
        quantity: str,
        truth: FloatArray,
        segment: NDArray[np.int64],
        *,
        scatter: FloatArray | float = 0.0,
        memory: float = 0.0,
    ) -> FloatArray:
        """What the instrument logs.

        Parameters
        ----------
        truth
            True values, SI, shape (n,).
        segment
            Number of the load level each sample belongs to, shape (n,).
        scatter
            Standard deviation of one reading.
        memory
            Correlation of one reading's scatter with the last one's, 0 to below 1.
        """
        if self.perfect:
            return truth.copy()
        out = truth + np.asarray(scatter) * _noise(self.rng, len(truth), memory)
        resolution = 0.0
        for number in np.unique(segment):
            here = segment == number
            level = float(np.mean(truth[here]))
            accuracy = self.instruments[instrument].accuracy_for(quantity, level)
            if accuracy is None:
                raise KeyError(f"{instrument} cannot read {quantity} = {level:g}")
            key = f"{instrument}: {accuracy.reference or quantity} {accuracy.range_max}"
            fraction = self.fraction(key)
            slope = accuracy.percent_reading / 100
            bound = accuracy.bound(level) + slope * (np.abs(truth[here]) - abs(level))
            out[here] += fraction * bound
            # scatter beyond half a digit averages rounding out: a departure is drawn; below it rounding is one
            spread = float(np.mean(np.broadcast_to(scatter, truth.shape)[here]))
            if accuracy.linearity_percent_range is not None or spread > 0.55 * accuracy.resolution:
                out[here] += float(self.rng.uniform(-1, 1)) * accuracy.linearity()
            resolution = accuracy.resolution
            if resolution:
                out[here] = np.round(out[here] / resolution) * resolution
        return out

    def fraction(self, key: str) -> float:
        """Error of one meter on one range as a share of its bound, -1 to 1: drawn once, then the same for ever."""
        if key not in self._fractions:
            own = self.rng if self.errors_seed is None else _own(self.errors_seed, key)
            self._fractions[key] = float(own.uniform(-1, 1))
        return self._fractions[key]


def _own(seed: int, key: str) -> np.random.Generator:
    """Randomness of one meter on one range: the same whatever else was read before."""
    return np.random.default_rng((seed, crc32(key.encode())))


def _noise(rng: np.random.Generator, n: int, memory: float) -> FloatArray:
    """Unit normal noise whose neighbours are correlated (first-order autoregressive, stationary from the start)."""
    white = rng.standard_normal(n)
    if memory == 0.0:
        return white
    white[1:] *= np.sqrt(1.0 - memory**2)
    return np.asarray(signal.lfilter([1.0], [1.0, -memory], white), dtype=np.float64)
