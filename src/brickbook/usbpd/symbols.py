"""4b5b symbols and ordered sets of the USB Power Delivery line coding.

Bits here are what the wire carries, in wire order: the low nibble of each byte first, each
five-bit code least significant bit first, multi-byte fields low byte first (public controller
driver).  The biphase-mark coding below them lives in `bmc`.

Sources: the 4b5b table, the K-codes, SOP, SOP', SOP'' and Hard Reset are those of public
controller drivers and agree with USB PD R3.0 chapter 5; Cable Reset is from memory (high
confidence), the two debug sets are from memory (medium confidence).
"""

import zlib
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

PREAMBLE_BITS: Final = 64
"""Preamble length [bit], alternating, first 0 and last 1 (first and last: from memory, high)."""

ORDERED_SET_BITS: Final = 20
"""Length of an ordered set: four five-bit codes [bit]."""

DATA_CODES: Final[tuple[int, ...]] = (
    0b11110, 0b01001, 0b10100, 0b10101, 0b01010, 0b01011, 0b01110, 0b01111,
    0b10010, 0b10011, 0b10110, 0b10111, 0b11010, 0b11011, 0b11100, 0b11101,
)  # fmt: skip
"""Five-bit code (b4..b0) of each nibble 0x0 to 0xF."""

SYNC_1: Final = 0b11000
SYNC_2: Final = 0b10001
SYNC_3: Final = 0b00110
RST_1: Final = 0b00111
RST_2: Final = 0b11001
EOP: Final = 0b01101

K_CODES: Final[dict[int, str]] = {
    SYNC_1: "Sync-1",
    SYNC_2: "Sync-2",
    SYNC_3: "Sync-3",
    RST_1: "RST-1",
    RST_2: "RST-2",
    EOP: "EOP",
}
"""Name of each control code."""

ORDERED_SETS: Final[dict[str, tuple[int, int, int, int]]] = {
    "SOP": (SYNC_1, SYNC_1, SYNC_1, SYNC_2),
    "SOP'": (SYNC_1, SYNC_1, SYNC_3, SYNC_3),
    "SOP''": (SYNC_1, SYNC_3, SYNC_1, SYNC_3),
    "HARD_RESET": (RST_1, RST_1, RST_1, RST_2),
    "CABLE_RESET": (RST_1, SYNC_1, RST_1, SYNC_3),
    "SOP'_DEBUG": (SYNC_1, RST_2, RST_2, SYNC_3),
    "SOP''_DEBUG": (SYNC_1, RST_2, SYNC_3, SYNC_2),
}
"""The four codes of each ordered set, in wire order."""

RESETS: Final = frozenset({"HARD_RESET", "CABLE_RESET"})
"""Sets that are a whole transmission: no header, CRC or EOP follows (from memory, high)."""

_EOP_CLASS: Final = 16
_BAD_CLASS: Final = 17
_BIT_WEIGHTS: Final = np.array([1, 2, 4, 8, 16], dtype=np.uint8)


def _symbol_classes() -> NDArray[np.uint8]:
    table = np.full(32, _BAD_CLASS, dtype=np.uint8)
    table[list(DATA_CODES)] = np.arange(16)
    table[EOP] = _EOP_CLASS
    return table


_SYMBOL_CLASS: Final = _symbol_classes()
_SET_NAMES: Final = tuple(ORDERED_SETS)
_SET_CODES: Final = np.array(list(ORDERED_SETS.values()), dtype=np.uint8)


class FaultKind(StrEnum):
    """Why a transmission is not a good packet."""

    PREAMBLE = "preamble"
    ORDERED_SET = "ordered_set"
    SYMBOL = "symbol"
    LENGTH = "length"
    CRC = "crc"
    NO_EOP = "no_eop"
    TRUNCATED = "truncated"
    BIT_RATE = "bit_rate"


@dataclass(frozen=True, slots=True)
class OrderedSetMatch:
    """Where an ordered set was found.

    Attributes
    ----------
    bit_index
        Index of its first bit [bit].
    name
        Its name, or None when two sets fit equally well.
    codes_right
        How many of its four codes were right, 3 or 4.
    reason
        Empty, or why no single name could be given.
    """

    bit_index: int
    name: str | None
    codes_right: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class FrameBody:
    """What follows an ordered set, read back from bits.

    Attributes
    ----------
    payload
        Header and data without CRC; on a fault, the whole bytes read before it.
    bits_used
        Bits consumed, EOP included [bit].
    crc_received, crc_computed
        The frame's own CRC-32 and the one computed here; None when the frame was too short.
    fault
        None for a good frame.
    fault_bit
        Bit of the fault, counted from the first bit after the ordered set [bit].
    reason
        The fault in words.
    """

    payload: bytes
    bits_used: int
    crc_received: int | None
    crc_computed: int | None
    fault: FaultKind | None = None
    fault_bit: int = 0
    reason: str = ""


def code_bits(code: int) -> NDArray[np.uint8]:
    """Five bits of a code in wire order, least significant bit first.

    Parameters
    ----------
    code
        Five-bit code b4..b0, 0 to 31.

    Returns
    -------
    NDArray[np.uint8]
        Shape (5,), each 0 or 1.
    """
    return ((code >> np.arange(5)) & 1).astype(np.uint8)


def encode_packet(sop: str, payload: bytes = b"") -> NDArray[np.uint8]:
    """All bits of one transmission in wire order: preamble, ordered set, payload, CRC, EOP.

    Parameters
    ----------
    sop
        Name of the ordered set, a key of `ORDERED_SETS`.
    payload
        Header and data bytes in wire order, without CRC; empty for the two resets.

    Returns
    -------
    NDArray[np.uint8]
        Shape (149 + 40 n,) for a header and n data objects; (84,) for a reset.

    Raises
    ------
    ValueError
        If the ordered set is unknown, a reset is given a payload, or a message has none.

    Examples
    --------
    >>> len(encode_packet("SOP", bytes.fromhex("6105")))
    149
    """
    if sop not in ORDERED_SETS:
        raise ValueError(f"ordered set {sop!r} is not known; use one of {', '.join(ORDERED_SETS)}")
    preamble = (np.arange(PREAMBLE_BITS) & 1).astype(np.uint8)
    codes = list(ORDERED_SETS[sop])
    if sop in RESETS:
        if payload:
            raise ValueError(f"{sop} carries no payload, {len(payload)} bytes were given")
    elif len(payload) < 2:
        raise ValueError(f"{sop} needs at least a two-byte header, got {len(payload)} bytes")
    else:
        for byte in payload + zlib.crc32(payload).to_bytes(4, "little"):
            codes += [DATA_CODES[byte & 0xF], DATA_CODES[byte >> 4]]
        codes.append(EOP)
    return np.concatenate([preamble, *(code_bits(code) for code in codes)])


def find_ordered_set(bits: NDArray[np.uint8], limit: int) -> OrderedSetMatch | None:
    """First ordered set in a run of bits; three right codes of four are enough.

    The three-of-four rule is from memory (high confidence).  Two sets that share two codes can
    fit a damaged one equally well; then no name is given rather than a guess.

    Parameters
    ----------
    bits
        Shape (n,), recovered bits beginning inside the preamble.
    limit
        Last bit index at which the set may begin [bit].

    Returns
    -------
    OrderedSetMatch or None
        None when no place up to `limit` has three right codes.
    """
    places = min(limit + 1, bits.size - ORDERED_SET_BITS + 1)
    if places <= 0:
        return None
    reach = places + ORDERED_SET_BITS - 5
    codes = bits[:reach].copy()
    for shift in range(1, 5):
        codes += bits[shift : shift + reach] << shift
    right = np.zeros((len(_SET_NAMES), places), dtype=np.uint8)
    for position in range(4):
        right += codes[5 * position : 5 * position + places] == _SET_CODES[:, position, None]
    best = right.max(axis=0)
    hits = np.flatnonzero(best >= 3)
    if not hits.size:
        return None
    first = int(hits[0])
    # A shifted near-fit may come a few bits before the true place: the better fit wins.
    place = first + int(np.argmax(best[first : first + ORDERED_SET_BITS]))
    count = int(best[place])
    fitting = [_SET_NAMES[row] for row in np.flatnonzero(right[:, place] == count)]
    if len(fitting) > 1:
        return OrderedSetMatch(place, None, count, f"three of four codes fit {' and '.join(fitting)} alike")
    return OrderedSetMatch(place, fitting[0], count)


def read_body(bits: NDArray[np.uint8]) -> FrameBody:
    """Read header, data, CRC and EOP from the bits after an ordered set.

    Parameters
    ----------
    bits
        Shape (n,), from the first bit after the ordered set to the last one on the wire.

    Returns
    -------
    FrameBody
        The payload, or the first fault with its place.
    """
    n_symbols = bits.size // 5
    classes = _SYMBOL_CLASS[bits[: 5 * n_symbols].reshape(-1, 5) @ _BIT_WEIGHTS]
    stops = np.flatnonzero(classes >= _EOP_CLASS)
    stop = int(stops[0]) if stops.size else n_symbols
    nibbles = classes[: stop & ~1]
    data = (nibbles[0::2] | (nibbles[1::2] << 4)).astype(np.uint8).tobytes()
    if stops.size and classes[stop] == _BAD_CLASS:
        code = int(bits[5 * stop : 5 * stop + 5] @ _BIT_WEIGHTS)
        name = K_CODES.get(code)
        what = f"control code {name}" if name else f"code {code:05b}"
        later = stops[classes[stops] == _EOP_CLASS]
        used = 5 * (int(later[0]) + 1) if later.size else bits.size
        return FrameBody(
            data, used, None, None, FaultKind.SYMBOL, 5 * stop,
            f"{what} is no 4b5b data symbol; it stands where byte {stop // 2} of the frame belongs",
        )  # fmt: skip
    ended = bool(stops.size)
    # The last EOP bit needs the edge that ends the frame.  A line that just stops leaves four.
    if not ended and bits.size % 5 == 4 and np.array_equal(bits[-4:], code_bits(EOP)[:4]):
        ended = True
    used = min(5 * (stop + 1), bits.size) if ended else bits.size
    if len(data) < 6:
        kind = FaultKind.LENGTH if ended else FaultKind.TRUNCATED
        how = "ends" if ended else "breaks off"
        return FrameBody(
            data, used, None, None, kind, used,
            f"frame {how} after {len(data)} bytes; a header and a CRC need six",
        )  # fmt: skip
    payload, received = data[:-4], int.from_bytes(data[-4:], "little")
    computed = zlib.crc32(payload)
    if not ended:
        if received == computed:
            return FrameBody(
                payload, used, received, computed, FaultKind.NO_EOP, used,
                "CRC is right but no end-of-packet code follows it",
            )  # fmt: skip
        return FrameBody(
            data, used, None, None, FaultKind.TRUNCATED, used,
            f"frame breaks off after {len(data)} bytes without an end-of-packet code",
        )  # fmt: skip
    if stop & 1:
        return FrameBody(
            payload, used, received, computed, FaultKind.LENGTH, 5 * stop,
            f"frame has {stop} data symbols, half a byte too many",
        )  # fmt: skip
    if received != computed:
        return FrameBody(
            payload, used, received, computed, FaultKind.CRC, max(0, 5 * (stop - 8)),
            f"CRC received 0x{received:08X}, computed 0x{computed:08X}",
        )  # fmt: skip
    return FrameBody(payload, used, received, computed)
