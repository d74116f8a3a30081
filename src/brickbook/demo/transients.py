"""Captures of load steps and of switching on and off, from physics of our own, seen by a scope that errs.

Load steps and the charging of the bulk capacitor are those of `simbench.transients`; with a warm thermistor the
resistance is two fifths of the cold one. The output comes up after a start-up time, along an exponential of its own.
When mains has gone the bulk capacitor feeds the load, v^2 = v0^2 - 2 P t/C, down to where the converter gives up, and
the output then falls as its own capacitor empties.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Instrument
from brickbook.demo.campaign import RawDeposit
from brickbook.demo.scenario import Example
from brickbook.demo.waveforms import SCOPE
from brickbook.simbench.meters import MeterBench
from brickbook.simbench.transients import Loop, PrimarySide, charging_current, step_response

__all__ = ["Loop", "PrimarySide", "loop_of", "primary_of", "step_response", "transients"]

FloatArray = NDArray[np.float64]

_BITS = 12
_BOUNDS = {"port_voltage_v": 0.02, "port_current_a": 0.02, "mains_voltage_v": 0.02, "mains_current_a": 0.03}
_STEP_RATE_HZ = 500e3
_HALF_S = 0.008  # each level of a load step
_SWITCH_RATE_HZ = 100e3

# natural frequency [Hz], damping, swing [Ohm], late from no load [s]; cold [Ohm], bulk [F], start [s], rise [s]
_LOOPS: Mapping[str, tuple[float, float, float, float]] = {
    "wren-35": (5.2e3, 0.62, 0.240, 0.0),
    "plover-67": (4.1e3, 0.21, 0.260, 0.0),
    "heron-120": (7.5e3, 0.55, 0.115, 0.0),
    "albatross-200": (6.3e3, 0.70, 0.090, 4e-5),
}
_PRIMARIES: Mapping[str, PrimarySide] = {
    "wren-35": PrimarySide(12.0, 47e-6, 0.21, 1.6e-3),
    "plover-67": PrimarySide(9.0, 82e-6, 0.34, 2.2e-3),
    "heron-120": PrimarySide(6.8, 120e-6, 0.48, 2.8e-3),
    "albatross-200": PrimarySide(5.5, 200e-6, 0.62, 3.5e-3),
}


def loop_of(example: Example, port: str, volts: float) -> Loop:
    """Output impedance of a port of an example charger at a contract [V]."""
    hz, damping, swing, late = _LOOPS[example.slug]
    place = list(example.model.ports).index(port)
    # smaller ports have smaller capacitors: slower to answer and farther to swing
    worse = 1.0 + 0.25 * place
    return Loop(
        natural_hz=hz / worse,
        damping=damping * (20.0 / max(volts, 5.0)) ** 0.1,
        swing_ohm=swing * worse,
        output_ohm=example.model.ports[port].output_ohm,
        late_s=late,
    )


def primary_of(example: Example) -> PrimarySide:
    """Mains side of an example charger."""
    return _PRIMARIES[example.slug]


def transients(
    example: Example,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    mains: tuple[tuple[float, float], ...] = ((115.0, 60.0), (230.0, 50.0)),
    perfect: bool = False,
    errors_seed: int | None = None,
) -> Iterator[RawDeposit]:
    """Raw files of one charger's load steps and of its switching on and off, in the order they would be taken.

    Parameters
    ----------
    example
        The charger and its campaign.
    instruments
        Of the bench; the scope is "bench-scope" when it is there.
    seed
        Of all randomness; equal seeds give equal bytes.
    mains
        Supplies (V, Hz): load steps on the last, switching on all.
    perfect
        A scope without error, noise and steps, for checks against the truth.
    errors_seed
        Of the scope's own errors, where other campaigns are read by the same scope.
    """
    rng = np.random.default_rng([seed, 11])
    scope = _ScopeOf(MeterBench(instruments, rng, perfect=perfect, errors_seed=errors_seed))
    clock = datetime(2026, 10, 8, 9, 0, 0)
    for port, contract, volts, amps in _contracts(example):
        for low, high in ((0.1, 0.9), (0.0, 0.5)):
            yield _load_step(example, port, contract, volts, (low * amps, high * amps), mains[-1], clock, scope, rng)
            clock += timedelta(minutes=3)
    port, contract, volts, amps = next(_contracts(example))
    for supply in mains:
        for start in ("cold", "warm"):
            yield _switch_on(example, port, supply, start, clock, scope, rng)
            clock += timedelta(minutes=35 if start == "cold" else 6)
        yield _switch_off(example, port, contract, volts, amps, supply, clock, scope, rng)
        clock += timedelta(minutes=5)


def _contracts(example: Example) -> Iterator[tuple[str, str, float, float]]:
    """The first port at its highest voltage, the second too where there is one."""
    for port in list(example.model.ports)[:2]:
        own = [s for s in example.sweeps if s.port == port and not s.contract.startswith("PPS")]
        if own:
            top = max(own, key=lambda s: s.contract_v)
            yield port, top.contract, top.contract_v, top.current_a


def _load_step(
    example: Example,
    port: str,
    contract: str,
    volts: float,
    ends_a: tuple[float, float],
    supply: tuple[float, float],
    clock: datetime,
    scope: _ScopeOf,
    rng: np.random.Generator,
) -> RawDeposit:
    loop = loop_of(example, port, volts)
    rise_s = (ends_a[1] - ends_a[0]) / 0.25e6  # a quarter of an ampere a microsecond
    # off the samples' grid: 2 ms before, then a level up and a level down
    up_s = 0.002 + float(rng.uniform(0, 1)) / _STEP_RATE_HZ
    down_s = up_s + _HALF_S
    time = np.arange(int((down_s + _HALF_S) * _STEP_RATE_HZ)) / _STEP_RATE_HZ
    size = ends_a[1] - ends_a[0]
    level = volts * (1 + example.model.ports[port].set_error_ratio) - loop.output_ohm * ends_a[0]
    late = loop.late_s if ends_a[0] == 0.0 else 0.0
    voltage = level + step_response(loop, time - up_s, size, rise_s, late) + step_response(
        loop, time - down_s, -size, rise_s
    )  # fmt: skip
    ripple = 0.006 * np.sin(2 * np.pi * 97.3e3 * time + float(rng.uniform(0, 6.28)))
    colour = signal.lfilter([0.5], [1.0, -0.5], rng.standard_normal(len(time)))
    voltage = voltage + (0.0 if scope.perfect else 1.0) * (ripple + 0.0015 * colour)
    ramp_up, ramp_down = (np.clip((time - t) / rise_s, 0.0, 1.0) for t in (up_s, down_s))
    current = ends_a[0] + size * (ramp_up - ramp_down)
    seen_v, set_v = scope.sees("port_voltage_v", voltage, 0.0012)
    seen_i, set_i = scope.sees("port_current_a", current, 0.006)
    slug = contract.lower().replace(" ", "")
    conditions: dict[str, Scalar] = {
        "mains_v": supply[0],
        "mains_hz": supply[1],
        "port": port,
        "contract": contract,
        "output_v": volts,
        "measured_at": "receptacle",
        "step_low_a": round(ends_a[0], 4),
        "step_high_a": round(ends_a[1], 4),
    }
    return _deposit(
        f"step-{port.lower()}-{slug}-{100 * ends_a[0] / max(ends_a[1] / 0.9, 1e-9):.0f}pc",
        {f"port_voltage_v@{port}": (seen_v, set_v), f"port_current_a@{port}": (seen_i, set_i)},
        1.0 / _STEP_RATE_HZ,
        ("loadstep",),
        clock,
        conditions,
    )


def _switch_on(
    example: Example,
    port: str,
    supply: tuple[float, float],
    start: str,
    clock: datetime,
    scope: _ScopeOf,
    rng: np.random.Generator,
) -> RawDeposit:
    side, (volts, hertz) = primary_of(example), supply
    interval = 1.0 / _SWITCH_RATE_HZ
    on_s = 0.02 + float(rng.uniform(0, 1)) * interval
    phase = float(rng.uniform(0.2, np.pi - 0.2))
    ohm = side.cold_ohm * (1.0 if start == "cold" else 0.4)
    time = np.arange(int((on_s + side.start_s * 1.1 + 12 * side.rise_s + 0.06) / interval), dtype=np.float64) * interval
    mains = np.where(time >= on_s, 2**0.5 * volts * np.sin(2 * np.pi * hertz * (time - on_s) + phase), 0.0)
    current = charging_current(side, ohm, volts, hertz, phase, on_s, time)
    rises_s = on_s + side.start_s * (1.0 if start == "cold" else 0.8) * (230.0 / volts) ** 0.15
    output = 5.05 * (1 - np.exp(-np.maximum(time - rises_s, 0.0) / side.rise_s))
    channels = {
        "mains_voltage_v": scope.sees("mains_voltage_v", mains, 0.4),
        "mains_current_a": scope.sees("mains_current_a", current, 0.04),
        f"port_voltage_v@{port}": scope.sees("port_voltage_v", output, 0.003, low=0.0),
    }
    conditions: dict[str, Scalar] = {
        "mains_v": volts,
        "mains_hz": hertz,
        "port": port,
        "start": start,
        "supply": "wall outlet",
        "measured_at": "receptacle",
        "load_a": 0.0,
    }
    return _deposit(f"on-{start}-{volts:g}v", channels, interval, ("inrush",), clock, conditions)


def _switch_off(
    example: Example,
    port: str,
    contract: str,
    output_v: float,
    amps: float,
    supply: tuple[float, float],
    clock: datetime,
    scope: _ScopeOf,
    rng: np.random.Generator,
) -> RawDeposit:
    side, (volts, hertz) = primary_of(example), supply
    interval = 1.0 / _SWITCH_RATE_HZ
    peak = 2**0.5 * volts
    power = output_v * amps / side.efficiency_ratio
    gone_s = 0.07 + float(rng.uniform(0, 1)) / hertz
    phase = float(rng.uniform(0, 2 * np.pi))
    # the capacitor was last filled at the crest before; it has fed the load since
    angle = (2 * np.pi * hertz * gone_s + phase) % np.pi
    since = ((angle - np.pi / 2) % np.pi) / (2 * np.pi * hertz)
    energy = 0.5 * side.bulk_f * peak**2 - power * since
    lasts = max((energy - 0.5 * side.bulk_f * side.gives_up_v**2) / power, 2e-4)
    time = np.arange(int((gone_s + lasts + 0.03) / interval)) * interval
    left = peak * np.sin(2 * np.pi * hertz * gone_s + phase)
    mains = np.where(
        time < gone_s,
        peak * np.sin(2 * np.pi * hertz * time + phase),
        left * np.exp(-np.maximum(time - gone_s, 0.0) / 0.05),
    )
    level = output_v * (1 + example.model.ports[port].set_error_ratio) - example.model.ports[port].output_ohm * amps
    fall = amps / side.output_f  # a constant current empties the output capacitor
    output = np.maximum(level - fall * np.maximum(time - gone_s - lasts, 0.0), 0.0)
    conditions: dict[str, Scalar] = {
        "mains_v": volts,
        "mains_hz": hertz,
        "port": port,
        "contract": contract,
        "output_v": output_v,
        "load_a": amps,
        "supply": "wall outlet",
        "measured_at": "receptacle",
    }
    channels = {
        "mains_voltage_v": scope.sees("mains_voltage_v", mains, 0.4),
        f"port_voltage_v@{port}": scope.sees("port_voltage_v", output, 0.004, low=0.0),
    }
    return _deposit(f"off-{volts:g}v", channels, interval, ("inrush",), clock, conditions)


class _ScopeOf:
    """A scope with one gain error for each quantity, and ranges in steps of 1, 2, 5."""

    def __init__(self, bench: MeterBench) -> None:
        self.perfect, self._rng = bench.perfect, bench.rng
        self._gain: dict[str, float] = {}
        scope = bench.instruments.get(SCOPE)
        for quantity, usual in _BOUNDS.items():
            line = scope.accuracy_for(quantity, 0.01) if scope is not None else None
            bound = (line.percent_reading + line.percent_range) / 100 if line is not None else usual
            self._gain[quantity] = 1.0 if bench.perfect else 1.0 + bound * bench.fraction(f"{SCOPE}: {quantity}")

    def sees(
        self, quantity: str, truth: FloatArray, sigma: float, *, low: float | None = None
    ) -> tuple[FloatArray, dict[str, float]]:
        """What it stores of a course, and how it was set: the smallest range that holds it about mid-screen."""
        bottom, top = min(float(truth.min()), truth.min() if low is None else low), float(truth.max())
        height = 1.3 * (top - bottom) + 12 * sigma
        decade = 10.0 ** np.floor(np.log10(height))
        full_scale = float(next(decade * m for m in (1.0, 2.0, 5.0, 10.0) if decade * m >= height))
        centre = float(np.round((top + bottom) / 2 / (full_scale / 10)) * full_scale / 10)
        setting = {"full_scale": full_scale, "centre": centre, "bits": float(_BITS), "noise": sigma}
        if self.perfect:
            return truth, {**setting, "bits": 24.0, "noise": 1e-9}
        # the offset of a range is set exactly; what differs from it goes through the gain
        seen = centre + self._gain[quantity] * (truth - centre) + sigma * self._rng.standard_normal(len(truth))
        step = full_scale / 2**_BITS
        codes = np.clip(np.round((seen - centre) / step), -(2 ** (_BITS - 1)), 2 ** (_BITS - 1) - 1)
        return centre + codes * step, setting


def _deposit(
    stem: str,
    channels: Mapping[str, tuple[FloatArray, Mapping[str, float]]],
    interval_s: float,
    studies: tuple[str, ...],
    clock: datetime,
    conditions: Mapping[str, Scalar],
) -> RawDeposit:
    """An archive of arrays, a channel each, named as the scope's owner labelled them."""
    out = io.BytesIO()
    arrays: dict[str, Any] = {"interval_s": np.float64(interval_s)}
    settings: dict[str, Scalar] = {}
    for number, (column, (values, setting)) in enumerate(channels.items(), start=1):
        header = f"CH{number}"
        arrays[header] = values.astype(np.float32)
        settings[f"column@{header}"] = column
        settings |= {f"{key}@{header}": value for key, value in setting.items()}
    np.savez_compressed(out, **arrays)
    quantities = {column.partition("@")[0] for column in channels}
    return RawDeposit(
        f"{stem}.npz",
        out.getvalue(),
        studies,
        clock.isoformat(),
        {**conditions, **settings},
        dict.fromkeys(sorted(quantities), SCOPE),
        reader="capture-npz",
        recording=stem,
    )
