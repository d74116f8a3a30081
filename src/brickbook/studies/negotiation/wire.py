"""Messages read off oscilloscope captures of the CC wire, and VBUS of the same capture, as tables like any other.

A channel `voltage_v@CC C1` is the CC wire of port C1; `port_voltage_v@C1` beside it is VBUS on the same clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from brickbook.core.capture import Capture, Channel
from brickbook.core.table import ColumnOrigin, Table
from brickbook.usbpd import LineDecoder, Packet, TimerMeasurement, judge_frame_gaps, log_from_packets

__all__ = ["WireLog", "cc_port", "read_wire"]

_CC = "cc "
_TRACE_S = 1e-4  # VBUS moves in milliseconds; averaging over this takes the noise of a fast capture down


@dataclass(frozen=True, slots=True)
class WireLog:
    """What one channel of a capture gave.

    Parameters
    ----------
    port
        The port.
    messages
        Its message log as a table; frames are stamped with their starts. Lines are 0: a capture has none.
    vbus
        VBUS in the same capture, averaged over 0.1 ms, where it was recorded.
    gaps
        tTransmit and tInterFrameGap, which only the wire shows.
    rejected
        Reasons why transmissions are not in the log, and how many of each.
    """

    port: str
    messages: Table
    vbus: Table | None
    gaps: tuple[TimerMeasurement, ...]
    rejected: tuple[tuple[str, int], ...]


def cc_port(channel: Channel) -> str:
    """The port whose CC wire a channel is; empty when it is none."""
    place = channel.place
    return place[len(_CC) :].strip() if channel.quantity == "voltage_v" and place.casefold().startswith(_CC) else ""


def read_wire(capture: Capture) -> tuple[WireLog, ...]:
    """Decode every CC channel of a capture, piece by piece.

    Raises
    ------
    ValueError
        When the capture is too slow (2 MS/s are needed), is not plain samples, or holds values that are no voltage.
    """
    channels = [channel for channel in capture.channels if cc_port(channel)]
    if channels and capture.acquisition != "sample":
        raise ValueError(f"{capture.raw.path}: packets need plain samples, this is acquisition {capture.acquisition!r}")
    return tuple(_one(capture, channel) for channel in channels)


def _one(capture: Capture, channel: Channel) -> WireLog:
    port = cc_port(channel)
    packets: list[Packet] = []
    try:
        decoder = LineDecoder(capture.interval_s, time0_s=capture.start_s)
        for _, volts in channel.pieces():
            packets += decoder.feed(volts)
        packets += decoder.finish()
    except ValueError as error:
        raise ValueError(f"{capture.raw.path}, {channel.header or channel.column}: {error}") from error
    read = log_from_packets(packets, port=port, name=capture.raw.path)
    reasons: dict[str, int] = {}
    for lost in read.rejected:
        fault = lost.packet.fault
        reason = str(fault.kind) if fault is not None else lost.reason
        reasons[reason] = reasons.get(reason, 0) + 1
    origin = ColumnOrigin(channel.header or channel.column, "s", 1.0, channel.instrument)
    table = Table(
        capture.raw,
        {"time_s": read.log.time_s},
        np.zeros(len(read.log), dtype=np.int64),
        capture.conditions,
        {"time_s": origin},
        messages=read.log,
    )
    gaps = judge_frame_gaps(packets, 2 * capture.interval_s)
    return WireLog(port, table, _vbus(capture, port), gaps, tuple(sorted(reasons.items())))


def _vbus(capture: Capture, port: str) -> Table | None:
    channel = capture.find(f"port_voltage_v@{port}")
    if channel is None:
        return None
    block = max(1, round(_TRACE_S / capture.interval_s))
    size = max(block, (1 << 20) // block * block)
    means = [part[: len(part) // block * block].reshape(-1, block).mean(axis=1) for _, part in channel.pieces(size)]
    volts = np.concatenate(means)
    time_s = capture.start_s + capture.interval_s * (np.arange(len(volts)) * block + (block - 1) / 2)
    origin = ColumnOrigin(channel.header or channel.column, "V", 1.0, channel.instrument)
    columns = {"time_s": time_s, channel.column: volts}
    origins = {"time_s": ColumnOrigin("time", "s", 1.0, channel.instrument), channel.column: origin}
    return Table(capture.raw, columns, np.zeros(len(volts), dtype=np.int64), capture.conditions, origins)
