"""Fast captures on their way in: equally spaced samples of an oscilloscope, a sound card or a logger.

A `Table` keeps a float and a line number for each reading; a capture may hold a thousand million samples, so it keeps
none. Samples stay in the file as the instrument stored them and are read piece by piece; `Channel` knows what one
stored number means. Reading is free of state: pieces may be read in any order and by several threads.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Conditions
from brickbook.core.quantities import channel_of, quantity_of
from brickbook.core.table import RawFile, Rows

__all__ = ["INVALID", "ArraySamples", "Capture", "Channel", "Envelope", "Samples", "Setting", "envelope"]

FloatArray = NDArray[np.float64]

INVALID = 9.89e37  # IEEE 488.2 / SCPI-1999 7.2.1: 9.9E37 is infinity and 9.91E37 not a number; neither is a reading
_PIECE = 1 << 20


@runtime_checkable
class Samples(Protocol):
    """Stored numbers of one channel, in order."""

    @property
    def count(self) -> int:
        """How many there are."""
        ...

    @property
    def dtype(self) -> np.dtype[Any]:
        """How they are stored: float32, float64 or an integer type."""
        ...

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Numbers start to stop - 1, shape (stop - start,), 0 <= start <= stop <= count; may be read-only.

        Raises
        ------
        ReadError
            When the file no longer gives them.
        """
        ...


@dataclass(frozen=True, slots=True, eq=False)
class ArraySamples:
    """Samples that are in memory already."""

    array: NDArray[Any]

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.array)

    @property
    def dtype(self) -> np.dtype[Any]:
        """How they are stored."""
        return self.array.dtype

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Numbers start to stop - 1; a view."""
        return self.array[start:stop]


@dataclass(frozen=True, slots=True)
class Setting:
    """How the instrument was set for one channel; what is not known is `None` or empty, never guessed.

    Parameters
    ----------
    full_scale
        Top of the screen less its bottom, at the probe's tip [unit of the quantity].
    centre
        Value at mid-screen [unit of the quantity].
    bits
        Of the converter, or effective ones where the data sheet tells them.
    noise
        Own noise of scope and probe, rms, with the tip shorted and the same settings [unit of the quantity].
    u_noise_ratio
        Relative standard uncertainty of `noise`.
    bandwidth_hz
        -3 dB limit in the scope or probe, the lower of the two [Hz].
    coupling
        "ac" removes the mean and the lowest frequencies.
    probe_ratio
        Of the probe; it is in the channel's gain already.
    """

    full_scale: float | None = None
    centre: float | None = None
    bits: float | None = None
    noise: float | None = None
    u_noise_ratio: float = 0.1
    bandwidth_hz: float | None = None
    coupling: Literal["", "dc", "ac"] = ""
    probe_ratio: float = 1.0

    @property
    def step(self) -> float | None:
        """One step of the converter, full scale/2^bits [unit of the quantity], where both are known."""
        if self.full_scale is None or self.bits is None:
            return None
        return float(self.full_scale / 2.0**self.bits)


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of a capture: value = gain * stored + offset.

    Parameters
    ----------
    column
        What it is: a name of `core.quantities` with its channel, e.g. "port_voltage_v@C1", "mains_current_a".
    samples
        Stored numbers.
    gain, offset
        From stored numbers to the quantity's unit, probe ratio included.
    header
        The channel's name in the file.
    instrument
        Name in bench.toml.
    setting
        How the instrument was set.
    """

    column: str
    samples: Samples
    gain: float = 1.0
    offset: float = 0.0
    header: str = ""
    instrument: str = ""
    setting: Setting = field(default_factory=Setting)

    @property
    def quantity(self) -> str:
        """The quantity, without channel."""
        return quantity_of(self.column)

    @property
    def place(self) -> str:
        """The port or place the channel stands for; empty where there is none."""
        return channel_of(self.column)

    @property
    def rails(self) -> tuple[float, float] | None:
        """Lowest and highest value the converter can give [unit of the quantity]; `None` when not known."""
        dtype = self.samples.dtype
        if dtype.kind in "iu":
            info = np.iinfo(dtype)
            ends = (info.min * self.gain + self.offset, info.max * self.gain + self.offset)
            return min(ends), max(ends)
        s = self.setting
        if s.full_scale is None or s.centre is None:
            return None
        step = s.step or 0.0
        return s.centre - s.full_scale / 2, s.centre + s.full_scale / 2 - step

    def values(self, start: int = 0, stop: int | None = None) -> FloatArray:
        """Samples start to stop - 1 in the quantity's unit, shape (n,); what is no reading is NaN."""
        stored = self.samples.read(start, self.samples.count if stop is None else stop)
        out = stored.astype(np.float64)
        if stored.dtype.kind == "f":
            out[~(np.abs(out) < INVALID)] = np.nan
        if self.gain != 1.0:
            out *= self.gain
        if self.offset:
            out += self.offset
        return out

    def pieces(self, size: int = _PIECE, start: int = 0, stop: int | None = None) -> Iterator[tuple[int, FloatArray]]:
        """Values in order, `size` at a time: index of the first, and the values."""
        end = self.samples.count if stop is None else stop
        for first in range(start, end, size):
            yield first, self.values(first, min(first + size, end))


@dataclass(frozen=True, slots=True)
class Capture:
    """Channels sampled together at one rate.

    Parameters
    ----------
    raw
        The file it came from.
    interval_s
        From sample to sample [s].
    channels
        All of one length.
    start_s
        Time of the first sample, with the file's own zero (the trigger) [s].
    conditions
        What the index says about the file.
    acquisition
        "peak-detect": samples are pairs of lowest and highest in two intervals, so they serve for peaks and not for
        mean, rms or spectrum. "average": several sweeps averaged, so noise is not what it was.
    start
        Date and time where the file tells it, ISO 8601, else empty.
    notes
        What reading found that a user must know (time rebuilt, samples missing).
    """

    raw: RawFile
    interval_s: float
    channels: tuple[Channel, ...]
    start_s: float = 0.0
    conditions: Conditions = field(default_factory=Conditions)
    acquisition: Literal["sample", "peak-detect", "average"] = "sample"
    start: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (np.isfinite(self.interval_s) and self.interval_s > 0):
            raise ValueError(f"the sample interval must be above 0 s, this is {self.interval_s}")
        if not self.channels:
            raise ValueError("a capture needs at least one channel")
        counts = {channel.samples.count for channel in self.channels}
        if len(counts) > 1:
            raise ValueError(f"the channels differ in length: {', '.join(map(str, sorted(counts)))} samples")
        columns = [channel.column for channel in self.channels]
        twice = sorted({c for c in columns if columns.count(c) > 1})
        if twice:
            raise ValueError(f"two channels are both {twice[0]}")

    @property
    def count(self) -> int:
        """Samples in each channel."""
        return self.channels[0].samples.count

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second [Hz]."""
        return 1.0 / self.interval_s

    @property
    def span_s(self) -> float:
        """Time the samples stand for, count times interval [s]."""
        return self.count * self.interval_s

    def find(self, column: str) -> Channel | None:
        """The channel of that column, or `None`."""
        return next((channel for channel in self.channels if channel.column == column), None)

    def time_s(self, start: int = 0, stop: int | None = None) -> FloatArray:
        """Times of samples start to stop - 1 [s]."""
        end = self.count if stop is None else stop
        return self.start_s + self.interval_s * np.arange(start, end, dtype=np.float64)

    def index_of(self, time_s: float) -> int:
        """Index of the first sample at or after a time [s], within 0 to count."""
        return min(max(int(np.ceil((time_s - self.start_s) / self.interval_s - 1e-6)), 0), self.count)

    def rows(self, *columns: str) -> Rows:
        """The proof for figures made from some channels: the whole file."""
        headers = tuple(c.header or c.column for c in self.channels if not columns or c.column in columns)
        return Rows(self.raw, 0, 0, headers)


@dataclass(frozen=True, slots=True)
class Envelope:
    """Lowest and highest sample of equal stretches: what an honest picture of millions of samples shows.

    Parameters
    ----------
    time_s
        Middle of each stretch [s], shape (m,).
    low, high, mean
        Extremes and mean [unit of the quantity], shape (m,); NaN for a stretch without readings.
    """

    time_s: FloatArray
    low: FloatArray
    high: FloatArray
    mean: FloatArray


def envelope(
    capture: Capture, channel: Channel, *, start: int = 0, stop: int | None = None, buckets: int = 1000
) -> Envelope:
    """Min–max envelope of a stretch of a channel; memory stays bounded whatever its length.

    Raises
    ------
    ValueError
        When the stretch is empty.
    """
    end = channel.samples.count if stop is None else stop
    if end <= start:
        raise ValueError(f"the stretch from sample {start} to {end} is empty")
    edges = np.linspace(start, end, min(buckets, end - start) + 1).astype(np.int64)
    low, high = np.full(len(edges) - 1, np.nan), np.full(len(edges) - 1, np.nan)
    sums, counts = np.zeros(len(edges) - 1), np.zeros(len(edges) - 1)
    for first, values in channel.pieces(start=start, stop=end):
        inside = np.searchsorted(edges, first, side="right") - 1
        last = np.searchsorted(edges, first + len(values), side="left")
        cuts = np.maximum(edges[inside:last] - first, 0)
        low[inside:last] = np.fmin(low[inside:last], np.fmin.reduceat(values, cuts))
        high[inside:last] = np.fmax(high[inside:last], np.fmax.reduceat(values, cuts))
        known = np.isfinite(values)
        sums[inside:last] += np.add.reduceat(np.where(known, values, 0.0), cuts)
        counts[inside:last] += np.add.reduceat(known.astype(np.float64), cuts)
    middle = (edges[:-1] + edges[1:] - 1) / 2
    mean = np.where(counts > 0, sums / np.maximum(counts, 1.0), np.nan)
    return Envelope(capture.start_s + capture.interval_s * middle, low, high, mean)
