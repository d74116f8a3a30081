"""Mains ripple, switching, bursts and noise of known waveforms."""

import numpy as np
import pytest
from scipy import signal

from brickbook.core.capture import ArraySamples, Channel
from brickbook.studies.ripple.lines import burst, mains_ripple, noise_floor, spectrum, switching
from brickbook.studies.ripple.scan import scan

RATE = 1e6
TIME = np.arange(300_000) / RATE


def scanned(values, rate_hz=RATE):
    return scan(Channel("port_voltage_v@C1", ArraySamples(np.asarray(values, dtype=np.float32))), 1 / rate_hz)


@pytest.mark.parametrize("hertz", [100.0, 100.3, 119.9, 120.0])
def test_mains_part_stands_whatever_else_there_is(hertz, rng):
    nominal = 100.0 if hertz < 110 else 120.0
    other = 0.03 * signal.sawtooth(2 * np.pi * 65e3 * TIME, 0.3) + 0.002 * rng.standard_normal(len(TIME))
    slow = 0.05 * TIME + 0.003 * np.sin(2 * np.pi * 2 * hertz * TIME) + 0.002 * np.sin(np.pi * hertz * TIME)
    found = mains_ripple(scanned(20 + other + slow + 0.01 * np.sin(2 * np.pi * hertz * TIME + 1)), nominal)
    assert found.frequency_hz == pytest.approx(hertz, abs=0.02)
    assert found.amplitude == pytest.approx(0.01, abs=max(5 * found.u, 2e-5))
    assert found.periods == pytest.approx(0.3 * nominal)


def test_noise_of_the_mains_part_is_what_theory_says(rng):
    # white noise of standard deviation s: the amplitude of a fitted sine scatters by s sqrt(2/n)
    u = [mains_ripple(scanned(rng.standard_normal(100_000)), 100.0).u for _ in range(8)]
    assert np.mean(u) == pytest.approx(np.sqrt(2 / 100_000), rel=0.25)


def test_a_capture_shorter_than_a_period_has_no_mains_part():
    # a million samples of 4 ns span 4 ms
    assert mains_ripple(scanned(np.sin(np.arange(10_000.0)), 2.5e6), 100.0) is None
    assert mains_ripple(scanned(np.sin(np.arange(10_100.0)), 1e6), 100.0) is not None


def test_no_mains_part_in_pure_noise_beyond_its_noise(rng):
    found = mains_ripple(scanned(rng.standard_normal(len(TIME))), 100.0)
    assert found.amplitude < 4 * found.u


@pytest.mark.parametrize("shape", [0.5, 0.1])
@pytest.mark.parametrize("frequency", [65_432.1, 130_000.0, 310_000.0])
def test_switching_frequency(frequency, shape, rng):
    wave = signal.sawtooth(2 * np.pi * frequency * TIME, shape) + 0.05 * rng.standard_normal(len(TIME))
    found = switching(scanned(wave), 100.0)
    assert found.frequency_hz.value == pytest.approx(frequency, abs=max(5 * found.frequency_hz.u, 20.0))
    assert found.active_ratio > 0.99
    assert not found.moves


def test_a_swept_frequency_is_followed(rng):
    mean, sweep = 120e3, 6e3
    phase = mean * TIME - sweep * np.cos(2 * np.pi * 100 * TIME) / (2 * np.pi * 100)
    found = switching(scanned(np.sin(2 * np.pi * phase) + 0.05 * rng.standard_normal(len(TIME))), 100.0)
    assert found.moves
    assert found.frequency_hz.value == pytest.approx(mean, abs=5 * found.frequency_hz.u + 50)
    # 5 and 95 percentile of a sine are 0.9877 of its amplitude
    assert found.high_hz == pytest.approx(mean + 0.9877 * sweep, abs=0.2 * sweep)
    assert found.low_hz == pytest.approx(mean - 0.9877 * sweep, abs=0.2 * sweep)
    wanted = mean + sweep * np.sin(2 * np.pi * 100 * found.time_s)
    assert np.abs(found.track_hz - wanted).max() < 0.35 * sweep


def test_the_fundamental_is_found_below_a_stronger_harmonic(rng):
    wave = (
        0.5 * np.sin(2 * np.pi * 60e3 * TIME) + np.sin(2 * np.pi * 120e3 * TIME) + 0.01 * rng.standard_normal(len(TIME))
    )
    assert switching(scanned(wave), 100.0).frequency_hz.value == pytest.approx(60e3, rel=1e-3)


@pytest.mark.parametrize("colour", [0.0, 0.9])
def test_noise_alone_has_no_switching_frequency(colour, rng):
    noise = signal.lfilter([1], [1, -colour], rng.standard_normal(len(TIME)))
    assert switching(scanned(noise), 100.0) is None


@pytest.mark.parametrize(("rate", "share"), [(800.0, 0.3), (2500.0, 0.4), (5000.0, 0.5)])
def test_bursts(rate, share, rng):
    on = (TIME * rate) % 1 < share
    wave = np.where(on, signal.sawtooth(2 * np.pi * 130e3 * TIME, 0.5), 0.0) + 0.02 * rng.standard_normal(len(TIME))
    found = scanned(wave)
    line = switching(found, 100.0)
    bursts = burst(found, found.wide, line.frequency_hz.value, 100.0)
    assert bursts.rate_hz.value == pytest.approx(rate, abs=5 * bursts.rate_hz.u)
    assert bursts.rate_hz.value == pytest.approx(rate, rel=0.01)
    assert bursts.active_ratio == pytest.approx(share, abs=2.5 * 16e-6 * rate)


def test_steady_switching_does_not_burst(rng):
    wave = signal.sawtooth(2 * np.pi * 130e3 * TIME, 0.5) * (1 + 0.3 * np.sin(2 * np.pi * 100 * TIME))
    found = scanned(wave + 0.02 * rng.standard_normal(len(TIME)))
    assert burst(found, found.wide, 130e3, 100.0) is None


def test_noise_floor_under_lines(rng):
    # white noise of standard deviation s has the one-sided density 2 s^2/fs
    wave = 5 * signal.sawtooth(2 * np.pi * 65e3 * TIME, 0.5) + 0.1 * rng.standard_normal(len(TIME))
    floor = noise_floor(scanned(wave))
    assert np.median(floor) == pytest.approx(2 * 0.1**2 / RATE, rel=0.1)


def test_spectrum_reaches_from_the_mains_to_half_the_rate(rng):
    wave = 0.1 * np.sin(2 * np.pi * 100 * TIME) + 0.01 * rng.standard_normal(len(TIME))
    found = spectrum(scanned(wave))
    assert found.frequency_hz[0] < 50
    assert found.frequency_hz[-1] > 0.49 * RATE
    assert (np.diff(found.frequency_hz) > 0).all()
    assert found.frequency_hz[found.density.argmax()] == pytest.approx(100, abs=20)
    high = found.density[found.frequency_hz > 1000]
    assert np.median(high) == pytest.approx(2 * 0.01**2 / RATE, rel=0.1)
