"""A person's devices, as a TOML file: what each takes, through which cable, and how much it matters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Le, MinLen

from brickbook.core.errors import BookError, Fault
from brickbook.library.cables import NEW_CONTACTS_OHM, Cable, measured_cable, wire_cable
from brickbook.library.tables import parse_toml, read_table

__all__ = ["Device", "DeviceCable", "Devices", "read_devices", "refuse_twins"]

Positive = Annotated[float, Gt(0)]
NonNegative = Annotated[float, Ge(0)]


@dataclass(frozen=True, slots=True)
class DeviceCable:
    """The cable a device hangs on: its measured loop resistance, or length and gauge.

    Parameters
    ----------
    resistance_ohm
        Out and back with contacts [Ω].
    length_m, gauge_awg, ground_awg, contacts_ohm, temperature_c
        Of a cable described by its wire.
    rating_a
        What it may carry [A]: 3 A unless it is marked for 5 A.
    """

    resistance_ohm: NonNegative | None = None
    length_m: NonNegative | None = None
    gauge_awg: Positive | None = None
    ground_awg: Positive | None = None
    contacts_ohm: NonNegative = NEW_CONTACTS_OHM
    temperature_c: float = 20.0
    rating_a: Positive = 3.0

    def __post_init__(self) -> None:
        wire = self.length_m is not None and self.gauge_awg is not None
        if (self.resistance_ohm is not None) == wire:
            raise ValueError("a cable has either resistance_ohm, or length_m and gauge_awg")
        self.cable()

    def cable(self) -> Cable:
        """As a cable."""
        if self.resistance_ohm is not None:
            return measured_cable(self.resistance_ohm)
        assert self.length_m is not None
        assert self.gauge_awg is not None
        return wire_cable(
            self.length_m,
            self.gauge_awg,
            ground_awg=self.ground_awg,
            contacts_ohm=self.contacts_ohm,
            temperature_c=self.temperature_c,
        )


@dataclass(frozen=True, slots=True)
class Device:
    """One device.

    Parameters
    ----------
    name
        As its owner calls it.
    power_w
        Most it takes, at its own end of the cable [W].
    least_voltage_v, most_voltage_v
        Set voltages it accepts [V].
    least_power_w
        Below this it does not charge or run at all [W].
    enough_w
        With this it is well served [W]; nine tenths of `power_w` by default (common practice, no source).
    minimum_v
        Lowest voltage at its own end [V].
    current_a
        Most current it takes [A].
    programmable
        Whether it can ask for any voltage of a PPS or AVS range.
    connectors
        Outlets its cable fits.
    priority
        How much it matters; a device of priority 2 counts like two of priority 1.
    hours_per_day
        How long a day it takes `power_w`, or what it gets.
    cable
        What it hangs on; without one no cable is reckoned with, and 3 A.
    """

    name: Annotated[str, MinLen(1)]
    power_w: Positive
    least_voltage_v: Positive = 4.75
    most_voltage_v: Positive = 21.0
    least_power_w: NonNegative = 0.0
    enough_w: Positive | None = None
    minimum_v: NonNegative = 0.0
    current_a: Positive | None = None
    programmable: bool = False
    connectors: Annotated[tuple[Literal["usb-c", "usb-a", "captive", "barrel"], ...], MinLen(1)] = ("usb-c",)
    priority: Positive = 1.0
    hours_per_day: Annotated[float, Ge(0), Le(24)] = 0.0
    cable: DeviceCable | None = None

    def __post_init__(self) -> None:
        if self.least_voltage_v > self.most_voltage_v:
            raise ValueError(
                f"least_voltage_v {self.least_voltage_v:g} is above most_voltage_v {self.most_voltage_v:g}"
            )
        if self.least_power_w > self.power_w:
            raise ValueError(f"least_power_w {self.least_power_w:g} is above power_w {self.power_w:g}")
        if self.enough_w is not None and self.enough_w > self.power_w:
            raise ValueError(f"enough_w {self.enough_w:g} is above power_w {self.power_w:g}")

    @property
    def served_w(self) -> float:
        """The power with which it is well served [W]."""
        return self.enough_w if self.enough_w is not None else 0.9 * self.power_w


@dataclass(frozen=True, slots=True)
class Devices:
    """The file: any number of `[[device]]` tables."""

    device: Annotated[tuple[Device, ...], MinLen(1)]


def read_devices(text: str, file: str) -> tuple[Device, ...]:
    """Devices from TOML text.

    Raises
    ------
    BookError
        With every fault of the file, each with its key.
    """
    data = parse_toml(text, file)
    if not data:
        raise BookError(Fault(file, "", "has no [[device]] in it.", 'Write [[device]], name = "…" and power_w = …'))
    devices = read_table(Devices, data, file, (Devices, Device, DeviceCable)).device
    refuse_twins(devices, file, "device.name")
    return devices


def refuse_twins(devices: tuple[Device, ...], file: str, place: str) -> None:
    """Raise `BookError` when two devices have one name."""
    names = [device.name for device in devices]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise BookError(Fault(file, place, f"{twice[0]!r} is used twice.", "Give each device its own name."))
