"""Chargers of the software bench made from what is known elsewhere: an array model, or only the maker's claims."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from brickbook.core.charger import Charger
from brickbook.simbench.charger import (
    Barrier,
    Emitter,
    Losses,
    OutputLoop,
    OverloadBehaviour,
    Policy,
    PrimaryCircuit,
    Sag,
    SimCharger,
    SimPort,
    ThermalLink,
    ThermalNode,
    Thermals,
)
from brickbook.simbench.physics import ChargerModel, PfcStage, PortModel

__all__ = ["sim_charger_for", "sim_charger_from", "two_part_thermals"]

_SWITCHING_HZ = (138e3, 122e3, 127e3, 96e3, 91e3)
_J_PER_GK = 0.95  # plastic, copper and ferrite together (assumed for the example)


def two_part_thermals(mass_g: float, to_room_k_per_w: float, *, inner_share: float, inner_ratio: float) -> Thermals:
    """Inner parts and a case of one mass, and a receptacle that follows the case.

    Parameters
    ----------
    mass_g
        Of the charger [g].
    to_room_k_per_w
        Thermal resistance from case to room [K/W].
    inner_share
        Part of the heat capacity that is inner parts.
    inner_ratio
        Resistance from inner parts to case, over that from case to room.
    """
    capacity = mass_g * _J_PER_GK
    return Thermals(
        nodes=(
            ThermalNode("inside", capacity * inner_share, 1.0),
            ThermalNode("case", capacity * (1.0 - inner_share)),
            # small beside the case, and at 0.82 of its rise
            ThermalNode("receptacle", 0.02 * capacity),
        ),
        links=(
            ThermalLink(("inside", "case"), to_room_k_per_w * inner_ratio),
            ThermalLink(("case", "room"), to_room_k_per_w, 0.12),
            ThermalLink(("case", "receptacle"), 1.8 * to_room_k_per_w),
            ThermalLink(("receptacle", "room"), 8.2 * to_room_k_per_w),
        ),
    )


def sim_charger_from(
    model: ChargerModel,
    charger: Charger,
    *,
    slug: str = "",
    mass_g: float = 100.0,
    body_mm: tuple[float, float, float] = (50.0, 45.0, 30.0),
    prongs_mm: tuple[float, float, float] = (50.0, 45.0, 48.0),
    thermals: Thermals | None = None,
    overload: Mapping[str, OverloadBehaviour] | None = None,
    loops: Mapping[str, OutputLoop] | None = None,
    primary: PrimaryCircuit | None = None,
    barrier: Barrier | None = None,
    policy: Policy | None = None,
) -> SimCharger:
    """An array model with the maker's claims (ports, outputs, budgets, sharing) as a charger of the software bench.

    Parameters
    ----------
    model
        Losses and ports.
    charger
        Its charger.toml; every port must be in the model.
    slug, mass_g, body_mm, prongs_mm
        As in the book.
    thermals, primary, barrier, policy
        What the model does not say; `None` for what follows from its size, or the default.
    overload, loops
        By port; a port that is not named has the default.

    Raises
    ------
    KeyError
        When a port of the charger is not in the model.
    """
    attached = tuple(
        (float(situation.removesuffix(" V held")), watts)
        for situation, watts in model.situation_w.items()
        if situation.endswith(" V held")
    )
    ports = tuple(
        _port(charger, k, model.ports[port.id], attached, overload or {}, loops or {})
        for k, port in enumerate(charger.ports)
    )
    return SimCharger(
        name=charger.name,
        maker=charger.maker,
        model=charger.model,
        slug=slug,
        ports=ports,
        mass_g=mass_g,
        body_mm=body_mm,
        prongs_mm=prongs_mm,
        budgets=charger.budgets,
        sharing=charger.sharing,
        losses=Losses(
            idle_w=model.idle_w,
            idle_per_v2=model.idle_per_v2,
            gate_w=model.gate_w,
            burst_corner_w=model.burst_corner_w,
            bridge_v=model.bridge_v,
            conversion_ratio=model.conversion_ratio,
            primary_ohm=model.primary_ohm,
            temperature_coefficient=model.temperature_coefficient,
            conduction_angle_rad=model.conduction_angle_rad,
            power_limit_w=model.power_limit_w if model.power_limit_w < float("inf") else None,
            cable_w=model.situation_w.get("cable", 0.0),
            burst_period_s=model.burst_period_s,
        ),
        pfc=model.pfc,
        thermals=thermals or two_part_thermals(mass_g, model.thermal_ohm / 1.6, inner_share=0.4, inner_ratio=0.6),
        primary=primary or PrimaryCircuit(),
        barrier=barrier or Barrier(),
        policy=policy or Policy(),
    )


def _port(
    charger: Charger,
    place: int,
    model: PortModel,
    attached: tuple[tuple[float, float], ...],
    overload: Mapping[str, OverloadBehaviour],
    loops: Mapping[str, OutputLoop],
) -> SimPort:
    port = charger.ports[place]
    return SimPort(
        id=port.id,
        connector=port.connector,
        outputs=port.outputs,
        power_w=port.power_w,
        set_error_ratio=model.set_error_ratio,
        output_ohm=model.output_ohm,
        loss_ohm=model.loss_ohm,
        fixed_loss_w=model.fixed_loss_w,
        conversion_ratio=model.conversion_ratio,
        sag=tuple(Sag(volts, knee, ohm) for volts, (knee, ohm) in model.sag.items()),
        overload=overload.get(port.id, OverloadBehaviour()),
        loop=loops.get(port.id, OutputLoop()),
        emitter=Emitter(_SWITCHING_HZ[place % len(_SWITCHING_HZ)], model.noise_v, model.noise_half_load_v),
        **({"attached_w": attached} if attached else {}),
    )


def sim_charger_for(charger: Charger, *, slug: str = "", mass_g: float | None = None) -> SimCharger:
    """A charger of which only the claims are known: a middling one of its size, to try a plan on before the real one.

    Every number of its physics is assumed from the nameplate power: it says nothing about the real charger.

    Parameters
    ----------
    charger
        Its charger.toml.
    slug
        As in the book.
    mass_g
        Of the charger [g]; `None` for 2 g for each watt, at least 45 g.
    """
    watts = charger.nameplate.total_power_w
    mass = mass_g if mass_g is not None else max(2.0 * watts, 45.0)
    port = PortModel(
        output_ohm=0.025,
        loss_ohm=0.045,
        fixed_loss_w=0.02 + 8e-4 * watts,
        conversion_ratio=0.0 if watts < 40 else 0.015,
    )
    model = ChargerModel(
        ports={one.id: port for one in charger.ports},
        idle_w=0.015 + 5e-4 * watts,
        idle_per_v2=5e-7,
        gate_w=0.3 + 0.009 * watts,
        burst_corner_w=0.05 * watts + 0.5,
        bridge_v=1.9,
        conversion_ratio=0.022,
        primary_ohm=35.0 / watts,
        pfc=PfcStage(on_w=0.45 * watts, off_w=0.33 * watts, fixed_loss_w=0.7) if watts > 75.0 else None,
        thermal_ohm=70.0 / mass**0.6,
        situation_w={"cable": 0.005, "5 V held": 0.02 + 4e-4 * watts, "9 V held": 0.03 + 5e-4 * watts},
    )
    made = sim_charger_from(model, charger, slug=slug, mass_g=mass)
    return replace(made, primary=PrimaryCircuit(cold_ohm=12.0 if watts < 50 else 7.0, bulk_f=1.5e-6 * watts))
