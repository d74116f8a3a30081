"""What every kind of supply object can be asked, for sources and sinks alike.

Steps of the fields: public kernel header ``include/linux/usb/pd.h`` (fixed, variable, battery,
PPS) and the kernel patch citing R3.2 tables 6.14, 6.15, 6.21 and 6.22 (AVS). Peak current codes:
R3.1 V1.7 table 6.4.1.2.2.8.
"""

from dataclasses import dataclass
from enum import StrEnum

from brickbook.usbpd.layout import DataObject

# Voltage range of SPR AVS: 9 V to 15 V, and up to 20 V when a second current is given
# (R3.2 table 6.14, by way of the kernel patch; also a published trade article).
SPR_AVS_MIN_V = 9.0
SPR_AVS_MID_V = 15.0
SPR_AVS_MAX_V = 20.0


class PdoKind(StrEnum):
    """Kind of a power data object, from bits 31:30 and, for augmented objects, 29:28."""

    FIXED = "fixed"
    BATTERY = "battery"
    VARIABLE = "variable"
    PPS = "pps"
    EPR_AVS = "epr_avs"
    SPR_AVS = "spr_avs"
    RESERVED = "reserved"


@dataclass(frozen=True, slots=True)
class Overload:
    """Overload a source allows for a time within a 20 ms cycle whose mean stays at its rating."""

    duration_s: float
    ratio: float


# R3.1 V1.7 table 6.4.1.2.2.8; code 0 means no overload, or see the extended capabilities message.
PEAK_CURRENT: tuple[tuple[Overload, ...], ...] = (
    (),
    (Overload(0.001, 1.50), Overload(0.002, 1.25), Overload(0.010, 1.10)),
    (Overload(0.001, 2.00), Overload(0.002, 1.50), Overload(0.010, 1.25)),
    (Overload(0.001, 2.00), Overload(0.002, 1.75), Overload(0.010, 1.50)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerDataObject(DataObject):
    """What every power data object can be asked; ``None`` where the object does not say."""

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.RESERVED

    @property
    def min_voltage_v(self) -> float | None:
        """Lowest voltage [V]."""
        return None

    @property
    def max_voltage_v(self) -> float | None:
        """Highest voltage [V]."""
        return None

    @property
    def max_current_a(self) -> float | None:
        """Largest current anywhere in the range [A]; operational current in a sink's object."""
        return None

    @property
    def max_power_w(self) -> float | None:
        """Largest product of voltage and current the object allows [W]."""
        return None

    @property
    def peak_current_code(self) -> int | None:
        """Peak current code, 0 to 3, where the object has one."""
        return None

    @property
    def is_empty(self) -> bool:
        """Whether the word is zero: a filler in EPR capabilities, offering nothing."""
        return self.encode() == 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedSupply(PowerDataObject):
    """Fixed supply: one voltage in 50 mV, one current in 10 mA."""

    voltage_raw: int
    current_raw: int

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.FIXED

    @property
    def voltage_v(self) -> float:
        """Voltage [V]."""
        return self.voltage_raw * 50 / 1000

    @property
    def current_a(self) -> float:
        """Maximum (source) or operational (sink) current [A]."""
        return self.current_raw * 10 / 1000

    @property
    def min_voltage_v(self) -> float:
        """Same as the voltage [V]."""
        return self.voltage_v

    @property
    def max_voltage_v(self) -> float:
        """Same as the voltage [V]."""
        return self.voltage_v

    @property
    def max_current_a(self) -> float:
        """Same as the current [A]."""
        return self.current_a

    @property
    def max_power_w(self) -> float:
        """Voltage times current [W]."""
        return self.voltage_raw * self.current_raw * 500 / 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class RangedSupply(PowerDataObject):
    """Voltage range in steps of 50 mV."""

    max_voltage_raw: int
    min_voltage_raw: int

    @property
    def min_voltage_v(self) -> float:
        """Lowest voltage [V]."""
        return self.min_voltage_raw * 50 / 1000

    @property
    def max_voltage_v(self) -> float:
        """Highest voltage [V]."""
        return self.max_voltage_raw * 50 / 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class PpsSupply(PowerDataObject):
    """SPR programmable supply: range in 100 mV, current in 50 mA."""

    max_voltage_raw: int
    min_voltage_raw: int
    current_raw: int

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.PPS

    @property
    def min_voltage_v(self) -> float:
        """Lowest voltage [V]."""
        return self.min_voltage_raw * 100 / 1000

    @property
    def max_voltage_v(self) -> float:
        """Highest voltage [V]."""
        return self.max_voltage_raw * 100 / 1000

    @property
    def max_current_a(self) -> float:
        """Maximum current [A]."""
        return self.current_raw * 50 / 1000

    @property
    def max_power_w(self) -> float:
        """Highest voltage times maximum current [W].

        An upper bound: a source that sets ``power_limited`` caps the power at its PDP, which the
        object does not carry.
        """
        return self.max_voltage_raw * self.current_raw * 5000 / 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class EprAvsSupply(PowerDataObject):
    """EPR adjustable supply: range in 100 mV, PDP in watts, no current of its own."""

    max_voltage_raw: int
    min_voltage_raw: int
    pdp_raw: int

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.EPR_AVS

    @property
    def min_voltage_v(self) -> float:
        """Lowest voltage [V]."""
        return self.min_voltage_raw * 100 / 1000

    @property
    def max_voltage_v(self) -> float:
        """Highest voltage [V]."""
        return self.max_voltage_raw * 100 / 1000

    @property
    def max_power_w(self) -> float:
        """PDP [W]."""
        return float(self.pdp_raw)


@dataclass(frozen=True, slots=True, kw_only=True)
class SprAvsSupply(PowerDataObject):
    """SPR adjustable supply: two currents, no voltage field."""

    current_15v_raw: int
    current_20v_raw: int

    @property
    def kind(self) -> PdoKind:
        """Kind of object."""
        return PdoKind.SPR_AVS

    @property
    def current_9_to_15_v_a(self) -> float:
        """Maximum current from 9 V to 15 V [A]."""
        return self.current_15v_raw * 10 / 1000

    @property
    def current_15_to_20_v_a(self) -> float:
        """Maximum current above 15 V up to 20 V [A]; 0 when the supply stops at 15 V."""
        return self.current_20v_raw * 10 / 1000

    @property
    def min_voltage_v(self) -> float:
        """Lowest voltage, 9 V by definition [V]."""
        return SPR_AVS_MIN_V

    @property
    def max_voltage_v(self) -> float:
        """Highest voltage [V]: 20 V when there is a current for the upper range, else 15 V."""
        return SPR_AVS_MAX_V if self.current_20v_raw else SPR_AVS_MID_V

    @property
    def max_current_a(self) -> float:
        """Larger of the two currents [A]."""
        return max(self.current_15v_raw, self.current_20v_raw) * 10 / 1000

    @property
    def max_power_w(self) -> float:
        """Larger product at the two upper corners, 15 V and 20 V [W]."""
        return max(self.current_15v_raw * 15, self.current_20v_raw * 20) * 10 / 1000
