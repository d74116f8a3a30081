"""What stands on the software bench: an instrument for each role, and what its channels are connected to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from brickbook.core.instrument import Accuracy, Instrument
from brickbook.simbench.charger import SimCharger
from brickbook.simbench.scope import default_scope_channels

__all__ = ["DIALECTS", "complete_bench", "default_instruments"]

DIALECTS: Mapping[str, str] = {
    role: f"scpi-{role}"
    for role in (
        "ac-source",
        "ac-power-meter",
        "dc-load",
        "voltmeter",
        "oscilloscope",
        "temperature-logger",
        "pd-sink",
        "message-recorder",
        "clock",
    )
}
"""Names of the dialects the simulated instruments answer to, by role."""

_PLACES = ("case", "receptacle", "ambient")


def default_instruments() -> dict[str, Instrument]:
    """A bench of one of each role, with the accuracy that data sheets of their class state."""
    return {
        "mains-supply": Instrument(role="ac-source", description="programmable AC source, 500 VA"),
        "wall-meter": Instrument(
            role="ac-power-meter",
            description="AC power meter with three power ranges and harmonics",
            accuracy=(
                Accuracy("mains_power_w", 0.1, 0.1, 1.5, resolution=1e-4),
                Accuracy("mains_power_w", 0.1, 0.05, 15.0, resolution=1e-3),
                Accuracy("mains_power_w", 0.1, 0.05, 300.0, resolution=1e-2),
                Accuracy("mains_voltage_v", 0.1, 0.05, 300.0, resolution=1e-2),
                Accuracy("mains_current_a", 0.1, 0.02, 5.0, resolution=1e-4),
                Accuracy("mains_frequency_hz", 0.1, resolution=1e-2),
                Accuracy("mains_pf", absolute=0.004, resolution=1e-4),
                Accuracy("mains_current_thd_ratio", 2.0, absolute=0.005, resolution=1e-4),
                Accuracy("mains_harmonic_a", 1.0, absolute=0.002, resolution=1e-4),
            ),
        ),
        "load-bank": Instrument(
            role="dc-load",
            description="DC electronic load, constant current, four-wire sensing",
            accuracy=(
                Accuracy("port_voltage_v", 0.025, 0.01, 60.0, resolution=1e-3),
                Accuracy("port_current_a", 0.05, 0.02, 6.0, resolution=1e-4),
            ),
        ),
        "temperature-logger": Instrument(
            role="temperature-logger",
            description="four-channel logger with type T class 1 thermocouples",
            accuracy=(
                Accuracy("temperature_c", absolute=0.8, resolution=0.1),
                Accuracy("ambient_c", absolute=0.8, resolution=0.1),
            ),
        ),
        "bench-scope": Instrument(
            role="oscilloscope",
            description="12-bit oscilloscope with tip, current and differential mains probes",
            accuracy=(
                Accuracy("port_voltage_v", 2.0),
                Accuracy("port_current_a", 2.0),
                Accuracy("mains_voltage_v", 2.0),
                Accuracy("mains_current_a", 3.0),
            ),
        ),
        "touch-meter": Instrument(
            role="voltmeter",
            description="true-rms voltmeter on the body network of IEC 60990 figure 4",
            accuracy=(Accuracy("voltage_v", 0.8, 0.05, 1.0, resolution=1e-5),),
        ),
        "pd-sink": Instrument(role="pd-sink", description="one device for each port"),
        "message-recorder": Instrument(
            role="message-recorder",
            description="a tap and a voltmeter for each port, one clock",
            accuracy=(
                Accuracy("time_s", percent_reading=0.01, resolution=1e-5),
                Accuracy("port_voltage_v", percent_reading=0.2, resolution=0.001, digits=2),
            ),
        ),
        "bench-clock": Instrument(role="clock", description="the software bench's own time"),
    }


def complete_bench(charger: SimCharger, instruments: Mapping[str, Instrument] | None) -> dict[str, Instrument]:
    """The bench with all roles that can be simulated, their dialects, and their channels for a charger.

    Instruments of other roles stay as they are: they are read by hand.
    """
    ready = default_instruments()
    found = dict(ready if instruments is None else instruments)
    have = {instrument.role for instrument in found.values()}
    for name, instrument in ready.items():
        if instrument.role not in have:
            free = name if name not in found else f"{name}-simulated"
            found[free] = instrument
    return {
        name: replace(
            instrument,
            dialect=DIALECTS[instrument.role],
            channels={**_channels(charger, instrument.role), **instrument.channels},
        )
        if instrument.role in DIALECTS
        else instrument
        for name, instrument in found.items()
    }


def _channels(charger: SimCharger, role: str) -> dict[str, str]:
    ports = {port.id: str(k) for k, port in enumerate(charger.ports, 1)}
    match role:
        case "dc-load" | "pd-sink" | "message-recorder":
            return ports
        case "temperature-logger":
            return {place: str(101 + k) for k, place in enumerate(_PLACES)}
        case "oscilloscope":
            return default_scope_channels(tuple(ports))
        case _:
            return {}
