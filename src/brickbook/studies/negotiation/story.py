"""What happened on each port of a recording: messages, plug events and VBUS on one clock, judged by `usbpd`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from brickbook.core.instrument import Instrument
from brickbook.core.quantities import channel_of, column_name, quantity_of
from brickbook.core.table import Recording, Rows, Table
from brickbook.studies.negotiation.clocks import Clock
from brickbook.studies.negotiation.wire import WireLog, read_wire
from brickbook.usbpd import (
    Contract,
    ContractEnded,
    ContractMade,
    MessageLog,
    NegotiationKind,
    NeighbourEvent,
    NeighbourKind,
    PortTimeline,
    RebootCriterion,
    Renegotiation,
    StampSettings,
    TimerMeasurement,
    VbusTrace,
    analyse_port,
    vbus_trace,
)

__all__ = ["Criteria", "PortStory", "Story", "Trace", "tell"]

PLUGGED = "plugged"  # the column of `readers.messages`


@dataclass(frozen=True, slots=True)
class Criteria:
    """What the index states about the device, the recorder and attribution.

    Parameters
    ----------
    threshold_v, hold_up_s
        A device without a battery reboots when its supply stays below the threshold [V] for longer than this [s].
    window_s
        Longest time from a plug or unplug to the start of a negotiation it may have caused [s].
    at_frame_end
        Whether the recorder stamps the ends of frames.
    """

    threshold_v: float = 4.0
    hold_up_s: float = 0.010
    window_s: float = 5.0
    at_frame_end: bool = False


@dataclass(frozen=True, slots=True)
class Trace:
    """VBUS of one port: the readings that are there, and the file they come from."""

    vbus: VbusTrace
    table: Table
    column: str

    @property
    def interval_s(self) -> float:
        """Longest time between two readings [s]."""
        return float(np.diff(self.vbus.time_s).max()) if len(self.vbus.time_s) > 1 else float("inf")

    def covers(self, start_s: float, end_s: float) -> bool:
        """Whether there are readings on both sides of a stretch."""
        return bool(len(self.vbus.time_s)) and self.vbus.time_s[0] <= start_s and end_s <= self.vbus.time_s[-1]

    def rows(self, start_s: float, end_s: float) -> Rows:
        """The readings of a stretch."""
        time = self.table.columns["time_s"]
        return self.table.rows((time >= start_s) & (time <= end_s), self.column)


@dataclass(frozen=True, slots=True)
class PortStory:
    """One port: its log, what `usbpd` makes of it, its VBUS, and when its own plug was pulled [s].

    `renegotiations` are those of the timeline, save that what follows the pulling of the port's own plug is no
    interruption: it counts as a first contract. `at_frame_end` tells what the log's stamps mark. `wire` is there when
    the log was read off a capture, whose clock is its own.
    """

    port: str
    table: Table
    log: MessageLog
    timeline: PortTimeline
    renegotiations: tuple[Renegotiation, ...]
    trace: Trace | None
    unplugs: tuple[float, ...]
    at_frame_end: bool = False
    wire: WireLog | None = None

    @property
    def contracts(self) -> tuple[tuple[float, Contract | None], ...]:
        """From when on [s] which contract was in force; `None` for none. Pulling the plug ends one, seen or not."""
        changes: list[tuple[float, Contract | None]] = [(time_s, None) for time_s in self.unplugs]
        for event in self.timeline.history.events:
            if isinstance(event, ContractMade):
                changes.append((event.time_s, event.contract))
            elif isinstance(event, ContractEnded):
                changes.append((event.time_s, None))
        return tuple(sorted(changes, key=lambda change: change[0]))

    @property
    def timers(self) -> tuple[TimerMeasurement, ...]:
        """Every time measured: of the timeline, and the gaps that only the wire shows."""
        return self.timeline.timers + (self.wire.gaps if self.wire is not None else ())

    def contract_at(self, time_s: float) -> Contract | None:
        """The contract in force at a time."""
        have: Contract | None = None
        for since_s, contract in self.contracts:
            if since_s > time_s:
                break
            have = contract
        return have

    def rows(self, start_s: float, end_s: float) -> Rows:
        """The log's rows of this port within a stretch, and a frame's length more at each end."""
        mine = self._mine()
        near = mine & (self.log.time_s >= start_s - 0.002) & (self.log.time_s <= end_s + 0.002)
        return self.table.rows(near, "time_s")

    def row(self, row: int) -> Rows:
        """One row of the log; the whole file where the row is not known."""
        line = int(self.log.line[row]) if row >= 0 else 0
        return Rows(self.table.raw, line, line)

    def _mine(self) -> NDArray[np.bool_]:
        return np.asarray(self.log.port == self.log.ports.index(self.port))


@dataclass(frozen=True, slots=True)
class Story:
    """A recording told."""

    recording: Recording
    criteria: Criteria
    events: tuple[NeighbourEvent, ...]
    event_table: Table | None
    ports: tuple[PortStory, ...]

    def neighbours_of(self, port: PortStory) -> tuple[NeighbourEvent, ...]:
        """Events on the other ports; none for a port read off a capture, whose clock knows nothing of them."""
        return tuple(event for event in self.events if event.port != port.port and port.wire is None)


def tell(recording: Recording, instruments: Mapping[str, Instrument] | None = None) -> Story:
    """Tell a recording.

    Parameters
    ----------
    recording
        At least one table with messages; a table with `plugged@<port>` columns and tables with `port_voltage_v@<port>`
        where there are such.
    instruments
        Of bench.toml, for the recorder's own error in the protocol's verdicts; without them stamps count as exact.

    Raises
    ------
    KeyError
        When there is no message log, or two logs of one port.
    ValueError
        When messages or VBUS readings cannot be used (`usbpd.UsbPdError` says which), or a condition is out of range.
    """
    wires = [wire for capture in recording.captures for wire in read_wire(capture)]
    tables = [table for table in recording.tables if isinstance(table.messages, MessageLog)]
    tables += [wire.messages for wire in wires if len(wire.messages)]
    if not tables:
        raise KeyError(
            'there is no message log in this recording, and no capture with messages on a channel "voltage_v@CC C1"'
        )
    criteria = _criteria(recording)
    event_tables = [t for t in recording.tables if any(quantity_of(c) == PLUGGED for c in t.columns)]
    if len(event_tables) > 1:
        raise KeyError("two files of the recording hold plug events; put them into one")
    events = _events(event_tables[0]) if event_tables else ()
    ports: list[PortStory] = []
    for table in tables:
        assert isinstance(table.messages, MessageLog)
        log = replace(table.messages, time_s=table.columns["time_s"])
        error_s = 0.0
        if instruments is not None:
            try:
                error_s = 2 * Clock(table, "message", instruments).own_error_s(float(log.time_s[-1]))
            except KeyError:
                error_s = 0.0
        for port in log.ports:
            if any(told.port == port for told in ports):
                raise KeyError(f"two message logs of the recording hold port {port!r}")
            wire = next((one for one in wires if one.messages is table), None)
            # a capture keeps its own clock: only its own VBUS goes with its messages, and no plug events
            at_end = criteria.at_frame_end and wire is None
            trace = _trace(recording.tables if wire is None else (wire.vbus,), port)
            timeline = analyse_port(
                log,
                port,
                vbus=None if trace is None else trace.vbus,
                neighbours=[event for event in events if event.port != port and wire is None],
                neighbour_window_s=criteria.window_s,
                criterion=RebootCriterion(criteria.threshold_v, criteria.hold_up_s),
                stamps=StampSettings(at_frame_end=at_end, uncertainty_s=error_s),
            )
            pulled = (e.time_s for e in events if e.port == port and e.kind is NeighbourKind.UNPLUG)
            unplugs = tuple(pulled) if wire is None else ()
            again = _explained(timeline, unplugs)
            ports.append(PortStory(port, table, log, timeline, again, trace, unplugs, at_end, wire))
    ports.sort(key=lambda told: told.port)
    return Story(recording, criteria, events, event_tables[0] if event_tables else None, tuple(ports))


def _explained(timeline: PortTimeline, unplugs: Sequence[float]) -> tuple[Renegotiation, ...]:
    """Renegotiations, those that a pulled plug explains turned into first contracts, or left out where nothing came.

    On the wire a pulled plug looks like a supply that was cut, or, without a trace of VBUS, like a new offer.
    """
    found: list[Renegotiation] = []
    for one in timeline.renegotiations:
        had = one.negotiation
        begin_s = had.first_capabilities_s if had.first_capabilities_s is not None else had.start_s
        pulled = had.before is not None and any(had.before.start_s < time_s < begin_s for time_s in unplugs)
        if not pulled or had.kind not in (NegotiationKind.SUPPLY_RESTART, NegotiationKind.SOURCE_OFFER):
            found.append(one)
        elif had.first_capabilities_s is not None:
            anew = replace(had, kind=NegotiationKind.FIRST_CONTRACT, start_s=begin_s, before=None)
            found.append(Renegotiation(anew, None, str(anew.kind), anew.end_s - begin_s, None, None, None))
    return tuple(found)


def _criteria(recording: Recording) -> Criteria:
    given = recording.conditions
    numbers = {
        name: given.number(key)
        for name, key in (
            ("threshold_v", "reboot_threshold_v"),
            ("hold_up_s", "hold_up_s"),
            ("window_s", "neighbour_window_s"),
        )
        if key in given
    }
    for name, value in numbers.items():
        if not 0 <= value < 1000:
            raise ValueError(f"condition for {name} is {value:g}; expected a number from 0 to below 1000")
    stamps = str(given.get("stamps", "frame start"))
    if stamps not in ("frame start", "frame end"):
        raise ValueError(f'condition stamps is {stamps!r}; expected "frame start" or "frame end"')
    usual = Criteria()
    return Criteria(
        numbers.get("threshold_v", usual.threshold_v),
        numbers.get("hold_up_s", usual.hold_up_s),
        numbers.get("window_s", usual.window_s),
        stamps == "frame end",
    )


def _events(table: Table) -> tuple[NeighbourEvent, ...]:
    found = [
        NeighbourEvent(
            float(table.columns["time_s"][row]),
            NeighbourKind.PLUG if state == 1.0 else NeighbourKind.UNPLUG,
            channel_of(column),
        )
        for column, states in table.columns.items()
        if quantity_of(column) == PLUGGED
        for row, state in enumerate(states.tolist())
        if np.isfinite(state)
    ]
    return tuple(sorted(found, key=lambda event: event.time_s))


def _trace(tables: Sequence[Table | None], port: str) -> Trace | None:
    column = column_name("port_voltage_v", port)
    table = next((table for table in tables if table is not None and table.has(column)), None)
    if table is None or "time_s" not in table.columns:
        return None
    time, voltage = table.columns["time_s"], table.columns[column]
    good = np.isfinite(voltage) & np.isfinite(time)
    time, voltage = time[good], voltage[good]
    # of rows with one time the first stays: a trace must rise in time
    rising = np.concatenate(([True], np.diff(time) > 0)) if len(time) else np.zeros(0, dtype=np.bool_)
    return Trace(vbus_trace(time[rising], voltage[rising]), table, column)
