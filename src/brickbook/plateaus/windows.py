"""Means and proofs over windows of time: nothing is resampled, each table keeps its own rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from brickbook.core.errors import AnalysisError, Fault
from brickbook.core.statistics import Mean, autocorrelated_mean
from brickbook.core.table import Rows, Table

__all__ = ["mean_over", "missing_over", "readings_over", "rows_over"]

FloatArray = NDArray[np.float64]


def readings_over(table: Table, column: str, from_s: float, to_s: float) -> tuple[FloatArray, FloatArray]:
    """Times [s] and readings of a column from `from_s` to `to_s`, both ends included, missing ones left out.

    Raises
    ------
    AnalysisError
        When the table has no times or not that column.
    """
    mask = _window(table, from_s, to_s)
    if column not in table.columns:
        known = ", ".join(sorted(table.columns))
        raise AnalysisError(Fault(table.raw.path, column, f"there is no such column (columns: {known})."))
    readings = table.columns[column][mask]
    good = np.isfinite(readings)
    return table.columns["time_s"][mask][good], readings[good]


def mean_over(table: Table, column: str, from_s: float, to_s: float) -> Mean:
    """Mean of a column over a window of time, with the type A uncertainty of an autocorrelated series.

    Every reading counts the same, also where the sampling is uneven; `core.statistics.autocorrelated_mean` says how the
    uncertainty is found. Missing readings are left out: `missing_over` counts them.

    Parameters
    ----------
    table
        One raw file read.
    column
        Name of a column.
    from_s, to_s
        Ends of the window, both included [s].

    Raises
    ------
    AnalysisError
        When the table has no times or not that column, or fewer than two readings in the window.
    """
    _, readings = readings_over(table, column, from_s, to_s)
    if len(readings) < 2:
        raise AnalysisError(
            Fault(
                table.raw.path,
                column,
                f"a mean with uncertainty needs at least two readings, there are {len(readings)} from {from_s:g} s "
                f"to {to_s:g} s.",
                "Log faster or hold the load longer.",
            )
        )
    return autocorrelated_mean(readings)


def missing_over(table: Table, column: str, from_s: float, to_s: float) -> int:
    """Rows of a window that have no reading in the column.

    Raises
    ------
    AnalysisError
        When the table has no times or not that column.
    """
    times, _ = readings_over(table, column, from_s, to_s)
    return int(_window(table, from_s, to_s).sum()) - len(times)


def rows_over(table: Table, from_s: float, to_s: float, *columns: str) -> Rows:
    """The proof of a window: its first and last line in the file, and the headers of the columns.

    Raises
    ------
    AnalysisError
        When the table has no times.
    """
    return table.rows(_window(table, from_s, to_s), *columns)


def _window(table: Table, from_s: float, to_s: float) -> NDArray[np.bool_]:
    if not table.has("time_s"):
        raise AnalysisError(Fault(table.raw.path, "time_s", "the file has no times, so no window can be cut from it."))
    time = table.columns["time_s"]
    return (time >= from_s) & (time <= to_s)
