"""Predictions from unfinished soaks; how often they hold is measured at length by checks/soak_prediction.py."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.studies.soak.prediction import HORIZON_S, predict

T = np.arange(0.0, 3601.0, 5.0)


def curve(t, ambient=24.0):
    """Two time constants of 4 and 25 min, 15 and 30 K: a case near warm inner parts."""
    return ambient + 15 * (1 - np.exp(-t / 240)) + 30 * (1 - np.exp(-t / 1500))


def soak(minutes, seed=1, noise=0.1):
    part = minutes * 60 >= T
    return T[part], curve(T[part]) + noise * np.random.default_rng(seed).standard_normal(part.sum())


def test_the_interval_narrows_as_the_soak_goes_on():
    widths = []
    for minutes in (15, 20, 30, 40, 60):
        t, y = soak(minutes)
        told = predict(t, y, np.full(len(t), 24.0), seed=3)
        widths.append(told.steady_c.half_width)
        assert told.steady_c.lower <= 69.0 <= told.steady_c.upper
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < 1.0


def test_three_of_four_cases_would_be_lost_by_a_single_exponential():
    """Two constants from 20 min: the closed form's one-exponential estimate is 5 to 10 K low; this is not."""
    t, y = soak(20)
    told = predict(t, y, np.full(len(t), 24.0), seed=3, at_s=(3600.0,))
    assert abs(told.later_c[0].value - float(curve(3600.0))) < 1.5


def test_the_same_seed_gives_the_same_answer():
    t, y = soak(25)
    room = np.full(len(t), 24.0)
    assert predict(t, y, room, seed=9).steady_c == predict(t, y, room, seed=9).steady_c


def test_a_case_that_waits_for_its_inner_parts():
    """Two bodies in a row, heated inside: the case starts with no slope, its fast amplitude is negative."""
    fast, slow = 200.0, 1300.0
    t = T[T <= 1800.0]
    y = 24 + 40 * (1 - (slow * np.exp(-t / slow) - fast * np.exp(-t / fast)) / (slow - fast))
    y = y + 0.05 * np.random.default_rng(2).standard_normal(len(t))
    told = predict(t, y, np.full(len(t), 24.0), seed=1)
    assert told.steady_rise_k.lower <= 40.0 <= told.steady_rise_k.upper
    assert told.steady_rise_k.half_width < 3.0


def test_a_drifting_room_is_not_taken_for_heating():
    """The room rises 3 K in the hour; the rise over the room is what it would be in a still one."""
    t = T[T <= 2400.0]
    room = 22.0 + 3.0 * t / 3600.0
    tau = 1500.0
    # first-order response to a ramp: r (t - tau (1 - e^(-t/tau)))
    body = 3.0 / 3600.0 * (t - tau * (1 - np.exp(-t / tau)))
    y = curve(t, 22.0) + body + 0.05 * np.random.default_rng(5).standard_normal(len(t))
    told = predict(t, y, room, seed=1, at_s=(3600.0,))
    assert told.steady_rise_k.lower <= 45.0 <= told.steady_rise_k.upper
    hour = float(curve(3600.0, 22.0)) + 3.0 / 3600.0 * (3600 - tau * (1 - np.exp(-3600 / tau)))
    assert told.later_c[0].lower <= hour <= told.later_c[0].upper
    # ignoring the room puts the steady rise too high
    still = predict(t, y, np.full(len(t), 22.0), seed=1)
    assert still.steady_rise_k.value - told.steady_rise_k.value > 0.5


def test_after_a_change_of_load_it_may_cool():
    """A warm body whose load was lowered: from 70 towards 55 °C."""
    t = T[T <= 1800.0]
    y = 55.0 + 15.0 * np.exp(-t / 1200.0) + 0.05 * np.random.default_rng(6).standard_normal(len(t))
    told = predict(t, y, np.full(len(t), 24.0), seed=1, cold=False)
    assert told.steady_c.lower <= 55.0 <= told.steady_c.upper


def test_further_soak_is_none_once_it_is_known():
    t, y = np.arange(0.0, 3 * 3600.0, 10.0), None
    y = curve(t) + 0.05 * np.random.default_rng(7).standard_normal(len(t))
    done = predict(t, y, np.full(len(t), 24.0), seed=1)
    early = predict(t[:120], y[:120], np.full(120, 24.0), seed=1)
    assert done.further_s.value == 0.0
    assert 300.0 < early.further_s.value < HORIZON_S
    assert done.reached_ratio == pytest.approx(1.0, abs=0.01)
    assert early.reached_ratio == pytest.approx((float(curve(1200.0)) - 24) / 45, abs=0.08)


def test_advice_is_kept():
    """Soaking as long as advised makes the interval about as narrow as was promised."""
    t, y = soak(20, seed=11)
    told = predict(t, y, np.full(len(t), 24.0), seed=1, tolerance_k=1.0)
    end = 1200.0 + told.further_s.value
    longer = np.arange(0.0, end, 5.0)
    z = curve(longer) + 0.1 * np.random.default_rng(11).standard_normal(len(longer))
    again = predict(longer, z, np.full(len(longer), 24.0), seed=1)
    assert again.steady_c.half_width < 1.6


def test_missing_readings_are_left_out():
    t, y = soak(30)
    broken = y.copy()
    broken[::7] = np.nan
    room = np.full(len(t), 24.0)
    assert predict(t, broken, room, seed=1).steady_c.value == pytest.approx(
        predict(t, y, room, seed=1).steady_c.value, abs=1.0
    )


def test_too_little_is_refused():
    t, y = soak(5)
    with pytest.raises(ValueError, match="eight minutes"):
        predict(t, y, np.full(len(t), 24.0), seed=1)
    with pytest.raises(ValueError, match=r"rose by 0\.\d K only"):
        predict(T, 24.0 + 0.0 * T, np.full(len(T), 24.0), seed=1)
    with pytest.raises(ValueError, match="at the same times"):
        predict(T, np.full(len(T), np.nan), np.full(len(T), 24.0), seed=1)


def test_intervals_hold_what_comes():
    """30 soaks of this curve in a drifting room: 95 % intervals from 30 min hold the hour in 25 or more (p = 0.997)."""
    held = 0
    for seed in range(30):
        g = np.random.default_rng(seed)
        t = T[::2]
        room = 24.0 + float(g.normal()) * t / 3600 + np.cumsum(g.standard_normal(len(t))) * 0.3 * np.sqrt(10 / 3600)
        lag = np.zeros(len(t))
        for k in range(1, len(t)):
            lag[k] = lag[k - 1] + (room[k] - room[0] - lag[k - 1]) * (1 - np.exp(-10 / 1500))
        truth = curve(t, float(room[0])) + lag
        y = truth + 0.1 * g.standard_normal(len(t))
        part = t <= 1800.0
        (hour,) = predict(t[part], y[part], room[part], seed=seed, at_s=(3600.0,), draws=1000).later_c
        held += hour.lower <= truth[-1] <= hour.upper
    assert held >= 25
