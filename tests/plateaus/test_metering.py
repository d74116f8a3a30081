from __future__ import annotations

from types import ModuleType

import pytest

import brickbook.plateaus as room
from brickbook.plateaus import (
    equal_loss_current_a,
    maximum_current_ratio,
    permitted_uncertainty_w,
    power_less_current_path_w,
    power_less_voltage_path_w,
    relative_uncertainty_limit,
)


@pytest.mark.parametrize(
    ("ratio", "limit"), [(25.0, 0.0440), (60.0, 0.1000), (125.0, 0.2040), (10.0, 0.02), (1.5, 0.02)]
)
def test_relative_limit(ratio, limit):
    # IEC 62301:2011 4.4.1, U_pc = 0.02 [1 + 0.08 (MCR - 10)] (from memory, medium-high)
    assert relative_uncertainty_limit(ratio) == pytest.approx(limit, abs=5e-6)


@pytest.mark.parametrize(
    ("power_w", "ratio", "limit_w"),
    [
        (50.0, 3.0, 1.0),  # 2 % of the reading
        (1.0, 10.0, 0.02),  # from 1 W up 2 %
        (0.075, 8.0, 0.02),  # below 1 W 0.02 W
        (0.075, 125.0, 0.02),  # max(0.02, 0.204 x 0.075)
        (0.5, 60.0, 0.05),  # max(0.02, 0.1 x 0.5)
        (2.0, 25.0, 0.088),  # 0.044 x 2
    ],
)
def test_permitted_uncertainty(power_w, ratio, limit_w):
    # IEC 62301:2011 4.4.1 (from memory, medium-high)
    assert permitted_uncertainty_w(power_w, ratio) == pytest.approx(limit_w)


def test_maximum_current_ratio():
    # crest factor 5 at power factor 0.2
    assert maximum_current_ratio(5.0, 0.2) == pytest.approx(25.0)
    with pytest.raises(ValueError, match=r"crest factor 0\.5"):
        maximum_current_ratio(0.5, 0.9)
    with pytest.raises(ValueError, match="power factor 0"):
        maximum_current_ratio(2.0, 0.0)
    with pytest.raises(ValueError, match="at least 1"):
        relative_uncertainty_limit(0.3)
    with pytest.raises(ValueError, match="below zero"):
        permitted_uncertainty_w(-0.1, 3.0)


def test_wiring_losses():
    # a bench power meter's manual: 100 V, 2 MOhm, 15 mOhm give 0.577 A
    assert equal_loss_current_a(100.0, 2e6, 0.015) == pytest.approx(0.577, abs=5e-4)
    # derived from Ohm's law: a 2 MOhm voltage input takes 26.45 mW at 230 V, 6.6 mW at 115 V; 0.52 Ohm at 10 mA 0.052 mW
    assert 0.1 - power_less_voltage_path_w(0.1, 230.0, 2e6) == pytest.approx(0.02645)
    assert 0.1 - power_less_voltage_path_w(0.1, 115.0, 2e6) == pytest.approx(0.0066, abs=5e-5)
    assert 0.1 - power_less_current_path_w(0.1, 0.01, 0.52) == pytest.approx(0.000052)
    assert equal_loss_current_a(230.0, 2e6, 0.52) == pytest.approx(0.226, abs=5e-4)


def test_at_the_equal_loss_current_both_wirings_lose_the_same():
    current = equal_loss_current_a(230.0, 1e6, 0.1)
    assert power_less_current_path_w(9.0, current, 0.1) == pytest.approx(power_less_voltage_path_w(9.0, 230.0, 1e6))


def test_the_room_offers_what_it_lists():
    public = {
        name for name, value in vars(room).items() if not name.startswith("_") and not isinstance(value, ModuleType)
    }
    assert set(room.__all__) == public
    assert len(room.__all__) == len(public)
