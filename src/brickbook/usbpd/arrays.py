"""Decoding of arrays of words: a million logged objects at once, as a structure of arrays.

The layouts are those of ``pdo`` and ``messages``; the tests hold both decoders together word by
word. Values that an object does not state are NaN.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.pdo import FixedSourcePdo, PpsSourcePdo, decode_source_pdo
from brickbook.usbpd.supplies import (
    SPR_AVS_MAX_V,
    SPR_AVS_MID_V,
    SPR_AVS_MIN_V,
    PdoKind,
)

# Kinds in the order of their codes in ``PdoArray.kind``.
PDO_KINDS: tuple[PdoKind, ...] = (
    PdoKind.FIXED,
    PdoKind.BATTERY,
    PdoKind.VARIABLE,
    PdoKind.PPS,
    PdoKind.EPR_AVS,
    PdoKind.SPR_AVS,
    PdoKind.RESERVED,
)
_FIXED, _BATTERY, _VARIABLE, _PPS, _EPR_AVS, _SPR_AVS, _RESERVED = range(7)
_KIND_OF_TOP = np.array([0] * 4 + [1] * 4 + [2] * 4 + [3, 4, 5, 6], dtype=np.uint8)
_RESERVED_MASK = np.array([decode_source_pdo(top << 28).LAYOUT.reserved_mask for top in range(16)], dtype=np.uint32)
# Words decoded per step: the temporary arrays of one step stay in the cache.
_STEP = 1 << 14
# Field values times their step, from the same two operations as the single objects use.
_STEPS_10 = np.arange(1024) * 10 / 1000
_STEPS_50 = np.arange(1024) * 50 / 1000
_STEPS_100 = np.arange(512) * 100 / 1000

_Column = NDArray[np.float64] | NDArray[np.intp] | float


@dataclass(frozen=True, slots=True)
class PdoArray:
    """Decoded source power data objects, all arrays of one shape.

    ``kind`` holds codes into ``PDO_KINDS``; voltages [V], current [A] and power [W] mean what the
    properties of the single objects mean, with NaN for ``None``. ``peak_current`` is the code 0 to
    3, and 0 where the object has none.
    """

    words: NDArray[np.uint32]
    kind: NDArray[np.uint8]
    min_voltage_v: NDArray[np.float64]
    max_voltage_v: NDArray[np.float64]
    max_current_a: NDArray[np.float64]
    max_power_w: NDArray[np.float64]
    peak_current: NDArray[np.uint8]
    reserved_bits: NDArray[np.uint32]

    def is_kind(self, kind: PdoKind) -> NDArray[np.bool_]:
        """Tell which objects are of a kind.

        Parameters
        ----------
        kind
            Kind of object.

        Returns
        -------
        ndarray of bool
            Same shape as the words.
        """
        chosen: NDArray[np.bool_] = self.kind == PDO_KINDS.index(kind)
        return chosen

    def flag(self, name: str) -> NDArray[np.bool_]:
        """Read a flag of all objects.

        Parameters
        ----------
        name
            Name of a single-bit field of ``FixedSourcePdo`` or ``PpsSourcePdo``.

        Returns
        -------
        ndarray of bool
            Same shape as the words; ``False`` for objects of other kinds.

        Raises
        ------
        WordError
            If no kind has such a flag.
        """
        for code, shape in ((_FIXED, FixedSourcePdo.LAYOUT), (_PPS, PpsSourcePdo.LAYOUT)):
            for part in shape.fields:
                if part.is_flag and part.name == name:
                    marked: NDArray[np.bool_] = (self.words & np.uint32(part.mask)) != 0
                    marked &= self.kind == code
                    return marked
        raise WordError(f"no source object has a flag {name!r}")


def as_words(words: ArrayLike) -> NDArray[np.uint32]:
    """Take an array of words.

    Parameters
    ----------
    words
        Unsigned 32-bit values of any shape and integer type.

    Returns
    -------
    ndarray of uint32
        The same values; the same array when it is one already.

    Raises
    ------
    WordError
        If a value is not an unsigned 32-bit integer.
    """
    array: NDArray[Any] = np.asarray(words)
    if array.dtype == np.uint32:
        return array
    if array.size == 0:
        return np.zeros(array.shape, dtype=np.uint32)
    if array.dtype.kind not in "iu":
        raise WordError(f"expected integers, got an array of {array.dtype}")
    if int(array.min()) < 0 or int(array.max()) > 0xFFFF_FFFF:
        bad = np.flatnonzero((array < 0) | (array > 0xFFFF_FFFF))[0]
        raise WordError(f"element {bad} is {array.flat[bad]}: not an unsigned 32-bit word")
    return array.astype(np.uint32)


def decode_source_pdos(words: ArrayLike) -> PdoArray:
    """Decode an array of source power data objects.

    Parameters
    ----------
    words
        Unsigned 32-bit words of any shape.

    Returns
    -------
    PdoArray
        Arrays of the same shape.

    Raises
    ------
    WordError
        If a value is not an unsigned 32-bit integer.
    """
    given = as_words(words)
    flat = np.ascontiguousarray(given).reshape(-1)
    size = flat.size
    result = PdoArray(
        flat,
        np.empty(size, np.uint8),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty(size, np.uint8),
        np.empty(size, np.uint32),
    )
    for start in range(0, size, _STEP):
        _decode_block(result, slice(start, min(start + _STEP, size)))
    return PdoArray(*(getattr(result, name).reshape(given.shape) for name in PdoArray.__slots__))


def _decode_block(result: PdoArray, part: slice) -> None:
    word = result.words[part].astype(np.intp)
    top = word >> 28
    kind = result.kind[part]
    np.take(_KIND_OF_TOP, top, out=kind, mode="clip")
    reserved = result.reserved_bits[part]
    np.take(_RESERVED_MASK, top, out=reserved, mode="clip")
    np.bitwise_and(reserved, result.words[part], out=reserved)
    low_v, high_v = result.min_voltage_v[part], result.max_voltage_v[part]
    current_a, power_w = result.max_current_a[part], result.max_power_w[part]
    peak = result.peak_current[part]
    # Most objects are fixed supplies: the whole block is decoded as such, then the rest is redone.
    volts = word >> 10
    peak[:] = volts >> 10 & 3
    volts &= 0x3FF
    amps = word & 0x3FF
    np.take(_STEPS_50, volts, out=low_v, mode="clip")
    high_v[:] = low_v
    np.take(_STEPS_10, amps, out=current_a, mode="clip")
    # Converting first and dividing in place is faster than a division of integers.
    power_w[:] = volts * amps
    power_w /= 2000.0
    others = np.flatnonzero(kind)
    if others.size == 0:
        return
    other_kind = kind[others]
    for code in range(_BATTERY, _RESERVED + 1):
        at = others[other_kind == code]
        if at.size:
            values = _decode_other(code, word[at])
            low_v[at], high_v[at], current_a[at], power_w[at], peak[at] = values


def _decode_other(code: int, word: NDArray[np.intp]) -> tuple[_Column, ...]:
    """Minimum and maximum voltage, current, power and peak code of one kind of objects."""
    nan = float("nan")
    if code in (_BATTERY, _VARIABLE):
        low = _STEPS_50[word >> 10 & 0x3FF]
        top = word >> 20 & 0x3FF
        last = word & 0x3FF
        if code == _BATTERY:
            return low, _STEPS_50[top], nan, last / 4.0, 0
        return low, _STEPS_50[top], _STEPS_10[last], top * last / 2000.0, 0
    if code == _PPS:
        top = word >> 17 & 0xFF
        last = word & 0x7F
        low = _STEPS_100[word >> 8 & 0xFF]
        return low, _STEPS_100[top], _STEPS_50[last], top * last / 200.0, 0
    if code == _EPR_AVS:
        low = _STEPS_100[word >> 8 & 0xFF]
        high = _STEPS_100[word >> 17 & 0x1FF]
        return low, high, nan, (word & 0xFF).astype(np.float64), word >> 26 & 3
    if code == _SPR_AVS:
        middle = word >> 10 & 0x3FF
        upper = word & 0x3FF
        power = np.maximum(middle * 15, upper * 20) / 100.0
        high = np.where(upper > 0, SPR_AVS_MAX_V, SPR_AVS_MID_V)
        return SPR_AVS_MIN_V, high, _STEPS_10[np.maximum(middle, upper)], power, word >> 26 & 3
    return nan, nan, nan, nan, 0


@dataclass(frozen=True, slots=True)
class HeaderArray:
    """Decoded message headers, all arrays of one shape.

    ``sender_bit`` is bit 8: on SOP 1 for a source, on SOP' and SOP'' 1 for a cable plug.
    """

    extended: NDArray[np.bool_]
    object_count: NDArray[np.uint8]
    message_id: NDArray[np.uint8]
    sender_bit: NDArray[np.bool_]
    spec_revision_raw: NDArray[np.uint8]
    data_role_dfp: NDArray[np.bool_]
    type_raw: NDArray[np.uint8]


def decode_headers(headers: ArrayLike) -> HeaderArray:
    """Decode an array of message headers.

    Parameters
    ----------
    headers
        Unsigned 16-bit values of any shape.

    Returns
    -------
    HeaderArray
        Arrays of the same shape.

    Raises
    ------
    WordError
        If a value is not an unsigned 16-bit integer.
    """
    given: NDArray[Any] = np.asarray(headers)
    if given.dtype != np.uint16:
        wide = as_words(given)
        if wide.size and int(wide.max()) > 0xFFFF:
            raise WordError(f"a header is 16 bits wide, got 0x{int(wide.max()):X}")
        given = wide.astype(np.uint16)
    word: NDArray[np.uint16] = given

    def bits(low: int, mask: int) -> NDArray[np.uint8]:
        return (word >> np.uint16(low) & np.uint16(mask)).astype(np.uint8)

    return HeaderArray(
        extended=(word & np.uint16(0x8000)) != 0,
        object_count=bits(12, 7),
        message_id=bits(9, 7),
        sender_bit=(word & np.uint16(0x0100)) != 0,
        spec_revision_raw=bits(6, 3),
        data_role_dfp=(word & np.uint16(0x0020)) != 0,
        type_raw=bits(0, 31),
    )
