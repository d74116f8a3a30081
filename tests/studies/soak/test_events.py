"""Foldbacks, trips and recoveries in made logs; how many are found is measured at length by checks/soak_events.py.

Thresholds (3 %, a minute, 5 % and two seconds, 97 %) are common practice, no source.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.studies.soak.events import survey

_path = Path(__file__).parents[3] / "checks" / "soak_events.py"
_spec = importlib.util.spec_from_file_location("soak_events", _path)
checks = importlib.util.module_from_spec(_spec)
sys.modules["soak_events"] = checks  # dataclasses look their module up
_spec.loader.exec_module(checks)

N = 1800
T = np.arange(N) * 2.0


def log(share=None, volts=None, seed=1):
    g = np.random.default_rng(seed)
    v = np.full(N, 20.0) if volts is None else np.asarray(volts, dtype=float)
    i = 3.0 * (np.ones(N) if share is None else share) * (1 + 5e-4 * g.standard_normal(N))
    return T, v, np.where(v < 0.5, 0.0, i)


def kinds(survival):
    return [e.kind for e in survival.events]


def test_a_port_that_holds():
    found = survey(*log())
    assert found.events == ()
    assert found.stayed_up
    assert found.full_power_s == pytest.approx(T[-1])
    assert [s for _, _, s in found.spans] == ["full power"]


def test_two_steps():
    share = np.where(T < 1200, 1.0, np.where(T < 2400, 0.8, 0.6))
    found = survey(*log(share))
    assert kinds(found) == ["foldback", "foldback"]
    assert [e.time_s for e in found.events] == pytest.approx([1199.0, 2399.0], abs=2.0)
    assert [e.after_w for e in found.events] == pytest.approx([48.0, 36.0], rel=2e-3)
    assert found.full_power_s == pytest.approx(1199.0, abs=2.0)
    # a sudden change lies between two rows: 2 s/sqrt(12), and what smoothing adds
    assert 0.57 < found.events[0].u_time_s < 1.2


def test_a_fall_of_two_percent_is_none_and_of_four_is_one():
    assert kinds(survey(*log(np.where(T < 1200, 1.0, 0.98)))) == []
    assert kinds(survey(*log(np.where(T < 1200, 1.0, 0.96)))) == ["foldback"]


def test_forty_seconds_are_none_and_eighty_are_one():
    assert kinds(survey(*log(np.where((T >= 1200) & (T < 1240), 0.8, 1.0)))) == []
    assert kinds(survey(*log(np.where((T >= 1200) & (T < 1280), 0.8, 1.0)))) == ["foldback", "recovery"]


def test_a_slow_fall_is_a_drift():
    found = survey(*log(1.0 - 0.10 * np.clip((T - 900) / 1500, 0, 1)))
    assert kinds(found) in (["drift"], ["drift", "drift"], ["drift", "drift", "drift"])
    assert not found.stayed_up


def test_trip_and_recovery():
    found = survey(*log(volts=np.where((T >= 900) & (T < 960), 0.05, 20.0)))
    assert kinds(found) == ["trip", "recovery"]
    assert found.events[0].time_s == pytest.approx(899.0, abs=1.0)
    assert found.events[0].until_s == pytest.approx(959.0, abs=1.0)
    assert [s for _, _, s in found.spans] == ["full power", "off", "full power"]


def test_a_trip_to_the_end():
    found = survey(*log(volts=np.where(T >= 900, 0.05, 20.0)))
    assert kinds(found) == ["trip"]
    assert np.isnan(found.events[0].until_s)


def test_a_single_wrong_row_is_no_trip():
    v = np.full(N, 20.0)
    v[700] = 0.0
    assert kinds(survey(*log(volts=v))) == []


def test_hiccup():
    on = ((T - 900) % 12 < 6) | (T < 900) | (T >= 1020)
    found = survey(*log(volts=np.where(on, 20.0, 0.05)))
    assert kinds(found) == ["hiccup", "recovery"]
    assert found.events[0].count == 10


def test_a_lower_contract():
    found = survey(*log(volts=np.where(T < 1500, 20.0, 15.0)))
    assert kinds(found) == ["renegotiation"]
    assert found.events[0].after_w == pytest.approx(45.0, rel=2e-3)


def test_a_load_taken_off_is_no_trip():
    time, volts, amps = log()
    found = survey(time, volts, np.where(T > 3400, 0.0, amps))
    assert kinds(found) == ["load removed"]
    assert found.stayed_up


def test_what_the_load_does_not_ask_for_is_not_lost():
    time, volts, amps = log(np.where((T > 1000) & (T < 2000), 0.5, 1.0))
    assert kinds(survey(time, volts, amps)) == ["foldback", "recovery"]
    assert kinds(survey(time, volts, amps, (T <= 1000) | (T >= 2000))) == []


def test_too_little_is_refused():
    with pytest.raises(ValueError, match="at least five minutes"):
        survey(T[:100], np.full(100, 20.0), np.full(100, 3.0))
    with pytest.raises(ValueError, match="had no load"):
        survey(T, np.full(N, 20.0), np.zeros(N))


@given(st.floats(0.05, 0.7), st.floats(400.0, 3300.0), st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_any_step_is_found_where_it_is(depth, when, seed):
    found = survey(*log(np.where(when <= T, 1 - depth, 1.0), seed=seed))
    assert kinds(found) == ["foldback"]
    assert found.events[0].time_s == pytest.approx(when, abs=3.0)


def test_nearly_all_are_found_and_none_imagined():
    """250 random logs of the check: at least 99 % found, at most 1 % imagined."""
    there = lost = imagined = 0
    for seed in range(10_000, 10_250):
        made = checks.random_log(seed)
        missed, extra, _ = checks.match(made)
        there, lost, imagined = there + len(made.truths), lost + len(missed), imagined + len(extra)
    assert there > 400
    assert lost <= 0.01 * there
    assert imagined <= 0.01 * there
