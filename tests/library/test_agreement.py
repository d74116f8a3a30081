"""Agreement of testers, beside published worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.library.agreement import consensus, en_number, paule_mandel, robust_mean, zeta_score

# Creosote, means of nine laboratories: ISO 5725-5:1998, example of Algorithm A (data as a public statistics package's
# examples give them; the result x* = 20.412 from memory)
CREOSOTE = np.array([24.140, 20.155, 19.500, 20.300, 20.705, 17.570, 20.100, 20.940, 21.185])

# BCG vaccine against tuberculosis, thirteen trials: vaccinated ill and well, others ill and well. Colditz et al., JAMA
# 271 (1994) 698; results of the random-effects model in Viechtbauer, J. Stat. Softw. 36(3) (2010), from memory.
BCG = np.array(
    [
        (4, 119, 11, 128),
        (6, 300, 29, 274),
        (3, 228, 11, 209),
        (62, 13536, 248, 12619),
        (33, 5036, 47, 5761),
        (180, 1361, 372, 1079),
        (8, 2537, 10, 619),
        (505, 87886, 499, 87892),
        (29, 7470, 45, 7232),
        (17, 1699, 65, 1600),
        (186, 50448, 141, 27197),
        (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ],
    dtype=float,
)


def bcg():
    ill, well, ill_0, well_0 = BCG.T
    n, n_0 = ill + well, ill_0 + well_0
    return np.log(ill / n / (ill_0 / n_0)), np.sqrt(1 / ill - 1 / n + 1 / ill_0 - 1 / n_0)


def test_algorithm_a_of_the_standards_example():
    found = robust_mean(CREOSOTE)
    assert found.value == pytest.approx(20.412, abs=5e-4)
    # 17.570 and 24.140 are the two the standard's plots show apart
    assert list(np.flatnonzero(found.action)) == [0]
    assert list(np.flatnonzero(found.warning)) == [5]


def test_algorithm_a_holds_its_own_equations():
    # ISO 13528:2015 C.3.1: x* is the mean and s* 1.134 times the deviation of the values cut at x* +- 1.5 s*
    found = robust_mean(CREOSOTE)
    cut = np.clip(CREOSOTE, found.value - 1.5 * found.s, found.value + 1.5 * found.s)
    assert cut.mean() == pytest.approx(found.value, rel=1e-10)
    assert 1.134 * cut.std(ddof=1) == pytest.approx(found.s, rel=1e-9)
    assert found.u == pytest.approx(1.25 * found.s / 3.0)


def test_robust_mean_of_a_normal_sample_is_nearly_as_good_as_the_mean():
    # asymptotic efficiency 0.964 at a cut of 1.5 (Huber, Robust Statistics; from memory)
    rng = np.random.default_rng(4)
    draws = rng.standard_normal((4000, 40))
    robust = np.array([robust_mean(d).value for d in draws])
    assert np.var(draws.mean(axis=1)) / np.var(robust) == pytest.approx(0.964, abs=0.02)


@given(
    st.lists(st.floats(-1e3, 1e3, allow_nan=False).map(lambda v: round(v, 3)), min_size=3, max_size=30),
    st.floats(0.1, 10),
    st.floats(-100, 100),
)
def test_robust_mean_moves_with_its_unit(values, factor, shift):
    one, other = robust_mean(values), robust_mean(np.array(values) * factor + shift)
    assert other.value == pytest.approx(one.value * factor + shift, rel=1e-6, abs=1e-6 * (1 + max(map(abs, values))))
    assert other.s == pytest.approx(one.s * factor, rel=1e-4, abs=1e-6)


def test_one_wild_value_in_seven_hardly_moves_it():
    base = np.array([90.1, 90.2, 89.9, 90.0, 90.3, 89.8])
    near, far = robust_mean([*base, 92.0]), robust_mean([*base, 1e6])
    assert far.value == pytest.approx(near.value, abs=1e-9)
    assert far.action[-1]


def test_values_of_which_most_are_equal():
    found = robust_mean([5.0, 5.0, 5.0, 5.0, 5.0, 5.4])
    assert found.value == pytest.approx(5.0, abs=0.1)
    same = robust_mean([5.0, 5.0, 5.0])
    assert (same.value, same.s) == (5.0, 0.0)
    assert not same.action.any()


def test_between_tester_variance_of_the_published_meta_analysis():
    y, u = bcg()
    found = consensus(y, u)
    assert found.chi_squared == pytest.approx(152.23, abs=0.01)
    assert found.method == "between-tester variance"
    # Paule-Mandel: tau^2 = 0.3181, mean -0.7150, standard error 0.1809
    assert found.between**2 == pytest.approx(0.3181, abs=5e-5)
    assert found.value == pytest.approx(-0.7150, abs=1e-4)
    assert found.u == pytest.approx(0.1809, abs=1e-4)


def test_paule_mandel_solves_its_equation():
    y, u = bcg()
    t = paule_mandel(y, u)
    w = 1 / (u**2 + t**2)
    mean = w @ y / w.sum()
    assert w @ (y - mean) ** 2 == pytest.approx(len(y) - 1, rel=1e-9)


def test_weighted_mean_in_closed_form():
    # two testers: weights 1 and 1/4
    found = consensus([10.0, 10.2], [0.1, 0.2])
    assert found.value == pytest.approx((10.0 + 10.2 / 4) / 1.25)
    assert found.u == pytest.approx(0.1 / 1.25**0.5)
    assert found.between == 0.0
    # each against the other alone
    assert found.zeta == pytest.approx([-0.2 / 0.05**0.5, 0.2 / 0.05**0.5])


def test_testers_who_state_too_little_are_all_charged():
    found = consensus([90.0, 91.0, 92.0, 93.0], [0.01] * 4)
    assert found.method == "between-tester variance"
    # with equal u: t^2 = s^2 - u^2
    assert found.between == pytest.approx(np.sqrt(np.var([0, 1, 2, 3], ddof=1) - 1e-4))
    assert np.abs(found.zeta).max() < 3


def test_the_outlying_tester_is_found_and_no_other():
    found = consensus([90.0, 90.1, 89.9, 90.05, 93.0], [0.1] * 5)
    assert list(np.flatnonzero(np.abs(found.zeta) >= 3)) == [4]


def test_honest_testers_are_rarely_blamed():
    rng = np.random.default_rng(11)
    blamed = inside = 0
    for _ in range(2000):
        u = rng.uniform(0.05, 0.5, 6)
        found = consensus(10 + u * rng.standard_normal(6), u)
        blamed += int((np.abs(found.zeta) >= 3).sum())
        inside += abs(found.value - 10) <= 1.96 * found.u
    assert blamed / 12000 < 0.006  # 0.27 % of a normal, a little more where the others seem to disagree
    assert inside / 2000 == pytest.approx(0.95, abs=0.02)


def test_scores_in_closed_form():
    # ISO 13528:2015 9.6 and 9.7, by hand: 0.3/0.5
    assert en_number(10.3, 0.3, 10.0, 0.4) == pytest.approx(0.6)
    assert zeta_score(10.3, 0.3, 10.0, 0.4) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: robust_mean([1.0]), "two values"),
        (lambda: robust_mean([1.0, float("nan")]), "finite"),
        (lambda: consensus([1.0, 2.0], [0.1]), "above zero"),
        (lambda: consensus([1.0, 2.0], [0.1, 0.0]), "above zero"),
        (lambda: en_number(1.0, 0.0, 2.0, 0.0), "uncertainty"),
    ],
)
def test_what_cannot_be_judged_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
