"""The barrier between mains and output as one capacitance and one conductance in parallel.

A single current at a single frequency tells a magnitude only. With the conductance known from a DC reading the
capacitance follows; the current at any other supply then follows from both, here with the body network in series.
"""

from __future__ import annotations

from math import pi
from typing import Any

import numpy as np

from brickbook.core.uncertainty import Measured, propagate
from brickbook.studies.isolation.network import impedance_ohm, weighted_ratio

__all__ = [
    "check_reading",
    "equivalent_capacitance",
    "floating_voltage_v",
    "stored_charge_c",
    "stored_energy_j",
    "susceptance_s",
    "through_barrier_a",
    "touch_current",
    "unweighted_current",
]

Impedance = tuple[Any, Any]
_NONE: Impedance = (0.0, 0.0)


def susceptance_s(voltage_v: Any, current_a: Any, conductance_s: Any = 0.0, series_ohm: Impedance = _NONE) -> Any:
    """Capacitive susceptance B of the barrier [S] that lets this current flow.

    From |1/(G + jB) + Z| = V/I with Z = a + jb in series: with D = (V/I)^2 - |Z|^2,
    D B^2 + 2 b B + D G^2 - 1 - 2 a G = 0, of which the positive root is taken. Without Z and G it is I/V.

    Parameters
    ----------
    voltage_v, current_a
        Across barrier and series impedance, and through both, rms [V], [A]; above 0.
    conductance_s
        Of the barrier [S].
    series_ohm
        Resistance and reactance in series with the barrier [Ohm].
    """
    a, b = series_ohm
    d = (voltage_v / current_a) ** 2 - a**2 - b**2
    return (np.sqrt(b**2 + d * (1 + 2 * a * conductance_s - d * conductance_s**2)) - b) / d


def through_barrier_a(
    voltage_v: Any, frequency_hz: Any, capacitance_f: Any, conductance_s: Any = 0.0, series_ohm: Impedance = _NONE
) -> Any:
    """Current through barrier and series impedance, rms [A]: V |Y|/|1 + Z Y| with Y = G + j 2 pi f C."""
    a, b = series_ohm
    g, s = conductance_s, 2 * pi * frequency_hz * capacitance_f
    return voltage_v * np.sqrt((g**2 + s**2) / ((1 + a * g - b * s) ** 2 + (a * s + b * g) ** 2))


def check_reading(voltage_v: float, current_a: float, conductance_s: float, series_ohm: Impedance = _NONE) -> None:
    """Raise `ValueError` where no capacitance can let this current flow."""
    if not (voltage_v > 0 and current_a > 0):
        raise ValueError(f"voltage and current must be above 0, they are {voltage_v:.4g} V and {current_a:.4g} A")
    if voltage_v / current_a <= 2 * float(np.hypot(*series_ohm)):
        raise ValueError(
            f"{current_a:.4g} A at {voltage_v:.4g} V is what the measuring network alone would nearly let through: the "
            "barrier is bridged, or voltage and current do not belong together"
        )
    if through_barrier_a(voltage_v, 0.0, 0.0, conductance_s, series_ohm) >= current_a:
        raise ValueError(
            f"{current_a:.4g} A at {voltage_v:.4g} V is less than the resistance alone lets through "
            f"({1 / conductance_s:.4g} Ohm): AC and DC readings do not belong together"
        )


def equivalent_capacitance(
    voltage_v: Measured,
    current_a: Measured,
    frequency_hz: Measured,
    conductance_s: Measured,
    *,
    through_network: bool = False,
    series_ohm: float = 0.0,
) -> Measured:
    """Capacitance of the barrier [F] from one AC reading.

    Parameters
    ----------
    voltage_v, current_a, frequency_hz
        Applied voltage, true current through the barrier (rms) and frequency.
    conductance_s
        Of the barrier.
    through_network
        Whether the current flowed through the body network.
    series_ohm
        Plain resistance in series instead [Ohm].

    Raises
    ------
    ValueError
        When no capacitance fits the reading.
    """

    def series(f: Any) -> Impedance:
        return impedance_ohm(f) if through_network else (series_ohm, 0.0)

    check_reading(
        float(voltage_v.value),
        float(current_a.value),
        float(conductance_s.value),
        series(float(frequency_hz.value)),
    )
    return propagate(
        lambda v, i, f, g: susceptance_s(v, i, g, series(f)) / (2 * pi * f),
        voltage_v,
        current_a,
        frequency_hz,
        conductance_s,
    )


def touch_current(mains_v: float, mains_hz: float, capacitance_f: Measured, conductance_s: Measured) -> Measured:
    """Weighted touch current at a supply [A]: U2/500 Ohm of the network in series with the barrier, rms."""
    series, weight = impedance_ohm(mains_hz), float(weighted_ratio(mains_hz))
    return propagate(
        lambda c, g: weight * through_barrier_a(mains_v, mains_hz, c, g, series), capacitance_f, conductance_s
    )


def unweighted_current(mains_v: float, mains_hz: float, capacitance_f: Measured, conductance_s: Measured) -> Measured:
    """True current through barrier and network at a supply, rms [A]."""
    series = impedance_ohm(mains_hz)
    return propagate(lambda c, g: through_barrier_a(mains_v, mains_hz, c, g, series), capacitance_f, conductance_s)


def floating_voltage_v(mains_v: float, mains_hz: float, capacitance_f: float, meter_ohm: float = 10e6) -> float:
    """What a voltmeter from the floating output to earth reads [V]: V R/|R + 1/(j 2 pi f C)|."""
    reactance = 1 / (2 * pi * mains_hz * capacitance_f)
    return float(mains_v * meter_ohm / np.hypot(meter_ohm, reactance))


def stored_charge_c(capacitance_f: float, voltage_v: float) -> float:
    """Charge left on the barrier after a DC test [C], C V."""
    return capacitance_f * voltage_v


def stored_energy_j(capacitance_f: float, voltage_v: float) -> float:
    """Energy left on the barrier after a DC test [J], C V^2/2."""
    return capacitance_f * voltage_v**2 / 2
