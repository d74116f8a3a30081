"""Means of correlated readings and lines: NIST reference data, closed forms, and coverage by simulation."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, special, stats

from brickbook.core.statistics import autocorrelated_mean, autocorrelations, effective_count, fit_line

_spec = importlib.util.spec_from_file_location("strd", Path(__file__).with_name("strd.py"))
strd = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(strd)


def _autoregression(rng, count, n, rho):
    """`count` stationary Gaussian series x_k = rho x_(k-1) + e_k, shape (count, n), of mean 0."""
    noise = rng.standard_normal((count, n))
    noise[:, 0] /= np.sqrt(1.0 - rho**2)
    return signal.lfilter([1.0], [1.0, -rho], noise, axis=1)


def _held(series):
    """Share of 95 % intervals that hold the true mean, 0."""
    means = [autocorrelated_mean(x) for x in series]
    values, u, dof = (np.array([getattr(m, name) for m in means]) for name in ("value", "u", "dof"))
    return float(np.mean(np.abs(values) <= special.stdtrit(dof, 0.975) * u))


# ---------------------------------------------------------------- NIST reference data


@pytest.mark.parametrize(
    ("text", "mean", "s", "lag1"),
    [
        (strd.LOTTERY, 518.958715596330, 291.699727470969, -0.120948622967393),
        (strd.MICHELSO, 299.852400000000, 0.0790105478190518, 0.535199668621283),
        (strd.MAVRO, 2.00185600000000, 0.000429123454003053, 0.937989183438248),
    ],
    ids=["Lottery", "Michelso", "Mavro"],
)
def test_nist_univariate(text, mean, s, lag1):
    """NIST StRD univariate summary statistics: sample mean, standard deviation, lag-1 autocorrelation."""
    readings = strd.numbers(text)
    found = autocorrelated_mean(readings)
    assert found.value == pytest.approx(mean, rel=1e-14)
    assert autocorrelations(readings)[1] == pytest.approx(lag1, rel=1e-9)
    # s of one reading is corrected upward where the readings are correlated, and the certified one where they are not
    n = len(readings)
    uncorrected = np.sqrt(found.s**2 * max(n - n / found.effective_count, 0.05 * n) / (n - 1))
    assert uncorrected == pytest.approx(s, rel=1e-9)
    assert found.s >= s * (1 - 1e-12)


def test_nist_lottery_counts_as_independent():
    """Negative correlation does not shrink an uncertainty: the GUM 4.2.3 result, s/sqrt(n) with n - 1."""
    found = autocorrelated_mean(strd.numbers(strd.LOTTERY))
    assert found.effective_count == 218
    assert found.u == pytest.approx(291.699727470969 / np.sqrt(218), rel=1e-12)
    assert found.dof == 217


def test_nist_michelson_and_mavro_do_not():
    michelso = autocorrelated_mean(strd.numbers(strd.MICHELSO))
    assert 100 / 7 < michelso.effective_count < 100 / 3  # (1 + r)/(1 - r) is 3.3 at the biased r_1
    assert michelso.dof < michelso.effective_count
    mavro = autocorrelated_mean(strd.numbers(strd.MAVRO))
    assert mavro.effective_count < 4
    assert mavro.dof < 2


# ---------------------------------------------------------------- GUM type A


def test_repeats():
    """K85 (GUM 4.2): 88.1, 88.4, 88.2: mean 88.2333, s 0.15275, u 0.08819, nu 2."""
    found = autocorrelated_mean(np.array([88.1, 88.4, 88.2]))
    assert found.value == pytest.approx(88.2333, abs=5e-5)
    assert found.s == pytest.approx(0.15275, abs=5e-6)
    assert found.u == pytest.approx(0.08819, abs=5e-6)
    assert found.dof == 2
    # repeatability limit of ISO 5725, and its t-based form for three runs
    assert 2.8 * found.s == pytest.approx(0.4277, abs=5e-5)
    assert stats.t.ppf(0.975, found.dof) * np.sqrt(2) * found.s == pytest.approx(0.9295, abs=5e-5)


def test_comparison_of_two_units():
    """K87, K88, K89: E_n (ISO 13528); a difference with correlation; Welch's t of two triples."""
    assert (89.9 - 90.6) / np.hypot(0.5, 0.6) == pytest.approx(-0.8963, abs=5e-5)
    first, second = (autocorrelated_mean(np.array(x)) for x in ([89.9, 89.7, 90.0], [90.6, 90.5, 90.8]))
    u = np.hypot(first.u, second.u)
    dof = u**4 / (first.u**4 / first.dof + second.u**4 / second.dof)
    t = (first.value - second.value) / u
    assert t == pytest.approx(-6.147, abs=5e-4)
    assert dof == pytest.approx(4.0, abs=0.005)
    assert 2 * stats.t.sf(abs(t), dof) == pytest.approx(0.00355, abs=5e-6)
    oracle = stats.ttest_ind([89.9, 89.7, 90.0], [90.6, 90.5, 90.8], equal_var=False)
    assert t == pytest.approx(oracle.statistic, rel=1e-12)


def test_missing_readings_are_left_out_and_counted():
    found = autocorrelated_mean(np.array([88.1, np.nan, 88.4, 88.2, np.nan]))
    assert found.count == 3
    assert found.value == pytest.approx(88.2333, abs=5e-5)


def test_too_few_readings():
    for readings in ([], [1.0], [1.0, np.nan]):
        with pytest.raises(ValueError, match="at least two readings"):
            autocorrelated_mean(np.array(readings))


def test_constant_readings():
    found = autocorrelated_mean(np.full(50, 0.1))
    assert found.u == pytest.approx(0.0, abs=1e-16)
    assert found.effective_count == 50
    assert found.dof == 49
    assert autocorrelations(np.full(50, 0.1))[1:] == pytest.approx(np.zeros(49))


# ---------------------------------------------------------------- correlated readings


def test_autocorrelations_against_the_definition():
    rng = np.random.default_rng(8)
    for n in (2, 3, 17, 64):
        x = rng.standard_normal(n)
        d = x - x.mean()
        direct = [float(d[: n - k] @ d[k:]) / float(d @ d) for k in range(n)]
        assert autocorrelations(x) == pytest.approx(direct, abs=1e-13)
        assert autocorrelations(x).sum() == pytest.approx(0.5, abs=1e-12)  # the terms past 0 add up to -1/2


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_effective_count_of_a_long_series(rho):
    """n (1 - rho)/(1 + rho) for a first-order autoregression (Bayley & Hammersley 1946), within its sampling error."""
    rng = np.random.default_rng(1)
    n = 4000
    counts = [effective_count(x) for x in _autoregression(rng, 40, n, rho)]
    inflation = (1 + rho) / (1 - rho)
    assert np.mean(counts) == pytest.approx(n / inflation, rel=0.07)


def test_effective_count_of_a_running_mean():
    """Running means of 10 have a variance inflation of 10; a fit of first order would say 19, which is on the safe side."""
    rng = np.random.default_rng(2)
    noise = rng.standard_normal(5000 + 9)
    smooth = np.convolve(noise, np.full(10, 0.1), mode="valid")
    assert 5000 / 22 < effective_count(smooth) < 5000 / 9


def test_a_slow_part_of_higher_order_is_seen_by_the_window():
    """Lag 1 says 1.3; slow noise beneath white noise has an inflation of 1 + 2 * 0.2 * 0.95/0.05 = 8.6."""
    rng = np.random.default_rng(4)
    n = 20_000
    slow = _autoregression(rng, 1, n, 0.95)[0]
    series = slow + 2 * np.std(slow) * rng.standard_normal(n)
    assert n / effective_count(series) == pytest.approx(8.6, rel=0.3)


def test_the_window_as_it_is_written():
    """Sum up to the first lag that is three times the sum, times 1 + (2 W + 1)/n: in a plain loop."""
    rng = np.random.default_rng(12)
    n = 600
    series = _autoregression(rng, 1, n, 0.95)[0] + 3.2 * rng.standard_normal(n)
    d = series - series.mean()
    inflation, lag = 1.0, 0
    while lag < 3 * max(inflation, 1.0):
        lag += 1
        inflation += 2 * float(d[:-lag] @ d[lag:]) / float(d @ d)
    first_order = (n * float(d[:-1] @ d[1:]) / float(d @ d) + 1) / (n - 4)
    assert inflation > (1 + first_order) / (1 - first_order)  # else this would test the other estimate
    assert effective_count(series) == pytest.approx(n / (inflation * (1 + (2 * lag + 1) / n)), rel=1e-9)


@pytest.mark.parametrize(
    ("n", "rho", "low", "high"),
    [
        (30, 0.0, 0.935, 0.985),
        (30, 0.6, 0.93, 0.975),
        (30, 0.8, 0.925, 0.975),
        (60, 0.9, 0.93, 0.98),
        (120, 0.0, 0.935, 0.975),
        (120, 0.95, 0.93, 0.98),
        (300, 0.8, 0.93, 0.98),
        (2000, 0.95, 0.93, 0.98),
    ],
)
def test_intervals_hold_the_mean(n, rho, low, high):
    """95 % intervals of autoregressions, 1200 series each: 0.93 to 0.97 give or take twice the sampling error, 0.006."""
    rng = np.random.default_rng(100 * n + int(100 * rho))
    assert low <= _held(_autoregression(rng, 1200 if n < 2000 else 600, n, rho)) <= high


def test_intervals_that_ignore_correlation_do_not():
    rng = np.random.default_rng(9)
    series = _autoregression(rng, 500, 120, 0.9)
    half = stats.t.ppf(0.975, 119) * series.std(axis=1, ddof=1) / np.sqrt(120)
    assert np.mean(np.abs(series.mean(axis=1)) <= half) < 0.5


@settings(max_examples=60, deadline=None)
@given(
    readings=st.lists(st.floats(-100, 100), min_size=2, max_size=60),
    scale=st.sampled_from([1e-6, 1.0, 1e3]),
    shift=st.floats(-10, 10),
)
def test_mean_properties(readings, scale, shift):
    x = np.round(np.array(readings), 3)
    found = autocorrelated_mean(x)
    assert 1.0 - 1e-12 <= found.effective_count <= len(x)
    assert found.dof >= 1.0
    moved = autocorrelated_mean(scale * x + shift)
    assert moved.value == pytest.approx(scale * found.value + shift, rel=1e-9, abs=1e-9)
    if scale * found.s > 1e-4:
        assert moved.u == pytest.approx(scale * found.u, rel=1e-5)


# ---------------------------------------------------------------- lines


def test_line_of_nist_norris():
    """NIST StRD Norris: certified B0, B1, their standard deviations and the residual standard deviation."""
    y, x = strd.numbers(strd.NORRIS).reshape(-1, 2).T
    line = fit_line(x, y)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-12)
    assert line.residual_s == pytest.approx(0.884796396144373, rel=1e-12)
    assert line.intercept - line.slope * line.x_mean == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.dof == 34


def test_line_against_scipy():
    rng = np.random.default_rng(6)
    x, y = rng.standard_normal((2, 25))
    oracle = stats.linregress(x, y)
    line = fit_line(x, y)
    assert line.slope == pytest.approx(oracle.slope, rel=1e-12)
    assert line.u_slope == pytest.approx(oracle.stderr, rel=1e-12)
    x[3] = np.nan
    assert fit_line(x, y).dof == 22


def test_lines_that_cannot_be_fitted():
    with pytest.raises(ValueError, match="at least three"):
        fit_line(np.array([1.0, 2.0, np.nan]), np.array([1.0, 2.0, 3.0]))
    with pytest.raises(ValueError, match="equal"):
        fit_line(np.ones(4), np.arange(4.0))
