"""All instruments of a bench, opened and told apart by role."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from brickbook.bench.clock import BenchClock, Clock, WallClock
from brickbook.bench.dialect import Dialect, find_dialect
from brickbook.bench.driver import Driver
from brickbook.bench.errors import BenchError, DialectError
from brickbook.bench.instruments import (
    AcPowerMeter,
    AcSource,
    DcLoad,
    DcMeter,
    MessageRecorder,
    PdSink,
    TemperatureLogger,
    Voltmeter,
)
from brickbook.bench.link import Link, LinkSettings, VisaLink
from brickbook.bench.roles import OPERATIONS
from brickbook.bench.scope import Oscilloscope
from brickbook.core.errors import Fault
from brickbook.core.instrument import Instrument

__all__ = ["LinkMaker", "Stand", "bench_faults", "close_all", "open_drivers"]

LinkMaker = Callable[[str, str, LinkSettings], Link]
Report = Callable[[str, str], None]

_SIMULATED = "SIM-"  # what the model of a simulated instrument begins with
_AT_MOST_ONE = ("ac-source", "ac-power-meter", "clock", "message-recorder", "oscilloscope")


@dataclass(frozen=True, slots=True)
class Stand:
    """The instruments of a bench by role.

    Parameters
    ----------
    drivers
        Name to driver, of all that are spoken to.
    by_hand
        Name to instrument, of those without an address.
    clock
        Where time comes from.
    """

    drivers: Mapping[str, Driver]
    by_hand: Mapping[str, Instrument]
    clock: Clock = field(default_factory=WallClock)

    @property
    def is_simulated(self) -> bool:
        """Whether every instrument that is spoken to is on this machine and says that it is simulated, a clock too."""
        return isinstance(self.clock, BenchClock) and all(_is_simulated(driver) for driver in self.drivers.values())

    @property
    def idn(self) -> dict[str, str]:
        """Name to what it says it is; "by hand" for those without an address."""
        return {name: d.idn for name, d in self.drivers.items()} | dict.fromkeys(self.by_hand, "by hand")

    def _of(self, role: str) -> list[Driver]:
        return [driver for driver in self.drivers.values() if driver.instrument.role == role]

    def hand_of(self, role: str) -> str:
        """Name of the first instrument of a role that is worked by hand; empty where there is none."""
        return next((name for name, instrument in self.by_hand.items() if instrument.role == role), "")

    @property
    def source(self) -> AcSource | None:
        """The mains supply."""
        return next((AcSource(driver) for driver in self._of("ac-source")), None)

    @property
    def meter(self) -> AcPowerMeter | None:
        """The meter on the mains side."""
        return next((AcPowerMeter(driver) for driver in self._of("ac-power-meter")), None)

    @property
    def loads(self) -> tuple[DcLoad, ...]:
        """Loads."""
        return tuple(DcLoad(driver) for driver in self._of("dc-load"))

    @property
    def meters(self) -> tuple[DcMeter | Voltmeter, ...]:
        """Meters at ports, the plain voltmeters last; those without channels are read by nobody."""
        meters = [DcMeter(driver) for driver in self._of("dc-meter") if driver.instrument.channels]
        return (*meters, *(Voltmeter(driver) for driver in self._of("voltmeter") if driver.instrument.channels))

    @property
    def logger(self) -> TemperatureLogger | None:
        """The temperature logger with channels."""
        return next((TemperatureLogger(d) for d in self._of("temperature-logger") if d.instrument.channels), None)

    @property
    def scope(self) -> Oscilloscope | None:
        """The oscilloscope."""
        return next((Oscilloscope(driver) for driver in self._of("oscilloscope")), None)

    @property
    def recorder(self) -> MessageRecorder | None:
        """The recorder of messages."""
        return next((MessageRecorder(driver) for driver in self._of("message-recorder")), None)

    def load(self, port: str) -> DcLoad | None:
        """The load at a port."""
        return next((load for load in self.loads if port in load.channels), None)

    def sink(self, port: str) -> PdSink | None:
        """The sink at a port."""
        return next((PdSink(d) for d in self._of("pd-sink") if port in d.instrument.channels), None)

    @property
    def sinks(self) -> tuple[PdSink, ...]:
        """All sinks."""
        return tuple(PdSink(driver) for driver in self._of("pd-sink"))

    def close(self) -> None:
        """Let go of all."""
        close_all(self.drivers.values())


def bench_faults(
    instruments: Mapping[str, Instrument], folder: Path | None, ports: Iterable[str] = (), file: str = "bench.toml"
) -> tuple[dict[str, Dialect], list[Fault]]:
    """Dialect of each instrument that is spoken to, and all that can be told to be wrong without speaking to any.

    Parameters
    ----------
    instruments
        Of bench.toml.
    folder
        Of bench.toml, for dialects of the tester's own.
    ports
        Of the charger: each channel's port must be one of them; none given, none looked at.
    """
    faults: list[Fault] = []
    dialects: dict[str, Dialect] = {}
    known = tuple(ports)
    seen: dict[str, str] = {}
    places: dict[tuple[str, str], str] = {}
    for name, instrument in instruments.items():
        place = f"instruments.{name}"
        if not instrument.address:
            continue
        first = seen.setdefault(instrument.address, name)
        if first != name:
            faults.append(Fault(file, f"{place}.address", f"is that of {first} as well.", "One address, one name."))
        if instrument.role not in OPERATIONS:
            problem = f"a {instrument.role} is not spoken to."
            faults.append(Fault(file, f"{place}.address", problem, f"Roles: {', '.join(OPERATIONS)}."))
            continue
        wanted = instrument.dialect or f"scpi-{instrument.role}"
        try:
            dialects[name] = find_dialect(wanted, folder)
        except DialectError as error:
            faults += [Fault(file, f"{place}.dialect", str(fault), "") for fault in error.faults]
            continue
        if dialects[name].role != instrument.role:
            problem = f'"{wanted}" is for a {dialects[name].role}, the instrument is a {instrument.role}.'
            faults.append(Fault(file, f"{place}.dialect", problem, "Correct one of them."))
        for channel_place in instrument.channels:
            if known and instrument.role in ("dc-load", "dc-meter", "voltmeter", "pd-sink", "message-recorder"):
                first = places.setdefault((instrument.role, channel_place), name)
                if first != name:
                    problem = f"{channel_place} is at {first} as well."
                    faults.append(Fault(file, f"{place}.channels", problem, "One port, one channel."))
        twice = sorted({c for c in instrument.channels.values() if list(instrument.channels.values()).count(c) > 1})
        if twice:
            problem = f'channel "{twice[0]}" stands for two places.'
            faults.append(Fault(file, f"{place}.channels", problem, "One channel, one place."))
    for role in _AT_MOST_ONE:
        several = [name for name, i in instruments.items() if i.role == role and i.address]
        if len(several) > 1:
            problem = f"{' and '.join(several)} are both {role}s with an address."
            faults.append(Fault(file, "instruments", problem, "Take the address away from one."))
    return dialects, faults


def open_drivers(
    instruments: Mapping[str, Instrument],
    dialects: Mapping[str, Dialect],
    *,
    report: Report,
    make_link: LinkMaker = VisaLink,
) -> tuple[Stand, list[Fault]]:
    """Open and identify all instruments that are spoken to; nothing is switched.

    Parameters
    ----------
    instruments
        Of bench.toml.
    dialects
        Of those that are spoken to.
    report
        Is told instrument and text of each error.
    make_link
        Makes the line to an address.

    Returns
    -------
    tuple
        Those that answer, and a fault for each that does not.
    """
    drivers: dict[str, Driver] = {}
    faults: list[Fault] = []
    for name, dialect in dialects.items():
        instrument = instruments[name]
        link: Link | None = None
        try:
            link = make_link(name, instrument.address, dialect.link)
            driver = Driver(name, instrument, dialect, link, report)
            driver.identify()
            driver.start()
        except BenchError as error:
            faults += error.faults
            if link is not None:
                link.close()
            continue
        drivers[name] = driver
    by_hand = {name: i for name, i in instruments.items() if not i.address}
    clock = next((BenchClock(d) for d in drivers.values() if d.instrument.role == "clock"), None)
    return Stand(drivers, by_hand, clock or WallClock()), faults


def close_all(drivers: Iterable[Driver]) -> None:
    """Let go of instruments."""
    for driver in drivers:
        driver.close()


def _is_simulated(driver: Driver) -> bool:
    model = [*driver.idn.split(","), ""][1].strip()
    return model.startswith(_SIMULATED) and "::127.0.0.1::" in driver.instrument.address
