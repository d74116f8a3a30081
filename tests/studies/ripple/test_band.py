"""The 20 MHz filter against closed forms, SciPy and check values computed from them."""

import numpy as np
import pytest
from scipy import signal

from brickbook.studies.ripple.band import BandFilter, gain_of


# bilinear first-order low-pass at 20 MHz: b0 = K/(1+K), a1 = (K-1)/(K+1), K = tan(pi fc/fs)
@pytest.mark.parametrize(
    ("rate_hz", "b0", "a1"),
    [(100e6, 0.4208078, -0.1583844), (250e6, 0.204301, -0.591398), (1e9, 0.0591907, -0.881619)],
)
def test_coefficients(rate_hz, b0, a1):
    band = BandFilter(20e6, 1 / rate_hz)
    assert band.scale == pytest.approx(b0, abs=6e-7)
    assert -band.pole == pytest.approx(a1, abs=6e-7)
    ours, _ = signal.butter(1, 20e6, fs=rate_hz)
    assert band.scale == pytest.approx(ours[0], rel=1e-12)


@pytest.mark.parametrize("rate_hz", [52e6, 80e6, 100e6, 250e6, 1e9, 5e9])
def test_unrolled_recursion_is_the_recursion(rate_hz):
    band = BandFilter(20e6, 1 / rate_hz)
    x = np.random.default_rng(1).standard_normal(band.lead + 500).astype(np.float32)
    y = band.apply(x, np.empty_like(x), np.empty_like(x))
    wanted = signal.lfilter([band.scale] * 2, [1, -band.pole], x.astype(np.float64))
    np.testing.assert_allclose(y[band.lead :], wanted[band.lead :], atol=3e-6)


@pytest.mark.parametrize("rate_hz", [100e6, 250e6, 1e9])
def test_gain_at_the_corner_is_exact(rate_hz):
    band = BandFilter(20e6, 1 / rate_hz)
    assert band.gain(20e6) == pytest.approx(1 / np.sqrt(2), rel=1e-12)
    assert band.gain(0.0) == 1.0
    hz = np.array([1e6, 5e6, 20e6, 0.49 * rate_hz])
    _, wanted = signal.freqz([band.scale] * 2, [1, -band.pole], hz, fs=rate_hz)
    np.testing.assert_allclose(band.gain(hz), np.abs(wanted), rtol=1e-9)
    # a sine at the corner loses 3.01 dB
    n = 40_000
    x = np.sin(2 * np.pi * 20e6 / rate_hz * np.arange(n)).astype(np.float32)
    y = band.apply(x, np.empty_like(x), np.empty_like(x))[n // 2 :]
    assert np.sqrt(2 * np.mean(y.astype(float) ** 2)) == pytest.approx(np.sqrt(0.5), rel=2e-3)


def test_analogue_gain_and_spikes():
    # 1/sqrt(1 + (f/fc)^2) at 5, 40, 100 MHz
    np.testing.assert_allclose(gain_of([5e6, 40e6, 100e6], 20e6), [0.97014, 0.44721, 0.19612], atol=5e-6)
    # two such in a row: -3 dB at 12.8719 MHz
    assert gain_of(12.8719e6, 20e6) ** 2 == pytest.approx(1 / np.sqrt(2), rel=1e-5)
    # a spike of 10 ns and 5 ns keeps 1 - exp(-w/tau), tau = 1/(2 pi fc), sampled at 10 GS/s
    band = BandFilter(20e6, 1e-10)
    for width_ns, left in ((10, 0.7154), (5, 0.4665)):
        x = np.zeros(band.lead + 1000, dtype=np.float32)
        x[band.lead : band.lead + 10 * width_ns] = 1.0
        y = band.apply(x, np.empty_like(x), np.empty_like(x))
        assert y.max() == pytest.approx(left, abs=0.006)


@pytest.mark.parametrize("rate_hz", [40e6, 30e6])
def test_corner_must_be_below_half_the_rate(rate_hz):
    with pytest.raises(ValueError, match="half the sample rate"):
        BandFilter(20e6, 1 / rate_hz)
