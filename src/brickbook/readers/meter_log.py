"""Meter logs to a `Table`, strictly by a confirmed shape."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, ReadError
from brickbook.core.quantities import QUANTITIES, channel_of, column_name, quantity_of
from brickbook.core.shape import Shape, ShapeColumn, normalise_header
from brickbook.core.table import ColumnOrigin, Dropped, RawFile, Table
from brickbook.readers.layout import Cells, Place, cells_of, find_table
from brickbook.readers.numbers import (
    CellFault,
    NumberColumn,
    marks_of,
    numbers_of,
    take_overflow,
)
from brickbook.readers.pivot import Pivot, pivot
from brickbook.readers.text import FileText, decode, fail
from brickbook.readers.times import Clock, backwards, clock_of_numbers, from_first, times_of
from brickbook.readers.units import Conversion, UnitProblem, conversion

__all__ = ["read_table"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_NUMERIC_TIMES = ("elapsed", "epoch")


@dataclass(frozen=True, slots=True)
class _Target:
    """A column of the file on its way to a column of the table."""

    name: str
    origin: ColumnOrigin
    conversion: Conversion


def read_table(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape,
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
) -> Table:
    """A meter log as a table in SI units.

    Missing readings ("", "-", "OL", 9.9E37 and the like) become NaN and are counted in `dropped`, one entry for each
    column and reason. A time that repeats is kept, in the file's order; a time that goes back is refused. In a long
    file, readings with the same time stand in one row, whose line is that of the first of them.

    Parameters
    ----------
    data
        The file's bytes.
    name
        Path for messages.
    raw
        For the table's provenance.
    shape
        How to read it.
    conditions
        What the index says; `port` names the channel of port quantities that have none.
    instruments
        Column ("port_voltage_v@C1") or quantity ("port_voltage_v") to the name in bench.toml; goes before the shape's.

    Raises
    ------
    ReadError
        Whenever a cell, row, header or unit is not what the shape says; names line, column, cell and remedy.
    """
    conditions = conditions if conditions is not None else Conditions()
    instruments = instruments if instruments is not None else {}
    unknown = sorted(key for key in instruments if quantity_of(key) not in QUANTITIES)
    if unknown:
        raise ReadError(
            Fault(name, "instruments", f"{unknown[0]!r} is not a quantity.", "Correct the key in raw/index.toml.")
        )
    text = decode(data, shape.encoding, name)
    place = find_table(text, shape)
    if place is None:
        sought = f"the header of shape {shape.id} ({_shown(shape.headers)}) is nowhere in the file."
        if not shape.header_row:
            sought = f"no line of the file is a row of readings as shape {shape.id} has them."
        raise fail(name, 0, sought, "Import the file with a new guess if the meter writes another form now.")
    reader = _Reader(name, text, place, shape, conditions, instruments)
    return reader.long(raw) if shape.layout == "long" else reader.wide(raw)


@dataclass(frozen=True, slots=True)
class _Reader:
    """What the two layouts share while one file is read."""

    name: str
    text: FileText
    place: Place
    shape: Shape
    conditions: Conditions
    instruments: Mapping[str, str]

    def wide(self, raw: RawFile) -> Table:
        used = [column for column in self.shape.columns if column.column]
        if not used:
            raise fail(self.name, 0, f"shape {self.shape.id} uses no column.", "Name at least one in shapes.toml.")
        positions = [self.position(column.header) for column in used]
        units = [self.unit_of(column, at) for column, at in zip(used, positions, strict=True)]
        targets = self.targets(used, units)
        cells, clock = self.cells_and_clock(dict.fromkeys(positions, True))
        self.refuse_backwards(clock, cells.lines)
        faults: list[Fault] = []
        columns: dict[str, FloatArray] = {"time_s": clock.time_s}
        dropped = list(cells.dropped)
        for target, at in zip(targets, positions, strict=True):
            found = self.numbers(cells, at, target.origin.header)
            if isinstance(found, CellFault):
                faults.append(found.fault(self.name, target.origin.header))
                continue
            columns[target.name] = target.conversion.apply(found.values)
            dropped += found.dropped
        if faults:
            raise ReadError(*sorted(faults, key=_line_of))
        origins = {"time_s": self.time_origin(), **{t.name: t.origin for t in targets}}
        return Table(raw, columns, cells.lines, self.conditions, origins, tuple(dropped), clock.start)

    def long(self, raw: RawFile) -> Table:
        shape = self.shape
        word_at, value_at = self.position(shape.quantity_header), self.position(shape.value_header)
        channel_at = self.position(shape.channel_header) if shape.channel_header else None
        unit_at = self.position(shape.unit_header) if shape.unit_header else None
        texts = [at for at in (word_at, channel_at, unit_at) if at is not None]
        cells, clock = self.cells_and_clock({**dict.fromkeys(texts, False), value_at: True})
        series = self.series(cells, word_at, channel_at)
        found = self.numbers(cells, value_at, shape.value_header)
        if isinstance(found, CellFault):
            raise ReadError(found.fault(self.name, shape.value_header))
        used = [k for k, column in enumerate(shape.columns) if column.column and bool((series == k).any())]
        if not used:
            raise fail(
                self.name,
                int(cells.lines[0]),
                f"none of the quantities shape {shape.id} uses is in the file.",
                "Import the file with a new guess.",
            )
        for k in used:
            mine = series == k
            self.refuse_backwards(Clock(clock.time_s[mine]), cells.lines[mine])
        values, targets = self.long_values(cells, series, used, unit_at, found)
        dropped = [*cells.dropped, *found.dropped]
        for k, column in enumerate(shape.columns):
            mine = series == k
            if not column.column and mine.any():
                words = f"{column.header} {column.channel}".strip()
                dropped.append(
                    Dropped(int(mine.sum()), f"{words}: not used by the shape", int(cells.lines[int(np.argmax(mine))]))
                )
        table: Pivot = pivot(clock.time_s, series, values, cells.lines, used)
        time_s, start = from_first(table.time_s, clock.start)
        columns = {"time_s": time_s}
        columns |= {target.name: column for target, column in zip(targets, table.columns, strict=True)}
        origins = {"time_s": self.time_origin(), **{t.name: t.origin for t in targets}}
        return Table(raw, columns, table.lines, self.conditions, origins, tuple(dropped), start)

    def cells_and_clock(self, wanted: dict[int, bool]) -> tuple[Cells, Clock]:
        """Cells of the wanted columns, and the clock from the time columns."""
        time = self.shape.time
        positions = [self.position(header) for header in time.headers]
        numeric = time.kind in _NUMERIC_TIMES
        cells = cells_of(self.text, self.shape, self.place, {**dict.fromkeys(positions, numeric), **wanted})
        if len(cells.lines) == 0:
            where = self.place.header or self.place.first
            raise fail(
                self.name,
                where,
                "there is no row of readings below the header.",
                "Check that the log was stopped and saved before it was copied.",
            )
        if numeric:
            found = self.numbers(cells, positions[0], time.headers[0])
            clock = found if isinstance(found, CellFault) else clock_of_numbers(found, cells.lines, time)
        else:
            texts = tuple(cells.columns[at] for at in positions)
            clock = times_of(texts, cells.lines, time, marks_of(self.shape), self.shape.id)
        if isinstance(clock, CellFault):
            header = " + ".join(time.headers)
            if self.repeats_header(clock.line):
                raise fail(
                    self.name,
                    clock.line,
                    "the header stands here again: the log was started anew.",
                    "Log each run to its own file.",
                )
            raise ReadError(clock.fault(self.name, header))
        return cells, clock

    def repeats_header(self, line: int) -> bool:
        """Whether a line is the header once more."""
        return self.place.header > 0 and self.text.line(line).strip() == self.text.line(self.place.header).strip()

    def numbers(self, cells: Cells, at: int, header: str) -> NumberColumn | CellFault:
        """Numbers of a column, whichever way it was read."""
        column = cells.columns[at]
        if column.dtype != pl.Float64:
            return numbers_of(column, cells.lines, header, marks_of(self.shape), self.shape.id)
        empty = column.is_null()
        dropped: list[Dropped] = []
        if bool(empty.any()):
            first = int(empty.arg_max() or 0)
            dropped.append(Dropped(int(empty.sum()), f"{header}: missing, written ''", int(cells.lines[first])))
        values = np.array(column.to_numpy(), dtype=np.float64)
        return NumberColumn(*take_overflow(values, cells.lines, header, dropped))

    def position(self, header: str) -> int:
        """Place of a header among the file's headers; a header that stands twice cannot be told apart."""
        wanted = normalise_header(header)
        found = [k for k, have in enumerate(self.place.headers) if normalise_header(have) == wanted]
        if len(found) != 1:
            raise fail(
                self.name,
                self.place.header,
                f"header {header!r} stands {len(found)} times, columns {', '.join(str(k + 1) for k in found)}.",
                "Give the channels of the meter names of their own, or leave this header unused in the shape.",
            )
        return found[0]

    def unit_of(self, column: ShapeColumn, at: int) -> str:
        """Unit of a wide column: the shape's word, else the unit row's."""
        if column.unit or not self.place.units:
            return column.unit
        return self.place.unit_texts[at] if at < len(self.place.unit_texts) else ""

    def targets(self, used: Iterable[ShapeColumn], units: Iterable[str]) -> list[_Target]:
        """Names, units and instruments of the table's columns; all faults at once."""
        faults: list[Fault] = []
        targets: list[_Target] = []
        for column, unit in zip(used, units, strict=True):
            try:
                targets.append(self.target(column, unit))
            except UnitProblem as problem:
                line = self.place.units or self.place.header
                place = f"line {line}, column {column.header!r}" if line else f"column {column.header!r}"
                remedy = f"Set the unit of the column in shape {self.shape.id}."
                faults.append(Fault(self.name, place, f"unit of {column.column}: {problem}.", remedy))
        if faults:
            raise ReadError(*faults)
        names = [target.name for target in targets]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise fail(
                self.name,
                self.place.header,
                f"two columns would be {twice[0]}.",
                f"Name the port of each in shape {self.shape.id} (port_voltage_v@C1).",
            )
        return targets

    def target(self, column: ShapeColumn, unit: str) -> _Target:
        quantity = QUANTITIES[quantity_of(column.column)]
        channel = channel_of(column.column)
        if quantity.channel == "port" and not channel:
            port = self.conditions.get("port")
            if not isinstance(port, str):
                raise fail(
                    self.name,
                    self.place.header,
                    f"column {column.header!r} is a port's, but neither the shape nor the conditions say which port.",
                    'Add port = "C1" to the conditions of the file.',
                )
            channel = port
        name = column_name(quantity.name, channel)
        factor = conversion(unit, quantity.unit)
        instrument = self.instruments.get(name) or self.instruments.get(quantity.name) or column.instrument
        return _Target(
            name,
            ColumnOrigin(_words(column), unit, factor.factor, instrument or self.shape.instrument),
            factor,
        )

    def time_origin(self) -> ColumnOrigin:
        time = self.shape.time
        header = " + ".join(time.headers)
        if time.kind in _NUMERIC_TIMES:
            return ColumnOrigin(header, time.unit, conversion(time.unit, "s").factor)
        return ColumnOrigin(header or f"row number x {time.interval_s:g} s", "")

    def refuse_backwards(self, clock: Clock, lines: IntArray) -> None:
        """Raise when the time of a row is before that of the row above."""
        back = backwards(clock.time_s)
        if len(back) == 0:
            return
        at = int(back[0])
        more = f", the first of {len(back)} places" if len(back) > 1 else ""
        raise fail(
            self.name,
            int(lines[at]),
            f"time goes back by {clock.time_s[at - 1] - clock.time_s[at]:.6g} s against the reading before{more}.",
            "Its clock was set, passed midnight or the log was started anew: log each run to its own file.",
        )

    def series(self, cells: Cells, word_at: int, channel_at: int | None) -> IntArray:
        """Index into `shape.columns` of each row of a long file."""
        words = cells.columns[word_at].fill_null("")
        channels = cells.columns[channel_at].fill_null("") if channel_at is not None else pl.Series([""] * len(words))
        known = {(normalise_header(c.header), normalise_header(c.channel)): k for k, c in enumerate(self.shape.columns)}
        frame = pl.DataFrame({"word": words, "channel": channels})
        pairs = frame.unique(maintain_order=True)
        index: dict[tuple[str, str], int] = {}
        for word, channel in pairs.iter_rows():
            at = known.get((normalise_header(word), normalise_header(channel)))
            if at is None:
                mask = (frame["word"] == word) & (frame["channel"] == channel)
                first = int(mask.arg_max() or 0)
                shown = f"{word!r}, channel {channel!r}" if channel else repr(word)
                raise fail(
                    self.name,
                    int(cells.lines[first]),
                    f"shape {self.shape.id} does not know the quantity {shown} ({int(mask.sum())} rows).",
                    'Add it to the shape, with column = "" if it is not to be used.',
                )
            index[word, channel] = at
        keyed = pairs.with_columns(pl.Series("k", [index[pair] for pair in pairs.iter_rows()], dtype=pl.Int64))
        joined = frame.join(keyed, on=["word", "channel"], how="left", maintain_order="left")
        return joined["k"].to_numpy()

    def long_values(
        self, cells: Cells, series: IntArray, used: list[int], unit_at: int | None, found: NumberColumn
    ) -> tuple[FloatArray, list[_Target]]:
        """Values in SI units, each by the unit of its own row, and the columns they go to."""
        values = found.values.copy()
        if unit_at is None:
            targets = self.targets([self.shape.columns[k] for k in used], [self.shape.columns[k].unit for k in used])
            for k, target in zip(used, targets, strict=True):
                values[series == k] = target.conversion.apply(values[series == k])
            return values, targets
        texts = cells.columns[unit_at].fill_null("").str.strip_chars()
        targets = []
        for k in used:
            column = self.shape.columns[k]
            mine = series == k
            units = texts.filter(pl.Series(mine)).unique(maintain_order=True).to_list()
            for unit in units:
                rows = mine & (texts == unit).to_numpy()
                stated = column.unit or unit.strip("[]()")
                try:
                    target = self.target(column, stated)
                except UnitProblem as problem:
                    line = int(cells.lines[int(np.argmax(rows))])
                    place = f"line {line}, column {self.shape.unit_header!r}"
                    remedy = f"Set the unit of {column.header!r} in shape {self.shape.id}."
                    raise ReadError(
                        Fault(self.name, place, f"unit of {column.column}: {problem}.", remedy)
                    ) from problem
                values[rows] = target.conversion.apply(values[rows])
                if unit == units[0]:
                    targets.append(target)
        names = [target.name for target in targets]
        if len(set(names)) != len(names):
            self.targets([self.shape.columns[k] for k in used], [t.origin.unit for t in targets])
        return values, targets


def _words(column: ShapeColumn) -> str:
    return f"{column.header} {column.channel}".strip()


def _shown(headers: tuple[str, ...]) -> str:
    some = ", ".join(repr(header) for header in headers[:4])
    return some + (f" and {len(headers) - 4} more" if len(headers) > 4 else "")


def _line_of(fault: Fault) -> int:
    digits = fault.place.removeprefix("line ").partition(",")[0]
    return int(digits) if digits.isdigit() else 0
