"""Fits against GUM H.3, NIST reference data, and scipy."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from brickbook.core.coverage import coverage
from brickbook.core.fitting import fit_linear, fit_nonlinear, own_variances
from brickbook.core.uncertainty import Measured, Source, covariance_of, exact, propagate

_spec = importlib.util.spec_from_file_location("strd", Path(__file__).with_name("strd.py"))
strd = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(strd)


def _correlation(fit):
    c = fit.covariance
    return c / np.sqrt(np.outer(np.diag(c), np.diag(c)))


# ---------------------------------------------------------------- GUM H.3, thermometer

# JCGM 100:2008 table H.6: reading t_k and observed correction b_k, in degrees Celsius
THERMOMETER = np.array(
    [
        [21.521, -0.171],
        [22.012, -0.169],
        [22.512, -0.166],
        [23.003, -0.159],
        [23.507, -0.164],
        [23.999, -0.165],
        [24.513, -0.156],
        [25.002, -0.157],
        [25.503, -0.159],
        [26.010, -0.161],
        [26.511, -0.160],
    ]
)


def _thermometer(points=None):
    t, b = THERMOMETER.T
    design = np.column_stack([np.ones(11), t - 20.0])
    return fit_linear(design, points or [exact(float(v)) for v in b], source="calibration line")


def test_gum_h3_line():
    """GUM H.3.3: y1 -0.1712, u 0.0029; y2 0.00218, u 0.00067; r -0.930; s 0.0035."""
    fit = _thermometer()
    intercept, slope = fit.parameters
    assert intercept.value == pytest.approx(-0.1712, abs=5e-5)
    assert intercept.u == pytest.approx(0.0029, abs=5e-5)
    assert slope.value == pytest.approx(0.00218, abs=5e-6)
    assert slope.u == pytest.approx(0.00067, abs=5e-6)
    assert _correlation(fit)[0, 1] == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_s == pytest.approx(0.0035, abs=5e-5)
    assert fit.dof == 9
    assert np.isnan(fit.chi2)
    assert np.isnan(fit.birge_ratio)


def test_gum_h3_correction_at_30_degrees():
    """GUM H.3.4: b(30 °C) = -0.1494, u 0.0041, with nine degrees of freedom; without the correlation 0.0073."""
    fit = _thermometer()
    at_30 = fit.at([1.0, 10.0])
    assert at_30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.u == pytest.approx(0.0041, abs=5e-5)
    assert at_30.dof == pytest.approx(9.0, rel=1e-9)
    assert coverage(at_30).factor == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-9)
    intercept, slope = fit.parameters
    assert np.hypot(intercept.u, 10 * slope.u) > 1.7 * at_30.u


def test_gum_h3_known_and_common_errors():
    """GUM H.3.6: an error common to all corrections moves the intercept by itself and the slope not at all."""
    b = THERMOMETER[:, 1]
    shared = Source("standard thermometer", "B", "normal")
    fit = _thermometer([Measured(float(v), {shared: 0.005}) for v in b])
    intercept, slope = fit.parameters
    alone = _thermometer().parameters
    assert intercept.terms[shared] == pytest.approx(0.005, rel=1e-12)
    assert slope.terms[shared] == pytest.approx(0.0, abs=1e-15)
    assert intercept.u == pytest.approx(0.00576893138, rel=1e-6)  # public worked example: 0.0029 and 0.005 combined
    assert slope.u == pytest.approx(alone[1].u, rel=1e-12)


# ---------------------------------------------------------------- NIST, linear


def test_nist_norris():
    """NIST StRD Norris: certified parameters, standard deviations and residual standard deviation."""
    y, x = strd.numbers(strd.NORRIS).reshape(-1, 2).T
    fit = fit_linear(np.column_stack([np.ones(36), x]), [exact(float(v)) for v in y], source="line")
    intercept, slope = fit.parameters
    assert intercept.value == pytest.approx(-0.262323073774029, rel=1e-11)
    assert slope.value == pytest.approx(1.00211681802045, rel=1e-13)
    assert intercept.u == pytest.approx(0.232818234301152, rel=1e-11)
    assert slope.u == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert fit.residual_s == pytest.approx(0.884796396144373, rel=1e-11)
    assert fit.dof == 34
    assert slope.dof == pytest.approx(34)


# ---------------------------------------------------------------- weights, shared sources


def _loss_points(rng, *, noise=None, gain=0.002):
    """Loss of a converter, p0 + a P + b P^2, read with one meter's gain error and own noise."""
    power = np.linspace(5.0, 65.0, 9)
    loss = 0.2 + 0.03 * power + 0.0007 * power**2
    u = 0.01 + 0.0005 * power
    error = u * (rng.standard_normal(9) if noise is None else noise)
    design = np.column_stack([np.ones(9), power, power**2])
    points = [
        Measured(
            float(v + e),
            {Source(f"scatter {k}", "A", "normal", 50): float(s), Source("meter: gain"): gain * float(v)},
        )
        for k, (v, e, s) in enumerate(zip(loss, error, u, strict=True))
    ]
    return design, points, u


def test_weighted_fit_against_scipy():
    design, points, u = _loss_points(np.random.default_rng(2), gain=0.0)
    y = np.array([p.value for p in points])
    fit = fit_linear(design, points, source="loss curve")
    values, covariance = optimize.curve_fit(
        lambda x, a, b, c: a + b * x + c * x**2, design[:, 1], y, sigma=u, absolute_sigma=True
    )
    assert [p.value for p in fit.parameters] == pytest.approx(values, rel=1e-6)
    residual = (y - design @ [p.value for p in fit.parameters]) / u
    assert fit.chi2 == pytest.approx(residual @ residual, rel=1e-10)
    assert fit.p_value == pytest.approx(stats.chi2.sf(fit.chi2, 6), rel=1e-10)
    # the budget's part, and the lack of fit on top where the residuals are too large
    expected = covariance * max(1.0, fit.chi2 / 6)
    assert fit.covariance == pytest.approx(expected, rel=1e-5)
    assert own_variances(points) == pytest.approx(u**2)


def test_generalised_fit_against_the_textbook_formula():
    """Aitken: a = (X' V^-1 X)^-1 X' V^-1 y, covariance (X' V^-1 X)^-1, for a full V with common errors."""
    design, points, _ = _loss_points(np.random.default_rng(3), noise=0.3 * np.ones(9))
    v = covariance_of(points)
    y = np.array([p.value for p in points])
    inverse = np.linalg.inv(v)
    covariance = np.linalg.inv(design.T @ inverse @ design)
    fit = fit_linear(design, points, source="loss curve", weighting=v)
    assert fit.birge_ratio < 1.0
    assert [p.value for p in fit.parameters] == pytest.approx(covariance @ design.T @ inverse @ y, rel=1e-6)
    assert fit.covariance == pytest.approx(covariance, rel=1e-6)


def test_parameters_stay_correlated_with_other_figures():
    """The gain error of the meter passes to the parameters and to whatever is later combined with its readings."""
    design, points, _ = _loss_points(np.random.default_rng(4), noise=np.zeros(9))
    fit = fit_linear(design, points, source="loss curve")
    gain = Source("meter: gain")
    for parameter, true in zip(fit.parameters, (0.2, 0.03, 0.0007), strict=True):
        assert parameter.value == pytest.approx(true, rel=1e-9)
        assert parameter.terms[gain] == pytest.approx(0.002 * true, rel=1e-9)  # a gain error scales the whole curve
    # the ratio of the fitted loss to a reading of the same meter is free of its gain
    ratio = propagate(lambda a, b: a / b, fit.at(design[4]), points[4])
    assert ratio.terms[gain] == pytest.approx(0.0, abs=1e-12)


def test_shared_errors_do_not_pull_the_fit_off_its_data():
    """Peelle's puzzle: 1.5 and 1.0, 10 % own and 20 % common error: full weighting gives 0.88, below both readings."""
    readings = [
        Measured(v, {Source(f"own {v}", "B", "normal"): 0.1 * v, Source("scale", "B", "normal"): 0.2 * v})
        for v in (1.5, 1.0)
    ]
    ones = np.ones((2, 1))
    ours = fit_linear(ones, readings, source="mean").parameters[0]
    puzzle = fit_linear(ones, readings, source="mean", weighting=covariance_of(readings)).parameters[0]
    assert puzzle.value == pytest.approx(0.88, abs=0.005)  # the published answer
    assert ours.value == pytest.approx((1.5 / 0.0225 + 1.0 / 0.01) / (1 / 0.0225 + 1 / 0.01), rel=1e-12)
    assert 1.0 < ours.value < 1.5
    assert ours.u > 0.2 * ours.value  # the common 20 % is in full


def test_lack_of_fit_is_added_when_the_residuals_exceed_the_budget():
    design, points, u = _loss_points(np.random.default_rng(5), noise=4 * np.array([1, -1, 1, 1, -1, 1, -1, -1, 1.0]))
    fit = fit_linear(design, points, source="loss curve")
    assert fit.birge_ratio > 2
    assert fit.p_value < 1e-6
    plain = np.linalg.inv(design.T @ np.diag(u**-2.0) @ design)
    gain = Source("meter: gain")
    shared = np.array([p.terms[gain] for p in fit.parameters])
    assert fit.covariance - np.outer(shared, shared) == pytest.approx(plain * fit.birge_ratio**2, rel=1e-6)
    lack = {s for p in fit.parameters for s in p.terms if s.family == "loss curve"}
    assert {(s.kind, s.dof) for s in lack} == {("A", 6)}
    _, good, _ = _loss_points(np.random.default_rng(5), noise=np.zeros(9))
    assert not {s for p in fit_linear(design, good, source="x").parameters for s in p.terms if s.family == "x"}


def test_intervals_of_a_fit_hold_the_truth():
    """95 % intervals of the fitted loss at 30 W over 600 simulated sweeps: noise, one gain error for all."""
    rng = np.random.default_rng(6)
    row = np.array([1.0, 30.0, 900.0])
    true = row @ [0.2, 0.03, 0.0007]
    held = 0
    for _ in range(600):
        design, points, _ = _loss_points(rng, gain=0.01)
        scale = 1 + 0.01 * 3**0.5 * rng.uniform(-1, 1)
        moved = [Measured(p.value * scale, p.terms) for p in points]
        interval = coverage(fit_linear(design, moved, source="loss curve").at(row))
        held += interval.lower <= true <= interval.upper
    assert 0.93 <= held / 600 <= 0.985


def test_linear_fits_that_cannot_be_made():
    points = [exact(float(k)) for k in range(4)]
    with pytest.raises(ValueError, match="at least 5 points"):
        fit_linear(np.ones((4, 4)), points, source="f")
    with pytest.raises(ValueError, match="there are 4 points"):
        fit_linear(np.ones((3, 1)), points, source="f")
    with pytest.raises(ValueError, match="finite"):
        fit_linear(np.full((4, 1), np.nan), points, source="f")
    with pytest.raises(ValueError, match="not independent"):
        fit_linear(np.column_stack([np.arange(4), 2 * np.arange(4)]), points, source="f")
    with pytest.raises(ValueError, match="is zero"):
        fit_linear(np.column_stack([np.ones(4), np.zeros(4)]), points, source="f")
    with pytest.raises(ValueError, match="weighting has shape"):
        fit_linear(np.ones((4, 1)), points, source="f", weighting=np.ones(3))
    with pytest.raises(ValueError, match="positive"):
        fit_linear(np.ones((4, 1)), points, source="f", weighting=np.zeros(4))
    with pytest.raises(ValueError, match="positive definite"):
        fit_linear(np.ones((4, 1)), points, source="f", weighting=np.ones((4, 4)))


# ---------------------------------------------------------------- NIST, nonlinear


@pytest.mark.parametrize("name", strd.NONLINEAR)
def test_nist_data_are_typed_rightly(name):
    """The residual sum of squares at the certified parameters is certified: ten digits of it prove the data."""
    case = strd.NONLINEAR[name]
    residual = case.y - case.model(case.x, *case.parameters)
    assert residual @ residual == pytest.approx(case.squares, rel=1e-9)


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", strd.NONLINEAR)
def test_nist_nonlinear(name, start):
    """NIST StRD: certified to 11 digits; from both starts at least six are reached, in parameters and deviations."""
    case = strd.NONLINEAR[name]
    fit = fit_nonlinear(case.model, case.x, case.y, case.starts[start])
    assert fit.parameters == pytest.approx(case.parameters, rel=1e-6)
    assert fit.u == pytest.approx(case.u, rel=1e-6)
    assert fit.chi2 == pytest.approx(case.squares, rel=1e-9)
    assert fit.residual_s == pytest.approx(np.sqrt(case.squares / (len(case.y) - len(case.parameters))), rel=1e-9)
    assert fit.residuals == pytest.approx(case.y - case.model(case.x, *fit.parameters), abs=1e-12)


def test_a_poor_amplitude_and_a_good_asymptote():
    """MGH17: amplitudes known to 11 and 15 %, yet the value at 320 to far better: propagate the full covariance."""
    case = strd.NONLINEAR["MGH17"]
    fit = fit_nonlinear(case.model, case.x, case.y, case.starts[1])
    parameters = fit.measured("soak curve")
    assert covariance_of(parameters) == pytest.approx(fit.covariance, rel=1e-6)
    assert parameters[1].u / parameters[1].value > 0.1
    last = propagate(lambda *b: case.model(320.0, *b), *parameters)
    assert last.u < 0.003 * last.value
    assert last.dof == pytest.approx(28, rel=1e-9)
    ignoring = np.hypot(parameters[1].u * np.exp(-320 * 0.0129), parameters[2].u * np.exp(-320 * 0.0221))
    assert ignoring > 1.5 * last.u


def test_weights_and_models_without_complex_step():
    """A model that refuses complex numbers falls back to differences; weights agree with scipy.curve_fit."""
    rng = np.random.default_rng(7)
    x = np.linspace(0.0, 5.0, 30)
    u = 0.01 * (1 + x)
    y = 2.0 * np.exp(-0.7 * x) + 0.5 + u * rng.standard_normal(30)

    def plain(x, a, b, c):
        return a * np.exp(-b * x) + c

    def real_only(x, a, b, c):
        return float(a) * np.exp(-float(b) * x) + float(c)

    def lossy(x, a, b, c):
        return np.abs(a) * np.exp(-b * x) + c

    def no_complex(x, a, b, c):
        return np.hypot(a, 0.0) * np.exp(-b * x) + c

    values, covariance = optimize.curve_fit(plain, x, y, p0=(1, 1, 0), sigma=u)
    for model in (plain, real_only, lossy, no_complex):
        fit = fit_nonlinear(model, x, y, (1, 1, 0), u_y=u)
        assert fit.parameters == pytest.approx(values, rel=1e-5)
        assert fit.covariance == pytest.approx(covariance, rel=1e-3)
    bounded = fit_nonlinear(plain, x, y, (1, 1, 0.1), u_y=u, lower=0.0, upper=10.0)
    assert bounded.parameters == pytest.approx(values, rel=1e-5)


def test_nonlinear_fits_that_cannot_be_made():
    x, y = np.arange(5.0), np.arange(5.0)
    with pytest.raises(ValueError, match="at least 7 points"):
        fit_nonlinear(lambda x, *b: x, x, y, np.ones(6))
    with pytest.raises(ValueError, match="finite"):
        fit_nonlinear(lambda x, a: a * x, x, y, [1.0], u_y=np.zeros(5) + np.nan)
    with pytest.raises(ValueError, match="bounds"):
        fit_nonlinear(lambda x, a: a * x, x, y, [2.0], upper=1.0)
    with pytest.raises(ArithmeticError, match="no effect"):
        fit_nonlinear(lambda x, a, b: a * x, x, y, [1.0, 1.0])
    with pytest.raises(ArithmeticError, match="apart"):
        fit_nonlinear(lambda x, a, b: (a + b) * x, x, x**2, [1.0, 1.0])
