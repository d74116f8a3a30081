"""Clocks, against Python's datetime (ISO 8601 as in RFC 3339) and hand-made tables."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.core.shape import ShapeTime
from brickbook.readers.numbers import CellFault, Marks
from brickbook.readers.times import times_of


def clock(*cells: str, **time):
    lines = np.arange(1, len(cells) + 1)
    return times_of((pl.Series(cells),), lines, ShapeTime(headers=("t",), **time), Marks(), "m1")


FROM, TO = dt.datetime(1970, 1, 1), dt.datetime(2100, 1, 1)  # noqa: DTZ001 - hypothesis adds the zones
zones = st.integers(-14 * 60, 14 * 60).map(lambda m: dt.timezone(dt.timedelta(minutes=m)))


@settings(deadline=None)
@given(st.lists(st.datetimes(FROM, TO, timezones=zones), min_size=1, max_size=9))
def test_zoned_times_are_those_of_datetime(moments):
    found = clock(*(m.isoformat() for m in moments), kind="date-time")
    assert not isinstance(found, CellFault)
    expected = [(m - moments[0]) / dt.timedelta(microseconds=1) / 1e6 for m in moments]
    np.testing.assert_allclose(found.time_s, expected, rtol=1e-15, atol=1e-9)
    assert dt.datetime.fromisoformat(found.start) == moments[0]
    assert dt.datetime.fromisoformat(found.start).utcoffset() == moments[0].utcoffset()


@pytest.mark.parametrize(
    ("cell", "start"),
    [
        # RFC 3339 section 5.8
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-19T16:39:57-08:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T12:00:27.87+00:20"),
        ("2026-10-03 10:22", "2026-10-03T10:22:00"),
        ("2026/10/03 10:22:00,5", "2026-10-03T10:22:00.5"),
        ("2026-10-03, 10:22:00", "2026-10-03T10:22:00"),
        ("2026-10-03T10:22:00+0200", "2026-10-03T10:22:00+02:00"),
        ("2024-02-29T00:00:00", "2024-02-29T00:00:00"),
    ],
)
def test_written_forms(cell, start):
    found = clock(cell, kind="date-time")
    assert not isinstance(found, CellFault)
    assert found.start == start


@pytest.mark.parametrize(
    ("order", "cell", "start"),
    [
        ("dmy", "03.10.2026 10:22:00", "2026-10-03T10:22:00"),
        ("dmy", "3/10/2026 10:22:00", "2026-10-03T10:22:00"),
        ("mdy", "10/3/2026 12:00:00 AM", "2026-10-03T00:00:00"),
        ("mdy", "10/3/2026 12:00:00 pm", "2026-10-03T12:00:00"),
        ("mdy", "10/3/2026 1:05:00 PM", "2026-10-03T13:05:00"),
    ],
)
def test_orders(order, cell, start):
    found = clock(cell, kind="date-time", order=order)
    assert not isinstance(found, CellFault)
    assert found.start == start


@pytest.mark.parametrize(
    "cell",
    [
        "2026-02-30 00:00:00",
        "2023-02-29 00:00:00",
        "2026-04-31 00:00",
        "2026-10-03 24:00:00",
        "2026-10-03 10:60:00",
        "2026-00-03 10:22:00",
        "2026-10-00 10:22:00",
        "2026-10-03",
        "10:22:00",
        "",
        "2026-10-03 13:00:00 PM",
        "2026-10-03 10:22:00 CET",
        "26-10-03 10:22:00",
        "2026-10-03T10:22:00.1234567890",
    ],
)
def test_what_is_no_date_and_time(cell):
    assert isinstance(clock("2026-10-03 10:22:00", cell, kind="date-time"), CellFault)


def test_a_stated_zone_stands_in_for_a_missing_one():
    found = clock("2026-10-03 10:22:00", kind="date-time", utc_offset="+02:00")
    assert not isinstance(found, CellFault)
    assert found.start == "2026-10-03T10:22:00+02:00"


def test_nanoseconds_survive():
    found = clock("2026-10-03T10:22:00.000000001", "2026-10-03T10:22:00.000000003", kind="date-time")
    assert not isinstance(found, CellFault)
    assert found.time_s.tolist() == [0.0, 2e-9]


@pytest.mark.parametrize(("unit", "seconds"), [("ms", 1.5), ("s", 1500), ("min", 90000), ("h", 5_400_000)])
def test_elapsed_units(unit, seconds):
    found = clock("0", "1500", kind="elapsed", unit=unit)
    assert not isinstance(found, CellFault)
    assert found.time_s.tolist() == [0, seconds]
    assert found.start == ""


def test_epoch_of_the_year_2001():
    """One thousand million seconds after 1970-01-01 UTC it was 2001-09-09 01:46:40 (POSIX.1 4.19, seconds since the epoch)."""
    found = clock("1000000000", "1000000002.5", kind="epoch")
    assert not isinstance(found, CellFault)
    assert found.start == "2001-09-09T01:46:40.000000+00:00"
    assert found.time_s.tolist() == [0, 2.5]
