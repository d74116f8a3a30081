"""Monte Carlo against closed forms, against the linear law where it holds, and against JCGM 101 clause 9.2."""

import numpy as np
import pytest
from scipy import stats

from brickbook.core.coverage import coverage
from brickbook.core.monte_carlo import propagate_monte_carlo
from brickbook.core.uncertainty import Measured, Source, covariance_of, propagate, propagate_differences

A = Measured(10.0, {Source("a scatter", "A", "normal", 20): 0.3, Source("gain"): 0.4})
B = Measured(8.0, {Source("b scatter", "A", "normal", 20): 0.2, Source("gain"): 0.32})


def test_a_linear_formula_gives_the_linear_law():
    found = propagate_monte_carlo(lambda a, b: 2 * a - b, A, B, source="left over", seed=1)
    law = propagate(lambda a, b: 2 * a - b, A, B)
    assert found.measured.value == law.value
    assert found.measured.u == pytest.approx(law.u, rel=1e-9)
    for source, term in law.terms.items():
        assert found.measured.terms[source] == pytest.approx(term, abs=1e-9)
    assert found.leftover < 1e-9
    assert found.shift == pytest.approx(0.0, abs=0.02 * law.u)
    interval = coverage(law)
    assert (found.lower, found.upper) == pytest.approx((interval.lower, interval.upper), abs=0.03 * law.u)


def test_the_larger_of_two_equal_normals():
    """E max = 1/sqrt(pi), var max = 1 - 1/pi (order statistics of two standard normals)."""
    one, two = (Measured(0.0, {Source(n, "B", "normal"): 1.0}) for n in ("x", "y"))
    found = propagate_monte_carlo(np.maximum, one, two, source="left over", seed=2, draws=400_000)
    assert found.measured.value == 0.0
    assert found.shift == pytest.approx(np.pi**-0.5, abs=0.004)
    assert found.measured.u == pytest.approx((1 - 1 / np.pi) ** 0.5, rel=0.005)
    # each input carries half of the result; the rest is the kink's own
    assert [found.measured.terms[s] for s in one.terms] == pytest.approx([0.5], abs=0.005)
    assert found.leftover == pytest.approx((1 - 1 / np.pi - 0.5) ** 0.5, rel=0.02)
    quantiles = [stats.norm.ppf(p**0.5) for p in (0.025, 0.975)]  # F_max = F^2
    assert (found.lower, found.upper) == pytest.approx(quantiles, abs=0.02)


def test_the_result_stays_correlated():
    found = propagate_monte_carlo(np.maximum, A, B, source="left over", seed=3)
    gain = Source("gain")
    assert found.measured.terms[gain] == pytest.approx(0.4, abs=0.01)  # a is nearly always the larger
    assert covariance_of([found.measured, B])[0, 1] == pytest.approx(0.4 * 0.32, rel=0.05)


def test_a_minimum_that_differences_cannot_see():
    """A worst case of two equal readings: half-slopes see half of each, draws see the scatter between them."""
    one, two = (Measured(5.0, {Source(n, "B", "normal"): 0.1}) for n in ("x", "y"))
    flat = propagate_differences(np.minimum, one, two)
    drawn = propagate_monte_carlo(np.minimum, one, two, source="left over", seed=4)
    assert flat.u == pytest.approx(0.1 / 2**0.5, rel=1e-9)
    assert drawn.measured.u == pytest.approx(0.1 * (1 - 1 / np.pi) ** 0.5, rel=0.01)
    with pytest.raises(TypeError, match="kink"):
        propagate(np.minimum, one, two)


def test_a_crossing():
    """Where an interpolated curve crosses a limit: linear as long as the scatter is small against the step."""
    load = np.array([10.0, 20.0, 30.0, 40.0])
    points = [Measured(v, {Source(f"p{k}", "B", "normal"): 0.001}) for k, v in enumerate((0.86, 0.88, 0.90, 0.91))]

    def crossing(*y):
        table = np.stack(np.broadcast_arrays(*y), axis=-1)
        below = (table < 0.889).sum(axis=-1) - 1
        low = np.take_along_axis(table, below[..., None], -1)[..., 0]
        high = np.take_along_axis(table, below[..., None] + 1, -1)[..., 0]
        return load[below] + 10.0 * (0.889 - low) / (high - low)

    found = propagate_monte_carlo(crossing, *points, source="left over", seed=5)
    law = propagate(lambda low, high: 20.0 + 10.0 * (0.889 - low) / (high - low), points[1], points[2])
    assert found.measured.value == pytest.approx(24.5)
    assert found.measured.u == pytest.approx(law.u, rel=0.02)


def test_jcgm101_four_rectangles():
    """JCGM 101:2008 9.2.3 (from memory, high): ±3.88."""
    inputs = [Measured(0.0, {Source(f"x{k}"): 1.0}) for k in range(4)]
    found = propagate_monte_carlo(lambda *x: sum(x), *inputs, source="left over", seed=6, draws=400_000)
    assert (found.lower, found.upper) == pytest.approx((-3.88, 3.88), abs=0.02)


def test_small_degrees_of_freedom_widen_the_interval_and_not_u():
    """JCGM 101:2008 6.4.9: a mean of few readings has a t distribution; its u stays s/sqrt(n) (GUM 4.2.3)."""
    number = Measured(
        0.0, {Source("s, component 1", "A", "normal", 3): 0.6, Source("s, component 2", "A", "normal", 3): 0.8}
    )
    found = propagate_monte_carlo(lambda x: x, number, source="left over", seed=7, draws=400_000)
    assert found.measured.u == pytest.approx(1.0, rel=0.01)
    assert found.upper == pytest.approx(stats.t.ppf(0.975, 3), rel=0.02)  # one estimate of scatter for the family


def test_triangles_and_doubted_bounds():
    triangle = Measured(0.0, {Source("t", "B", "triangular"): 1.0})
    found = propagate_monte_carlo(lambda x: x, triangle, source="left over", seed=8, draws=400_000)
    assert found.upper == pytest.approx(6**0.5 * (1 - 0.05**0.5), rel=0.01)
    doubted = Measured(0.0, {Source("r", "B", "rectangular", 4): 1.0})
    found = propagate_monte_carlo(lambda x: x, doubted, source="left over", seed=9, draws=400_000)
    assert found.upper == pytest.approx(stats.t.ppf(0.975, 4), rel=0.02)


def test_exact_inputs():
    found = propagate_monte_carlo(lambda a, b: a + b, Measured(1.0), 2.0, source="left over", seed=1, draws=1000)
    assert (found.measured.value, found.measured.u, found.lower, found.upper) == (3.0, 0.0, 3.0, 3.0)


def test_the_seed_decides_everything():
    first, again, other = (
        propagate_monte_carlo(np.maximum, A, B, source="left over", seed=s, draws=2000) for s in (1, 1, 2)
    )
    assert first.measured.u == again.measured.u
    assert (first.lower, first.upper) == (again.lower, again.upper)
    assert first.measured.u != other.measured.u


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="1000 draws"):
        propagate_monte_carlo(np.maximum, A, B, source="s", seed=1, draws=10)
    with pytest.raises(TypeError, match="single number"):
        propagate_monte_carlo(np.sum, Measured(np.ones(3)), source="s", seed=1)
    with pytest.raises(TypeError, match="one number for each draw"):
        propagate_monte_carlo(lambda a: np.array([a.mean()]) if np.ndim(a) else a, A, source="s", seed=1)
    near_zero = Measured(0.1, {Source("x", "B", "normal"): 0.1})
    with pytest.raises(ValueError, match="not finite for"):
        propagate_monte_carlo(lambda x: np.where(x > 0, 1.0, np.nan), near_zero, source="s", seed=1)
