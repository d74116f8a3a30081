"""Power with nothing to do: by the methods of IEC 62301:2011, for each situation and supply."""

from __future__ import annotations

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of, reading
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows, Table
from brickbook.core.uncertainty import Measured
from brickbook.plateaus import (
    StandbyMean,
    energy_mean,
    maximum_current_ratio,
    mean_over,
    permitted_uncertainty_w,
    rows_over,
    sampling_mean,
)

__all__ = ["figures"]

STUDY = "standby"
BARE = "bare"
_HOURS_A_YEAR = 8760.0


def figures(evidence: Evidence) -> Outcome:
    """No-load and standby power, energy and cost a year."""
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
    for key in ("mains_v", "mains_hz", "situation"):
        if key not in given:
            raise KeyError(f"the index does not say {key}; add it to the file's conditions")
    situation = str(given["situation"])
    base = Conditions.of(mains_v=given["mains_v"], mains_hz=given["mains_hz"], situation=situation)
    table, mean = _mean(recording)
    column = "mains_power_w" if table.has("mains_power_w") else "mains_energy_wh"
    power = reading(
        mean.value,
        quantity="mains_power_w",
        point=f"{recording.name}, {mean.from_s:.0f} s",
        instrument=table.origins[column].instrument,
        instruments=evidence.instruments,
        range_max=recording.ranges.get("mains_power_w"),
    )
    power = _less_meter(power, recording)
    rows = rows_over(table, mean.from_s, mean.to_s, column)
    flags = [] if mean.stable else [f"not stable: {mean.reason}"]
    flags += [*mean.warnings, *_permitted(power, recording, mean)]
    if not mean.stable:
        notes.append(_warn(recording, f"not stable: {mean.reason}"))
    name = "no_load_power_w" if situation == BARE else "standby_power_w"
    cycles = f"; mean over {mean.cycles} cycles of {mean.cycle_s:.3g} s" if mean.cycles else ""
    found.append(_figure(name, power, "W", base, f"{mean.method}; {mean.reason}{cycles}", rows, flags))
    energy = power * (_HOURS_A_YEAR / 1000.0)
    found.append(_figure("annual_energy_kwh", energy, "kWh", base, "8,760 hours at this power", rows, flags))
    price = evidence.settings.energy_price_per_kwh
    if price is not None:
        method = f"energy a year at {price:g} {evidence.settings.currency}/kWh"
        found.append(_figure("annual_cost", energy * price, evidence.settings.currency, base, method, rows, flags))


def _mean(recording: Recording) -> tuple[Table, StandbyMean]:
    table = recording.find("mains_power_w")
    if table is not None:
        return table, sampling_mean(table.columns["time_s"], table.columns["mains_power_w"])
    table = recording.find("mains_energy_wh")
    if table is None:
        raise KeyError("the recording has neither mains_power_w nor mains_energy_wh")
    energy = table.columns["mains_energy_wh"]
    steps = np.diff(np.unique(energy[np.isfinite(energy)]))
    resolution = float(steps.min()) if len(steps) else 0.0
    return table, energy_mean(table.columns["time_s"], energy, resolution_wh=resolution)


def _less_meter(power: Measured, recording: Recording) -> Measured:
    """Less what the meter takes, where the index states its wiring: I^2 R of its current path, U^2/R of its input."""
    given = recording.conditions
    wiring = given.get("voltage_terminals")
    if wiring == "load side" and "meter_input_ohm" in given:
        return power - given.number("mains_v") ** 2 / given.number("meter_input_ohm")
    table = recording.find("mains_current_a")
    if wiring == "source side" and "meter_path_ohm" in given and table is not None:
        current = float(np.nanmean(table.columns["mains_current_a"]))
        return power - current**2 * given.number("meter_path_ohm")
    return power


def _permitted(power: Measured, recording: Recording, mean: StandbyMean) -> list[str]:
    """Whether the instrument is good enough for IEC 62301:2011 4.4.1 (from memory, medium-high)."""
    expanded = 2 * float(power.u)
    ratio = 10.0
    crest, factor = recording.find("mains_current_crest"), recording.find("mains_pf")
    if crest is not None and factor is not None:
        pf = mean_over(factor, "mains_pf", mean.from_s, mean.to_s).value
        ratio = maximum_current_ratio(mean_over(crest, "mains_current_crest", mean.from_s, mean.to_s).value, pf)
    allowed = permitted_uncertainty_w(max(float(power.value), 0.0), ratio)
    if expanded <= allowed:
        return []
    text = (
        f"not judged: expanded uncertainty {1000 * expanded:.1f} mW exceeds the {1000 * allowed:.1f} mW that "
        "IEC 62301 4.4.1 permits (from memory, medium-high)"
    )
    return [text]


def _figure(
    name: str, measured: Measured, unit: str, conditions: Conditions, method: str, rows: Rows, flags: list[str]
) -> Figure:
    return figure_of(
        measured,
        study=STUDY,
        name=name,
        unit=unit,
        conditions=conditions,
        method=method,
        sources=(rows,),
        flags=tuple(flags),
    )


def _warn(recording: Recording, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions)
