"""Captures: pieces, scales, what is no reading, and envelopes against brute force."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.capture import INVALID, ArraySamples, Capture, Channel, Samples, Setting, envelope
from brickbook.core.table import RawFile

RAW = RawFile("a.npy", "0" * 64)


def capture(array, interval_s=1e-6, **more):
    channel = Channel("port_voltage_v@C1", ArraySamples(np.asarray(array)), header="CH1", **more)
    return Capture(RAW, interval_s, (channel,), start_s=-2e-6)


def test_values_are_gain_times_stored_plus_offset():
    one = capture(np.array([-128, 0, 127], dtype=np.int8), gain=0.01, offset=5.0).channels[0]
    np.testing.assert_allclose(one.values(), [3.72, 5.0, 6.27])
    assert one.rails == pytest.approx((3.72, 6.27))
    assert (one.quantity, one.place) == ("port_voltage_v", "C1")


@pytest.mark.parametrize("code", [9.9e37, -9.9e37, 9.91e37, np.inf, -np.inf, np.nan])
def test_codes_for_no_reading_are_nan(code):
    # IEEE 488.2 / SCPI-1999: 9.9E37 infinity, 9.91E37 not a number
    values = capture(np.array([1.0, code, 2.0])).channels[0].values()
    assert np.isnan(values[1])
    assert values[[0, 2]].tolist() == [1.0, 2.0]
    assert not np.isnan(capture(np.array([0.99 * INVALID])).channels[0].values()[0])


def test_rails_of_floats_need_full_scale_and_centre():
    assert capture(np.zeros(3)).channels[0].rails is None
    setting = Setting(full_scale=0.4, centre=0.1, bits=8)
    assert setting.step == pytest.approx(0.4 / 256)
    # 8 bits over 8 divisions of 50 mV: 1.5625 mV (full scale/2^n)
    assert setting.step == pytest.approx(1.5625e-3)
    assert capture(np.zeros(3), setting=setting).channels[0].rails == pytest.approx((-0.1, 0.3 - 0.4 / 256))


@pytest.mark.parametrize("interval", [0.0, -1.0, np.nan, np.inf])
def test_interval_must_be_above_zero(interval):
    with pytest.raises(ValueError, match="interval"):
        capture(np.zeros(3), interval)


def test_channels_must_agree():
    a = Channel("port_voltage_v@C1", ArraySamples(np.zeros(3)))
    with pytest.raises(ValueError, match="differ in length"):
        Capture(RAW, 1.0, (a, Channel("mains_voltage_v", ArraySamples(np.zeros(4)))))
    with pytest.raises(ValueError, match="both port_voltage_v@C1"):
        Capture(RAW, 1.0, (a, a))
    with pytest.raises(ValueError, match="at least one"):
        Capture(RAW, 1.0, ())


def test_times_and_indices():
    one = capture(np.zeros(10))
    assert one.time_s()[:3] == pytest.approx([-2e-6, -1e-6, 0.0])
    assert one.index_of(0.0) == 2
    assert one.index_of(0.4e-6) == 3
    assert (one.index_of(-1.0), one.index_of(1.0)) == (0, 10)
    assert one.span_s == pytest.approx(1e-5)
    assert one.rows().columns == ("CH1",)
    assert one.find("port_voltage_v@C1") is one.channels[0]
    assert one.find("mains_voltage_v") is None
    assert isinstance(one.channels[0].samples, Samples)


@given(st.integers(1, 400), st.integers(1, 60), st.integers(0, 5))
def test_envelope_is_that_of_brute_force(count, buckets, holes):
    rng = np.random.default_rng(count)
    values = rng.standard_normal(count)
    values[rng.integers(0, count, holes)] = np.nan
    one = capture(values)
    seen = envelope(one, one.channels[0], buckets=buckets)
    edges = np.linspace(0, count, min(buckets, count) + 1).astype(int)
    for k, (a, b) in enumerate(itertools.pairwise(edges)):
        part = values[a:b][np.isfinite(values[a:b])]
        if len(part):
            assert (seen.low[k], seen.high[k]) == (part.min(), part.max())
            assert seen.mean[k] == pytest.approx(part.mean())
        else:
            assert np.isnan([seen.low[k], seen.high[k], seen.mean[k]]).all()


def test_envelope_over_several_pieces_keeps_one_sample_peaks():
    values = np.zeros(2_500_000, dtype=np.float32)
    values[1_234_567], values[2_400_001] = 7.0, -9.0
    one = capture(values)
    seen = envelope(one, one.channels[0], start=10, buckets=333)
    assert (np.nanmax(seen.high), np.nanmin(seen.low)) == (7.0, -9.0)
    with pytest.raises(ValueError, match="empty"):
        envelope(one, one.channels[0], start=5, stop=5)
