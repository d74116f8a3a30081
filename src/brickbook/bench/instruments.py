"""The roles of a bench, each with the few things the runner asks of it, in SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brickbook.bench.driver import Driver
from brickbook.bench.errors import InstrumentError
from brickbook.core.errors import Fault
from brickbook.core.quantities import column_name

__all__ = [
    "AcPowerMeter",
    "AcSource",
    "DcLoad",
    "DcMeter",
    "MessageRecorder",
    "PdSink",
    "SinkContract",
    "TemperatureLogger",
    "Voltmeter",
]

_SET_TOLERANCE = 0.005  # of a set value read back: what the digits of the answer may leave open
_SET_LEAST = 0.011

Reading = dict[str, float | None]


@dataclass(frozen=True, slots=True)
class AcSource:
    """The mains supply."""

    driver: Driver

    def set(self, voltage_v: float, frequency_hz: float) -> None:
        """Set voltage and frequency and read them back where it can tell; raises `InstrumentError` if they differ."""
        self.driver.do("set_frequency", frequency_hz=float(frequency_hz))
        self.driver.do("set_voltage", voltage_v=float(voltage_v))
        for operation, name, wanted in (
            ("read_set_voltage", "voltage_v", voltage_v),
            ("read_set_frequency", "frequency_hz", frequency_hz),
        ):
            if self.driver.can(operation):
                verify(self.driver, operation, self.driver.numbers(operation)[name], wanted)

    def on(self) -> None:
        """Switch the output on; raises `InstrumentError` when it does not read back as on."""
        self.driver.do("output_on")
        if not self.is_on():
            raise _not_done(self.driver, "output_on", "the output reads back as off.")

    def off(self) -> None:
        """Switch the output off; raises `InstrumentError` when it does not read back as off."""
        self.driver.do("output_off")
        if self.is_on():
            raise _not_done(self.driver, "output_off", "THE OUTPUT READS BACK AS ON.")

    def is_on(self) -> bool:
        """Whether the output reads back as on."""
        return self.driver.word("output_state") == "on"


@dataclass(frozen=True, slots=True)
class AcPowerMeter:
    """The meter on the mains side."""

    driver: Driver

    @property
    def columns(self) -> tuple[str, ...]:
        """What one set of readings has."""
        return tuple(name for name in self.driver.dialect.commands["read"].gives if name)

    @property
    def harmonic_columns(self) -> tuple[str, ...]:
        """Harmonics it can give."""
        command = self.driver.dialect.commands.get("read_harmonics")
        return tuple(name for name in command.gives if name) if command else ()

    def read(self, *, harmonics: bool = False) -> Reading:
        """One set of readings."""
        found = self.driver.numbers("read")
        if harmonics and self.harmonic_columns:
            found |= self.driver.numbers("read_harmonics")
        return {name: value for name, value in found.items() if name}

    def auto_range(self) -> None:
        """Let it choose its range, where it can."""
        if self.driver.can("auto_range"):
            self.driver.do("auto_range")

    def set_range(self, power_w: float) -> bool:
        """Set the power range, where it can; whether it could."""
        if not self.driver.can("set_range"):
            return False
        self.driver.do("set_range", power_w=float(power_w))
        return True

    def range_w(self) -> float | None:
        """The power range in use, where it can tell."""
        return self.driver.numbers("read_range")["power_w"] if self.driver.can("read_range") else None


@dataclass(frozen=True, slots=True)
class DcLoad:
    """A DC load; ports are told apart by `channels` of bench.toml."""

    driver: Driver

    @property
    def channels(self) -> Mapping[str, str]:
        """Port to channel."""
        return self.driver.instrument.channels

    def protect(self, port: str, current_a: float) -> None:
        """Set the current at which a channel opens by itself, where it can."""
        if self.driver.can("set_protection"):
            self.driver.do("set_protection", current_a=float(current_a), channel=self.channels[port])

    def set(self, port: str, current_a: float) -> None:
        """Draw a constant current; 0 switches the channel off. Verified by reading back what it can tell."""
        channel = self.channels[port]
        self.driver.do("set_current", current_a=float(current_a), channel=channel)
        if self.driver.can("read_set_current"):
            back = self.driver.numbers("read_set_current", channel=channel)["current_a"]
            verify(self.driver, "read_set_current", back, current_a)
        if current_a == 0.0:
            self.off(port)
            return
        self.driver.do("input_on", channel=channel)
        if not self.is_on(port):
            raise _not_done(self.driver, f"input_on, channel {channel}", "the channel reads back as off.")

    def off(self, port: str) -> None:
        """Switch a channel off; raises `InstrumentError` when it does not read back as off."""
        channel = self.channels[port]
        self.driver.do("input_off", channel=channel)
        if self.is_on(port):
            raise _not_done(self.driver, f"input_off, channel {channel}", "THE CHANNEL READS BACK AS ON.")

    def zero(self, port: str) -> None:
        """Set a channel's current to nothing, without switching it."""
        self.driver.do("set_current", current_a=0.0, channel=self.channels[port])

    def is_on(self, port: str) -> bool:
        """Whether a channel reads back as on."""
        return self.driver.word("input_state", channel=self.channels[port]) == "on"

    def read(self, ports: Sequence[str]) -> Reading:
        """Voltage and current of some ports."""
        return _port_readings(self.driver, ports, ("read_voltage", "read_current"))


@dataclass(frozen=True, slots=True)
class DcMeter:
    """A meter of voltage, and perhaps current, at ports."""

    driver: Driver

    @property
    def channels(self) -> Mapping[str, str]:
        """Port to channel."""
        return self.driver.instrument.channels

    def read(self, ports: Sequence[str]) -> Reading:
        """What it reads of some ports."""
        able = [operation for operation in ("read_voltage", "read_current") if self.driver.can(operation)]
        return _port_readings(self.driver, ports, able)


@dataclass(frozen=True, slots=True)
class Voltmeter:
    """A voltmeter at one port, or several by a scanner."""

    driver: Driver

    @property
    def channels(self) -> Mapping[str, str]:
        """Port to channel."""
        return self.driver.instrument.channels

    def read(self, ports: Sequence[str]) -> Reading:
        """Voltage of some ports."""
        return {
            column_name("port_voltage_v", port): self.driver.numbers("read_voltage", channel=self.channels[port])[
                "voltage_v"
            ]
            for port in ports
        }


@dataclass(frozen=True, slots=True)
class TemperatureLogger:
    """Thermocouples at places; "ambient" is the room."""

    driver: Driver

    @property
    def columns(self) -> tuple[str, ...]:
        """One for each place."""
        places = self.driver.instrument.channels
        return tuple("ambient_c" if place == "ambient" else column_name("temperature_c", place) for place in places)

    def read(self) -> Reading:
        """All places."""
        channels = tuple(self.driver.instrument.channels.values())
        return dict(zip(self.columns, self.driver.of_channels("read_temperature", channels), strict=True))


@dataclass(frozen=True, slots=True)
class SinkContract:
    """What a sink and a port agreed on; position 0 for none."""

    position: int
    voltage_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class PdSink:
    """Sinks that ask ports for modes."""

    driver: Driver

    @property
    def channels(self) -> Mapping[str, str]:
        """Port to channel."""
        return self.driver.instrument.channels

    def attach(self, port: str) -> None:
        """Plug in."""
        self.driver.do("attach", channel=self.channels[port])

    def detach(self, port: str) -> None:
        """Take out."""
        self.driver.do("detach", channel=self.channels[port])

    def words(self, port: str) -> str:
        """Source capabilities as hexadecimal words parted by blanks; empty without USB PD."""
        answer = self.driver.text("capabilities", channel=self.channels[port]).strip('" ')
        return "" if answer.upper() == "NONE" else " ".join(answer.replace(",", " ").split())

    def legacy(self, port: str) -> str:
        """Older modes found, as the instrument writes them; empty where it cannot tell."""
        if not self.driver.can("legacy"):
            return ""
        answer = self.driver.text("legacy", channel=self.channels[port]).strip('" ')
        return "" if answer.upper() == "NONE" else answer

    def request(self, port: str, position: int, voltage_v: float, current_a: float) -> SinkContract:
        """Ask for a mode and give what was agreed."""
        self.driver.do(
            "request",
            position=str(position),
            voltage_v=float(voltage_v),
            current_a=float(current_a),
            channel=self.channels[port],
        )
        return self.contract(port)

    def contract(self, port: str) -> SinkContract:
        """What is agreed now."""
        found = self.driver.numbers("contract", channel=self.channels[port])
        return SinkContract(int(found["position"] or 0), found["voltage_v"] or 0.0, found["current_a"] or 0.0)


@dataclass(frozen=True, slots=True)
class MessageRecorder:
    """Records what ports and sinks say, and what is plugged when."""

    driver: Driver

    @property
    def channels(self) -> Mapping[str, str]:
        """Port to channel."""
        return self.driver.instrument.channels

    def start(self) -> None:
        """Begin."""
        self.driver.do("start")

    def stop(self) -> None:
        """End."""
        self.driver.do("stop")

    def messages(self, port: str) -> bytes:
        """What a port said, as a message log."""
        return self.driver.block("messages", channel=self.channels[port])

    def events(self) -> bytes:
        """What was plugged when; empty where it cannot tell."""
        return self.driver.block("events") if self.driver.can("events") else b""

    def vbus(self, port: str) -> bytes:
        """Voltage of a port while it recorded, on the same clock, under a header of our own; empty where it cannot.

        Raises
        ------
        InstrumentError
            When what comes is not rows of a time and a voltage.
        """
        if not self.driver.can("vbus"):
            return b""
        rows = self.driver.block("vbus", channel=self.channels[port]).splitlines()[1:]
        fields = [row.split(b",") for row in rows if row.strip()]
        try:
            whole = all(len(row) == 2 and all(math.isfinite(float(cell)) for cell in row) for row in fields)
        except ValueError:
            whole = False
        if not whole:
            raise _not_done(self.driver, "vbus", "answers with something else than rows of a time and a voltage.")
        head = f"time_s,{column_name('port_voltage_v', port)}".encode()
        return b"\n".join([head, *(b",".join(row) for row in fields), b""]) if fields else b""


def verify(driver: Driver, operation: str, back: float | None, wanted: float) -> None:
    """Raise `InstrumentError` when a value reads back as another than it was set to."""
    if back is None or abs(back - wanted) > max(_SET_LEAST, _SET_TOLERANCE * abs(wanted)):
        raise _not_done(driver, operation, f"set to {wanted:g}, it reads back as {back}.")


def _port_readings(driver: Driver, ports: Sequence[str], operations: Sequence[str]) -> Reading:
    quantities = {"read_voltage": "port_voltage_v", "read_current": "port_current_a"}
    channels = [driver.instrument.channels[port] for port in ports]
    found: Reading = {}
    for operation in operations:
        values = driver.of_channels(operation, channels)
        found |= {column_name(quantities[operation], p): v for p, v in zip(ports, values, strict=True)}
    return found


def _not_done(driver: Driver, place: str, problem: str) -> InstrumentError:
    remedy = "Does another program speak to it? Is its front panel locked?"
    return InstrumentError(Fault(f"instrument {driver.name}", place, problem, remedy))
