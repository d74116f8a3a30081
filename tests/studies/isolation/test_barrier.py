"""Capacitance and current of the barrier against hand-worked numbers and complex arithmetic."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.uncertainty import exact
from brickbook.studies.isolation.barrier import (
    check_reading,
    equivalent_capacitance,
    floating_voltage_v,
    stored_charge_c,
    stored_energy_j,
    susceptance_s,
    through_barrier_a,
    touch_current,
    unweighted_current,
)
from brickbook.studies.isolation.network import impedance_ohm, weighted_ratio
from brickbook.studies.isolation.perception import feeling


def capacitance(volts, amps, hertz, ohm=np.inf):
    return float(equivalent_capacitance(exact(volts), exact(amps), exact(hertz), exact(1 / ohm)).value)


@pytest.mark.parametrize(
    ("farad", "volts", "hertz", "amps", "last"),
    [
        (1e-9, 230, 50, 72.2566e-6, 1e-10),
        (1e-9, 264, 60, 99.5257e-6, 1e-10),
        (2.2e-9, 264, 60, 218.956e-6, 1e-9),
        (2.2e-9, 3000, 50, 2.0735e-3, 1e-7),
        (2.2e-9, 500, 50, 0.34558e-3, 1e-8),
    ],
)
def test_current_of_a_capacitor(farad, volts, hertz, amps, last):
    """I = 2 pi f C V, worked by hand to the last digit printed."""
    assert through_barrier_a(volts, hertz, farad) == pytest.approx(amps, abs=0.51 * last)


@pytest.mark.parametrize(
    ("amps", "volts", "hertz", "farad"),
    [(0.25e-3, 264, 60, 2.5119e-9), (0.5e-3, 230, 50, 6.9198e-9), (0.3e-3, 500, 50, 1.90986e-9)],
)
def test_capacitance_of_a_current(amps, volts, hertz, farad):
    """C = I/(2 pi f V): the largest for 0.25 mA and 0.5 mA (IEC 60950-1 Table 5A, IEC 62368-1 Table 4), and of a test."""
    assert capacitance(volts, amps, hertz) == pytest.approx(farad, abs=0.51e-13 if farad > 2e-9 else 0.51e-14)


def test_a_resistance_in_parallel():
    """Ceq = sqrt((I/V)^2 - 1/R^2)/(2 pi f), I2 = V2 sqrt((2 pi f2 C)^2 + 1/R^2): 0.300 mA at 500 V 50 Hz, 7 MOhm."""
    farad = capacitance(500, 0.3e-3, 50, 7e6)
    assert farad == pytest.approx(1.85494e-9, abs=0.51e-14)
    assert through_barrier_a(264, 60, farad, 1 / 7e6) == pytest.approx(0.18843e-3, abs=0.51e-8)


def test_a_meter_on_the_floating_output():
    """V R/sqrt(R^2 + X^2): 2.2 nF is 1.44686 MOhm at 50 Hz, so 10 MOhm reads 227.63 V of 230 V."""
    assert floating_voltage_v(230, 50, 2.2e-9) == pytest.approx(227.63, abs=0.005)


def test_what_a_dc_test_leaves():
    """C V = 1.10 uC and C V^2/2 = 0.275 mJ for 2.2 nF at 500 V."""
    assert stored_charge_c(2.2e-9, 500) == pytest.approx(1.10e-6)
    assert stored_energy_j(2.2e-9, 500) == pytest.approx(0.275e-3)


barriers = st.tuples(st.floats(5e-11, 2e-8), st.floats(1e6, 1e12))


@given(barriers, st.floats(10, 600), st.sampled_from([50.0, 60.0, 400.0]))
def test_current_through_barrier_and_network_by_complex_numbers(barrier, volts, hertz):
    farad, ohm = barrier
    series = complex(*impedance_ohm(hertz))
    current = volts / (1 / (1 / ohm + 2j * np.pi * hertz * farad) + series)
    got = touch_current(volts, hertz, exact(farad), exact(1 / ohm))
    assert float(got.value) == pytest.approx(abs(current) * weighted_ratio(hertz), rel=1e-12)
    plain = unweighted_current(volts, hertz, exact(farad), exact(1 / ohm))
    assert float(plain.value) == pytest.approx(abs(current), rel=1e-12)


@given(barriers, st.floats(10, 600), st.sampled_from([50.0, 60.0]), st.sampled_from(["none", "network", "resistor"]))
def test_there_and_back(barrier, volts, hertz, way):
    farad, ohm = barrier
    series = {"none": (0.0, 0.0), "network": impedance_ohm(hertz), "resistor": (2000.0, 0.0)}[way]
    amps = through_barrier_a(volts, hertz, farad, 1 / ohm, series)
    # where the resistance carries nearly all the current, its capacitive rest is lost in rounding
    lost = (1 / ohm / (2 * np.pi * hertz * farad)) ** 2
    got = susceptance_s(volts, amps, 1 / ohm, series) / (2 * np.pi * hertz)
    assert got == pytest.approx(farad, rel=1e-9 + 1e-13 * lost)


@given(st.floats(5e-11, 2e-8), st.floats(10, 600), st.floats(0.1, 10))
def test_touch_current_is_linear_in_voltage(farad, volts, factor):
    one = touch_current(volts, 50.0, exact(farad), exact(1e-9))
    other = touch_current(factor * volts, 50.0, exact(farad), exact(1e-9))
    assert float(other.value) == pytest.approx(factor * float(one.value), rel=1e-12)


@given(st.floats(5e-11, 2e-8), st.floats(1.001, 10), st.sampled_from([50.0, 60.0]))
def test_touch_current_rises_with_capacitance_and_frequency(farad, factor, hertz):
    one = float(touch_current(230.0, hertz, exact(farad), exact(1e-9)).value)
    assert float(touch_current(230.0, hertz, exact(factor * farad), exact(1e-9)).value) > one
    assert float(touch_current(230.0, factor**0.1 * hertz, exact(farad), exact(1e-9)).value) > one


def test_a_half_wave_by_numerical_derivative():
    """Behind an ideal bridge: rms w C V/sqrt(2), peak sqrt(2) w C V, so that w C V against 0.5 mA is the peak criterion.

    For 1.90986 nF at 264 V 60 Hz: 0.19008, 0.26881 peak and 0.13441 mA rms.
    """
    phase = 2 * np.pi * np.arange(200_001) / 200_000
    rail = np.minimum(np.sqrt(2) * 264 * np.sin(phase), 0.0)
    amps = 1.90986e-9 * np.gradient(rail, phase / (2 * np.pi * 60))
    assert np.max(np.abs(amps)) == pytest.approx(0.26881e-3, rel=1e-4)
    assert np.sqrt(np.mean(amps[:-1] ** 2)) == pytest.approx(0.13441e-3, rel=1e-4)
    # taken as a sinusoid of that peak it is the whole capacitor, of that rms 0.7071 of it
    assert capacitance(264, np.max(np.abs(amps)) / 2**0.5, 60) == pytest.approx(1.90986e-9, rel=1e-4)
    assert capacitance(264, np.sqrt(np.mean(amps[:-1] ** 2)), 60) == pytest.approx(1.90986e-9 / 2**0.5, rel=1e-4)


@pytest.mark.parametrize(
    ("volts", "amps", "ohm", "words"),
    [
        (500.0, 0.0, np.inf, "above 0"),
        (500.0, 0.2, np.inf, "network alone"),
        (500.0, 0.3e-3, 1e6, "less than the resistance alone"),
    ],
)
def test_readings_no_barrier_can_give(volts, amps, ohm, words):
    with pytest.raises(ValueError, match=words):
        check_reading(volts, amps, 1 / ohm, impedance_ohm(50.0))


def test_feeling():
    """IEC 60479-1: zone AC-1 up to 0.5 mA, usually no reaction; below, common practice, no source."""
    assert feeling(0.05e-3).words == "mostly not felt"
    assert "some feel a tingle" in feeling(0.15e-3).words
    assert "likely" in feeling(0.3e-3).words
    assert feeling(0.51e-3).source == "IEC 60479-1, above zone AC-1"
    with pytest.raises(ValueError, match="0 A"):
        feeling(float("nan"))
