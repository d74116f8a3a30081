"""What all simulated instruments share: identity, channels, the time a measurement takes, and a way to be stuck."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from typing import ClassVar

from brickbook.core.instrument import Instrument
from brickbook.simbench.readings import ReadingErrors
from brickbook.simbench.scpi import Answer, Pending, ScpiDevice, ScpiError, channels
from brickbook.simbench.table import CommandTable, TableEar
from brickbook.simbench.world import PortState, World

__all__ = ["LATENCY_S", "Device", "exactly"]

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
        self.stuck: dict[str, str] | None = None  # answers it gives again and again
        self.last_answers: dict[str, str] = {}
        self.ear: TableEar | None = None  # where it is of another kind
        self.terminator = b"\n"
        self.build()

    def speak_as(self, table: CommandTable) -> None:
        """Be of another kind: other words, other units, other line ends."""
        self.ear, self.terminator = TableEar(table, self), table.terminator.encode()

    def hear(self, line: str) -> Generator[Pending, None, bytes]:
        """Carry out one line in the words of its kind; as `run`."""
        return self.run(line) if self.ear is None else self.ear.run(line)

    def build(self) -> None:
        """Say which commands there are."""

    def measure(self, pattern: str, answer: Callable[[list[str]], str]) -> None:
        """A query that takes the instrument's time and may be stuck at its last answer."""

        def now(arguments: list[str]) -> str:
            key = pattern + ",".join(arguments)
            if self.stuck is not None and key in self.stuck:
                return self.stuck[key]
            text = self.last_answers[key] = answer(arguments)
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
