"""The example campaign of the four chargers that show something: how they are loaded, and what is logged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from brickbook.simbench.physics import ChargerModel, PfcStage, PortModel

__all__ = ["CHARGERS", "Example", "Loading", "Sweep"]


@dataclass(frozen=True, slots=True)
class Loading:
    """An efficiency log: contracts and 100 % currents of the loaded ports.

    Parameters
    ----------
    name
        Part of the file's name.
    contract_v
        Contract voltage of each port [V].
    current_a
        Current of each port [A] at the 100 % loading condition.
    warm_up_a
        Current of each port [A] for warm-up; empty for the same.
    low_load_a
        Current of each port [A] at the 10 % condition; empty for a tenth of `current_a`.
    """

    name: str
    end: str
    contract_v: Mapping[str, float]
    current_a: Mapping[str, float]
    warm_up_a: Mapping[str, float]
    low_load_a: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Sweep:
    """A V(I) sweep of one port at one contract, up to a current [A]."""

    port: str
    contract: str
    contract_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class Example:
    """One example charger: physics, campaign, size and mass, and the shapes its instruments write."""

    slug: str
    model: ChargerModel
    loadings: tuple[Loading, ...]
    sweeps: tuple[Sweep, ...]
    situations: tuple[str, ...]
    body_mm: tuple[float, float, float]
    prongs_mm: tuple[float, float, float]
    mass_g: float
    efficiency_shape: str
    standby_shape: str
    sweep_shape: str
    cable_ohm: float = 0.120
    interval_s: float = 1.0  # between readings of the efficiency logs


def _loading(
    name: str,
    end: str,
    contract_v: Mapping[str, float],
    current_a: Mapping[str, float],
    *,
    warm_up_a: Mapping[str, float] | None = None,
    low_load_a: Mapping[str, float] | None = None,
) -> Loading:
    return Loading(name, end, contract_v, current_a, warm_up_a or {}, low_load_a or {})


def _sweeps(port: str, *contracts: tuple[float, float], kind: str = "") -> tuple[Sweep, ...]:
    return tuple(Sweep(port, f"{kind}{volts:g} V", volts, amps) for volts, amps in contracts)


_WREN = Example(
    slug="wren-35",
    model=ChargerModel(
        ports={"C1": PortModel(set_error_ratio=0.006, output_ohm=0.012, loss_ohm=0.055, fixed_loss_w=0.02)},
        idle_w=0.022,
        idle_per_v2=4.0e-7,
        gate_w=0.62,
        burst_corner_w=2.2,
        bridge_v=1.9,
        conversion_ratio=0.020,
        primary_ohm=1.1,
        situation_w={"cable": 0.004, "5 V held": 0.031, "9 V held": 0.047},
        thermal_ohm=9.0,
        thermal_time_s=640.0,
    ),
    loadings=(
        _loading("c1-20v", "highest", {"C1": 20.0}, {"C1": 1.75}),
        _loading("c1-5v", "lowest", {"C1": 5.0}, {"C1": 2.0}, warm_up_a={"C1": 3.0}, low_load_a={"C1": 0.3}),
    ),
    sweeps=(
        *_sweeps("C1", (5.0, 3.0), (9.0, 3.0), (15.0, 2.33), (20.0, 1.75)),
        *_sweeps("C1", (5.9, 3.0), (11.0, 3.0), kind="PPS "),
    ),
    situations=("bare", "cable", "5 V held", "9 V held"),
    body_mm=(41.2, 31.8, 29.4),
    prongs_mm=(41.2, 31.8, 46.9),
    mass_g=61.3,
    efficiency_shape="bench-comma",
    standby_shape="german",
    sweep_shape="bench-comma",
)

_PLOVER = Example(
    slug="plover-67",
    model=ChargerModel(
        ports={
            "C1": PortModel(set_error_ratio=0.004, output_ohm=0.022, loss_ohm=0.045, fixed_loss_w=0.06),
            "C2": PortModel(
                set_error_ratio=0.009, output_ohm=0.030, loss_ohm=0.060, fixed_loss_w=0.09, conversion_ratio=0.022
            ),
        },
        idle_w=0.092,
        idle_per_v2=4.9e-6,
        gate_w=0.95,
        burst_corner_w=3.0,
        bridge_v=2.0,
        conversion_ratio=0.028,
        primary_ohm=0.42,
        situation_w={"cable": 0.008, "5 V held": 0.052, "9 V held": 0.071},
        thermal_ohm=6.0,
        burst_period_s=8.0,
    ),
    loadings=(
        _loading("c1-20v", "highest", {"C1": 20.0}, {"C1": 3.35}),
        _loading("both-high", "highest", {"C1": 20.0, "C2": 15.0}, {"C1": 2.313918, "C2": 1.381443}),
        _loading(
            "both-low",
            "lowest",
            {"C1": 5.0, "C2": 5.0},
            {"C1": 2.0, "C2": 2.0},
            warm_up_a={"C1": 3.0, "C2": 3.0},
            low_load_a={"C1": 0.3, "C2": 0.3},
        ),
    ),
    sweeps=(
        *_sweeps("C1", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 3.35)),
        *_sweeps("C2", (5.0, 3.0), (9.0, 3.0), (15.0, 2.0)),
    ),
    situations=("bare", "cable", "5 V held", "9 V held"),
    body_mm=(58.9, 52.3, 30.1),
    prongs_mm=(58.9, 52.3, 47.4),
    mass_g=128.4,
    efficiency_shape="german",
    standby_shape="epoch-tab",
    sweep_shape="german",
)

_HERON = Example(
    slug="heron-120",
    model=ChargerModel(
        ports={
            "C1": PortModel(
                set_error_ratio=0.002, output_ohm=0.028, loss_ohm=0.038, fixed_loss_w=0.12, conversion_ratio=0.016
            ),
            "C2": PortModel(
                set_error_ratio=-0.006,
                output_ohm=0.045,
                loss_ohm=0.060,
                fixed_loss_w=0.12,
                conversion_ratio=0.020,
                sag={9.0: (1.6, 0.42)},
            ),
            "A1": PortModel(
                set_error_ratio=0.012, output_ohm=0.055, loss_ohm=0.070, fixed_loss_w=0.10, conversion_ratio=0.030
            ),
        },
        idle_w=0.085,
        idle_per_v2=8.0e-7,
        gate_w=1.3,
        burst_corner_w=5.0,
        bridge_v=2.0,
        conversion_ratio=0.024,
        primary_ohm=0.22,
        pfc=PfcStage(on_w=52.0, off_w=38.0, fixed_loss_w=0.7, loss_ratio=0.010),
        power_limit_w=106.0,
        situation_w={"cable": 0.006, "5 V held": 0.060, "9 V held": 0.085},
        thermal_ohm=4.6,
    ),
    loadings=(
        _loading("c1-20v", "highest", {"C1": 20.0}, {"C1": 5.0}),
        _loading(
            "all-high",
            "highest",
            {"C1": 20.0, "C2": 20.0, "A1": 9.0},
            {"C1": 3.680982, "C2": 1.656442, "A1": 1.472393},
        ),
        _loading(
            "all-low",
            "lowest",
            {"C1": 5.0, "C2": 5.0, "A1": 5.0},
            {"C1": 2.0, "C2": 2.0, "A1": 3.0},
            warm_up_a={"C1": 3.0, "C2": 3.0, "A1": 3.0},
            low_load_a={"C1": 0.3, "C2": 0.3, "A1": 0.3},
        ),
    ),
    sweeps=(
        *_sweeps("C1", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 5.0)),
        *_sweeps("C2", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 2.25)),
        *_sweeps("A1", (5.0, 3.0), (9.0, 2.0), kind="legacy "),
    ),
    situations=("bare", "cable", "5 V held", "9 V held"),
    body_mm=(74.5, 68.2, 31.6),
    prongs_mm=(74.5, 68.2, 50.7),
    mass_g=236.8,
    efficiency_shape="plain-wide",
    standby_shape="long",
    sweep_shape="plain-wide",
)

_ALBATROSS = Example(
    slug="albatross-200",
    model=ChargerModel(
        ports={
            "C1": PortModel(
                set_error_ratio=0.003,
                output_ohm=0.018,
                loss_ohm=0.030,
                fixed_loss_w=0.15,
                conversion_ratio=0.014,
                noise_half_load_v=0.045,
            ),
            "C2": PortModel(
                set_error_ratio=0.005,
                output_ohm=0.030,
                loss_ohm=0.050,
                fixed_loss_w=0.12,
                conversion_ratio=0.018,
                noise_half_load_v=0.030,
            ),
            "C3": PortModel(
                set_error_ratio=0.005,
                output_ohm=0.032,
                loss_ohm=0.050,
                fixed_loss_w=0.12,
                conversion_ratio=0.018,
                noise_half_load_v=0.030,
            ),
            "A1": PortModel(
                set_error_ratio=0.014, output_ohm=0.050, loss_ohm=0.060, fixed_loss_w=0.08, conversion_ratio=0.028
            ),
            "A2": PortModel(
                set_error_ratio=0.014, output_ohm=0.052, loss_ohm=0.060, fixed_loss_w=0.08, conversion_ratio=0.028
            ),
        },
        idle_w=0.108,
        idle_per_v2=1.1e-6,
        gate_w=1.9,
        burst_corner_w=8.0,
        bridge_v=1.9,
        conversion_ratio=0.020,
        primary_ohm=0.13,
        pfc=PfcStage(on_w=66.0, off_w=48.0, fixed_loss_w=0.9, loss_ratio=0.009),
        situation_w={"cable": 0.007, "5 V held": 0.066, "9 V held": 0.094},
        thermal_ohm=3.0,
        thermal_time_s=1100.0,
    ),
    loadings=(
        _loading("c1-28v", "highest", {"C1": 28.0}, {"C1": 5.0}),
        _loading(
            "all-high",
            "highest",
            {"C1": 28.0, "C2": 20.0, "C3": 20.0, "A1": 5.0, "A2": 5.0},
            {"C1": 5.0, "C2": 1.125, "C3": 1.125, "A1": 1.5, "A2": 1.5},
        ),
        _loading(
            "all-low",
            "lowest",
            {"C1": 5.0, "C2": 5.0, "C3": 5.0, "A1": 5.0, "A2": 5.0},
            {"C1": 2.0, "C2": 2.0, "C3": 2.0, "A1": 1.5, "A2": 1.5},
            warm_up_a={"C1": 3.0, "C2": 3.0, "C3": 3.0, "A1": 1.5, "A2": 1.5},
            low_load_a={"C1": 0.3, "C2": 0.3, "C3": 0.3, "A1": 0.15, "A2": 0.15},
        ),
    ),
    sweeps=(
        *_sweeps("C1", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 5.0), (28.0, 5.0)),
        *_sweeps("C2", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 2.25)),
        *_sweeps("C3", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 2.25)),
        *_sweeps("A1", (5.0, 3.0), kind="legacy "),
        *_sweeps("A2", (5.0, 3.0), kind="legacy "),
    ),
    situations=("bare", "cable", "5 V held", "9 V held"),
    body_mm=(104.6, 82.1, 33.8),
    prongs_mm=(104.6, 82.1, 33.8),
    mass_g=418.5,
    efficiency_shape="two-clocks",
    standby_shape="epoch-tab",
    sweep_shape="bench-comma",
)

CHARGERS: Mapping[str, Example] = {e.slug: e for e in (_WREN, _PLOVER, _HERON, _ALBATROSS)}
