"""Decisions against the worked numbers of JCGM 106:2012 and the normal distribution of the standard library."""

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.uncertainty import Measured, Source
from brickbook.rules import decide, probability_of_conformity

INF = math.inf


def normal(value, u):
    return Measured(value, {Source("x", "B", "normal"): u})


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "expected"),
    [
        (75.6, 1.0, -INF, 77.0, 0.91924),  # K70, JCGM 106 7.3: Phi(1.4)
        (75.0, 1.0, -INF, 77.0, 0.97725),  # K71: Phi(2.0), risk 0.02275
        (0.240, 0.008, -INF, 0.25, 0.89435),  # K73: Phi(1.25)
        (0.887, 0.004, 0.88, INF, 0.95994),  # K74: Phi(1.75)
        (20.93, 0.05, 19.0, 21.0, 0.91924),  # K75, two-sided
    ],
)
def test_probability_of_conformity(value, u, low, high, expected):
    # the tabulated distribution is good to 2e-5
    assert probability_of_conformity(normal(value, u), low, high) == pytest.approx(expected, abs=3e-5)


@pytest.mark.parametrize(("z", "expected"), [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)])
def test_table_1_of_jcgm_106(z, expected):
    """JCGM 106:2012 Table 1 lists z = (T_U - y)/u against p_c; z is given to 0.01, so p to 0.005."""
    assert probability_of_conformity(normal(-z, 1.0), high=0.0) == pytest.approx(expected, abs=5e-3)


def test_k72_acceptance_limit_of_95_percent():
    """JCGM 106 8.3.2: a guard band of 1.645 u; at 75.355 against 77 with u = 1 the decision changes."""
    for value, expected in ((75.35, "meets"), (75.36, "undecided")):
        p = probability_of_conformity(normal(value, 1.0), high=77.0)
        assert decide(value, p, -INF, 77.0) == expected


@pytest.mark.parametrize(
    ("value", "guarded", "simple"),
    [
        (70.0, "meets", "meets"),
        (75.6, "undecided", "meets"),
        (77.0, "undecided", "meets"),
        (78.0, "undecided", "does not meet"),
        (78.65, "does not meet", "does not meet"),
        (90.0, "does not meet", "does not meet"),
    ],
)
def test_both_decision_rules(value, guarded, simple):
    p = probability_of_conformity(normal(value, 1.0), high=77.0)
    assert decide(value, p, -INF, 77.0, "guarded") == guarded
    assert decide(value, p, -INF, 77.0, "simple") == simple


def test_an_exact_number_is_decided():
    assert probability_of_conformity(Measured(0.88), low=0.88) == 1.0
    assert decide(0.88, 1.0, 0.88, INF) == "meets"
    assert probability_of_conformity(Measured(0.8799), low=0.88) == 0.0
    assert decide(0.8799, 0.0, 0.88, INF) == "does not meet"


def test_another_rule_is_refused():
    with pytest.raises(ValueError, match='the decision rule is "guarded" or "simple", found \'lenient\''):
        decide(1.0, 0.5, 0.0, 2.0, "lenient")


@given(st.floats(-5, 5), st.floats(0.01, 3), st.floats(-5, 5), st.floats(0.0, 2.0))
def test_a_value_further_inside_is_more_probable(value, u, high, step):
    nearer = probability_of_conformity(normal(value, u), high=high)
    further = probability_of_conformity(normal(value - step, u), high=high)
    assert further >= nearer - 1e-9


@given(st.floats(-5, 5), st.floats(0.05, 3), st.floats(-5, 5))
def test_it_is_the_normal_distribution(value, u, high):
    exact = NormalDist(value, u).cdf(high)
    assert probability_of_conformity(normal(value, u), high=high) == pytest.approx(exact, abs=3e-5)


@given(st.floats(-5, 5), st.floats(0.05, 3), st.floats(-5, 5))
def test_meets_below_and_above_exclude_each_other(value, u, limit):
    number = normal(value, u)
    below = decide(value, probability_of_conformity(number, high=limit), -INF, limit)
    above = decide(value, probability_of_conformity(number, low=limit), limit, INF)
    assert (below, above) in {
        ("meets", "does not meet"),
        ("does not meet", "meets"),
        ("undecided", "undecided"),
    }


@given(st.floats(-3, 3), st.floats(0.05, 2), st.floats(-3, 3), st.floats(0, 3))
def test_a_range_is_no_more_probable_than_either_end(value, u, low, width):
    number = normal(value, u)
    both = probability_of_conformity(number, low, low + width)
    assert both <= probability_of_conformity(number, low=low) + 1e-9
    assert both <= probability_of_conformity(number, high=low + width) + 1e-9
    assert 0.0 <= both <= 1.0
