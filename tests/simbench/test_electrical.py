"""The operating point against the formula of the losses written out, and against the array model."""

from dataclasses import replace

import numpy as np
import pytest

from brickbook.simbench import load_sim_charger
from brickbook.simbench.electrical import DEAD, LoadPoint, attached_power_w, operating_point
from brickbook.simbench.physics import operate

IDLE = LoadPoint(0.0, 0.0, 5.0)


def test_losses_by_hand():
    """30 W charger at 20 V, 1.5 A, 230 V, inside 25 °C: each term of the formula with its numbers."""
    charger = load_sim_charger("finch-30")
    point = operating_point(charger, 230.0, {"C1": LoadPoint(20.0, 1.5, 20.0)}, inside_c=25.0, pfc_was_on=False)
    volts = 20.0 * 1.005 - 0.014 * 1.5
    power = volts * 1.5
    loss = (
        0.021
        + 4.2e-7 * 230.0**2
        + 0.55 * power / (power + 2.0)
        + (1.9 / 230.0 + 0.021) * power
        + 1.25 * (power / 0.58 / 230.0) ** 2
        + 0.02
        + 0.050 * 1.5**2
    )
    assert point.port_voltage_v["C1"] == pytest.approx(volts, rel=1e-12)
    assert point.loss_w == pytest.approx(loss, rel=1e-12)
    assert point.input_w == pytest.approx(power + loss, rel=1e-12)


@pytest.mark.parametrize("name", ["finch-30", "osprey-100"])
@pytest.mark.parametrize("mains_v", [115.0, 230.0])
def test_it_is_the_array_model_at_each_load(name, mains_v):
    """physics.operate, with the temperature it finds itself, over a load that rises and falls (hysteresis)."""
    charger = load_sim_charger(name)
    ratio = np.concatenate([np.linspace(0.05, 1.0, 30), np.linspace(1.0, 0.05, 30)])
    wanted = {"C1": (20.0, 1.4), "C2": (9.0, 2.4), "A1": (5.0, 2.0)}
    used = {port.id: wanted[port.id] for port in charger.ports}
    state = operate(
        charger.electrical(),
        mains_v=mains_v,
        contract_v={p: v for p, (v, _) in used.items()},
        current_a={p: a * ratio for p, (_, a) in used.items()},
        time_s=np.arange(60.0) * 60.0,
    )
    on = False
    for k, part in enumerate(ratio):
        loads = {p: LoadPoint(v, a * part, v) for p, (v, a) in used.items()}
        point = operating_point(charger, mains_v, loads, inside_c=float(state.inside_c[k]), pfc_was_on=on)
        on = point.pfc_on
        assert point.pfc_on == bool(state.pfc_on[k])
        assert point.input_w == pytest.approx(state.input_w[k], rel=1e-12)
        assert point.input_a == pytest.approx(state.input_a[k], rel=1e-12)
        assert point.power_factor == pytest.approx(state.power_factor[k], rel=1e-12)
        assert point.thd_ratio == pytest.approx(state.current_thd_ratio[k], rel=1e-12)
        assert point.harmonic_a[5] == pytest.approx(state.harmonic_a[5][k], rel=1e-12)


def test_the_power_factor_stage_has_hysteresis():
    charger = load_sim_charger("osprey-100")
    between = {"C1": LoadPoint(20.0, 2.1, 20.0), "C2": IDLE, "A1": IDLE}
    off, on = (operating_point(charger, 230.0, between, inside_c=25.0, pfc_was_on=was) for was in (False, True))
    assert (off.pfc_on, on.pfc_on) == (False, True)
    assert on.power_factor > 0.9 > off.power_factor


def test_harmonics_of_a_rectangular_pulse():
    """Fourier series of a pulse of width w in each half period: I_h/I_1 = sin(h w/2)/(h sin(w/2)), by FFT."""
    charger = load_sim_charger("finch-30")
    point = operating_point(charger, 230.0, {"C1": LoadPoint(20.0, 1.5, 20.0)}, inside_c=25.0, pfc_was_on=False)
    phase = (np.arange(1 << 16) + 0.5) / (1 << 16) * 2 * np.pi
    half = point.angle_rad / 2
    pulse = np.where(np.abs(phase - np.pi / 2) < half, 1.0, 0.0) - np.where(
        np.abs(phase - 3 * np.pi / 2) < half, 1.0, 0.0
    )
    lines = np.abs(np.fft.rfft(pulse))
    for order in (3, 5, 7, 9, 11, 13):
        assert point.harmonic_a[order] / point.harmonic_a[1] == pytest.approx(
            lines[order] / lines[1], rel=2e-3, abs=1e-3
        )


def test_nothing_without_mains_and_bursts_average_to_the_idle_power():
    charger = load_sim_charger("finch-30")
    assert operating_point(charger, 0.0, {"C1": IDLE}, inside_c=25.0, pfc_was_on=False) is DEAD
    bursting = replace(charger, losses=replace(charger.losses, burst_period_s=8.0))
    watts = [
        operating_point(bursting, 230.0, {"C1": IDLE}, inside_c=25.0, pfc_was_on=False, time_s=t).input_w
        for t in np.arange(0.0, 80.0, 0.5)
    ]
    assert np.mean(watts) == pytest.approx(0.021 + 4.2e-7 * 230.0**2, rel=1e-9)
    assert max(watts) > 2 * min(watts)


def test_an_attached_device_that_draws_nothing_costs_power():
    port = load_sim_charger("finch-30").port("C1")
    assert attached_power_w(port, 5.0) == 0.028
    assert attached_power_w(port, 7.0) == pytest.approx((0.028 + 0.044) / 2)
    assert attached_power_w(port, 48.0) == 0.09
