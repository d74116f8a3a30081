"""Rows of one reading each to rows of one time each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Pivot", "pivot"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pivot:
    """Times, a column for each series (NaN where it has no reading then), and the first line of each row."""

    time_s: FloatArray
    columns: tuple[FloatArray, ...]
    lines: IntArray


def pivot(time_s: FloatArray, series: IntArray, values: FloatArray, lines: IntArray, used: list[int]) -> Pivot:
    """One row for each time; a series that has a time k times makes k rows of it, in the file's order.

    Parameters
    ----------
    time_s, series, values, lines
        Of each reading, shape (n,).
    used
        Series that become columns, in this order; readings of others are left out.
    """
    chosen = np.isin(series, used)
    time_s, series, values, lines = time_s[chosen], series[chosen], values[chosen], lines[chosen]
    if len(time_s) == 0:
        empty = np.empty(0)
        return Pivot(empty, tuple(empty for _ in used), np.empty(0, dtype=np.int64))
    # number of each reading among those of its series with the same time
    order = np.lexsort((lines, series, time_s))
    new = np.ones(len(order), dtype=np.bool_)
    new[1:] = (np.diff(time_s[order]) != 0) | (np.diff(series[order]) != 0)
    begins = np.maximum.accumulate(np.where(new, np.arange(len(order)), 0))
    turn = np.empty(len(order), dtype=np.int64)
    turn[order] = np.arange(len(order)) - begins
    rank = np.lexsort((lines, turn, time_s))
    first = np.ones(len(rank), dtype=np.bool_)
    first[1:] = (np.diff(time_s[rank]) != 0) | (np.diff(turn[rank]) != 0)
    row = np.empty(len(rank), dtype=np.int64)
    row[rank] = np.cumsum(first) - 1
    count = int(first.sum())
    columns = []
    for k in used:
        column = np.full(count, np.nan)
        mine = series == k
        column[row[mine]] = values[mine]
        columns.append(column)
    return Pivot(time_s[rank[first]], tuple(columns), lines[rank[first]])
