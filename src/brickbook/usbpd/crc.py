"""CRC-32 of USB PD messages, one message at a time or many at once.

Polynomial 0x04C11DB7 (reflected 0xEDB88320), register preset and final XOR 0xFFFFFFFF, bytes in
wire order with the least significant bit first (public controller sources). It is the CRC of
Ethernet and zlib; the check value of "123456789" is 0xCBF43926. The CRC covers header, extended
header, data and padding, and is sent as a little-endian word.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brickbook.usbpd.errors import MessageError

_REFLECTED_POLYNOMIAL = 0xEDB88320

# Result of running the CRC over a message followed by its own CRC (computed).
RESIDUAL = 0x2144DF1C


def _table() -> tuple[int, ...]:
    entries = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = register >> 1 ^ (_REFLECTED_POLYNOMIAL if register & 1 else 0)
        entries.append(register)
    return tuple(entries)


_TABLE = _table()
_TABLE_ARRAY = np.array(_TABLE, dtype=np.uint32)


def crc32(message: bytes) -> int:
    """Compute the CRC-32 of one message.

    Parameters
    ----------
    message
        Header, extended header and objects in wire order.

    Returns
    -------
    int
        CRC as an unsigned 32-bit number.
    """
    register = 0xFFFFFFFF
    for byte in message:
        register = register >> 8 ^ _TABLE[(register ^ byte) & 0xFF]
    return register ^ 0xFFFFFFFF


def crc32_many(messages: ArrayLike, lengths: ArrayLike) -> NDArray[np.uint32]:
    """Compute the CRC-32 of many messages at once.

    Parameters
    ----------
    messages
        Bytes in wire order, one message per row, shape (count, width); bytes past a message's
        length are ignored.
    lengths
        Number of bytes of each message, shape (count,).

    Returns
    -------
    ndarray of uint32
        CRCs, shape (count,).

    Raises
    ------
    MessageError
        If the shapes do not fit, or a length leaves the row.
    """
    rows = np.asarray(messages, dtype=np.uint8)
    size = np.asarray(lengths, dtype=np.int64)
    if rows.ndim != 2 or size.shape != rows.shape[:1]:
        raise MessageError(
            f"expected messages of shape (count, width) and as many lengths; got {rows.shape} and {size.shape}"
        )
    if size.size and not (size.min() >= 0 and size.max() <= rows.shape[1]):
        raise MessageError(f"a length is outside 0 to {rows.shape[1]} bytes")
    register = np.full(size.shape, 0xFFFFFFFF, dtype=np.uint32)
    for column in range(int(size.max(initial=0))):
        stepped = register >> np.uint32(8) ^ _TABLE_ARRAY[(register ^ rows[:, column]) & 0xFF]
        register = np.where(column < size, stepped, register)
    return register ^ np.uint32(0xFFFFFFFF)


def crc_ok(frame: bytes) -> bool:
    """Check a message followed by its CRC.

    Parameters
    ----------
    frame
        Message bytes and the four CRC bytes, in wire order.

    Returns
    -------
    bool
        Whether the CRC fits; ``False`` also for fewer than six bytes.
    """
    return len(frame) >= 6 and crc32(frame) == RESIDUAL
