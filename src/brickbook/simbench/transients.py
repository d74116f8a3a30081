"""What a charger does when something changes at once: a load step at its output, mains coming on.

Load step. A port is a source behind an output impedance of second order: an inductance-like loop of the regulator
against the output capacitor. For a load that rises by I within a time T the voltage is

```
v(t) = V - R I (1 - exp(-a t)) - I Z exp(-a t) sin(w t) - I R_esr exp(-t/T_esr)      a = z w0, w = w0 sqrt(1 - z^2)
```

smoothed over the load's rise T: the settled drop over the output resistance R, the swing of the loop with damping z,
and the first dip over the resistance of the capacitor. From no load a port in burst mode answers late.

Switching on. Mains charges the bulk capacitor C through the resistance of line, thermistor and rectifier,
C dv/dt = (|U(t)| - v)/R while the rectifier conducts. Both are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Loop", "PrimarySide", "charging_current", "step_response"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Loop:
    """Output impedance of a port.

    Parameters
    ----------
    natural_hz, damping
        Of the regulator's loop.
    swing_ohm
        Swing for an ampere [Ohm].
    output_ohm
        Settled drop for an ampere [Ohm].
    esr_ohm, esr_s
        First dip for an ampere, and how soon it is over.
    late_s
        How much later it answers from no load.
    """

    natural_hz: float
    damping: float
    swing_ohm: float
    output_ohm: float
    esr_ohm: float = 0.012
    esr_s: float = 9e-6
    late_s: float = 0.0


@dataclass(frozen=True, slots=True)
class PrimarySide:
    """What mains sees.

    Parameters
    ----------
    cold_ohm
        Line, thermistor and rectifier, cold [Ohm].
    bulk_f
        Bulk capacitor [F].
    start_s
        From mains to the first rise of the output [s].
    rise_s
        Time constant of that rise [s].
    gives_up_v
        Voltage of the bulk capacitor at which the converter stops [V].
    output_f
        Output capacitor [F].
    efficiency_ratio
        From bulk to output.
    """

    cold_ohm: float
    bulk_f: float
    start_s: float
    rise_s: float
    gives_up_v: float = 80.0
    output_f: float = 680e-6
    efficiency_ratio: float = 0.92


def step_response(loop: Loop, time_s: FloatArray, size_a: float, rise_s: float, late_s: float = 0.0) -> FloatArray:
    """Departure of the voltage from its level before a step at time 0 [V], shape of `time_s`.

    Parameters
    ----------
    loop
        Of the port.
    time_s
        From the beginning of the load's rise [s].
    size_a
        Of the step, positive upwards [A].
    rise_s
        How long the load takes from one level to the other, a straight line [s].
    late_s
        How much later the loop answers; the capacitor feeds the load meanwhile [s].
    """
    w0 = 2 * np.pi * loop.natural_hz
    a, w = loop.damping * w0, w0 * np.sqrt(1 - loop.damping**2)

    def at_once(t: FloatArray) -> FloatArray:
        x = np.maximum(t, 0.0)
        swing = loop.swing_ohm * np.exp(-a * x) * np.sin(w * x)
        held = loop.swing_ohm * w * np.minimum(x, late_s) if late_s else 0.0
        settled = loop.output_ohm * (1 - np.exp(-a * x))
        first = loop.esr_ohm * np.exp(-x / loop.esr_s)
        if late_s:
            y = np.maximum(x - late_s, 0.0)
            # the loop meets a capacitor that is low already, and comes back from there
            swing = np.where(x < late_s, held, held * np.exp(-a * y) * np.cos(w * y) + loop.swing_ohm
                             * np.exp(-a * y) * np.sin(w * y))  # fmt: skip
        return np.asarray(np.where(t >= 0, -(swing + settled + first), 0.0), dtype=np.float64)

    # mean over the rise: a ramp is a sum of small steps
    parts = 24
    delays = (np.arange(parts) + 0.5) / parts * rise_s
    return np.asarray(size_a / parts * np.sum([at_once(time_s - d) for d in delays], axis=0), dtype=np.float64)


def charging_current(
    side: PrimarySide, ohm: float, volts: float, hertz: float, phase: float, on_s: float, time: FloatArray
) -> FloatArray:
    """Mains current while the bulk capacitor fills [A], by Euler's rule on a mesh twenty times as dense.

    Parameters
    ----------
    side
        The charger's mains side.
    ohm
        Line, thermistor and rectifier as warm as they are [Ohm].
    volts, hertz, phase
        Mains, rms [V], [Hz], and its phase when it comes [rad].
    on_s
        When it comes [s].
    time
        Equally spaced times [s], shape (n,).
    """
    fine = 20
    dt = float(time[1] - time[0]) / fine
    count = int(3.2 / hertz / dt)  # three periods; later pulses only make up for losses
    t = np.arange(count) * dt
    source = 2**0.5 * volts * np.sin(2 * np.pi * hertz * t + phase)
    held, current = 0.0, np.zeros(count)
    for k in range(count):
        drive = abs(source[k]) - held
        if drive > 0.0:
            current[k] = drive / ohm
            held += current[k] * dt / side.bulk_f
    signed = current * np.sign(source)
    return np.asarray(np.interp(time - on_s, t, signed, left=0.0, right=0.0), dtype=np.float64)
