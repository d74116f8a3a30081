"""Timers seen on the wire, made ready for figures: who is answerable, between which stamps, which is the worst.

Names are those of `usbpd.TIMERS`. tSenderResponse is not a figure of its own: it is the wait of the asking side, and
the answer it waits for is the one tReceiverResponse times; the rules judge that one time against both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from brickbook.core.uncertainty import Measured
from brickbook.studies.negotiation.clocks import Clock, stretch
from brickbook.studies.negotiation.story import PortStory
from brickbook.usbpd import TimerMeasurement, TimerVerdict, frame_duration_s

__all__ = ["Extreme", "Which", "device_timers", "extremes", "interval"]

Which = Literal["longest", "shortest"]
_ON_WIRE = frozenset(("tTransmit", "tInterFrameGap"))
# A reset has no GoodCRC, and on the wire the end of a frame is seen and not computed.
_NOT_AFTER_A_FRAME = _ON_WIRE | {"tPSHardReset"}
_BY_DEVICE = frozenset(("tSinkRequest", "tPPSRequest", "tSinkEPRKeepAlive", "tChunkSenderRequest"))
# Which end of a timer is VBUS doing something; all other ends are messages.
_VBUS_ENDS: Mapping[str, tuple[bool, bool]] = {
    "tFirstSourceCap": (True, False),
    "tSrcTransition": (False, True),
    "tSrcSettle": (True, True),
    "tSrcReady": (True, False),
    "tPSHardReset": (False, True),
    "tSafe5V": (True, True),
    "tSafe0V": (True, True),
    "tSrcRecover": (True, True),
    "tSrcTurnOn": (True, True),
}


@dataclass(frozen=True, slots=True)
class Extreme:
    """The longest or shortest of a timer's times on one port, and how many there are."""

    timer: str
    which: Which
    measurement: TimerMeasurement
    count: int


def extremes(port: PortStory) -> tuple[Extreme, ...]:
    """The times nearest to, or furthest beyond, the charger's limits; both ends where a timer has both."""
    by_name: dict[str, list[TimerMeasurement]] = {}
    for one in port.timers:
        if _is_chargers(one, port):
            by_name.setdefault(one.name, []).append(one)
    found: list[Extreme] = []
    for name, all_of in by_name.items():
        longest = max(all_of, key=lambda one: one.value_s)
        shortest = min(all_of, key=lambda one: one.value_s)
        if longest.spec.max_s is not None:
            found.append(Extreme(name, "longest", longest, len(all_of)))
        if shortest.spec.min_s is not None and (shortest is not longest or longest.spec.max_s is None):
            found.append(Extreme(name, "shortest", shortest, len(all_of)))
    return tuple(found)


def device_timers(port: PortStory) -> tuple[TimerMeasurement, ...]:
    """Times beyond a limit that the plugged device is answerable for: they explain what the charger did next."""
    return tuple(
        one
        for one in port.timers
        if one.name != "tSenderResponse"
        and not _is_chargers(one, port)
        and one.verdict in (TimerVerdict.TOO_LONG, TimerVerdict.TOO_SHORT)
    )


def interval(one: TimerMeasurement, port: PortStory, messages: Clock, vbus: Clock | None) -> Measured:
    """A timer's time with the errors of the stamps it lies between [s].

    Raises
    ------
    KeyError
        When a clock's error is not stated, or a time of VBUS has no trace.
    """
    start_vbus, end_vbus = _VBUS_ENDS.get(one.name.removesuffix(" (EPR)"), (False, False))
    end_s = one.start_s + one.value_s
    if (start_vbus or end_vbus) and vbus is None:
        raise KeyError(f"{one.name} needs the trace of VBUS at {port.port}")
    start = vbus.crossing(one.start_s, "start") if vbus and start_vbus else messages.stamp(one.start_s)
    end = vbus.crossing(end_s, "end") if vbus and end_vbus else messages.stamp(end_s)
    between = stretch(start, end, frames=not start_vbus and one.name not in _NOT_AFTER_A_FRAME)
    # the difference of two floats is not the time itself
    return Measured(one.value_s, between.terms)


def _is_chargers(one: TimerMeasurement, port: PortStory) -> bool:
    if one.name in _BY_DEVICE or one.name == "tSenderResponse":
        return False
    shared = one.name == "tReceiverResponse" or one.name in _ON_WIRE
    return not shared or _from_source(port, one.start_s + one.value_s)


def _from_source(port: PortStory, begin_s: float) -> bool:
    """Whether the frame that begins at a time came from the source: bit 8 of its header."""
    log = port.log
    rows = log.rows_of(port.port)
    rows = rows[~log.is_reset[rows]]
    begins = log.time_s[rows]
    if port.at_frame_end:
        begins = begins - np.array([frame_duration_s(4 * int(n)) for n in log.word_count[rows]])
    row = rows[int(np.argmin(np.abs(begins - begin_s)))]
    return bool(log.header[row] & 0x0100)
