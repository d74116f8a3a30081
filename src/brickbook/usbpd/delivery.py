"""Which frames were acknowledged, and which are repeats.

GoodCRC answers on the same ordered set with the same MessageID, with nothing in between, and is
never acknowledged itself (from memory, high; same MessageID also in a public message library). A
frame that equals the frame before it from the same sender on the same ordered set is a repeat:
R3.x repeats at most twice, R2.0 three times, 0.9 ms to 1.1 ms after the unanswered frame (public
stacks); repeats seen in a public log came 1.9 ms to 2.5 ms apart, start to start.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.usbpd.arrays import decode_headers
from brickbook.usbpd.messages import ControlType
from brickbook.usbpd.records import MessageLog

# Longest distance of a repeat from the frame it repeats, start to start: the longest frame of
# 1.6 ms, tReceive of at most 1.1 ms, and room for software time stamps (common practice, no
# source). Source_Capabilities sent afresh are at least 100 ms apart.
REPEAT_WINDOW_S = 0.010


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of each row of a log; arrays of shape (count,).

    ``delivered`` is true for a frame followed by its GoodCRC, and for every frame of a port whose
    log holds no GoodCRC at all (``acknowledgements_logged`` is false for that port), for then
    nothing can be said against it. Resets and GoodCRC themselves are not delivered. ``attempt`` is 0
    for a first frame, 1 for its first repeat, and so on. ``answered_by`` is the row of the
    GoodCRC, or -1. ``stray`` marks a GoodCRC that answers nothing.
    """

    is_good_crc: NDArray[np.bool_]
    delivered: NDArray[np.bool_]
    answered_by: NDArray[np.int64]
    attempt: NDArray[np.uint8]
    stray: NDArray[np.bool_]
    acknowledgements_logged: tuple[bool, ...]


def match_good_crc(log: MessageLog, repeat_window_s: float = REPEAT_WINDOW_S) -> Delivery:
    """Pair frames with their GoodCRC and find repeats.

    Parameters
    ----------
    log
        Message log; ports are treated one by one.
    repeat_window_s
        Longest distance of a repeat from the frame it repeats [s].

    Returns
    -------
    Delivery
        One entry per row of the log.
    """
    count = len(log)
    headers = decode_headers(log.header)
    framed = ~log.is_reset
    good_crc = (
        framed & ~headers.extended & (headers.object_count == 0) & (headers.type_raw == ControlType.GOOD_CRC.value)
    )
    delivered = np.zeros(count, dtype=np.bool_)
    answered_by = np.full(count, -1, dtype=np.int64)
    stray = good_crc.copy()

    by_port = np.argsort(log.port, kind="stable")
    first, second = by_port[:-1], by_port[1:]
    pair = (
        (log.port[first] == log.port[second])
        & framed[first]
        & ~good_crc[first]
        & good_crc[second]
        & (log.sop[first] == log.sop[second])
        & (headers.message_id[first] == headers.message_id[second])
    )
    delivered[first[pair]] = True
    answered_by[first[pair]] = second[pair]
    stray[second[pair]] = False

    logged = []
    for code in range(len(log.ports)):
        here = log.port == code
        seen = bool(np.any(good_crc & here))
        logged.append(seen)
        if not seen:
            delivered[here & framed] = True

    attempt = _attempts(log, framed & ~good_crc, headers.sender_bit, repeat_window_s)
    return Delivery(good_crc, delivered, answered_by, attempt, stray, tuple(logged))


def _attempts(
    log: MessageLog,
    wanted: NDArray[np.bool_],
    sender_bit: NDArray[np.bool_],
    window_s: float,
) -> NDArray[np.uint8]:
    attempt = np.zeros(len(log), dtype=np.uint8)
    rows = np.flatnonzero(wanted)
    if rows.size < 2:
        return attempt
    key = log.port[rows].astype(np.uint32) << np.uint32(4)
    key |= log.sop[rows].astype(np.uint32) << np.uint32(1)
    key |= sender_bit[rows]
    if len(log.ports) <= 4096:
        # Sixteen bits are sorted in linear time.
        order = np.argsort(key.astype(np.uint16), kind="stable")
    else:
        order = np.argsort(key, kind="stable")
    rows, key = rows[order], key[order]
    before, after = rows[:-1], rows[1:]
    same = (
        (key[:-1] == key[1:])
        & (log.header[before] == log.header[after])
        & (log.time_s[after] - log.time_s[before] <= window_s)
    )
    at = np.flatnonzero(same)
    same[at] = np.all(log.objects[before[at]] == log.objects[after[at]], axis=1)
    # Length of the run of repeats that ends at each row.
    position = np.arange(rows.size)
    fresh = np.concatenate(([True], ~same))
    start = np.maximum.accumulate(np.where(fresh, position, 0))
    attempt[rows] = np.minimum(position - start, 255)
    return attempt
