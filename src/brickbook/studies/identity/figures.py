"""Size and mass from the tester's hand readings."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Note
from brickbook.core.instrument import Instrument
from brickbook.core.quantities import column_name
from brickbook.core.readings import figure_of, reading
from brickbook.core.statistics import repeated_mean
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured

__all__ = ["figures"]

STUDY = "identity"
SIDES = ("length", "width", "height")


def figures(evidence: Evidence) -> Outcome:
    """Mass, sides and volumes. The volume is that of the box around the body: rounded shapes fill less of it."""
    found: list[Figure] = []
    notes: list[Note] = []
    for recording in evidence.recordings:
        for body, name in (("body", "body_volume_cm3"), ("with prongs", "volume_with_prongs_cm3")):
            sides = [_read(recording, f"length_mm@{body} {side}", evidence.instruments, notes) for side in SIDES]
            if any(side is None for side in sides):
                continue
            known = [side for side in sides if side is not None]
            for side, (measured, rows) in zip(SIDES, known, strict=True):
                conditions = Conditions.of(side=side, of=body)
                found.append(_figure("side_mm", measured, "mm", conditions, "mean of the calliper readings", (rows,)))
            volume = known[0][0] * known[1][0] * known[2][0] * 1e-3
            found.append(
                _figure(
                    name,
                    volume,
                    "cm³",
                    Conditions(),
                    f"length x width x height of the box around the {'body' if body == 'body' else 'body and prongs'}",
                    tuple(rows for _, rows in known),
                )
            )
        mass = _read(recording, "mass_g@charger", evidence.instruments, notes)
        if mass is not None:
            found.append(_figure("mass_g", mass[0], "g", Conditions(), "mean of the scale readings", (mass[1],)))
    return Outcome(tuple(found), tuple(notes))


def _read(
    recording: Recording, column: str, instruments: Mapping[str, Instrument], notes: list[Note]
) -> tuple[Measured, Rows] | None:
    table = recording.find(column)
    if table is None:
        return None
    values = table.columns[column]
    good = np.isfinite(values)
    quantity = column.partition("@")[0]
    try:
        measured = reading(
            repeated_mean(values[good]),
            quantity=quantity,
            point=f"{recording.name}, {column}",
            instrument=table.origins[column].instrument,
            instruments=instruments,
            range_max=recording.ranges.get(quantity),
        )
    except KeyError as error:
        notes.append(Note(STUDY, "warning", f"{recording.name}: {column_name(column)}: {error.args[0]}"))
        return None
    return measured, table.rows(good, column)


def _figure(
    name: str, measured: Measured, unit: str, conditions: Conditions, method: str, sources: tuple[Rows, ...]
) -> Figure:
    return figure_of(measured, study=STUDY, name=name, unit=unit, conditions=conditions, method=method, sources=sources)
