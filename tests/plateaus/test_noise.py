from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from brickbook.plateaus.noise import noise_about, noise_of, sample_interval_s, white_scatter_of


def autoregression(r_1, count, seed=2):
    g = np.random.default_rng(seed)
    return np.asarray(signal.lfilter([np.sqrt(1 - r_1**2)], [1.0, -r_1], g.normal(size=count)))


def test_white_noise_is_its_sigma():
    noise = noise_of(np.random.default_rng(1).normal(3.0, 0.02, 20_000))
    # half the mean square of differences scatters by sqrt(3/n) of itself: 4 sigma of its root is 2.4 %; r_1 by 1/sqrt(n)
    assert noise.sigma == pytest.approx(0.02, rel=0.025)
    assert noise.sigma_of_means == pytest.approx(0.02, rel=0.05)


@pytest.mark.parametrize("r_1", [0.5, 0.8])
def test_autocorrelated_noise_tells_the_scatter_of_its_means(r_1):
    readings = autoregression(r_1, 200_000)
    noise = noise_of(readings)
    assert noise.sigma == pytest.approx(1.0, rel=0.03)
    # independent route: means of blocks much longer than the correlation
    means = readings.reshape(-1, 400).mean(axis=1)
    assert noise.sigma_of_means == pytest.approx(means.std(ddof=1) * 20.0, rel=0.1)


@pytest.mark.parametrize("length", [10, 100])
def test_steps_of_a_staircase_are_no_noise(length):
    levels = np.repeat(np.arange(0.0, 5.0, 0.1), length)
    readings = levels + np.random.default_rng(3).normal(0.0, 0.005, len(levels))
    # a tenth of the differences spans a step: the median then stands at the 0.556 quantile of the rest, 1.14 times high
    assert white_scatter_of(readings) == pytest.approx(0.005, rel=0.2)
    left_in = noise_about(readings, np.where(levels == levels[-1], 0.0, levels))
    assert left_in.sigma_of_means == pytest.approx(0.005, rel=0.15)


def test_one_step_is_no_noise():
    readings = np.random.default_rng(5).normal(0.0, 0.01, 2000)
    readings[1000:] += 1.0
    assert noise_of(readings).sigma == pytest.approx(0.01, rel=0.07)


def test_smooth_change_is_no_noise():
    clock = np.arange(0.0, 2000.0)
    slow = 2.0 + 0.5 * np.sin(clock / 50.0)
    # its largest difference from reading to reading is 10 mA; the scatter about the mean would be 354 mA
    assert noise_of(slow).sigma_of_means < 0.01
    assert noise_of(slow + np.random.default_rng(4).normal(0.0, 0.02, 2000)).sigma_of_means == pytest.approx(
        0.02, rel=0.35
    )


def test_stairs_fitted_to_a_slow_change_are_no_noise():
    ramp = np.arange(0.0, 5.0, 0.01)
    stairs = np.floor(ramp * 10.0) / 10.0
    assert noise_about(ramp, stairs).sigma_of_means < 0.01


def test_constants_and_last_digits():
    assert noise_of(np.full(50, 1.0)).sigma == 0.0
    assert white_scatter_of(np.array([1.0])) == 0.0
    readings = np.where(np.arange(1000) % 10 == 0, 1.001, 1.0)
    readings[500:] += 1.0
    # rectangular within one digit: 1 mA / sqrt 12 (GUM 4.3.7)
    assert white_scatter_of(readings) == pytest.approx(0.001 / np.sqrt(12.0), rel=1e-6)
    assert noise_of(readings).sigma_of_means == pytest.approx(0.001 / np.sqrt(12.0), rel=1e-6)


def test_sample_interval_ignores_equal_stamps_of_a_coarse_clock():
    assert sample_interval_s(np.array([0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 2.0])) == 1.0
    assert sample_interval_s(np.array([5.0, 5.0])) == 0.0
