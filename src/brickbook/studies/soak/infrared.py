"""Surface temperature from an infrared reading: emissivity and reflection, with their uncertainty.

Radiation balance at short range, W = e W(object) + (1 - e) W(reflected), with W ~ T^4 in kelvin: total radiation, and
also what an imager of 8 to 14 um sees near 340 K, where c2/(lambda T) = 14388/(10.5 x 343) is 4.0.
"""

from __future__ import annotations

from brickbook.core.uncertainty import Measured, propagate

__all__ = ["apparent_c", "surface_c"]

_ZERO_C_K = 273.15


def surface_c(
    shown: Measured | float,
    *,
    emissivity: Measured | float,
    reflected: Measured | float,
    emissivity_set: float = 1.0,
) -> Measured:
    """Temperature of a surface [°C] from the one an instrument shows.

    T^4 = (s T_shown^4 + (e - s) T_reflected^4)/e with the true emissivity e and the set one s; the instrument is taken
    to correct for the same reflected temperature.

    Parameters
    ----------
    shown
        Temperature shown [°C].
    emissivity
        Of the surface, above 0 and at most 1.
    reflected
        Temperature of what the surface mirrors [°C].
    emissivity_set
        Emissivity the instrument was set to.

    Raises
    ------
    ValueError
        When an emissivity is not above 0 and at most 1, or the reflection explains more than was seen.
    """
    true = float(emissivity.value) if isinstance(emissivity, Measured) else emissivity
    for what, number in (("emissivity", true), ("emissivity_set", emissivity_set)):
        if not 0.0 < number <= 1.0:
            raise ValueError(f"{what} must be above 0 and at most 1, it is {number:g}")
    seen, mirrored = (float(t.value) if isinstance(t, Measured) else t for t in (shown, reflected))
    if emissivity_set * (seen + _ZERO_C_K) ** 4 + (true - emissivity_set) * (mirrored + _ZERO_C_K) ** 4 <= 0.0:
        raise ValueError("the reflected radiation is more than was seen: check emissivity and reflected temperature")
    return propagate(
        lambda t, e, r: (
            ((emissivity_set * (t + _ZERO_C_K) ** 4 + (e - emissivity_set) * (r + _ZERO_C_K) ** 4) / e) ** 0.25
            - _ZERO_C_K
        ),
        shown,
        emissivity,
        reflected,
    )


def apparent_c(true_c: float, *, emissivity: float, reflected_c: float, emissivity_set: float = 1.0) -> float:
    """What an instrument shows of a surface [°C]: the inverse of `surface_c`."""
    seen = emissivity * (true_c + _ZERO_C_K) ** 4 + (emissivity_set - emissivity) * (reflected_c + _ZERO_C_K) ** 4
    return float((seen / emissivity_set) ** 0.25 - _ZERO_C_K)
