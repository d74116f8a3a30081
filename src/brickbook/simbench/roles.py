"""The instruments around a charger: mains source, power meter, load, voltmeter, temperature logger, and a clock.

Each measuring query takes its instrument's time (`device.LATENCY_S`), as in life; settings act at once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

from brickbook.simbench.device import Device, exactly
from brickbook.simbench.readings import NAN
from brickbook.simbench.scpi import ScpiError, boolean, number, numbers
from brickbook.simbench.touch import network_readings

__all__ = ["AcSource", "BenchClock", "DcLoad", "PowerMeter", "TemperatureLogger", "Voltmeter"]

_ORDERS = 13


class AcSource(Device):
    """Programmable mains."""

    role = "ac-source"

    def build(self) -> None:
        """SOUR:VOLT, SOUR:FREQ, OUTP, MEAS:VOLT?."""
        self.command("SOURce:VOLTage", self._set_volts)
        self.command("SOURce:VOLTage?", lambda _: numbers(self.world.mains_set_v))
        self.command("SOURce:FREQuency", self._set_hertz)
        self.command("SOURce:FREQuency?", lambda _: numbers(self.world.mains_set_hz))
        self.command("OUTPut[:STATe]", self._switch)
        self.command("OUTPut[:STATe]?", lambda _: "1" if self.world.mains_on else "0")
        self.measure("MEASure:VOLTage?", self._volts)

    def reset(self) -> None:
        """Output off, 230 V, 50 Hz."""
        self.world.set_mains(on=False, volts=230.0, hertz=50.0)

    def _set_volts(self, arguments: list[str]) -> None:
        self.world.set_mains(volts=number(exactly(arguments, 1)[0], 0.0, 300.0))

    def _set_hertz(self, arguments: list[str]) -> None:
        self.world.set_mains(hertz=number(exactly(arguments, 1)[0], 45.0, 65.0))

    def _switch(self, arguments: list[str]) -> None:
        self.world.set_mains(on=boolean(exactly(arguments, 1)[0]))

    def _volts(self, _: list[str]) -> str:
        return numbers(self.errors.read("mains_voltage_v", self.world.mains_v))


class PowerMeter(Device):
    """AC power meter between source and charger."""

    role = "ac-power-meter"
    _range: float | None

    def build(self) -> None:
        """READ?, SENS:POW:RANG, FETC:HARM?."""
        self._range = None
        self.measure("READ?", self._read)
        self.measure("FETCh:HARMonics?", self._harmonics)
        self.measure("FETCh:HARM?", self._harmonics)
        self.command("SENSe:POWer:RANGe", self._set_range)
        self.command("SENSe:POWer:RANGe?", lambda _: numbers(self._range_in_use()))
        self.command("SENSe:POWer:RANGe:AUTO", self._set_auto)
        self.command("SENSe:POWer:RANGe:AUTO?", lambda _: "1" if self._range is None else "0")

    def reset(self) -> None:
        """Automatic range."""
        self._range = None

    def _set_range(self, arguments: list[str]) -> None:
        ranges = self.errors.ranges("mains_power_w")
        wanted = number(exactly(arguments, 1)[0], 0.0, ranges[-1] if ranges else math.inf)
        self._range = next((one for one in ranges if one >= wanted * (1 - 1e-9)), None)

    def _set_auto(self, arguments: list[str]) -> None:
        self._range = None if boolean(exactly(arguments, 1)[0]) else self._range_in_use()

    def _range_in_use(self) -> float:
        if self._range is not None:
            return self._range
        line = self.errors.line_for("mains_power_w", self.world.point().input_w)
        ranges = self.errors.ranges("mains_power_w")
        if line is not None and line.range_max is not None:
            return line.range_max
        return ranges[-1] if ranges else NAN

    def _read(self, _: list[str]) -> str:
        world, read = self.world, self.errors.read
        point = world.point()
        dead = world.mains_v <= 0.0
        return numbers(
            read("mains_voltage_v", world.mains_v),
            read("mains_current_a", point.input_a),
            read("mains_power_w", point.input_w, range_max=self._range),
            read("mains_pf", point.power_factor),
            read("mains_frequency_hz", math.nan if dead else world.mains_hz),
            read("mains_current_thd_ratio", point.thd_ratio),
        )

    def _harmonics(self, _: list[str]) -> str:
        found = self.world.point().harmonic_a
        return numbers(
            *(self.errors.read("mains_harmonic_a", found.get(h, 0.0), channel=str(h)) for h in range(1, _ORDERS + 1))
        )


class DcLoad(Device):
    """DC electronic load, constant current, one channel for each port."""

    role = "dc-load"
    _protection: dict[str, float]

    def build(self) -> None:
        """INP, SOUR:CURR, SOUR:CURR:PROT, MEAS:VOLT?, MEAS:CURR?."""
        self._most_a = max(self.errors.ranges("port_current_a"), default=10.0)
        self._protection = {}
        self.command("INPut[:STATe]", self._switch)
        self.command("INPut[:STATe]?", self._is_on)
        self.command("SOURce:CURRent", self._set)
        self.command("SOURce:CURRent?", lambda a: numbers(*(self.port(p).set_a for p in self.listed(a))))
        self.command("SOURce:CURRent:PROTection", self._protect)
        self.command(
            "SOURce:CURRent:PROTection?",
            lambda a: numbers(*(self._protection.get(p, self._most_a) for p in self.listed(a))),
        )
        self.measure("MEASure:VOLTage?", lambda a: numbers(*(self._volts(p) for p in self.listed(a))))
        self.measure("MEASure:CURRent?", lambda a: numbers(*(self._amps(p) for p in self.listed(a))))

    def reset(self) -> None:
        """All inputs off, 0 A."""
        for place in self.places.values():
            if place in self.world.ports:
                self.world.set_load(place, amps=0.0, on=False)
        self._protection.clear()

    def _switch(self, arguments: list[str]) -> None:
        state, ports = boolean(exactly(arguments, 2)[0]), self.listed(arguments, 1)
        for port in ports:
            self.port(port)
            self.world.set_load(port, on=state)

    def _is_on(self, arguments: list[str]) -> str:
        return ",".join("1" if self.port(p).load_on else "0" for p in self.listed(arguments))

    def _set(self, arguments: list[str]) -> None:
        text, ports = exactly(arguments, 2)[0], self.listed(arguments, 1)
        for port in ports:
            self.port(port)
            amps = number(text, 0.0, self._protection.get(port, self._most_a))
            self.world.set_load(port, amps=amps)

    def _protect(self, arguments: list[str]) -> None:
        amps, ports = number(exactly(arguments, 2)[0], 0.0, self._most_a), self.listed(arguments, 1)
        for port in ports:
            if self.port(port).set_a > amps:
                raise ScpiError(-221, "the current set is above it")
            self._protection[port] = amps

    def _volts(self, place: str) -> float:
        state, point = self.port(place), self.world.point()
        amps = point.port_current_a.get(place, 0.0)
        truth = point.port_voltage_v.get(place, 0.0) - self.world.surroundings.fixture_ohm * amps
        emitter = state.port.emitter
        full = self.world.offered_a(state)
        half = math.exp(-(((amps / full - 0.5) / 0.08) ** 2)) if amps else 0.0
        noise = emitter.noise_v * 0.3 + emitter.noise_half_load_v * half
        return self.errors.read("port_voltage_v", truth, channel=place, scatter=noise)

    def _amps(self, place: str) -> float:
        self.port(place)
        amps = self.world.point().port_current_a.get(place, 0.0)
        return self.errors.read("port_current_a", amps, channel=place)


class TemperatureLogger(Device):
    """Thermocouples on parts of the charger and in the room."""

    role = "temperature-logger"
    _NODES: ClassVar[Mapping[str, str]] = {"body": "case", "inner": "inside", "ambient": "room", "room": "room"}

    def build(self) -> None:
        """MEAS:TEMP?."""
        self.measure("MEASure:TEMPerature?", lambda a: numbers(*(self._temperature(p) for p in self.listed(a))))

    def _temperature(self, place: str) -> float:
        node = self._NODES.get(place, place)
        if node == "room":
            return self.errors.read("ambient_c", self.world.room_c, channel=place)
        if node not in self.world.thermal.names:
            raise ScpiError(-224, f"nothing is known of the place {place}")
        return self.errors.read("temperature_c", self.world.thermal[node], channel=place)


class Voltmeter(Device):
    """A voltmeter: on ports where it has channels, else on the body network of IEC 60990 figure 4 (true rms)."""

    role = "voltmeter"

    def build(self) -> None:
        """MEAS:VOLT:DC? with or without a channel list, MEAS:VOLT:AC?."""
        self.measure("MEASure:VOLTage:DC?", self._read)
        self.measure("MEASure:VOLTage:AC?", self._read)

    def _read(self, arguments: list[str]) -> str:
        ports = self.listed(arguments) if arguments else list(self.places.values())[:1]
        if ports and ports[0] in self.world.ports:
            return numbers(*(self._port(place) for place in ports))
        world, barrier = self.world, self.world.charger.barrier
        rms = 0.0
        if world.mains_v:
            rms, _ = network_readings(barrier.one_f, barrier.rail_f, world.mains_v, world.mains_hz)
        return numbers(self.errors.read("voltage_v", rms))

    def _port(self, place: str) -> float:
        self.port(place)
        truth = self.world.point().port_voltage_v.get(place, 0.0)
        quantity = "port_voltage_v" if self.errors.ranges("port_voltage_v") else "voltage_v"
        return self.errors.read(quantity, truth, channel=place)


class BenchClock(Device):
    """The bench's own time."""

    role = "clock"
    _until_s = 0.0

    def build(self) -> None:
        """SYST:TIME?, SYST:TIME:WAIT."""
        self.command("SYSTem:TIME?", lambda _: f"{self.world.now_s:.9E}")
        self.command("SYSTem:TIME:WAIT", self._wait)

    def _wait(self, arguments: list[str]) -> None:
        self._until_s = self.world.now_s + number(exactly(arguments, 1)[0], 0.0, 1e6)

    def idle(self) -> bool:
        """Whether the wait is over."""
        return self.world.now_s >= self._until_s - 1e-9

    def longest_operation_s(self) -> float:
        """What is left of the wait."""
        return max(self._until_s - self.world.now_s, 0.0)
