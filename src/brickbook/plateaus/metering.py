"""What IEC 62301 permits a power meter at low power, and what its own wiring adds to the reading."""

from __future__ import annotations

from math import sqrt

__all__ = [
    "equal_loss_current_a",
    "maximum_current_ratio",
    "permitted_uncertainty_w",
    "power_less_current_path_w",
    "power_less_voltage_path_w",
    "relative_uncertainty_limit",
]


def maximum_current_ratio(crest: float, power_factor: float) -> float:
    """Maximum current ratio MCR = CF/PF, crest factor of the current over power factor.

    IEC 62301:2011 4.4.1 (from memory, medium-high).

    Raises
    ------
    ValueError
        For a crest factor below 1 or a power factor outside (0, 1].
    """
    if crest < 1.0 or not 0.0 < power_factor <= 1.0:
        raise ValueError(f"crest factor {crest:g} must be at least 1 and power factor {power_factor:g} in (0, 1]")
    return crest / power_factor


def relative_uncertainty_limit(current_ratio: float) -> float:
    """Permitted relative expanded uncertainty (95 %): 0.02, above MCR 10 U_pc = 0.02 [1 + 0.08 (MCR - 10)].

    IEC 62301:2011 4.4.1 (from memory, medium-high).

    Parameters
    ----------
    current_ratio
        Maximum current ratio, at least 1.
    """
    if current_ratio < 1.0:
        raise ValueError(f"the maximum current ratio is at least 1, not {current_ratio:g}")
    return 0.02 * (1.0 + 0.08 * max(0.0, current_ratio - 10.0))


def permitted_uncertainty_w(power_w: float, current_ratio: float) -> float:
    """Permitted expanded uncertainty (95 %) of a power reading [W].

    From 1 W up the relative limit; below, that limit but not less than 0.02 W: with MCR up to 10 always 0.02 W.
    IEC 62301:2011 4.4.1 (from memory, medium-high).

    Parameters
    ----------
    power_w
        Measured power, at least 0 [W].
    current_ratio
        Maximum current ratio.
    """
    if power_w < 0.0:
        raise ValueError(f"power {power_w:g} W is below zero")
    # one formula for both ranges: from 1 W up the relative limit is never below 0.02 W
    return max(0.02, relative_uncertainty_limit(current_ratio) * power_w)


def power_less_current_path_w(power_w: float, current_a: float, path_ohm: float) -> float:
    """Power of the unit when the voltage terminals are on the source side: the reading less I^2 R of the current path.

    Derived from Kirchhoff's laws; this wiring suits small currents.

    Parameters
    ----------
    power_w, current_a
        Reading [W] and rms current [A].
    path_ohm
        Resistance of the meter's current path [Ohm].
    """
    return power_w - current_a**2 * path_ohm


def power_less_voltage_path_w(power_w: float, voltage_v: float, input_ohm: float) -> float:
    """Power of the unit when the voltage terminals are on its own side: the reading less U^2/R of the voltage input.

    Derived from Kirchhoff's laws; this wiring suits large currents.

    Parameters
    ----------
    power_w, voltage_v
        Reading [W] and rms voltage [V].
    input_ohm
        Resistance of the meter's voltage input [Ohm].
    """
    return power_w - voltage_v**2 / input_ohm


def equal_loss_current_a(voltage_v: float, input_ohm: float, path_ohm: float) -> float:
    """Current at which both wirings read too much by the same power [A]: U/sqrt(R_u R_i), from I^2 R_i = U^2/R_u.

    Below it the voltage terminals belong on the source side, above it on the unit's side. A bench power meter's manual
    gives 0.577 A for 100 V, 2 MOhm and 15 mOhm.

    Parameters
    ----------
    voltage_v
        Mains voltage, rms [V].
    input_ohm, path_ohm
        Resistance of the voltage input and of the current path, above 0 [Ohm].
    """
    return voltage_v / sqrt(input_ohm * path_ohm)
