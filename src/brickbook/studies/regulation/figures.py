"""Output voltage over load, per port and contract.

Definitions: load regulation (V_max load - V_min load)/V_nominal, sign kept (common practice); output resistance -dV/dI
of the least-squares line; deviation from the contract voltage against the ±5 % of USB Power Delivery's steady source
band (vSrcNew; from memory, medium).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.fitting import fit_linear
from brickbook.core.quantities import column_name
from brickbook.core.readings import figure_of, reading
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, Source, exact, propagate
from brickbook.plateaus import BENCH, find_plateaus, mean_over, readings_over, rows_over

__all__ = ["figures"]

STUDY = "regulation"
_BAND = 0.05
_LEFT_OUT = 0.2  # of a stay, at its beginning (common practice, no source)
_RESTLESS = 5.0  # scatter at one load over the usual scatter (common practice, no source)


@dataclass(frozen=True, slots=True)
class _Step:
    """One load step of a sweep: current and voltage at the receptacle, and the scatter of single voltage readings."""

    current_a: Measured
    voltage_v: Measured
    scatter_v: float
    rows: tuple[Rows, ...]
    flags: tuple[str, ...]


def figures(evidence: Evidence) -> Outcome:
    """All regulation figures of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    for recording in evidence.recordings:
        try:
            _one(recording, evidence, found, notes)
        except AnalysisError as error:
            notes.append(_warn(recording, str(error)))
        except (KeyError, ValueError) as error:
            notes.append(_warn(recording, str(error.args[0] if error.args else error)))
    return Outcome(tuple(found), tuple(notes))


def _one(recording: Recording, evidence: Evidence, found: list[Figure], notes: list[Note]) -> None:
    given = recording.conditions
    for key in ("port", "contract", "output_v"):
        if key not in given:
            raise KeyError(f"the index does not say {key}; add it to the file's conditions")
    port, nominal = str(given["port"]), given.number("output_v")
    evidence.charger.port(port)
    kind = (
        "pps"
        if str(given["contract"]).startswith("PPS")
        else "legacy"
        if "legacy" in str(given["contract"])
        else "fixed"
    )
    base = Conditions.of(
        mains_v=given.get("mains_v"),
        mains_hz=given.get("mains_hz"),
        port=port,
        contract=given["contract"],
        output_v=nominal,
        output_kind=str(given.get("output_kind", kind)),
        measured_at=given.get("measured_at"),
    )
    steps = _steps(recording, port, evidence)
    if not steps:
        notes.append(_warn(recording, "no steady load was found, so there is no V(I)"))
        return
    steps.sort(key=lambda s: float(s.current_a.value))
    for step in steps:
        at = base.with_(load_a=round(float(step.current_a.value), 3))
        found.append(_figure("output_voltage_v", step.voltage_v, "V", at, "mean of the readings at one load", step))
    first, last = steps[0], steps[-1]
    error = first.voltage_v * (1 / nominal) - 1.0
    found.append(
        _figure("set_point_error_ratio", error, "", base, "voltage at the least load, less the contract's", first)
    )
    worst = max(steps, key=lambda s: abs(float(s.voltage_v.value) - nominal))
    deviation = worst.voltage_v * (1 / nominal) - 1.0
    at = base.with_(load_a=round(float(worst.current_a.value), 3))
    found.append(
        _figure("worst_voltage_v", worst.voltage_v, "V", at, "voltage at the load with the largest departure", worst)
    )
    at = base.with_(load_a=round(float(worst.current_a.value), 3))
    found.append(
        _figure("voltage_deviation_ratio", deviation, "", at, "largest departure over all loads measured", worst)
    )
    notes += _restless(recording, steps)
    if len(steps) < 2:
        return
    regulation = (last.voltage_v - first.voltage_v) * (1 / nominal)
    found.append(
        _figure(
            "load_regulation_ratio", regulation, "", base, "(V at most load - V at least load)/V nominal", first, last
        )
    )
    if len(steps) >= 3:
        found.append(_resistance(steps, base))
    leaves = _leaves_band(steps, nominal)
    if leaves is not None:
        inside, outside = leaves
        measured = _crossing(inside, outside, nominal * (1 - _BAND))
        method = "load at which the voltage falls 5 % below the contract, between two measured loads by a straight line"
        found.append(_figure("regulated_current_a", measured, "A", base, method, inside, outside))


def _steps(recording: Recording, port: str, evidence: Evidence) -> list[_Step]:
    volts, amps = column_name("port_voltage_v", port), column_name("port_current_a", port)
    table = recording.find(volts)
    if table is None:
        raise KeyError(f"the recording has no readings of {volts}")
    fixture = _fixture(recording.conditions)
    steps: list[_Step] = []
    for plateau in find_plateaus(recording, BENCH, ports=(port,)):
        point = f"{recording.name}, {plateau.from_s:.0f} s"
        # the stay but its first fifth, where it is settled: the few readings of the rule's window alone tell their own
        # scatter badly, and comparisons with other chargers rest on it; a drift that is left counts as scatter
        late_s = plateau.start_s + _LEFT_OUT * plateau.duration_s
        from_s = min(plateau.from_s, late_s) if plateau.settled else plateau.from_s
        means: dict[str, Measured] = {}
        rows: list[Rows] = []
        for column, quantity in ((volts, "port_voltage_v"), (amps, "port_current_a")):
            source = recording.find(column)
            if source is None:
                raise KeyError(f"the recording has no readings of {column}")
            mean = mean_over(source, column, from_s, plateau.to_s)
            means[column] = reading(
                mean,
                quantity=quantity,
                point=point,
                instrument=source.origins[column].instrument,
                instruments=evidence.instruments,
                range_max=recording.ranges.get(quantity),
            )
            rows.append(rows_over(source, from_s, plateau.to_s, column))
        flags = () if plateau.settled else (f"unsettled: {plateau.reason}",)
        _, single = readings_over(table, volts, late_s, plateau.end_s)
        scatter = float(np.std(single, ddof=1))
        at_receptacle = means[volts] + means[amps] * fixture
        steps.append(_Step(means[amps], at_receptacle, scatter, tuple(rows), flags))
    return steps


def _restless(recording: Recording, steps: list[_Step]) -> list[Note]:
    """A warning where the meter's readings scatter far more at one load than at others: worth an oscilloscope."""
    noisiest = max(steps, key=lambda s: s.scatter_v)
    usual = float(np.median([s.scatter_v for s in steps]))
    if noisiest.scatter_v <= _RESTLESS * usual or noisiest.scatter_v <= 0.002:
        return []
    load_a = float(noisiest.current_a.value)
    text = (
        f"single voltage readings scatter by {1000 * noisiest.scatter_v:.0f} mV at {load_a:.3g} A "
        f"and by {1000 * usual:.1f} mV at most other loads; a meter cannot tell ripple: look at it with an oscilloscope"
    )
    return [Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions, noisiest.rows)]


def _fixture(conditions: Conditions) -> Measured:
    if "fixture_ohm" not in conditions:
        return exact(0.0)
    u = conditions.number("u_fixture_ohm") if "u_fixture_ohm" in conditions else 0.0
    return Measured(
        conditions.number("fixture_ohm"), {Source("fixture resistance as stated", "B", "normal"): u} if u else {}
    )


def _resistance(steps: list[_Step], base: Conditions) -> Figure:
    """-dV/dI of the straight line through all loads; what the line leaves unexplained is part of the uncertainty."""
    current = np.array([float(s.current_a.value) for s in steps])
    fit = fit_linear(
        np.column_stack([np.ones_like(current), -current]),
        [s.voltage_v for s in steps],
        source=f"lack of fit of V(I), {base.text()}",
    )
    return _figure(
        "output_resistance_ohm", fit.parameters[1], "Ω", base, "least-squares line through V(I), sign reversed", *steps
    )


def _leaves_band(steps: list[_Step], nominal: float) -> tuple[_Step, _Step] | None:
    floor = nominal * (1 - _BAND)
    for inside, outside in pairwise(steps):
        if float(inside.voltage_v.value) >= floor > float(outside.voltage_v.value):
            return inside, outside
    return None


def _crossing(inside: _Step, outside: _Step, floor: float) -> Measured:
    return propagate(
        lambda i1, v1, i2, v2: i1 + (i2 - i1) * (v1 - floor) / (v1 - v2),
        inside.current_a,
        inside.voltage_v,
        outside.current_a,
        outside.voltage_v,
    )


def _figure(name: str, measured: Measured, unit: str, conditions: Conditions, method: str, *steps: _Step) -> Figure:
    return figure_of(
        measured,
        study=STUDY,
        name=name,
        unit=unit,
        conditions=conditions,
        method=method,
        sources=tuple(rows for step in steps for rows in step.rows),
        flags=tuple(dict.fromkeys(flag for step in steps for flag in step.flags)),
    )


def _warn(recording: Recording, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions)
