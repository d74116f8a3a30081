"""Comparison: correlation through shared meters, Holm's method, ranks, fronts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from uncertainties import ufloat

from brickbook.library.comparing import Item, compare_items, holm
from brickbook.library.pareto import pareto_front


def test_two_units_on_two_benches():
    """JCGM 100 5.1.2 and ISO 13528's E_n with U = 2u: 89.9 and 90.6 %, u 0.25 and 0.30 (computed apart): z = 1.79,
    p = 0.073, E_n = -0.90: no difference shown."""
    found = compare_items([Item("a", 89.9, 0.25), Item("b", 90.6, 0.30)]).difference(0, 1)
    assert abs(found.value / found.u) == pytest.approx(1.79, abs=5e-3)
    assert found.p == pytest.approx(0.073, abs=5e-4)
    assert found.e_n * 1.959964 / 2 == pytest.approx(-0.90, abs=5e-3)
    assert not found.different


def test_two_units_on_one_bench():
    """The same with r = 0.8 through one meter: u(d) = 0.180, z = 3.88, p = 1e-4, a difference (JCGM 100 5.2.2)."""
    shared_a, shared_b = 0.25 * 0.9, 0.30 * 0.8 / 0.9  # product is 0.8 x 0.25 x 0.30
    items = [
        Item("a", 89.9, (0.25**2 - shared_a**2) ** 0.5, shared={"meter": shared_a}),
        Item("b", 90.6, (0.30**2 - shared_b**2) ** 0.5, shared={"meter": shared_b}),
    ]
    found = compare_items(items).difference(0, 1)
    assert found.u == pytest.approx(0.180, abs=5e-4)
    assert abs(found.value / found.u) == pytest.approx(3.88, abs=0.01)
    assert found.p == pytest.approx(1e-4, abs=1e-5)
    assert found.different
    with_uncertainties = (
        ufloat(0, abs(shared_a - shared_b)) + ufloat(0, items[0].stated_u) + ufloat(0, items[1].stated_u)
    )
    assert found.u == pytest.approx(with_uncertainties.s)


def test_welch():
    """Without shared errors the test is Welch's: 89.9, 89.7, 90.0 against 90.6, 90.5, 90.8 give t = -6.15, 4.0 degrees
    of freedom, p = 0.0036; and scipy's ttest_ind says the same."""
    a, b = np.array([89.9, 89.7, 90.0]), np.array([90.6, 90.5, 90.8])
    items = [Item(n, x.mean(), 0.0, x.std(ddof=1) / 3**0.5, 2.0) for n, x in (("a", a), ("b", b))]
    found = compare_items(items).difference(0, 1)
    oracle = stats.ttest_ind(a, b, equal_var=False)
    assert found.value / found.u == pytest.approx(oracle.statistic)
    assert found.p == pytest.approx(oracle.pvalue)
    assert (found.value / found.u, found.p) == (pytest.approx(-6.15, abs=5e-3), pytest.approx(0.0036, abs=5e-5))


@settings(max_examples=60)
@given(
    st.floats(0.0, 12.0), st.floats(0.1, 2), st.floats(0.1, 2), st.floats(0.1, 2), st.floats(2, 60), st.floats(2, 60)
)
def test_cautious_probability(d, a, b, known, nu_a, nu_b):
    """The root of d² = sum of (t(p, nu) u)², found with scipy's own distributions (Banerjee 1960)."""
    items = [Item("a", d, known, a, nu_a), Item("b", 0.0, 0.0, b, nu_b)]

    def excess(log_p):
        p = np.exp(log_p)
        parts = (stats.t.isf(p / 2, nu_a) * a, stats.t.isf(p / 2, nu_b) * b, stats.norm.isf(p / 2) * known)
        return np.linalg.norm(parts) - d

    found = compare_items(items).cautious_p(0, 1)
    if d > 0 and excess(np.log(1e-18)) < 0:  # beyond the table: its last level
        assert found == pytest.approx(1e-18)
        return
    p = np.exp(optimize.brentq(excess, np.log(1e-18), 0.0)) if d > 0 else 1.0
    # degrees of freedom are rounded down to two digits, and p is interpolated
    assert p * (1 - 0.03) <= found + 1e-17
    assert found <= p**0.9 * 1.15


def test_cautious_probability_in_closed_form():
    """Bounds alone: the normal distribution. One scatter alone: the t distribution."""
    for d in (0.5, 1.0, 2.0, 4.0):
        normal = compare_items([Item("a", d, 0.6), Item("b", 0.0, 0.8)]).cautious_p(0, 1)
        assert normal == pytest.approx(2 * stats.norm.sf(d), rel=0.02)
        student = compare_items([Item("a", d, 0.0, 1.0, 8.0), Item("b", 0.0, 0.0)]).cautious_p(0, 1)
        assert student == pytest.approx(2 * stats.t.sf(d, 8), rel=0.02)


def test_holm_example():
    """By hand: 0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02."""
    assert holm(np.array([0.01, 0.04, 0.03, 0.005])) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert len(holm(np.array([]))) == 0


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_holm_rejects_what_the_definition_rejects(p):
    """Step down: while the k-th smallest is at most alpha/(m - k + 1), it is rejected."""
    rejected = set()
    for k, index in enumerate(np.argsort(p, kind="stable")):
        if p[index] > 0.05 / (len(p) - k) * (1 + 1e-12):
            break
        rejected.add(int(index))
    found = set(np.flatnonzero(holm(np.array(p)) <= 0.05 * (1 + 1e-12)).tolist())
    assert found == rejected


items_of = st.lists(
    st.builds(
        lambda value, own, dof, gain, other: (value, own, dof, gain, other),
        st.floats(-10, 10),
        st.floats(0.01, 1),
        st.sampled_from([3.0, 10.0, float("inf")]),
        st.floats(-1, 1),
        st.floats(0, 1),
    ),
    min_size=2,
    max_size=12,
)


def _items(drawn, shift=0.0, scale=1.0):
    return [
        Item(
            f"c{k}",
            scale * v + shift,
            scale * 0.5 * own,
            scale * own,
            dof,
            {"meter": scale * gain} | ({"range": scale * o} if k % 2 else {}),
        )
        for k, (v, own, dof, gain, o) in enumerate(drawn)
    ]


@settings(max_examples=60)
@given(items_of, st.floats(-100, 100), st.floats(0.1, 10))
def test_shift_and_scale_change_no_place(drawn, shift, scale):
    one, other = compare_items(_items(drawn)), compare_items(_items(drawn, shift, scale))
    assert (one.rank_low == other.rank_low).all()
    assert (one.rank_high == other.rank_high).all()


@settings(max_examples=60)
@given(items_of)
def test_ranks_are_what_the_pairs_say(drawn):
    found = compare_items(_items(drawn))
    n = len(drawn)
    for i in range(n):
        sure = [j for j in range(n) if j != i and found.difference(i, j).different]
        below = sum(found.items[j].value < found.items[i].value for j in sure)
        assert found.fewer[i] == below
        assert found.rank_low[i] == 1 + below
        assert found.rank_high[i] == n - (len(sure) - below)
        assert found.rank_low[i] <= 1 + list(found.order).index(i) <= found.rank_high[i]
        d = found.difference(i, (i + 1) % n)
        assert d.p_adjusted >= d.p * (1 - 1e-9)
        assert found.difference((i + 1) % n, i).value == -d.value


def test_more_than_pairs_can_do(monkeypatch):
    """Joint intervals are wider than pairs need, and never order two chargers the other way."""
    rng = np.random.default_rng(20261125)
    items = [
        Item(f"c{k}", float(v), 0.1, 0.15, 20.0, {"meter": 3.0 + 0.1 * k / 60})
        for k, v in enumerate(rng.normal(size=60))
    ]
    pairs = compare_items(items)
    monkeypatch.setattr("brickbook.library.comparing.MOST_PAIRWISE", 10)
    joint = compare_items(items)
    assert (pairs.way, joint.way) == ("pairs", "intervals")
    assert (joint.rank_low <= pairs.rank_low).all()
    assert (joint.rank_high >= pairs.rank_high).all()
    assert joint.fewer.sum() > 0.5 * pairs.fewer.sum()  # the large error of the meter is common to all and left out
    n = len(items)
    sure = np.array([[i != j and joint.difference(i, j).different for j in range(n)] for i in range(n)])
    value = np.array([item.value for item in items])
    assert (joint.fewer == (sure & (value[:, None] > value)).sum(axis=1)).all()


def test_against_one():
    items = [Item(name, value, 0.1) for name, value in (("a", 0.0), ("b", 0.05), ("c", 1.0), ("d", -1.0))]
    found = compare_items(items, against=0)
    assert found.tests == 3
    assert found.difference(2, 0).different
    assert not found.difference(1, 0).different
    assert (found.fewer[0], found.more[0]) == (1, 1)
    assert found.difference(0, 2).p_adjusted == pytest.approx(found.difference(0, 2).p * 3)
    with pytest.raises(ValueError, match="a only"):
        found.difference(1, 2)


def test_exact_numbers():
    """Prices have no uncertainty: they differ when they are not equal."""
    found = compare_items([Item("a", 39.9, 0.0), Item("b", 39.9, 0.0), Item("c", 40.0, 0.0)])
    assert not found.difference(0, 1).different
    assert found.difference(0, 2).different
    assert found.rank_high.tolist() == [2, 2, 3]


def test_repeatability_of_the_set_up_counts():
    items = [Item("a", 1.0, 0.001), Item("b", 1.02, 0.001)]
    assert compare_items(items).difference(0, 1).different
    assert not compare_items(items, repeat_u=0.01).difference(0, 1).different


def test_spread():
    """Quartiles of numpy; what the chargers themselves spread is what is left of s."""
    found = compare_items([Item(str(k), float(k), 0.5, shared={"meter": 100.0}) for k in range(1, 10)]).spread
    assert (found.smallest, found.lower_quartile, found.median, found.upper_quartile, found.largest) == (1, 3, 5, 7, 9)
    assert found.s == pytest.approx(np.std(range(1, 10), ddof=1))
    assert found.beyond_measurement == pytest.approx((found.s**2 - 0.25) ** 0.5)
    assert compare_items([Item("a", 1.0, 0.5), Item("b", 1.1, 0.5)]).spread.beyond_measurement == 0.0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: compare_items([]), "nothing"),
        (lambda: compare_items([Item("x", float("nan"), 0.1)]), "x: value"),
        (lambda: compare_items([Item("x", 1.0, -0.1)]), "at least 0"),
        (lambda: pareto_front([[1.0]], [[0.1]], ["largest", "largest"]), "2 directions"),
        (lambda: pareto_front([[float("nan")]], [[0.1]], ["largest"]), "missing"),
    ],
)
def test_wrong_input(make, words):
    with pytest.raises(ValueError, match=words):
        make()


points = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(0, 5)), min_size=1, max_size=15)


@settings(max_examples=100)
@given(points, st.floats(0.0, 0.6))
def test_front_against_brute_force(drawn, u):
    """Every pair looked at, by the definition."""
    values = np.array(drawn, dtype=float)
    found = pareto_front(values, np.full(values.shape, u), ["largest", "smallest", "largest"])
    good = values * [1, -1, 1]
    half = u * stats.norm.isf(0.05 / (2 * values.size)) if u > 0 else 0.0

    def dominates(a, b):
        return bool((a >= b).all() and (a > b).any())

    n = len(good)
    for i in range(n):
        others = [j for j in range(n) if j != i]
        assert found.by_value[i] == (not any(dominates(good[j], good[i]) for j in others))
        beaten = any(dominates(good[j] - half, good[i] + half) for j in others)
        threatened = any(dominates(good[j] + half, good[i] - half) for j in others)
        assert found.standing[i] == ("beaten" if beaten else "perhaps" if threatened else "on the front")
        assert (found.beaten_by[i] is not None) == beaten
        if beaten:
            assert dominates(good[found.beaten_by[i]], good[i])
