"""Request data objects, USB PD R3.2.

A request cannot be decoded alone: the object at the position it names decides between the four
layouts. Layouts: public kernel header ``include/linux/usb/pd.h`` for bits 27:24 and the fixed,
battery and PPS fields; public stacks citing R3.2 table 6.26 for the AVS fields; public controller
headers for the 4-bit position and bits 23:22. Headers that mask the position with three bits read
position 8 as 0: EPR requests need all four. In R2.0 bits 31 and 23:20 were reserved (from memory,
high); they are decoded here as R3.2 has them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.layout import DataObject, layout, steps
from brickbook.usbpd.pdo import decode_source_pdo
from brickbook.usbpd.supplies import PdoKind, PowerDataObject

_COMMON: dict[str, tuple[int, int] | int] = {
    "object_position": (31, 28),
    "give_back": 27,
    "capability_mismatch": 26,
    "usb_communications_capable": 25,
    "no_usb_suspend": 24,
    "unchunked_extended_messages_supported": 23,
    "epr_capable": 22,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestDataObject(DataObject):
    """Fields common to all requests; positions 0 and 14 to 15 are reserved (from memory, medium).

    ``give_back`` is a flag of R2.0 and R3.0; later revisions reserve the bit.
    """

    object_position: int
    give_back: bool = False
    capability_mismatch: bool = False
    usb_communications_capable: bool = False
    no_usb_suspend: bool = False
    unchunked_extended_messages_supported: bool = False
    epr_capable: bool = False

    @property
    def requested_voltage_v(self) -> float | None:
        """Voltage named in the request itself [V]; ``None`` where the source object says it."""
        return None

    @property
    def requested_current_a(self) -> float | None:
        """Operating current [A], where the request states one."""
        return None

    @property
    def requested_power_w(self) -> float | None:
        """Operating power [W], where the request states one."""
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedRequest(RequestDataObject):
    """Request of a fixed or variable object."""

    LAYOUT = layout({**_COMMON, "operating_raw": (19, 10), "maximum_raw": (9, 0)})

    operating_raw: int
    maximum_raw: int

    @property
    def operating_current_a(self) -> float:
        """Operating current [A]."""
        return self.operating_raw * 10 / 1000

    @property
    def maximum_current_a(self) -> float:
        """Maximum operating current [A]; the minimum one when ``give_back`` is set."""
        return self.maximum_raw * 10 / 1000

    @property
    def requested_current_a(self) -> float:
        """Operating current [A]."""
        return self.operating_current_a

    @classmethod
    def from_si(
        cls,
        object_position: int,
        operating_current_a: float,
        maximum_current_a: float,
        *,
        capability_mismatch: bool = False,
        epr_capable: bool = False,
    ) -> Self:
        """Build from amperes.

        Parameters
        ----------
        object_position
            Position of the wanted object, from 1.
        operating_current_a, maximum_current_a
            Currents, multiples of 10 mA [A].
        capability_mismatch, epr_capable
            Flags.

        Returns
        -------
        Self
            The request.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            object_position=object_position,
            operating_raw=steps("operating_current_a", operating_current_a, 10, 0x3FF),
            maximum_raw=steps("maximum_current_a", maximum_current_a, 10, 0x3FF),
            capability_mismatch=capability_mismatch,
            epr_capable=epr_capable,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryRequest(RequestDataObject):
    """Request of a battery object."""

    LAYOUT = layout({**_COMMON, "operating_raw": (19, 10), "maximum_raw": (9, 0)})

    operating_raw: int
    maximum_raw: int

    @property
    def operating_power_w(self) -> float:
        """Operating power [W]."""
        return self.operating_raw * 250 / 1000

    @property
    def maximum_power_w(self) -> float:
        """Maximum operating power [W]; the minimum one when ``give_back`` is set."""
        return self.maximum_raw * 250 / 1000

    @property
    def requested_power_w(self) -> float:
        """Operating power [W]."""
        return self.operating_power_w


@dataclass(frozen=True, slots=True, kw_only=True)
class PpsRequest(RequestDataObject):
    """Request of an SPR programmable object: voltage in 20 mV, current in 50 mA."""

    LAYOUT = layout({**_COMMON, "voltage_raw": (20, 9), "current_raw": (6, 0)})

    voltage_raw: int
    current_raw: int

    @property
    def requested_voltage_v(self) -> float:
        """Output voltage [V]."""
        return self.voltage_raw * 20 / 1000

    @property
    def requested_current_a(self) -> float:
        """Operating current [A]: for PPS a limit the source enforces."""
        return self.current_raw * 50 / 1000

    @classmethod
    def from_si(cls, object_position: int, voltage_v: float, current_a: float) -> Self:
        """Build from volts and amperes.

        Parameters
        ----------
        object_position
            Position of the wanted object, from 1.
        voltage_v
            Output voltage, a multiple of 20 mV [V].
        current_a
            Operating current, a multiple of 50 mA [A].

        Returns
        -------
        Self
            The request.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            object_position=object_position,
            voltage_raw=steps("voltage_v", voltage_v, 20, 0xFFF),
            current_raw=steps("current_a", current_a, 50, 0x7F),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AvsRequest(RequestDataObject):
    """Request of an SPR or EPR adjustable object.

    The voltage counts 25 mV with the two lowest bits zero, so the real step is 100 mV
    (R3.2 table 6.26, by way of public stacks).
    """

    LAYOUT = layout({**_COMMON, "voltage_raw": (20, 9), "current_raw": (6, 0)})

    voltage_raw: int
    current_raw: int

    @property
    def requested_voltage_v(self) -> float:
        """Output voltage [V]."""
        return self.voltage_raw * 25 / 1000

    @property
    def requested_current_a(self) -> float:
        """Operating current [A]."""
        return self.current_raw * 50 / 1000

    @property
    def voltage_on_step(self) -> bool:
        """Whether the two lowest bits of the voltage are zero, as they should be."""
        return self.voltage_raw % 4 == 0

    @classmethod
    def from_si(cls, object_position: int, voltage_v: float, current_a: float) -> Self:
        """Build from volts and amperes.

        Parameters
        ----------
        object_position
            Position of the wanted object, from 1.
        voltage_v
            Output voltage, a multiple of 100 mV [V].
        current_a
            Operating current, a multiple of 50 mA [A].

        Returns
        -------
        Self
            The request.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            object_position=object_position,
            voltage_raw=4 * steps("voltage_v", voltage_v, 100, 0x3FF),
            current_raw=steps("current_a", current_a, 50, 0x7F),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnresolvedRequest(RequestDataObject):
    """Request whose source object is not known: the kind-dependent bits are kept as one number."""

    LAYOUT = layout({**_COMMON, "kind_dependent_raw": (21, 0)})

    kind_dependent_raw: int


_BY_KIND: dict[PdoKind, type[RequestDataObject]] = {
    PdoKind.FIXED: FixedRequest,
    PdoKind.VARIABLE: FixedRequest,
    PdoKind.BATTERY: BatteryRequest,
    PdoKind.PPS: PpsRequest,
    PdoKind.SPR_AVS: AvsRequest,
    PdoKind.EPR_AVS: AvsRequest,
    PdoKind.RESERVED: UnresolvedRequest,
}


def decode_request(word: int, pdo: PowerDataObject | PdoKind | None = None) -> RequestDataObject:
    """Decode a request data object.

    Parameters
    ----------
    word
        Any 32-bit word.
    pdo
        The source object at the position the request names, or its kind; ``None`` when unknown.

    Returns
    -------
    RequestDataObject
        One of the four layouts, or ``UnresolvedRequest`` when the kind is not known.

    Raises
    ------
    WordError
        If the value is not an unsigned 32-bit word.
    """
    if pdo is None:
        return UnresolvedRequest.decode(word)
    kind = pdo.kind if isinstance(pdo, PowerDataObject) else pdo
    return _BY_KIND[kind].decode(word)


def decode_epr_request(words: Sequence[int]) -> tuple[RequestDataObject, PowerDataObject]:
    """Decode an EPR_Request: a request and the copy of the object it asks for.

    The copy makes the message self-contained (section 6.4.9 by way of a public stack): it decides
    the layout of the request.

    Parameters
    ----------
    words
        The two objects of the message.

    Returns
    -------
    tuple of RequestDataObject and PowerDataObject
        The request and the copied source object.

    Raises
    ------
    WordError
        If there are not exactly two 32-bit words.
    """
    if len(words) != 2:
        raise WordError(f"an EPR_Request has 2 objects, got {len(words)}")
    pdo = decode_source_pdo(words[1])
    return decode_request(words[0], pdo), pdo
