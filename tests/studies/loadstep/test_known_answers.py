"""Closed forms of first and second order, and an independent simulation of the same systems."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal


def second_order_step(zeta: float, hz: float):
    """Unit step response less its final value, of w^2/(s^2 + 2 z w s + w^2), by scipy's own solver."""
    w = 2 * np.pi * hz
    system = signal.lti([w * w], [1.0, 2 * zeta * w, w * w])

    def course(t):
        fine = np.linspace(0.0, float(np.max(t)), 20_001)
        _, y = signal.step(system, T=fine)
        return np.interp(t, fine, y)

    return course


@pytest.mark.parametrize(("output_v", "expected_s"), [(20.0, 83.178e-6), (10.0, 166.355e-6)])
def test_exponential_return(bench, pick, output_v, expected_s):
    """Dip of 400 mV, time constant 120 us: out of 200 mV and 100 mV at tau ln(dip/band) (derived)."""
    _, volts, amps = bench.course(lambda t: -0.4 * np.exp(-t / 120e-6))
    told = bench.outcome(volts, amps, output_v=output_v)
    time = pick(told, "recovery_time_s", band="1 %")
    assert time.value == pytest.approx(expected_s, abs=0.06e-6)
    assert time.lower <= expected_s <= time.upper
    # the step lies somewhere between two samples: half a sample, rectangular
    assert time.u == pytest.approx(0.5e-6 / 3**0.5, rel=0.05)
    dip = pick(told, "undershoot_v")
    assert dip.lower <= 0.4 <= dip.upper
    assert dip.value == pytest.approx(0.4, abs=0.002)
    assert pick(told, "peak_deviation_v").value == pytest.approx(dip.value, abs=1e-4)
    assert pick(told, "level_change_v").value == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(("zeta", "percent"), [(0.5, 16.303), (0.7, 4.599)])
def test_overshoot_of_a_second_order_step(bench, pick, zeta, percent):
    """exp(-pi z/sqrt(1 - z^2)) of the step (any text on control; derived)."""
    _, volts, amps = bench.course(second_order_step(zeta, 5e3), level=0.0)
    told = bench.outcome(volts, 3.3 - amps, output_v=1.0, contract="5 V")
    assert 100 * pick(told, "overshoot_v").value == pytest.approx(percent, abs=0.01)
    assert pick(told, "overshoot_v").conditions["step"].startswith("down")
    assert pick(told, "level_change_v").value == pytest.approx(1.0, abs=1e-4)


def test_last_exit_is_not_the_envelope(bench, pick):
    """Damping 0.5, 5 kHz: out of 5, 2 and 1 % for the last time at 168.4, 257.1 and 279.5 us (derived).

    The envelope would say 199.9, 258.2 and 302.3 us.
    """
    bench.interval_s = 0.25e-6
    _, volts, amps = bench.course(second_order_step(0.5, 5e3), level=0.0, count=8000)
    told = bench.outcome(volts, 3.3 - amps, output_v=1.0, contract="5 V")
    for band, expected_us in (("5 %", 168.4), ("2 %", 257.1), ("1 %", 279.5)):
        time = pick(told, "recovery_time_s", band=band)
        # the printed tenth, and an eighth of a microsecond for the step between two samples
        assert 1e6 * time.value == pytest.approx(expected_us, abs=0.05 + 0.13)


@pytest.mark.parametrize(("zeta", "hz"), [(0.08, 4e3), (0.2, 6e3), (0.35, 3e3)])
def test_ringing_by_an_independent_route(bench, pick, zeta, hz):
    """scipy's simulation rings at w sqrt(1 - z^2)/2 pi and is damped by z."""
    bench.sigma = 1e-3
    _, volts, amps = bench.course(second_order_step(zeta, hz), level=0.0, count=6000)
    told = bench.outcome(volts, 3.3 - amps, output_v=20.0)
    frequency, damping = pick(told, "ringing_hz"), pick(told, "damping_ratio")
    assert frequency.value == pytest.approx(hz * np.sqrt(1 - zeta**2), rel=2e-3)
    assert damping.value == pytest.approx(zeta, rel=0.02)
    assert not frequency.flags


def test_no_ringing_where_nothing_rings(bench):
    _, volts, amps = bench.course(lambda t: -0.4 * np.exp(-t / 120e-6))
    told = bench.outcome(volts, amps)
    assert not any(f.name in ("ringing_hz", "damping_ratio") for f in told.figures)


def test_slews_of_a_ramp(bench, pick):
    """A load that rises by 3 A in 30 us, and a voltage that follows it down by 0.6 V."""
    time = (np.arange(4000) - 800.3) * 1e-6
    ramp = np.clip(time / 30e-6, 0.0, 1.0)
    rng = np.random.default_rng(4)
    volts = 20.0 - 0.6 * ramp * np.exp(-np.maximum(time - 30e-6, 0) / 200e-6) + 1e-4 * rng.standard_normal(4000)
    told = bench.outcome(volts, 0.5 + 3.0 * ramp)
    assert pick(told, "load_slew_a_per_us").value == pytest.approx(0.1, rel=0.01)
    assert pick(told, "voltage_slew_v_per_us").value == pytest.approx(-0.02, rel=0.02)
    # from half of the current's step, 15 us after it begins, to where 0.6 exp(-t/200 us) is 0.2 V
    expected = 15e-6 + 200e-6 * np.log(3.0)
    assert pick(told, "recovery_time_s", band="1 %").value == pytest.approx(expected, abs=0.3e-6)


@pytest.mark.parametrize("factor", [0.1, 3.0])
def test_scale(bench, pick, factor):
    """A course k times as large about a contract k times as large recovers in the same time."""
    _, volts, amps = bench.course(lambda t: -0.4 * np.exp(-t / 120e-6))
    one = bench.outcome(volts, amps)
    other = bench.outcome(volts * factor, amps, output_v=20.0 * factor)
    assert pick(other, "undershoot_v").value == pytest.approx(factor * pick(one, "undershoot_v").value, rel=1e-6)
    same = pick(one, "recovery_time_s", band="1 %").value
    assert pick(other, "recovery_time_s", band="1 %").value == pytest.approx(same, rel=1e-6)


def test_a_gain_error_is_carried_through(bench, pick):
    """A gain known to 1 %: a dip is uncertain by 1 %/sqrt 3 of itself, and an exponential's exit by tau times that."""
    bench.accuracy, bench.interval_s = 1.0, 1e-7
    _, volts, amps = bench.course(lambda t: -0.4 * np.exp(-t / 12e-6))
    told = bench.outcome(volts, amps)
    for name, expected in (("undershoot_v", 0.4), ("recovery_time_s", 12e-6)):
        gain = next(c for c in pick(told, name).budget if c.source.endswith("gain"))
        assert gain.u == pytest.approx(0.01 * expected / 3**0.5, rel=0.02)
