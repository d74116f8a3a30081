"""The measuring band: a first-order low-pass at 20 MHz, as the bandwidth limit of most oscilloscopes is.

Bilinear transform with the corner pre-warped, so that the gain there is exactly 1/sqrt(2): with K = tan(pi fc/fs),
y[n] = K/(1 + K) (x[n] + x[n-1]) + p y[n-1], p = (1 - K)/(1 + K) (Oppenheim & Schafer, Discrete-Time Signal Processing,
7.1; from memory). The recursion is unrolled by doubling, 1/(1 - p/z) = (1 + p/z)(1 + p^2/z^2)(1 + p^4/z^4)...,
which has no memory from one chunk to the next beyond `lead` samples and runs at the speed of additions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["BAND_HZ", "LEAST_RATE_HZ", "BandFilter", "gain_of"]

BAND_HZ = 20e6  # of ripple and noise measurements: common practice, and a public PC power supply design guide
LEAST_RATE_HZ = 50e6  # below it a 20 MHz band is not there to be measured
_REST = 1e-7  # share of the filter's answer left out


@dataclass(frozen=True, slots=True)
class BandFilter:
    """First-order low-pass for one sample rate.

    Parameters
    ----------
    corner_hz
        -3 dB frequency.
    interval_s
        Sample interval; the corner must be below half the sample rate.
    """

    corner_hz: float
    interval_s: float

    def __post_init__(self) -> None:
        if not 0.0 < self.corner_hz * self.interval_s < 0.5:
            raise ValueError(
                f"a corner of {self.corner_hz:g} Hz is not below half the sample rate of {1 / self.interval_s:g} Hz"
            )

    @property
    def pole(self) -> float:
        """The p of the recursion."""
        k = np.tan(np.pi * self.corner_hz * self.interval_s)
        return float((1 - k) / (1 + k))

    @property
    def scale(self) -> float:
        """K/(1 + K), the weight of the two samples."""
        return (1.0 - self.pole) / 2.0

    @property
    def _doublings(self) -> int:
        pole = abs(self.pole)
        if pole < _REST:
            return 0
        return max(1, int(np.ceil(np.log2(np.log(_REST) / np.log(pole)))))

    @property
    def lead(self) -> int:
        """Samples before the first wanted one that the answer depends on."""
        return 1 << self._doublings

    def apply(
        self, x: NDArray[np.float32], out: NDArray[np.float32], scratch: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Filtered samples; the first `lead` of them are not settled.

        Parameters
        ----------
        x
            Samples, shape (n,).
        out, scratch
            Memory of the same shape, overwritten; `out` is returned.
        """
        out[0] = x[0]
        np.add(x[1:], x[:-1], out=out[1:])
        out *= np.float32(self.scale)
        power, shift = self.pole, 1
        for _ in range(self._doublings):
            np.multiply(out[:-shift], np.float32(power), out=scratch[shift:])
            np.add(out[shift:], scratch[shift:], out=out[shift:])
            power, shift = power * power, shift * 2
        return out

    def gain(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Amplitude gain of the digital filter at frequencies up to half the sample rate."""
        w = np.pi * np.asarray(frequency_hz, dtype=np.float64) * self.interval_s
        k = np.tan(np.pi * self.corner_hz * self.interval_s)
        with np.errstate(over="ignore"):
            return np.asarray(1.0 / np.sqrt(1.0 + (np.tan(w) / k) ** 2), dtype=np.float64)


def gain_of(frequency_hz: ArrayLike, corner_hz: float) -> NDArray[np.float64]:
    """Amplitude gain of the analogue first-order low-pass, 1/sqrt(1 + (f/fc)^2)."""
    ratio = np.asarray(frequency_hz, dtype=np.float64) / corner_hz
    return np.asarray(1.0 / np.sqrt(1.0 + ratio**2), dtype=np.float64)
