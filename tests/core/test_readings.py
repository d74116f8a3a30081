"""Instrument accuracy and the way from a mean to a figure."""

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.readings import figure_of, measured_of, reading
from brickbook.core.statistics import Mean, autocorrelated_mean
from brickbook.core.uncertainty import Measured, Source, covariance_of, mean_of

METER = Instrument(
    role="ac-power-meter",
    accuracy=(
        Accuracy("mains_power_w", percent_reading=0.1, percent_range=0.1, range_max=150.0),
        Accuracy("mains_power_w", percent_reading=0.1, percent_range=0.1, range_max=15.0, linearity_percent_range=0.02),
    ),
)
LOAD = Instrument(
    role="dc-load",
    accuracy=(
        Accuracy("port_voltage_v", percent_reading=0.05, digits=3, resolution=0.001, reference="volts and amps"),
        Accuracy("port_current_a", percent_reading=0.2, absolute=0.005, reference="volts and amps"),
    ),
)
BENCH = {"wall": METER, "load": LOAD}


def _mean(value, u=0.0, dof=9.0):
    return Mean(value, u * 10, u, dof, 100, 100.0)


def _read(value, quantity="mains_power_w", instrument="wall", point="p", u=0.0, range_max=None):
    return reading(
        _mean(value, u), quantity=quantity, point=point, instrument=instrument, instruments=BENCH, range_max=range_max
    )


def test_bounds():
    """K60, K61: 0.05 % + 3 digits of 1 mV at 20 V is 13 mV; 0.1 % + 0.1 % of 150 W at 72.3 W is 0.2223 W."""
    assert LOAD.accuracy[0].bound(20.0) == pytest.approx(0.013, rel=1e-12)
    assert LOAD.accuracy[0].bound(-20.0) == pytest.approx(0.013, rel=1e-12)
    assert METER.accuracy[0].bound(72.3) == pytest.approx(0.2223, rel=1e-12)
    assert _read(72.3).u == pytest.approx(0.12834, abs=5e-6)


def test_the_smallest_range_that_holds_the_reading_unless_stated():
    assert METER.accuracy_for("mains_power_w", 12.0).range_max == 15.0
    assert METER.accuracy_for("mains_power_w", -12.0).range_max == 15.0
    assert METER.accuracy_for("mains_power_w", 72.0).range_max == 150.0
    assert METER.accuracy_for("mains_power_w", 12.0, 150.0).range_max == 150.0
    assert METER.accuracy_for("mains_power_w", 12.0, 300.0) is None
    assert METER.accuracy_for("mains_voltage_v", 12.0) is None


def test_a_reading_beyond_full_scale_has_no_accuracy():
    assert METER.accuracy_for("mains_power_w", 16.0, 15.0) is None
    with pytest.raises(KeyError, match="no accuracy line for mains_power_w at 16 on the 15 range"):
        _read(16.0, range_max=15.0)
    with pytest.raises(KeyError, match="at 200"):
        _read(200.0)


def test_unknown_instruments_are_named():
    with pytest.raises(KeyError, match=r"no instrument 'other' in bench.toml for mains_power_w.*load, wall"):
        _read(1.0, instrument="other")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"percent_range": 0.1, "percent_reading": 0.1}, "need range_max"),
        ({"digits": 3, "percent_reading": 0.1}, "resolution"),
        ({"range_max": 10.0}, "accuracy is zero"),
    ],
)
def test_accuracies_that_say_too_little(given, message):
    with pytest.raises(ValueError, match=message):
        Accuracy("mains_power_w", **given)


def test_one_range_of_one_meter_is_one_error():
    """The bound is one unknown fraction for all points; a point's departure from the line is its own."""
    a, b = _read(12.0, point="a", u=0.01), _read(6.0, point="b", u=0.01)
    shared = Source("wall: mains_power_w 15")
    assert a.terms[shared] == pytest.approx((0.012 + 0.015) / 3**0.5)
    assert covariance_of([a, b])[0, 1] == pytest.approx(a.terms[shared] * b.terms[shared])
    assert {s.id for s in a.terms} == {
        "wall: mains_power_w 15",
        "wall: mains_power_w 15, linearity at a",
        "scatter of mains_power_w at a",
    }
    other_range = _read(72.0, point="c")
    assert covariance_of([a, other_range])[0, 1] == 0.0
    # a mean of many points keeps the shared part whole
    many = mean_of([_read(12.0, point=f"p{k}", u=0.01) for k in range(25)])
    assert many.u == pytest.approx(np.hypot(a.terms[shared], np.hypot(0.01, 0.003 / 3**0.5) / 5), rel=1e-12)


def test_quantities_with_a_common_reference_are_correlated():
    volts = _read(20.03, "port_voltage_v", "load")
    amps = _read(3.248, "port_current_a", "load")
    common = Source("load: volts and amps")
    power = volts * amps
    assert power.terms[common] == pytest.approx(volts.terms[common] * 3.248 + amps.terms[common] * 20.03)


def test_half_the_last_digit_stands_for_linearity():
    volts = _read(20.0, "port_voltage_v", "load")
    assert volts.terms[Source("load: port_voltage_v, linearity at p")] == pytest.approx(0.0005 / 3**0.5)


def test_a_mean_that_is_not_finite_is_refused():
    with pytest.raises(ValueError, match="not finite"):
        _read(float("nan"))


def _figure(measured):
    return figure_of(
        measured,
        study="efficiency",
        name="input_power_w",
        unit="W",
        conditions=Conditions.of(mains_v=230.0),
        method="mean over the plateau",
        sources=(),
    )


def test_a_figure_carries_its_budget_and_interval():
    figure = _figure(_read(72.3, u=0.05))
    assert figure.value == 72.3
    assert figure.u == pytest.approx(np.hypot(0.12834, 0.05), abs=5e-6)
    assert [c.source for c in figure.budget] == ["wall: mains_power_w 150", "scatter of mains_power_w at p"]
    assert [c.kind for c in figure.budget] == ["B", "A"]
    assert sum(c.u**2 for c in figure.budget) == pytest.approx(figure.u**2)
    assert figure.lower == pytest.approx(72.3 - figure.coverage_factor * figure.u)
    assert figure.upper == pytest.approx(72.3 + figure.coverage_factor * figure.u)
    assert 1.65 < figure.coverage_factor < 1.96


def test_a_figure_ruled_by_one_bound_has_its_own_factor():
    """A rectangle holds 95 % within 0.95 a: k = 1.645, not 1.96 (JCGM 101:2008 6.4.2)."""
    assert _figure(_read(72.3)).coverage_factor == pytest.approx(0.95 * 3**0.5, rel=1e-4)


def test_a_rebuilt_number_gives_the_same_figure():
    measured = _read(72.3, u=0.05) - Measured(
        1.0, {Source("fit, component 1", "A", "normal", 5): 0.05, Source("fit, component 2", "A", "normal", 5): -0.02}
    )
    figure = _figure(measured)
    again = _figure(measured_of(figure))
    assert again.u == pytest.approx(figure.u, rel=1e-12)
    assert again.dof == pytest.approx(figure.dof, rel=1e-12)
    assert (again.lower, again.upper) == pytest.approx((figure.lower, figure.upper), rel=1e-12)
    triangle = _figure(Measured(1.0, {Source("t", "B", "triangular"): 0.1}))
    assert measured_of(triangle).u == pytest.approx(0.1)


def test_figures_that_are_not_finite_are_refused():
    with pytest.raises(ValueError, match="efficiency/input_power_w is not finite"):
        _figure(Measured(float("nan")))
    with pytest.raises(ValueError, match="not finite"):
        _figure(Measured(1.0, {Source("s"): float("inf")}))


def test_from_readings_to_figure():
    rng = np.random.default_rng(3)
    mean = autocorrelated_mean(72.3 + 0.1 * rng.standard_normal(200))
    number = reading(mean, quantity="mains_power_w", point="p", instrument="wall", instruments=BENCH)
    assert number.terms[Source("scatter of mains_power_w at p")] == mean.u
    assert _figure(number).u == pytest.approx(np.hypot(mean.u, METER.accuracy[0].bound(mean.value) / 3**0.5))


def test_a_rebuilt_number_correlates_as_the_first_did():
    """The difference of a number and its rebuilt twin is exact: signs of shared sources are kept (GUM 5.2.2)."""
    gain = Source("gain", "B", "rectangular")
    number = Measured(1.0, {gain: -0.3, Source("own", "A", "normal", 9.0): 0.1})
    figure = figure_of(number, study="s", name="n_w", unit="W", conditions=Conditions(), method="m", sources=())
    assert float((number - measured_of(figure)).u) == 0.0
