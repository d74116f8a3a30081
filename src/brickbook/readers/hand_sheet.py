"""Hand sheets: readings a person wrote down, one to a row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl

from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, ReadError
from brickbook.core.quantities import QUANTITIES, column_name, quantity_of
from brickbook.core.shape import ShapeTime
from brickbook.core.table import ColumnOrigin, RawFile, Table
from brickbook.readers.layout import split_line
from brickbook.readers.numbers import CellFault, Marks, one_number
from brickbook.readers.pivot import pivot
from brickbook.readers.text import FileText, decode, detect_encoding, fail
from brickbook.readers.times import from_first, times_of
from brickbook.readers.units import Conversion, UnitProblem, conversion

__all__ = ["HAND_SHEET_HEADER", "read_hand_sheet"]

HAND_SHEET_HEADER = ("quantity", "channel", "value", "unit", "instrument", "time", "note")
_NEEDED = ("quantity", "value")
_DELIMITERS: tuple[Literal[",", ";", "\t"], ...] = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class _Reading:
    """One row of the sheet."""

    line: int
    column: str
    value: float
    unit: str
    factor: Conversion
    instrument: str
    time: str


def read_hand_sheet(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
) -> tuple[Table, ...]:
    """A hand sheet as tables: one for each instrument, a column for each quantity and channel.

    The header is `quantity,channel,value,unit,instrument,time,note`, parted by commas, semicolons or tabs; columns that
    are not needed may be left out. Lines that begin with "#" are left out. With commas between fields the decimal mark
    is a point, otherwise point or comma. A reading without time has a row of its own; readings of one time share a row.
    A row's own instrument goes before the index's.

    Parameters
    ----------
    data, name, raw, conditions, instruments
        As for `read_table`.

    Raises
    ------
    ReadError
        With every faulty row: line, what was found, what was expected.
    """
    conditions = conditions if conditions is not None else Conditions()
    instruments = instruments if instruments is not None else {}
    text = decode(data, detect_encoding(data)[0], name)
    rows = [(k, text.line(k)) for k in range(1, text.count + 1)]
    rows = [(k, line) for k, line in rows if line.strip(' \t,;"') and not line.lstrip().startswith("#")]
    delimiter, header = _header(rows[0] if rows else (1, ""), name)
    faults: list[Fault] = []
    readings: list[_Reading] = []
    for line, row in rows[1:]:
        try:
            readings.append(_reading(line, row, delimiter, header, conditions, instruments))
        except _BadRow as bad:
            faults.append(Fault(name, f"line {line}", bad.problem, bad.remedy))
    if faults:
        raise ReadError(*faults)
    if not readings:
        raise fail(name, rows[0][0], "there is no reading below the header.", "Write one to a row.")
    by_instrument: dict[str, list[_Reading]] = {}
    for reading in readings:
        by_instrument.setdefault(reading.instrument, []).append(reading)
    return tuple(_table(group, text, raw, conditions) for group in by_instrument.values())


class _BadRow(Exception):  # noqa: N818 - becomes a Fault
    """What is wrong with a row."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.problem, self.remedy = problem, remedy


def _header(row: tuple[int, str], name: str) -> tuple[str, dict[str, int]]:
    line, text = row
    best: list[str] = []
    delimiter = ","
    for mark in _DELIMITERS:
        cells = [cell.casefold() for cell in split_line(text, mark)]
        if len(set(cells) & set(HAND_SHEET_HEADER)) > len(set(best) & set(HAND_SHEET_HEADER)):
            best, delimiter = cells, mark
    while best and not best[-1]:
        best.pop()
    wrong = [cell for cell in best if cell not in HAND_SHEET_HEADER]
    lost = [cell for cell in _NEEDED if cell not in best]
    if wrong or lost or len(set(best)) != len(best):
        what = f"{wrong[0]!r} is no column of a hand sheet" if wrong and not lost else ""
        what = what or (f"there is no column {lost[0]!r}" if lost else "a column stands twice")
        raise fail(name, line, f"{what}.", f"The first row is {','.join(HAND_SHEET_HEADER)}.")
    return delimiter, {cell: k for k, cell in enumerate(best)}


def _reading(
    line: int,
    row: str,
    delimiter: str,
    header: Mapping[str, int],
    conditions: Conditions,
    instruments: Mapping[str, str],
) -> _Reading:
    cells = split_line(row, delimiter)
    while len(cells) > len(header) and not cells[-1]:
        cells.pop()
    if len(cells) > len(header):
        hint = " A decimal comma, or a note with a comma, needs quotes around it." if delimiter == "," else ""
        raise _BadRow(f"{len(cells)} fields, but the header has {len(header)}.", f"Take out the surplus.{hint}")
    cell = {key: cells[at] if at < len(cells) else "" for key, at in header.items()}
    quantity = QUANTITIES.get(cell["quantity"])
    if quantity is None or quantity.name == "time_s":
        known = ", ".join(q for q in QUANTITIES if q != "time_s")
        raise _BadRow(f"{cell['quantity']!r} is not a quantity.", f"Use one of {known}.")
    channel = cell.get("channel", "")
    if channel and not quantity.channel:
        raise _BadRow(f"{quantity.name} has no channel, found {channel!r}.", "Leave the channel empty.")
    if quantity.channel == "port" and not channel:
        port = conditions.get("port")
        if not isinstance(port, str):
            raise _BadRow(f"{quantity.name} needs a port.", "Write its id as the channel.")
        channel = port
    if quantity.channel == "harmonic" and not channel.isdigit():
        raise _BadRow(f"{quantity.name} needs an order, found {channel!r}.", "Write it as the channel: 3, 5, 7 ...")
    number = one_number(cell["value"], Marks("."))
    if number is None and delimiter != ",":
        number = one_number(cell["value"], Marks(","))
    if number is None or abs(number) >= 9.89e37:
        raise _BadRow(f"value {cell['value']!r} is not a number.", "Leave the row out if nothing was read.")
    try:
        factor = conversion(cell.get("unit", ""), quantity.unit)
    except UnitProblem as problem:
        raise _BadRow(
            f"unit of {quantity.name}: {problem}.", f"Write {quantity.unit or '%'}, for example."
        ) from problem
    column = column_name(quantity.name, channel)
    instrument = cell.get("instrument", "") or instruments.get(column) or instruments.get(quantity_of(column), "")
    return _Reading(line, column, number, cell.get("unit", ""), factor, instrument, cell.get("time", ""))


def _table(readings: list[_Reading], text: FileText, raw: RawFile, conditions: Conditions) -> Table:
    names = list(dict.fromkeys(reading.column for reading in readings))
    lines = np.array([reading.line for reading in readings], dtype=np.int64)
    series = np.array([names.index(reading.column) for reading in readings], dtype=np.int64)
    values = np.array([float(r.factor.apply(np.array([r.value]))[0]) for r in readings])
    origins: dict[str, ColumnOrigin] = {}
    for r in readings:
        origins.setdefault(r.column, ColumnOrigin(r.column.replace("@", " "), r.unit, r.factor.factor, r.instrument))
    start = ""
    timed = [r.time for r in readings if r.time]
    if timed:
        time_s, start = _times(readings, text.name)
        done = pivot(time_s, series, values, lines, list(range(len(names))))
        first_s, start = from_first(done.time_s, start)
        columns = {"time_s": first_s, **dict(zip(names, done.columns, strict=True))}
        origins = {"time_s": ColumnOrigin("time", "s" if not start else ""), **origins}
        return Table(raw, columns, done.lines, conditions, origins, (), start)
    columns = {}
    for k, name in enumerate(names):
        columns[name] = np.where(series == k, values, np.nan)
    return Table(raw, columns, lines, conditions, origins)


def _times(readings: list[_Reading], name: str) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], str]:
    """Seconds of each reading from the first row, and that row's date and time; or the numbers as written, and ""."""
    untimed = [r.line for r in readings if not r.time]
    if untimed:
        raise fail(
            name,
            untimed[0],
            "this reading has no time, others of the same instrument have one.",
            "Give all of them a time, or none.",
        )
    numbers = [one_number(r.time, Marks(".")) for r in readings]
    if all(number is not None for number in numbers):
        return np.array(numbers, dtype=np.float64), ""
    cells = pl.Series([r.time for r in readings], dtype=pl.String)
    lines = np.array([r.line for r in readings], dtype=np.int64)
    clock = times_of((cells,), lines, ShapeTime("date-time", ("time",)), Marks("."), "of the sheet")
    if isinstance(clock, CellFault):
        raise fail(name, clock.line, clock.problem, "Write seconds, or dates as 2026-10-03T10:22:00.")
    return clock.time_s, clock.start
