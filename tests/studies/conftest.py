"""Recordings built from numbers, so that a study can be asked about a published worked example."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from brickbook.core.charger import Budget, Charger, Nameplate, Output, Port, Price, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.core.table import ColumnOrigin, RawFile, Recording, Table

RAW = RawFile("log.csv", "0" * 64)
QUANTITIES = (
    "mains_power_w",
    "mains_pf",
    "mains_voltage_v",
    "mains_current_a",
    "mains_frequency_hz",
    "port_voltage_v",
    "port_current_a",
    "mass_g",
    "length_mm",
    "mains_harmonic_a",
    "mains_current_thd_ratio",
)


def staircase(
    columns: Mapping[str, Sequence[float]], *, dwell_s: float = 400.0, interval_s: float = 1.0, ripple: float = 0.0
) -> Table:
    """One row every interval, each level held for `dwell_s`; a tiny scatter keeps change detection honest."""
    count = round(dwell_s / interval_s)
    levels = len(next(iter(columns.values())))
    rng = np.random.default_rng(1)
    arrays = {"time_s": np.arange(count * levels) * interval_s}
    for name, values in columns.items():
        level = np.repeat(np.asarray(values, dtype=float), count)
        arrays[name] = level * (1 + ripple * rng.standard_normal(len(level)))
    lines = np.arange(2, 2 + count * levels)
    origins = {name: ColumnOrigin(name, "", 1.0, "bench") for name in arrays}
    return Table(RAW, arrays, lines, Conditions(), origins)


def recording(table: Table, studies: Sequence[str], **conditions: float | str) -> Recording:
    return Recording("log", tuple(studies), (table,), Conditions.of(conditions))


def port(port_id: str, *outputs: tuple[float, float], connector: str = "usb-c", kind: str = "fixed") -> Port:
    return Port(port_id, connector, tuple(Output(kind=kind, current_a=a, voltage_v=v) for v, a in outputs))


def charger(total_w: float, *ports: Port, budgets: Sequence[Budget] = ()) -> Charger:
    return Charger(
        name="Quillmere Test",
        maker="Quillmere (invented)",
        model="QT-1",
        nameplate=Nameplate(total_power_w=total_w),
        ports=tuple(ports),
        sample=Sample(obtained="bought"),
        budgets=tuple(budgets),
        price=Price(39.99, "EUR", "2026-10-01"),
    )


def evidence(unit: Charger, *recordings: Recording, accuracy: float = 1e-6, earlier=()) -> Evidence:
    """Evidence read by one instrument of this relative accuracy [%]."""
    lines = tuple(Accuracy(quantity=q, percent_reading=accuracy) for q in QUANTITIES)
    return Evidence(
        unit,
        Settings((Mains(115.0, 60.0), Mains(230.0, 50.0)), "EUR", 0.30),
        {"bench": Instrument(role="other", accuracy=lines)},
        tuple(recordings),
        tuple(earlier),
    )


@pytest.fixture
def build():
    """The builders above, as one object."""

    class Build:
        staircase = staticmethod(staircase)
        recording = staticmethod(recording)
        port = staticmethod(port)
        charger = staticmethod(charger)
        evidence = staticmethod(evidence)

    return Build
