"""What a port does when overloaded: made ramps whose answer is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.studies.overload.reaction import react

STEP_S, DWELL_S, PROMISED_A, OPEN_V = 0.25, 3.0, 3.0, 20.0
REMOVED_S = 100.0


def ramp(limit_a, *, behaviour="trip", delay_s=0.5, seed=1, comes_back_s=1.0, back_v=5.0, end_s=130.0, period_s=2.0):
    """2 % steps of 3 s from 90 % on, a resistance; the load is off from 100 s on."""
    g = np.random.default_rng(seed)
    t = np.arange(0.0, end_s, STEP_S)
    ratio = 0.9 + 0.02 * np.floor(t / DWELL_S)
    asked = np.where(t < REMOVED_S, ratio * PROMISED_A, 0.0)
    v = OPEN_V - 0.03 * asked
    i = asked.copy()
    beyond = (asked > limit_a) & (t < REMOVED_S)
    begun = float(t[beyond][0]) if beyond.any() else np.inf
    if behaviour in ("constant current", "foldback"):
        ohm = v[beyond] / asked[beyond] * np.linspace(1.0, 0.5, beyond.sum())
        i[beyond] = limit_a if behaviour == "constant current" else np.linspace(limit_a, 0.6 * limit_a, beyond.sum())
        v[beyond] = i[beyond] * ohm
    elif beyond.any():
        off = (t >= begun + delay_s) & (t < REMOVED_S)
        if behaviour == "hiccup":
            off &= ((t - begun - delay_s) % period_s) < 0.75 * period_s
        off |= (t >= REMOVED_S) & (t < REMOVED_S + comes_back_s)
        v[off], i[off] = 0.0, 0.0
        v[t >= REMOVED_S + comes_back_s] = back_v
    return t, v + 0.002 * g.standard_normal(len(t)), i + 2e-4 * g.standard_normal(len(t)), begun


def told(limit_a, removed_s=REMOVED_S, **more):
    t, v, i, begun = ramp(limit_a, **more)
    return react(t, v, i, promised_a=PROMISED_A, removed_s=removed_s), begun


def test_trip_and_recovery():
    """It reacts 0.5 s into a step, comes back 1 s after the load is off, at 5 V."""
    found, begun = told(3.5)
    assert found.behaviour == "trip"
    assert found.reacted_s == pytest.approx(begun + 0.5, abs=STEP_S)
    assert abs(found.limit_a - 3.5) <= found.half_step_a + 0.002
    assert found.half_step_a == pytest.approx(0.03, abs=0.002)
    assert found.recovery_s == pytest.approx(1.0, abs=STEP_S)
    assert found.recovered_v == pytest.approx(5.0, abs=0.01)


def test_energy_until_the_reaction():
    """Sum over the steps beyond 3 A of (20 - 0.03 I) I times 3 s, and of the last step half a second."""
    found, begun = told(3.5)
    amps = PROMISED_A * np.arange(0.9, 2.0, 0.02)
    steps = [a for a in amps if PROMISED_A * 1.005 < a < 3.5]
    last = min(a for a in amps if a > 3.5)
    joules = sum((OPEN_V - 0.03 * a) * a * DWELL_S for a in steps) + (OPEN_V - 0.03 * last) * last * 0.5
    assert found.energy_j == pytest.approx(joules, rel=2e-3)
    assert found.reacted_s - found.beyond_s == pytest.approx(len(steps) * DWELL_S + 0.5, abs=STEP_S)
    assert begun == pytest.approx(found.beyond_s + len(steps) * DWELL_S, abs=STEP_S)


def test_a_port_that_reacts_with_the_next_step():
    """No delay and the row of the change lost: it lies between the last step held and the one that is not seen."""
    found, _ = told(3.5, delay_s=0.0)
    assert abs(found.limit_a - 3.5) <= found.half_step_a + 0.002


def test_latch_and_off():
    """It does not come back: a latch where the load is known to be off for 5 s or more, else just off."""
    assert told(3.5, comes_back_s=1e9)[0].behaviour == "latch"
    assert told(3.5, comes_back_s=1e9, removed_s=None)[0].behaviour == "off"
    assert told(3.5, comes_back_s=1e9, end_s=103.0)[0].behaviour == "off"
    assert np.isnan(told(3.5, comes_back_s=1e9)[0].recovery_s)


def test_hiccup():
    found, begun = told(3.5, behaviour="hiccup", period_s=2.0)
    assert found.behaviour == "hiccup"
    assert found.period_s == pytest.approx(2.0, abs=STEP_S)
    assert found.attempts == pytest.approx((REMOVED_S - begun) / 2.0, abs=2)


def test_constant_current_and_foldback():
    found, _ = told(3.5, behaviour="constant current")
    assert found.behaviour == "constant current"
    assert found.limit_a == pytest.approx(3.5, rel=2e-3)
    assert found.half_step_a == 0.0
    assert found.lowest_v < 10.0
    assert told(3.5, behaviour="foldback")[0].behaviour == "foldback"


def test_none_seen():
    """The ramp ended at 1.56 times the promised current."""
    found, _ = told(99.0)
    assert found.behaviour == "none seen"
    assert found.held_a == pytest.approx(PROMISED_A * (0.9 + 0.02 * 33), rel=1e-3)
    assert np.isnan(found.limit_a)


def test_taking_the_load_off_is_no_reaction():
    """A port whose voltage falls only after the load was removed did not react to it."""
    t, v, i, _ = ramp(99.0)
    v[t > 105.0] = 0.0
    assert react(t, v, i, promised_a=PROMISED_A, removed_s=REMOVED_S).behaviour == "none seen"


@given(st.floats(3.1, 4.4), st.floats(0.25, 2.5), st.integers(0, 500))
@settings(max_examples=40, deadline=None)
def test_any_limit_lies_within_its_step(limit, delay, seed):
    found, begun = told(limit, delay_s=delay, seed=seed)
    assert found.behaviour == "trip"
    assert abs(found.limit_a - limit) <= found.half_step_a + 0.003
    assert found.reacted_s == pytest.approx(begun + delay, abs=STEP_S + 1e-9)


def test_too_little_is_refused():
    t, v, i, _ = ramp(3.5)
    with pytest.raises(ValueError, match="twenty rows"):
        react(t[:10], v[:10], i[:10], promised_a=PROMISED_A)
    with pytest.raises(ValueError, match="begin it at 90 %"):
        react(t, v, i, promised_a=1.0)
