"""Transmissions within an active stretch of the CC wire.

Each is read by its edges first and, where those give no packet with a right CRC, again by
integration with a tracked clock (`bmc.track_bits`).  Where not even a preamble shows in the edges it
is looked for by correlation.  What cannot be read is reported with its place and the reason.
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

BIT_RATE_LIMITS_BPS: Final = (270e3, 330e3)
"""Lowest and highest legal bit rate [bit/s] (PHY data sheet)."""

_RATE_GUARD_RATIO: Final = 0.002
"""A rate is called illegal only this far outside its limits: noise and the instrument's time base
must not condemn a transmitter that sits on the limit."""

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
    for first, last in region.edges.runs:
        run = (int(first), int(last))
        start = float(region.edges.positions[first])
        if start < position:
            _split(region, run, found)
            continue
        one = _read_from_edges(region, run)
        if one is not None and one.cut and not final and start > region.size / 3:
            found.append(one)  # the next region has all of it
            position = searched = float(region.size)
            break
        if one is None or not one.readable:
            one = _reread(region, run, one)
        readable = one is not None and one.readable
        if not readable or start - max(position, searched) > 60.0 * bit:
            # The edges may have hidden an earlier preamble, or the run may be data like one.
            begin = max(position, searched - 70.0 * bit)
            hidden = _search(region, begin, start + 80.0 * bit)
            searched = start + 80.0 * bit
            if one is not None:
                clear = [it for it in hidden if it.packet.end_s <= one.packet.start_s]
                if readable or len(clear) == len(hidden):
                    hidden = clear
                else:
                    one = None
            found += hidden
        if one is not None:
            found.append(one)
        position = max([position, *(it.packet.end_s for it in found)])
    if region.size - max(position, searched) > 60.0 * bit:
        found += _search(region, max(position, searched - 70.0 * bit), float(region.size))
    found += _orphans(region, found)
    found = _without_twins(found)
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


def _without_twins(found: list[_Found]) -> list[_Found]:
    """In order of time, each transmission once though two ways may have come upon it."""
    kept: list[_Found] = []
    for one in sorted(found, key=lambda one: one.packet.start_s):
        packet = one.packet
        twin = any(
            packet.start_s < other.packet.end_s
            and (packet.sop, packet.payload) == (other.packet.sop, other.packet.payload)
            for other in kept
        )
        if not twin:
            kept.append(one)
    return kept


def _read_from_edges(region: Region, run: tuple[int, int]) -> _Found | None:
    """Read a transmission whose preamble shows in the edges."""
    stream = bits_from_edges(region, run)
    if stream is None:
        return None
    preamble = int(region.edges.classes[run[0] : run[1]].sum()) // 2
    return _frame(region, stream, preamble + 24)


def _reread(region: Region, run: tuple[int, int], by_edges: _Found | None) -> _Found | None:
    """Read again by integration a transmission that edges alone did not give."""
    edges = region.edges
    anchor, half_bit = run_clock(edges, run)
    stream = track_bits(region, float(edges.positions[anchor]), half_bit)
    again = _frame(region, stream, run[1] - anchor + 64)
    if again is not None and again.readable:
        return again
    candidates = [one for one in (again, by_edges) if one is not None]
    return max(
        candidates,
        key=lambda one: (one.packet.sop is not None, len(one.packet.payload)),
        default=None,
    )


def _split(region: Region, run: tuple[int, int], found: list[_Found]) -> None:
    """End a broken transmission where a good one begins on top of it."""
    outer = found[-1] if found else None
    start = float(region.edges.positions[run[0]])
    if outer is None or outer.readable or not outer.packet.start_s < start < outer.packet.end_s:
        return
    if run[1] - run[0] < 24:
        return
    inner = _read_from_edges(region, run)
    if inner is None or not inner.readable:
        inner = _reread(region, run, inner)
    if inner is not None and inner.readable:
        end = min(outer.packet.end_s, inner.packet.start_s)
        found[-1] = replace(outer, packet=replace(outer.packet, end_s=end), cut=False)
        found.append(inner)


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
    needed = _SHORTEST_PREAMBLE if matched.codes_right == 4 else PREAMBLE_BITS // 2
    if matched.name in RESETS and preamble < needed:
        # No CRC vouches for a reset: its preamble must.
        return _without_ordered_set(region, stream)
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
