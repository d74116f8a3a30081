from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from brickbook.plateaus import average_reading_mean, energy_mean, sampling_mean

HOUR = 3600.0


def noise(count, sigma=0.001, seed=0):
    return np.random.default_rng(seed).normal(0.0, sigma, count)


# --- sampling method, IEC 62301:2011 5.3.2 (from memory, high) ---


def test_the_first_third_is_thrown_away():
    clock = np.arange(0.0, 900.0)
    power = np.where(clock < 300.0, 5.0, 0.05) + noise(900)
    result = sampling_mean(clock, power)
    assert result.stable
    assert (result.from_s, result.to_s) == (300.0, 899.0)
    assert result.value.count == 600
    assert result.value.value == pytest.approx(0.05, abs=4.0 * 0.001 / np.sqrt(600.0))
    assert "5.3.2" in result.method
    assert "(from memory, high)" in result.method


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.floats(0.02, 5.0), st.floats(-0.03, 0.03))
def test_the_slope_is_that_of_linregress(seed, level, per_hour):
    clock = np.arange(0.0, 1200.0)
    power = level + per_hour * clock / HOUR + noise(1200, 0.002, seed)
    result = sampling_mean(clock, power)
    oracle = stats.linregress(clock[400:] / HOUR, power[400:])
    assert result.slope_w_per_h == pytest.approx(oracle.slope, rel=1e-9, abs=1e-12)
    # closed form of the least-squares slope: sum (t - tm)(P - Pm) / sum (t - tm)^2
    t, p = clock[400:] / HOUR, power[400:]
    assert result.slope_w_per_h == pytest.approx(
        np.sum((t - t.mean()) * (p - p.mean())) / np.sum((t - t.mean()) ** 2), rel=1e-9, abs=1e-12
    )
    # linregress takes the scatter as white; autocorrelation seen may only widen it
    assert result.u_slope_w_per_h >= oracle.stderr * (1.0 - 1e-9)
    assert result.u_slope_w_per_h <= 2.0 * oracle.stderr


def test_the_uncertainty_of_the_slope_is_its_scatter_from_log_to_log():
    # r_1 = 0.8: independent route by simulation; taking the scatter as white would give a third of it
    slopes, found = [], []
    clock = np.arange(0.0, 1200.0)
    for seed in range(150):
        scatter = signal.lfilter([0.6], [1.0, -0.8], np.random.default_rng(seed).normal(size=1400))[200:]
        result = sampling_mean(clock, 0.05 + 0.002 * np.asarray(scatter))
        slopes.append(result.slope_w_per_h)
        found.append(result.u_slope_w_per_h)
    assert np.mean(found) == pytest.approx(np.std(slopes, ddof=1), rel=0.2)


@pytest.mark.parametrize(
    ("power_w", "mw_per_h", "stable"), [(0.05, 9.5, True), (0.05, -10.5, False), (3.0, 29.0, True), (3.0, -31.0, False)]
)
def test_the_limits_by_hand(power_w, mw_per_h, stable):
    clock = np.arange(0.0, 1800.0)
    result = sampling_mean(clock, power_w + 1e-3 * mw_per_h * (clock - 1200.0) / HOUR)
    assert result.stable is stable
    allowed = 10 if power_w < 1.0 else 30
    assert result.reason == f"slope of the last 20 min {mw_per_h:+.3g} mW/h, {allowed} mW/h allowed" + (
        "" if stable else ": lengthen the record"
    )


def test_a_longer_record_settles():
    # exponential settling, 30 mW with a time constant of 10 min: slope over the last two thirds, by hand from the mean
    # rate: 15 min record: 30 (e^-0.5 - e^-1.5)/(1/6 h) = 69 mW/h; 90 min: 30 (e^-3 - e^-9)/(1 h) = 1.5 mW/h
    clock = np.arange(0.0, 5400.0)
    power = 0.05 + 0.03 * np.exp(-clock / 600.0) + noise(5400, 1e-4)
    short, long = sampling_mean(clock[:900], power[:900]), sampling_mean(clock, power)
    assert not short.stable
    assert short.slope_w_per_h == pytest.approx(-0.069, rel=0.05)
    assert short.reason.endswith("lengthen the record")
    assert long.stable
    assert long.value.value == pytest.approx(0.0504, abs=5e-4)


def test_a_record_below_fifteen_minutes_is_not_stable():
    result = sampling_mean(np.arange(0.0, 720.0), np.full(720, 0.05))
    assert not result.stable
    assert result.reason.startswith("the record is only 12 min long, the method needs 15 min")
    assert sampling_mean(np.arange(0.0, 900.0), np.full(900, 0.05)).stable


def test_slow_sampling_and_coarse_knowledge_are_warned_of():
    clock = np.arange(0.0, 1800.0, 5.0)
    result = sampling_mean(clock, 0.05 + noise(360, 0.02))
    assert "sampled every 5 s, the method asks for 1 s or less" in result.warnings
    assert any("known only to" in w for w in result.warnings)


def test_missing_readings_are_counted():
    power = 0.05 + noise(1200)
    power[[3, 700, 701]] = np.nan
    result = sampling_mean(np.arange(1200.0), power)
    assert result.missing_count == 3
    assert result.value.count == 798


def test_a_cyclic_load_is_averaged_over_whole_cycles_and_compared_by_halves():
    # 40 s in every 200 s at 1 W, else 0.05 W: mean 0.24 W. The slope of a cut pattern fails, the halves do not.
    clock = np.arange(0.0, 2850.0)
    power = np.where(clock % 200.0 < 40.0, 1.0, 0.05) + noise(2850)
    result = sampling_mean(clock, power)
    assert result.cycle_s == pytest.approx(200.0, rel=1e-3)
    assert result.cycles == 9
    assert result.stable
    assert "cyclic" in result.method
    assert "two halves of 4 cycles of 200 s" in result.reason
    assert result.value.value == pytest.approx(0.24, abs=2e-4)
    assert abs(stats.linregress(clock[950:] / HOUR, power[950:]).slope) > 0.01


def test_a_cyclic_load_that_grows_is_not_stable():
    # 100 mW/h on top of the pattern
    clock = np.arange(0.0, 3600.0)
    power = np.where(clock % 200.0 < 40.0, 1.0, 0.05) + 0.1 * clock / HOUR + noise(3600)
    result = sampling_mean(clock, power)
    assert not result.stable
    assert result.slope_w_per_h == pytest.approx(0.1, rel=0.02)


def test_bursts_do_not_widen_the_uncertainty_of_the_mean():
    edges = np.arange(0.0, 1801.0)
    on_s = np.floor(edges / 7.1) * 0.71 + np.minimum(edges % 7.1, 0.71)
    power = 0.01 + 0.39 * np.diff(on_s) + noise(1800, 5e-4)
    result = sampling_mean(edges[:-1], power)
    assert result.stable
    assert abs(result.value.value - 0.049) < 4.0 * result.value.u
    # the bursts' scatter is 80 mW; as independent readings they would give 80/sqrt(1200) = 2.4 mW
    assert result.value.u < 2.5e-4
    assert result.u_slope_w_per_h < 0.002
    (warning,) = result.warnings
    assert "faster than the sampling" in warning


# --- average reading method, IEC 62301:2011 5.3.3 (from memory, medium) ---


def test_two_comparison_periods_by_hand():
    clock = np.arange(0.0, 1800.0 + 1200.0)
    power = np.full(3000, 0.5)
    power[1800:2400], power[2400:] = 0.0500, 0.0510
    result = average_reading_mean(clock, power)
    # mean of both 50.5 mW; 1 mW in the 10 min between mid-points: 6 mW/h
    assert result.value.value == pytest.approx(0.0505)
    assert result.slope_w_per_h == pytest.approx(0.006)
    assert result.stable
    assert (result.from_s, result.to_s) == (1800.0, 2999.0)
    power[2400:] = 0.0520
    assert not average_reading_mean(clock, power).stable


def test_comparison_periods_below_ten_minutes_do_not_count():
    result = average_reading_mean(np.arange(0.0, 2800.0), np.full(2800, 0.05))
    assert not result.stable
    assert result.reason.startswith("each comparison period is only 8.33 min, the method needs 10 min")


def test_slow_cycles_need_the_sampling_method():
    clock = np.arange(0.0, 1200.0)
    slow = average_reading_mean(clock, np.where(clock % 100.0 < 30.0, 0.2, 0.05) + noise(1200), settling_s=0.0)
    assert not slow.stable
    assert slow.reason.startswith("the power is cyclic (period 100 s), use the sampling method")
    fast_clock = np.arange(0.0, 1200.0, 0.25)
    fast = average_reading_mean(fast_clock, np.where(fast_clock % 5.0 < 1.5, 0.2, 0.05) + noise(4800), settling_s=0.0)
    assert fast.stable
    assert fast.value.value == pytest.approx(0.095, abs=2e-4)


# --- accumulated energy ---


def test_energy_over_time_by_hand():
    # 0.075 Wh in 1.5 h is 50 mW; the last digit of 1 mWh gives 1/sqrt 6/1.5 = 0.272 mW
    clock = np.linspace(0.0, 5400.0, 91)
    register = np.round(12.0 + 0.05 * clock / HOUR, 3)
    result = energy_mean(clock, register, resolution_wh=0.001, settling_s=0.0)
    assert result.value.value == pytest.approx(0.05)
    assert result.value.u == pytest.approx(0.001 / np.sqrt(6.0) / 1.5)
    assert result.stable
    assert result.warnings == ()
    guessed = energy_mean(clock, register, settling_s=0.0)
    assert guessed.value.u == pytest.approx(result.value.u)
    assert guessed.warnings[0].startswith("the register's resolution is not stated")


def test_the_register_uncertainties_are_those_of_a_simulation():
    # Monte Carlo: the register rounds a true energy of unknown start; JCGM 101
    g = np.random.default_rng(5)
    clock = np.linspace(0.0, 7200.0, 241)
    values, slopes = [], []
    for _ in range(1500):
        true = g.uniform(0.0, 1.0) + g.uniform(0.04, 0.06) * clock / HOUR
        result = energy_mean(clock, np.round(true, 2), resolution_wh=0.01, settling_s=0.0)
        values.append(result.value.value - (true[-1] - true[0]) / 2.0)
        slopes.append(result.slope_w_per_h)
    assert result.value.u == pytest.approx(np.std(values), rel=0.06)
    assert result.u_slope_w_per_h == pytest.approx(np.std(slopes), rel=0.06)
    # digit sqrt(6/12)/(T/2)^2: 7.1 mW/h in two hours, 28 mW/h in one
    assert result.u_slope_w_per_h == pytest.approx(0.00707, rel=1e-3)
    assert result.warnings == ()
    hour = energy_mean(clock[:121], np.round(true[:121], 2), resolution_wh=0.01, settling_s=0.0)
    assert "known only to ±28 mW/h" in hour.warnings[0]


def test_a_change_of_power_is_seen_in_the_register():
    clock = np.arange(0.0, 7201.0, 60.0)
    register = np.where(clock < 3600.0, 0.05 * clock / HOUR, 0.05 + 0.08 * (clock - 3600.0) / HOUR)
    result = energy_mean(clock, register, resolution_wh=1e-5, settling_s=0.0)
    # 30 mW in the hour between the mid-points
    assert result.slope_w_per_h == pytest.approx(0.03)
    assert not result.stable


def test_registers_that_fall_or_stand_still_are_refused():
    with pytest.raises(ValueError, match=r"falls from 0\.2 Wh to 0 Wh at 2 s: it was reset or ran over"):
        energy_mean(np.arange(4.0), np.array([0.1, 0.2, 0.0, 0.1]), settling_s=0.0)
    with pytest.raises(ValueError, match="did not move"):
        energy_mean(np.arange(4.0), np.full(4, 0.1), settling_s=0.0)
    stopped = energy_mean(np.arange(0.0, 1801.0), np.full(1801, 0.1), resolution_wh=0.001, settling_s=0.0)
    assert stopped.value.value == 0.0
    assert stopped.value.u == pytest.approx(0.001 / np.sqrt(6.0) / 0.5)
    short = energy_mean(np.arange(0.0, 601.0), np.full(601, 0.1), resolution_wh=0.001, settling_s=0.0)
    assert short.reason.startswith("each period is only 5 min, the method needs 10 min")


@pytest.mark.parametrize("method", [sampling_mean, average_reading_mean, energy_mean])
def test_records_that_cannot_be_used_are_refused(method):
    with pytest.raises(ValueError, match="the times fall"):
        method(np.array([0.0, 2.0, 1.0]), np.ones(3))
    with pytest.raises(ValueError, match="shapes"):
        method(np.arange(3.0), np.ones(4))
    with pytest.raises(ValueError, match="readings are needed"):
        method(np.arange(2.0), np.ones(2))


def test_the_result_carries_plain_data():
    result = sampling_mean(np.arange(1200.0), 0.05 + noise(1200))
    assert asdict(result)["value"]["count"] == 800
