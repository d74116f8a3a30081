"""A charger of the software bench: all that its physics needs, as one validated record.

What the maker would print (ports, outputs, budgets) uses the classes of `core.charger`; what only the model knows
(losses, heat, limits, loops, barrier) is here. Defaults are those of a small charger; every number is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Le, Lt, MinLen

from brickbook.core.charger import Budget, Output, SharedOutput
from brickbook.simbench.physics import ChargerModel, PfcStage, PortModel

__all__ = [
    "Barrier",
    "Emitter",
    "Fold",
    "Losses",
    "OutputLoop",
    "OverloadBehaviour",
    "Policy",
    "PrimaryCircuit",
    "Sag",
    "SimCharger",
    "SimPort",
    "ThermalLink",
    "ThermalNode",
    "Thermals",
]

Positive = Annotated[float, Gt(0)]
NonNegative = Annotated[float, Ge(0)]
Ratio = Annotated[float, Ge(0), Le(1)]
Text = Annotated[str, MinLen(1)]


@dataclass(frozen=True, slots=True)
class Sag:
    """Where a contract gives way: beyond `knee_a` [A] the port has `beyond_ohm` [Ohm] more."""

    contract_v: Positive
    knee_a: Positive
    beyond_ohm: Positive


@dataclass(frozen=True, slots=True)
class OverloadBehaviour:
    """What a port does when more is drawn than it offers.

    Parameters
    ----------
    kind
        "constant current": holds the current and lets the voltage go; "hiccup": off and on again by itself; "trip": off
        until the load is taken away; "latch": off until mains has been away.
    at_ratio
        Where, as a multiple of the current offered.
    delay_s
        How long it is borne [s].
    off_s
        Pause of a hiccup, or wait after the load has gone [s].
    """

    kind: Literal["constant current", "hiccup", "trip", "latch"] = "hiccup"
    at_ratio: Annotated[float, Gt(1)] = 1.2
    delay_s: Positive = 0.3
    off_s: Positive = 1.5


@dataclass(frozen=True, slots=True)
class OutputLoop:
    """Output impedance of second order: see `waveforms.step_response`."""

    natural_hz: Positive = 5.0e3
    damping: Annotated[float, Gt(0), Lt(1)] = 0.55
    swing_ohm: NonNegative = 0.15
    esr_ohm: NonNegative = 0.012
    esr_s: Positive = 9e-6
    late_s: NonNegative = 0.0


@dataclass(frozen=True, slots=True)
class Emitter:
    """Ripple and noise: switching frequency without load [Hz], rms noise [V], and more of it about half load [V]."""

    switching_hz: Positive = 130e3
    noise_v: NonNegative = 0.002
    noise_half_load_v: NonNegative = 0.0


@dataclass(frozen=True, slots=True)
class SimPort:
    """One port: what it is said to give, and what it is.

    Parameters
    ----------
    id, connector, outputs, power_w
        As in charger.toml.
    set_error_ratio
        Departure of the set voltage from the contract.
    output_ohm
        Droop for an ampere at the receptacle [Ohm].
    loss_ohm, fixed_loss_w, conversion_ratio
        Losses of the port while it is loaded: r I², fixed [W], and a share of its power.
    sag
        Contracts that give way early.
    overload, loop, emitter
        See there.
    attached_w
        Power drawn from mains while a device is attached and draws nothing: pairs (contract [V], power [W]).
    """

    id: Text
    connector: Literal["usb-c", "usb-a", "captive", "barrel"]
    outputs: Annotated[tuple[Output, ...], MinLen(1)]
    power_w: Positive | None = None
    set_error_ratio: float = 0.004
    output_ohm: NonNegative = 0.020
    loss_ohm: NonNegative = 0.030
    fixed_loss_w: NonNegative = 0.05
    conversion_ratio: NonNegative = 0.0
    sag: tuple[Sag, ...] = ()
    overload: OverloadBehaviour = field(default_factory=OverloadBehaviour)
    loop: OutputLoop = field(default_factory=OutputLoop)
    emitter: Emitter = field(default_factory=Emitter)
    attached_w: tuple[tuple[float, float], ...] = ((5.0, 0.03), (9.0, 0.045), (20.0, 0.08))

    @property
    def is_pd(self) -> bool:
        """Whether it speaks USB PD."""
        return any(output.kind != "legacy" for output in self.outputs)

    @property
    def nameplate_w(self) -> float:
        """Most power of the port alone [W]."""
        return self.power_w if self.power_w is not None else max(output.power_w for output in self.outputs)


@dataclass(frozen=True, slots=True)
class Losses:
    """Where power goes; names as in `physics`."""

    idle_w: NonNegative = 0.03
    idle_per_v2: NonNegative = 5e-7
    gate_w: NonNegative = 0.6
    burst_corner_w: Positive = 2.5
    bridge_v: NonNegative = 1.9
    conversion_ratio: NonNegative = 0.02
    primary_ohm: NonNegative = 1.0
    temperature_coefficient: float = 0.0012
    conduction_angle_rad: Annotated[float, Gt(0), Lt(3)] = 0.50
    power_limit_w: Positive | None = None
    cable_w: NonNegative = 0.005
    burst_period_s: NonNegative = 0.0


@dataclass(frozen=True, slots=True)
class ThermalNode:
    """A part that warms: heat capacity [J/K], and its share of the losses."""

    name: Text
    capacity_j_per_k: Positive
    share: Ratio = 0.0


@dataclass(frozen=True, slots=True)
class ThermalLink:
    """A way for heat: resistance [K/W] between two parts, or from a part to "room".

    `convection_exponent` n makes it fall with the difference: R (ΔT/40 K)^-n (natural convection: n about 0.25 for a
    plate, less for a body that also radiates).
    """

    between: tuple[Text, Text]
    resistance_k_per_w: Positive
    convection_exponent: Annotated[float, Ge(0), Le(0.5)] = 0.0


@dataclass(frozen=True, slots=True)
class Fold:
    """The charger offers less while `node` is hot.

    Parameters
    ----------
    above_c, below_c
        It begins above one temperature and ends below a lower one [°C].
    to_ratio
        Of the power of the ports concerned.
    ports
        Ports concerned; empty for all.
    """

    above_c: float
    below_c: float
    to_ratio: Annotated[float, Gt(0), Lt(1)]
    ports: tuple[str, ...] = ()
    node: str = "inside"

    def __post_init__(self) -> None:
        if self.below_c >= self.above_c:
            raise ValueError(f"below_c = {self.below_c:g} is not below above_c = {self.above_c:g}")


@dataclass(frozen=True, slots=True)
class Thermals:
    """Parts, ways for heat, and what the charger does when hot: above `trip_c` it is off until `recover_c` [°C]."""

    nodes: Annotated[tuple[ThermalNode, ...], MinLen(1)] = (
        ThermalNode("inside", 20.0, 1.0),
        ThermalNode("case", 35.0),
        ThermalNode("receptacle", 4.0),
    )
    links: Annotated[tuple[ThermalLink, ...], MinLen(1)] = (
        ThermalLink(("inside", "case"), 5.0),
        ThermalLink(("case", "room"), 9.0),
        ThermalLink(("case", "receptacle"), 6.0),
        ThermalLink(("receptacle", "room"), 45.0),
    )
    folds: tuple[Fold, ...] = ()
    trip_c: float = 115.0
    recover_c: float = 85.0
    node: str = "inside"

    def __post_init__(self) -> None:
        names = [node.name for node in self.nodes]
        if len(set(names)) != len(names) or "room" in names:
            raise ValueError('thermal nodes need names of their own, and "room" is the room')
        for link in self.links:
            for end in link.between:
                if end != "room" and end not in names:
                    raise ValueError(f"a thermal link names {end!r}; the nodes are {', '.join(names)} and room")
        for wanted in (self.node, *(fold.node for fold in self.folds)):
            if wanted not in names:
                raise ValueError(f"the charger watches node {wanted!r}; the nodes are {', '.join(names)}")
        if abs(sum(node.share for node in self.nodes) - 1.0) > 1e-9:
            raise ValueError("the shares of the nodes must add up to 1: all losses become heat")
        if self.recover_c >= self.trip_c:
            raise ValueError("recover_c must be below trip_c")


@dataclass(frozen=True, slots=True)
class PrimaryCircuit:
    """What mains sees when it comes: line, thermistor and rectifier when cold [Ohm], bulk capacitor [F], start [s]."""

    cold_ohm: Positive = 10.0
    warm_ratio: Ratio = 0.4
    bulk_f: Positive = 68e-6
    start_s: Positive = 0.3
    rise_s: Positive = 2e-3
    gives_up_v: Positive = 80.0
    output_f: Positive = 680e-6
    thermistor_s: Positive = 60.0


@dataclass(frozen=True, slots=True)
class Barrier:
    """Between mains and output: capacitance from either conductor and from the negative rail [F], resistance [Ohm]."""

    one_f: NonNegative = 0.05e-9
    other_f: NonNegative = 0.05e-9
    rail_f: NonNegative = 0.8e-9
    resistance_ohm: Positive = 10e9


@dataclass(frozen=True, slots=True)
class Policy:
    """How power is shared anew when a device comes or goes.

    Parameters
    ----------
    on_change
        "offer": new Source_Capabilities, the supply stays; "reset": Hard Reset, the device loses its supply.
    when_hot
        The same for a change that heat brings about.
    return_s
        Wait before what has become free is offered [s].
    pd_revision
        Of the charger: 2 or 3.
    """

    on_change: Literal["offer", "reset"] = "offer"
    when_hot: Literal["offer", "reset"] = "offer"
    return_s: Positive = 0.5
    pd_revision: Literal[2, 3] = 3


@dataclass(frozen=True, slots=True)
class SimCharger:
    """A charger of the software bench; see each part."""

    name: Text
    ports: Annotated[tuple[SimPort, ...], MinLen(1)]
    maker: str = "Quillmere (invented)"
    model: str = ""
    slug: str = ""
    mass_g: Positive = 100.0
    body_mm: tuple[float, float, float] = (50.0, 45.0, 30.0)
    prongs_mm: tuple[float, float, float] = (50.0, 45.0, 48.0)
    budgets: tuple[Budget, ...] = ()
    sharing: tuple[SharedOutput, ...] = ()
    losses: Losses = field(default_factory=Losses)
    pfc: PfcStage | None = None
    thermals: Thermals = field(default_factory=Thermals)
    primary: PrimaryCircuit = field(default_factory=PrimaryCircuit)
    barrier: Barrier = field(default_factory=Barrier)
    policy: Policy = field(default_factory=Policy)

    def __post_init__(self) -> None:
        ids = [port.id for port in self.ports]
        if len(set(ids)) != len(ids):
            raise ValueError("a port id is used twice")
        for what, ports in (
            *(("budgets", budget.ports) for budget in self.budgets),
            *(("sharing", line.ports) for line in self.sharing),
            *(("thermals.folds", fold.ports) for fold in self.thermals.folds),
        ):
            for named in ports:
                if named not in ids:
                    raise ValueError(f"{what} names port {named!r}; the ports are {', '.join(ids)}")

    def port(self, port_id: str) -> SimPort:
        """The port of that id; raises `KeyError`."""
        for port in self.ports:
            if port.id == port_id:
                return port
        raise KeyError(port_id)

    def electrical(self) -> ChargerModel:
        """The same losses as parameters of `physics.operate`, for comparison with the array model."""
        losses = self.losses
        ports: Mapping[str, PortModel] = {
            port.id: PortModel(
                set_error_ratio=port.set_error_ratio,
                output_ohm=port.output_ohm,
                loss_ohm=port.loss_ohm,
                fixed_loss_w=port.fixed_loss_w,
                conversion_ratio=port.conversion_ratio,
                sag={sag.contract_v: (sag.knee_a, sag.beyond_ohm) for sag in port.sag},
                noise_v=port.emitter.noise_v,
                noise_half_load_v=port.emitter.noise_half_load_v,
            )
            for port in self.ports
        }
        return ChargerModel(
            ports=ports,
            idle_w=losses.idle_w,
            idle_per_v2=losses.idle_per_v2,
            gate_w=losses.gate_w,
            burst_corner_w=losses.burst_corner_w,
            bridge_v=losses.bridge_v,
            conversion_ratio=losses.conversion_ratio,
            primary_ohm=losses.primary_ohm,
            pfc=self.pfc,
            power_limit_w=losses.power_limit_w if losses.power_limit_w is not None else float("inf"),
            temperature_coefficient=losses.temperature_coefficient,
            conduction_angle_rad=losses.conduction_angle_rad,
            burst_period_s=losses.burst_period_s,
        )
