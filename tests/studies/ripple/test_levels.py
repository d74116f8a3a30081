"""Closed forms of peaks, rms and spans; glitches; the range of normal numbers."""

import numpy as np
import pytest
from scipy import signal

from brickbook.core.capture import ArraySamples, Channel
from brickbook.studies.ripple.levels import combed_mean, expected_range, levels
from brickbook.studies.ripple.scan import scan

RATE = 1e6
TIME = np.arange(200_000) / RATE


def of(values, ripple_hz=100.0):
    found = scan(Channel("port_voltage_v@C1", ArraySamples(np.asarray(values))), 1 / RATE)
    return levels(found, found.wide, ripple_hz)


# 50 mV peak to peak: sine /(2 sqrt 2) = 17.678 mV, triangle /(2 sqrt 3) = 14.434 mV, square /2 = 25 mV
@pytest.mark.parametrize(
    ("wave", "rms_mv"),
    [
        (lambda x: np.sin(2 * np.pi * x), 17.678),
        (lambda x: signal.sawtooth(2 * np.pi * x, 0.5), 14.434),
        (lambda x: signal.sawtooth(2 * np.pi * x, 0.2), 14.434),
        (lambda x: np.where((x + 1e-9) % 1 < 0.5, 1.0, -1.0), 25.0),
    ],
)
@pytest.mark.parametrize("frequency", [1000.0, 100.0])
def test_waveforms(wave, rms_mv, frequency):
    one = of(20 + 0.025 * wave(frequency * TIME))
    assert 1000 * (one.high - one.low) == pytest.approx(50.0, rel=2e-4)
    assert 1000 * one.rms == pytest.approx(rms_mv, abs=6e-4)
    assert one.mean == pytest.approx(20.0, abs=1e-6)
    assert 1000 * one.recurring.value == pytest.approx(50.0, rel=3e-3)
    assert one.glitch is None


def test_percentiles_of_a_uniform_and_a_normal_distribution(rng):
    assert of(rng.uniform(0, 1, 200_000)).span.value == pytest.approx(0.998, abs=5e-4)
    # 0.1 and 99.9 percentile of a normal: 2 * 3.0902 s
    assert of(rng.standard_normal(200_000)).span.value == pytest.approx(6.1805, abs=0.06)


def test_rms_is_taken_over_whole_periods():
    # 5.25 periods of a sine: over all of it the rms is 1.5 % off, over 5 periods it is not
    n = round(5.25 * RATE / 100)
    one = of(np.sin(2 * np.pi * 100 * TIME[:n] + 0.3))
    assert one.rms == pytest.approx(np.sqrt(0.5), rel=2e-4)
    assert abs(of(np.sin(2 * np.pi * 100 * TIME[:n] + 0.3), None).rms / np.sqrt(0.5) - 1) > 1e-3


def test_a_single_glitch_is_told_from_the_ripple(rng):
    ripple = 0.01 * np.sin(2 * np.pi * 50_000 * TIME) + 0.0005 * rng.standard_normal(len(TIME))
    calm = of(ripple)
    ripple[123_400:123_403] += 0.2
    one = of(ripple)
    assert calm.glitch is None
    assert one.recurring.value == pytest.approx(calm.recurring.value, rel=0.01)
    assert one.glitch.stretches == 1
    assert one.glitch.time_s == pytest.approx(0.1234, abs=1e-4)
    assert one.glitch.excess == pytest.approx(0.2 - 0.0, abs=0.025)
    # a spike in every stretch is ripple, not a glitch
    ripple[::5000] += 0.2
    assert of(ripple).glitch is None


# expected range of N normal numbers of standard deviation 1 (integral of 1 - F^N - (1 - F)^N)
@pytest.mark.parametrize(("count", "wanted"), [(1e3, 6.483), (1e4, 7.703), (1e5, 8.769), (1e6, 9.726)])
def test_expected_range(count, wanted):
    assert expected_range(count) == pytest.approx(wanted, abs=6e-4)


def test_expected_range_against_draws(rng):
    # 2 normals: 2/sqrt(pi) (Tippett)
    assert expected_range(2) == pytest.approx(2 / np.sqrt(np.pi), rel=1e-6)
    drawn = np.ptp(rng.standard_normal((4000, 100)), axis=1)
    assert expected_range(100) == pytest.approx(drawn.mean(), abs=4 * drawn.std() / 63)


def test_a_course_is_no_scatter(rng):
    course = 100 + 10 * np.sin(np.arange(4000) / 4000 * 2 * np.pi)
    assert combed_mean(course).u < 0.02
    noisy = combed_mean(course + rng.standard_normal(4000))
    assert noisy.u == pytest.approx(1 / np.sqrt(4000), rel=0.6)
    assert noisy.value == pytest.approx(100, abs=0.1)
