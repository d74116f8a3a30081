"""Scope captures of the example chargers: a waveform from physics, seen by a scope that errs as its data sheet allows.

The waveform is that of `simbench.ripple`. The scope has a range, a gain error, noise and steps of its own. Each load is
captured twice: slowly for 200 ms, and fast for a fraction of a millisecond.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Instrument
from brickbook.demo.campaign import RawDeposit
from brickbook.demo.scenario import Example
from brickbook.simbench.meters import MeterBench
from brickbook.simbench.physics import PortModel
from brickbook.simbench.ripple import Emission, ac_waveform

__all__ = ["SCOPE", "Emission", "ac_waveform", "captures"]

FloatArray = NDArray[np.float64]

SCOPE = "bench-scope"
_RANGES_V = (0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4.0)  # top to bottom of the screen
_BITS = 12
_GAIN_BOUND = 0.02
_SLOW = (400e3, 80_000)  # samples a second, samples
_FAST = (100e6, 65_536)
_MANY = 5  # ports from which on only the first is captured at all loads


def captures(
    example: Example,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    mains: tuple[tuple[float, float], ...] = ((115.0, 60.0), (230.0, 50.0)),
    perfect: bool = False,
    errors_seed: int | None = None,
) -> Iterator[RawDeposit]:
    """Raw files of one charger's ripple captures, in the order they would be taken.

    Parameters
    ----------
    example
        The charger and its campaign.
    instruments
        Of the bench; the scope is "bench-scope" when it is there.
    seed
        Of all randomness; equal seeds give equal bytes.
    mains
        Supplies (V, Hz): all loads on the last, the highest voltage at full load on the others.
    perfect
        A scope without error, noise and steps, for checks against the truth.
    errors_seed
        Of the scope's own errors, where other campaigns are read by the same scope.
    """
    rng = np.random.default_rng([seed, 7])
    bench = MeterBench(instruments, rng, perfect=perfect, errors_seed=errors_seed)
    bound = _bound(instruments)
    gain = 1.0 if perfect else 1.0 + bound * bench.fraction(f"{SCOPE}: port_voltage_v")
    clock = datetime(2026, 10, 5, 9, 0, 0)
    for port, contract, volts, amps, loads in _plan(example):
        for mains_v, mains_hz in mains:
            for load in loads if (mains_v, mains_hz) == mains[-1] else (1.0,) if port == "C1" else ():
                emission = emission_of(example, port, volts, amps, load, mains_v, mains_hz)
                conditions: dict[str, Scalar] = {
                    "mains_v": mains_v,
                    "mains_hz": mains_hz,
                    "port": port,
                    "contract": contract,
                    "output_v": volts,
                    "load_a": round(load * amps, 4),
                    "load_ratio": load,
                    "measured_at": "receptacle",
                    "termination": "0.1 µF and 10 µF",
                    "coupling": "ac",
                }
                slug = contract.lower().replace(" ", "")
                stem = f"ripple-{port.lower()}-{slug}-{100 * load:g}pc-{mains_v:g}v"
                as_text = port == "C1" and load == 1.0 and mains_v == mains[-1][0] and example.slug == "wren-35"
                for speed, (rate_hz, count) in (("slow", _SLOW), ("fast", _FAST)):
                    truth = ac_waveform(emission, rate_hz, count, rng)
                    seen, setting = _seen(truth, gain, rng, perfect=perfect)
                    text = as_text and speed == "slow"
                    if not text:
                        setting["sample_rate_hz"] = rate_hz
                    yield RawDeposit(
                        f"{stem}-{speed}.{'csv' if text else 'npy'}",
                        _text(seen, rate_hz) if text else _array(seen),
                        ("ripple",),
                        clock.isoformat(),
                        {**conditions, **setting},
                        {"port_voltage_v": SCOPE},
                        reader="capture-text" if text else "capture-npy",
                        recording=f"{stem}-{speed}",
                    )
                    clock += timedelta(minutes=2)


def _bound(instruments: Mapping[str, Instrument]) -> float:
    scope = instruments.get(SCOPE)
    line = scope.accuracy_for("port_voltage_v", 0.01) if scope is not None else None
    return (line.percent_reading + line.percent_range) / 100 if line is not None else _GAIN_BOUND


def _plan(example: Example) -> Iterator[tuple[str, str, float, float, tuple[float, ...]]]:
    """Port, contract, voltage, full current and loads: each port at its highest voltage, the first at 5 V too."""
    few = len(example.model.ports) >= _MANY
    for port in example.model.ports:
        own = [s for s in example.sweeps if s.port == port and not s.contract.startswith("PPS")]
        if not own:
            continue
        top = max(own, key=lambda s: s.contract_v)
        first = port == next(iter(example.model.ports))
        loads = (0.05, 0.5, 1.0) if first else (0.5, 1.0) if not few or port in ("C2", "C3") else (1.0,)
        yield port, top.contract, top.contract_v, top.current_a, loads
        low = min(own, key=lambda s: s.contract_v)
        if first and low is not top and not few:
            yield port, low.contract, low.contract_v, low.current_a, (0.5, 1.0)


def emission_of(
    example: Example, port: str, volts: float, amps: float, load: float, mains_v: float, mains_hz: float
) -> Emission:
    """What a port of an example charger emits.

    Parameters
    ----------
    port
        Id.
    volts, amps
        Contract voltage [V] and nameplate current [A].
    load
        Share of the nameplate current.
    mains_v, mains_hz
        Supply [V], [Hz].
    """
    model: PortModel = example.model.ports[port]
    power = volts * amps * load
    loop = 0.25 if example.model.pfc is not None else 1.0
    # each port's converter has a frequency of its own; older ports are slower
    place = list(example.model.ports).index(port)
    base_hz = (138e3, 122e3, 127e3, 96e3, 91e3)[place % 5]
    bursting = load < 0.1
    noisy = model.noise_half_load_v * float(np.exp(-(((load - 0.5) / 0.08) ** 2)))
    return Emission(
        mains_v=loop * (0.0012 + 0.062 * power / (mains_v * mains_hz / 50 * 10)),
        mains_hz=mains_hz,
        switching_v=(0.004 + 0.010 * load) * (1 + 0.02 * volts),
        switching_hz=base_hz * (1 - 0.18 * load),
        sweep_ratio=0.03 if loop == 1.0 else 0.008,
        edge_v=0.006 + 0.009 * load,
        burst_hz=1900.0 if bursting else 0.0,
        burst_share=0.3 if bursting else 1.0,
        noise_v=0.3 * model.noise_v + noisy,
    )


def _seen(
    truth: FloatArray, gain: float, rng: np.random.Generator, *, perfect: bool
) -> tuple[FloatArray, dict[str, Scalar]]:
    """What the scope stores, AC coupled, on the smallest range that holds it; and how it was set."""
    ac = truth - truth.mean()
    height = 2 * float(np.abs(ac).max())
    full_scale = next(r for r in _RANGES_V if r > 1.15 * height)
    if perfect:
        return ac, {"full_scale": full_scale, "centre": 0.0, "bits": 24.0, "noise": 1e-9}
    step = full_scale / 2**_BITS
    noise = 0.00012 + 0.0005 * full_scale
    seen = gain * ac + noise * rng.standard_normal(len(ac))
    codes = np.clip(np.round(seen / step), -(2 ** (_BITS - 1)), 2 ** (_BITS - 1) - 1)
    stated = noise * (1 + 0.05 * float(rng.standard_normal()))
    return codes * step, {
        "full_scale": full_scale,
        "centre": 0.0,
        "bits": float(_BITS),
        "noise": round(float(np.hypot(stated, step / 12**0.5)), 7),
    }


def _array(values: FloatArray) -> bytes:
    out = io.BytesIO()
    np.save(out, values.astype(np.float32))
    return out.getvalue()


def _text(values: FloatArray, rate_hz: float) -> bytes:
    head = f"Sample interval,{1 / rate_hz:.3e},s\nRecord length,{len(values)},points\nTIME,CH1 (mV)\n"
    rows = "".join(f"{k / rate_hz:.7e},{1000 * v:.5f}\n" for k, v in enumerate(values.tolist()))
    return (head + rows).encode()
