"""Power factor and distortion against worked numbers of the textbook relation PF = DPF/sqrt(1 + THD^2)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.studies.efficiency.power_factor import contradiction, distortion_from, power_factor_from


@pytest.mark.parametrize(
    ("displacement", "thd", "expected"),
    [(0.9, 1.20, 0.57617), (1.0, 0.0, 1.0), (1.0, 1.0, 0.70711), (0.95, 0.30, 0.90993)],
)
def test_power_factor_of_a_distorted_current(displacement, thd, expected):
    assert power_factor_from(displacement, thd) == pytest.approx(expected, abs=5e-6)


def test_distortion_behind_a_power_factor():
    """PF 0.9 with DPF 1: THD = sqrt(1/0.81 - 1) = 0.48432."""
    assert distortion_from(0.9, 1.0) == pytest.approx(0.48432, abs=5e-6)


@given(st.floats(0.05, 1.0), st.floats(0.0, 3.0))
def test_there_and_back(displacement, thd):
    assert distortion_from(power_factor_from(displacement, thd), displacement) == pytest.approx(thd, abs=1e-6)


def test_relation_holds_for_sampled_waveforms():
    """P/(U I) from samples of a voltage sine and a current with a third and a fifth harmonic (numpy as second route)."""
    t = np.arange(10_000) / 10_000
    voltage = np.sqrt(2) * 230 * np.sin(2 * np.pi * t)
    current = np.sqrt(2) * (
        1.0 * np.sin(2 * np.pi * t - 0.3) + 0.6 * np.sin(6 * np.pi * t) + 0.3 * np.sin(10 * np.pi * t + 1.0)
    )
    power_factor = np.mean(voltage * current) / (np.std(voltage) * np.std(current))
    assert power_factor_from(math.cos(0.3), math.hypot(0.6, 0.3)) == pytest.approx(power_factor, abs=1e-9)


def test_a_power_factor_above_the_displacement_factor_is_refused():
    with pytest.raises(ValueError, match="at most the displacement factor"):
        distortion_from(0.99, 0.95)


def test_what_cannot_go_together_is_told():
    assert contradiction(0.60, 0.002, 1.20, 0.02) == ""
    text = contradiction(0.95, 0.002, 1.20, 0.02)
    assert text.startswith("power factor 0.950 is above the 0.640 that a current distortion of 120 % allows")
    # within twice the uncertainty nothing is said
    assert contradiction(0.645, 0.002, 1.20, 0.02) == ""
