"""Local fits against scipy's own weights, and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from brickbook.studies.loadstep.scope import grid_of, quantisation_bound
from brickbook.studies.loadstep.smoothing import fit_at, kernel, noise_of, one_sided, smooth


@pytest.mark.parametrize("half", [2, 3, 10, 57])
def test_weights_are_those_of_savitzky_and_golay(half):
    assert kernel(half) == pytest.approx(signal.savgol_coeffs(2 * half + 1, 2), abs=1e-12)


def test_noise_of_a_window_is_what_simulation_shows():
    rng = np.random.default_rng(3)
    quiet = signal.lfilter([1.0], [1.0, -0.8], rng.standard_normal(20_000))
    noise = noise_of(quiet, 0.0, 0.0)
    more = signal.lfilter([1.0], [1.0, -0.8], rng.standard_normal(200_000))
    for half in (4, 20, 100):
        scatter = np.std(signal.fftconvolve(more, kernel(half), mode="valid"))
        assert noise.u(half) == pytest.approx(scatter, rel=0.05)


def test_a_parabola_and_its_vertex():
    x = np.arange(200.0)
    values = 3.0 - 0.002 * (x - 101.3) ** 2
    noise = noise_of(1e-6 * np.random.default_rng(1).standard_normal(100), 0.0, 0.0)
    fit = fit_at(values, 100, 12, noise)
    value, place = fit.vertex()
    assert value == pytest.approx(3.0, abs=1e-9)
    assert 100 + place == pytest.approx(101.3, abs=1e-9)
    assert smooth(values, noise, 40).wide == pytest.approx(values, abs=1e-5)


def test_windows_stop_at_an_edge():
    rng = np.random.default_rng(5)
    values = np.where(np.arange(2000) < 1000, 0.0, 1.0) + 0.01 * rng.standard_normal(2000)
    soft = smooth(values, noise_of(values[:500], 0.0, 0.0), 300)
    assert soft.half[500] > 100
    assert soft.half[999] < 6
    assert soft.half[1000] < 6
    value, slope, u, count = one_sided(values, 1000, noise_of(values[:500], 0.0, 0.0), 300)
    assert count > 30
    assert value == pytest.approx(1.0, abs=4 * u)
    assert slope == pytest.approx(0.0, abs=1e-3)


def test_too_short_a_quiet_stretch():
    with pytest.raises(ValueError, match="only 10 samples"):
        noise_of(np.zeros(10), 0.0, 0.0)


@pytest.mark.parametrize("noise", [0.0, 0.2, 0.35])
def test_steps_of_a_converter_in_a_mean(noise):
    """Widrow: what the steps leave in a mean of noisy samples; the bound holds and is reached."""
    rng = np.random.default_rng(7)
    draws = noise * rng.standard_normal(200_000)
    worst = max(abs(np.mean(np.round(level + draws)) - level) for level in np.linspace(-0.5, 0.5, 41)[1:-1])
    bound = quantisation_bound(1.0, noise)
    assert worst <= bound + 0.004
    assert worst > 0.6 * bound - 0.004
    assert quantisation_bound(0.0, noise) == 0.0


def test_grid_of_samples():
    rng = np.random.default_rng(2)
    assert grid_of(np.round(rng.standard_normal(5000) / 0.125) * 0.125) == pytest.approx(0.125, rel=1e-6)
    assert grid_of(rng.standard_normal(5000)) == 0.0
