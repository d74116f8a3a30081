from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from brickbook.plateaus.cycles import Cycle, batches_of, find_cycle, hidden_bursts, mean_over_cycles


def bursts(period_s, duty, *, interval_s=0.25, length_s=1200.0, low_w=0.02, high_w=0.12, noise_w=0.001, seed=0):
    """What a meter shows that averages over its interval: exact means of a burst wave over each interval, plus noise."""
    edges = np.arange(0.0, length_s + interval_s / 2, interval_s)
    on_s = np.floor(edges / period_s) * duty * period_s + np.minimum(edges % period_s, duty * period_s)
    power = low_w + (high_w - low_w) * np.diff(on_s) / interval_s
    return edges[:-1], power + np.random.default_rng(seed).normal(0.0, noise_w, len(power))


@pytest.mark.parametrize("period_s", [1.3, 2.5, 7.1, 30.0, 140.0])
def test_the_period_is_found_and_agrees_with_the_periodogram(period_s):
    clock, power = bursts(period_s, 0.3)
    cycle = find_cycle(clock, power)
    assert cycle is not None
    # independent route: the fundamental is the strongest line of the spectrum of a 30 % rectangle; resolution 1/T
    frequency, density = signal.periodogram(power, fs=4.0)
    strongest = 1.0 / frequency[1:][np.argmax(density[1:])]
    assert strongest == pytest.approx(period_s, rel=2.0 * period_s / 1200.0)
    # where a cycle is no whole number of readings a multiple of it repeats better, and is a cycle as well
    multiple = round(cycle.period_s / period_s)
    assert multiple >= 1
    assert cycle.period_s == pytest.approx(multiple * period_s, rel=0.002)
    assert cycle.readings_per_cycle == pytest.approx(cycle.period_s / 0.25)
    assert cycle.correlation > 0.8


@pytest.mark.parametrize("r_1", [0.0, 0.9])
def test_noise_has_no_period(r_1):
    for seed in range(30):
        g = np.random.default_rng(seed)
        scatter = signal.lfilter([np.sqrt(1 - r_1**2)], [1.0, -r_1], g.normal(size=2000))
        assert find_cycle(np.arange(2000.0), 0.05 + 0.002 * np.asarray(scatter)) is None


def test_a_drift_a_constant_and_a_stub_have_no_period():
    clock = np.arange(600.0)
    assert find_cycle(clock, 0.05 + 1e-5 * clock) is None
    assert find_cycle(clock, np.full(600, 0.05)) is None
    assert find_cycle(clock[:10], np.ones(10)) is None
    assert find_cycle(np.zeros(50), np.ones(50)) is None


def test_fewer_than_four_cycles_are_no_period():
    clock, power = bursts(400.0, 0.5)
    assert find_cycle(clock, power) is None


def test_bursts_of_two_sizes_repeat_after_both():
    clock = np.arange(0.0, 1200.0, 0.5)
    power = 0.02 + np.where(clock % 10.0 < 3.0, np.where(clock % 20.0 < 10.0, 0.1, 0.03), 0.0)
    cycle = find_cycle(clock, power + np.random.default_rng(2).normal(0.0, 0.001, len(clock)))
    assert cycle is not None
    assert cycle.period_s == pytest.approx(20.0, rel=1e-3)


def test_missing_and_uneven_readings_do_not_hide_the_period():
    clock, power = bursts(8.0, 0.4)
    keep = np.random.default_rng(3).random(len(clock)) > 0.05
    cycle = find_cycle(clock[keep], power[keep])
    assert cycle is not None
    assert cycle.period_s == pytest.approx(8.0, rel=0.002)


@pytest.mark.parametrize("period_s", [3.0, 45.0, 130.0])
def test_the_mean_over_whole_cycles_is_that_of_the_wave(period_s):
    # closed form: low + duty (high - low)
    clock, power = bursts(period_s, 0.25, noise_w=0.0, length_s=1000.0)
    mean, cycles, from_s = mean_over_cycles(clock, power, period_s)
    assert mean.value == pytest.approx(0.045, abs=1e-12)
    assert cycles == int(1000.0 / period_s)
    assert from_s == pytest.approx(1000.0 - cycles * period_s, abs=0.26)
    assert mean.count == round(cycles * period_s / 0.25)
    # the plain mean of a cut cycle is off, the less so the more cycles
    assert abs(power.mean() - 0.045) > 1e-6
    with pytest.raises(ValueError, match="at least 4 whole cycles are needed, there are 3"):
        mean_over_cycles(clock, power, 300.0)


def test_the_uncertainty_of_the_mean_is_its_scatter_from_log_to_log():
    means, found = [], []
    for seed in range(200):
        clock, power = bursts(5.0, 0.3, noise_w=0.01, seed=seed, length_s=600.0)
        mean, _, _ = mean_over_cycles(clock, power, 5.0)
        means.append(mean.value)
        found.append(mean.u)
    # known: 2400 readings of 10 mW scatter, 0.204 mW. The bursts' own 45 mW of scatter are no part of it.
    assert np.std(means, ddof=1) == pytest.approx(0.01 / np.sqrt(2400.0), rel=0.15)
    # autocorrelation is never credited below white, so the estimate is a little large
    assert 1.0 <= np.mean(found) / (0.01 / np.sqrt(2400.0)) <= 1.4


def test_batches_hold_whole_cycles():
    clock, power = bursts(1.0, 0.5, length_s=100.0)
    times, means, per_batch = batches_of(clock, power, 1.0)
    assert per_batch == 5  # twenty readings
    assert len(means) == 20
    assert np.diff(times) == pytest.approx(np.full(19, 5.0))
    assert means.mean() == pytest.approx(power.mean())


def test_what_the_sampling_may_hide_is_said():
    clock, power = bursts(30.0, 0.3)
    assert hidden_bursts(clock, power, find_cycle(clock, power)) == ""
    quiet = 0.05 + np.random.default_rng(1).normal(0.0, 0.001, 600)
    assert hidden_bursts(np.arange(600.0), quiet, None) == ""
    assert hidden_bursts(np.arange(600.0), np.full(600, 0.05), None) == ""
    few = hidden_bursts(np.arange(600.0), quiet, Cycle(3.0, 0.9, 3.0))
    assert few == (
        "the period of 3 s is seen with only 3 readings per cycle and may be the alias of faster bursts: "
        "the mean holds only if the meter averages over its interval of 1 s"
    )


def test_aliased_bursts_of_a_meter_that_does_not_average_are_warned_of():
    # bursts of 0.23 s each 2.3 s caught at points 1 s apart: 10 % duty, mean 39 + 10 = 49 mW, cannot be had from the log
    clock = np.arange(1800.0)
    power = np.where((clock / 2.3) % 1.0 < 0.1, 0.4, 0.01)
    assert abs(power.mean() - 0.049) > 0.005
    assert "bursts faster than the sampling cannot be seen" in hidden_bursts(clock, power, find_cycle(clock, power))
