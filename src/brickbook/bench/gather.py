"""Readings of all instruments of a task, one set after another; a void one is noted, a lost instrument ends the run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from brickbook.bench.driver import Driver
from brickbook.bench.errors import BenchError, LinkError, Trip, Tripped
from brickbook.bench.stand import Stand
from brickbook.core.instrument import Instrument
from brickbook.core.quantities import column_name, quantity_of

__all__ = ["Gatherer", "Source", "sources_for"]

Reading = dict[str, float | None]

_LOST_AFTER_S = 10.0  # bench time without a reading after which an instrument counts as lost
_LOST_AFTER_FAILURES = 3


@dataclass(frozen=True, slots=True)
class Source:
    """One instrument's part of each set of readings.

    Parameters
    ----------
    driver
        Of the instrument.
    columns
        What it gives.
    read
        Asks it.
    """

    driver: Driver
    columns: tuple[str, ...]
    read: Callable[[], Reading]


@dataclass(slots=True)
class Gatherer:
    """Asks the sources in turn.

    Parameters
    ----------
    sources
        In order.
    now_s
        Bench time [s].
    after_trouble
        Is told the driver once its link has been opened anew: what it was set to has to be made sure of.
    note
        Is told words for the journal.
    """

    sources: Sequence[Source]
    now_s: Callable[[], float]
    after_trouble: Callable[[Driver], None] = lambda _driver: None
    note: Callable[[str], None] = lambda _text: None
    enlarged: bool = False  # whether a meter has been put on a larger range
    _good_s: dict[str, float] = field(default_factory=dict)
    _failures: dict[str, int] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns, in order."""
        return tuple(column for source in self.sources for column in source.columns)

    @property
    def instrument_of(self) -> dict[str, str]:
        """Column to instrument."""
        return {column: source.driver.name for source in self.sources for column in source.columns}

    def read(self, now_s: float) -> Reading:
        """One set of readings; `None` where there is none.

        Raises
        ------
        Tripped
            When an instrument has not given a reading for too long.
        """
        values: Reading = {}
        for source in self.sources:
            name = source.driver.name
            try:
                found = source.read()
            except LinkError as error:
                self._failed(source, error, now_s)
                values |= dict.fromkeys(source.columns)
                continue
            self._good_s[name], self._failures[name] = now_s, 0
            values |= {column: found.get(column) for column in source.columns}
            if any(found.get(column) is None for column in source.columns):
                self._overrange(source, found)
        return values

    def _failed(self, source: Source, error: LinkError, now_s: float) -> None:
        name = source.driver.name
        self._failures[name] = self._failures.get(name, 0) + 1
        since = now_s - self._good_s.setdefault(name, now_s)
        if self._failures[name] >= _LOST_AFTER_FAILURES or since > _LOST_AFTER_S:
            text = f"{name} is lost: {self._failures[name]} questions in turn without a reading ({error.problem})"
            raise Tripped(Trip("lost instrument", _LOST_AFTER_S, since, name, text)) from error
        try:
            self.after_trouble(source.driver)
        except LinkError as second:
            self._failures[name] += 1
            self.note(f"{name}: {second.problem}")

    def _overrange(self, source: Source, found: Reading) -> None:
        """A number that is none: errors are asked for, and a power meter is given a larger range where that helps."""
        driver = source.driver
        missing = [column for column in source.columns if found.get(column) is None]
        try:
            driver.errors()
            if "mains_power_w" in missing and driver.can("set_range"):
                self._larger_range(driver)
        except BenchError as error:
            self.note(f"{driver.name}: {error}")

    def _larger_range(self, driver: Driver) -> None:
        now = driver.numbers("read_range")["power_w"] if driver.can("read_range") else None
        ranges = sorted(
            line.range_max for line in driver.instrument.accuracy if line.quantity == "mains_power_w" and line.range_max
        )
        larger = [one for one in ranges if now is None or one > now * 1.001]
        if larger:
            self.enlarged = True
            driver.do("set_range", power_w=float(larger[0] if now is not None else larger[-1]))
            self.note(f"{driver.name}: over its range, now on {larger[0] if now is not None else larger[-1]:g} W")
        elif driver.can("auto_range"):
            driver.do("auto_range")


def sources_for(
    stand: Stand, ports: Sequence[str], *, mains: bool, harmonics: bool, temperatures: bool
) -> list[Source]:
    """What a task reads: the mains side first, then ports, then temperatures; a port's own meter goes before its load.

    Parameters
    ----------
    stand
        The bench.
    ports
        That are used.
    mains, harmonics, temperatures
        Whether the task looks at them.
    """
    found: list[Source] = []
    meter = stand.meter
    if meter is not None and mains:
        columns = (*meter.columns, *(meter.harmonic_columns if harmonics else ()))
        found.append(Source(meter.driver, columns, lambda: meter.read(harmonics=harmonics)))
    better: set[str] = set()
    for one in reversed(stand.meters):
        own = [p for p in ports if p in one.channels]
        columns = tuple(column for column in _port_columns(one.driver, own) if column not in better)
        better |= set(columns)
        if columns:
            found.append(Source(one.driver, columns, lambda one=one, own=own: one.read(own)))  # type: ignore[misc]
    for load in stand.loads:
        own = [p for p in ports if p in load.channels]
        columns = tuple(column for column in _port_columns(load.driver, own) if column not in better)
        if columns:
            found.append(Source(load.driver, columns, lambda load=load, own=own: load.read(own)))  # type: ignore[misc]
    logger = stand.logger
    if logger is not None and temperatures:
        found.append(Source(logger.driver, logger.columns, logger.read))
    return found


def hand_columns(
    by_hand: Mapping[str, Instrument], read: Sequence[str], ports: Sequence[str], *, mains: bool
) -> dict[str, str]:
    """Column to instrument of what has to be read by hand at the end of each step: what no source gives."""
    wanted: dict[str, str] = {}
    for name, instrument in by_hand.items():
        if instrument.role not in ("ac-power-meter", "dc-load", "dc-meter", "voltmeter", "temperature-logger"):
            continue
        for quantity in dict.fromkeys(line.quantity for line in instrument.accuracy):
            places = [p for p in ports if not instrument.channels or p in instrument.channels]
            if quantity in ("mains_power_w", "mains_voltage_v", "mains_current_a", "mains_pf") and mains:
                columns = [quantity]
            elif quantity in ("port_voltage_v", "port_current_a"):
                columns = [column_name(quantity, place) for place in places]
            elif quantity == "temperature_c":
                columns = [column_name(quantity, place) for place in instrument.channels if place != "ambient"]
            else:
                continue
            wanted |= {c: name for c in columns if c not in read and c not in wanted}
    return wanted


def _port_columns(driver: Driver, ports: Sequence[str]) -> tuple[str, ...]:
    quantities = ["port_voltage_v", *(["port_current_a"] if driver.can("read_current") else [])]
    return tuple(column_name(quantity, port) for quantity in quantities for port in ports)


def missing_roles(columns: Sequence[str]) -> str:
    """In words, what a log without these columns lacks; empty when it has all."""
    have = {quantity_of(column) for column in columns}
    lacks = [words for quantity, words in _NEEDED.items() if quantity not in have]
    return ", ".join(lacks)


_NEEDED = {"mains_power_w": "mains power", "port_voltage_v": "output voltage", "port_current_a": "output current"}
