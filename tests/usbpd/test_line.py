"""Packets out of captures of the CC wire."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.usbpd.line import LineDecoder, decode_capture
from brickbook.usbpd.symbols import (
    DATA_CODES,
    ORDERED_SETS,
    RESETS,
    RST_2,
    SYNC_3,
    FaultKind,
    code_bits,
    encode_packet,
)
from brickbook.usbpd.synth import Burst, boundary_times, noise_for_snr, synthesise

# Source_Capabilities with four objects and its GoodCRC, from a public log, with the logged CRCs.
CAPABILITIES = bytes.fromhex("A14B2C91010B2CD102002CB1040045410600")
GOOD_CRC = bytes.fromhex("6105")
LOGGED_CRC = {CAPABILITIES: 0x05F0FCD5, GOOD_CRC: 0x4D55BC96}
FRAME = encode_packet("SOP", CAPABILITIES)


def wire(bursts, *, rate=10e6, duration_s=2e-3, seed=1, snr_db=25.0, **more):
    return synthesise(
        bursts,
        duration_s=duration_s,
        sample_interval_s=1.0 / rate,
        rng=np.random.default_rng(seed),
        noise_v=noise_for_snr(snr_db),
        **more,
    )


def read(bursts, *, rate=10e6, time0_s=0.0, **more):
    return decode_capture(time0_s, 1.0 / rate, wire(bursts, rate=rate, **more))


def only(packets):
    assert len(packets) == 1, packets
    return packets[0]


@pytest.mark.parametrize("rate", [2e6, 3.3e6, 5e6, 10e6, 25e6, 50e6, 100e6])
def test_logged_exchange_at_every_sample_rate(rate):
    first = Burst(3.21e-4, FRAME, drift_ratio=0.0025)
    second = Burst(1.42e-3, encode_packet("SOP", GOOD_CRC), bit_rate_bps=318e3, rise_s=8e-7)
    packets = read([first, second], rate=rate, time0_s=-5.0)
    assert [(p.sop, p.payload) for p in packets] == [("SOP", CAPABILITIES), ("SOP", GOOD_CRC)]
    for packet, burst in zip(packets, (first, second), strict=True):
        assert packet.fault is None
        assert packet.crc_ok
        assert packet.crc_received == LOGGED_CRC[packet.payload]
        assert packet.preamble_bits == 64
        assert packet.ordered_set_codes == 4
        # A fifth of a sample plus the shift of a rounded edge.
        tolerance_s = 0.2 / rate + 1.0e-7
        assert packet.start_s + 5.0 == pytest.approx(burst.start_s, abs=tolerance_s)
        assert packet.end_s + 5.0 == pytest.approx(boundary_times(burst)[-1], abs=tolerance_s)
        assert packet.bit_rate_bps == pytest.approx(burst.bit_rate_bps, rel=5e-4)


def test_zero_loss_at_10_ms_per_s_and_20_db():
    rng = np.random.default_rng(11)
    bursts, at = [], 2e-4
    for number in range(120):
        bits = encode_packet(("SOP", "SOP'", "SOP''")[number % 3], rng.bytes(2 + 4 * (number % 8)))
        bursts.append(
            Burst(
                at,
                bits,
                bit_rate_bps=rng.uniform(270e3, 330e3),
                drift_ratio=rng.uniform(-0.0025, 0.0025),
                rise_s=rng.uniform(3e-7, 9e-7),
                fall_s=rng.uniform(3e-7, 9e-7),
                ground_v=rng.uniform(-0.25, 0.25),
            )
        )
        at = float(boundary_times(bursts[-1])[-1]) + rng.uniform(28e-6, 4e-4)
    packets = read(bursts, duration_s=at + 3e-4, snr_db=20.0)
    assert len(packets) == 120
    for packet, burst in zip(packets, bursts, strict=True):
        assert packet.fault is None
        assert np.array_equal(encode_packet(packet.sop, packet.payload), burst.bits)


@pytest.mark.parametrize("name", ORDERED_SETS)
def test_every_ordered_set(name):
    payload = b"" if name in RESETS else GOOD_CRC
    packet = only(read([Burst(3e-4, encode_packet(name, payload))]))
    assert (packet.sop, packet.payload, packet.fault) == (name, payload, None)
    assert packet.crc_ok is (name not in RESETS)


def test_longest_legal_frame():
    payload = bytes(range(256)) + bytes(8)
    burst = Burst(3e-4, encode_packet("SOP", payload), bit_rate_bps=270e3, drift_ratio=0.0025)
    assert only(read([burst], duration_s=11e-3)).payload == payload


def broken(place, code):
    bits = FRAME.copy()
    bits[place : place + 5] = code_bits(code)
    return bits


@pytest.mark.parametrize(
    ("bits", "kind", "bit_index", "text"),
    [
        (broken(114, 0b00000), FaultKind.SYMBOL, 114, "code 00000"),
        (broken(114, RST_2), FaultKind.SYMBOL, 114, "RST-2"),
        (broken(104, DATA_CODES[0]), FaultKind.CRC, 264, "0x05F0FCD5"),
        (broken(79, SYNC_3), FaultKind.ORDERED_SET, 64, "alike"),
        (np.concatenate([broken(69, RST_2)[:64], broken(69, RST_2)[69:74], broken(69, RST_2)[69:]]),
         FaultKind.ORDERED_SET, 64, "three of its four"),
        (FRAME[:-5], FaultKind.NO_EOP, 304, "end-of-packet"),
        (FRAME[:-40], FaultKind.TRUNCATED, 269, "breaks off"),
        (FRAME[:72], FaultKind.TRUNCATED, 64, "after the preamble"),
    ],
)  # fmt: skip
def test_faults_are_reported_where_they_are(bits, kind, bit_index, text):
    burst = Burst(3e-4, bits)
    packet = only(read([burst]))
    fault = packet.fault
    assert fault is not None
    assert fault.kind is kind
    assert text in fault.reason
    # A frame that stops may show a stray bit when the wire is released.
    assert fault.bit_index == pytest.approx(bit_index, abs=2 if kind in {"no_eop", "truncated"} else 0)
    place = min(fault.bit_index, bits.size)
    assert fault.position_s == pytest.approx(boundary_times(burst)[place], abs=8e-6)
    assert packet.start_s == pytest.approx(3e-4, abs=3e-7)


def test_three_right_codes_are_accepted_and_told():
    packet = only(read([Burst(3e-4, broken(64, RST_2))]))
    assert (packet.sop, packet.fault, packet.ordered_set_codes) == ("SOP", None, 3)


@pytest.mark.parametrize("rate", [255e3, 266e3, 334e3, 352e3])
def test_illegal_bit_rate_is_read_and_reported(rate):
    packet = only(read([Burst(3e-4, FRAME, bit_rate_bps=rate, rise_s=3e-7, fall_s=3e-7)]))
    assert packet.fault is not None
    assert packet.fault.kind is FaultKind.BIT_RATE
    assert packet.payload == CAPABILITIES
    assert packet.crc_ok
    assert packet.bit_rate_bps == pytest.approx(rate, rel=1e-3)


def test_capture_begins_inside_a_frame():
    inside, after = Burst(-4e-4, FRAME), Burst(1.5e-3, FRAME)
    orphan, good = read([inside, after], duration_s=3e-3)
    assert orphan.fault is not None
    assert orphan.fault.kind is FaultKind.PREAMBLE
    assert orphan.end_s == pytest.approx(boundary_times(inside)[-1], abs=3e-5)
    assert good.fault is None
    # A frame that lost only a part of its preamble is whole.
    packet = only(read([Burst(-1e-4, FRAME)]))
    assert packet.fault is None
    assert packet.preamble_bits == pytest.approx(34, abs=1)


def test_capture_ends_inside_a_frame():
    packet = only(read([Burst(3e-4, FRAME)], duration_s=9e-4))
    assert packet.fault is not None
    assert packet.fault.kind is FaultKind.TRUNCATED
    assert packet.end_s == pytest.approx(9e-4, abs=1e-5)
    assert CAPABILITIES.startswith(packet.payload)


def test_collision_is_reported_and_the_next_frame_read():
    bursts = [
        Burst(3e-4, FRAME),
        Burst(5e-4, encode_packet("SOP", GOOD_CRC), bit_rate_bps=310e3),
        Burst(1.6e-3, FRAME),
    ]
    packets = read(bursts, duration_s=3e-3)
    assert packets[-1].payload == CAPABILITIES
    assert packets[-1].fault is None
    assert len(packets) >= 2
    assert all(one.fault is not None for one in packets[:-1])
    assert packets[0].start_s == pytest.approx(3e-4, abs=1e-6)


def test_hard_reset_on_top_of_a_frame():
    packets = read([Burst(3e-4, FRAME), Burst(1.25e-3, encode_packet("HARD_RESET"))])
    assert packets[0].fault is not None
    assert (packets[-1].sop, packets[-1].fault) == ("HARD_RESET", None)


def test_endless_preamble_is_reported():
    carrier = (np.arange(9000) % 2).astype(np.uint8)
    packets = read([Burst(3e-4, carrier), Burst(31e-3, FRAME)], duration_s=34e-3)
    assert packets[-1].payload == CAPABILITIES
    assert {one.fault.kind for one in packets[:-1]} == {FaultKind.PREAMBLE}
    covered = sum(one.end_s - one.start_s for one in packets[:-1])
    assert covered == pytest.approx(9000 / 300e3, rel=0.01)


@pytest.mark.parametrize("idle", [0.0, 0.43, 0.93, 1.68, 2.04])
@pytest.mark.parametrize("shift", [-0.3, 0.0, 0.3])
def test_idle_level_and_ground_shift(idle, shift):
    # Idle levels: the Rp bands on Rd, 0.25 V to 2.04 V (public data sheets), and an open wire.
    baseline = [(0.0, 0.0), (6e-4, 0.0), (6.1e-4, shift), (9e-4, shift), (1.1e-3, 0.0)]
    packet = only(read([Burst(3e-4, FRAME)], idle_v=idle, baseline_v=baseline))
    assert (packet.payload, packet.fault) == (CAPABILITIES, None)


def test_clipped_and_coarse_capture():
    packet = only(read([Burst(3e-4, FRAME)], clip_v=(0.3, 0.85), step_v=0.05))
    assert (packet.payload, packet.fault) == (CAPABILITIES, None)


def test_level_step_is_no_packet():
    steps = [(0.0, 1.68), (5e-4, 1.68), (5.02e-4, 0.92), (1.5e-3, 0.92)]
    assert read([], idle_v=steps) == []


@pytest.mark.parametrize("rate", [2e6, 10e6])
@pytest.mark.parametrize("sigma", [0.18, 1.0])
def test_noise_gives_no_good_packet(rate, sigma):
    volts = np.random.default_rng(8).normal(1.0, sigma, int(0.08 * rate)).astype(np.float32)
    assert not [p for p in decode_capture(0.0, 1.0 / rate, volts) if p.fault is None]


@pytest.mark.parametrize("coded", [False, True])
def test_random_edges_give_no_good_packet(coded):
    rng = np.random.default_rng(9)
    gaps = rng.choice([1 / 600e3, 1 / 300e3], 60_000) if coded else rng.uniform(8e-7, 5e-6, 60_000)
    edges = np.cumsum(gaps)
    times = np.arange(1_000_000) * 1e-7
    volts = (1.125 * (np.searchsorted(edges, times) % 2)).astype(np.float32)
    packets = decode_capture(0.0, 1e-7, volts)
    assert not [p for p in packets if p.fault is None]
    assert packets or not coded  # coded signal without preambles is reported


def mixed_capture(rate=5e6):
    carrier = (np.arange(4000) % 2).astype(np.uint8)
    bursts = [Burst(3e-4, FRAME), Burst(1.36e-3, encode_packet("SOP", GOOD_CRC))]
    at = 3e-3
    for number in range(30):  # back to back, longer than one region
        bursts.append(Burst(at, encode_packet("SOP'", bytes(range(number, number + 30)))))
        at = float(boundary_times(bursts[-1])[-1]) + 28e-6
    bursts += [Burst(at + 1e-3, carrier), Burst(at + 16e-3, encode_packet("HARD_RESET"))]
    bursts += [Burst(at + 17e-3, FRAME[:150]), Burst(at + 18e-3, FRAME)]
    return wire(bursts, rate=rate, duration_s=at + 18.5e-3, snr_db=18.0)


MIXED = mixed_capture()
MIXED_PACKETS = decode_capture(2.0, 2e-7, MIXED)


def test_mixed_capture_as_a_whole():
    good = [p for p in MIXED_PACKETS if p.fault is None]
    assert len(good) == 33
    assert [p.payload[0] for p in good[2:32]] == list(range(30))
    assert sorted(MIXED_PACKETS, key=lambda one: one.start_s) == MIXED_PACKETS


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(1, 120_000), min_size=1, max_size=12), st.booleans())
def test_chunking_changes_nothing(sizes, empty_ones):
    decoder = LineDecoder(2e-7, time0_s=2.0)
    packets, at, turn = [], 0, 0
    while at < MIXED.size:
        size = sizes[turn % len(sizes)] + (997 if turn >= 3 * len(sizes) else 0)
        packets += decoder.feed(MIXED[at : at + size])
        if empty_ones:
            assert decoder.feed(MIXED[:0]) == []
        at, turn = at + size, turn + 1
    packets += decoder.finish()
    assert packets == MIXED_PACKETS
    assert decoder.finish() == []


def test_tiny_chunks_change_nothing():
    part = MIXED[:16_000]
    decoder = LineDecoder(2e-7, time0_s=2.0)
    packets = [p for at in range(0, part.size, 7) for p in decoder.feed(part[at : at + 7])]
    assert packets + decoder.finish() == decode_capture(2.0, 2e-7, part)


def test_both_float_widths_agree():
    assert decode_capture(2.0, 2e-7, MIXED.astype(np.float64)) == MIXED_PACKETS


@settings(max_examples=25, deadline=None)
@given(
    payload=st.binary(min_size=2, max_size=30),
    rate=st.sampled_from([2e6, 4e6, 10e6, 30e6]),
    bit_rate=st.floats(270e3, 330e3),
    rise_s=st.floats(3e-7, 9e-7),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_payload_round_trips(payload, rate, bit_rate, rise_s, seed):
    burst = Burst(2.5e-4, encode_packet("SOP", payload), bit_rate_bps=bit_rate, rise_s=rise_s)
    packet = only(read([burst], rate=rate, seed=seed, snr_db=20.0, duration_s=2.2e-3))
    assert (packet.payload, packet.fault) == (payload, None)


def test_memory_is_bounded_while_always_active():
    decoder = LineDecoder(1e-7)
    volts = np.random.default_rng(1).normal(0.5, 1.0, 200_000).astype(np.float32)
    longest = 0
    for _ in range(6):
        decoder.feed(volts)
        held = sum(block.size for block in decoder._region) + decoder._rest.size
        longest = max(longest, held)
    assert longest < 0.026 / 1e-7


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="at least 2 MS/s"):
        LineDecoder(1e-6)
    with pytest.raises(ValueError, match="minimum swing"):
        LineDecoder(1e-7, minimum_swing_v=0.0)
    with pytest.raises(TypeError, match="float32 or float64"):
        decode_capture(0.0, 1e-7, np.zeros(10, dtype=np.int16))
    with pytest.raises(TypeError, match="one-dimensional"):
        decode_capture(0.0, 1e-7, np.zeros((10, 2)))
    for bad in (np.nan, np.inf):
        volts = np.full(5000, 1.0, dtype=np.float32)
        volts[4321] = bad
        with pytest.raises(ValueError, match="sample 4321"):
            decode_capture(0.0, 1e-7, volts)
    decoder = LineDecoder(1e-7)
    decoder.finish()
    with pytest.raises(ValueError, match="finished"):
        decoder.feed(np.zeros(10))


def test_empty_and_short_captures():
    assert decode_capture(0.0, 1e-7, np.empty(0)) == []
    assert decode_capture(0.0, 1e-7, np.zeros(3)) == []


@pytest.mark.parametrize("idle", [0.0, 0.43, 0.93, 1.68])
@pytest.mark.parametrize("missing", [0, 2, 24, 40])
def test_short_preamble_is_counted(idle, missing):
    packet = only(read([Burst(3e-4, FRAME[missing:])], idle_v=idle))
    assert packet.payload == CAPABILITIES
    assert packet.fault is None
    assert packet.preamble_bits == 64 - missing
    assert packet.start_s == pytest.approx(3e-4, abs=2e-7)
