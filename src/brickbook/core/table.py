"""Readings on their way in: a `Table` is one raw file read, a `Recording` is tables on one clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Conditions
from brickbook.core.observation import Observation
from brickbook.core.quantities import channel_of, quantity_of

if TYPE_CHECKING:
    from brickbook.core.capture import Capture

__all__ = ["ColumnOrigin", "Dropped", "RawFile", "Recording", "Rows", "Table"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RawFile:
    """A raw file as the index knows it: its path inside the charger's raw/ folder, and its SHA-256."""

    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Rows:
    """A stretch of one raw file: the proof behind a figure.

    Parameters
    ----------
    file
        The raw file.
    first, last
        Line numbers in the file as a text editor shows them, inclusive; 0, 0 for the whole file.
    columns
        Headers as they stand in the file.
    """

    file: RawFile
    first: int = 0
    last: int = 0
    columns: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ColumnOrigin:
    """Where a column came from: header and unit in the file, factor to SI, instrument's name in bench.toml."""

    header: str
    unit: str
    factor: float = 1.0
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Dropped:
    """Readings that were in the file and are not in the table, counted."""

    count: int
    reason: str
    first_line: int


@dataclass(frozen=True, slots=True)
class Table:
    """One raw file read.

    Parameters
    ----------
    raw
        The file it came from.
    columns
        Column name to float64 array, all of one length, in SI units; a missing reading is NaN.
    lines
        Line number in the file of each row, shape (n,).
    conditions
        What the index says about the file.
    origins
        Column name to its origin.
    dropped
        What was left out, counted.
    start
        Date and time of the first row where the file tells it, ISO 8601, else empty.
    observations
        Rows that are no numbers: what ports offered, for a file of observations.
    messages
        Rows that are USB PD messages, in the form of the room that decodes them, one for each row of `time_s`. `time_s`
        is the recording's clock; times inside are the file's own.
    """

    raw: RawFile
    columns: Mapping[str, FloatArray]
    lines: NDArray[np.int64]
    conditions: Conditions = field(default_factory=Conditions)
    origins: Mapping[str, ColumnOrigin] = field(default_factory=dict)
    dropped: tuple[Dropped, ...] = ()
    start: str = ""
    observations: tuple[Observation, ...] = ()
    messages: object | None = None

    def __len__(self) -> int:
        return len(self.lines)

    def has(self, column: str) -> bool:
        """Whether a column is there with at least one reading."""
        return column in self.columns and bool(np.isfinite(self.columns[column]).any())

    def channels(self, quantity: str) -> tuple[str, ...]:
        """Channels of a quantity, in the file's order."""
        return tuple(channel_of(name) for name in self.columns if quantity_of(name) == quantity)

    def rows(self, mask: NDArray[np.bool_] | slice, *columns: str) -> Rows:
        """The proof for some rows and columns of this table."""
        lines = self.lines[mask]
        headers = tuple(self.origins[c].header for c in columns if c in self.origins)
        if len(lines) == 0:
            return Rows(self.raw, 0, 0, headers)
        return Rows(self.raw, int(lines.min()), int(lines.max()), headers)


@dataclass(frozen=True, slots=True)
class Recording:
    """Tables taken together, their `time_s` on one clock, and fast captures, each on its own; one file is a recording.

    Nothing is resampled: each meter keeps its own rows, and means are taken over time windows.
    """

    name: str
    studies: tuple[str, ...]
    tables: tuple[Table, ...]
    conditions: Conditions
    notes: tuple[str, ...] = ()
    ranges: Mapping[str, float] = field(default_factory=dict)
    captures: tuple[Capture, ...] = ()

    def find(self, column: str) -> Table | None:
        """The first table that has the column, or `None`."""
        return next((table for table in self.tables if table.has(column)), None)

    def channels(self, quantity: str) -> tuple[str, ...]:
        """All channels of a quantity over the tables, sorted."""
        return tuple(sorted({c for table in self.tables for c in table.channels(quantity)}))
