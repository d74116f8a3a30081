"""Cables: their resistance, what they leave of a charger's voltage and power, and how long they may be.

All resistances are of the loop, out on VBUS and back on GND with the contacts of both ends, unless a name says
otherwise. With V the voltage at the charger's receptacle, R the loop and I the current,

    V_far = V - I R,   P_far = V I - I^2 R,   loss = I^2 R.

A sink that takes constant power P draws I = 2 P/(V + sqrt(V^2 - 4 R P)), the stable root of R I^2 - V I + P = 0; there
is none for P > V^2/(4 R).

Wire: diameter 0.127 mm x 92^((36 - n)/39) of gauge n (ASTM B258-02); resistivity of annealed copper at 20 °C
17.241 nΩ·m, temperature coefficient 0.00393 per °C (IEC 60028).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, isfinite, pi
from typing import Any

from brickbook.core.uncertainty import Measured, Source, exact, propagate

__all__ = [
    "COPPER_OHM_M",
    "COPPER_PER_C",
    "NEW_CONTACTS_OHM",
    "TYPE_C_GROUND_DROP_V",
    "TYPE_C_VBUS_DROP_V",
    "Cable",
    "TypeCDrop",
    "compensated_request_v",
    "copper_resistivity_ohm_m",
    "loop_from_two_loads",
    "measured_cable",
    "type_c_drop",
    "warming_c",
    "wire_cable",
    "wire_diameter_m",
    "wire_ohm_per_m",
]

COPPER_OHM_M = 1.7241e-8  # IEC 60028, annealed copper at 20 °C
COPPER_PER_C = 0.00393  # IEC 60028
# Two mated connectors, four VBUS and four GND contacts each in parallel, 40 mΩ a contact when new (USB Type-C
# specification, connector section; from memory, high).
NEW_CONTACTS_OHM = 0.040
# Drop across a USB Type-C cable at its rated current (USB Type-C specification 4.4.1; from memory, high).
TYPE_C_VBUS_DROP_V = 0.500
TYPE_C_GROUND_DROP_V = 0.250
_THINNEST_AWG, _THICKEST_AWG = 40, 0


def wire_diameter_m(gauge_awg: float) -> float:
    """Diameter of a solid wire of an American gauge [m] (ASTM B258-02).

    Parameters
    ----------
    gauge_awg
        From 0 to 40.

    Raises
    ------
    ValueError
        For a gauge outside that range.
    """
    if not _THICKEST_AWG <= gauge_awg <= _THINNEST_AWG:
        raise ValueError(f"a gauge from {_THICKEST_AWG} to {_THINNEST_AWG} AWG is needed, this is {gauge_awg:g}")
    return float(0.127e-3 * 92.0 ** ((36.0 - gauge_awg) / 39.0))


def copper_resistivity_ohm_m(temperature_c: float = 20.0) -> float:
    """Resistivity of annealed copper [Ω·m] at a temperature [°C] (IEC 60028).

    Raises
    ------
    ValueError
        Outside -50 to 200 °C, where the straight line is not copper's.
    """
    if not -50.0 <= temperature_c <= 200.0:
        raise ValueError(f"a temperature from -50 to 200 °C is needed, this is {temperature_c:g}")
    return COPPER_OHM_M * (1.0 + COPPER_PER_C * (temperature_c - 20.0))


def wire_ohm_per_m(gauge_awg: float, temperature_c: float = 20.0, *, excess_ratio: float = 0.0) -> float:
    """Resistance of a metre of wire [Ω/m].

    Parameters
    ----------
    gauge_awg
        Gauge.
    temperature_c
        Of the copper [°C].
    excess_ratio
        How much more than a solid round wire of pure copper it has. 0.12 for stranded tinned wire at the published
        maxima of UL 1581 (24 AWG 94.2, 22 AWG 59.4 mΩ/m).
    """
    area = pi / 4.0 * wire_diameter_m(gauge_awg) ** 2
    return copper_resistivity_ohm_m(temperature_c) * (1.0 + excess_ratio) / area


@dataclass(frozen=True, slots=True)
class Cable:
    """A cable as far as power is concerned.

    Parameters
    ----------
    loop
        Resistance of the loop with contacts [Ω].
    ground
        The part of it in GND [Ω]; `None` when only the loop is known.
    contacts_ohm
        The part of the loop that does not grow with length [Ω]; `None` when only the loop is known.
    length_m, loop_ohm_per_m
        Where the cable is described by its wire.
    words
        What it is, for people.
    """

    loop: Measured
    ground: Measured | None = None
    contacts_ohm: float | None = None
    length_m: float | None = None
    loop_ohm_per_m: Measured | None = None
    words: str = ""


def wire_cable(
    length_m: float,
    gauge_awg: float,
    *,
    ground_awg: float | None = None,
    contacts_ohm: float = NEW_CONTACTS_OHM,
    temperature_c: float = 20.0,
    excess_ratio: float = 0.0,
    u_ratio: float = 0.0,
) -> Cable:
    """A cable made of wire and contacts.

    Parameters
    ----------
    length_m
        Of one way [m], at least 0.
    gauge_awg, ground_awg
        Of VBUS, and of GND where it differs.
    contacts_ohm
        All contacts of the loop [Ω]; half of them are taken to be in GND. They are not scaled with temperature.
    temperature_c
        Of the copper [°C].
    excess_ratio
        See `wire_ohm_per_m`.
    u_ratio
        Relative standard uncertainty of the wire's resistance: gauge, strands and copper as stated are seldom exact.

    Raises
    ------
    ValueError
        When a number is out of range.
    """
    for name, number in (("length_m", length_m), ("contacts_ohm", contacts_ohm), ("u_ratio", u_ratio)):
        if not (isfinite(number) and number >= 0.0):
            raise ValueError(f"{name} must be a number of at least 0, this is {number:g}")
    back_awg = gauge_awg if ground_awg is None else ground_awg
    out = wire_ohm_per_m(gauge_awg, temperature_c, excess_ratio=excess_ratio)
    back = wire_ohm_per_m(back_awg, temperature_c, excess_ratio=excess_ratio)
    source = Source("cable: resistance of its wire", "B", "normal")

    def known(value: float) -> Measured:
        return Measured(value, {source: u_ratio * value}) if u_ratio else exact(value)

    per_m, ground_per_m = known(out + back), known(back)
    return Cable(
        loop=per_m * length_m + contacts_ohm,
        ground=ground_per_m * length_m + contacts_ohm / 2,
        contacts_ohm=contacts_ohm,
        length_m=length_m,
        loop_ohm_per_m=per_m,
        words=f"{length_m:g} m, {gauge_awg:g}/{back_awg:g} AWG, {temperature_c:g} °C, "
        f"contacts {1000 * contacts_ohm:g} mΩ",
    )


def measured_cable(resistance_ohm: float, u_ohm: float = 0.0) -> Cable:
    """A cable of which the resistance of the loop was measured [Ω], with its standard uncertainty [Ω].

    Raises
    ------
    ValueError
        When a number is negative or not finite.
    """
    for name, number in (("resistance_ohm", resistance_ohm), ("u_ohm", u_ohm)):
        if not (isfinite(number) and number >= 0.0):
            raise ValueError(f"{name} must be a number of at least 0, this is {number:g}")
    terms = {Source("cable: measured resistance", "B", "normal"): u_ohm} if u_ohm else {}
    return Cable(Measured(resistance_ohm, terms), words=f"{1000 * resistance_ohm:g} mΩ measured")


@dataclass(frozen=True, slots=True)
class TypeCDrop:
    """A cable's drop at a current against the limits of USB Type-C.

    Parameters
    ----------
    total_v, vbus_v, ground_v
        Drops [V]; the parts are `None` when only the loop is known.
    total_ok, vbus_ok, ground_ok
        Whether they keep to 750, 500 and 250 mV.
    """

    total_v: Measured
    vbus_v: Measured | None
    ground_v: Measured | None
    total_ok: bool
    vbus_ok: bool | None
    ground_ok: bool | None


def type_c_drop(cable: Cable, current_a: float) -> TypeCDrop:
    """Drop of a cable at a current [A], set against what USB Type-C allows a cable (4.4.1; from memory, high).

    The limits are meant from plug to plug with the mated contacts (from memory, medium).
    """
    total = cable.loop * current_a
    total_ok = float(total.value) <= TYPE_C_VBUS_DROP_V + TYPE_C_GROUND_DROP_V + _ROUNDING
    if cable.ground is None:
        return TypeCDrop(total, None, None, total_ok, None, None)
    ground = cable.ground * current_a
    vbus = total - ground
    return TypeCDrop(
        total,
        vbus,
        ground,
        total_ok,
        float(vbus.value) <= TYPE_C_VBUS_DROP_V + _ROUNDING,
        float(ground.value) <= TYPE_C_GROUND_DROP_V + _ROUNDING,
    )


_ROUNDING = 1e-9  # [V]: a drop computed to be exactly at the limit is within it


def loop_from_two_loads(
    near_v: tuple[Measured, Measured], far_v: tuple[Measured, Measured], current_a: tuple[Measured, Measured]
) -> Measured:
    """Resistance of a loop from the voltages at both of its ends at two currents [Ω].

    R = (drop_2 - drop_1)/(I_2 - I_1): what both meters are off by at either current cancels.

    Raises
    ------
    ValueError
        When the two currents are the same.
    """
    if float(current_a[0].value) == float(current_a[1].value):
        raise ValueError("the two currents are the same: they say nothing about a resistance")
    drops = [near - far for near, far in zip(near_v, far_v, strict=True)]
    return (drops[1] - drops[0]) / (current_a[1] - current_a[0])


def compensated_request_v(
    wanted_v: float, current_a: float, loop_ohm: float, *, most_v: float = inf, step_v: float = 0.020
) -> float:
    """Voltage a sink must ask a programmable supply for, to have `wanted_v` at its own end [V].

    V + I R, rounded up to the supply's step (20 mV for PPS).

    Raises
    ------
    ValueError
        When that is more than the supply's range allows.
    """
    request = ceil((wanted_v + current_a * loop_ohm) / step_v - 1e-9) * step_v
    if request > most_v + 1e-9:
        raise ValueError(f"{request:.2f} V would have to be asked for, the range ends at {most_v:g} V")
    return request


def warming_c(
    loop_ohm_per_m: Measured | float,
    current_a: float,
    *,
    outer_diameter_m: float = 0.004,
    transfer: Measured | None = None,
) -> Measured:
    """How much warmer than the room a cable becomes that hangs free [°C], as an estimate.

    Heat I^2 r of each metre leaves through the jacket: dT = I^2 r/(h pi D). With r rising along with the temperature,
    dT = q/(h pi D - alpha q), q = I^2 r at room temperature and alpha of copper taken at 20 °C. The transfer h is not
    known well: 5 to 15 W/(m^2 K) for a thin cable in still air, rectangular (common practice, no source). A cable
    under a cushion or rolled up becomes much warmer.

    Parameters
    ----------
    loop_ohm_per_m
        Both conductors of one metre at room temperature, without contacts [Ω/m].
    current_a
        [A].
    outer_diameter_m
        Of the jacket [m].
    transfer
        h [W/(m^2 K)].

    Raises
    ------
    ValueError
        When no temperature is high enough to carry the heat away.
    """
    h = Measured(10.0, {Source("cable: heat transfer in still air"): 5.0 / 3**0.5}) if transfer is None else transfer

    def rise(ohm_per_m: Any, heat_transfer: Any) -> Any:
        q = current_a**2 * ohm_per_m
        return q / (heat_transfer * pi * outer_diameter_m - COPPER_PER_C * q)

    number = loop_ohm_per_m if isinstance(loop_ohm_per_m, Measured) else exact(loop_ohm_per_m)
    q = current_a**2 * float(number.value)
    if float(h.value) * pi * outer_diameter_m <= COPPER_PER_C * q:
        raise ValueError(f"{current_a:g} A is far beyond this wire: it would warm up without end")
    return propagate(rise, number, h)
