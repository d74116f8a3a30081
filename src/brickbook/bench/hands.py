"""Readings a person types in: "1.2 mA" to SI, and whether that can be."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from brickbook.bench.limits import Limits, contract_voltage_v
from brickbook.core.instrument import Instrument
from brickbook.core.plan import PortSetting
from brickbook.core.quantities import QUANTITIES
from brickbook.readers.units import UnitProblem, conversion

__all__ = ["Plausible", "is_bound", "plausible", "typed_value"]

_TYPED = re.compile(r"\s*(?P<number>[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>\S.*?)?\s*")


@dataclass(frozen=True, slots=True)
class Plausible:
    """Between what a reading can be, and why."""

    low: float
    high: float
    why: str


def is_bound(text: str) -> bool:
    """Whether a typed reading is the end of the instrument's range: "> 2000 Mohm"."""
    return text.lstrip().startswith(">")


def typed_value(text: str, quantity: str, unit: str, can_be: Plausible | None = None) -> float:
    """A typed reading in the quantity's own unit.

    Parameters
    ----------
    text
        Number, perhaps with a unit; a decimal comma is taken. With "!" at its end it is taken however odd it is.
    quantity
        A name of `core.quantities`.
    unit
        Meant where none is typed.
    can_be
        Between what it must be.

    Raises
    ------
    ValueError
        Saying what is wrong, for the person.
    """
    sure = text.rstrip().endswith("!")
    match = _TYPED.fullmatch(text.rstrip().removesuffix("!"))
    own = QUANTITIES[quantity].unit
    if match is None:
        raise ValueError(f"{text!r} is no number. For example: 1.2 {unit or own}")
    try:
        made = conversion(match["unit"] or unit, own)
    except UnitProblem as problem:
        raise ValueError(f"the unit of {text!r}: {problem}") from problem
    value = float(made.apply(np.array([float(match["number"].replace(",", "."))]))[0])
    if can_be is not None and not sure and not can_be.low <= value <= can_be.high:
        between = f"{can_be.low:.6g} and {can_be.high:.6g} {own}"
        wrong = f"{value:.6g} {own} is not between {between}: {can_be.why}."
        raise ValueError(f"{wrong} Look again; with ! after it, it is taken.")
    return value


def plausible(
    quantity: str,
    channel: str,
    limits: Limits,
    *,
    instrument: Instrument | None = None,
    mains_v: float = 0.0,
    ports: Mapping[str, PortSetting] | None = None,
) -> Plausible:
    """Between what a reading can be: from contract and load, the supply, the instrument's largest range, the limits."""
    lines = [line.range_max for line in (instrument.accuracy if instrument else ()) if line.quantity == quantity]
    reach = max((r for r in lines if r is not None), default=None)
    setting = (ports or {}).get(channel)
    volts = contract_voltage_v(setting.contract) if setting is not None else None
    found = Plausible(-1e9, 1e9, "")
    match quantity:
        case "port_voltage_v" if volts is not None:
            found = Plausible(0.0, 1.3 * volts + 1.0, f"the contract is {volts:g} V")
        case "port_current_a" if setting is not None:
            found = Plausible(-0.05, 1.2 * setting.current_a + 0.1, f"the load is set to {setting.current_a:g} A")
        case "mains_voltage_v" if mains_v:
            found = Plausible(0.8 * mains_v, 1.2 * mains_v, f"the supply is set to {mains_v:g} V")
        case "mains_power_w":
            found = Plausible(-0.1, limits.watts, "of the bench's limit")
        case "mains_pf":
            found = Plausible(-1.0, 1.0, "a power factor is no more than 1")
        case "temperature_c" | "ambient_c":
            found = Plausible(-20.0, limits.degrees + 100.0, "of what the bench may reach")
        case "mass_g" | "length_mm" | "resistance_ohm":
            found = Plausible(0.0, 1e13, "it cannot be below zero")
        case _:
            pass
    if reach is not None and reach < found.high:
        return Plausible(max(found.low, -reach), reach, "the instrument reads no more")
    return found
