"""Power data objects of sources and sinks, USB PD R3.2.

Layouts: fixed, variable, battery and SPR PPS objects after the public kernel header
``include/linux/usb/pd.h`` and public controller headers; EPR AVS and SPR AVS objects after the
kernel patch that cites R3.2 tables 6.14, 6.15, 6.21 and 6.22. Sink versions of AVS objects reserve
bits 27:26 (from memory, medium).
"""

import math
from dataclasses import dataclass
from typing import Self

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.layout import check_word, layout, steps
from brickbook.usbpd.supplies import (
    SPR_AVS_MID_V,
    EprAvsSupply,
    FixedSupply,
    PdoKind,
    PowerDataObject,
    PpsSupply,
    RangedSupply,
    SprAvsSupply,
)

_TYPE_MASK = 0xC000_0000
_APDO_MASK = 0xF000_0000

# Largest current of any USB-C cable, R2.1 of the Type-C specification; the EPR AVS object carries
# no current of its own: the limit is min(5 A, PDP / V) (from memory, high).
EPR_AVS_CURRENT_LIMIT_A = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedSourcePdo(FixedSupply):
    """Fixed supply of a source; the flags have a meaning in the first object only."""

    LAYOUT = layout(
        {
            "dual_role_power": 29,
            "usb_suspend_supported": 28,
            "unconstrained_power": 27,
            "usb_communications_capable": 26,
            "dual_role_data": 25,
            "unchunked_extended_messages_supported": 24,
            "epr_capable": 23,
            "peak_current": (21, 20),
            "voltage_raw": (19, 10),
            "current_raw": (9, 0),
        },
        tag_mask=_TYPE_MASK,
        tag=0x0000_0000,
    )

    dual_role_power: bool = False
    usb_suspend_supported: bool = False
    unconstrained_power: bool = False
    usb_communications_capable: bool = False
    dual_role_data: bool = False
    unchunked_extended_messages_supported: bool = False
    epr_capable: bool = False
    peak_current: int = 0

    @property
    def peak_current_code(self) -> int:
        """Peak current code, 0 to 3."""
        return self.peak_current

    @classmethod
    def from_si(
        cls,
        voltage_v: float,
        current_a: float,
        *,
        peak_current: int = 0,
        unconstrained_power: bool = False,
        epr_capable: bool = False,
    ) -> Self:
        """Build from volts and amperes.

        Parameters
        ----------
        voltage_v
            Voltage, a multiple of 50 mV [V].
        current_a
            Maximum current, a multiple of 10 mA [A].
        peak_current
            Peak current code, 0 to 3.
        unconstrained_power, epr_capable
            Flags of the first object; set the others with ``dataclasses.replace``.

        Returns
        -------
        Self
            The object.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            voltage_raw=steps("voltage_v", voltage_v, 50, 0x3FF),
            current_raw=steps("current_a", current_a, 10, 0x3FF),
            peak_current=peak_current,
            unconstrained_power=unconstrained_power,
            epr_capable=epr_capable,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedSinkPdo(FixedSupply):
    """Fixed supply asked for by a sink; flags and fast role swap current in object 1 only."""

    LAYOUT = layout(
        {
            "dual_role_power": 29,
            "higher_capability": 28,
            "unconstrained_power": 27,
            "usb_communications_capable": 26,
            "dual_role_data": 25,
            "fast_role_swap": (24, 23),
            "voltage_raw": (19, 10),
            "current_raw": (9, 0),
        },
        tag_mask=_TYPE_MASK,
        tag=0x0000_0000,
    )

    dual_role_power: bool = False
    higher_capability: bool = False
    unconstrained_power: bool = False
    usb_communications_capable: bool = False
    dual_role_data: bool = False
    fast_role_swap: int = 0

    @property
    def fast_role_swap_current_a(self) -> float | None:
        """Current needed at 5 V in a fast role swap [A]: code 2 is 1.5 A, 3 is 3.0 A."""
        return {2: 1.5, 3: 3.0}.get(self.fast_role_swap)


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablePdo(RangedSupply):
    """Variable supply, source or sink: not a regulated voltage, a range it stays in."""

    LAYOUT = layout(
        {"max_voltage_raw": (29, 20), "min_voltage_raw": (19, 10), "current_raw": (9, 0)},
        tag_mask=_TYPE_MASK,
        tag=0x8000_0000,
    )

    current_raw: int

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.VARIABLE

    @property
    def max_current_a(self) -> float:
        """Maximum (source) or operational (sink) current [A]."""
        return self.current_raw * 10 / 1000

    @property
    def max_power_w(self) -> float:
        """Highest voltage times current [W]: an upper bound, the supply chooses the voltage."""
        return self.max_voltage_raw * self.current_raw * 500 / 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryPdo(RangedSupply):
    """Battery supply, source or sink: a voltage range and a power."""

    LAYOUT = layout(
        {"max_voltage_raw": (29, 20), "min_voltage_raw": (19, 10), "power_raw": (9, 0)},
        tag_mask=_TYPE_MASK,
        tag=0x4000_0000,
    )

    power_raw: int

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.BATTERY

    @property
    def max_power_w(self) -> float:
        """Maximum (source) or operational (sink) power [W]."""
        return self.power_raw * 250 / 1000


_PPS_FIELDS: dict[str, tuple[int, int] | int] = {
    "max_voltage_raw": (24, 17),
    "min_voltage_raw": (15, 8),
    "current_raw": (6, 0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PpsSourcePdo(PpsSupply):
    """SPR programmable supply of a source."""

    LAYOUT = layout({"power_limited": 27, **_PPS_FIELDS}, tag_mask=_APDO_MASK, tag=0xC000_0000)

    power_limited: bool = False

    @classmethod
    def from_si(
        cls,
        min_voltage_v: float,
        max_voltage_v: float,
        current_a: float,
        *,
        power_limited: bool = False,
    ) -> Self:
        """Build from volts and amperes.

        Parameters
        ----------
        min_voltage_v, max_voltage_v
            Range, multiples of 100 mV [V].
        current_a
            Maximum current, a multiple of 50 mA [A].
        power_limited
            Whether the source caps the power at its PDP inside the range.

        Returns
        -------
        Self
            The object.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            min_voltage_raw=steps("min_voltage_v", min_voltage_v, 100, 0xFF),
            max_voltage_raw=steps("max_voltage_v", max_voltage_v, 100, 0xFF),
            current_raw=steps("current_a", current_a, 50, 0x7F),
            power_limited=power_limited,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PpsSinkPdo(PpsSupply):
    """SPR programmable supply asked for by a sink; bit 27 is reserved."""

    LAYOUT = layout(_PPS_FIELDS, tag_mask=_APDO_MASK, tag=0xC000_0000)


_EPR_AVS_FIELDS: dict[str, tuple[int, int] | int] = {
    "max_voltage_raw": (25, 17),
    "min_voltage_raw": (15, 8),
    "pdp_raw": (7, 0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EprAvsSourcePdo(EprAvsSupply):
    """EPR adjustable supply of a source."""

    LAYOUT = layout({"peak_current": (27, 26), **_EPR_AVS_FIELDS}, tag_mask=_APDO_MASK, tag=0xD000_0000)

    peak_current: int = 0

    @property
    def peak_current_code(self) -> int:
        """Peak current code, 0 to 3."""
        return self.peak_current

    @classmethod
    def from_si(cls, min_voltage_v: float, max_voltage_v: float, pdp_w: float) -> Self:
        """Build from volts and watts.

        Parameters
        ----------
        min_voltage_v, max_voltage_v
            Range, multiples of 100 mV [V].
        pdp_w
            PDP, whole watts [W].

        Returns
        -------
        Self
            The object.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            min_voltage_raw=steps("min_voltage_v", min_voltage_v, 100, 0xFF),
            max_voltage_raw=steps("max_voltage_v", max_voltage_v, 100, 0x1FF),
            pdp_raw=steps("pdp_w", pdp_w, 1000, 0xFF),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class EprAvsSinkPdo(EprAvsSupply):
    """EPR adjustable supply asked for by a sink."""

    LAYOUT = layout(_EPR_AVS_FIELDS, tag_mask=_APDO_MASK, tag=0xD000_0000)


_SPR_AVS_FIELDS: dict[str, tuple[int, int] | int] = {
    "current_15v_raw": (19, 10),
    "current_20v_raw": (9, 0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SprAvsSourcePdo(SprAvsSupply):
    """SPR adjustable supply of a source."""

    LAYOUT = layout({"peak_current": (27, 26), **_SPR_AVS_FIELDS}, tag_mask=_APDO_MASK, tag=0xE000_0000)

    peak_current: int = 0

    @property
    def peak_current_code(self) -> int:
        """Peak current code, 0 to 3."""
        return self.peak_current

    @classmethod
    def from_si(cls, current_9_to_15_v_a: float, current_15_to_20_v_a: float = 0.0) -> Self:
        """Build from the two currents.

        Parameters
        ----------
        current_9_to_15_v_a, current_15_to_20_v_a
            Maximum currents, multiples of 10 mA [A].

        Returns
        -------
        Self
            The object.

        Raises
        ------
        WordError
            If a value is not on a step or does not fit.
        """
        return cls(
            current_15v_raw=steps("current_9_to_15_v_a", current_9_to_15_v_a, 10, 0x3FF),
            current_20v_raw=steps("current_15_to_20_v_a", current_15_to_20_v_a, 10, 0x3FF),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SprAvsSinkPdo(SprAvsSupply):
    """SPR adjustable supply asked for by a sink."""

    LAYOUT = layout(_SPR_AVS_FIELDS, tag_mask=_APDO_MASK, tag=0xE000_0000)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReservedPdo(PowerDataObject):
    """Augmented object of the reserved sub-type 11: all its bits are kept, none is interpreted."""

    LAYOUT = layout({}, tag_mask=_APDO_MASK, tag=0xF000_0000)


_SOURCE: tuple[type[PowerDataObject], ...] = (
    (FixedSourcePdo,) * 4
    + (BatteryPdo,) * 4
    + (VariablePdo,) * 4
    + (PpsSourcePdo, EprAvsSourcePdo, SprAvsSourcePdo, ReservedPdo)
)
_SINK: tuple[type[PowerDataObject], ...] = (
    (FixedSinkPdo,) * 4
    + (BatteryPdo,) * 4
    + (VariablePdo,) * 4
    + (PpsSinkPdo, EprAvsSinkPdo, SprAvsSinkPdo, ReservedPdo)
)


def decode_source_pdo(word: int) -> PowerDataObject:
    """Decode an object of Source_Capabilities or EPR_Source_Capabilities.

    Parameters
    ----------
    word
        Any 32-bit word.

    Returns
    -------
    PowerDataObject
        The object; ``ReservedPdo`` for the reserved augmented type.

    Raises
    ------
    WordError
        If the value is not an unsigned 32-bit word.
    """
    value = check_word(word)
    return _SOURCE[value >> 28].decode(value)


def decode_sink_pdo(word: int) -> PowerDataObject:
    """Decode an object of Sink_Capabilities or EPR_Sink_Capabilities.

    Parameters
    ----------
    word
        Any 32-bit word.

    Returns
    -------
    PowerDataObject
        The object; ``ReservedPdo`` for the reserved augmented type.

    Raises
    ------
    WordError
        If the value is not an unsigned 32-bit word.
    """
    value = check_word(word)
    return _SINK[value >> 28].decode(value)


def available_current_a(pdo: PowerDataObject, voltage_v: float, pdp_w: float | None = None) -> float | None:
    """Find the current a source object makes available at a voltage.

    Fixed and variable: the maximum current. Battery: power / V. PPS: the maximum current, and with
    the power-limited bit min(Imax, PDP / V) rounded down to 50 mA (from memory, medium). SPR AVS:
    the current of the range the voltage is in (R3.2 table 6.14). EPR AVS: min(5 A, PDP / V) (from
    memory, high).

    Parameters
    ----------
    pdo
        Decoded source object.
    voltage_v
        Output voltage [V], above 0.
    pdp_w
        PDP of the port [W]; needed for a power-limited PPS object only.

    Returns
    -------
    float or None
        Current [A]; ``None`` outside the object's range, for a reserved object, or for a
        power-limited PPS object when the PDP is not given.

    Raises
    ------
    WordError
        If the voltage is not above zero.
    """
    if not voltage_v > 0:
        raise WordError(f"voltage_v must be above 0 V, got {voltage_v}")
    low, high = pdo.min_voltage_v, pdo.max_voltage_v
    if low is None or high is None or not low - 1e-9 <= voltage_v <= high + 1e-9:
        return None
    match pdo:
        case PpsSourcePdo(power_limited=True):
            if pdp_w is None:
                return None
            # A hair is added before rounding down: 45 / 9 must give 5.00 A, not 4.95 A.
            capped = math.floor(pdp_w / voltage_v / 0.05 + 1e-9) * 50 / 1000
            return min(pdo.max_current_a, capped)
        case SprAvsSupply():
            upper = voltage_v > SPR_AVS_MID_V + 1e-9
            return pdo.current_15_to_20_v_a if upper else pdo.current_9_to_15_v_a
        case EprAvsSupply():
            return min(EPR_AVS_CURRENT_LIMIT_A, pdo.max_power_w / voltage_v)
        case BatteryPdo():
            return pdo.max_power_w / voltage_v
        case _:
            return pdo.max_current_a
