"""Policies by hand-worked shares, and by their definition for random parameters."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.studies.sharing.policies import EqualSplit, Ladder, Priority, round_down

NO_STEPS = np.zeros(0)
ALL = np.array([True, True, True])


def priority(order, budget, reserve, alone, occupied, steps=NO_STEPS):
    policy = Priority(np.array([order]), np.array([budget]), np.array([reserve], dtype=float), steps)
    return policy.allocate(np.array(alone, dtype=float), np.array(occupied))[0]


def test_a_published_example_of_a_shared_supply():
    """105 W for ports of up to 60 W and 45 W, 15 W guaranteed (a controller maker's note on shared power).

    Both fit: 60 + 45 = 105. With 75 W instead, the first takes 60 W and the second is left with 15 W.
    """
    assert priority([0, 1], 105.0, [15.0, 15.0], [60.0, 45.0], [True, True]).tolist() == [60.0, 45.0]
    assert priority([0, 1], 75.0, [15.0, 15.0], [60.0, 45.0], [True, True]).tolist() == [60.0, 15.0]
    assert priority([0, 1], 67.0, [15.0, 21.0], [67.0, 30.0], [True, True]).tolist() == [46.0, 21.0]


def test_a_port_alone_has_its_own_power():
    assert priority([0, 1], 40.0, [15.0, 15.0], [60.0, 45.0], [True, False])[0] == 60.0


def test_rounding_leaves_more_for_the_next():
    """120 - 20 - 18 = 82, rounded down to 65; 120 - 65 - 18 = 37, rounded down to 20."""
    steps = np.array([20.0, 65.0])
    given_w = priority([0, 1, 2], 120.0, [20.0, 20.0, 18.0], [100.0, 45.0, 18.0], ALL, steps)
    assert given_w.tolist() == [65.0, 20.0, 18.0]


@pytest.mark.parametrize(("passes_on", "expected"), [(False, [15.0, 30.0, 30.0]), (True, [15.0, 37.5, 37.5])])
def test_equal_shares(passes_on, expected):
    """90 W for three is 30 W each; what the 15 W port leaves over is lost, or 75 W go to two."""
    policy = EqualSplit(np.array([90.0]), NO_STEPS, passes_on)
    assert policy.allocate(np.array([15.0, 100.0, 60.0]), ALL)[0].tolist() == expected


def test_a_ladder_takes_from_the_largest_first():
    """100 + 45 + 18 to 120: 100 to 65 makes 128, 65 to 45 makes 108."""
    steps = np.array([15.0, 30.0, 45.0, 65.0])
    policy = Ladder(np.array([[0, 1, 2]]), np.array([120.0]), steps, largest_first=True)
    assert policy.allocate(np.array([100.0, 45.0, 18.0]), ALL)[0].tolist() == [45.0, 45.0, 18.0]


def test_a_ladder_takes_from_the_last_first_down_to_the_floor():
    """100 + 45 + 18 to 120: 18 to 15 makes 160; 45 to 30 makes 145, to 15 makes 130; 100 to 65 makes 95."""
    steps = np.array([15.0, 30.0, 45.0, 65.0])
    policy = Ladder(np.array([[0, 1, 2]]), np.array([120.0]), steps, largest_first=False)
    assert policy.allocate(np.array([100.0, 45.0, 18.0]), ALL)[0].tolist() == [65.0, 15.0, 15.0]


def test_a_budget_that_cannot_be_kept_ends_at_the_floor():
    policy = Ladder(np.array([[0, 1]]), np.array([5.0]), np.array([15.0, 30.0]), largest_first=True)
    assert policy.allocate(np.array([60.0, 45.0]), np.array([True, True]))[0].tolist() == [15.0, 15.0]


@given(
    alone=st.lists(st.sampled_from([15.0, 18.0, 30.0, 45.0, 65.0, 100.0]), min_size=2, max_size=4),
    share=st.floats(0.3, 1.0),
    largest=st.booleans(),
)
def test_budgets_reaching_is_the_inverse_of_allocating(alone, share, largest):
    steps = np.array([7.5, 15.0, 20.0, 27.0, 30.0, 45.0, 65.0])
    own = np.array(alone)
    everyone = np.ones(len(own), dtype=bool)
    order = np.array([np.arange(len(own))])
    ended = Ladder(order, np.array([share * own.sum()]), steps, largest).allocate(own, everyone)
    trial = Ladder(order, np.zeros(1), steps, largest)
    low, high = trial.budgets_reaching(own, ended[0], np.full(len(own), 0.1))
    assert np.isfinite(low[0])
    again = Ladder(order, low + 1e-6, steps, largest).allocate(own, everyone)
    assert again.tolist() == ended.tolist()
    if np.isfinite(high[0]):
        above = Ladder(order, high + 1e-6, steps, largest).allocate(own, everyone)
        assert above.tolist() != ended.tolist()


@given(
    alone=st.lists(st.floats(10.0, 140.0), min_size=2, max_size=5),
    share=st.floats(0.4, 1.2),
    reserve=st.floats(5.0, 10.0),
    seed=st.integers(0, 1000),
)
def test_priority_never_exceeds_the_budget_when_reserves_fit(alone, share, reserve, seed):
    own = np.array(alone)
    budget = max(share * own.sum(), len(own) * reserve)
    order = np.random.default_rng(seed).permutation(len(own))
    powers = priority(order, budget, np.full(len(own), reserve), own, np.ones(len(own), dtype=bool))
    assert powers.sum() <= budget + 1e-6
    assert (powers >= np.minimum(reserve, own) - 1e-9).all()
    assert (powers <= own + 1e-9).all()
    # nothing is left over while a port wants more
    assert powers.sum() >= min(budget, own.sum()) - 1e-6


def test_round_down_keeps_a_ports_own_power_and_what_is_below_all_steps():
    steps = np.array([15.0, 30.0])
    own = np.array([67.0, 67.0, 67.0, 20.0])
    assert round_down(np.array([67.0, 29.8, 9.0, 22.0]), steps, own).tolist() == [67.0, 30.0, 9.0, 20.0]
