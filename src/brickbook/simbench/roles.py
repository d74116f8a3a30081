"""The instruments' command sets over the shared world: source, meter, load, logger, sink and clock.

Each measuring query takes its instrument's time (`LATENCY_S`), as in life; settings act at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import ClassVar

from brickbook.core.instrument import Instrument
from brickbook.simbench.offers import legacy_modes
from brickbook.simbench.readings import NAN, ReadingErrors
from brickbook.simbench.scpi import Answer, Pending, ScpiDevice, ScpiError, boolean, channels, number, numbers
from brickbook.simbench.world import PortState, World

__all__ = ["LATENCY_S", "BenchClock", "Device", "device_for"]

LATENCY_S: Mapping[str, float] = {
    "ac-source": 0.005,
    "ac-power-meter": 0.020,
    "dc-load": 0.005,
    "voltmeter": 0.010,
    "temperature-logger": 0.020,
    "pd-sink": 0.010,
    "message-recorder": 0.005,
    "oscilloscope": 0.005,
    "clock": 0.0,
}
"""Bench time that one measuring query takes, by role [s]; common practice, no source."""

_ORDERS = 13


class Device(ScpiDevice):
    """An instrument on the bench.

    Parameters
    ----------
    name, instrument
        As in bench.toml, with its channels.
    world
        What it looks at.
    errors
        How it errs.
    """

    role: ClassVar[str] = ""

    def __init__(self, name: str, instrument: Instrument, world: World, errors: ReadingErrors) -> None:
        serial = instrument.serial or "0"
        super().__init__(f"Quillmere Instruments (invented),SIM-{self.role.upper()},{serial},1.0")
        self.name = name
        self.world = world
        self.errors = errors
        self.latency_s = LATENCY_S[self.role]
        self.places = {channel: place for place, channel in instrument.channels.items()}
        self.stuck: dict[str, str] | None = None
        self.build()

    def build(self) -> None:
        """Say which commands there are."""

    def measure(self, pattern: str, answer: Callable[[list[str]], str]) -> None:
        """A query that takes the instrument's time and may be stuck at its last answer."""

        def now(arguments: list[str]) -> str:
            key = pattern + ",".join(arguments)
            if self.stuck is not None and key in self.stuck:
                return self.stuck[key]
            text = answer(arguments)
            if self.stuck is not None:
                self.stuck[key] = text
            return text

        def later(arguments: list[str]) -> Answer:
            return Pending(self.latency_s, None, lambda: now(arguments)) if self.latency_s else now(arguments)

        self.command(pattern, later)

    def place(self, channel: str) -> str:
        """What is connected to a channel; raises `ScpiError` -224."""
        if channel not in self.places:
            raise ScpiError(-224, f"channel {channel} is not there")
        return self.places[channel]

    def listed(self, arguments: list[str], at: int = 0) -> list[str]:
        """Places of the channel list at a position of the parameters; raises `ScpiError` -109, -171, -224."""
        if len(arguments) <= at:
            raise ScpiError(-109, "a channel list such as (@1)")
        return [self.place(channel) for channel in channels(arguments[at])]

    def port(self, place: str) -> PortState:
        """A port of the world; raises `ScpiError` -224."""
        if place not in self.world.ports:
            raise ScpiError(-224, f"{place} is no port")
        return self.world.ports[place]


def exactly(arguments: list[str], count: int) -> list[str]:
    """The parameters, when there are as many as wanted; raises `ScpiError` -109 or -108."""
    if len(arguments) < count:
        raise ScpiError(-109)
    if len(arguments) > count:
        raise ScpiError(-108)
    return arguments


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


class PdSink(Device):
    """A device at the end of each port's cable that asks for what it is told to."""

    role = "pd-sink"

    def build(self) -> None:
        """SINK:ATT, SINK:CAP?, SINK:REQ, SINK:CONT?, SINK:LEG?."""
        self.command("SINK:ATTach", self._attach)
        self.command("SINK:ATTach?", lambda a: ",".join("1" if self.port(p).attached else "0" for p in self.listed(a)))
        self.command("SINK:CAPabilities?", self._capabilities)
        self.command("SINK:REQuest", self._request)
        self.measure("SINK:CONTract?", self._contract)
        self.command("SINK:LEGacy?", self._legacy)

    def reset(self) -> None:
        """Nothing attached."""
        for place in self.places.values():
            if place in self.world.ports:
                self.world.detach(place)

    def idle(self) -> bool:
        """Whether no port negotiates."""
        return not any(self._busy(place) for place in self.places.values())

    def longest_operation_s(self) -> float:
        """Three seconds."""
        return 3.0

    def _busy(self, place: str) -> bool:
        state = self.world.ports.get(place)
        return state is not None and (not self.world.sessions[place].quiet or state.ramp[2] > self.world.now_s)

    def _attach(self, arguments: list[str]) -> None:
        on, ports = boolean(exactly(arguments, 2)[0]), self.listed(arguments, 1)
        for port in ports:
            self.port(port)
            (self.world.attach if on else self.world.detach)(port)

    def _one(self, arguments: list[str], at: int = 0) -> str:
        ports = self.listed(arguments, at)
        if len(ports) != 1:
            raise ScpiError(-224, "one channel at a time")
        self.port(ports[0])
        return ports[0]

    def _capabilities(self, arguments: list[str]) -> Answer:
        port = self._one(arguments)
        session = self.world.sessions[port]

        def words() -> str:
            return ",".join(f"0x{offer.word:08X}" for offer in session.offers) if session.offers else "NONE"

        return Pending(3.0, lambda: not self._busy(port), words)

    def _request(self, arguments: list[str]) -> None:
        port = self._one(exactly(arguments, 4), 3)
        state, session = self.port(port), self.world.sessions[port]
        most = len(session.offers) if state.port.is_pd else len(legacy_modes(state.port, math.inf))
        if not state.attached or most == 0:
            raise ScpiError(-221, "nothing has been offered")
        position = int(number(arguments[0], 1, most))
        volts = number(arguments[1], 0, 60_000) / 1000
        amps = number(arguments[2], 0, 5_000) / 1000
        if state.port.is_pd:
            offer = session.offers[position - 1]
            if not offer.word:
                raise ScpiError(-222, f"place {position} of the list is empty")
            if offer.kind == "fixed" and volts and abs(volts - offer.max_v) > 1e-6:
                raise ScpiError(-222, f"place {position} is {offer.max_v:g} V, not {volts:g} V")
            step = 50 if offer.kind == "pps" else 10
            volts = round(volts * step) / step
        session.ask(position, volts, amps)

    def _contract(self, arguments: list[str]) -> str:
        port = self._one(arguments)
        state = self.port(port)
        if state.contract is not None:
            contract = state.contract
            return f"{contract.offer.position},{round(contract.volts * 1000)},{round(contract.amps * 1000)}"
        if state.attached and state.mode_v:
            return f"0,{round(state.mode_v * 1000)},{round(self.world.offered_a(state) * 1000)}"
        return "0,0,0"

    def _legacy(self, arguments: list[str]) -> Answer:
        port = self._one(arguments)
        state = self.port(port)

        def modes() -> str:
            found = legacy_modes(state.port, state.allotted_w or state.port.nameplate_w)
            return '"' + ";".join(f"{volts:g} V {amps:g} A" for volts, amps in found) + '"'

        return Pending(0.5, None, modes)


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


_ROLES: Mapping[str, type[Device]] = {
    kind.role: kind for kind in (AcSource, PowerMeter, DcLoad, TemperatureLogger, PdSink, BenchClock)
}


def device_for(name: str, instrument: Instrument, world: World, errors: ReadingErrors) -> Device | None:
    """The simulated instrument for a role; `None` for roles that are read by hand."""
    kind = _ROLES.get(instrument.role)
    return None if kind is None else kind(name, instrument, world, errors)
