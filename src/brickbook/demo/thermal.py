"""The example campaign's hot part: an hour's soak of each charger, and an overload ramp of each of its ports.

The losses are those of `demo.physics`; what they heat is a network of its own, inner parts and a case (two time
constants), the case giving its heat to a room that drifts and swings. A charger may fold a port back when its inner
parts get too warm: it then offers less current, and the load follows. Nothing in the analysis knows any of this.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.quantities import channel_of, column_name, quantity_of
from brickbook.demo.campaign import RawDeposit
from brickbook.demo.scenario import CHARGERS, Example
from brickbook.simbench.meters import MeterBench
from brickbook.simbench.physics import Operation, operate

__all__ = ["HEAT", "TEMPERATURE_LOGGER", "Heat", "Overload", "SoakTruth", "heat_campaign", "soak_truth"]

FloatArray = NDArray[np.float64]
Behaviour = Literal["constant current", "hiccup", "latch", "trip"]

_STEP_S = 2.0
_HOUR_S = 3600.0
_RAMP_S = 0.25
_FIXTURE_OHM, _U_FIXTURE_OHM = 0.0040, 0.0003
_HEAT_J_PER_GK = 0.95  # plastic, copper and ferrite together
_OVERLOAD_AT = datetime(2026, 10, 9, 9, 0, 0)

# What bench.toml must have beside the meters of the rest of the campaign.
TEMPERATURE_LOGGER: Mapping[str, Instrument] = {
    "temperature-logger": Instrument(
        role="temperature-logger",
        description="four-channel logger with type T class 1 thermocouples",
        accuracy=(
            Accuracy(quantity="temperature_c", absolute=0.8, resolution=0.1),
            Accuracy(quantity="ambient_c", absolute=0.8, resolution=0.1),
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Overload:
    """What a port does when too much is asked of it: at what multiple of its current, how, after what delay [s]."""

    at_ratio: float
    behaviour: Behaviour
    delay_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Heat:
    """How a charger is soaked, how it warms and what its ports do when overloaded.

    Parameters
    ----------
    contract_v, current_a
        Load of each port during the soak.
    inner_share
        Part of the heat capacity that is inner parts.
    inner_ohm
        Thermal resistance from the inner parts to the case, over that from case to room.
    fold_port, fold_at_c, fold_to_ratio
        Port that is folded back, the inner temperatures at which it is, and to what part of its first current.
    overload
        By port.
    room_c, room_drift_k
        Room at the start, and its change in the hour.
    """

    contract_v: Mapping[str, float]
    current_a: Mapping[str, float]
    inner_share: float
    inner_ohm: float
    overload: Mapping[str, Overload]
    room_c: float
    room_drift_k: float
    fold_port: str = ""
    fold_at_c: tuple[float, ...] = ()
    fold_to_ratio: tuple[float, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class SoakTruth:
    """A soak without meters: what they will be asked to read, and when the charger folded back [s]."""

    time_s: FloatArray
    operation: Operation
    inner_c: FloatArray
    case_c: FloatArray
    receptacle_c: FloatArray
    room_c: FloatArray
    folds_s: tuple[float, ...] = field(default=())


HEAT: Mapping[str, Heat] = {
    "wren-35": Heat(
        contract_v={"C1": 20.0},
        current_a={"C1": 1.75},
        inner_share=0.35,
        inner_ohm=0.55,
        overload={"C1": Overload(1.24, "hiccup")},
        room_c=23.1,
        room_drift_k=0.6,
    ),
    "plover-67": Heat(
        contract_v={"C1": 20.0, "C2": 15.0},
        current_a={"C1": 2.25, "C2": 1.38},
        inner_share=0.40,
        inner_ohm=0.60,
        overload={"C1": Overload(1.18, "trip", 1.5), "C2": Overload(1.31, "latch")},
        room_c=22.4,
        room_drift_k=1.1,
    ),
    "heron-120": Heat(
        contract_v={"C1": 20.0, "C2": 20.0, "A1": 9.0},
        current_a={"C1": 3.25, "C2": 1.4, "A1": 1.2},
        inner_share=0.40,
        inner_ohm=0.70,
        overload={
            "C1": Overload(1.12, "trip", 0.8),
            "C2": Overload(1.30, "latch"),
            "A1": Overload(1.10, "constant current"),
        },
        room_c=23.8,
        room_drift_k=0.9,
        fold_port="C1",
        fold_at_c=(78.0, 85.0),
        fold_to_ratio=(0.80, 0.62),
        note="Loaded to 104 W, the most it delivers without letting its voltage fall.",
    ),
    "albatross-200": Heat(
        contract_v={"C1": 28.0, "C2": 20.0, "C3": 20.0, "A1": 5.0, "A2": 5.0},
        current_a={"C1": 5.0, "C2": 1.125, "C3": 1.125, "A1": 1.5, "A2": 1.5},
        inner_share=0.45,
        inner_ohm=0.50,
        overload={
            "C1": Overload(1.11, "hiccup"),
            "C2": Overload(1.27, "hiccup"),
            "C3": Overload(1.27, "hiccup"),
            "A1": Overload(1.35, "constant current"),
            "A2": Overload(1.35, "constant current"),
        },
        room_c=24.2,
        room_drift_k=-0.5,
    ),
}


def heat_campaign(
    example: Example,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    mains: tuple[float, float] = (230.0, 50.0),
    perfect: bool = False,
    errors_seed: int | None = None,
) -> Iterator[RawDeposit]:
    """Raw files of one charger's soak and overload ramps, in the order they would be taken.

    Parameters
    ----------
    example
        The charger.
    instruments
        Of the bench, with `TEMPERATURE_LOGGER`.
    seed
        Of all randomness; equal seeds give equal bytes.
    mains
        Supply (V, Hz).
    perfect
        Meters without error and scatter.
    errors_seed
        Of the meters' own errors, where other campaigns are read by the same meters.
    """
    rng = np.random.default_rng((seed, 7))
    bench = MeterBench(instruments, rng, perfect=perfect, errors_seed=errors_seed)
    heat = HEAT[example.slug]
    yield _soak(example, heat, bench, mains)
    clock = _OVERLOAD_AT
    for port in heat.overload:
        yield _overload(example, heat, port, bench, mains, clock)
        clock += timedelta(minutes=10)


def soak_truth(slug: str, mains_v: float = 230.0, hours: float = 1.0) -> SoakTruth:
    """What happens in a charger's soak."""
    example, heat = CHARGERS[slug], HEAT[slug]
    t = np.arange(0.0, hours * _HOUR_S, _STEP_S)
    room = heat.room_c + heat.room_drift_k * t / _HOUR_S + 0.12 * np.sin(2 * np.pi * t / 1300.0)
    currents = {p: np.full(len(t), a) for p, a in heat.current_a.items()}
    folds: list[float] = []
    while True:
        state = operate(
            example.model,
            mains_v=mains_v,
            contract_v=heat.contract_v,
            current_a=currents,
            time_s=t,
            ambient_c=heat.room_c,
        )
        delivered = np.sum([state.port_voltage_v[p] * currents[p] for p in currents], axis=0)
        inner, case = _warm(example, heat, state.input_w - delivered, room)
        done = len(folds)
        if done >= len(heat.fold_at_c):
            break
        hot = np.flatnonzero((inner > heat.fold_at_c[done]) & (t > (folds[-1] if folds else 0.0)))
        if not len(hot):
            break
        folds.append(float(t[hot[0]]))
        port = heat.fold_port
        currents[port] = np.where(t >= folds[-1], heat.current_a[port] * heat.fold_to_ratio[done], currents[port])
    # the front with the receptacles is away from the warmest parts
    return SoakTruth(t, state, inner, case, room + 0.82 * (case - room), room, tuple(folds))


def _warm(example: Example, heat: Heat, loss_w: FloatArray, room_c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inner parts and case [°C], both at the room's temperature at first."""
    to_room = example.model.thermal_ohm
    to_case = to_room * heat.inner_ohm
    capacity = example.mass_g * _HEAT_J_PER_GK
    inner_heat, case_heat = capacity * heat.inner_share, capacity * (1.0 - heat.inner_share)
    inner, case = np.empty(len(loss_w)), np.empty(len(loss_w))
    a = c = float(room_c[0])
    for k in range(len(loss_w)):
        inner[k], case[k] = a, c
        across = (a - c) / to_case
        # convection: the case gives off its heat the easier the warmer it is
        out = (c - room_c[k]) / to_room * (max(c - room_c[k], 1.0) / 40.0) ** 0.12
        a += _STEP_S / inner_heat * (loss_w[k] - across)
        c += _STEP_S / case_heat * (across - out)
    return inner, case


def _soak(example: Example, heat: Heat, bench: MeterBench, mains: tuple[float, float]) -> RawDeposit:
    truth = soak_truth(example.slug, mains[0])
    n = len(truth.time_s)
    one = np.zeros(n, dtype=np.int64)
    columns: dict[str, FloatArray] = {
        "mains_power_w": bench.read(
            "wall-meter",
            "mains_power_w",
            truth.operation.input_w,
            one,
            scatter=2e-4 * truth.operation.input_w,
            memory=0.5,
        )
    }
    for port in sorted(heat.current_a):
        # a new load level is a new place on the load's scale
        amps = truth.operation.port_current_a[port]
        level = np.cumsum(np.concatenate([[0], np.abs(np.diff(amps)) > 1e-6])).astype(np.int64)
        volts = truth.operation.port_voltage_v[port] - _FIXTURE_OHM * amps
        columns[column_name("port_voltage_v", port)] = bench.read(
            "load-bank", "port_voltage_v", volts, level, scatter=0.002, memory=0.4
        )
        columns[column_name("port_current_a", port)] = bench.read(
            "load-bank", "port_current_a", amps, level, scatter=3e-4, memory=0.4
        )
    for place, course in (("case", truth.case_c), ("receptacle", truth.receptacle_c)):
        columns[column_name("temperature_c", place)] = bench.read(
            "temperature-logger", "temperature_c", course, one, scatter=0.06, memory=0.6
        )
    columns["ambient_c"] = bench.read("temperature-logger", "ambient_c", truth.room_c, one, scatter=0.05, memory=0.6)
    start = datetime(2026, 10, 8, 9, 30, 0)
    ports = sorted(heat.current_a)
    conditions: dict[str, Scalar] = {
        "mains_v": mains[0],
        "mains_hz": mains[1],
        "ports": "+".join(ports),
        "contract": " + ".join(f"{p} {'legacy ' if p[0] == 'A' else ''}{heat.contract_v[p]:g} V" for p in ports),
        "measured_at": "receptacle",
        "fixture_ohm": _FIXTURE_OHM,
        "u_fixture_ohm": _U_FIXTURE_OHM,
        "material": "case plastic + receptacle metal",
        "contact": "1 s to 10 s",
        "sensor": "thermocouple",
        "u_attachment_k": 0.6,
    }
    return RawDeposit(
        "soak-230v.csv" if mains[0] > 200 else "soak-115v.csv",
        _write(start, truth.time_s, columns),
        ("soak",),
        start.isoformat(),
        conditions,
        _instruments(columns),
        note=heat.note,
    )


def _overload(
    example: Example, heat: Heat, port: str, bench: MeterBench, mains: tuple[float, float], clock: datetime
) -> RawDeposit:
    """The port's highest voltage, its load resistance lowered in steps of 2 % of nameplate current, then taken off."""
    sweeps = [s for s in example.sweeps if s.port == port and not s.contract.startswith("PPS")]
    top = max(sweeps, key=lambda s: s.contract_v)
    behaviour = heat.overload[port]
    ratios = np.concatenate([np.full(10, 0.9), np.arange(0.92, 1.5001, 0.02)])
    dwell = 3.0
    removed_s = len(ratios) * dwell
    t = np.arange(0.0, removed_s + 30.0, _RAMP_S)
    asked = (
        np.where(t < removed_s, ratios[np.minimum((t / dwell).astype(np.int64), len(ratios) - 1)], 0.0) * top.current_a
    )
    model = example.model.ports[port]
    open_v = top.contract_v * (1.0 + model.set_error_ratio)
    full = open_v - model.output_ohm * asked
    limit = behaviour.at_ratio * top.current_a
    volts, amps = full.copy(), asked.copy()
    beyond = (asked > limit) & (t < removed_s)
    if behaviour.behaviour == "constant current":
        ohm = full[beyond] / asked[beyond]
        amps[beyond] = limit * 1.004
        # a resistance asks for more as it is lowered: the port holds its current and gives way in voltage
        volts[beyond] = amps[beyond] * ohm * np.linspace(1.0, 0.55, int(beyond.sum()))
    else:
        tripped = float(t[beyond][0]) + behaviour.delay_s
        off = (t >= tripped) & (t < removed_s)
        if behaviour.behaviour == "hiccup":
            off &= ((t - tripped) % 2.0) < 1.5
        end = {"latch": np.inf, "trip": removed_s + 1.2, "hiccup": removed_s + 0.8}[behaviour.behaviour]
        off |= (t >= removed_s) & (t < end)
        volts[off], amps[off] = 0.02, 0.0
        # after an outage the port begins with 5 V
        back = t >= end
        volts[back] = 5.0 * (1.0 + model.set_error_ratio)
    one = np.zeros(len(t), dtype=np.int64)
    columns = {
        column_name("port_voltage_v", port): bench.read("load-bank", "port_voltage_v", volts, one, scatter=0.003),
        column_name("port_current_a", port): bench.read("load-bank", "port_current_a", amps, one, scatter=3e-4),
    }
    conditions: dict[str, Scalar] = {
        "mains_v": mains[0],
        "mains_hz": mains[1],
        "port": port,
        "contract": top.contract,
        "output_v": top.contract_v,
        "measured_at": "receptacle",
        "load_removed_s": float(removed_s),
    }
    return RawDeposit(
        f"overload-{port.lower()}.csv",
        _write(clock, t, columns),
        ("overload",),
        clock.isoformat(),
        conditions,
        _instruments(columns),
    )


_HEADERS = {
    "mains_power_w": ("Mains power", "W", 2),
    "port_voltage_v": ("Voltage", "V", 3),
    "port_current_a": ("Current", "A", 4),
    "temperature_c": ("temperature", "degC", 1),
    "ambient_c": ("Ambient temperature", "degC", 1),
}


def _write(start: datetime, time_s: FloatArray, columns: Mapping[str, FloatArray]) -> bytes:
    """Comma, ISO time, units in parentheses, UTF-8."""
    head, decimals = ["Time"], []
    for column in columns:
        name, unit, places = _HEADERS[quantity_of(column)]
        channel = channel_of(column)
        shown = channel.capitalize() if quantity_of(column) == "temperature_c" else channel
        head.append(f"{shown} {name} ({unit})".strip())
        decimals.append(places)
    lines = [",".join(head)]
    table = list(columns.values())
    for k, t in enumerate(time_s):
        stamp = (start + timedelta(seconds=float(t))).isoformat(timespec="milliseconds")
        cells = [f"{float(values[k]):.{places}f}" for values, places in zip(table, decimals, strict=True)]
        lines.append(",".join([stamp, *cells]))
    return ("\n".join(lines) + "\n").encode()


def _instruments(columns: Mapping[str, FloatArray]) -> dict[str, str]:
    names = {
        "mains": "wall-meter",
        "port": "load-bank",
        "temperature": "temperature-logger",
        "ambient": "temperature-logger",
    }
    return {quantity_of(c): names[c.partition("_")[0]] for c in columns}
