"""Heating fits against the NIST Statistical Reference Datasets, and closed forms worked by hand."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.core.coverage import coverage
from brickbook.core.uncertainty import Measured, Source, exact, type_a, type_b
from brickbook.studies.soak.heating import (
    fit_exponentials,
    missing_ratio,
    normalised,
    residual_rise_k,
    three_point,
)

_spec = importlib.util.spec_from_file_location("strd", Path(__file__).parents[2] / "core" / "strd.py")
strd = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(strd)


def close(found, certified, rel):
    assert found == pytest.approx(certified, rel=rel)


@pytest.mark.parametrize("name", ["Misra1a", "BoxBOD"])
def test_one_time_constant_with_a_known_start(name):
    """NIST StRD: b1 (1 - exp(-b2 x)), certified to 11 digits; no starting value is given to the fit."""
    data = strd.NONLINEAR[name]
    fit = fit_exponentials(data.x, data.y, constants=1, source="s", origin=0.0, correlated=False)
    for found, certified, u in zip((fit.steady, fit.rates[0]), data.parameters, data.u, strict=True):
        close(found.value, certified, 1e-6)
        close(found.u, u, 1e-4)
    close(fit.fit.chi2, data.squares, 1e-8)
    close(fit.time_constants[0].value, 1 / data.parameters[1], 1e-6)


def test_two_time_constants_and_an_offset():
    """NIST StRD MGH17: the amplitudes are known to 11 and 15 %, the asymptote to 0.55 %."""
    data = strd.NONLINEAR["MGH17"]
    b1, b2, b3, b4, b5 = data.parameters
    fit = fit_exponentials(data.x, data.y, constants=2, source="s", correlated=False)
    found = (fit.steady, fit.amplitudes[1], fit.amplitudes[0], fit.rates[1], fit.rates[0])
    for one, certified, u in zip(found, (b1, b2, b3, b4, b5), data.u, strict=True):
        close(one.value, certified, 1e-6)
        close(one.u, u, 1e-4)
    close(fit.fit.chi2, data.squares, 1e-8)


def test_three_time_constants_towards_a_known_end():
    """NIST StRD Lanczos3: three decaying exponentials, no offset."""
    data = strd.NONLINEAR["Lanczos3"]
    fit = fit_exponentials(data.x, data.y, constants=3, source="s", end=0.0, correlated=False)
    found = [n for pair in zip(fit.amplitudes[::-1], fit.rates[::-1], strict=True) for n in pair]
    for one, certified, u in zip(found, data.parameters, data.u, strict=True):
        close(one.value, certified, 1e-5)
        close(one.u, u, 1e-4)
    assert fit.steady.value == 0.0


def test_the_asymptote_carries_its_covariance():
    """With a known start the asymptote is A1 + A2: Var = g' C g with g = (1, 1) on the amplitudes (GUM 5.2.2)."""
    t = np.linspace(0.0, 3000.0, 60)
    y = 15 * (1 - np.exp(-t / 240)) + 30 * (1 - np.exp(-t / 1500)) + 0.05 * np.random.default_rng(4).standard_normal(60)
    fit = fit_exponentials(t, y, constants=2, source="s", origin=0.0, correlated=False)
    g = np.array([0.0, 0.0, 1.0, 1.0])
    assert fit.steady.u == pytest.approx(float(np.sqrt(g @ fit.fit.covariance @ g)), rel=1e-9)
    # and is far better known than either amplitude alone
    assert fit.steady.u < 0.7 * max(a.u for a in fit.amplitudes)


def test_alike_residuals_widen_the_fit():
    """Residuals in pairs are worth half as many readings: the variance about doubles (Bayley & Hammersley 1946)."""
    t = np.arange(400.0)
    rng = np.random.default_rng(2)
    curve = 40 * (1 - np.exp(-t / 90))
    pairs = np.repeat(rng.standard_normal(200), 2)
    free = fit_exponentials(t, curve + rng.standard_normal(400), constants=1, source="s", origin=0.0)
    alike = fit_exponentials(t, curve + pairs, constants=1, source="s", origin=0.0)
    assert free.inflation == pytest.approx(1.0, abs=0.25)
    assert 1.6 < alike.inflation < 3.5


def test_curve_of_the_fit_is_the_data():
    t = np.linspace(0.0, 3600.0, 50)
    y = 25.0 + 45.0 * (1 - np.exp(-t / 1200.0))
    for options in ({}, {"origin": 25.0}, {"end": 70.0}):
        fit = fit_exponentials(t, y, constants=1, source="s", correlated=False, **options)
        assert np.allclose(fit.at(t), y, atol=1e-6)
        assert fit.time_constants[0].value == pytest.approx(1200.0, rel=1e-6)
        assert fit.steady.value == pytest.approx(70.0, rel=1e-7)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"constants": 4}, "one to three"),
        ({"origin": 1.0, "end": 2.0}, "not both"),
        ({"time_s": [0.0, 1.0, 2.0]}, "need more than"),
        ({"time_s": [0.0, 1.0, 1.0, 2.0, 3.0, 4.0]}, "times must rise"),
        ({"values": [0.0, 1.0, np.nan, 2.0, 3.0, 4.0]}, "finite"),
    ],
)
def test_bad_input_is_refused(change, words):
    given_ = {"time_s": np.arange(6.0), "values": np.arange(6.0), "constants": 1, "source": "s", **change}
    if "time_s" in change and len(change["time_s"]) == 3:
        given_["values"] = [0.0, 1.0, 2.0]
    with pytest.raises(ValueError, match=words):
        fit_exponentials(given_.pop("time_s"), given_.pop("values"), **given_)


def one_constant(minutes, ambient=25.0, rise=45.0, tau=20.0):
    return ambient + rise * (1 - np.exp(-np.asarray(minutes) / tau))


def two_constants(minutes):
    """Tamb 25, 15 K with 4 min and 30 K with 25 min."""
    t = np.asarray(minutes)
    return 25 + 15 * (1 - np.exp(-t / 4)) + 30 * (1 - np.exp(-t / 25))


def test_closed_form_of_one_time_constant():
    """25 + 45 (1 - e^(-60/18)) = 68.395 °C, 1.605 K to come; 53.4454, 63.9099, 67.7596 at 20, 40, 60 min, tau 20."""
    assert one_constant(60, tau=18) == pytest.approx(68.395, abs=5e-4)
    assert 45 * missing_ratio(60, 18) == pytest.approx(1.605, abs=5e-4)
    assert one_constant([20, 40, 60]) == pytest.approx([53.4454, 63.9099, 67.7596], abs=5e-5)


def test_three_point_rule():
    """The heat-run rule (IEC 60076-2 annex family): exact for one exponential."""
    final, tau = three_point(*one_constant([20, 40, 60]), 20 * 60)
    assert final.value == pytest.approx(70.000, abs=1e-9)
    assert tau.value / 60 == pytest.approx(20.000, abs=1e-9)


@pytest.mark.parametrize(("minutes", "u"), [((20, 40, 60), 0.625), ((40, 50, 60), 2.086), ((50, 55, 60), 7.96)])
def test_propagation_through_the_three_point_rule(minutes, u):
    """Three independent readings of 0.2 K each, tau 20 min: u(final) by GUM 5.1.2 (derived)."""
    readings = [type_a(float(one_constant(m)), 0.2, 1e9, f"reading at {m}") for m in minutes]
    final, _ = three_point(*readings, (minutes[1] - minutes[0]) * 60)
    assert final.u == pytest.approx(u, rel=2e-3)


@pytest.mark.parametrize(
    ("minutes", "final", "tau"),
    [((20, 40, 60), 69.936, 24.59), ((10, 20, 30), 67.342, None), ((5, 10, 15), 60.016, None)],
)
def test_three_point_rule_is_low_where_a_second_constant_is_at_work(minutes, final, tau):
    """Two constants, final 70 °C; 56.4191, 63.9424, 67.2785 °C at 20, 40, 60 min (derived)."""
    assert two_constants([20, 40, 60]) == pytest.approx([56.4191, 63.9424, 67.2785], abs=5e-5)
    found, constant = three_point(*two_constants(minutes), (minutes[1] - minutes[0]) * 60)
    assert found.value == pytest.approx(final, abs=6e-4)
    if tau is not None:
        assert constant.value / 60 == pytest.approx(tau, abs=6e-3)


def test_three_readings_that_do_not_flatten():
    with pytest.raises(ValueError, match="do not flatten"):
        three_point(20.0, 30.0, 41.0, 600.0)
    with pytest.raises(ValueError, match="do not flatten"):
        three_point(20.0, 20.0, 41.0, 600.0)


def test_single_exponential_lies_low_and_two_do_not():
    """From 0 to 60 min the single exponential ends 3.19 K low, below the last reading; from 20 min on 0.09 K low."""
    t = np.arange(0.0, 61.0)
    y = two_constants(t)
    whole = fit_exponentials(t * 60, y, constants=1, source="s", correlated=False)
    late = fit_exponentials(t[20:] * 60, y[20:], constants=1, source="s", correlated=False)
    both = fit_exponentials(t * 60, y, constants=2, source="s", correlated=False)
    assert whole.steady.value == pytest.approx(66.81, abs=0.02)
    assert whole.steady.value < y[-1]
    assert late.steady.value == pytest.approx(69.91, abs=0.02)
    assert both.steady.value == pytest.approx(70.0, abs=1e-4)
    assert [c.value / 60 for c in both.time_constants] == pytest.approx([4.0, 25.0], rel=1e-4)


def test_missing_part_and_residual_rise():
    """e^(-60/25) = 9.07 %, e^(-60/30) = 13.53 %; 1 K in 5 min and tau 25 min leave 4.517 K, 1 K in 15 min 1.216 K."""
    assert 100 * missing_ratio(60, 25) == pytest.approx(9.07, abs=5e-3)
    assert 100 * missing_ratio(60, 30) == pytest.approx(13.53, abs=5e-3)
    assert residual_rise_k(1.0, 300.0, 1500.0) == pytest.approx(4.517, abs=5e-4)
    assert residual_rise_k(1.0, 900.0, 1500.0) == pytest.approx(1.216, abs=5e-4)


def test_normalised_to_the_standards_ambient():
    """68.4 °C at 22.3 °C is 71.1 °C at 25 °C; the convection term is 0.0037 x 46.1 x 2.7/sqrt(3) = 0.266 K (derived)."""
    moved = normalised(exact(68.4), exact(46.1), exact(22.3), source="convection")
    assert moved.value == pytest.approx(71.1)
    assert moved.u == pytest.approx(0.266, abs=5e-4)


def test_no_shift_of_more_than_ten_kelvin():
    with pytest.raises(ValueError, match="not carried"):
        normalised(exact(60.0), exact(46.0), exact(14.0), source="s")


def test_thermocouple_bounds_and_a_whole_budget():
    """IEC 60584-1: type K class 1 ±1.5 K, class 2 ±2.5 K, T class 1 ±0.5 K as rectangles; a worked sum of 1.162 K."""
    bounds = {"K1": (1.5, 0.8660), "K2": (2.5, 1.4434), "T1": (0.5, 0.2887)}
    for half, u in bounds.values():
        assert type_b(70.0, half, "thermocouple").u == pytest.approx(u, abs=5e-5)
    terms = {Source(k, "B", "normal"): v for k, v in (("a", 0.866), ("b", 0.289), ("c", 0.6), ("d", 0.260), ("e", 0.3))}
    total = Measured(71.1, terms)
    assert total.u == pytest.approx(1.162, abs=5e-4)
    assert 77 - 2 * total.u == pytest.approx(74.68, abs=5e-3)


@given(tau=st.floats(300.0, 2400.0), rise=st.floats(5.0, 80.0), start=st.floats(10.0, 35.0))
@settings(max_examples=40, deadline=None)
def test_any_exponential_is_recovered(tau, rise, start):
    t = np.linspace(0.0, 3600.0, 61)
    y = start + rise * (1 - np.exp(-t / tau))
    fit = fit_exponentials(t, y, constants=1, source="s", correlated=False)
    assert fit.steady.value == pytest.approx(start + rise, abs=1e-4)
    assert fit.time_constants[0].value == pytest.approx(tau, rel=1e-4)


def test_intervals_of_the_asymptote_hold_95_percent():
    """150 simulated soaks of an hour, noise 0.1 K each minute: binomial 95 % of 150 is 142.5 ± 2.7."""
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 61.0) * 60
    held = 0
    for _ in range(150):
        y = one_constant(t / 60) + 0.1 * rng.standard_normal(61)
        fit = fit_exponentials(t, y, constants=1, source="s", correlated=False)
        interval = coverage(fit.steady)
        held += interval.lower <= 70.0 <= interval.upper
    assert 134 <= held <= 149
