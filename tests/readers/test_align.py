"""Offsets found from load steps, against offsets that are known because the readings were made here."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.core.table import RawFile, Table
from brickbook.readers.align import NoAlignment, load_signal, step_offset

EDGES = np.array([31.3, 60.9, 98.2, 141.7, 170.4, 233.8])
LEVELS = np.array([0.0, 3.0, 1.2, 2.4, 0.4, 3.2, 0.0])  # load current [A]


def load_a(time_s, edges=EDGES, levels=LEVELS):
    return levels[np.searchsorted(edges, time_s, side="right")]


def meters(rng, *, offset_s, interval_a_s=0.5, interval_b_s=0.5, noise=0.0, edges=EDGES, levels=LEVELS, end_s=260.0):
    """Mains power by one clock, load current by another that is behind by `offset_s`; noise as part of full load."""
    true_a = np.arange(rng.uniform(0, interval_a_s), end_s, interval_a_s)
    true_b = np.arange(rng.uniform(0, interval_b_s), end_s, interval_b_s)
    power = 1.0 + 22.0 * load_a(true_a, edges, levels) + rng.normal(0, noise * 66, len(true_a))
    current = load_a(true_b, edges, levels) + rng.normal(0, noise * 3, len(true_b))
    return true_a, power, true_b - offset_s, current


@pytest.mark.parametrize("offset_s", [-73.25, -3.1, 0.0, 0.04, 17.9, 120.5])
@pytest.mark.parametrize(("interval_a_s", "interval_b_s"), [(0.1, 0.1), (0.1, 1.0), (1.0, 0.2), (2.0, 2.0)])
def test_known_offset(offset_s, interval_a_s, interval_b_s):
    rng = np.random.default_rng(7)
    found = step_offset(
        *meters(rng, offset_s=offset_s, interval_a_s=interval_a_s, interval_b_s=interval_b_s, noise=0.002)
    )
    assert abs(found.offset_s - offset_s) < 2.5 * found.u_s
    # each step is seen somewhere within an interval, so half of both intervals together bounds the error
    assert abs(found.offset_s - offset_s) <= (interval_a_s + interval_b_s) / 2 + 0.02
    assert found.correlation > 0.9
    assert found.steps == 6


def test_the_stated_uncertainty_covers_the_error():
    """Over 300 pairs of meters with chance intervals and noise, error / u has no bias and a spread of at most one."""
    rng = np.random.default_rng(11)
    ratios = []
    for _ in range(300):
        levels = rng.uniform(0, 3, 7)
        edges = np.cumsum(rng.uniform(10, 60, 6))
        offset_s = rng.uniform(-40, 40)
        intervals = rng.choice([0.1, 0.25, 0.5, 1.0], 2)
        try:
            found = step_offset(
                *meters(
                    rng,
                    offset_s=offset_s,
                    interval_a_s=intervals[0],
                    interval_b_s=intervals[1],
                    noise=0.001,
                    edges=edges,
                    levels=levels,
                    end_s=edges[-1] + 20,
                )
            )
        except NoAlignment:
            continue
        ratios.append((found.offset_s - offset_s) / found.u_s)
    assert len(ratios) > 285  # a few chance staircases do repeat themselves
    assert abs(np.mean(ratios)) < 3 / np.sqrt(len(ratios))
    assert 0.3 < np.std(ratios) <= 1.0
    assert np.mean(np.abs(ratios) < 2) > 0.95


def test_error_grows_with_noise_and_is_said():
    rng = np.random.default_rng(3)
    quiet = step_offset(*meters(rng, offset_s=5.0, interval_a_s=0.1, interval_b_s=0.1, noise=0.0005))
    loud = step_offset(*meters(rng, offset_s=5.0, interval_a_s=0.1, interval_b_s=0.1, noise=0.02))
    assert loud.u_s > quiet.u_s
    assert abs(loud.offset_s - 5.0) < 3 * loud.u_s


def test_missing_readings_are_left_out():
    rng = np.random.default_rng(5)
    ta, a, tb, b = meters(rng, offset_s=5.0, noise=0.001)
    a[rng.random(len(a)) < 0.05] = np.nan
    b[10:12] = np.nan
    found = step_offset(ta, a, tb, b)
    assert abs(found.offset_s - 5.0) < 3 * found.u_s


def test_partial_overlap():
    """One meter was started in the middle: the steps both saw are enough."""
    rng = np.random.default_rng(5)
    ta, a, tb, b = meters(rng, offset_s=12.0, noise=0.001)
    late = tb > 50
    found = step_offset(ta, a, tb[late], b[late])
    assert abs(found.offset_s - 12.0) < 3 * found.u_s


def test_the_shift_does_not_depend_on_where_the_clocks_begin():
    rng = np.random.default_rng(5)
    ta, a, tb, b = meters(rng, offset_s=12.0)
    base = step_offset(ta, a, tb, b)
    moved = step_offset(ta + 1000.0, a, tb - 50.0, b)
    assert moved.offset_s == pytest.approx(base.offset_s + 1050.0, abs=1e-6)


def test_swapping_the_meters_turns_the_sign():
    rng = np.random.default_rng(5)
    ta, a, tb, b = meters(rng, offset_s=12.0)
    assert step_offset(tb, b, ta, a).offset_s == pytest.approx(-step_offset(ta, a, tb, b).offset_s, abs=0.1)


def test_equal_steps_at_equal_times_leave_it_open():
    edges = np.arange(1, 9) * 30.0
    levels = np.array([0.0, 2, 0, 2, 0, 2, 0, 2, 0])
    rng = np.random.default_rng(1)
    with pytest.raises(NoAlignment, match=r"two offsets fit nearly as well, .* the steps repeat themselves"):
        step_offset(*meters(rng, offset_s=3.0, edges=edges, levels=levels, noise=0.001))


def test_steps_of_another_run_do_not_fit():
    rng = np.random.default_rng(2)
    ta, a, _, _ = meters(rng, offset_s=0.0)
    other = np.array([12.0, 20.0, 70.0, 130.0, 139.0, 210.0])
    _, _, tb, b = meters(rng, offset_s=0.0, edges=other, levels=np.array([3.0, 2.1, 0.0, 2.9, 3.0, 1.0, 1.6]))
    with pytest.raises(NoAlignment, match=r"do not look alike \(best correlation 0\.\d\d, at least 0\.60 is needed\)"):
        step_offset(ta, a, tb, b)


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (np.full(100, 5.0), "the second shows no load step, at least two are needed"),
        (np.where(np.arange(100) < 50, 0.0, 5.0), "the second shows one load step, at least two are needed"),
        (np.full(100, np.nan), "the second has fewer than three readings"),
    ],
)
def test_too_little_to_go_by(signal, words):
    rng = np.random.default_rng(2)
    ta, a, _, _ = meters(rng, offset_s=0.0)
    with pytest.raises(NoAlignment) as caught:
        step_offset(ta, a, np.arange(100.0), signal)
    assert str(caught.value) == words


def test_the_signal_is_the_one_that_follows_the_load():
    def table(**columns):
        return Table(
            RawFile("x", ""), {k.replace("__", "@"): np.array(v, float) for k, v in columns.items()}, np.arange(3)
        )

    both = table(mains_power_w=[1, 2, 3], port_current_a__C1=[4, 5, 6])
    assert load_signal(both)[0] == "mains_power_w"
    two = table(port_current_a__C1=[1, 2, 3], port_current_a__C2=[4, 5, 6], port_voltage_v__C1=[5, 5, 5])
    name, values = load_signal(two)
    assert name == "port_current_a"
    assert values.tolist() == [5, 7, 9]
    assert load_signal(table(port_voltage_v__C1=[5, 5, 5])) is None
