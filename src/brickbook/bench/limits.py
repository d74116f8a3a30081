"""What the bench must never exceed, and the checks that see to it: before a run on the plan, during it on each reading.

Limits come from [limits] of bench.toml. They can be lowered there and not switched off: what is not stated is the
ceiling below, and what is stated above the ceiling is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

from brickbook.bench.errors import BenchError, Trip
from brickbook.book import BenchLimits
from brickbook.core.errors import Fault
from brickbook.core.plan import PortSetting, TestPlan
from brickbook.core.quantities import channel_of, column_name, quantity_of

__all__ = ["CEILING", "Limits", "contract_voltage_v", "effective_limits", "plan_faults", "reading_trip"]

CEILING = BenchLimits(volts=277.0, amps=20.0, watts=500.0, degrees=110.0)  # choices, no source

_OVER_VOLTAGE_RATIO, _OVER_VOLTAGE_V = 1.10, 0.75  # wider than the 5 % and 0.5 V a port may be off (from memory)
_OVER_CURRENT_RATIO, _OVER_CURRENT_A = 1.05, 0.20
_IDLE_V = 5.5  # the most a port without a contract gives


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits in force: [V], [A], [W], [degC]."""

    volts: float
    amps: float
    watts: float
    degrees: float


def effective_limits(stated: BenchLimits, file: str = "bench.toml") -> Limits:
    """The limits in force; raises `BenchError` where one is stated above the ceiling."""
    faults, found = [], {}
    for part in fields(BenchLimits):
        most, own = getattr(CEILING, part.name), getattr(stated, part.name)
        if own is not None and own > most:
            problem = f"{own:g} is above {most:g}, the most this program allows on any bench."
            faults.append(Fault(file, f"limits.{part.name}", problem, "Limits can only be lowered."))
        found[part.name] = float(most if own is None else own)
    if faults:
        raise BenchError(*faults)
    return Limits(**found)


def plan_faults(plan: TestPlan, limits: Limits, file: str = "plan.toml") -> list[Fault]:
    """Where a plan asks for more than the limits: told before anything is switched on."""
    faults = []
    for number, task in enumerate(plan.tasks):
        place = f"tasks[{number}] {task.id}"
        if task.mains_v > limits.volts:
            faults.append(_beyond(file, place, f"mains of {task.mains_v:g} V", f"{limits.volts:g} V"))
        for step in task.steps:
            at = f"{place}, step {step.label}"
            total = 0.0
            for port in step.ports:
                volts = contract_voltage_v(port.contract) or 0.0
                total += volts * port.current_a
                if volts > limits.volts:
                    faults.append(_beyond(file, at, f"{port.port} at {volts:g} V", f"{limits.volts:g} V"))
                if port.current_a > limits.amps:
                    faults.append(_beyond(file, at, f"{port.port} with {port.current_a:g} A", f"{limits.amps:g} A"))
            if total > limits.watts:
                faults.append(_beyond(file, at, f"{total:.4g} W of output", f"{limits.watts:g} W"))
    return faults


def contract_voltage_v(contract: str) -> float | None:
    """Voltage of a contract such as "20 V", "PPS 11 V", "legacy 5 V"; `None` where it names none."""
    words = contract.split()
    if len(words) < 2 or words[-1] != "V":
        return None
    try:
        return float(words[-2])
    except ValueError:
        return None


def reading_trip(
    values: Mapping[str, float | None],
    limits: Limits,
    settings: Iterable[PortSetting],
    instrument_of: Mapping[str, str],
) -> Trip | None:
    """The first limit a set of readings breaks; `None` when all is well.

    Parameters
    ----------
    values
        Column to reading; `None` tells nothing.
    limits
        In force.
    settings
        What is connected: each port's own limits follow from it.
    instrument_of
        Column to instrument.
    """
    ports = {setting.port: setting for setting in settings}
    for column, value in values.items():
        if value is None:
            continue
        limit = _limit_of(column, limits, ports)
        if limit is not None and value > limit[0]:
            unit = limit[2]
            text = f"{column} is {value:.5g} {unit}, {limit[1]} is {limit[0]:.5g} {unit}"
            return Trip(column, limit[0], value, instrument_of.get(column, ""), text)
    return _power_trip(values, limits, instrument_of)


def _limit_of(column: str, limits: Limits, ports: Mapping[str, PortSetting]) -> tuple[float, str, str] | None:
    """Limit, its name and unit."""
    setting = ports.get(channel_of(column))
    match quantity_of(column):
        case "mains_voltage_v":
            return limits.volts, "the bench's limit", "V"
        case "port_voltage_v":
            volts = contract_voltage_v(setting.contract) if setting and setting.contract else None
            own = _OVER_VOLTAGE_RATIO * volts + _OVER_VOLTAGE_V if volts is not None else _IDLE_V + _OVER_VOLTAGE_V
            return (own, "the most for its contract", "V") if own < limits.volts else (limits.volts, _BENCH, "V")
        case "mains_current_a":
            return limits.amps, _BENCH, "A"
        case "port_current_a":
            own = _OVER_CURRENT_RATIO * (setting.current_a if setting else 0.0) + _OVER_CURRENT_A
            return (own, "the most for its setting", "A") if own < limits.amps else (limits.amps, _BENCH, "A")
        case "mains_power_w" | "port_power_w":
            return limits.watts, _BENCH, "W"
        case "temperature_c" | "ambient_c":
            return limits.degrees, _BENCH, "°C"
        case _:
            return None


_BENCH = "the bench's limit"


def _power_trip(values: Mapping[str, float | None], limits: Limits, instrument_of: Mapping[str, str]) -> Trip | None:
    total, by = 0.0, ""
    for column, volts in values.items():
        amps = values.get(column_name("port_current_a", channel_of(column)))
        if quantity_of(column) == "port_voltage_v" and volts is not None and amps is not None:
            total += volts * amps
            by = instrument_of.get(column, "")
    if total <= limits.watts:
        return None
    text = f"output power is {total:.5g} W, {_BENCH} is {limits.watts:.5g} W"
    return Trip("port_power_w", limits.watts, total, by, text)


def _beyond(file: str, place: str, asked: str, limit: str) -> Fault:
    return Fault(file, place, f"{asked} is asked for, the bench's limit is {limit}.", "Change the plan.")
