"""From packets off the wire to a log and its contracts."""

from dataclasses import replace

import numpy as np
import pytest

from brickbook.usbpd.captures import judge_frame_gaps, log_from_packets
from brickbook.usbpd.contracts import read_contracts
from brickbook.usbpd.line import decode_capture
from brickbook.usbpd.messages import Message, Sop
from brickbook.usbpd.symbols import encode_packet
from brickbook.usbpd.synth import Burst, synthesise
from brickbook.usbpd.timers import TimerVerdict

# A first contract of 9 V 3 A from the layouts, with GoodCRC, as header words and objects. Gaps to
# the next frame [s]: a public log has about 70 us before a GoodCRC.
FRAMES = [
    (0x41A1, [0x0801912C, 0x0002D12C, 0x0004B12C, 0x000640E1], 70e-6),
    (0x0081, [], 3e-3),
    (0x1082, [0x2004B12C], 70e-6),
    (0x01A1, [], 2e-3),
    (0x03A3, [], 70e-6),
    (0x0281, [], 0.100),
    (0x05A6, [], 250e-6),  # its GoodCRC is later than 195 us
    (0x0481, [], 1e-3),
]


@pytest.fixture(scope="module")
def packets():
    bursts, now = [], 1e-3
    for header, objects, gap_s in FRAMES:
        data = Message.from_words(header, objects).encode()
        bits = encode_packet("SOP", data)
        bursts.append(Burst(now, bits))
        now += bits.size / 300e3 + gap_s
    interval_s = 0.2e-6
    volts = synthesise(
        bursts,
        duration_s=now,
        sample_interval_s=interval_s,
        rng=np.random.default_rng(1),
        noise_v=0.02,
    )
    return decode_capture(0.0, interval_s, volts)


def test_a_contract_read_off_the_wire(packets):
    capture = log_from_packets(packets, port="C1")
    assert capture.rejected == ()
    history = read_contracts(capture.log, "C1")
    assert [contract.voltage_v for contract in history.contracts] == [9.0]
    assert history.undelivered_count == 0
    (ready,) = [t for t in history.timers if t.name == "tSrcTransition + tSrcReady"]
    assert ready.value_s == pytest.approx(0.100, abs=20e-6)


def test_gaps_between_frames(packets):
    found = judge_frame_gaps(packets, uncertainty_s=1e-6)
    transmit = [(round(t.value_s * 1e6), t.verdict) for t in found if t.name == "tTransmit"]
    assert [verdict for _, verdict in transmit] == [TimerVerdict.WITHIN] * 3 + [TimerVerdict.TOO_LONG]
    assert [value for value, _ in transmit] == pytest.approx([70, 70, 70, 250], abs=3)
    gaps = [t for t in found if t.name == "tInterFrameGap"]
    assert len(gaps) == len(FRAMES) - 1
    assert {t.verdict for t in gaps} == {TimerVerdict.WITHIN}


def test_packets_that_cannot_stand_in_a_log(packets):
    good = packets[0]
    wrong = replace(good, crc_received=0)
    short = replace(good, payload=good.payload[:-4])
    bare = replace(good, sop=None)
    reset = replace(good, sop="HARD_RESET", payload=b"", crc_received=None, crc_computed=None)
    long = replace(good, payload=bytes.fromhex("9181") + (40).to_bytes(2, "little") + bytes(40))
    capture = log_from_packets([good, wrong, short, bare, reset, long])
    assert [entry.sop for entry in capture.log.entries()] == [Sop.SOP, Sop.HARD_RESET]
    reasons = [rejected.reason for rejected in capture.rejected]
    assert reasons[0] == "wrong CRC"
    assert "do not fit an object count of 4" in reasons[1]
    assert reasons[2] == "no ordered set"
    assert "has no room in a row" in reasons[3]
    # A packet that is no message answers nothing.
    assert [t.name for t in judge_frame_gaps([wrong, packets[1]])] == ["tInterFrameGap"]
