"""Coverage intervals against closed forms, JCGM 101 clause 9.2, JCGM 106 table 1, GUM table G.2, and Monte Carlo."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from brickbook.core.coverage import coverage, error_distribution, probability_within
from brickbook.core.uncertainty import Measured, Source, exact


def _number(rectangles=(), *, normal=0.0, dof=float("inf"), triangles=(), value=0.0):
    terms = {Source(f"r{k}"): u for k, u in enumerate(rectangles)}
    terms |= {Source(f"t{k}", "B", "triangular"): u for k, u in enumerate(triangles)}
    if normal:
        terms[Source("scatter", "A", "normal", dof)] = normal
    return Measured(value, terms)


# ---------------------------------------------------------------- published values


@pytest.mark.parametrize(
    ("dof", "t95", "t9545", "t99", "t9973"),
    [
        (1, 12.71, 13.97, 63.66, 235.80),
        (2, 4.30, 4.53, 9.92, 19.21),
        (3, 3.18, 3.31, 5.84, 9.22),
        (5, 2.57, 2.65, 4.03, 5.51),
        (10, 2.23, 2.28, 3.17, 3.96),
        (20, 2.09, 2.13, 2.85, 3.42),
        (50, 2.01, 2.05, 2.68, 3.16),
        (float("inf"), 1.960, 2.000, 2.576, 3.000),
    ],
)
def test_gum_table_g2(dof, t95, t9545, t99, t9973):
    """JCGM 100:2008 table G.2 (from memory, high; every value also is the t quantile)."""
    number = _number(normal=1.0, dof=dof)
    # the table's columns "95.45" and "99.73" stand for two and three standard deviations
    two, three = stats.norm.cdf(2) * 2 - 1, stats.norm.cdf(3) * 2 - 1
    for probability, factor in ((0.95, t95), (two, t9545), (0.99, t99), (three, t9973)):
        assert coverage(number, probability).factor == pytest.approx(factor, abs=0.0051, rel=1e-4)


def test_jcgm101_additive_model_of_four_normals():
    """JCGM 101:2008 9.2.2 (from memory, high): four normal inputs of u = 1: u 2.0, interval ±3.92."""
    number = Measured(0.0, {Source(f"n{k}", "B", "normal"): 1.0 for k in range(4)})
    assert number.u == 2.0
    assert coverage(number).upper == pytest.approx(3.92, abs=0.005)


def test_jcgm101_additive_model_of_four_rectangles():
    """JCGM 101:2008 9.2.3 (from memory, high): ±3.88; in closed form 2 sqrt 3 (2 - (3/5)^(1/4))."""
    number = _number([1.0] * 4)
    assert coverage(number).upper == pytest.approx(3.88, abs=0.005)
    assert coverage(number).upper == pytest.approx(2 * 3**0.5 * (2 - 0.6**0.25), rel=3e-5)


def test_jcgm101_additive_model_with_one_large_rectangle():
    """JCGM 101:2008 9.2.4 (from memory, high): u 1, 1, 1, 10: u(y) 10.1, ±17.0 where the normal law would say ±19.9."""
    number = _number([1.0, 1.0, 1.0, 10.0])
    assert number.u == pytest.approx(10.1, abs=0.05)
    assert coverage(number).upper == pytest.approx(17.0, abs=0.05)
    assert 1.96 * number.u == pytest.approx(19.9, abs=0.05)


@pytest.mark.parametrize(
    ("z", "probability"), [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999), (0.0, 0.50)]
)
def test_jcgm106_table_1(z, probability):
    """JCGM 106:2012 table 1 (computed values; the table itself was not seen): z = (T_U - y)/u against p_c."""
    number = _number(normal=0.7, value=3.0)
    shown = 0.5 * 10 ** -len(str(probability).partition(".")[2])
    assert probability_within(number, high=3.0 + 0.7 * z) == pytest.approx(probability, abs=max(shown, 0.0015))
    assert probability_within(number, low=3.0 - 0.7 * z) == pytest.approx(probability, abs=max(shown, 0.0015))


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability"),
    [
        (75.6, 1.0, -np.inf, 77.0, 0.91924),  # K70
        (75.0, 1.0, -np.inf, 77.0, 0.97725),  # K71
        (0.240, 0.008, -np.inf, 0.25, 0.89435),  # K73
        (0.887, 0.004, 0.88, np.inf, 0.95994),  # K74
        (20.93, 0.05, 19.0, 21.0, 0.91924),  # K75
    ],
)
def test_probability_of_conformity(value, u, low, high, probability):
    """JCGM 106:2012 7.2, 7.3: Phi of the distance to the limit over u."""
    assert probability_within(_number(normal=u, value=value), low, high) == pytest.approx(probability, abs=1e-5)


def test_guard_band_of_five_percent():
    """K72: y = T_U - 1.645 u is where the probability of conformity is 95 %."""
    assert probability_within(_number(normal=1.0, value=75.355), high=77.0) == pytest.approx(0.95, abs=5e-5)


# ---------------------------------------------------------------- closed forms

_MIDPOINTS = (np.arange(100_000) + 0.5) / 50_000 - 1.0  # of [-1, 1]; the mean over them is an integral good to 1e-5


def test_one_rectangle():
    assert coverage(_number([1.0])).factor == pytest.approx(0.95 * 3**0.5, rel=1e-6)
    assert probability_within(_number([1.0]), high=3**0.5 * 1.01) == 1.0
    assert probability_within(_number([1.0]), low=3**0.5 * 1.01) == 0.0


def test_two_equal_rectangles_are_a_triangle():
    exact_half = 6**0.5 * (1 - 0.05**0.5)  # GUM 4.3.9 distribution: tail (1 - x)^2/2
    assert coverage(_number([2**-0.5, 2**-0.5])).factor == pytest.approx(exact_half, rel=2e-5)
    assert coverage(_number(triangles=[1.0])).factor == pytest.approx(exact_half, rel=2e-5)


@pytest.mark.parametrize("count", [3, 5, 8, 12])
def test_equal_rectangles_against_irwin_hall(count):
    upper = coverage(_number([1.0] * count)).upper
    assert stats.irwinhall(count).cdf(count / 2 + upper / 12**0.5) == pytest.approx(0.975, abs=1e-5)


@pytest.mark.parametrize("ratio", [1e-6, 1e-3, 0.02, 0.3, 1.0, 3.0])
def test_a_rectangle_and_a_normal_against_quadrature(ratio):
    """F(x) = E[Phi((x - R)/s)] by numerical integration over the rectangle R."""
    upper = coverage(_number([1.0], normal=ratio)).upper
    inside = float(np.mean(stats.norm.cdf((upper - 3**0.5 * _MIDPOINTS) / ratio)))
    assert inside == pytest.approx(0.975, abs=1e-5)


@pytest.mark.parametrize("dof", [1.0, 1.0001, 1.5, 2.0, 3.0, 9.0, 200.0])
@pytest.mark.parametrize("scale", [0.01, 0.3, 2.0])
def test_a_rectangle_and_a_t_against_quadrature(dof, scale):
    upper = coverage(_number([1.0], normal=scale, dof=dof)).upper
    inside = float(np.mean(special.stdtr(dof, (upper - 3**0.5 * _MIDPOINTS) / scale)))
    assert inside == pytest.approx(0.975, abs=4e-5)


def test_two_rectangles_and_a_t_against_quadrature():
    nodes, weights = np.polynomial.legendre.leggauss(100)
    shift = 3**0.5 * (nodes[:, None] + 0.5 * nodes[None, :])
    weight = weights[:, None] * weights[None, :] / 4
    for dof in (1.0, 2.0, 5.0, 30.0):
        upper = coverage(_number([1.0, 0.5], normal=0.4, dof=dof)).upper
        assert float((weight * special.stdtr(dof, (upper - shift) / 0.4)).sum()) == pytest.approx(0.975, abs=5e-5)


# ---------------------------------------------------------------- Monte Carlo


@pytest.mark.parametrize(
    ("rectangles", "triangles", "normal", "dof"),
    [
        ([1.0, 0.8, 0.1, 0.05], [], 0.2, 4),
        ([1.0, 0.06, 0.06, 0.06, 0.06, 0.06], [0.3], 0.0, float("inf")),
        ([0.3] * 30, [], 0.5, 3),
        ([0.05] * 60 + [1.0], [0.5, 0.2], 0.3, 5),
    ],
)
def test_coverage_against_monte_carlo(rectangles, triangles, normal, dof):
    """JCGM 101:2008 clause 7: 4e5 draws, whose own 95 % quantile is good to about 0.3 %."""
    rng = np.random.default_rng(5)
    draws = 400_000
    total = np.zeros(draws)
    for u in rectangles:
        total += rng.uniform(-u, u, draws) * 3**0.5
    for u in triangles:
        total += rng.triangular(-u, 0.0, u, draws) * 6**0.5
    if normal:
        total += normal * (rng.standard_t(dof, draws) if np.isfinite(dof) else rng.standard_normal(draws))
    number = _number(rectangles, triangles=triangles, normal=normal, dof=dof)
    assert coverage(number).upper == pytest.approx(np.quantile(np.abs(total), 0.95), rel=0.006)
    assert probability_within(number, high=number.u) == pytest.approx(np.mean(total <= number.u), abs=0.003)


# ---------------------------------------------------------------- properties


@settings(max_examples=60, deadline=None)
@given(
    rectangles=st.lists(st.floats(1e-4, 10.0), max_size=6),
    normal=st.floats(0.0, 5.0),
    dof=st.one_of(st.floats(1.0, 100.0), st.just(float("inf"))),
    scale=st.sampled_from([1e-9, 1.0, 1e6]),
    probability=st.floats(0.5, 0.999),
)
def test_interval_properties(rectangles, normal, dof, scale, probability):
    number = _number(rectangles, normal=normal, dof=dof)
    if number.u == 0.0:
        return
    interval = coverage(number, probability)
    assert interval.lower == pytest.approx(-interval.upper)
    assert interval.factor > 0.0
    wider = coverage(number, probability + 0.0005)
    assert wider.upper >= interval.upper
    scaled = coverage(Measured(0.0, {s: scale * t for s, t in number.terms.items()}), probability)
    assert scaled.factor == pytest.approx(interval.factor, rel=1e-6)
    # the interval and the probability are two views of one distribution
    held = probability_within(number, interval.lower, interval.upper)
    assert held == pytest.approx(probability, abs=2e-4)
    distribution = error_distribution(number)
    assert distribution is not None
    assert np.all(np.diff(distribution.grid) > 0)
    assert np.all(np.diff(distribution.cumulative) >= 0)


def test_a_bound_that_may_be_wrong_has_no_sharp_ends():
    """GUM G.4.2: a type B u doubted by 50 % has two degrees of freedom."""
    doubted = Measured(0.0, {Source("bound", "B", "rectangular", 2.0): 1.0})
    assert coverage(doubted).factor == pytest.approx(stats.t.ppf(0.975, 2), rel=1e-9)


def test_exact_numbers():
    interval = coverage(exact(3.0))
    assert (interval.lower, interval.upper, interval.factor) == (3.0, 3.0, 0.0)
    assert error_distribution(exact(3.0)) is None
    assert probability_within(exact(3.0), high=3.0) == 1.0
    assert probability_within(exact(3.0), low=3.1) == 0.0


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="probability"):
        coverage(_number([1.0]), 1.0)
    with pytest.raises(ValueError, match="probability"):
        coverage(_number([1.0]), 0.0)
    with pytest.raises(ValueError, match="not finite"):
        coverage(_number([float("nan")]))
    with pytest.raises(TypeError, match="single number"):
        coverage(Measured(np.ones(2), {Source("s"): np.ones(2)}))
    distribution = error_distribution(_number([1.0]))
    assert distribution is not None
    with pytest.raises(ValueError, match="probability"):
        distribution.quantile(1.0)


def test_it_is_quick():
    """A report has thousands of figures; the bound is ten times what an idle machine takes."""
    number = _number([1.0, 0.5, 0.2], normal=0.3, dof=9)
    coverage(number)
    start = time.perf_counter()
    for _ in range(20):
        coverage(number)
    assert (time.perf_counter() - start) / 20 < 5e-3


def test_tails_of_many_bounds():
    """Twelve equal rectangles beyond 3.9 and 4.5 standard deviations, against Irwin–Hall."""
    distribution = error_distribution(_number([1.0] * 12))
    assert distribution is not None
    for deviations in (3.9, 4.5):
        oracle = stats.irwinhall(12).sf(6 + deviations)  # 12 rectangles of width 1 have a standard deviation of 1
        assert 1 - distribution.cdf(deviations * 12**0.5) == pytest.approx(oracle, abs=1e-6)
