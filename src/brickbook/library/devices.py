"""A person's devices, as a TOML file: what each takes, through which cable, and how much it matters."""

from __future__ import annotations

import difflib
import json
import tomllib
from dataclasses import dataclass, fields
from typing import Annotated, Any, Literal

from annotated_types import Ge, Gt, Le, MinLen
from pydantic import ConfigDict, TypeAdapter, ValidationError

from brickbook.core.errors import BookError, Fault
from brickbook.library.cables import NEW_CONTACTS_OHM, Cable, measured_cable, wire_cable

__all__ = ["Device", "DeviceCable", "Devices", "read_devices"]

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


_ADAPTER: TypeAdapter[Any] = TypeAdapter(
    tuple[Devices], config=ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
)


def read_devices(text: str, file: str) -> tuple[Device, ...]:
    """Devices from TOML text.

    Raises
    ------
    BookError
        With every fault of the file, each with its key.
    """
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        raise BookError(Fault(file, "", f"is not valid TOML: {error}.")) from error
    if not data:
        raise BookError(Fault(file, "", "has no [[device]] in it.", 'Write [[device]], name = "…" and power_w = …'))
    try:
        # in JSON mode a list may stand for a tuple and a whole number for a float, and nothing else is converted
        devices: tuple[Device, ...] = _ADAPTER.validate_json(json.dumps([data], default=str))[0].device
    except ValidationError as error:
        details = error.errors(include_url=False)
        # pydantic also counts a list as too short when what is in it was wrong
        told = [d for d in details if d["type"] != "too_short"] or details
        raise BookError(*(_fault(file, data, detail) for detail in told)) from error
    except ValueError as error:  # NaN and infinity are no JSON
        raise BookError(Fault(file, "", f"holds a number that is not finite: {error}.")) from error
    names = [device.name for device in devices]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise BookError(Fault(file, "device.name", f"{twice[0]!r} is used twice.", "Give each device its own name."))
    return devices


def _fault(file: str, data: dict[str, Any], detail: Any) -> Fault:
    place = [part for part in detail["loc"][1:] if not isinstance(part, str) or "[" not in part]
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in place).lstrip(".")
    found: Any = data
    for part in place:
        try:
            found = found[part]
        except (KeyError, IndexError, TypeError):
            found = None
            break
    if detail["type"] == "unexpected_keyword_argument":
        word = str(place[-1])
        known = [f.name for cls in (Devices, Device, DeviceCable) for f in fields(cls)]
        near = difflib.get_close_matches(word, known, n=1)
        return Fault(file, key, "is not a known key.", f"Did you mean {near[0]!r}?" if near else "Take it out.")
    if detail["type"] == "missing":
        return Fault(file, key, "is missing.", "Add the key.")
    if detail["type"] == "value_error":
        return Fault(file, key, f"{detail['ctx']['error']}.", "Correct this table.")
    message = str(detail["msg"])
    shown = "" if isinstance(found, (dict, list)) else f", found {found!r}"
    return Fault(file, key, f"{message[:1].lower()}{message[1:]}{shown}.", "Correct the value.")
