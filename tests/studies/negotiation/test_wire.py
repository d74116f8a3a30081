"""A contract read off a made capture of the CC wire, with VBUS beside it."""

import numpy as np
import pytest

from brickbook.core.capture import ArraySamples, Capture, Channel
from brickbook.core.conditions import Conditions
from brickbook.core.table import RawFile, Recording
from brickbook.rules import judge
from brickbook.studies.negotiation.figures import figures
from brickbook.studies.negotiation.wire import read_wire
from brickbook.usbpd import Message
from brickbook.usbpd.symbols import encode_packet
from brickbook.usbpd.synth import Burst, synthesise

from .conftest import Found, evidence
from .test_rules import RULES

# A first contract of 9 V 3 A from the layouts, as header, objects and gap to the next frame [s].
FRAMES = (
    (0x41A1, (0x0801912C, 0x0002D12C, 0x0004B12C, 0x0006412C), 70e-6),
    (0x0081, (), 3e-3),
    (0x1082, (0x2004B12C,), 250e-6),  # the charger's GoodCRC is later than 195 us
    (0x01A1, (), 2e-3),
    (0x03A3, (), 20e-6),  # the device's GoodCRC comes too soon after it
    (0x0281, (), 0.050),
    (0x05A6, (), 100e-6),
    (0x0481, (), 1e-3),
)
INTERVAL_S = 0.25e-6


@pytest.fixture(scope="module")
def capture():
    bursts, now, accept_s = [], 1e-3, 0.0
    for header, words, gap_s in FRAMES:
        bits = encode_packet("SOP", Message.from_words(header, words).encode())
        bursts.append(Burst(now, bits))
        now += bits.size / 300e3 + gap_s
        accept_s = now - gap_s if header == 0x0281 else accept_s
    rng = np.random.default_rng(2)
    cc = synthesise(bursts, duration_s=now, sample_interval_s=INTERVAL_S, rng=rng, noise_v=0.02)
    time_s = np.arange(len(cc)) * INTERVAL_S
    vbus = np.interp(time_s, [accept_s + 0.028, accept_s + 0.048], [5.0, 9.0])
    channels = (
        Channel("voltage_v@CC C1", ArraySamples(cc), header="CH1", instrument="recorder"),
        Channel("port_voltage_v@C1", ArraySamples(vbus.astype(np.float32)), header="CH2", instrument="recorder"),
    )
    return Capture(RawFile("cc.npy", "4" * 64), INTERVAL_S, channels, conditions=Conditions.of(mains_v=230.0))


def test_figures_of_a_capture(capture, two_ports):
    recording = Recording("cc", ("negotiation",), (), capture.conditions, captures=(capture,))
    outcome = figures(evidence(two_ports, recording))
    found = Found(outcome)
    assert found.warnings() == []
    gap = found.one("timer_s", timer="tTransmit", which="longest", port="C1")
    assert gap.value == pytest.approx(250e-6, abs=2e-6)
    assert found.one("timer_s", timer="tInterFrameGap").value == pytest.approx(250e-6, abs=2e-6)
    assert found.one("timer_s", timer="tSrcTransition + tSrcReady").value == pytest.approx(0.050, abs=5e-6)
    # 0.1 V of a rise of 200 V/s, averaged over 0.1 ms
    assert found.one("timer_s", timer="tSrcTransition").value == pytest.approx(0.0285, abs=1e-4)
    made = judge(outcome.figures, RULES, two_ports, evidence(two_ports).settings)
    assert [f.decision for f in made if f.figure == gap.key] == ["does not meet"]
    assert gap.sources[0].file.path == "cc.npy"


def test_what_cannot_be_read_is_told(capture, two_ports):
    cc = capture.channels[0].values().astype(np.float32)
    start = round(2e-3 / INTERVAL_S)
    cc[start : start + 200] = 0.0  # inside the first frame
    channel = Channel("voltage_v@CC C1", ArraySamples(cc), instrument="recorder")
    broken = Capture(capture.raw, INTERVAL_S, (channel,))
    (wire,) = read_wire(broken)
    assert sum(count for _, count in wire.rejected) == 1
    recording = Recording("cc", ("negotiation",), (), Conditions(), captures=(broken,))
    texts = Found(figures(evidence(two_ports, recording))).warnings()
    assert any("not in the log" in text for text in texts)


def test_a_capture_that_is_too_slow_or_not_plain_is_refused(capture, two_ports):
    for made, words in (
        (Capture(capture.raw, 1e-6, capture.channels), "2 MS/s"),
        (Capture(capture.raw, INTERVAL_S, capture.channels, acquisition="peak-detect"), "plain samples"),
    ):
        recording = Recording("cc", ("negotiation",), (), Conditions(), captures=(made,))
        (text,) = Found(figures(evidence(two_ports, recording))).warnings()
        assert words in text
        assert "cc.npy" in text
