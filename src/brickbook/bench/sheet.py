"""The log of a task under way: each row is on the disk before the next reading is asked for."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from brickbook.bench.journal import append_line, sync_folder
from brickbook.core.quantities import QUANTITIES, quantity_of
from brickbook.core.shape import Shape, ShapeColumn, ShapeTime, fingerprint

__all__ = ["Sheet", "keep", "put_aside", "sheet_shape"]


class Sheet:
    """A comma-separated log with the header "time_s,mains_power_w,port_voltage_v@C1".

    Parameters
    ----------
    path
        Of the file; it is made.
    columns
        In order, without the time.
    """

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self.path, self.columns = path, tuple(columns)
        self.count = 0
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o666)
        append_line(self._file, ",".join(("time_s", *self.columns)), path.name)
        sync_folder(path.parent)

    def append(self, time_s: float, values: Mapping[str, float | None]) -> None:
        """Add a row; a reading that is not there stays empty."""
        cells = [f"{time_s:.3f}"]
        for column in self.columns:
            value = values.get(column)
            cells.append("" if value is None else repr(float(value)))
        append_line(self._file, ",".join(cells), self.path.name)
        self.count += 1

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._file)


def sheet_shape(columns: Sequence[str]) -> Shape:
    """How a log with these columns is read: nothing has to be guessed."""
    headers = ("time_s", *columns)
    used = tuple(ShapeColumn(c, c, QUANTITIES[quantity_of(c)].unit) for c in columns)
    time = ShapeTime("elapsed", ("time_s",), "s")
    return Shape(fingerprint(",", headers), ",", headers, used, time, note="log of brickbook run")


def keep(path: Path, data: bytes) -> None:
    """Write a new file; when this returns it is on the disk."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        while data:
            data = data[os.write(descriptor, data) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    sync_folder(path.parent)


def put_aside(path: Path) -> Path | None:
    """Give a file that an earlier attempt left the name of a part, so that attempts never mix; its new path."""
    if not path.exists():
        return None
    number = 1
    while (part := path.with_name(f"{path.stem}.part-{number}{path.suffix}")).exists():
        number += 1
    path.rename(part)
    sync_folder(path.parent)
    return part
