"""The law of names: every quantity a raw file may hold, with its SI unit.

A column of a `Table` is called `<quantity>` or `<quantity>@<channel>`; the channel is a port
("port_voltage_v@C1"), a harmonic order ("mains_harmonic_a@3") or a place ("temperature_c@case").
The unit is the name's last part and is what readers convert to.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["QUANTITIES", "Quantity", "channel_of", "column_name", "quantity_of"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What can be read.

    Parameters
    ----------
    name
        Full name with unit suffix.
    unit
        Unit as shown to people and as parsed by the readers ("W", "Ohm", "degC").
    label
        Words for headings and axes.
    channel
        What the part after "@" stands for: "port", "harmonic", "place", or "" for none.
    """

    name: str
    unit: str
    label: str
    channel: str = ""


_ALL = (
    Quantity("time_s", "s", "time"),
    Quantity("mains_voltage_v", "V", "mains voltage"),
    Quantity("mains_current_a", "A", "mains current"),
    Quantity("mains_power_w", "W", "mains power"),
    Quantity("mains_energy_wh", "Wh", "mains energy, accumulated"),
    Quantity("mains_apparent_va", "VA", "apparent power"),
    Quantity("mains_pf", "", "power factor"),
    Quantity("mains_frequency_hz", "Hz", "mains frequency"),
    Quantity("mains_voltage_thd_ratio", "", "mains voltage distortion"),
    Quantity("mains_current_thd_ratio", "", "input current distortion"),
    Quantity("mains_current_crest", "", "input current crest factor"),
    Quantity("mains_harmonic_a", "A", "input current harmonic", "harmonic"),
    Quantity("port_voltage_v", "V", "output voltage", "port"),
    Quantity("port_current_a", "A", "output current", "port"),
    Quantity("port_power_w", "W", "output power", "port"),
    Quantity("load_set_a", "A", "current the load asks for", "port"),
    Quantity("temperature_c", "degC", "temperature", "place"),
    Quantity("ambient_c", "degC", "ambient temperature"),
    Quantity("mass_g", "g", "mass", "place"),
    Quantity("length_mm", "mm", "length", "place"),
    Quantity("resistance_ohm", "Ohm", "resistance", "place"),
    Quantity("voltage_v", "V", "voltage", "place"),
    Quantity("current_a", "A", "current", "place"),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}


def column_name(quantity: str, channel: str = "") -> str:
    """Name of a column: quantity and channel joined by "@"."""
    return f"{quantity}@{channel}" if channel else quantity


def quantity_of(column: str) -> str:
    """The quantity part of a column's name."""
    return column.partition("@")[0]


def channel_of(column: str) -> str:
    """The channel part of a column's name; empty where there is none."""
    return column.partition("@")[2]
