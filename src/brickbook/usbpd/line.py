"""From an oscilloscope capture of the CC wire to timestamped USB Power Delivery packets.

Idle wire costs one minimum and one maximum per sample: biphase-mark code holds no level longer
than a bit, so every block of two or more bits inside a transmission shows the full swing.  Only
stretches of such blocks are read.  There the samples are averaged down to eight to sixteen per
half bit and read twice if need be: by edges first, and by integration with a tracked clock
(`bmc.track_bits`) wherever edges gave no packet with a right CRC.

Transmissions that cannot be read are returned too, with the place and the reason.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .bmc import (
    BitStream,
    Region,
    bits_from_edges,
    extend_back,
    find_preamble,
    fit_clock,
    run_clock,
    track_bits,
)
from .symbols import (
    ORDERED_SET_BITS,
    PREAMBLE_BITS,
    RESETS,
    FaultKind,
    find_ordered_set,
    read_body,
)

__all__ = [
    "BIT_RATE_LIMITS_BPS",
    "LineDecoder",
    "LineFault",
    "Packet",
    "decode_capture",
]

BIT_RATE_LIMITS_BPS: Final = (270e3, 330e3)
"""Lowest and highest legal bit rate [bit/s] (PHY data sheet)."""

LOWEST_SAMPLE_RATE: Final = 2e6
"""Lowest sample rate read [sample/s]; a half bit then has three samples."""

_RATE_GUARD_RATIO: Final = 0.002
"""A rate is called illegal only this far outside its limits: noise and the instrument's time base
must not condemn a transmitter that sits on the limit."""

_REGION_S: Final = 24e-3
"""Longest stretch read at once [s].  The longest legal frame, 269 bytes at 270 kbit/s, lasts
10.3 ms, so a cut at 24 ms leaves every frame whole in this stretch or in the next."""

_SHORTEST_BITS: Final = 20
"""Activity shorter than this [bit] is a level step or a glitch, not a transmission."""

_ORPHAN_INTERVALS: Final = 40
"""So many intervals of half and whole bits in a row are a transmission even without preamble."""

_SHORTEST_PREAMBLE: Final = 16
"""Alternating bits without an ordered set that are reported as a broken transmission [bit]."""


@dataclass(frozen=True, slots=True)
class LineFault:
    """Why a transmission is not a good packet.

    Attributes
    ----------
    kind
        The class of fault.
    position_s
        Where on the capture's time axis [s].
    bit_index
        Bits since the start of the transmission's first seen preamble bit [bit].
    reason
        The fault in words.
    """

    kind: FaultKind
    position_s: float
    bit_index: int
    reason: str


@dataclass(frozen=True, slots=True)
class Packet:
    """One transmission on the CC wire, good or not.

    Attributes
    ----------
    start_s, end_s
        Start of the first preamble bit and end of the last bit [s].
    sop
        Name of the ordered set, a key of `symbols.ORDERED_SETS`; None when not recognised.
    payload
        Header and data bytes in wire order without CRC; after a fault, what was read before it.
    crc_received, crc_computed
        CRC-32 from the wire and of the payload; None for resets and frames broken before the CRC.
    bit_rate_bps
        Mean bit rate over the transmission [bit/s].
    preamble_bits
        Alternating bits seen before the ordered set, 64 when whole [bit].
    ordered_set_codes
        How many of the four codes of the ordered set were right.
    fault
        None for a good packet.
    """

    start_s: float
    end_s: float
    sop: str | None
    payload: bytes
    crc_received: int | None
    crc_computed: int | None
    bit_rate_bps: float
    preamble_bits: int
    ordered_set_codes: int
    fault: LineFault | None = None

    @property
    def crc_ok(self) -> bool:
        """Whether the frame carried a CRC and it was right."""
        return self.crc_received is not None and self.crc_received == self.crc_computed


@dataclass(frozen=True, slots=True)
class _Found:
    """A packet with times in samples of the region, and whether the region cut it short."""

    packet: Packet
    cut: bool

    @property
    def readable(self) -> bool:
        fault = self.packet.fault
        return fault is None or fault.kind is FaultKind.BIT_RATE


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
        piece = max(1, 65536 // self._block) * self._block
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
        swing = rows.max(axis=1) - rows.min(axis=1)
        if not np.isfinite(swing.sum()):
            place = int(np.argmin(np.abs(samples) < 1e6))
            raise ValueError(
                f"sample {self._next_block * self._block + place} (counted from 0) is "
                f"{samples[place]!s}; expected a voltage: mend or remove it before decoding"
            )
        first = self._next_block
        active = np.flatnonzero(swing > self._minimum_swing_v)
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
        self._active_blocks += int(np.count_nonzero(known >= first + done))
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


def read_region(region: Region, *, final: bool) -> tuple[list[Packet], float]:
    """Read an active stretch; positions stay in samples of the region.

    Parameters
    ----------
    region
        The samples.
    final
        Whether the wire is known to be idle after the region; if not, a transmission that runs
        into its end is left for the next region.

    Returns
    -------
    tuple
        The packets in order of time, and the position from which to read on [sample].
    """
    bit = 2.0 * region.half_bit
    found: list[_Found] = []
    position = 0.0
    searched = 0.0
    for number, run in enumerate(region.edges.runs):
        start = float(region.edges.positions[run[0]])
        if start < position:
            continue
        one = _read_from_edges(region, (int(run[0]), int(run[1])))
        if one is not None and one.cut and not final and start > region.size / 3:
            found.append(one)  # the next region has all of it
            position = searched = float(region.size)
            break
        if one is None or not one.readable:
            one = _reread(region, number, one)
        quiet = start - max(position, searched) > 60.0 * bit
        if quiet or one is None or not one.readable:
            # The edges may have hidden an earlier preamble, or the run may be data like one.
            begin = max(position, searched - 70.0 * bit)
            better = _search(region, begin, start + 80.0 * bit)
            searched = start + 80.0 * bit
            if one is not None and one.readable:
                better = [it for it in better if it.packet.end_s <= one.packet.start_s]
            elif better:
                one = None
            found += better
            position = max([position, *(it.packet.end_s for it in better)])
        if one is not None:
            found.append(one)
            position = max(position, one.packet.end_s)
    if region.size - max(position, searched) > 60.0 * bit:
        found += _search(region, max(position, searched - 70.0 * bit), float(region.size))
    found += _orphans(region, found)
    found.sort(key=lambda one: one.packet.start_s)
    resume = region.size - 90.0 * bit
    if not final:
        open_ends = [one for one in found if one.cut and one.packet.start_s > region.size / 3]
        found = [one for one in found if one not in open_ends]
        if open_ends:
            # Whatever follows the open end is read again with it.
            limit = open_ends[0].packet.start_s
            found = [one for one in found if one.packet.start_s < limit]
            resume = min(resume, limit - 10.0 * bit)
        resume = max([resume, *(one.packet.end_s for one in found)])
    return [one.packet for one in found], resume


def _read_from_edges(region: Region, run: tuple[int, int]) -> _Found | None:
    """Read a transmission whose preamble shows in the edges."""
    stream = bits_from_edges(region, run)
    if stream is None:
        return None
    preamble = int(region.edges.classes[run[0] : run[1]].sum()) // 2
    return _frame(region, stream, preamble + 24)


def _reread(region: Region, number: int, by_edges: _Found | None) -> _Found | None:
    """Read again by integration a transmission that edges alone did not give."""
    edges = region.edges
    first, last = (int(edge) for edge in edges.runs[number])
    anchor, half_bit = run_clock(edges, (first, last))
    again = _frame(region, track_bits(region, float(edges.positions[anchor]), half_bit), last - anchor + 64)
    if again is not None and again.readable:
        return again
    candidates = [one for one in (again, by_edges) if one is not None]
    if not candidates:
        return None
    best = max(candidates, key=lambda one: (one.packet.sop is not None, len(one.packet.payload)))
    return _stop_at_next_preamble(region, number, best)


def _stop_at_next_preamble(region: Region, number: int, one: _Found) -> _Found:
    """End a broken transmission where another one begins on top of it."""
    edges = region.edges
    for first, last in edges.runs[number + 1 :]:
        start = float(edges.positions[first])
        if start >= one.packet.end_s:
            break
        if last - first >= 60:
            return replace(one, packet=replace(one.packet, end_s=start), cut=False)
    return one


def _search(region: Region, begin: float, end: float) -> list[_Found]:
    """Look by correlation for transmissions whose preambles do not show in the edges."""
    found: list[_Found] = []
    for first, last in region.lively(begin, end):
        place = first
        while (start := find_preamble(region, place, last)) is not None:
            anchor, half_bit = start
            one = _frame(region, track_bits(region, anchor, half_bit), 84)
            place = anchor + 32.0 * 2.0 * half_bit
            if one is not None:
                found.append(one)
                place = max(place, one.packet.end_s)
    return found


def _frame(region: Region, stream: BitStream, search_bits: int) -> _Found | None:
    """Make a packet of recovered bits; None when they do not look like a transmission."""
    first = stream.anchor_bit
    bits, boundaries = stream.bits, stream.boundaries
    matched = find_ordered_set(bits[first:], search_bits)
    if matched is None:
        return _without_ordered_set(region, stream)
    place = first + matched.bit_index
    preamble = extend_back(region, stream, place)
    if matched.name in RESETS and preamble < _SHORTEST_PREAMBLE:
        return _without_ordered_set(region, stream)  # no CRC vouches for it
    body_bit = place + ORDERED_SET_BITS
    payload, received, computed = b"", None, None
    kind: FaultKind | None = None
    fault_bit, reason, used = 0, "", 0
    if matched.name not in RESETS:
        body = read_body(bits[body_bit:])
        payload, used = body.payload, body.bits_used
        received, computed = body.crc_received, body.crc_computed
        kind, fault_bit, reason = body.fault, body_bit + body.fault_bit, body.reason
    if kind is not None and preamble < _SHORTEST_PREAMBLE:
        return _without_ordered_set(region, stream)  # rather data that looks like a set
    if matched.name is None:
        kind, fault_bit, reason = FaultKind.ORDERED_SET, place, matched.reason
    last = min(body_bit + used, boundaries.size - 1)
    start_bit = place - preamble
    rate, start = _clock(boundaries, start_bit, place, last)
    bit_rate_bps = 1.0 / (rate * region.interval_s)
    if kind is None:
        low, high = BIT_RATE_LIMITS_BPS
        if not low * (1 - _RATE_GUARD_RATIO) <= bit_rate_bps <= high * (1 + _RATE_GUARD_RATIO):
            kind, fault_bit = FaultKind.BIT_RATE, start_bit
            reason = f"bit rate {bit_rate_bps / 1e3:.1f} kbit/s is outside 270 to 330 kbit/s"
    cut = stream.cut and kind is not None and last >= boundaries.size - 2
    where = float(boundaries[min(max(fault_bit, 0), boundaries.size - 1)])
    if fault_bit == start_bit:
        where = start
    fault = None if kind is None else LineFault(kind, where, fault_bit - start_bit, reason)
    packet = Packet(
        start_s=start,
        end_s=float(boundaries[last]),
        sop=matched.name,
        payload=payload,
        crc_received=received,
        crc_computed=computed,
        bit_rate_bps=bit_rate_bps,
        preamble_bits=preamble,
        ordered_set_codes=matched.codes_right,
        fault=fault,
    )
    return _Found(packet, cut)


def _clock(boundaries: NDArray[np.float64], start_bit: int, place: int, last: int) -> tuple[float, float]:
    """Bit time over a transmission and where it starts, by straight-line fits [sample]."""
    first = max(0, start_bit)
    if last <= first:
        return float(np.diff(boundaries).mean()), float(boundaries[first])
    rate, _ = fit_clock(boundaries[first : last + 1])
    period, start = fit_clock(boundaries[first : max(place, first + 8) + 1])
    return rate, start + period * (start_bit - first)


def _without_ordered_set(region: Region, stream: BitStream) -> _Found | None:
    """Report a preamble that no ordered set follows, if it is one."""
    first = stream.anchor_bit
    bits, boundaries = stream.bits, stream.boundaries
    same = np.flatnonzero(bits[first + 1 :] == bits[first:-1])
    stop = first + int(same[0]) + 1 if same.size else bits.size
    if stop - first < _SHORTEST_PREAMBLE:
        return None
    # A preamble ends with a 1; a 0 after it belongs to the ordered set.
    stop -= int(bits[stop - 1] == 0)
    preamble = max(extend_back(region, stream, stop), stop - first)
    rate, start = _clock(boundaries, stop - preamble, stop, stop)
    left = bits.size - stop
    if preamble > 2 * PREAMBLE_BITS:
        kind = FaultKind.PREAMBLE
        reason = f"{preamble} alternating bits and no ordered set: a test carrier?"
    elif left < ORDERED_SET_BITS - 1:
        kind, reason = FaultKind.TRUNCATED, f"signal ends {left} bits after the preamble"
    else:
        kind, reason = FaultKind.ORDERED_SET, "no ordered set has three of its four codes right"
    packet = Packet(
        start_s=start,
        end_s=float(boundaries[-1]),
        sop=None,
        payload=b"",
        crc_received=None,
        crc_computed=None,
        bit_rate_bps=1.0 / (rate * region.interval_s),
        preamble_bits=preamble,
        ordered_set_codes=0,
        fault=LineFault(kind, float(boundaries[stop]), preamble, reason),
    )
    return _Found(packet, stream.cut)


def _orphans(region: Region, found: list[_Found]) -> list[_Found]:
    """Report coded signal that belongs to no transmission, as when a capture starts inside one."""
    edges = region.edges
    bit = 2.0 * region.half_bit
    flips = np.flatnonzero(np.diff(np.concatenate([[0], edges.classes > 0, [0]]).astype(np.int8)))
    stretches = [
        (float(edges.positions[first]), float(edges.positions[last]))
        for first, last in zip(flips[0::2], flips[1::2], strict=True)
        if last - first >= _ORPHAN_INTERVALS
    ]
    orphans: list[_Found] = []
    for begin, end in stretches:
        if any(one.packet.start_s < end and begin < one.packet.end_s for one in found):
            continue
        origin = begin
        if orphans and begin - orphans[-1].packet.end_s < 60.0 * bit:
            origin = orphans.pop().packet.start_s
        first, last = np.searchsorted(edges.positions, [origin, end])
        classes = edges.classes[first:last]
        period = 2.0 * float(np.median(np.diff(edges.positions[first : last + 1])[classes == 1]))
        fault = LineFault(
            FaultKind.PREAMBLE, origin, 0,
            f"{round((end - origin) / period)} bits of coded signal without a preamble",
        )  # fmt: skip
        packet = Packet(origin, end, None, b"", None, None, 1.0 / (period * region.interval_s), 0, 0, fault)
        orphans.append(_Found(packet, end > region.size - 4.0 * bit))
    return orphans
