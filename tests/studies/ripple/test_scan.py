"""The pass against NumPy and SciPy on the whole array."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from brickbook.core.capture import ArraySamples, Channel
from brickbook.studies.ripple import scan as module
from brickbook.studies.ripple.band import BandFilter
from brickbook.studies.ripple.scan import scan


def channel(values, **more):
    return Channel("port_voltage_v@C1", ArraySamples(np.asarray(values)), **more)


def rms(found, trace):
    mean = np.average(trace.mean, weights=found.weights) - found.centre
    return np.sqrt(np.average(trace.square, weights=found.weights) - mean**2)


@settings(max_examples=40, deadline=None)
@given(st.integers(64, 40_000), st.sampled_from(["f4", "f8", "i2", ">f4"]), st.booleans(), st.booleans())
def test_extremes_mean_and_rms_are_numpys(count, dtype, negative, small_chunks):
    rng = np.random.default_rng(count)
    values = (1000 * rng.standard_normal(count)).astype(dtype)
    gain = -0.01 if negative else 0.01
    truth = values.astype(np.float64) * gain + 20.0
    before = module._CHUNK
    module._CHUNK = 1 << 12 if small_chunks else before
    try:
        found = scan(channel(values, gain=gain, offset=20.0), 1e-6)
    finally:
        module._CHUNK = before
    assert np.nanmax(found.wide.high) == pytest.approx(truth.max(), rel=1e-6)
    assert np.nanmin(found.wide.low) == pytest.approx(truth.min(), rel=1e-6)
    assert np.average(found.wide.mean, weights=found.weights) == pytest.approx(truth.mean(), rel=1e-6)
    assert rms(found, found.wide) == pytest.approx(truth.std(), rel=2e-6)
    assert found.weights.sum() == count
    assert found.histogram.counts.sum() == count


def test_rms_of_a_float32_capture_on_a_large_mean_is_exact():
    # a float32 dot product of the whole is wrong in the third digit; math.fsum is the judge
    rng = np.random.default_rng(4)
    values = (20 + 0.01 * rng.standard_normal(1_000_000)).astype(np.float32)
    exact = values.astype(np.float64)
    mean = math.fsum(exact.tolist()) / len(exact)
    truth = math.sqrt(math.fsum(((exact - mean) ** 2).tolist()) / len(exact))
    found = scan(channel(values), 1e-6)
    assert rms(found, found.wide) == pytest.approx(truth, rel=1e-6)


@pytest.mark.parametrize("rate_hz", [60e6, 100e6, 1e9])
def test_band_is_that_of_lfilter(rate_hz):
    rng = np.random.default_rng(5)
    values = (5 + 0.01 * rng.standard_normal(300_001)).astype(np.float32)
    band = BandFilter(20e6, 1 / rate_hz)
    found = scan(channel(values), 1 / rate_hz, band=band)
    # as if the first sample had stood for ever
    state = signal.lfilter_zi([band.scale] * 2, [1, -band.pole]) * float(values[0])
    wanted, _ = signal.lfilter([band.scale] * 2, [1, -band.pole], values.astype(np.float64), zi=state)
    assert np.nanmax(found.band.high) == pytest.approx(wanted.max(), abs=1e-7)
    assert np.nanmin(found.band.low) == pytest.approx(wanted.min(), abs=1e-7)
    assert rms(found, found.band) == pytest.approx(wanted.std(), rel=1e-5)
    np.testing.assert_allclose(
        found.histogram.quantiles(0.001, 0.5, 0.999), np.quantile(wanted, [0.001, 0.5, 0.999]), atol=2e-5
    )


def test_spectrum_is_welchs():
    rng = np.random.default_rng(6)
    values = rng.standard_normal(1 << 19).astype(np.float32)
    found = scan(channel(values), 1e-6)
    size = 2 * (len(found.frequency_hz) - 1)
    hz, density = signal.welch(
        values.astype(np.float64) - found.centre, 1e6, "hann", nperseg=size, noverlap=0, detrend=False
    )
    np.testing.assert_allclose(found.frequency_hz, hz)
    np.testing.assert_allclose(found.density, density, rtol=2e-4)
    # Parseval: the density adds up to the mean square of windowed samples, which for noise has a scatter of
    # sqrt(2 * 35/18 / n) = 0.27 % (35/18 from the fourth power of a Hann window)
    assert found.density.sum() * hz[1] == pytest.approx(values.var(), rel=4 * 0.0027)


@pytest.mark.parametrize("frequency", [50_000.0, 50_311.0, 123_456.7])
def test_a_line_between_bins_has_its_frequency_and_power(frequency):
    time_s = np.arange(1 << 18) * 1e-6
    values = 0.02 * np.sqrt(2) * np.sin(2 * np.pi * frequency * time_s)
    found = scan(channel(values), 1e-6)
    # neighbouring bins of a Hann window give the place to a hundredth of a bin and remove its scalloping of 1.42 dB
    assert found.lines.frequency_hz == pytest.approx(frequency, abs=0.02 * found.frequency_hz[1])
    assert found.lines.power == pytest.approx(0.02**2, rel=0.01)


def test_missing_samples_are_left_out_and_counted():
    rng = np.random.default_rng(7)
    values = rng.standard_normal(200_000).astype(np.float32)
    values[[5, 100_000, 100_001]] = np.nan
    values[150_000], values[160_000] = np.inf, 9.9e37
    found = scan(channel(values), 1e-8, band=BandFilter(20e6, 1e-8))
    assert found.missing == 5
    assert np.nanmax(found.wide.high) < 6
    lost = (found.weights == 0).sum()
    assert 4 <= lost <= 16
    assert np.isfinite(found.density).all()
    assert rms_known(found) == pytest.approx(1.0, abs=0.01)
    with pytest.raises(ValueError, match="free of missing"):
        scan(channel(np.full(1000, np.nan)), 1e-6)


def rms_known(found):
    good = found.weights > 0
    total = found.density.sum() * found.frequency_hz[1]
    assert good.any()
    return np.sqrt(total)


def test_a_late_excursion_does_not_spoil_the_percentiles():
    rng = np.random.default_rng(8)
    values = 0.001 * rng.standard_normal(400_000)
    values[300_100:303_900] += 5.0  # between the stretches first looked at
    found = scan(channel(values.astype(np.float32)), 1e-6)
    np.testing.assert_allclose(
        found.histogram.quantiles(0.001, 0.995), np.quantile(values, [0.001, 0.995]), atol=2 * found.histogram.width
    )


def test_steps_and_runs_are_seen():
    step = 0.4 / 256
    values = np.round(0.15 * np.sin(np.arange(50_000) / 40) / step) * step
    found = scan(channel(values.astype(np.float32)), 1e-6)
    assert found.step == pytest.approx(step, rel=1e-3)
    assert scan(channel(np.sin(np.arange(50_000) / 40)), 1e-6).step == 0.0
    clipped = np.clip(values, -0.1, 0.12)
    found = scan(channel(clipped.astype(np.float32)), 1e-6)
    assert found.run_low > 20
    assert found.run_high > 20


def test_threads_do_not_change_the_result():
    rng = np.random.default_rng(9)
    values = rng.standard_normal(3_000_000).astype(np.float32)
    one, two = (scan(channel(values), 1e-8, band=BandFilter(20e6, 1e-8), threads=n) for n in (1, 2))
    np.testing.assert_array_equal(one.density, two.density)
    np.testing.assert_array_equal(one.band.high, two.band.high)
    np.testing.assert_array_equal(one.histogram.counts, two.histogram.counts)


def test_too_short():
    with pytest.raises(ValueError, match="at least 64"):
        scan(channel(np.zeros(63)), 1e-6)
