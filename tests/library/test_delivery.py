"""Operating points against worked examples, closed forms, brute force and a reference library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat, umath

from brickbook.core.conditions import Conditions
from brickbook.core.readings import figure_of
from brickbook.core.uncertainty import Measured, Source, exact
from brickbook.library.cables import measured_cable, wire_cable
from brickbook.library.delivery import (
    Sink,
    VoltageCurve,
    deliver,
    longest_cable,
    measured_curve,
    steady_voltage,
)

# Computed apart from this code, with the wire of ASTM B258 and IEC 60028 and 40 mΩ of contacts:
# source V, cable, power or None, current; I, V at sink, P at sink, loss, drop
WORKED = {
    "1 m 24 AWG": (5.0, wire_cable(1, 24), None, 3.0, 3.000, 4.375, 13.124, 1.876, 0.625),
    "1 m 28 AWG": (5.0, wire_cable(1, 28), None, 3.0, 3.000, 3.603, 10.808, 4.192, 1.397),
    "9 V": (9.0, wire_cable(1, 28), None, 3.0, 3.000, 7.603, 22.808, 4.192, 1.397),
    "60 °C": (5.0, wire_cable(2, 24, temperature_c=60), None, 3.0, 3.000, 3.711, 11.132, 3.868, 1.289),
    "100 W": (20.0, wire_cable(2, 22), None, 5.0, 5.000, 18.741, 93.704, 6.296, 1.259),
    "22/20 AWG": (20.0, wire_cable(1, 22, ground_awg=20), None, 5.0, 5.000, 19.369, 96.843, 3.157, 0.631),
    "55 W": (20.0, wire_cable(2, 24), 55.0, 3.0, 2.910, 18.904, 55.000, 3.190, 1.096),
    "60 W at its limit": (20.0, wire_cable(2, 24), 60.0, 3.0, 3.000, 18.869, 56.608, 3.392, 1.131),
    "12 W": (5.0, measured_cable(0.25), 12.0, 3.0, 2.789, 4.303, 12.000, 1.944, 0.697),
    "15 W at its limit": (5.0, measured_cable(0.25), 15.0, 3.0, 3.000, 4.250, 12.750, 2.250, 0.750),
    "28 V": (28.0, wire_cable(1, 22, ground_awg=20), 135.0, 5.0, 4.931, 27.377, 135.000, 3.070, 0.623),
    "48 V": (48.0, wire_cable(2, 20), 230.0, 5.0, 4.878, 47.155, 230.000, 4.121, 0.845),
    "worst legal 5 V": (4.75, measured_cable(0.25), None, 3.0, 3.000, 4.000, 12.000, 2.250, 0.750),
}


@pytest.mark.parametrize("name", WORKED)
def test_worked_examples(name):
    source, cable, power, current, *expected = WORKED[name]
    found = deliver(steady_voltage(source), cable.loop, Sink(power, current))
    assert found.state == ("limited" if "limit" in name else "full")
    numbers = (found.current_a, found.far_end_v, found.far_end_w, found.loss_w, found.drop_v)
    assert [float(n.value) for n in numbers] == pytest.approx(expected, abs=5.1e-4)


def test_no_operating_point():
    """P <= V²/(4R) is needed: 15 W at 5 V through 450 mΩ is not to be had, the most is 13.889 W."""
    sink = Sink(15.0)
    assert deliver(steady_voltage(5.0), 0.45, sink).state == "none"
    assert deliver(steady_voltage(5.0), 0.45, replace(sink, current_a=3.0)).state == "none"
    assert deliver(steady_voltage(5.0), 0.45, Sink(13.888)).state == "full"
    assert deliver(steady_voltage(5.0), 0.45, Sink(13.890)).state == "none"
    assert deliver(steady_voltage(5.0), 2.0, Sink(None, 3.0)).state == "none"


def test_lower_limit_of_the_sink():
    found = deliver(steady_voltage(5.0), 0.25, Sink(12.0, 3.0, 4.4))
    assert (found.state, found.feasible) == ("too low", False)
    assert float(found.far_end_v.value) == pytest.approx(4.303, abs=5e-4)


@given(st.floats(3.0, 50.0), st.floats(0.0, 2.0), st.floats(0.1, 250.0))
def test_power_is_conserved(volts, ohm, power):
    """The closed form is the least root of R I² - V I + P = 0, and what leaves the charger arrives or is lost."""
    found = deliver(steady_voltage(volts), ohm, Sink(power))
    if found.state == "none":
        assert power > volts**2 / (4 * ohm) * (1 - 1e-9)
        return
    current = float(found.current_a.value)
    roots = np.roots([ohm, -volts, power]) if ohm > 1e-3 else [power / volts]
    if ohm > 1e-3:
        assert current == pytest.approx(min(r.real for r in roots), rel=1e-5)
    assert float(found.source_w.value) == pytest.approx(power + float(found.loss_w.value), rel=1e-9)


def test_uncertainty_of_the_operating_point():
    """Against the `uncertainties` package: the current depends on voltage and resistance, and so does all else."""
    v, r = ufloat(19.9, 0.03), ufloat(0.35, 0.02)
    i = 2 * 55 / (v + umath.sqrt(v**2 - 4 * r * 55))
    ours = deliver(steady_voltage(Measured(19.9, {Source("v"): 0.03})), Measured(0.35, {Source("r"): 0.02}), Sink(55.0))
    for mine, theirs in ((ours.current_a, i), (ours.far_end_v, v - i * r), (ours.loss_w, i * i * r)):
        assert float(mine.value) == pytest.approx(theirs.n, rel=1e-9)
        assert float(mine.u) == pytest.approx(theirs.s, rel=1e-6)
    assert float(ours.far_end_w.u) == 0.0


def test_an_operating_point_that_may_not_exist_is_not_promised():
    close = Measured(0.45, {Source("r"): 0.01})
    assert deliver(steady_voltage(5.0), close, Sink(13.8)).state == "none"
    assert deliver(steady_voltage(5.0), 0.45, Sink(13.8)).state == "full"


curves = st.builds(
    lambda start, drops, steps: VoltageCurve(
        tuple(np.concatenate([[0.0], np.cumsum(steps)])),
        tuple(exact(float(v)) for v in start - np.concatenate([[0.0], np.cumsum(drops)])),
    ),
    st.floats(9.0, 20.0),
    st.lists(st.floats(-0.05, 0.8), min_size=3, max_size=3),
    st.lists(st.floats(0.3, 1.5), min_size=3, max_size=3),
)


def _far_power(curve: VoltageCurve, ohm: float, current: np.ndarray) -> np.ndarray:
    volts = np.interp(current, curve.current_a, [float(v.value) for v in curve.voltage_v])
    return (volts - ohm * current) * current


@settings(max_examples=150)
@given(curves, st.floats(0.0, 3.0), st.floats(1.0, 60.0), st.floats(0.5, 6.0))
def test_measured_curve_against_a_scan(curve, ohm, power, limit):
    """The first current at which the far end has its power, found by trying 20 000 currents."""
    grid = np.linspace(0.0, curve.most_a, 20_001)
    reached = np.flatnonzero(_far_power(curve, ohm, grid) >= power)
    found = deliver(curve, ohm, Sink(power, limit))
    step = grid[1]
    if len(reached) and grid[reached[0]] <= limit - step:
        assert found.state == "full"
        assert float(found.current_a.value) == pytest.approx(grid[reached[0]], abs=1.01 * step)
    elif found.state == "full":  # the scan may miss what lies between two of its currents
        assert _far_power(curve, ohm, np.array([float(found.current_a.value)]))[0] == pytest.approx(power, rel=1e-6)
        assert float(found.current_a.value) <= limit * (1 + 1e-9)
    elif found.state == "limited":
        assert float(found.current_a.value) == limit
        assert float(found.far_end_w.value) < power


@settings(max_examples=100)
@given(curves, st.floats(1.0, 40.0), st.floats(1.0, 6.0), st.floats(0.0, 15.0))
def test_longest_cable_is_the_edge(curve, power, limit, minimum):
    """A little less resistance and the sink has all, a little more and it has not."""
    sink = Sink(power, limit, minimum)
    reach = longest_cable(curve, sink)
    if reach.loop is None:
        assert not deliver(curve, 0.0, sink).feasible
        return
    ohm = float(reach.loop.value)
    if ohm > 1e-4:
        assert deliver(curve, ohm * (1 - 1e-6), sink).feasible
    if not reach.at_least:
        assert not deliver(curve, ohm * (1 + 1e-6) + 1e-9, sink).feasible


def test_longest_cable_in_closed_form():
    """At a steady V: (V - P/I)/I at the current limit; V²/(4P) without one; (V - V_min)·V_min/P at a voltage limit."""
    source = steady_voltage(Measured(20.0, {Source("v"): 0.1}))
    at_limit = longest_cable(source, Sink(60.0, 3.2), wire_cable(1, 24))
    assert (float(at_limit.loop.value), at_limit.limited_by) == (pytest.approx((20 - 60 / 3.2) / 3.2), "current limit")
    assert float(at_limit.loop.u) == pytest.approx(0.1 / 3.2)
    assert float(at_limit.length_m.value) == pytest.approx((0.390625 - 0.040) / 0.16842, rel=1e-4)
    assert float(longest_cable(source, Sink(60.0)).loop.value) == pytest.approx(400 / 240)
    low = longest_cable(source, Sink(60.0, None, 18.0))
    assert (float(low.loop.value), low.limited_by) == (pytest.approx(2 * 18 / 60), "lower voltage limit")
    constant = longest_cable(source, Sink(None, 3.0, 18.0))
    assert float(constant.loop.value) == pytest.approx(2.0 / 3.0)
    assert longest_cable(source, Sink(61.0, 3.0)).loop is None
    contacts_alone = longest_cable(source, Sink(59.9, 3.0), wire_cable(1, 24))
    assert float(contacts_alone.loop.value) < 0.040
    assert contacts_alone.length_m is None


def test_no_cable_to_spare():
    """The charger gives just what the device needs: no resistance is allowed, and none is not too much."""
    for sink in (Sink(1.75, 1.0, 10.0), Sink(30.0, 3.0), Sink(None, 2.0, 10.0)):
        assert float(longest_cable(steady_voltage(10.0), sink).loop.value) == pytest.approx(0.0, abs=1e-12)
        assert deliver(steady_voltage(10.0), 0.0, sink).feasible


def _figure(load: float, volts: float, **conditions):
    return figure_of(
        Measured(volts, {Source("meter: port_voltage_v"): 0.01}),
        study="regulation",
        name="output_voltage_v",
        unit="V",
        conditions=Conditions.of({"port": "C1", "output_v": 20.0, "mains_v": 230.0, "load_a": load} | conditions),
        method="",
        sources=(),
    )


def test_curve_from_figures():
    """The regulation study's figures; one meter read them all, so its error shifts the whole curve."""
    figures = [_figure(load, 20.1 - 0.05 * load) for load in (3.0, 0.0, 1.5)]
    others = [
        _figure(5.0, 4.0, port="C2"),
        _figure(5.0, 9.0, output_v=9.0),
        _figure(5.0, 19.0, measured_at="cable end"),
    ]
    curve = measured_curve([*figures, *others, _figure(1.0, 20.0, mains_v=115.0)], "C1", 20.0)
    assert curve.current_a == (0.0, 1.5, 3.0)
    found = deliver(curve, 0.1, Sink(None, 2.0))
    assert float(found.source_v.value) == pytest.approx(20.0)
    assert float(found.source_v.u) == pytest.approx(0.01)
    assert deliver(curve, 0.1, Sink(None, 4.0)).state == "not measured"
    assert deliver(curve, 0.1, Sink(100.0)).state == "not measured"
    assert deliver(curve, 0.1, Sink(100.0, 2.5)).state == "limited"
    assert measured_curve(figures[:1], "C1", 20.0) is None
    assert measured_curve([], "C1", 20.0) is None


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (Sink, "power or a current"),
        (lambda: Sink(0.0), "power_w"),
        (lambda: Sink(5.0, -1.0), "current_a"),
        (lambda: Sink(5.0, None, float("nan")), "minimum_v"),
        (lambda: steady_voltage(-5.0), "above 0"),
        (lambda: VoltageCurve((0.0, 0.0), (exact(5.0), exact(5.0))), "rise"),
        (lambda: VoltageCurve((0.0,), ()), "0 voltages"),
        (lambda: deliver(steady_voltage(5.0), -0.1, Sink(5.0)), "at least 0"),
    ],
)
def test_wrong_input(make, words):
    with pytest.raises(ValueError, match=words):
        make()
