"""From recordings to loading points: which plateau is which loading condition, and the powers there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Note
from brickbook.core.instrument import Instrument
from brickbook.core.quantities import column_name, quantity_of
from brickbook.core.readings import reading
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, Source, exact, sum_of
from brickbook.plateaus import Plateau, find_plateaus, mean_over, rows_over
from brickbook.plateaus.rules import US_MULTIPLE_VOLTAGE, US_SINGLE_VOLTAGE

__all__ = ["Point", "PointReader", "match_plateau"]

_NEAR = 0.10  # a plateau further than this share of the 100 % current from its target is another load


@dataclass(frozen=True, slots=True)
class Point:
    """One settled load: input side, and voltage and current of each port at the receptacle.

    Parameters
    ----------
    plateau
        Where it was read.
    input_w
        Active input power.
    port_voltage_v, port_current_a
        Per port, the fixture's resistance already taken into account.
    sources
        Rows behind it.
    """

    plateau: Plateau
    input_w: Measured
    port_voltage_v: Mapping[str, Measured]
    port_current_a: Mapping[str, Measured]
    sources: tuple[Rows, ...]

    def output_w(self, lost_ohm: Callable[[str], Measured]) -> Measured:
        """Sum of port powers [W] behind a series resistance per port: V I - I^2 R."""
        return sum_of(
            v * i - i * i * lost_ohm(port)
            for port, v, i in ((p, self.port_voltage_v[p], self.port_current_a[p]) for p in sorted(self.port_voltage_v))
        )


@dataclass(frozen=True, slots=True)
class PointReader:
    """Reads loading points out of one recording."""

    recording: Recording
    ports: tuple[str, ...]
    instruments: Mapping[str, Instrument]
    study: str

    def plateaus(self) -> tuple[Plateau, ...]:
        """Plateaus by the stability rule of Appendix Z: 5 % drift for one voltage, 1 % for several."""
        rule = US_SINGLE_VOLTAGE if len(self.ports) == 1 else US_MULTIPLE_VOLTAGE
        return find_plateaus(self.recording, rule, ports=self.ports)

    def point(self, plateau: Plateau) -> Point:
        """The powers at a plateau; raises `KeyError` when a reading or an instrument's accuracy is missing."""
        fixture = resistance(self.recording.conditions, "fixture_ohm")
        volts: dict[str, Measured] = {}
        amps: dict[str, Measured] = {}
        sources: list[Rows] = []
        for port in self.ports:
            amps[port], rows = self.mean(column_name("port_current_a", port), plateau)
            sources.append(rows)
            at_meter, rows = self.mean(column_name("port_voltage_v", port), plateau)
            sources.append(rows)
            volts[port] = at_meter + amps[port] * fixture
        power, rows = self.mean("mains_power_w", plateau)
        sources.append(rows)
        return Point(plateau, power, volts, amps, merge_rows(sources))

    def mean(self, column: str, plateau: Plateau) -> tuple[Measured, Rows]:
        """Mean of a column over a plateau, with its rows; raises `KeyError` when the recording lacks it."""
        table = self.recording.find(column)
        if table is None:
            raise KeyError(f"recording {self.recording.name} has no readings of {column}")
        mean = mean_over(table, column, plateau.from_s, plateau.to_s)
        measured = reading(
            mean,
            quantity=quantity_of(column),
            point=f"{self.recording.name}, {column}, {plateau.from_s:.0f} s",
            instrument=table.origins[column].instrument,
            instruments=self.instruments,
            range_max=self.recording.ranges.get(quantity_of(column)),
        )
        return measured, rows_over(table, plateau.from_s, plateau.to_s, column)


def resistance(conditions: Conditions, key: str) -> Measured:
    """A stated resistance [Ohm] with its stated standard uncertainty; zero and exact where none is stated."""
    if key not in conditions:
        return exact(0.0)
    value = conditions.number(key)
    u = conditions.number(f"u_{key}") if f"u_{key}" in conditions else 0.0
    name = key.removesuffix("_ohm")
    return Measured(value, {Source(f"{name} resistance as stated", "B", "normal"): u} if u else {})


def match_plateau(
    plateaus: tuple[Plateau, ...], target_a: Mapping[str, float], full_a: Mapping[str, float]
) -> tuple[Plateau | None, float]:
    """The plateau closest to a target and its worst departure, as a share of the 100 % current.

    The last one wins among equally close ones (within 1 %): warm-up at full load comes before the measurement there.
    Settled plateaus come before unsettled ones.
    """
    best: tuple[Plateau, float] | None = None
    for plateau in plateaus:
        off = max(abs(plateau.levels.get(p, 0.0) - a) / full_a[p] for p, a in target_a.items())
        if off > _NEAR:
            continue
        if (
            best is None
            or (plateau.settled and not best[0].settled)
            or (plateau.settled == best[0].settled and off <= best[1] + 0.01)
        ):
            best = (plateau, off)
    return best if best is not None else (None, float("nan"))


def merge_rows(rows: list[Rows]) -> tuple[Rows, ...]:
    """Rows of one file and span joined into one entry with all their columns."""
    joined: dict[tuple[str, int, int], Rows] = {}
    for one in rows:
        key = (one.file.sha256, one.first, one.last)
        if key in joined:
            columns = joined[key].columns + tuple(c for c in one.columns if c not in joined[key].columns)
            joined[key] = Rows(one.file, one.first, one.last, columns)
        else:
            joined[key] = one
    return tuple(joined.values())


def note_missing(study: str, recording: Recording, text: str) -> Note:
    """A warning that names the recording."""
    return Note(study, "warning", f"{recording.name}: {text}", recording.conditions)
