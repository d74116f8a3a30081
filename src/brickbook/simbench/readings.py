"""What an instrument of the live bench reads: the error model of `core.instrument`, one reading at a time.

For each quantity and range one fraction of the accuracy's bound is drawn and kept (gain and offset together); the
departure from a straight line is a fixed crooked line over the range, never beyond its bound; noise is new at each
reading; then the last digit is rounded. All draws hang on the seed, the instrument's name and the quantity, not on the
order of questions, so that two clients do not change each other's errors.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.instrument import Accuracy, Instrument

__all__ = ["NAN", "OVERRANGE", "ReadingErrors", "scatter_of"]

OVERRANGE = 9.9e37
NAN = 9.91e37
"""Not a number, SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not a number."""

_KNOTS = 128
_BUFFER = 1024


@dataclass(frozen=True, slots=True)
class _Scatter:
    """Noise of one reading: a fixed part and a part of the reading, and how much it resembles the last."""

    absolute: float
    ratio: float = 0.0
    memory: float = 0.0


# common practice, no source: what meters of this class show at one reading a second
_SCATTER: Mapping[str, _Scatter] = {
    "mains_voltage_v": _Scatter(0.02, memory=0.6),
    "mains_current_a": _Scatter(0.0, 3e-4, 0.5),
    "mains_power_w": _Scatter(1e-4, 2e-4, 0.5),
    "mains_pf": _Scatter(3e-4, memory=0.3),
    "mains_frequency_hz": _Scatter(0.003),
    "mains_current_thd_ratio": _Scatter(1e-3),
    "mains_harmonic_a": _Scatter(2e-4),
    "port_voltage_v": _Scatter(6e-4, memory=0.4),
    "port_current_a": _Scatter(2e-4, memory=0.4),
    "temperature_c": _Scatter(0.06, memory=0.6),
    "ambient_c": _Scatter(0.05, memory=0.6),
    "voltage_v": _Scatter(5e-5),
}


def scatter_of(quantity: str, reading: float) -> float:
    """Standard deviation of one reading of a quantity [its unit]."""
    scatter = _SCATTER.get(quantity)
    return 0.0 if scatter is None else scatter.absolute + scatter.ratio * abs(reading)


class ReadingErrors:
    """The errors of one instrument.

    Parameters
    ----------
    name
        Of the instrument in bench.toml.
    instrument
        Its accuracy.
    seed
        Of the bench.
    perfect
        Read the truth; for checks.
    """

    def __init__(self, name: str, instrument: Instrument, *, seed: int, perfect: bool = False) -> None:
        self._name = name
        self._seed = seed
        self.perfect = perfect
        self._lines: dict[str, tuple[Accuracy, ...]] = {}
        for line in sorted(instrument.accuracy, key=lambda one: one.range_max or math.inf):
            self._lines[line.quantity] = (*self._lines.get(line.quantity, ()), line)
        self._fractions: dict[str, float] = {}
        self._crooked: dict[str, NDArray[np.float64]] = {}
        self._last: dict[str, float] = {}
        self._rng = self._rng_for("noise")
        self._noise: list[float] = []
        self._zero = Accuracy("none", absolute=1e-30)

    def _rng_for(self, what: str) -> np.random.Generator:
        return np.random.default_rng([self._seed, zlib.crc32(self._name.encode()), zlib.crc32(what.encode())])

    def ranges(self, quantity: str) -> tuple[float, ...]:
        """Full scales of a quantity, rising [its unit]."""
        return tuple(line.range_max for line in self._lines.get(quantity, ()) if line.range_max is not None)

    def line_for(self, quantity: str, reading: float, range_max: float | None = None) -> Accuracy | None:
        """The line in use: that of the stated range, or the smallest that holds the reading; `None` beyond it.

        A quantity without any accuracy is read without error.
        """
        lines = self._lines.get(quantity)
        if lines is None:
            return self._zero
        for line in lines:
            if range_max is not None and line.range_max is not None and line.range_max < range_max * (1 - 1e-9):
                continue
            if line.range_max is None or abs(reading) <= line.range_max:
                return line
            if range_max is not None:
                return None
        return None

    def fraction(self, line: Accuracy) -> float:
        """The part of its bound, -1 to 1, by which a line errs."""
        key = f"{line.reference or line.quantity} {line.range_max}"
        known = self._fractions.get(key)
        if known is None:
            known = self._fractions[key] = float(self._rng_for(key).uniform(-1, 1))
        return known

    def fractions(self) -> dict[str, float]:
        """All of them, by quantity (or reference) and range: part of the truth."""
        for lines in self._lines.values():
            for line in lines:
                self.fraction(line)
        return dict(self._fractions)

    def read(
        self,
        quantity: str,
        truth: float,
        *,
        channel: str = "",
        range_max: float | None = None,
        scatter: float | None = None,
    ) -> float:
        """What the instrument shows for a true value.

        Parameters
        ----------
        quantity, channel
            As in a column's name.
        truth
            True value, SI.
        range_max
            Range in use; `None` for the smallest that holds it.
        scatter
            Standard deviation of the noise; `None` for that of the quantity.
        """
        if math.isnan(truth):
            return NAN
        line = self.line_for(quantity, truth, range_max)
        if line is None:
            return OVERRANGE
        if self.perfect:
            return truth
        spread = scatter_of(quantity, truth) if scatter is None else scatter
        reading = truth + self.fraction(line) * line.bound(truth)
        # scatter beyond half a digit averages rounding out: a departure is wanted; below it rounding is one
        if line.linearity_percent_range is not None or spread > 0.55 * line.resolution:
            reading += self._departure(line, truth)
        if spread:
            reading += spread * self._draw(quantity, channel)
        if line.resolution:
            reading = round(reading / line.resolution) * line.resolution
        return reading

    def _departure(self, line: Accuracy, truth: float) -> float:
        most = line.linearity()
        if most == 0.0:
            return 0.0
        key = f"line {line.quantity} {line.range_max}"
        knots = self._crooked.get(key)
        if knots is None:
            knots = self._crooked[key] = self._rng_for(key).uniform(-1, 1, _KNOTS)
        scale = line.range_max / (_KNOTS - 1) if line.range_max is not None else 200 * line.resolution
        place = abs(truth) / scale
        low = int(place)
        part = place - low
        return most * float((1 - part) * knots[low % _KNOTS] + part * knots[(low + 1) % _KNOTS])

    def _draw(self, quantity: str, channel: str) -> float:
        if not self._noise:
            self._noise = self._rng.standard_normal(_BUFFER).tolist()
        white = self._noise.pop()
        scatter = _SCATTER.get(quantity)
        memory = scatter.memory if scatter is not None else 0.0
        if memory == 0.0:
            return white
        key = f"{quantity}@{channel}"
        last = self._last.get(key)
        new = white if last is None else memory * last + math.sqrt(1.0 - memory**2) * white
        self._last[key] = new
        return new
