"""Peak and I²t of pulses whose integrals are known."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.studies.inrush.events import Instant
from brickbook.studies.inrush.surge import surge

DT = 1e-6
ON = 2000


def pulse(course, span_s, *, sigma=0.0005, count=12000):
    """A pulse that begins between two samples, and the same with noise."""
    time = (np.arange(count) - (ON - 0.5)) * DT
    wave = np.where((time > 0) & (time < span_s), course(np.clip(time, 0.0, span_s)), 0.0)
    return wave + sigma * np.random.default_rng(1).standard_normal(count)


def told(bench, amps):
    return surge(amps, DT, Instant(ON - 0.5, 0.5), 5e-3, bench.scope(amps), "shot")


PULSES = {
    # name: course, length [s], peak [A], I²t [A²s] (integrals of the squares)
    "half sine": (lambda t: 40.0 * np.sin(np.pi * t / 2e-3), 2e-3, 40.0, 40.0**2 * 2e-3 / 2),
    "exponential": (lambda t: 60.0 * np.exp(-t / 3e-4), 6e-3, 60.0, 60.0**2 * 3e-4 / 2),
    "triangle": (lambda t: 30.0 * (1 - np.abs(t - 1e-3) / 1e-3), 2e-3, 30.0, 30.0**2 * 2e-3 / 3),
    "rectangle": (lambda t: np.full_like(t, 25.0), 1e-3, 25.0, 25.0**2 * 1e-3),
    "critically damped": (lambda t: 50.0 * np.e * t / 2e-4 * np.exp(-t / 2e-4), 6e-3, 50.0,
                          (50.0 * np.e) ** 2 * 2e-4 / 4),
}  # fmt: skip


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_closed_forms(bench, name, sign):
    course, span_s, peak, heat = PULSES[name]
    found = told(bench, sign * pulse(course, span_s) + 0.2)  # a probe's own zero is taken off
    assert found.peak_a.value == pytest.approx(peak, rel=3e-3)
    # a jump between two samples may be anywhere in the interval
    jump = DT * peak**2 / 2
    assert found.i2t_a2s.value == pytest.approx(heat, rel=1e-3, abs=jump)
    assert abs(found.i2t_a2s.value - heat) < 3 * found.i2t_a2s.u
    assert abs(found.peak_a.value - peak) < 3 * found.peak_a.u


def test_width_of_a_half_sine(bench):
    """sin is above a half from 30 to 150 degrees: two thirds of the pulse."""
    found = told(bench, pulse(PULSES["half sine"][0], 2e-3))
    assert found.width_s.value == pytest.approx(2e-3 * 2 / 3, abs=3 * DT)


def test_noise_is_taken_off_in_squares(bench):
    """The square of noise of 2 A over a 6 ms pulse would add 24 mA²s to 0.5 A²s."""
    course, span_s, _, heat = PULSES["exponential"]
    amps = pulse(course, span_s, sigma=2.0)
    found = told(bench, amps)
    assert abs(found.i2t_a2s.value - heat) < 2.5 * found.i2t_a2s.u
    assert found.i2t_a2s.u < 0.03 * heat


def test_gain_counts_twice_in_the_square(bench):
    bench.accuracy = 2.0
    found = told(bench, pulse(*PULSES["half sine"][:2]))
    gains = {s.id: t for s, t in found.i2t_a2s.terms.items() if s.id.endswith("gain")}
    assert list(gains.values()) == pytest.approx([2 * 0.02 * found.i2t_a2s.value / 3**0.5], rel=1e-9)


def test_doubt(bench):
    course, span_s = PULSES["half sine"][:2]
    cut = pulse(course, span_s)[: ON + 1500]
    assert any("ends before the pulse" in flag for flag in told(bench, cut).flags)
    assert any("sample faster" in flag for flag in told(bench, pulse(lambda t: 40 * np.exp(-t / 5e-6), 1e-4)).flags)
    assert told(bench, 0.01 * np.random.default_rng(2).standard_normal(9000)) is None
    with pytest.raises(ValueError, match="let the capture begin earlier"):
        surge(np.ones(500), DT, Instant(9.5, 0.5), 5e-3, bench.scope(np.ones(3)), "shot")
