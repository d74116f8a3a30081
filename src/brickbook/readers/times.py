"""Time columns to seconds since the first row, and the date and time of that row where the file tells it."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.core.shape import ShapeTime
from brickbook.readers.numbers import CellFault, Marks, NumberColumn, numbers_of
from brickbook.readers.units import UnitProblem, conversion

__all__ = ["CLOCK", "Clock", "backwards", "date_time_pattern", "from_first", "repeats", "times_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_DATE = {
    "ymd": r"(?P<year>[0-9]{4})[-/.](?P<month>[0-9]{1,2})[-/.](?P<day>[0-9]{1,2})",
    "dmy": r"(?P<day>[0-9]{1,2})[-/.](?P<month>[0-9]{1,2})[-/.](?P<year>[0-9]{4})",
    "mdy": r"(?P<month>[0-9]{1,2})[-/.](?P<day>[0-9]{1,2})[-/.](?P<year>[0-9]{4})",
}
_TIME = (
    r"(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,](?P<fraction>[0-9]{1,9}))?)?"
    r"(?: ?(?P<half>[AaPp])[Mm])? ?(?P<zone>Z|z|[+-][0-9]{2}:?[0-9]{2})?"
)
CLOCK = r"^(?P<hour>[0-9]{1,4}):(?P<minute>[0-5][0-9]):(?P<second>[0-5][0-9])(?:[.,](?P<fraction>[0-9]{1,9}))?$"
_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Clock:
    """Time of each row.

    Parameters
    ----------
    time_s
        Since the first row for absolute times, since the meter's own zero for others, shape (n,) [s].
    start
        First row's date and time, ISO 8601, else "".
    """

    time_s: FloatArray
    start: str = ""


def date_time_pattern(order: str) -> str:
    """Pattern of a date and time, in the notation polars reads."""
    return rf"^{_DATE[order]}(?:[T ] *|,  ?){_TIME}$"


def times_of(
    cells: tuple[pl.Series, ...], lines: IntArray, time: ShapeTime, marks: Marks, shape_id: str
) -> Clock | CellFault:
    """The clock of a table, from the text of its one or two time columns.

    Parameters
    ----------
    cells
        Text of the time columns, each of shape (n,); none for "interval".
    lines
        Line of each row, shape (n,).
    """
    if time.kind == "interval":
        assert time.interval_s is not None
        return Clock(np.arange(len(lines), dtype=np.float64) * time.interval_s)
    text = cells[0].fill_null("").str.strip_chars()
    if len(cells) == 2:
        text = text + " " + cells[1].fill_null("").str.strip_chars()
    if time.kind == "date-time":
        return _date_times(text, lines, time, shape_id)
    if time.kind == "clock":
        return _clock_times(text, lines, shape_id)
    return _numbers(text, lines, time, marks, shape_id)


def _numbers(text: pl.Series, lines: IntArray, time: ShapeTime, marks: Marks, shape_id: str) -> Clock | CellFault:
    found = numbers_of(text, lines, time.headers[0], marks, shape_id)
    if isinstance(found, CellFault):
        return found
    return clock_of_numbers(found, lines, time)


def clock_of_numbers(found: NumberColumn, lines: IntArray, time: ShapeTime) -> Clock | CellFault:
    """The clock of a numeric time column, "elapsed" or "epoch"."""
    if found.dropped:
        line = min(d.first_line for d in found.dropped)
        return CellFault(line, "there is no time in this row, so its readings belong nowhere.", "Check the line.")
    try:
        unit = conversion(time.unit, "s")
    except UnitProblem as problem:
        return CellFault(
            int(lines[0]) if len(lines) else 0, f"unit of the time: {problem}.", "Set time.unit in the shape."
        )
    if time.kind == "elapsed":
        return Clock(unit.apply(found.values))
    # A float holds today's epoch to a quarter of a microsecond; the difference is taken before the unit is applied.
    first = float(found.values[0])
    start = dt.datetime.fromtimestamp(0, dt.UTC) + dt.timedelta(seconds=first * unit.factor)
    return Clock(unit.apply(found.values - first), start.isoformat(timespec="microseconds"))


def _parts(text: pl.Series, pattern: str) -> tuple[pl.DataFrame, NDArray[np.bool_]]:
    """Named parts of each text as strings, and which texts fit the pattern."""
    good = text.str.contains(pattern).to_numpy()
    return text.str.extract_groups(pattern).struct.unnest(), good


def _whole(parts: pl.DataFrame, name: str) -> IntArray:
    return parts[name].cast(pl.Int64, strict=False).fill_null(0).to_numpy()


def _fraction_ns(parts: pl.DataFrame) -> IntArray:
    return parts["fraction"].fill_null("0").str.pad_end(9, "0").cast(pl.Int64).to_numpy()


def _date_times(text: pl.Series, lines: IntArray, time: ShapeTime, shape_id: str) -> Clock | CellFault:
    parts, good = _parts(text, date_time_pattern(time.order))
    year, month, day = (_whole(parts, name) for name in ("year", "month", "day"))
    hour, minute, second = (_whole(parts, name) for name in ("hour", "minute", "second"))
    half = parts["half"].fill_null("").str.to_lowercase()
    twelve = (half != "").to_numpy()
    good &= ~twelve | ((hour >= 1) & (hour <= 12))
    hour = np.where(twelve, hour % 12 + 12 * (half == "p").to_numpy(), hour)
    good &= (month >= 1) & (month <= 12) & (day >= 1) & (hour <= 23) & (minute <= 59) & (second <= 60)
    months = (np.where(good, year, 1970) - 1970) * 12 + np.where(good, month, 1) - 1
    first_days = months.astype("datetime64[M]")
    good &= day <= ((first_days + 1).astype("datetime64[D]") - first_days.astype("datetime64[D]")).astype(np.int64)
    if not good.all():
        first = int(np.argmin(good))
        form = {"ymd": "2026-10-03 10:22:00", "dmy": "03.10.2026 10:22:00", "mdy": "10/03/2026 10:22:00"}[time.order]
        return CellFault(
            int(lines[first]),
            f"cell {text[first]!r} is not a date and time like {form!r}.",
            f"If day, month and year come in another order, set time.order in shape {shape_id}.",
            int((~good).sum()) - 1,
        )
    days = first_days.astype("datetime64[D]").astype(np.int64) + day - 1
    zone = parts["zone"].fill_null(time.utc_offset)
    zoned = (zone != "").to_numpy()
    if zoned.any() and not zoned.all():
        first = int(np.argmin(zoned))
        return CellFault(
            int(lines[first]),
            f"cell {text[first]!r} states no zone, other rows do.",
            f'State it as time.utc_offset = "+02:00" in shape {shape_id}.',
            int((~zoned).sum()) - 1,
        )
    offsets = {z: _offset_s(z) for z in zone.unique().to_list()}
    offset = zone.replace_strict(offsets, return_dtype=pl.Int64).to_numpy()
    local = days * 86_400 + hour * 3600 + minute * 60 + second
    since = (local - offset) * _NS + _fraction_ns(parts)
    seconds = (since - since[0]) / _NS
    return Clock(seconds, _iso(int(local[0]), int(_fraction_ns(parts)[0]), str(zone[0])))


def _clock_times(text: pl.Series, lines: IntArray, shape_id: str) -> Clock | CellFault:
    parts, good = _parts(text, CLOCK)
    if not good.all():
        first = int(np.argmin(good))
        return CellFault(
            int(lines[first]),
            f"cell {text[first]!r} is not a time like '00:12:30.5' (hours, minutes, seconds).",
            f"If the column holds something else, correct time.kind in shape {shape_id}.",
            int((~good).sum()) - 1,
        )
    hour, minute, second = (_whole(parts, name) for name in ("hour", "minute", "second"))
    whole = (hour * 3600 + minute * 60 + second) * _NS + _fraction_ns(parts)
    return Clock(whole / _NS)


def _offset_s(zone: str) -> int:
    """Seconds east of UTC of a zone as written; 0 where none is known."""
    found = re.fullmatch(r"([+-])(\d\d):?(\d\d)", zone)
    if found is None:
        return 0
    size = int(found[2]) * 3600 + int(found[3]) * 60
    return -size if found[1] == "-" else size


def _iso(local_s: int, fraction_ns: int, zone: str) -> str:
    moment = dt.datetime(1970, 1, 1) + dt.timedelta(seconds=local_s)  # noqa: DTZ001 - the zone is written behind it
    fraction = f".{fraction_ns:09d}".rstrip("0") if fraction_ns else ""
    if zone in ("Z", "z"):
        zone = "+00:00"
    elif zone and ":" not in zone:
        zone = f"{zone[:3]}:{zone[3:]}"
    return f"{moment.isoformat()}{fraction}{zone}"


def from_first(time_s: FloatArray, start: str) -> tuple[FloatArray, str]:
    """Times of rows put in order, counted from the first of them, and its date and time; as they are without one."""
    if not start or len(time_s) == 0 or time_s[0] == 0.0:
        return time_s, start
    first = dt.datetime.fromisoformat(start) + dt.timedelta(seconds=float(time_s[0]))
    return time_s - time_s[0], first.isoformat()


def backwards(time_s: FloatArray) -> IntArray:
    """Rows whose time is before the row above, as indices."""
    return np.flatnonzero(np.diff(time_s) < 0) + 1


def repeats(time_s: FloatArray) -> IntArray:
    """Rows whose time equals that of the row above, as indices."""
    return np.flatnonzero(np.diff(time_s) == 0) + 1
