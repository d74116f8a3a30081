"""Messages: headers, type codes, payloads, and their bytes on the wire.

Header and extended header bits and type codes: public kernel headers (``include/linux/usb/pd.h``)
and public controller headers. The meaning of bits 8 and 5 on SOP' and SOP'': from memory, high.
Length rule of long unchunked messages: from memory, medium.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum
from functools import lru_cache
from typing import Self

from brickbook.usbpd.crc import crc32
from brickbook.usbpd.errors import MessageError
from brickbook.usbpd.layout import DataObject, layout

MAX_OBJECTS = 7
MAX_CHUNK_BYTES = 26
MAX_EXTENDED_BYTES = 260
NOMINAL_BIT_RATE_HZ = 300_000.0


class Sop(StrEnum):
    """Ordered set a message starts with, or that stands alone as a reset."""

    SOP = "SOP"
    SOP_PRIME = "SOP'"
    SOP_DOUBLE_PRIME = "SOP''"
    SOP_PRIME_DEBUG = "SOP'_DEBUG"
    SOP_DOUBLE_PRIME_DEBUG = "SOP''_DEBUG"
    HARD_RESET = "HARD_RESET"
    CABLE_RESET = "CABLE_RESET"

    @property
    def is_reset(self) -> bool:
        """Whether it stands alone: no header, no CRC, no GoodCRC (from memory, high)."""
        return self in (Sop.HARD_RESET, Sop.CABLE_RESET)


class Sender(StrEnum):
    """Who sent a message, as far as its header tells."""

    SOURCE = "source"
    SINK = "sink"
    PORT = "port"
    CABLE = "cable"


class MessageClass(StrEnum):
    """Control, data or extended, from bit 15 and the object count."""

    CONTROL = "control"
    DATA = "data"
    EXTENDED = "extended"


# Plain enumerations: members of two of them with the same code must not be equal.
class ControlType(Enum):
    """Control message types."""

    GOOD_CRC = 1
    GOTO_MIN = 2
    ACCEPT = 3
    REJECT = 4
    PING = 5
    PS_RDY = 6
    GET_SOURCE_CAP = 7
    GET_SINK_CAP = 8
    DR_SWAP = 9
    PR_SWAP = 10
    VCONN_SWAP = 11
    WAIT = 12
    SOFT_RESET = 13
    DATA_RESET = 14
    DATA_RESET_COMPLETE = 15
    NOT_SUPPORTED = 16
    GET_SOURCE_CAP_EXTENDED = 17
    GET_STATUS = 18
    FR_SWAP = 19
    GET_PPS_STATUS = 20
    GET_COUNTRY_CODES = 21
    GET_SINK_CAP_EXTENDED = 22
    GET_SOURCE_INFO = 23
    GET_REVISION = 24


class DataType(Enum):
    """Data message types."""

    SOURCE_CAPABILITIES = 1
    REQUEST = 2
    BIST = 3
    SINK_CAPABILITIES = 4
    BATTERY_STATUS = 5
    ALERT = 6
    GET_COUNTRY_INFO = 7
    ENTER_USB = 8
    EPR_REQUEST = 9
    EPR_MODE = 10
    SOURCE_INFO = 11
    REVISION = 12
    VENDOR_DEFINED = 15


class ExtendedType(Enum):
    """Extended message types."""

    SOURCE_CAPABILITIES_EXTENDED = 1
    STATUS = 2
    GET_BATTERY_CAP = 3
    GET_BATTERY_STATUS = 4
    BATTERY_CAPABILITIES = 5
    GET_MANUFACTURER_INFO = 6
    MANUFACTURER_INFO = 7
    SECURITY_REQUEST = 8
    SECURITY_RESPONSE = 9
    FIRMWARE_UPDATE_REQUEST = 10
    FIRMWARE_UPDATE_RESPONSE = 11
    PPS_STATUS = 12
    COUNTRY_INFO = 13
    COUNTRY_CODES = 14
    SINK_CAPABILITIES_EXTENDED = 15
    EXTENDED_CONTROL = 16
    EPR_SOURCE_CAPABILITIES = 17
    EPR_SINK_CAPABILITIES = 18
    VENDOR_DEFINED_EXTENDED = 30


class ExtendedControlType(Enum):
    """Types in byte 0 of an Extended_Control payload."""

    EPR_GET_SOURCE_CAP = 1
    EPR_GET_SINK_CAP = 2
    EPR_KEEP_ALIVE = 3
    EPR_KEEP_ALIVE_ACK = 4


MessageType = ControlType | DataType | ExtendedType

# Names as the specification writes them.
_SPELLED = {
    "GOOD_CRC": "GoodCRC",
    "GOTO_MIN": "GotoMin",
    "BIST": "BIST",
    "PS_RDY": "PS_RDY",
    "DR_SWAP": "DR_Swap",
    "PR_SWAP": "PR_Swap",
    "FR_SWAP": "FR_Swap",
    "VCONN_SWAP": "VCONN_Swap",
    "ENTER_USB": "Enter_USB",
    "EPR_REQUEST": "EPR_Request",
    "EPR_MODE": "EPR_Mode",
    "GET_PPS_STATUS": "Get_PPS_Status",
    "PPS_STATUS": "PPS_Status",
    "EPR_SOURCE_CAPABILITIES": "EPR_Source_Capabilities",
    "EPR_SINK_CAPABILITIES": "EPR_Sink_Capabilities",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageHeader(DataObject):
    """Fields of the 16-bit header that mean the same on every ordered set."""

    extended: bool = False
    object_count: int = 0
    message_id: int = 0
    spec_revision_raw: int = 2
    type_raw: int

    @property
    def message_class(self) -> MessageClass:
        """Control, data or extended."""
        if self.extended:
            return MessageClass.EXTENDED
        return MessageClass.DATA if self.object_count else MessageClass.CONTROL

    @property
    def message_type(self) -> MessageType | None:
        """Type, or ``None`` when the code is reserved."""
        try:
            if self.extended:
                return ExtendedType(self.type_raw)
            return DataType(self.type_raw) if self.object_count else ControlType(self.type_raw)
        except ValueError:
            return None

    @property
    def name(self) -> str:
        """Name as the specification writes it, or ``Reserved control 0`` and the like."""
        kind = self.message_type
        if kind is None:
            return f"Reserved {self.message_class} {self.type_raw}"
        return _SPELLED.get(kind.name, "_".join(part.capitalize() for part in kind.name.split("_")))

    @property
    def spec_revision(self) -> str:
        """Revision as far as the header tells it: R3.0, R3.1 and R3.2 look the same."""
        return ("R1.0", "R2.0", "R3.x", "reserved")[self.spec_revision_raw]

    @property
    def sender(self) -> Sender:
        """Who sent the message."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, kw_only=True)
class PortHeader(MessageHeader):
    """Header on SOP."""

    LAYOUT = layout(
        {
            "extended": 15,
            "object_count": (14, 12),
            "message_id": (11, 9),
            "from_source": 8,
            "spec_revision_raw": (7, 6),
            "data_role_dfp": 5,
            "type_raw": (4, 0),
        },
        width=16,
    )

    from_source: bool = False
    data_role_dfp: bool = False

    @property
    def sender(self) -> Sender:
        """Source or sink, by the port power role bit."""
        return Sender.SOURCE if self.from_source else Sender.SINK


@dataclass(frozen=True, slots=True, kw_only=True)
class CableHeader(MessageHeader):
    """Header on SOP' and SOP'': bit 8 tells a port from a plug, bit 5 is reserved."""

    LAYOUT = layout(
        {
            "extended": 15,
            "object_count": (14, 12),
            "message_id": (11, 9),
            "from_cable": 8,
            "spec_revision_raw": (7, 6),
            "type_raw": (4, 0),
        },
        width=16,
    )

    from_cable: bool = False

    @property
    def sender(self) -> Sender:
        """Cable plug or one of the ports."""
        return Sender.CABLE if self.from_cable else Sender.PORT


# The same few dozen headers make up a long log, so each is decoded once.
@lru_cache(maxsize=4096)
def decode_header(word: int, sop: Sop = Sop.SOP) -> MessageHeader:
    """Decode a header word.

    Parameters
    ----------
    word
        Any 16-bit word.
    sop
        Ordered set the message started with.

    Returns
    -------
    MessageHeader
        ``PortHeader`` on SOP, else ``CableHeader``.

    Raises
    ------
    MessageError
        For a reset, which has no header.
    WordError
        If the value is not an unsigned 16-bit word.
    """
    if sop.is_reset:
        raise MessageError(f"{sop} has no header")
    return PortHeader.decode(word) if sop is Sop.SOP else CableHeader.decode(word)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtendedHeader(DataObject):
    """Extended header: first 16 bits after the header of an extended message."""

    LAYOUT = layout(
        {
            "chunked": 15,
            "chunk_number": (14, 11),
            "request_chunk": 10,
            "data_size": (8, 0),
        },
        width=16,
    )

    chunked: bool = True
    chunk_number: int = 0
    request_chunk: bool = False
    data_size: int = 0


@dataclass(frozen=True, slots=True)
class Message:
    """A message: ordered set, header, and the bytes between header and CRC.

    The payload of an extended message starts with its extended header and may end in padding.
    """

    sop: Sop
    header: MessageHeader
    payload: bytes = b""

    def __post_init__(self) -> None:
        if len(self.payload) == 4 * self.header.object_count:
            if self.header.extended and len(self.payload) < 4:
                raise MessageError("an extended message must carry its extended header")
            return
        if self.header.extended and self.header.object_count == 0 and len(self.payload) >= 2:
            whole = ExtendedHeader.decode(int.from_bytes(self.payload[:2], "little"))
            # Padding of an unchunked message to whole words is accepted but not asked for.
            if not whole.chunked and 0 <= len(self.payload) - 2 - whole.data_size < 4:
                return
        raise MessageError(
            f"{self.header.name}: {len(self.payload)} payload bytes do not fit an object count of "
            f"{self.header.object_count}"
        )

    @classmethod
    def parse(cls, data: bytes, sop: Sop = Sop.SOP) -> Self:
        """Take a message apart.

        Parameters
        ----------
        data
            Header and payload in wire order, without the CRC.
        sop
            Ordered set the message started with.

        Returns
        -------
        Self
            The message.

        Raises
        ------
        MessageError
            If the number of bytes does not fit the object count, or the ordered set is a reset.
        """
        if len(data) < 2:
            raise MessageError(f"a message has at least 2 bytes, got {len(data)}")
        return cls(sop, decode_header(int.from_bytes(data[:2], "little"), sop), bytes(data[2:]))

    @classmethod
    def from_words(cls, header_word: int, objects: Sequence[int], sop: Sop = Sop.SOP) -> Self:
        """Put a message together from its header word and object words.

        Parameters
        ----------
        header_word
            16-bit header.
        objects
            32-bit objects; for an extended message the first holds the extended header.
        sop
            Ordered set.

        Returns
        -------
        Self
            The message.

        Raises
        ------
        MessageError
            If the number of objects does not fit the header.
        """
        payload = b"".join(int(word).to_bytes(4, "little") for word in objects)
        return cls(sop, decode_header(header_word, sop), payload)

    def encode(self) -> bytes:
        """Encode to header and payload in wire order, without the CRC.

        Returns
        -------
        bytes
            The very bytes that were parsed.
        """
        return self.header.encode().to_bytes(2, "little") + self.payload

    def encode_with_crc(self) -> bytes:
        """Encode to header, payload and CRC in wire order.

        Returns
        -------
        bytes
            The frame between ordered set and EOP.
        """
        data = self.encode()
        return data + crc32(data).to_bytes(4, "little")

    @property
    def name(self) -> str:
        """Name of the message as the specification writes it."""
        return self.header.name

    @property
    def message_type(self) -> MessageType | None:
        """Type, or ``None`` when the code is reserved."""
        return self.header.message_type

    @property
    def objects(self) -> tuple[int, ...]:
        """Payload as 32-bit words; a last partial word is filled with zeros."""
        return split_words(self.payload)

    @property
    def extended_header(self) -> ExtendedHeader | None:
        """Extended header, or ``None`` for control and data messages."""
        if not self.header.extended:
            return None
        return ExtendedHeader.decode(int.from_bytes(self.payload[:2], "little"))

    @property
    def chunk_data(self) -> bytes:
        """Data bytes of this chunk, without extended header and padding.

        Empty for a chunk request and for messages that are not extended.
        """
        extended = self.extended_header
        if extended is None or extended.request_chunk:
            return b""
        data = self.payload[2:]
        if not extended.chunked:
            return data[: extended.data_size]
        left = extended.data_size - extended.chunk_number * MAX_CHUNK_BYTES
        return data[: max(0, min(left, MAX_CHUNK_BYTES))]

    @property
    def extended_control(self) -> ExtendedControlType | None:
        """Type of an Extended_Control message, else ``None``."""
        data = self.chunk_data
        if self.message_type is not ExtendedType.EXTENDED_CONTROL or len(data) < 1:
            return None
        try:
            return ExtendedControlType(data[0])
        except ValueError:
            return None


def split_words(data: bytes) -> tuple[int, ...]:
    """Split bytes into little-endian 32-bit words.

    Parameters
    ----------
    data
        Bytes in wire order; a last partial word is filled with zeros.

    Returns
    -------
    tuple of int
        The words.
    """
    return tuple(int.from_bytes(data[at : at + 4], "little") for at in range(0, len(data), 4))


def frame_bits(payload_bytes: int) -> int:
    """Count the bits of a frame on the wire, from preamble to EOP.

    64 preamble + 20 ordered set + (header, payload and CRC) * 5/4 + 5 EOP, which is 149 + 40 per
    object (computed from the frame order in public controller sources and 4b5b coding).

    Parameters
    ----------
    payload_bytes
        Bytes between header and CRC.

    Returns
    -------
    int
        Bits.
    """
    return 64 + 20 + (2 + payload_bytes + 4) * 10 + 5


def frame_duration_s(payload_bytes: int, bit_rate_hz: float = NOMINAL_BIT_RATE_HZ) -> float:
    """Duration of a frame on the wire.

    Parameters
    ----------
    payload_bytes
        Bytes between header and CRC.
    bit_rate_hz
        Bit rate; 270 kHz to 330 kHz are legal (a PHY data sheet) [Hz].

    Returns
    -------
    float
        Duration [s].
    """
    return frame_bits(payload_bytes) / bit_rate_hz
