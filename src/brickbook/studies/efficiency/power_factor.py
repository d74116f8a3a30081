"""Power factor, displacement and distortion: definitions, and whether logged values can go together.

PF = P/(U I) always. For a sinusoidal voltage PF = DPF/sqrt(1 + THD^2), DPF the displacement factor of the fundamental
and THD of the current referred to the fundamental (textbook relation; 10 CFR 430 Subpart B Appendix Z section 3 refers
THD to the fundamental as well).
"""

from __future__ import annotations

import math

__all__ = ["contradiction", "distortion_from", "power_factor_from"]


def power_factor_from(displacement: float, thd_ratio: float) -> float:
    """Power factor of a sinusoidal supply.

    Parameters
    ----------
    displacement
        Displacement factor cos(phi_1), 0 to 1.
    thd_ratio
        Total harmonic distortion of the current, relative to the fundamental, 0 or more.
    """
    return displacement / math.sqrt(1.0 + thd_ratio**2)


def distortion_from(power_factor: float, displacement: float) -> float:
    """Distortion of the current that a power factor and a displacement factor imply.

    Raises
    ------
    ValueError
        When the power factor is above the displacement factor: no distortion does that.
    """
    if not 0.0 < power_factor <= displacement <= 1.0:
        raise ValueError(
            f"power factor {power_factor:g} must be above 0 and at most the displacement factor {displacement:g}"
        )
    return math.sqrt((displacement / power_factor) ** 2 - 1.0)


def contradiction(power_factor: float, u_pf: float, thd_ratio: float, u_thd: float) -> str:
    """Why a logged power factor and distortion cannot both be right; empty when they can.

    With a sinusoidal voltage the power factor is at most 1/sqrt(1 + THD^2). A larger one, beyond twice the combined
    uncertainty, means a distorted supply, interharmonics, or a meter short of bandwidth.
    """
    most = power_factor_from(1.0, thd_ratio)
    slope = thd_ratio / (1.0 + thd_ratio**2) ** 1.5
    allowed = 2.0 * math.hypot(u_pf, slope * u_thd)
    if power_factor <= most + allowed:
        return ""
    return (
        f"power factor {power_factor:.3f} is above the {most:.3f} that a current distortion of {100 * thd_ratio:.0f} % "
        "allows with a sinusoidal voltage: distorted supply, interharmonics or too little bandwidth"
    )
