from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from brickbook.plateaus.noise import noise_about, sample_interval_s, scatter_of


def test_white_noise_is_its_sigma():
    readings = np.random.default_rng(1).normal(3.0, 0.02, 20_000)
    # a median absolute deviation of n values scatters by 1.17/sqrt(n) of itself (efficiency 37 %): 4 sigma is 3.3 %
    assert scatter_of(readings) == pytest.approx(0.02, rel=0.04)
    noise = noise_about(readings, np.full(20_000, 3.0))
    assert noise.sigma == pytest.approx(0.02, rel=0.04)
    assert noise.sigma_of_means == pytest.approx(0.02, rel=0.08)


@pytest.mark.parametrize("r_1", [0.5, 0.8])
def test_autocorrelated_noise_tells_the_scatter_of_its_means(r_1):
    g = np.random.default_rng(2)
    readings = signal.lfilter([np.sqrt(1 - r_1**2)], [1.0, -r_1], g.normal(size=200_000))
    noise = noise_about(readings, np.zeros(200_000))
    assert noise.sigma == pytest.approx(1.0, rel=0.03)
    # independent route: means of blocks much longer than the correlation
    means = readings.reshape(-1, 400).mean(axis=1)
    assert noise.sigma_of_means == pytest.approx(means.std(ddof=1) * 20.0, rel=0.1)


def test_scatter_does_not_see_the_steps_of_a_staircase():
    levels = np.repeat(np.arange(0.0, 5.0, 0.1), 10)
    readings = levels + np.random.default_rng(3).normal(0.0, 0.001, len(levels))
    assert scatter_of(readings) == pytest.approx(0.001, rel=0.35)
    assert noise_about(readings, levels).sigma == pytest.approx(0.001, rel=0.35)
    assert scatter_of(np.full(50, 1.0)) == 0.0
    assert noise_about(np.full(50, 1.0), np.full(50, 1.0)).sigma_of_means == 0.0


def test_a_quiet_meter_scatters_by_its_last_digit():
    readings = np.where(np.arange(1000) % 10 == 0, 1.001, 1.0)
    readings[500:] += 1.0
    # rectangular within one digit: 1 mA / sqrt 12 (GUM 4.3.7)
    assert scatter_of(readings) == pytest.approx(0.001 / np.sqrt(12.0), rel=1e-6)
    noise = noise_about(readings, np.where(np.arange(1000) < 500, 1.0, 2.0))
    assert noise.sigma_of_means == pytest.approx(0.001 / np.sqrt(12.0), rel=1e-6)


def test_sample_interval_ignores_equal_stamps_of_a_coarse_clock():
    assert sample_interval_s(np.array([0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 2.0])) == 1.0
    assert sample_interval_s(np.array([5.0, 5.0])) == 0.0
