"""Which columns tell the time, and how."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from brickbook.core.shape import ShapeTime
from brickbook.readers.numbers import Marks, one_number
from brickbook.readers.times import CLOCK, date_time_pattern
from brickbook.readers.units import UnitProblem, conversion, split_header
from brickbook.readers.words import meaning_of

__all__ = ["ColumnGuess", "TimeGuess", "guess_time"]

Confidence = Literal["sure", "likely", "unsure"]
Order = Literal["ymd", "dmy", "mdy"]
_ORDERS: tuple[Order, ...] = ("ymd", "dmy", "mdy")
_CLOCK = re.compile(CLOCK)
_TIME_OF_DAY = re.compile(r"\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?( ?[AaPp][Mm])?( ?(Z|[+-]\d\d:?\d\d))?")
_PATTERNS = {order: re.compile(date_time_pattern(order)) for order in _ORDERS}


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """What a header was taken for.

    Parameters
    ----------
    header
        As in the file.
    column
        Column of the table, "time_s" for the time, "" for nothing.
    unit
        As in the file.
    confidence
        "sure", "likely" or "unsure".
    reason
        Why, in words.
    channel
        Long files only: the word in the channel column.
    from_unit_row
        Whether the unit comes from a row that each file has anew.
    """

    header: str
    column: str
    unit: str
    confidence: Confidence
    reason: str
    channel: str = ""
    from_unit_row: bool = False


@dataclass(frozen=True, slots=True)
class TimeGuess:
    """Where the time comes from; `positions` are the columns it takes."""

    time: ShapeTime
    positions: tuple[int, ...]
    guesses: tuple[ColumnGuess, ...]


def guess_time(headers: list[str], units: list[str], columns: list[list[str]], marks: Marks) -> TimeGuess:
    """The time of a table: a date-time first, then epochs, clocks and elapsed times; else an interval of one second."""
    words = [meaning_of(split_header(header)[0]) for header in headers]
    for k, cells in enumerate(columns):
        found = _orders(cells)
        if found:
            return _date_time((k,), headers, cells, found)
    dates = [k for k, cells in enumerate(columns) if _date_orders(cells)]
    for k in dates:
        near = [m for m in (k + 1, k - 1) if 0 <= m < len(columns)]
        others = [m for m in range(len(columns)) if m not in near and m != k]
        for m in (*near, *others):
            if all(_TIME_OF_DAY.fullmatch(cell) for cell in columns[m]):
                joined = [f"{d} {t}" for d, t in zip(columns[k], columns[m], strict=True)]
                return _date_time((k, m), headers, joined, _orders(joined))
    named = [k for k, meaning in enumerate(words) if meaning.kind == "time"]
    for k in (*named, *range(len(headers))):
        if columns[k] and all(_CLOCK.match(cell) for cell in columns[k]):
            header = headers[k]
            reason = "hours, minutes and seconds"
            guess = ColumnGuess(header, "time_s", "hh:mm:ss", "sure" if k in named else "likely", reason)
            return TimeGuess(ShapeTime("clock", (header,)), (k,), (guess,))
    for k in named:
        numbers = [one_number(cell, marks) for cell in columns[k]]
        stated = split_header(headers[k])[1] or units[k]
        if any(number is None for number in numbers) or (stated and not _is_time_unit(stated)):
            continue
        return _number_time(k, headers, [x for x in numbers if x is not None], stated)
    note = "the file tells no time: rows are taken as 1 s apart; state the true interval"
    return TimeGuess(ShapeTime("interval", interval_s=1.0), (), (ColumnGuess("", "time_s", "s", "unsure", note),))


def _number_time(k: int, headers: list[str], numbers: list[float], stated: str) -> TimeGuess:
    header, first = headers[k], numbers[0]
    for unit, low, high in (("s", 1e9, 4e9), ("ms", 1e12, 4e12), ("us", 1e15, 4e15)):
        if low <= first <= high and (not stated or conversion(stated, "s") == conversion(unit, "s")):
            reason = f"{first:.0f} is a time in this century, counted from 1970 in {unit}"
            guess = ColumnGuess(header, "time_s", unit, "likely", reason)
            return TimeGuess(ShapeTime("epoch", (header,), unit=unit), (k,), (guess,))
    reason = f"header {header!r}" + ("" if stated else "; no unit, taken as seconds")
    guess = ColumnGuess(header, "time_s", stated or "s", "sure" if stated else "likely", reason)
    return TimeGuess(ShapeTime("elapsed", (header,), unit=stated or "s"), (k,), (guess,))


def _date_time(positions: tuple[int, ...], headers: list[str], cells: list[str], orders: list[Order]) -> TimeGuess:
    order = orders[0]
    zoned = bool(re.search(r"(Z|z|\d{2}:\d{2}.*[+-]\d{2}:?\d{2})$", cells[0]))
    reason = f"date and time, {'day first' if order == 'dmy' else 'month first' if order == 'mdy' else 'year first'}"
    confidence: Confidence = "sure"
    if len(orders) > 1:
        reason += f"; {' and '.join(orders)} both fit, make sure"
        confidence = "unsure"
    reason += "" if zoned else "; no zone"
    chosen = tuple(headers[k] for k in positions)
    guesses = tuple(ColumnGuess(header, "time_s", "", confidence, reason) for header in chosen)
    return TimeGuess(ShapeTime("date-time", chosen, order=order), positions, guesses)


def _orders(cells: list[str]) -> list[Order]:
    """Orders of day, month and year that fit all cells, the likelier first."""
    fitting: list[Order] = []
    for order in _ORDERS:
        found = [_PATTERNS[order].match(cell) for cell in cells]
        if cells and all(m is not None and int(m["month"]) <= 12 and int(m["day"]) <= 31 for m in found):
            fitting.append(order)
    if "dmy" in fitting and "." in cells[0].split()[0]:
        return ["dmy"]  # a date parted by dots has the day first wherever it is in use
    if "mdy" in fitting and "dmy" in fitting and ("/" in cells[0] and re.search(r"[AaPp][Mm]", cells[0])):
        fitting.sort(key=lambda order: order != "mdy")
    return fitting


def _date_orders(cells: list[str]) -> list[Order]:
    return _orders([f"{cell} 00:00" for cell in cells])


def _is_time_unit(text: str) -> bool:
    try:
        conversion(text, "s")
    except UnitProblem:
        return False
    return True
