"""From an oscilloscope capture of the CC wire to timestamped USB Power Delivery packets.

Idle wire costs one minimum and one maximum per sample: biphase-mark code holds no level longer
than a bit, so every block of two or more bits inside a transmission shows the full swing.  Only
stretches of such blocks are read (`bursts.read_region`), averaged down to eight to sixteen samples
per half bit.

Transmissions that cannot be read are returned too, with the place and the reason.
"""

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .bmc import Region
from .bursts import BIT_RATE_LIMITS_BPS, LineFault, Packet, read_region
from .symbols import FaultKind

__all__ = [
    "BIT_RATE_LIMITS_BPS",
    "FaultKind",
    "LineDecoder",
    "LineFault",
    "Packet",
    "decode_capture",
]

LOWEST_SAMPLE_RATE: Final = 2e6
"""Lowest sample rate read [sample/s]; a half bit then has three samples."""

_REGION_S: Final = 24e-3
"""Longest stretch read at once [s].  The longest legal frame, 269 bytes at 270 kbit/s, lasts
10.3 ms, so a cut at 24 ms leaves every frame whole in this stretch or in the next."""

_SHORTEST_BITS: Final = 20
"""Activity shorter than this [bit] is a level step or a glitch, not a transmission."""


def decode_capture(
    time0_s: float,
    sample_interval_s: float,
    volts: NDArray[np.float32] | NDArray[np.float64],
    *,
    minimum_swing_v: float = 0.4,
) -> list[Packet]:
    """Read every transmission in a capture of the CC wire.

    Parameters
    ----------
    time0_s
        Time of the first sample [s].
    sample_interval_s
        Time between samples [s], at most 0.5 us.
    volts
        Shape (n,), voltage of the CC wire against ground [V].
    minimum_swing_v
        Peak-to-peak voltage below which the wire counts as idle [V].

    Returns
    -------
    list[Packet]
        All transmissions in order of time, faulty ones included.

    Raises
    ------
    TypeError
        If `volts` is not an array of floats.
    ValueError
        If a sample is not finite, or the interval or the swing is out of range.

    Examples
    --------
    >>> import numpy as np
    >>> decode_capture(0.0, 1e-7, np.full(1000, 1.68, dtype=np.float32))
    []
    """
    decoder = LineDecoder(sample_interval_s, time0_s=time0_s, minimum_swing_v=minimum_swing_v)
    return decoder.feed(volts) + decoder.finish()


class LineDecoder:
    """Reads a capture piece by piece; the packets do not depend on how it was cut into pieces.

    Parameters
    ----------
    sample_interval_s
        Time between samples [s], at most 0.5 us.
    time0_s
        Time of the first sample [s].
    minimum_swing_v
        Peak-to-peak voltage below which the wire counts as idle [V].

    Raises
    ------
    ValueError
        If the interval or the swing is out of range.
    """

    def __init__(self, sample_interval_s: float, *, time0_s: float = 0.0, minimum_swing_v: float = 0.4) -> None:
        if not 0.0 < sample_interval_s <= 1.0001 / LOWEST_SAMPLE_RATE:
            raise ValueError(
                f"sample interval {sample_interval_s:g} s: expected above 0 and at most 0.5 us; "
                "take the capture with at least 2 MS/s"
            )
        if not 0.0 < minimum_swing_v <= 1.0:
            raise ValueError(
                f"minimum swing {minimum_swing_v:g} V: expected above 0 and at most 1 V, "
                "since a transmitter swings 1.05 V to 1.2 V"
            )
        self._interval_s = sample_interval_s
        self._time0_s = time0_s
        self._minimum_swing_v = minimum_swing_v
        bit = 1.0 / (300e3 * sample_interval_s)
        self._average = max(1, int(bit / 16.0))
        # At least two and a half bits, so that a block inside a frame shows both levels, and long
        # enough that numpy spends its time on samples.
        shortest = max(64.0, 2.5 * bit)
        self._block = int(np.ceil(shortest / self._average)) * self._average
        self._longest = int(_REGION_S / (sample_interval_s * self._block)) + 1
        self._margin, self._patience = 2, 4
        self._next_block = 0
        self._rest: NDArray[np.floating] = np.empty(0, dtype=np.float32)
        self._history: list[NDArray[np.floating]] = []
        self._region: list[NDArray[np.floating]] = []
        self._region_first = 0
        self._last_active = 0
        self._active_blocks = 0
        self._finished = False

    def feed(self, volts: NDArray[np.float32] | NDArray[np.float64]) -> list[Packet]:
        """Take the next samples and return the packets they completed.

        Parameters
        ----------
        volts
            Shape (n,), the samples after those fed before [V].

        Returns
        -------
        list[Packet]
            In order of time.  A packet is returned once the wire has been idle for a while.

        Raises
        ------
        TypeError
            If `volts` is not a one-dimensional array of 32-bit or 64-bit floats.
        ValueError
            If a sample is not finite, or the decoder was finished.
        """
        if self._finished:
            raise ValueError("the decoder was finished; make a new one for another capture")
        if not isinstance(volts, np.ndarray) or volts.ndim != 1 or volts.dtype.char not in "fd":
            raise TypeError(
                "expected a one-dimensional numpy array of float32 or float64 volts, got "
                f"{getattr(volts, 'dtype', type(volts).__name__)} "
                f"of shape {getattr(volts, 'shape', None)}"
            )
        packets: list[Packet] = []
        if self._rest.size:
            missing = self._block - self._rest.size
            self._rest = np.concatenate([self._rest, volts[:missing]])
            volts = volts[missing:]
            if self._rest.size < self._block:
                return packets
            self._take(self._rest, packets)
        # Pieces that stay in the processor's cache between minimum and maximum.
        piece = max(1, 65536 // (8 * self._block)) * 8 * self._block
        whole = volts.size // self._block * self._block
        for start in range(0, whole, piece):
            self._take(volts[start : min(start + piece, whole)], packets)
        self._rest = volts[whole:].copy()
        return packets

    def finish(self) -> list[Packet]:
        """Return the packets still in work at the end of the capture.

        Returns
        -------
        list[Packet]
            In order of time; a transmission the capture's end cuts off has a fault.
        """
        packets: list[Packet] = []
        if not self._finished:
            self._finished = True
            if self._rest.size:
                # The last block is filled up with its last sample: a level, hence no signal.
                last = np.full(self._block - self._rest.size, self._rest[-1])
                self._take(np.concatenate([self._rest, last]), packets)
            self._close(packets)
            self._rest, self._history = self._rest[:0], []
        return packets

    def _take(self, samples: NDArray[np.floating], packets: list[Packet]) -> None:
        """Sort whole blocks into idle and active, and read the active stretches that ended."""
        rows = samples.reshape(-1, self._block)
        # Eight blocks at a time first: if they show no swing together, none does alone.
        whole = len(rows) // 8 * 8
        groups = rows[:whole].reshape(-1, 8 * self._block)
        with np.errstate(over="ignore", invalid="ignore"):  # what is no voltage is told below
            swing = np.concatenate([_swing(groups), _swing(rows[whole:])])
            total = swing.sum()
        if not np.isfinite(total):
            place = int(np.argmin(np.abs(samples) < 1e6))
            raise ValueError(
                f"sample {self._next_block * self._block + place} (counted from 0) is "
                f"{samples[place]!s}; expected a voltage: mend or remove it before decoding"
            )
        maybe = swing > self._minimum_swing_v
        doubtful = np.concatenate([np.repeat(maybe[: len(groups)], 8), maybe[len(groups) :]])
        places = np.flatnonzero(doubtful)
        active = places[_swing(rows[places]) > self._minimum_swing_v]
        first = self._next_block
        done = 0
        while done < len(rows):
            if not self._region:
                later = active[np.searchsorted(active, done) :]
                if not later.size:
                    break
                self._open(rows, int(later[0]), first)
                done = int(later[0])
            done = self._grow(rows, active, done, first, packets)
        keep = [row.copy() for row in rows[-self._margin :]]
        self._history = (self._history + keep)[-self._margin :]
        self._next_block = first + len(rows)

    def _open(self, rows: NDArray[np.floating], row: int, first: int) -> None:
        """Begin a stretch with the blocks just before its first active one."""
        before = [*self._history, *rows[max(0, row - self._margin) : row]][-self._margin :]
        self._region = [block.copy() for block in before]
        self._region_first = first + row - len(before)
        self._last_active = first + row
        self._active_blocks = 0

    def _grow(
        self,
        rows: NDArray[np.floating],
        active: NDArray[np.intp],
        done: int,
        first: int,
        packets: list[Packet],
    ) -> int:
        """Add blocks to the open stretch until it ends; return the first row not taken."""
        room = self._longest - len(self._region)
        stop = min(len(rows), done + room)
        inside = active[np.searchsorted(active, done) : np.searchsorted(active, stop)] + first
        known = np.concatenate([[self._last_active], inside])
        wide = np.flatnonzero(np.diff(known) > self._patience)
        closing = False
        if wide.size:
            known = known[: wide[0] + 1]
            closing = True
        self._last_active = int(known[-1])
        self._active_blocks += int(np.count_nonzero(inside <= self._last_active))
        end = self._last_active + self._patience + 1 - first
        if closing or end <= stop:
            stop = max(done, min(stop, end))
            closing = True
        self._region.extend(rows[done:stop].copy())
        if closing:
            self._close(packets)
        elif len(self._region) >= self._longest:
            self._cut(packets)
        return stop

    def _close(self, packets: list[Packet]) -> None:
        """Read the open stretch to its end."""
        shortest = _SHORTEST_BITS / (300e3 * self._interval_s * self._block)
        if self._region and self._active_blocks > shortest:
            found, _ = self._read(final=True)
            packets.extend(found)
        self._region = []

    def _cut(self, packets: list[Packet]) -> None:
        """Read a stretch that grew to the longest length and keep what may go on."""
        found, resume = self._read(final=False)
        packets.extend(found)
        drop = min(max(resume // self._block, 1), len(self._region))
        del self._region[:drop]
        self._region_first += drop

    def _read(self, *, final: bool) -> tuple[list[Packet], int]:
        """Packets of the open stretch, and the sample from which to read on."""
        samples = np.concatenate(self._region)
        averaged = np.zeros(samples.size // self._average)
        for offset in range(self._average):
            averaged += samples[offset :: self._average]
        averaged /= self._average
        interval_s = self._interval_s * self._average
        region = Region(averaged, interval_s, self._minimum_swing_v)
        found, resume = read_region(region, final=final)
        # Sample j of the capture stands for the instant j intervals after the first, the middle
        # of its cell here.
        origin_s = self._time0_s + (self._region_first * self._block - 0.5) * self._interval_s
        return [_to_time(packet, origin_s, interval_s) for packet in found], int(resume * self._average)


def _swing(rows: NDArray[np.floating]) -> NDArray[np.floating]:
    """Highest minus lowest sample of each row [V]."""
    swing: NDArray[np.floating] = rows.max(axis=1) - rows.min(axis=1)
    return swing


def _to_time(packet: Packet, origin_s: float, interval_s: float) -> Packet:
    """Turn positions in samples into times."""
    fault = packet.fault
    if fault is not None:
        fault = replace(fault, position_s=origin_s + fault.position_s * interval_s)
    return replace(
        packet,
        start_s=origin_s + packet.start_s * interval_s,
        end_s=origin_s + packet.end_s * interval_s,
        fault=fault,
    )
