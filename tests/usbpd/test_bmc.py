"""Biphase-mark recovery from samples, beneath packets."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.usbpd.bmc import (
    Region,
    bits_from_edges,
    find_preamble,
    fit_clock,
    track_bits,
)
from brickbook.usbpd.symbols import encode_packet
from brickbook.usbpd.synth import Burst, bmc_edges, boundary_times, noise_for_snr, synthesise

INTERVAL_S = 1e-7


def region_of(burst, seed=1, snr_db=30.0, duration_s=2.2e-3, interval_s=INTERVAL_S):
    volts = synthesise(
        [burst],
        duration_s=duration_s,
        sample_interval_s=interval_s,
        rng=np.random.default_rng(seed),
        noise_v=noise_for_snr(snr_db),
    )
    return Region(volts.astype(np.float64), interval_s, 0.4)


def test_synthesised_edges_follow_the_definition():
    # Biphase mark: an edge at every bit start, one more mid-bit for a 1 (from memory, high).
    bits = np.array([0, 1, 1, 0, 0, 1], dtype=np.uint8)
    edges, rising = bmc_edges(Burst(0.0, bits, bit_rate_bps=250e3, rise_s=3e-7, fall_s=3e-7))
    expected = [0, 4, 6, 8, 10, 12, 16, 20, 22, 24]
    np.testing.assert_allclose(edges * 1e6, expected, atol=1e-9)
    assert rising.tolist() == [True, False] * 5


def test_preamble_levels_by_hand():
    # 0 1 0 1 from a low line: ++ -+ -- +-, one sign per half bit.
    burst = Burst(1e-4, encode_packet("SOP", b"\x61\x05"), rise_s=3e-7, fall_s=3e-7)
    region = region_of(burst, snr_db=60)
    halves = (burst.start_s + (np.arange(8) + 0.5) / 600e3) / INTERVAL_S
    levels = region.samples[np.rint(halves).astype(int)] > 0.56
    assert levels.tolist() == [True, True, False, True, False, False, True, False]


def test_ramp_time_is_ten_to_ninety_percent():
    burst = Burst(5e-6, np.zeros(4, dtype=np.uint8), rise_s=0.6e-6, fall_s=0.6e-6)
    volts = synthesise([burst], duration_s=9e-6, sample_interval_s=1e-9, rng=np.random.default_rng(0), idle_v=0.0)
    rise = volts[4000:6500] / 1.125
    ten, ninety = np.argmax(rise > 0.1), np.argmax(rise > 0.9)
    assert (ninety - ten) * 1e-9 == pytest.approx(0.6e-6, abs=2e-9)


@pytest.mark.parametrize("rate", [270e3, 300e3, 330e3])
def test_edges_give_all_bits_and_their_times(rate):
    bits = encode_packet("SOP", bytes(range(30)))
    burst = Burst(2.345e-4, bits, bit_rate_bps=rate, drift_ratio=0.0025)
    region = region_of(burst)
    stream = bits_from_edges(region, tuple(region.edges.runs[0]))
    assert stream is not None
    true = boundary_times(burst)
    first = int(np.argmin(np.abs(true - (stream.boundaries[0] - 0.5) * INTERVAL_S)))
    assert first < 16
    count = bits.size - first
    assert np.array_equal(stream.bits[:count], bits[first:])
    # The idle level before the frame shifts the very first edges only.  Later a crossing moves by
    # about 10 ns of noise and by the threshold's distance from mid-swing, a tenth of a 0.5 us ramp.
    times = (stream.boundaries[64 - first : count + 1] - 0.5) * INTERVAL_S
    np.testing.assert_allclose(times, true[64:], rtol=0, atol=1e-7)


@pytest.mark.parametrize(("sample_rate", "snr_db"), [(2e6, 10.0), (5e6, 6.0), (10e6, 3.0), (12e6, 0.0)])
def test_tracking_reads_what_edges_cannot(sample_rate, snr_db):
    bits = encode_packet("SOP", bytes(range(30)))
    right = 0
    for seed in range(10):
        burst = Burst(2e-4, bits, bit_rate_bps=310e3, drift_ratio=-0.0025)
        region = region_of(burst, seed, snr_db, interval_s=1.0 / sample_rate)
        found = find_preamble(region, 0.0, float(region.size))
        assert found is not None
        stream = track_bits(region, *found)
        right += "".join(map(str, bits[40:])) in "".join(map(str, stream.bits))
    assert right >= 9


@settings(max_examples=25, deadline=None)
@given(
    payload=st.binary(min_size=2, max_size=30),
    rate=st.floats(262e3, 338e3),
    shift=st.floats(-0.2, 0.2),
    stretch=st.floats(-0.008, 0.008),
)
def test_tracking_forgives_a_poor_start(payload, rate, shift, stretch):
    """A start wrong by 0.2 half bits and 0.8 % in rate still locks."""
    bits = encode_packet("SOP", payload)
    burst = Burst(2e-4, bits, bit_rate_bps=rate, rise_s=3e-7, fall_s=3e-7)
    region = region_of(burst, snr_db=20)
    half_bit = 0.5 / (rate * INTERVAL_S)
    anchor = boundary_times(burst)[8] / INTERVAL_S + 0.5 + shift * half_bit
    stream = track_bits(region, float(anchor), half_bit * (1.0 + stretch))
    start = stream.anchor_bit
    assert np.array_equal(stream.bits[start : start + bits.size - 8], bits[8:])


def test_step_is_blind_to_baseline():
    rng = np.random.default_rng(3)
    samples = rng.normal(size=400)
    places = rng.uniform(60, 340, 50)
    plain = Region(samples, INTERVAL_S, 0.4).step(places, 16.7)
    lifted = Region(samples + 5.0, INTERVAL_S, 0.4).step(places, 16.7)
    np.testing.assert_allclose(plain, lifted, atol=1e-9)


def test_integral_is_exact_between_samples():
    region = Region(np.array([1.0, 3.0, -2.0] * 40), INTERVAL_S, 0.4)
    np.testing.assert_allclose(region.integral(np.array([0.0, 0.5, 1.5, 2.25])), [0, 0.5, 2.5, 3.5])


def test_fit_clock_against_polyfit():
    rng = np.random.default_rng(4)
    times = 3.3 * np.arange(57) + 11.0 + rng.normal(0, 0.2, 57)
    slope, offset = np.polyfit(np.arange(57), times, 1)
    assert fit_clock(times) == pytest.approx((slope, offset), rel=1e-12)


def test_no_preamble_in_noise():
    samples = np.random.default_rng(5).normal(1.0, 1.0, 50_000)
    region = Region(samples, INTERVAL_S, 0.4)
    found, place = 0, 0.0
    while (hit := find_preamble(region, place, float(region.size))) is not None:
        found, place = found + 1, hit[0] + 60.0
    # 50 000 samples hold 1500 bit times; the threshold is five sigma of the correlation.
    assert found <= 12


def test_clock_settles_on_the_true_rate_and_keeps_to_it():
    bits = encode_packet("SOP", bytes(range(256)))
    burst = Burst(2e-4, bits, bit_rate_bps=300e3, drift_ratio=0.005)
    region = region_of(burst, snr_db=6, duration_s=9.5e-3)
    true = boundary_times(burst)
    stream = track_bits(region, float(true[4] / INTERVAL_S + 0.5), 1.012 * 0.5 / (300e3 * INTERVAL_S))
    start = stream.anchor_bit
    times = (stream.boundaries[start : start + bits.size - 4] - 0.5) * INTERVAL_S
    # A quarter of a half bit is where bits begin to suffer; half of that is asked for.
    np.testing.assert_allclose(times, true[4:-1], rtol=0, atol=0.125 / 600e3)
