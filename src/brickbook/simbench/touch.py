"""Touch current through the barrier of a charger: what the body network reads.

The barrier has a capacitance from either mains conductor and one from the negative rail behind the bridge rectifier. On
mains with one conductor earthed the rail follows the lower of the two conductors (an ideal bridge): half a wave.
Currents are summed over harmonics through the network of IEC 60990 figure 4.
"""

from __future__ import annotations

import numpy as np

__all__ = ["network_readings"]

_HARMONICS = 400
_SAMPLES = 4096


def network_readings(driven_f: float, rail_f: float, mains_v: float, mains_hz: float) -> tuple[float, float]:
    """Voltage U2 of the IEC 60990 figure 4 network in use [V]: rms and peak.

    Parameters
    ----------
    driven_f
        Capacitance from the conductor that is not earthed [F].
    rail_f
        Capacitance from the negative rail [F].
    mains_v, mains_hz
        Supply, rms [V], [Hz].
    """
    phase = 2 * np.pi * np.arange(_SAMPLES) / _SAMPLES
    wave = np.sqrt(2) * mains_v * np.sin(phase)
    charge = np.fft.rfft(driven_f * wave + rail_f * np.minimum(wave, 0.0))
    s = 2j * np.pi * mains_hz * np.arange(len(charge))
    total = driven_f + rail_f
    body = 1 / (1 / 500.0 + 1 / (10e3 + 1 / np.where(s == 0, 1e-9, s * 0.022e-6)))
    network = 1500.0 / (1 + s * 1500.0 * 0.22e-6) + body
    # the barrier's source behind its whole capacitance, into the network
    spectrum = s * charge / (1 + s * total * network) * body / (1 + s * 10e3 * 0.022e-6)
    spectrum[_HARMONICS:] = 0.0
    u2 = np.fft.irfft(spectrum, _SAMPLES)
    return float(np.sqrt(np.mean(u2**2))), float(np.max(np.abs(u2)))
