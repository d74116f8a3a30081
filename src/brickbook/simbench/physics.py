"""A charger as physics: where its losses come from, so that raw files can be made whose truth is known.

The model is ours and deliberately plain; nothing in the analysis knows it. For a mains supply U and outputs
(V_i, I_i):

```
P_out   = sum V_i I_i
P_loss  = P_idle(U)                              controllers and discharge of the input filter, k U^2
        + P_gate * m(P) * (U/230)^2              switching loss, scaled down by burst mode m below a corner
        + (a_bridge/U + a_conv) P                rectifier drop and conversion, proportional to power
        + r_primary (P/(PF U))^2                 primary conduction, grows as the mains voltage falls
        + sum r_i I_i^2 + p_i                    each port's rectifier, converter and copper
        + P_pfc (fixed) and a_pfc P              while the power-factor stage runs
P_in    = P_out + P_loss
```

Losses rise with the inside temperature, which follows the loss with one time constant. The power-factor stage starts
above one input power and stops below a lower one. Without it the input current is a pulse of some conduction angle
around the crest; its harmonics are those of a rectangular pulse, I_h/I_1 = sin(h w/2)/(h sin(w/2)), and the power
factor follows from them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

__all__ = ["ChargerModel", "Operation", "PfcStage", "PortModel", "operate", "standby_power_w"]

FloatArray = NDArray[np.float64]
HARMONICS = (3, 5, 7, 9, 11, 13)


@dataclass(frozen=True, slots=True)
class PortModel:
    """One port: set-point error, output resistance [Ohm], loss resistance [Ohm], fixed loss [W], and where it sags.

    `sag` maps a contract voltage [V] to (knee current [A], resistance beyond the knee [Ohm]).
    """

    set_error_ratio: float = 0.004
    output_ohm: float = 0.020
    loss_ohm: float = 0.030
    fixed_loss_w: float = 0.05
    conversion_ratio: float = 0.0
    sag: Mapping[float, tuple[float, float]] = field(default_factory=dict)
    noise_v: float = 0.002
    noise_half_load_v: float = 0.0


@dataclass(frozen=True, slots=True)
class PfcStage:
    """Power-factor stage: starts above, stops below (input power [W]); what it costs while it runs."""

    on_w: float
    off_w: float
    fixed_loss_w: float = 0.5
    loss_ratio: float = 0.012


@dataclass(frozen=True, slots=True)
class ChargerModel:
    """Parameters of one charger; names as in the module's formula."""

    ports: Mapping[str, PortModel]
    idle_w: float
    idle_per_v2: float
    gate_w: float
    burst_corner_w: float
    bridge_v: float
    conversion_ratio: float
    primary_ohm: float
    pfc: PfcStage | None = None
    power_limit_w: float = float("inf")
    temperature_coefficient: float = 0.0012
    thermal_ohm: float = 4.0
    thermal_time_s: float = 800.0
    conduction_angle_rad: float = 0.50
    situation_w: Mapping[str, float] = field(default_factory=dict)
    burst_period_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Operation:
    """State of a charger over time; arrays of shape (n,)."""

    port_voltage_v: Mapping[str, FloatArray]
    port_current_a: Mapping[str, FloatArray]
    input_w: FloatArray
    input_a: FloatArray
    power_factor: FloatArray
    current_thd_ratio: FloatArray
    harmonic_a: Mapping[int, FloatArray]
    pfc_on: NDArray[np.bool_]
    inside_c: FloatArray


def operate(
    model: ChargerModel,
    *,
    mains_v: float,
    contract_v: Mapping[str, float],
    current_a: Mapping[str, FloatArray],
    time_s: FloatArray,
    ambient_c: float = 22.0,
) -> Operation:
    """Run a charger through a course of load currents.

    Parameters
    ----------
    model
        The charger.
    mains_v
        Mains voltage [V].
    contract_v
        Contract voltage of each loaded port [V].
    current_a
        Load current of each loaded port [A], shape (n,).
    time_s
        Time [s], shape (n,), rising.
    ambient_c
        Room temperature [°C].
    """
    volts = {p: _port_voltage(model.ports[p], contract_v[p], current_a[p]) for p in contract_v}
    asked = _output_power(volts, current_a)
    # above the limit the main rail gives way and all loaded ports sag together
    share = np.minimum(1.0, model.power_limit_w / np.maximum(asked, 1e-9))
    volts = {p: v * share for p, v in volts.items()}
    power = _output_power(volts, current_a)
    cold = _loss(model, mains_v, volts, current_a, power, np.zeros(len(time_s), dtype=np.bool_), 1.0)
    pfc_on = _pfc_state(model.pfc, power + cold)
    steady = _loss(model, mains_v, volts, current_a, power, pfc_on, 1.0)
    inside = ambient_c + _first_order(model.thermal_ohm * steady, time_s, model.thermal_time_s)
    warm = 1.0 + model.temperature_coefficient * (inside - 25.0)
    loss = _loss(model, mains_v, volts, current_a, power, pfc_on, warm)
    input_w = power + loss
    angle = model.conduction_angle_rad + 0.25 * power / (power + 20.0)
    thd, ratios = _pulse(angle)
    with_pfc = 0.05 + 2.5 / np.maximum(input_w, 10.0)
    thd = np.where(pfc_on, with_pfc, thd)
    displacement = np.where(pfc_on, 1.0 - 3.0 / np.maximum(input_w, 30.0) ** 1.1, 0.96)
    power_factor = displacement / np.sqrt(1.0 + thd**2)
    input_a = input_w / (mains_v * power_factor)
    fundamental = input_a / np.sqrt(1.0 + thd**2)
    falling = np.sqrt(sum(1.0 / h**2 for h in HARMONICS))
    harmonics = {h: fundamental * np.where(pfc_on, with_pfc / h / falling, np.abs(ratios[h])) for h in HARMONICS}
    return Operation(volts, dict(current_a), input_w, input_a, power_factor, thd, harmonics, pfc_on, inside)


def standby_power_w(model: ChargerModel, mains_v: float, situation: str, time_s: FloatArray) -> FloatArray:
    """Input power with no load current [W], shape (n,); bursts average out exactly over their period."""
    mean = model.idle_w + model.idle_per_v2 * mains_v**2 + model.situation_w.get(situation, 0.0)
    if not model.burst_period_s:
        return np.full(len(time_s), mean)
    phase = (time_s / model.burst_period_s) % 1.0
    return np.asarray(mean * (0.7 + 0.3 * 4.0 * ((phase >= 0.25) & (phase < 0.5))), dtype=np.float64)


def _port_voltage(port: PortModel, contract_v: float, current_a: FloatArray) -> FloatArray:
    volts = contract_v * (1.0 + port.set_error_ratio) - port.output_ohm * current_a
    if contract_v in port.sag:
        knee, beyond = port.sag[contract_v]
        volts = volts - beyond * np.maximum(current_a - knee, 0.0)
    return np.asarray(np.maximum(volts, 0.0), dtype=np.float64)


def _output_power(volts: Mapping[str, FloatArray], amps: Mapping[str, FloatArray]) -> FloatArray:
    return np.asarray(np.sum([volts[p] * amps[p] for p in volts], axis=0), dtype=np.float64)


def _loss(
    model: ChargerModel,
    mains_v: float,
    volts: Mapping[str, FloatArray],
    amps: Mapping[str, FloatArray],
    power: FloatArray,
    pfc_on: NDArray[np.bool_],
    warm: FloatArray | float,
) -> FloatArray:
    idle = model.idle_w + model.idle_per_v2 * mains_v**2
    burst = power / (power + model.burst_corner_w)
    gate = model.gate_w * burst * (mains_v / 230.0) ** 2
    proportional = (model.bridge_v / mains_v + model.conversion_ratio) * power
    primary = model.primary_ohm * (power / np.where(pfc_on, 0.97, 0.58) / mains_v) ** 2
    ports = np.sum(
        [
            model.ports[p].fixed_loss_w * (amps[p] > 0)
            + model.ports[p].loss_ohm * amps[p] ** 2
            + model.ports[p].conversion_ratio * volts[p] * amps[p]
            for p in volts
        ],
        axis=0,
    )
    stage: FloatArray | float = 0.0
    if model.pfc is not None:
        stage = np.where(pfc_on, model.pfc.fixed_loss_w + model.pfc.loss_ratio * power, 0.0)
    return np.asarray(idle + gate + (proportional + primary + ports + stage) * warm, dtype=np.float64)


def _pfc_state(stage: PfcStage | None, input_w: FloatArray) -> NDArray[np.bool_]:
    if stage is None:
        return np.zeros(len(input_w), dtype=np.bool_)
    # between the two thresholds the last decision holds; before the first decision the stage is off
    decided = np.where(input_w > stage.on_w, 1, np.where(input_w < stage.off_w, 0, -1))
    last = np.maximum.accumulate(np.where(decided >= 0, np.arange(len(input_w)), -1))
    return np.asarray(np.where(last >= 0, decided[np.maximum(last, 0)], 0) == 1)


def _first_order(target: FloatArray, time_s: FloatArray, tau_s: float) -> FloatArray:
    """Rise above ambient of a body with one time constant, for equally spaced times, starting cold."""
    step = float(time_s[1] - time_s[0]) if len(time_s) > 1 else 1.0
    keep = float(np.exp(-step / tau_s))
    return np.asarray(signal.lfilter([1.0 - keep], [1.0, -keep], target), dtype=np.float64)


def _pulse(angle_rad: FloatArray) -> tuple[FloatArray, Mapping[int, FloatArray]]:
    """Distortion and harmonics, relative to the fundamental, of a rectangular pulse of this width each half period."""
    half = angle_rad / 2
    ratios = {h: np.sin(h * half) / (h * np.sin(half)) for h in HARMONICS}
    # rms of the pulse is sqrt(w/pi), its fundamental's rms sqrt(8)/pi sin(w/2)
    fundamental = np.sqrt(8.0) / np.pi * np.sin(half)
    thd = np.sqrt(np.maximum(angle_rad / np.pi / fundamental**2 - 1.0, 0.0))
    return thd, ratios


def steps(
    levels: Sequence[float], dwell_s: Sequence[float], interval_s: float
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Time, level and segment number of a staircase of load levels."""
    counts = [max(2, round(d / interval_s)) for d in dwell_s]
    level = np.repeat(np.asarray(levels, dtype=np.float64), counts)
    segment = np.repeat(np.arange(len(levels)), counts)
    return np.arange(len(level), dtype=np.float64) * interval_s, level, segment.astype(np.int64)
