"""Vendor defined message header, identity header, and cable markers as far as power goes.

VDM header, identity header and cable objects: public kernel header ``include/linux/usb/pd_vdo.h``
and public controller headers citing R3.0 V2.0 table 6-38. Bit 17 (EPR capable) of the cable
objects and the fields that R3.x added to the identity header: from memory, high. A marker states
ratings and a latency, never a resistance: two cables with the same word can differ by a factor of
two in voltage drop.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.layout import DataObject, check_word, layout

PD_SVID = 0xFF00

# Capacity of a cable without a marker: Type-C R2.1, by way of a published article.
UNMARKED_CABLE_CURRENT_A = 3.0
UNMARKED_CABLE_VOLTAGE_V = 20.0


class VdmCommandType(IntEnum):
    """Command type of a structured VDM."""

    REQUEST = 0
    ACK = 1
    NAK = 2
    BUSY = 3


class VdmCommand(IntEnum):
    """Commands of a structured VDM; 16 and above are the SVID's own."""

    DISCOVER_IDENTITY = 1
    DISCOVER_SVIDS = 2
    DISCOVER_MODES = 3
    ENTER_MODE = 4
    EXIT_MODE = 5
    ATTENTION = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class StructuredVdmHeader(DataObject):
    """Header of a structured VDM (bit 15 = 1)."""

    LAYOUT = layout(
        {
            "svid": (31, 16),
            "version_major_raw": (14, 13),
            "version_minor_raw": (12, 11),
            "object_position": (10, 8),
            "command_type_raw": (7, 6),
            "command_raw": (4, 0),
        },
        tag_mask=0x8000,
        tag=0x8000,
    )

    svid: int
    version_major_raw: int = 1
    version_minor_raw: int = 0
    object_position: int = 0
    command_type_raw: int = 0
    command_raw: int

    @property
    def command_type(self) -> VdmCommandType:
        """Request, ACK, NAK or BUSY."""
        return VdmCommandType(self.command_type_raw)

    @property
    def command(self) -> VdmCommand | None:
        """Command, or ``None`` when it is reserved or the SVID's own."""
        return VdmCommand(self.command_raw) if 1 <= self.command_raw <= 6 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnstructuredVdmHeader(DataObject):
    """Header of an unstructured VDM (bit 15 = 0): a vendor id and 15 bits of the vendor's own."""

    LAYOUT = layout({"vendor_id": (31, 16), "vendor_bits": (14, 0)}, tag_mask=0x8000, tag=0)

    vendor_id: int
    vendor_bits: int = 0


def decode_vdm_header(word: int) -> StructuredVdmHeader | UnstructuredVdmHeader:
    """Decode the first object of a Vendor_Defined message.

    Parameters
    ----------
    word
        Any 32-bit word.

    Returns
    -------
    StructuredVdmHeader or UnstructuredVdmHeader
        By bit 15.

    Raises
    ------
    WordError
        If the value is not an unsigned 32-bit word.
    """
    if check_word(word) & 0x8000:
        return StructuredVdmHeader.decode(word)
    return UnstructuredVdmHeader.decode(word)


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityHeader(DataObject):
    """Identity header VDO, second object of a Discover Identity answer."""

    LAYOUT = layout(
        {
            "usb_host": 31,
            "usb_device": 30,
            "product_type_raw": (29, 27),
            "modal_operation": 26,
            "product_type_dfp_raw": (25, 23),
            "connector_raw": (22, 21),
            "vendor_id": (15, 0),
        }
    )

    usb_host: bool = False
    usb_device: bool = False
    product_type_raw: int = 0
    modal_operation: bool = False
    product_type_dfp_raw: int = 0
    connector_raw: int = 0
    vendor_id: int = 0

    @property
    def is_passive_cable(self) -> bool:
        """Whether a cable plug says it is a passive cable (type 3)."""
        return self.product_type_raw == 3

    @property
    def is_active_cable(self) -> bool:
        """Whether a cable plug says it is an active cable (type 4)."""
        return self.product_type_raw == 4


@dataclass(frozen=True, slots=True, kw_only=True)
class CableVdo(DataObject):
    """What passive and active cable objects have in common."""

    hardware_version: int = 0
    firmware_version: int = 0
    vdo_version: int = 0
    connector_raw: int = 2
    epr_capable: bool = False
    latency_raw: int = 1
    termination_raw: int = 0
    max_voltage_raw: int = 0
    current_raw: int = 1
    speed_raw: int = 0

    @property
    def connector(self) -> str | None:
        """``type-c`` or ``captive``; ``None`` for the older codes."""
        return {2: "type-c", 3: "captive"}.get(self.connector_raw)

    @property
    def max_voltage_v(self) -> float:
        """Highest VBUS voltage [V]; the codes for 30 V and 40 V are deprecated in R3.2."""
        return (20.0, 30.0, 40.0, 50.0)[self.max_voltage_raw]

    @property
    def max_current_a(self) -> float | None:
        """Current rating [A]; ``None`` for the reserved codes 0 and 3."""
        return {1: 3.0, 2: 5.0}.get(self.current_raw)


_CABLE_COMMON: dict[str, tuple[int, int] | int] = {
    "hardware_version": (31, 28),
    "firmware_version": (27, 24),
    "vdo_version": (23, 21),
    "connector_raw": (19, 18),
    "epr_capable": 17,
    "latency_raw": (16, 13),
    "termination_raw": (12, 11),
    "max_voltage_raw": (10, 9),
    "current_raw": (6, 5),
    "speed_raw": (2, 0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PassiveCableVdo(CableVdo):
    """Passive cable VDO."""

    LAYOUT = layout(_CABLE_COMMON)

    @property
    def length_m(self) -> float | None:
        """Length the latency stands for, about 10 ns per metre [m].

        Codes 1 to 7 stand for about 1 m to 7 m and 8 for more than 7 m (7.0 is returned);
        ``None`` for reserved codes.
        """
        return min(float(self.latency_raw), 7.0) if 1 <= self.latency_raw <= 8 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ActiveCableVdo(CableVdo):
    """First VDO of an active cable; its latency code does not stand for a length here."""

    LAYOUT = layout(
        {
            **_CABLE_COMMON,
            "sbu_not_supported": 8,
            "sbu_active": 7,
            "vbus_through_cable": 4,
            "far_plug_controller": 3,
        }
    )

    sbu_not_supported: bool = False
    sbu_active: bool = False
    vbus_through_cable: bool = False
    far_plug_controller: bool = False


@dataclass(frozen=True, slots=True)
class CableRating:
    """What a cable may carry, by its marker or for want of one."""

    max_current_a: float
    max_voltage_v: float
    epr_capable: bool
    length_m: float | None
    marked: bool
    active: bool


def cable_rating(objects: Sequence[int] | None) -> CableRating:
    """Work out what a cable may carry from its Discover Identity answer.

    A cable is EPR capable when its EPR bit is set and it states 5 A and 50 V (bit from memory,
    high; ratings from Type-C R2.1 by way of a published article).

    Parameters
    ----------
    objects
        The objects of the answer on SOP', VDM header first; ``None`` for a cable that does not
        answer.

    Returns
    -------
    CableRating
        Rating; an unmarked cable carries 3 A and 20 V.

    Raises
    ------
    WordError
        If the objects are not a cable's Discover Identity ACK, or its current code is reserved.
    """
    if objects is None:
        return CableRating(
            UNMARKED_CABLE_CURRENT_A,
            UNMARKED_CABLE_VOLTAGE_V,
            epr_capable=False,
            length_m=None,
            marked=False,
            active=False,
        )
    if len(objects) < 5:
        raise WordError(f"a cable's identity has at least 5 objects, got {len(objects)}")
    header = decode_vdm_header(objects[0])
    if (
        not isinstance(header, StructuredVdmHeader)
        or header.command is not VdmCommand.DISCOVER_IDENTITY
        or header.command_type is not VdmCommandType.ACK
    ):
        raise WordError(f"0x{objects[0]:08X} is not the header of a Discover Identity ACK")
    identity = IdentityHeader.decode(objects[1])
    cable: PassiveCableVdo | ActiveCableVdo
    if identity.is_passive_cable:
        cable = PassiveCableVdo.decode(objects[4])
    elif identity.is_active_cable:
        cable = ActiveCableVdo.decode(objects[4])
    else:
        raise WordError(
            f"identity header 0x{objects[1]:08X} has product type {identity.product_type_raw}; "
            "a cable has 3 (passive) or 4 (active)"
        )
    current_a = cable.max_current_a
    if current_a is None:
        raise WordError(f"cable object 0x{objects[4]:08X} has the reserved current code {cable.current_raw}")
    return CableRating(
        current_a,
        cable.max_voltage_v,
        epr_capable=cable.epr_capable and current_a == 5.0 and cable.max_voltage_v == 50.0,
        length_m=cable.length_m if isinstance(cable, PassiveCableVdo) else None,
        marked=True,
        active=identity.is_active_cable,
    )
