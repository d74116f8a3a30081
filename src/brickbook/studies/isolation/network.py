"""The measuring network of IEC 60990 figure 4: a body as seen by a touch current, and what a voltmeter on it shows.

Skin RS = 1500 Ohm parallel to CS = 0.22 uF, in series with the body RB = 500 Ohm; across RB a low-pass of R1 = 10 kOhm
and C1 = 0.022 uF that weighs for perception and startle reaction. U1 is the voltage on RB, U2 that on C1. Components as
public reprints of IEC 60990 figure 4 and of IEC 60065 annex D list them.

Impedances are given as (resistance, reactance) and ratios as magnitudes, in real arithmetic, so that the complex step
of the uncertainty passes through them. Frequencies may be floats or arrays [Hz], from 0 on.
"""

from __future__ import annotations

from math import pi
from typing import Any

import numpy as np

__all__ = ["BODY_OHM", "RESISTOR_OHM", "impedance_ohm", "unweighted_ratio", "weighted_ratio"]

BODY_OHM = 500.0
RESISTOR_OHM = 2000.0
"""The plain resistor that IEC 62368-1 Table 4 allows instead for sinusoids and DC."""

_SKIN_OHM = 1500.0
_SKIN_F = 0.22e-6
_FILTER_OHM = 10e3
_FILTER_F = 0.022e-6


def impedance_ohm(frequency_hz: Any) -> tuple[Any, Any]:
    """Input resistance and reactance of the network [Ohm] at a frequency [Hz].

    RS/(1 + jw RS CS) + RB (1 + jw R1 C1)/(1 + jw (R1 + RB) C1); 1990.0 Ohm in magnitude at 50 Hz, 2000 Ohm at DC.
    """
    skin, filtered, loaded = _products(frequency_hz)
    resistance = _SKIN_OHM / (1 + skin**2) + BODY_OHM * (1 + filtered * loaded) / (1 + loaded**2)
    reactance = -_SKIN_OHM * skin / (1 + skin**2) + BODY_OHM * (filtered - loaded) / (1 + loaded**2)
    return resistance, reactance


def unweighted_ratio(frequency_hz: Any) -> Any:
    """U1/(500 Ohm x I): how far the body voltage falls short of the current, because the low-pass takes a part."""
    _, filtered, loaded = _products(frequency_hz)
    return np.sqrt((1 + filtered**2) / (1 + loaded**2))


def weighted_ratio(frequency_hz: Any) -> Any:
    """U2/(500 Ohm x I): the weighting of figure 4; 0.99738 at 50 Hz, 0.0069 at 100 kHz."""
    _, _, loaded = _products(frequency_hz)
    return 1 / np.sqrt(1 + loaded**2)


def _products(frequency_hz: Any) -> tuple[Any, Any, Any]:
    """Products w RS CS, w R1 C1 and w (R1 + RB) C1."""
    omega = 2 * pi * frequency_hz
    return omega * _SKIN_OHM * _SKIN_F, omega * _FILTER_OHM * _FILTER_F, omega * (_FILTER_OHM + BODY_OHM) * _FILTER_F
