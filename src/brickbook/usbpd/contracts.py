"""One port's messages and VBUS, turned into events, contracts, negotiations and timings."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from brickbook.usbpd.delivery import Delivery, match_good_crc
from brickbook.usbpd.events import (
    Contract,
    Event,
    Negotiation,
)
from brickbook.usbpd.machine import PortMachine, StampSettings
from brickbook.usbpd.messages import (
    Sender,
    Sop,
)
from brickbook.usbpd.records import LoggedMessage, MessageLog
from brickbook.usbpd.timers import TimerMeasurement
from brickbook.usbpd.vbus import SAFE_0V_MAX_V, SAFE_5V_MIN_V, VbusTrace


@dataclass(frozen=True, slots=True)
class ContractHistory:
    """Everything read out of one port's messages, in order of time.

    ``undelivered_count`` counts frames without GoodCRC and ``repeat_count`` the repeats among all
    frames; ``refresh_count`` counts requests that asked for the contract in force again, as a PPS
    sink does. ``no_partner`` tells that capabilities were sent and never acknowledged.
    """

    port: str
    events: tuple[Event, ...]
    contracts: tuple[Contract, ...]
    negotiations: tuple[Negotiation, ...]
    timers: tuple[TimerMeasurement, ...]
    undelivered_count: int
    repeat_count: int
    refresh_count: int
    no_partner: bool


def read_contracts(
    log: MessageLog,
    port: str,
    *,
    vbus: VbusTrace | None = None,
    stamps: StampSettings | None = None,
) -> ContractHistory:
    """Run one port's messages through the state machine.

    Parameters
    ----------
    log
        Message log.
    port
        Name of the port.
    vbus
        VBUS of the port on the log's clock; tells attach, loss and return of VBUS.
    stamps
        What the log's time stamps mean; the start of frames, exact, when ``None``.

    Returns
    -------
    ContractHistory
        Events, contracts, negotiations and judged timers.

    Raises
    ------
    LogError
        If the log has no such port.
    """
    machine = PortMachine(stamps or StampSettings())
    delivery = match_good_crc(log)
    marks = list(_vbus_marks(vbus)) if vbus is not None else []
    if vbus is not None and vbus.time_s.size:
        machine.vbus_span_s = (float(vbus.time_s[0]), float(vbus.time_s[-1]))
    for entry in _acted_on(log, port, delivery, machine):
        while marks and marks[0][0] <= entry.time_s:
            mark = marks.pop(0)
            machine.vbus(mark[0], there=mark[1], at_start=mark[2])
        answered = int(delivery.answered_by[entry.index])
        good_crc_s = float(log.time_s[answered]) if answered >= 0 else None
        machine.take(entry, good_crc_s)
    for mark in marks:
        machine.vbus(mark[0], there=mark[1], at_start=mark[2])
    machine.finish()
    rows = log.rows_of(port)
    quiet = ~delivery.delivered[rows] & ~delivery.is_good_crc[rows] & ~log.is_reset[rows]
    events = sorted(machine.events, key=lambda event: event.time_s)
    return ContractHistory(
        port,
        tuple(events),
        tuple(machine.contracts),
        tuple(machine.negotiations),
        tuple(sorted(machine.timers, key=lambda timer: timer.start_s)),
        int(np.count_nonzero(quiet)),
        int(np.count_nonzero(delivery.attempt[rows])),
        machine.refresh_count,
        machine.unanswered_offers >= 3 and not machine.heard,
    )


def _vbus_marks(trace: VbusTrace) -> Iterator[tuple[float, bool, bool]]:
    """Times at which VBUS is lost (false) or there (true), and whether only the trace starts there."""
    if trace.time_s.size == 0:
        return
    time = float(trace.time_s[0])
    there = bool(trace.voltage_v[0] >= SAFE_5V_MIN_V)
    if there:
        yield time, True, True
    while True:
        found = trace.first_below(SAFE_0V_MAX_V, time) if there else trace.first_above(SAFE_5V_MIN_V, time)
        if found is None:
            return
        there = not there
        time = found
        yield time, there, False


def _acted_on(log: MessageLog, port: str, delivery: Delivery, machine: PortMachine) -> Iterator[LoggedMessage]:
    """Frames the other side acts on: delivered, and not a repeat of one that was."""
    done: dict[tuple[Sop, Sender], bool] = {}
    rows = log.rows_of(port)
    for row in rows[~delivery.is_good_crc[rows]].tolist():
        entry = log.entry(row)
        if entry.message is None:
            yield entry
            continue
        sender = (entry.sop, entry.message.header.sender)
        repeat = delivery.attempt[row] > 0 and done.get(sender, False)
        delivered = bool(delivery.delivered[row])
        done[sender] = delivered or repeat
        if delivered and not repeat:
            yield entry
        elif not delivered:
            machine.undelivered(entry, first=delivery.attempt[row] == 0)
