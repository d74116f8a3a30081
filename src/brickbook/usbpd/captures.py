"""From packets read off the CC wire to a message log, and times that only the wire shows.

GoodCRC must start within tTransmit of 195 µs after the frame it answers (from memory, high), and
frames must be 25 µs apart at least (a PHY data sheet).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from brickbook.usbpd.bursts import Packet
from brickbook.usbpd.errors import MessageError
from brickbook.usbpd.messages import MAX_OBJECTS, ControlType, Message, Sop
from brickbook.usbpd.records import MessageLog
from brickbook.usbpd.timers import TimerMeasurement, judge_timer


@dataclass(frozen=True, slots=True)
class RejectedPacket:
    """A packet that cannot stand in a log, and why."""

    packet: Packet
    reason: str


@dataclass(frozen=True, slots=True)
class CaptureLog:
    """A message log made from packets, and the packets left out of it.

    Rows are stamped with the start of their preamble.
    """

    log: MessageLog
    rejected: tuple[RejectedPacket, ...]


def log_from_packets(packets: Sequence[Packet], *, port: str = "1", name: str = "capture") -> CaptureLog:
    """Make a message log from the packets of one port.

    Parameters
    ----------
    packets
        Packets in order of time, good or not.
    port
        Name of the port.
    name
        What to call the log in errors.

    Returns
    -------
    CaptureLog
        The log, and every packet left out: broken ones, those whose length does not fit their
        header, and long unchunked ones that a row has no room for.

    Raises
    ------
    LogError
        If packets are not in order of time.
    """
    rows: list[tuple[float, Message | Sop]] = []
    rejected: list[RejectedPacket] = []
    for packet in packets:
        try:
            rows.append((packet.start_s, _row(packet)))
        except MessageError as error:
            rejected.append(RejectedPacket(packet, str(error)))
    return CaptureLog(MessageLog.from_messages(rows, port=port, name=name), tuple(rejected))


def _row(packet: Packet) -> Message | Sop:
    if packet.fault is not None:
        raise MessageError(packet.fault.reason)
    if packet.sop is None:
        raise MessageError("no ordered set")
    sop = Sop(packet.sop)
    if sop.is_reset:
        return sop
    if not packet.crc_ok:
        raise MessageError("wrong CRC")
    message = Message.parse(packet.payload, sop)
    if len(message.payload) > 4 * MAX_OBJECTS:
        raise MessageError(f"{message.name} of {len(message.payload)} bytes has no room in a row")
    return message


def judge_frame_gaps(packets: Sequence[Packet], uncertainty_s: float = 0.0) -> tuple[TimerMeasurement, ...]:
    """Judge the gaps between frames: tTransmit before a GoodCRC, and tInterFrameGap everywhere.

    Parameters
    ----------
    packets
        Packets of one wire in order of time.
    uncertainty_s
        How far a gap can be off, such as two samples [s].

    Returns
    -------
    tuple of TimerMeasurement
        For each pair of whole packets in a row: the gap; before a GoodCRC that answers the packet
        before it, tTransmit as well.
    """
    found: list[TimerMeasurement] = []
    for before, after in pairwise(packets):
        if before.fault is not None or after.fault is not None:
            continue
        gap_s = after.start_s - before.end_s
        found.append(judge_timer("tInterFrameGap", gap_s, before.end_s, uncertainty_s))
        if _answers(before, after):
            found.append(judge_timer("tTransmit", gap_s, before.end_s, uncertainty_s))
    return tuple(found)


def _answers(before: Packet, after: Packet) -> bool:
    try:
        first, second = _row(before), _row(after)
    except MessageError:
        return False
    return (
        isinstance(first, Message)
        and isinstance(second, Message)
        and first.message_type is not ControlType.GOOD_CRC
        and second.message_type is ControlType.GOOD_CRC
        and first.sop is second.sop
        and first.header.message_id == second.header.message_id
    )
