"""Run the example campaign: physics, erring meters, and raw files with what a tester would note about each."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Instrument
from brickbook.core.quantities import column_name, quantity_of
from brickbook.demo.scenario import Example, Loading, Sweep
from brickbook.demo.writers import SHAPES, Log
from brickbook.simbench.meters import MeterBench
from brickbook.simbench.physics import HARMONICS, Operation, operate, standby_power_w, steps

__all__ = ["RawDeposit", "campaign", "hour_at_full_load"]

FloatArray = NDArray[np.float64]
_FIXTURE_OHM, _U_FIXTURE_OHM = 0.0040, 0.0003
_U_CABLE_OHM = 0.0030
_CLOCK_GAP_S = 37.4
_SOAK_EVERY_S = 5.0
_REPEATS = 5  # hand readings of each length and of the mass


@dataclass(frozen=True, slots=True)
class RawDeposit:
    """A raw file on its way into the book: bytes, and what the tester knows about it."""

    name: str
    data: bytes
    studies: tuple[str, ...]
    taken: str
    conditions: Mapping[str, Scalar]
    instruments: Mapping[str, str]
    reader: str = "meter-log"
    recording: str = ""
    align: Literal["stated", "load-steps"] = "stated"
    note: str = ""


@dataclass(frozen=True, slots=True)
class Stated:
    """Resistances as the tester states them [Ohm]."""

    fixture_ohm: float
    cable_ohm: float


def campaign(
    example: Example,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    mains: tuple[tuple[float, float], ...] = ((115.0, 60.0), (230.0, 50.0)),
    perfect: bool = False,
    errors_seed: int | None = None,
) -> Iterator[RawDeposit]:
    """Raw files of one charger's campaign, in the order they would be taken.

    Parameters
    ----------
    example
        The charger and its campaign.
    instruments
        Of the bench.
    seed
        Of all randomness; equal seeds give equal bytes.
    mains
        Supplies (V, Hz).
    perfect
        Meters without error and scatter, for checks against the truth.
    errors_seed
        Of the meters' own errors, where other campaigns are read by the same meters.
    """
    rng = np.random.default_rng(seed)
    bench = MeterBench(instruments, rng, perfect=perfect, errors_seed=errors_seed)
    # resistances are known as far as their stated uncertainty: the stated value errs, the true one is what it is
    err = (0.0, 0.0) if perfect else tuple(float(x) for x in rng.normal(size=2))
    stated = Stated(
        round(_FIXTURE_OHM + err[0] * _U_FIXTURE_OHM, 6), round(example.cable_ohm + err[1] * _U_CABLE_OHM, 6)
    )
    clock = datetime(2026, 10, 3, 9, 0, 0)
    for volts, hertz in mains:
        for loading in example.loadings:
            yield from _efficiency(example, loading, (volts, hertz), bench, stated, clock)
            clock += timedelta(minutes=75)
    volts, hertz = mains[-1]
    for sweep in example.sweeps:
        yield _sweep(example, sweep, (volts, hertz), bench, stated, clock)
        clock += timedelta(minutes=6)
    for volts, hertz in mains:
        for situation in example.situations:
            yield _standby(example, situation, (volts, hertz), bench, clock)
            clock += timedelta(minutes=25)
    yield _hand_sheet(example, bench, clock)


def _efficiency(
    example: Example,
    loading: Loading,
    mains: tuple[float, float],
    bench: MeterBench,
    stated: Stated,
    clock: datetime,
) -> Iterator[RawDeposit]:
    volts, hertz = mains
    ratios = (1.0, 0.75, 0.5, 0.25)
    dwell = (1800.0, 420.0, 420.0, 420.0, 420.0, 420.0)
    currents: dict[str, FloatArray] = {}
    time_s = np.zeros(0)
    segment = np.zeros(0, dtype=np.int64)
    for port, full in loading.current_a.items():
        warm = loading.warm_up_a.get(port, full)
        low = loading.low_load_a.get(port, full / 10)
        # a load's own setting error: the current is what it is, and is measured
        levels = [warm, *(full * r * (1 + 0.0008 * (k - 1.5)) for k, r in enumerate(ratios)), low]
        time_s, currents[port], segment = steps(levels, dwell, example.interval_s)
    state = operate(example.model, mains_v=volts, contract_v=loading.contract_v, current_a=currents, time_s=time_s)
    mains_side = _mains_columns(state, volts, hertz, segment, bench, harmonics=volts > 200)
    port_side = _port_columns(example, state, segment, bench)
    ports = "+".join(sorted(loading.current_a))
    contract = " + ".join(f"{p} {loading.contract_v[p]:g} V" for p in sorted(loading.contract_v))
    conditions: dict[str, Scalar] = {
        "mains_v": volts,
        "mains_hz": hertz,
        "ports": ports,
        "contract": contract,
        "voltage_end": loading.end,
        "measured_at": "receptacle",
        "fixture_ohm": stated.fixture_ohm,
        "u_fixture_ohm": _U_FIXTURE_OHM,
        "cable_ohm": stated.cable_ohm,
        "u_cable_ohm": _U_CABLE_OHM,
        "ambient_c": 22.0,
    }
    stem = f"eff-{loading.name}-{volts:g}v"
    taken = clock.isoformat()
    studies = ("efficiency",)
    if example.efficiency_shape == "two-clocks":
        # the load bank logs every two seconds on a clock of its own
        every = slice(None, None, 2)
        write = SHAPES["plain-wide"]
        wall = write(_spoil(Log(clock, time_s, mains_side), bench))
        slow = {c: v[every] for c, v in port_side.items()}
        load = write(_spoil(Log(clock, time_s[every] + _CLOCK_GAP_S, slow), bench))
        names = (f"{stem}-load.csv", f"{stem}-wall.csv")
        of_load, of_wall = _instruments(port_side), _instruments(mains_side)
        yield RawDeposit(names[0], load, studies, taken, conditions, of_load, recording=stem)
        yield RawDeposit(names[1], wall, studies, taken, conditions, of_wall, recording=stem, align="load-steps")
        return
    columns = {**mains_side, **port_side}
    data = SHAPES[example.efficiency_shape](_spoil(Log(clock, time_s, columns), bench))
    yield RawDeposit(f"{stem}.csv", data, studies, taken, conditions, _instruments(columns), recording=stem)


def _sweep(
    example: Example, sweep: Sweep, mains: tuple[float, float], bench: MeterBench, stated: Stated, clock: datetime
) -> RawDeposit:
    volts, hertz = mains
    levels = [sweep.current_a * r for r in (0.0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0)]
    time_s, current, segment = steps(levels, [20.0] * len(levels), 0.5)
    state = operate(
        example.model,
        mains_v=volts,
        contract_v={sweep.port: sweep.contract_v},
        current_a={sweep.port: current},
        time_s=time_s,
    )
    columns = _port_columns(example, state, segment, bench)
    log = _spoil(Log(clock, time_s, columns), bench)
    slug = sweep.contract.lower().replace(" ", "")
    return RawDeposit(
        f"vi-{sweep.port.lower()}-{slug}.csv",
        SHAPES[example.sweep_shape](log),
        ("regulation",),
        clock.isoformat(),
        {
            "mains_v": volts,
            "mains_hz": hertz,
            "port": sweep.port,
            "contract": sweep.contract,
            "output_v": sweep.contract_v,
            "measured_at": "receptacle",
            "fixture_ohm": stated.fixture_ohm,
            "u_fixture_ohm": _U_FIXTURE_OHM,
        },
        _instruments(columns),
    )


def hour_at_full_load(
    example: Example,
    loading: Loading,
    fold: tuple[float, float] | None,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    mains: tuple[float, float] = (230.0, 50.0),
    errors_seed: int | None = None,
) -> RawDeposit:
    """An hour at full load without temperatures: who cannot keep its power folds back.

    Parameters
    ----------
    example, loading
        The charger, and what hangs on it.
    fold
        When the first loaded port folds back [s], and to which share of its current; `None`: never.
    instruments, seed, mains, errors_seed
        As for `campaign`.
    """
    volts, hertz = mains
    bench = MeterBench(instruments, np.random.default_rng(seed), errors_seed=errors_seed)
    time_s = np.arange(0.0, 3720.0, _SOAK_EVERY_S)
    currents = {port: np.full(len(time_s), amps) for port, amps in loading.current_a.items()}
    level = np.zeros(len(time_s), dtype=np.int64)
    if fold is not None:
        first = next(iter(currents))
        later = time_s >= fold[0]
        currents[first] = np.where(later, fold[1] * currents[first], currents[first])
        level[later] = 1
    state = operate(example.model, mains_v=volts, contract_v=loading.contract_v, current_a=currents, time_s=time_s)
    columns = {
        "mains_power_w": bench.read(
            "wall-meter", "mains_power_w", state.input_w, level, scatter=2e-4 * state.input_w, memory=0.5
        ),
        **_port_columns(example, state, level, bench),
    }
    start = datetime(2026, 10, 8, 9, 30, 0)
    ports = sorted(loading.current_a)
    return RawDeposit(
        f"soak-{volts:g}v.csv",
        SHAPES["bench-comma"](Log(start, time_s, columns)),
        ("soak",),
        start.isoformat(),
        {
            "mains_v": volts,
            "mains_hz": hertz,
            "ports": "+".join(ports),
            "contract": " + ".join(f"{p} {'legacy ' if p[0] == 'A' else ''}{loading.contract_v[p]:g} V" for p in ports),
            "measured_at": "receptacle",
            "fixture_ohm": _FIXTURE_OHM,
            "u_fixture_ohm": _U_FIXTURE_OHM,
            "ambient_c": 24.0,
        },
        _instruments(columns),
    )


def _standby(
    example: Example, situation: str, mains: tuple[float, float], bench: MeterBench, clock: datetime
) -> RawDeposit:
    volts, hertz = mains
    time_s = np.arange(0.0, 1500.0, 1.0)
    segment = np.zeros(len(time_s), dtype=np.int64)
    truth = standby_power_w(example.model, volts, situation, time_s)
    level = np.full(len(time_s), truth.mean())
    error = bench.read("wall-meter", "mains_power_w", level, segment, scatter=0.004 * level, memory=0.3) - level
    columns = {
        "mains_voltage_v": bench.read(
            "wall-meter", "mains_voltage_v", np.full(len(time_s), volts), segment, scatter=0.03
        ),
        "mains_power_w": truth + error,
    }
    log = _spoil(Log(clock, time_s, columns), bench)
    slug = situation.lower().replace(" ", "")
    return RawDeposit(
        f"standby-{slug}-{volts:g}v.{'tsv' if example.standby_shape == 'epoch-tab' else 'csv'}",
        SHAPES[example.standby_shape](log),
        ("standby",),
        clock.isoformat(),
        {"mains_v": volts, "mains_hz": hertz, "situation": situation, "ambient_c": 22.0},
        _instruments(columns),
    )


def _hand_sheet(example: Example, bench: MeterBench, clock: datetime) -> RawDeposit:
    rows: list[tuple[str, str, str, str, str]] = []
    sides = ("length", "width", "height")
    places = {
        **{f"body {s}": v for s, v in zip(sides, example.body_mm, strict=True)},
        **{f"with prongs {s}": v for s, v in zip(sides, example.prongs_mm, strict=True)},
    }
    one = np.zeros(_REPEATS, dtype=np.int64)
    for place, truth in places.items():
        read = bench.read("calliper", "length_mm", np.full(_REPEATS, truth), one, scatter=0.02)
        rows += [("length_mm", place, f"{v:.2f}", "mm", "calliper") for v in read]
    read = bench.read("kitchen-scale", "mass_g", np.full(_REPEATS, example.mass_g), one, scatter=0.05)
    rows += [("mass_g", "charger", f"{v:.1f}", "g", "kitchen-scale") for v in read]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("quantity", "channel", "value", "unit", "instrument", "time", "note"))
    for row in rows:
        writer.writerow((*row, "", ""))
    return RawDeposit(
        "hand-readings.csv",
        text.getvalue().encode(),
        ("identity",),
        clock.isoformat(),
        {},
        {},
        reader="hand-sheet",
    )


def _mains_columns(
    state: Operation, volts: float, hertz: float, segment: NDArray[np.int64], bench: MeterBench, *, harmonics: bool
) -> dict[str, FloatArray]:
    n = len(segment)
    truths: dict[str, tuple[FloatArray, FloatArray | float, float]] = {
        "mains_voltage_v": (np.full(n, volts), 0.02, 0.6),
        "mains_current_a": (state.input_a, 3e-4 * state.input_a, 0.5),
        "mains_power_w": (state.input_w, 2e-4 * state.input_w + 1e-4, 0.5),
        "mains_pf": (state.power_factor, 3e-4, 0.3),
        "mains_frequency_hz": (np.full(n, hertz), 0.003, 0.0),
        "mains_current_thd_ratio": (state.current_thd_ratio, 1e-3, 0.0),
    }
    if harmonics:
        truths |= {column_name("mains_harmonic_a", str(h)): (state.harmonic_a[h], 2e-4, 0.0) for h in HARMONICS}
    return {
        column: bench.read("wall-meter", quantity_of(column), truth, segment, scatter=scatter, memory=memory)
        for column, (truth, scatter, memory) in truths.items()
    }


def _port_columns(
    example: Example, state: Operation, segment: NDArray[np.int64], bench: MeterBench
) -> dict[str, FloatArray]:
    columns: dict[str, FloatArray] = {}
    for port in sorted(state.port_voltage_v):
        amps = state.port_current_a[port]
        model = example.model.ports[port]
        load = amps / max(float(amps.max()), 1e-9)
        noise = model.noise_v * 0.3 + model.noise_half_load_v * np.exp(-(((load - 0.5) / 0.08) ** 2))
        columns[column_name("port_voltage_v", port)] = bench.read(
            "load-bank",
            "port_voltage_v",
            state.port_voltage_v[port] - _FIXTURE_OHM * amps,
            segment,
            scatter=noise,
            memory=0.4,
        )
        columns[column_name("port_current_a", port)] = bench.read(
            "load-bank", "port_current_a", amps, segment, scatter=2e-4, memory=0.4
        )
    return columns


def _instruments(columns: Mapping[str, FloatArray]) -> dict[str, str]:
    return {quantity_of(c): "wall-meter" if quantity_of(c).startswith("mains_") else "load-bank" for c in columns}


def _spoil(log: Log, bench: MeterBench) -> Log:
    """What real logs have: a few lost samples and, now and then, an overflow code."""
    if bench.perfect:
        return log
    n = len(log.time_s)
    columns = {name: values.copy() for name, values in log.columns.items()}
    names = list(columns)
    for row in bench.rng.choice(n, size=max(1, n // 900), replace=False):
        columns[names[int(bench.rng.integers(len(names)))]][row] = np.nan
    overflow: tuple[tuple[int, str], ...] = ()
    if n > 600:
        overflow = ((int(bench.rng.integers(n // 2, n)), names[-1]),)
    return Log(log.start, log.time_s, columns, overflow)
