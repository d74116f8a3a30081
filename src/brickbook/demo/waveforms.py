"""Scope captures of the example chargers: a waveform from physics, seen by a scope that errs as its data sheet allows.

The output's AC part is a sum of what a switched supply gives:

```
mains      a_m P/(U f) sin(2 pi 2f t), and a little of its double: what the loop lets through of the bulk ripple
switching  a triangle whose height grows with the current; its frequency falls with load and is swept by the bulk ripple
edges      at each turn of the triangle a ringing of some MHz that dies away within half a microsecond
bursts     below a tenth of the load, switching comes in packets, and the output sags between them
noise      white, through one pole, and where the charger is noisy at half load a great deal of it
```

The scope has a range, a gain error, noise and steps of its own. Each load is captured twice: slowly for 200 ms, and
fast for a fraction of a millisecond.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Instrument
from brickbook.demo.campaign import RawDeposit
from brickbook.demo.scenario import Example
from brickbook.simbench.physics import PortModel

__all__ = ["SCOPE", "Emission", "ac_waveform", "captures"]

FloatArray = NDArray[np.float64]

SCOPE = "bench-scope"
_RANGES_V = (0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4.0)  # top to bottom of the screen
_BITS = 12
_GAIN_BOUND = 0.02
_SLOW = (400e3, 80_000)  # samples a second, samples
_FAST = (100e6, 65_536)
_MANY = 5  # ports from which on only the first is captured at all loads


@dataclass(frozen=True, slots=True)
class Emission:
    """What one port emits at one load.

    Parameters
    ----------
    mains_v
        Amplitude at twice the mains frequency [V].
    mains_hz
        Mains frequency [Hz].
    switching_v
        Peak-to-peak of the triangle [V].
    switching_hz
        Its mean frequency [Hz].
    sweep_ratio
        How far the bulk ripple sweeps the frequency, each way.
    edge_v, ring_hz
        Height and frequency of the ringing at the edges.
    burst_hz, burst_share
        Packets a second, and their share of time; a rate of 0 for none.
    noise_v
        Rms of the noise, before its pole at 3 MHz.
    """

    mains_v: float
    mains_hz: float
    switching_v: float
    switching_hz: float
    sweep_ratio: float
    edge_v: float
    ring_hz: float = 11e6
    burst_hz: float = 0.0
    burst_share: float = 1.0
    noise_v: float = 0.001


def ac_waveform(emission: Emission, rate_hz: float, count: int, rng: np.random.Generator) -> FloatArray:
    """The port's AC voltage [V], shape (count,), from a random phase of mains and switching on.

    Parameters
    ----------
    emission
        What the port emits.
    rate_hz, count
        Samples a second, and how many.
    rng
        Source of all randomness.
    """
    e = emission
    time = np.arange(count) / rate_hz + float(rng.uniform(0, 1)) / e.mains_hz
    ripple = 2 * np.pi * 2 * e.mains_hz * time
    out = e.mains_v * (np.sin(ripple) + 0.12 * np.sin(2 * ripple + 0.8))
    # phase of a frequency swept by the ripple, in turns
    sweep = -e.sweep_ratio * e.switching_hz * (np.cos(ripple) - np.cos(ripple[0])) / (2 * np.pi * 2 * e.mains_hz)
    turns = (e.switching_hz * (time - time[0]) + sweep + float(rng.uniform(0, 1))) % 1.0
    rise = 0.35
    triangle = np.where(turns < rise, turns / rise, (1 - turns) / (1 - rise)) - 0.5
    since = np.where(turns < rise, turns, turns - rise) / e.switching_hz
    ring = np.exp(-since / 1.2e-7) * np.cos(2 * np.pi * e.ring_hz * since) * np.where(turns < rise, 1.0, -0.7)
    packet = e.switching_v * triangle + e.edge_v * ring
    if e.burst_hz:
        within = (time * e.burst_hz) % 1.0
        on = within < e.burst_share
        sag = np.where(on, within / e.burst_share, (1 - within) / (1 - e.burst_share)) - 0.5
        packet = np.where(on, packet, 0.0) + 1.6 * e.switching_v * sag
    out += packet
    white = rng.standard_normal(count)
    pole = float(np.exp(-2 * np.pi * 3e6 / rate_hz))
    shaped = signal.lfilter([float(np.sqrt(1 - pole**2))], [1.0, -pole], white)
    return np.asarray(out + e.noise_v * shaped, dtype=np.float64)


def captures(
    example: Example,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    mains: tuple[tuple[float, float], ...] = ((115.0, 60.0), (230.0, 50.0)),
    perfect: bool = False,
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
    """
    rng = np.random.default_rng([seed, 7])
    bound = _bound(instruments)
    gain = 1.0 if perfect else 1.0 + bound * float(rng.uniform(-1, 1))
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
