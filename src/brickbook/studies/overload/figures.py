"""Figures of overload ramps, and of shorts as the tester recorded them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from brickbook.core.charger import Port
from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.quantities import channel_of, column_name
from brickbook.core.readings import figure_of, reading
from brickbook.core.statistics import Mean, autocorrelated_mean
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows, Table
from brickbook.core.uncertainty import Measured, Source, sum_of, with_source
from brickbook.plateaus import rows_over
from brickbook.studies.overload.reaction import Reaction, react

__all__ = ["figures", "reaction_of"]

STUDY = "overload"
_SHORT = "short"


@dataclass(frozen=True, slots=True)
class _Ramp:
    """One port of a recording, and how it reacted."""

    port: str
    table: Table
    reaction: Reaction
    promised_a: float
    conditions: Conditions


def figures(evidence: Evidence) -> Outcome:
    """All overload figures of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    for recording in evidence.recordings:
        try:
            for item in _one(recording, evidence):
                if isinstance(item, str):
                    notes.append(_warn(recording, item))
                else:
                    found.append(item)
        except AnalysisError as error:
            notes.append(_warn(recording, str(error)))
        except (KeyError, ValueError) as error:
            notes.append(_warn(recording, str(error.args[0] if error.args else error)))
    return Outcome(tuple(found), tuple(notes))


def reaction_of(recording: Recording, evidence_ports: tuple[Port, ...], port: str) -> tuple[Reaction, float]:
    """How a port reacted in a recording, and its promised current [A].

    Raises
    ------
    KeyError
        When the index does not say which contract the port had, or the charger has no such output.
    ValueError
        When the log does not tell.
    """
    volts, amps = column_name("port_voltage_v", port), column_name("port_current_a", port)
    table = recording.find(volts)
    if table is None or not table.has(amps):
        raise KeyError(f"port {port} has no voltage and current in one table")
    promised = _promised(recording.conditions, evidence_ports, port)
    removed = _removed(recording, table, port)
    time = table.columns["time_s"]
    return react(time, table.columns[volts], table.columns[amps], promised_a=promised, removed_s=removed), promised


def _one(recording: Recording, evidence: Evidence) -> Iterator[Figure | str]:
    given = recording.conditions
    sheet = [
        c for t in recording.tables for c in t.columns if c.startswith("current_a@") and _short_port(channel_of(c))
    ]
    if sheet:
        yield from _sheet(recording, sheet, evidence)
        return
    if "mains_v" not in given:
        raise KeyError("the index does not say mains_v; add it to the file's conditions")
    situation = str(given.get("situation", ""))
    if _short_port(situation):
        yield from _logged_short(recording, _short_port(situation), evidence)
        return
    ports = recording.channels("port_voltage_v")
    ramps = []
    for port in ports:
        reaction, promised = reaction_of(recording, evidence.charger.ports, port)
        table = recording.find(column_name("port_voltage_v", port))
        assert table is not None
        at = _base(given, port, ports).with_(behaviour=reaction.behaviour)
        ramps.append(_Ramp(port, table, reaction, promised, at))
    for ramp in ramps:
        # of several ports only those that reacted say something of their own
        if len(ramps) == 1 or ramp.reaction.behaviour != "none seen":
            yield from _ramp(recording, ramp, evidence)
    if len(ramps) > 1:
        yield from _together(recording, ramps, evidence)


def _base(given: Conditions, port: str, ports: tuple[str, ...]) -> Conditions:
    return Conditions.of(
        mains_v=given.get("mains_v"),
        mains_hz=given.get("mains_hz"),
        port=port,
        ports="+".join(ports) if len(ports) > 1 else None,
        contract=_contract(given, port),
    )


def _contract(given: Conditions, port: str) -> str | None:
    text = given.get("contract")
    if not isinstance(text, str):
        return None
    parts = [part.strip() for part in text.split("+")]
    own = [part[len(port) + 1 :] for part in parts if part.startswith(f"{port} ")]
    return own[0] if own else text if len(parts) == 1 else None


def _promised(given: Conditions, ports: tuple[Port, ...], port: str) -> float:
    """Nameplate current of the contract's output."""
    unit = next((p for p in ports if p.id == port), None)
    if unit is None:
        raise KeyError(f"the charger has no port {port}")
    contract = _contract(given, port)
    if contract is None:
        raise KeyError(f"the index does not say the contract of port {port}; add it to the file's conditions")
    word = contract.replace("V", "").split()[-1]
    try:
        volts = float(word)
    except ValueError as error:
        raise KeyError(f'contract is {contract!r}; write it as "20 V" or "C1 20 V + A1 5 V"') from error
    if contract.startswith(("PPS", "AVS")):
        fitting = [
            o
            for o in unit.outputs
            if o.min_voltage_v is not None
            and o.max_voltage_v is not None
            and o.min_voltage_v <= volts <= o.max_voltage_v
        ]
    else:
        fitting = [o for o in unit.fixed if abs(o.top_voltage_v - volts) < 0.01]
    if not fitting:
        raise KeyError(f"port {port} has no output of {contract} in charger.toml")
    return max(o.current_a for o in fitting)


def _removed(recording: Recording, table: Table, port: str) -> float | None:
    """When the load was taken off: as the load's own setting shows it, or as the index states it."""
    wanted = column_name("load_set_a", port)
    if table.has(wanted):
        level = np.nan_to_num(table.columns[wanted])
        on = np.flatnonzero(level > 0.02 * float(np.max(level)))
        if len(on) and on[-1] + 1 < len(level):
            return float(table.columns["time_s"][on[-1] + 1])
    if "load_removed_s" in recording.conditions:
        return recording.conditions.number("load_removed_s")
    return None


def _ramp(recording: Recording, ramp: _Ramp, evidence: Evidence) -> Iterator[Figure | str]:
    told, at = ramp.reaction, ramp.conditions
    volts, amps = column_name("port_voltage_v", ramp.port), column_name("port_current_a", ramp.port)
    held = _read(recording, ramp.table, amps, told.held_from_s, told.held_to_s, evidence)
    rows = (rows_over(ramp.table, told.held_from_s, told.held_to_s, volts, amps),)
    if told.behaviour == "none seen":
        how = "highest load of the ramp, the voltage above 90 % of its level; the port did not react"
        yield _figure("highest_current_a", held, "A", at, how, rows)
        yield f"port {ramp.port} did not react up to {told.held_a / ramp.promised_a:.2f} times its promised current"
        return
    limit = held + (told.limit_a - told.held_a)
    if told.half_step_a > 0.0:
        step = Source(f"load steps of the ramp on {ramp.port}, {recording.name}", "B", "rectangular")
        limit = with_source(limit, step, told.half_step_a / 3**0.5)
        how = "half-way between the last load it held and the first it did not"
    elif told.behaviour in ("constant current", "foldback"):
        how = "median current while the voltage gives way"
    else:
        how = "the load at which it reacted"
    yield _figure("limit_current_a", limit, "A", at, how, rows)
    ratio = limit * (1.0 / ramp.promised_a)
    yield _figure("limit_current_ratio", ratio, "", at, "over the nameplate current of the contract", rows)
    voltage = _read(recording, ramp.table, volts, told.held_from_s, told.held_to_s, evidence)
    yield _figure(
        "limit_power_w", limit * voltage, "W", at, "that current times the voltage at the last load held", rows
    )
    yield from _until(recording, ramp, voltage, held)
    window = (rows_over(ramp.table, told.reacted_s, float(ramp.table.columns["time_s"][-1]), volts, amps),)
    interval = float(np.median(np.diff(ramp.table.columns["time_s"])))
    row = Source(f"rows of {recording.name}", "B", "rectangular")
    if np.isfinite(told.period_s):
        period = Measured(told.period_s, {row: interval / 6**0.5})
        yield _figure(
            "hiccup_period_s", period, "s", at.with_(attempts=told.attempts), "median time between attempts", window
        )
    if np.isfinite(told.lowest_v):
        lowest = _single(recording, ramp.table, volts, told.lowest_v, evidence)
        yield _figure("limited_voltage_v", lowest, "V", at, "lowest voltage while the current was limited", window)
    if np.isfinite(told.recovery_s):
        back = Measured(told.recovery_s, {row: interval / 12**0.5})
        how = "from the removal of the load to 4 V or more that stays"
        yield _figure("recovery_time_s", back, "s", at, how, window)
    if np.isfinite(told.recovered_v):
        end = _single(recording, ramp.table, volts, told.recovered_v, evidence)
        yield _figure("recovery_voltage_v", end, "V", at, "median after the recovery", window)
    elif told.behaviour == "off":
        yield f"port {ramp.port} stayed off to the end of the log, which does not say when the load was taken off"
    elif told.behaviour == "latch":
        yield f"port {ramp.port} did not come back after the load was taken off"


def _until(recording: Recording, ramp: _Ramp, voltage: Measured, current: Measured) -> Iterator[Figure]:
    """Time and energy beyond the promised current."""
    told = ramp.reaction
    if not np.isfinite(told.beyond_s):
        return
    volts, amps = column_name("port_voltage_v", ramp.port), column_name("port_current_a", ramp.port)
    rows = (rows_over(ramp.table, told.beyond_s, told.reacted_s, volts, amps),)
    interval = float(np.median(np.diff(ramp.table.columns["time_s"])))
    ends = Source(f"begin and end of the overload on {ramp.port}, {recording.name}", "B", "normal")
    u = float(np.hypot(told.u_reacted_s, interval / 12**0.5))
    how = "from passing the promised current to the reaction"
    yield _figure(
        "reaction_time_s", Measured(told.reacted_s - told.beyond_s, {ends: u}), "s", ramp.conditions, how, rows
    )
    # the meters' accuracy as a share, carried by a product of value one
    share = (voltage * (1.0 / float(voltage.value))) * (current * (1.0 / float(current.value)))
    power = float(voltage.value) * float(current.value)
    energy = with_source(share * told.energy_j, ends, power * u)
    yield _figure("reaction_energy_j", energy, "J", ramp.conditions, f"voltage times current, {how}", rows)


def _together(recording: Recording, ramps: list[_Ramp], evidence: Evidence) -> Iterator[Figure | str]:
    """Total power when the first of several ports reacted."""
    reacted = [ramp for ramp in ramps if ramp.reaction.behaviour != "none seen"]
    ports = "+".join(ramp.port for ramp in ramps)
    given = recording.conditions
    at = Conditions.of(
        mains_v=given["mains_v"], mains_hz=given.get("mains_hz"), ports=ports, contract=given.get("contract")
    )
    if not reacted:
        yield f"no port of {ports} reacted to the total load"
        return
    first = min(reacted, key=lambda ramp: ramp.reaction.reacted_s)
    from_s, to_s = first.reaction.held_from_s, first.reaction.held_to_s
    powers: list[Measured] = []
    rows: list[Rows] = []
    for ramp in ramps:
        volts, amps = column_name("port_voltage_v", ramp.port), column_name("port_current_a", ramp.port)
        voltage = _read(recording, ramp.table, volts, from_s, to_s, evidence)
        powers.append(voltage * _read(recording, ramp.table, amps, from_s, to_s, evidence))
        rows.append(rows_over(ramp.table, from_s, to_s, volts, amps))
    total = sum_of(powers)
    own = first.reaction
    if own.half_step_a > 0.0:
        step = Source(f"load steps of the ramp on {first.port}, {recording.name}", "B", "rectangular")
        moved = total + own.voltage_v * (own.limit_a - own.held_a)
        total = with_source(moved, step, own.voltage_v * own.half_step_a / 3**0.5)
    who = at.with_(port=first.port, behaviour=own.behaviour)
    how = "all ports together at the last load held before the first of them reacted"
    yield _figure("limit_total_power_w", total, "W", who, how, tuple(rows))
    promised = evidence.charger.nameplate.total_power_w
    yield _figure("limit_total_power_ratio", total * (1.0 / promised), "", who, "over the nameplate power", tuple(rows))


def _short_port(text: str) -> str:
    """The port of "C1 short"; empty where the words are about something else."""
    words = text.split()
    return words[0] if len(words) == 2 and words[1] == _SHORT else ""


def _sheet(recording: Recording, columns: list[str], evidence: Evidence) -> Iterator[Figure]:
    """Currents into a short that the tester wrote down."""
    for column in columns:
        table = recording.find(column)
        if table is None:
            continue
        port = _short_port(channel_of(column))
        evidence.charger.port(port)
        values = table.columns[column]
        good = np.isfinite(values)
        yield from _shorted(recording, table, column, "current_a", values[good], port, evidence)


def _logged_short(recording: Recording, port: str, evidence: Evidence) -> Iterator[Figure]:
    """A log that the tester says is of a shorted output."""
    evidence.charger.port(port)
    column = column_name("port_current_a", port)
    table = recording.find(column)
    if table is None:
        raise KeyError(f"the recording of a short has no {column}")
    values = table.columns[column]
    yield from _shorted(recording, table, column, "port_current_a", values[np.isfinite(values)], port, evidence)


def _shorted(
    recording: Recording,
    table: Table,
    column: str,
    quantity: str,
    values: np.ndarray[tuple[int], np.dtype[np.float64]],
    port: str,
    evidence: Evidence,
) -> Iterator[Figure]:
    at = Conditions.of(mains_v=recording.conditions.get("mains_v"), port=port, situation=f"{port} {_SHORT}")
    rows = (table.rows(slice(None), column),)
    mean = autocorrelated_mean(values) if len(values) > 1 else Mean(float(values[0]), 0.0, 0.0, float("inf"), 1, 1.0)
    instrument = table.origins[column].instrument
    for name, one, how in (
        ("shorted_current_a", mean, "mean of what the tester recorded"),
        (
            "shorted_peak_current_a",
            Mean(float(np.max(values)), 0.0, 0.0, float("inf"), 1, 1.0),
            "highest recorded reading",
        ),
    ):
        measured = reading(
            one,
            quantity=quantity,
            point=f"{recording.name}, {column}, {how}",
            instrument=instrument,
            instruments=evidence.instruments,
            range_max=recording.ranges.get(quantity),
        )
        yield _figure(name, measured, "A", at, how, rows)


def _read(recording: Recording, table: Table, column: str, from_s: float, to_s: float, evidence: Evidence) -> Measured:
    time, values = table.columns["time_s"], table.columns[column]
    chosen = values[(time >= from_s) & (time <= to_s) & np.isfinite(values)]
    if not len(chosen):
        raise ValueError(f"there is no reading of {column} at {from_s:.1f} s")
    mean = autocorrelated_mean(chosen) if len(chosen) > 1 else Mean(float(chosen[0]), 0.0, 0.0, float("inf"), 1, 1.0)
    return _accurate(recording, table, column, mean, f"{from_s:.1f} s", evidence)


def _single(recording: Recording, table: Table, column: str, value: float, evidence: Evidence) -> Measured:
    mean = Mean(value, 0.0, 0.0, float("inf"), 1, 1.0)
    return _accurate(recording, table, column, mean, f"{value:.3g} V", evidence)


def _accurate(recording: Recording, table: Table, column: str, mean: Mean, where: str, evidence: Evidence) -> Measured:
    quantity = column.partition("@")[0]
    return reading(
        mean,
        quantity=quantity,
        point=f"{recording.name}, {column}, {where}",
        instrument=table.origins[column].instrument,
        instruments=evidence.instruments,
        range_max=recording.ranges.get(quantity),
    )


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    rows: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    return figure_of(
        measured, study=STUDY, name=name, unit=unit, conditions=conditions, method=method, sources=rows, flags=flags
    )


def _warn(recording: Recording, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions)
