"""One charger at one moment: the formulas of `physics` for single numbers, fast enough to be asked at every reading.

The array model of `physics` is the reference; the tests hold both together. What is added here is what a live bench
needs: ports that are attached and draw nothing, bursts without load, and a mains that may be off.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

from brickbook.simbench.charger import SimCharger, SimPort
from brickbook.simbench.physics import HARMONICS

__all__ = ["DEAD", "LoadPoint", "OperatingPoint", "attached_power_w", "operating_point", "port_voltage_v"]


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """What one port is asked for: set voltage [V], 0 while off; current [A]; the contract's nominal voltage [V]."""

    set_v: float
    current_a: float
    contract_v: float
    attached: bool = False


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Inputs and outputs of a charger at a moment.

    Parameters
    ----------
    port_voltage_v, port_current_a
        At each port's receptacle.
    input_w, input_a, power_factor, thd_ratio
        At mains; power factor and distortion are NaN where there is no current.
    harmonic_a
        Of the input current, by order.
    loss_w
        Input less output.
    pfc_on
        Whether the power-factor stage runs.
    angle_rad
        Conduction angle of the rectifier without that stage.
    """

    port_voltage_v: Mapping[str, float]
    port_current_a: Mapping[str, float]
    input_w: float
    input_a: float
    power_factor: float
    thd_ratio: float
    harmonic_a: Mapping[int, float]
    loss_w: float
    pfc_on: bool
    angle_rad: float


DEAD = OperatingPoint({}, {}, 0.0, 0.0, math.nan, math.nan, {}, 0.0, pfc_on=False, angle_rad=0.5)
"""A charger without mains."""

_FALLING = math.sqrt(sum(1.0 / h**2 for h in HARMONICS))


def port_voltage_v(port: SimPort, set_v: float, current_a: float, contract_v: float) -> float:
    """Voltage at a port's receptacle [V]: set-point error, droop, and where the contract gives way."""
    volts = set_v * (1.0 + port.set_error_ratio) - port.output_ohm * current_a
    for sag in port.sag:
        if abs(sag.contract_v - contract_v) < 1e-6:
            volts -= sag.beyond_ohm * max(current_a - sag.knee_a, 0.0)
    return max(volts, 0.0)


def attached_power_w(port: SimPort, contract_v: float) -> float:
    """Power that an attached device which draws nothing costs [W], between the stated contracts on a straight line."""
    points = sorted(port.attached_w)
    if not points:
        return 0.0
    if contract_v <= points[0][0]:
        return points[0][1]
    for (v0, p0), (v1, p1) in itertools.pairwise(points):
        if contract_v <= v1:
            return p0 + (p1 - p0) * (contract_v - v0) / (v1 - v0)
    return points[-1][1]


def operating_point(
    charger: SimCharger,
    mains_v: float,
    loads: Mapping[str, LoadPoint],
    *,
    inside_c: float,
    pfc_was_on: bool,
    cables: int = 0,
    time_s: float = 0.0,
) -> OperatingPoint:
    """The charger at a moment.

    Parameters
    ----------
    charger
        The charger.
    mains_v
        Mains voltage, rms [V]; 0 or less: everything is off.
    loads
        By port.
    inside_c
        Temperature of the inner parts [°C].
    pfc_was_on
        State of the power-factor stage, which stays between its two thresholds.
    cables
        Cables plugged in with nothing at their end.
    time_s
        Where in a burst the charger is, when it bursts without load [s].
    """
    if mains_v <= 0.0:
        return DEAD
    losses = charger.losses
    volts: dict[str, float] = {}
    amps: dict[str, float] = {}
    for port in charger.ports:
        load = loads[port.id]
        on = load.set_v > 0.0
        amps[port.id] = load.current_a if on else 0.0
        volts[port.id] = port_voltage_v(port, load.set_v, amps[port.id], load.contract_v) if on else 0.0
    power = sum(volts[p] * amps[p] for p in volts)
    limit = losses.power_limit_w
    if limit is not None and power > limit:
        # above the limit the main rail gives way and all loaded ports sag together
        share = limit / power
        volts = {p: v * share if amps[p] > 0.0 else v for p, v in volts.items()}
        power = sum(volts[p] * amps[p] for p in volts)
    idle = losses.idle_w + losses.idle_per_v2 * mains_v**2 + losses.cable_w * cables
    ports = 0.0
    for port in charger.ports:
        if amps[port.id] > 0.0:
            ports += port.fixed_loss_w + port.loss_ohm * amps[port.id] ** 2
            ports += port.conversion_ratio * volts[port.id] * amps[port.id]
        elif loads[port.id].attached and volts[port.id] > 0.0:
            idle += attached_power_w(port, loads[port.id].contract_v)
    if losses.burst_period_s and power == 0.0:
        # packets: three parts in ten all the time, the rest in one quarter of the period; the mean is the idle power
        phase = (time_s / losses.burst_period_s) % 1.0
        idle *= 0.7 + (1.2 if 0.25 <= phase < 0.5 else 0.0)
    gate = losses.gate_w * power / (power + losses.burst_corner_w) * (mains_v / 230.0) ** 2
    proportional = (losses.bridge_v / mains_v + losses.conversion_ratio) * power
    without = (power / 0.58 / mains_v) ** 2 * losses.primary_ohm
    pfc_on, stage, primary = False, 0.0, without
    if charger.pfc is not None:
        cold = power + idle + gate + proportional + without + ports
        pfc_on = True if cold > charger.pfc.on_w else False if cold < charger.pfc.off_w else pfc_was_on
        if pfc_on:
            stage = charger.pfc.fixed_loss_w + charger.pfc.loss_ratio * power
            primary = (power / 0.97 / mains_v) ** 2 * losses.primary_ohm
    warm = 1.0 + losses.temperature_coefficient * (inside_c - 25.0)
    loss = idle + gate + (proportional + primary + ports + stage) * warm
    input_w = power + loss
    angle = losses.conduction_angle_rad + 0.25 * power / (power + 20.0)
    half = angle / 2
    if pfc_on:
        thd = 0.05 + 2.5 / max(input_w, 10.0)
        displacement = 1.0 - 3.0 / max(input_w, 30.0) ** 1.1
    else:
        # rms of the pulse is sqrt(w/pi), its fundamental's rms sqrt(8)/pi sin(w/2)
        fundamental_part = math.sqrt(8.0) / math.pi * math.sin(half)
        thd = math.sqrt(max(angle / math.pi / fundamental_part**2 - 1.0, 0.0))
        displacement = 0.96
    power_factor = displacement / math.sqrt(1.0 + thd**2)
    input_a = input_w / (mains_v * power_factor)
    fundamental = input_a / math.sqrt(1.0 + thd**2)
    harmonics = {1: fundamental}
    for h in HARMONICS:
        ratio = thd / h / _FALLING if pfc_on else abs(math.sin(h * half) / (h * math.sin(half)))
        harmonics[h] = fundamental * ratio
    return OperatingPoint(volts, amps, input_w, input_a, power_factor, thd, harmonics, input_w - power, pfc_on, angle)
