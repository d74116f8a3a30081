"""Ripple and noise of a port, as a sum of what a switched supply gives.

```
mains      a_m P/(U f) sin(2 pi 2f t), and a little of its double: what the loop lets through of the bulk ripple
switching  a triangle whose height grows with the current; its frequency falls with load and is swept by the bulk ripple
edges      at each turn of the triangle a ringing of some MHz that dies away within half a microsecond
bursts     below a tenth of the load, switching comes in packets, and the output sags between them
noise      white, through one pole, and where the charger is noisy at half load a great deal of it
```

All of it is common practice, no source; the sizes are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.simbench.charger import SimCharger

__all__ = ["Emission", "ac_waveform", "port_emission"]

FloatArray = NDArray[np.float64]


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


def ac_waveform(
    emission: Emission, rate_hz: float, count: int, rng: np.random.Generator, *, start_s: float | None = None
) -> FloatArray:
    """The port's AC voltage [V], shape (count,), from a random phase of mains and switching on.

    Parameters
    ----------
    emission
        What the port emits.
    rate_hz, count
        Samples a second, and how many.
    rng
        Source of all randomness.
    start_s
        When it begins, from a rising zero of mains [s]; `None` for a random phase.
    """
    e = emission
    begin_s = float(rng.uniform(0, 1)) / e.mains_hz if start_s is None else start_s
    time = np.arange(count) / rate_hz + begin_s
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


def port_emission(
    charger: SimCharger,
    port_id: str,
    contract_v: float,
    load_ratio: float,
    full_a: float,
    mains_v: float,
    mains_hz: float,
) -> Emission:
    """What a port of a charger emits.

    Parameters
    ----------
    charger, port_id
        The charger and which port.
    contract_v
        Contract voltage [V].
    load_ratio
        Share of the current offered.
    full_a
        That current [A].
    mains_v, mains_hz
        Supply [V], [Hz].
    """
    emitter = charger.port(port_id).emitter
    power = contract_v * full_a * load_ratio
    loop = 0.25 if charger.pfc is not None else 1.0
    bursting = load_ratio < 0.1
    noisy = emitter.noise_half_load_v * float(np.exp(-(((load_ratio - 0.5) / 0.08) ** 2)))
    return Emission(
        mains_v=loop * (0.0012 + 0.062 * power / (mains_v * mains_hz / 50 * 10)),
        mains_hz=mains_hz,
        switching_v=(0.004 + 0.010 * load_ratio) * (1 + 0.02 * contract_v),
        switching_hz=emitter.switching_hz * (1 - 0.18 * load_ratio),
        sweep_ratio=0.03 if loop == 1.0 else 0.008,
        edge_v=0.006 + 0.009 * load_ratio,
        burst_hz=1900.0 if bursting else 0.0,
        burst_share=0.3 if bursting else 1.0,
        noise_v=0.3 * emitter.noise_v + noisy,
    )
