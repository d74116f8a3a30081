"""Errors of simulated instruments stay inside what their accuracy states, and are what the error model says."""

import numpy as np
import pytest

from brickbook.core.instrument import Accuracy, Instrument
from brickbook.simbench.readings import NAN, OVERRANGE, ReadingErrors, scatter_of

METER = Instrument(
    role="ac-power-meter",
    accuracy=(
        Accuracy("mains_power_w", 0.1, 0.1, 1.5, resolution=1e-4),
        Accuracy("mains_power_w", 0.1, 0.05, 300.0, resolution=1e-2),
        Accuracy("temperature_c", absolute=0.8, resolution=0.1),
    ),
)


def test_means_of_many_benches_lie_inside_the_bound_and_fill_it():
    """JCGM 100:2008 4.3.7: the error is as likely anywhere within ±a, so its mean is 0 and its deviation a/sqrt(3)."""
    truth = 120.0
    line = METER.accuracy[1]
    most = line.bound(truth) + line.linearity() + line.resolution / 2
    errors = []
    for seed in range(400):
        meter = ReadingErrors("m", METER, seed=seed)
        errors.append(np.mean([meter.read("mains_power_w", truth) for _ in range(40)]) - truth)
    noise = scatter_of("mains_power_w", truth) * np.sqrt(3.0 / 40)  # memory 0.5: variance of the mean three times 1/n
    assert np.max(np.abs(errors)) <= most + 5 * noise
    expected = np.hypot(line.bound(truth) / np.sqrt(3.0), noise)
    assert np.std(errors) == pytest.approx(expected, rel=0.1)
    assert abs(np.mean(errors)) < 4 * expected / np.sqrt(400)


def test_the_fraction_is_one_for_all_readings_of_a_range():
    meter = ReadingErrors("m", METER, seed=5)
    line = METER.accuracy[1]
    levels = np.array([20.0, 100.0, 250.0])
    means = np.array([np.mean([meter.read("mains_power_w", x) for _ in range(3000)]) for x in levels])
    fractions = (means - levels) / np.array([line.bound(x) for x in levels])
    assert np.ptp(fractions) < 0.1
    assert np.mean(fractions) == pytest.approx(meter.fraction(line), abs=0.08)


def test_two_benches_with_one_seed_read_alike_whatever_is_asked_first():
    one, two = (ReadingErrors("m", METER, seed=9) for _ in range(2))
    one.read("temperature_c", 40.0)
    assert one.fractions() == two.fractions()
    assert one.fractions() != ReadingErrors("m", METER, seed=10).fractions()
    assert one.fractions() != ReadingErrors("other", METER, seed=9).fractions()


def test_overrange_not_a_number_and_digits():
    meter = ReadingErrors("m", METER, seed=1)
    assert meter.read("mains_power_w", 20.0, range_max=1.5) == OVERRANGE == 9.9e37
    assert meter.read("mains_power_w", 400.0) == OVERRANGE
    assert meter.read("mains_power_w", float("nan")) == NAN == 9.91e37
    reading = meter.read("temperature_c", 41.234)
    assert reading * 10 == pytest.approx(round(reading * 10), abs=1e-9)
    assert ReadingErrors("m", METER, seed=1, perfect=True).read("mains_power_w", 12.345678) == 12.345678
