"""Rows and lines: the fast way must see every row that is too short or too long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.core.errors import ReadError
from brickbook.core.shape import Shape, ShapeColumn, ShapeTime
from brickbook.core.table import RawFile
from brickbook.readers import read_table

SHAPE = Shape("m1", ",", ("t", "P", "Q"), (ShapeColumn("P", "mains_power_w", "W"),), ShapeTime("elapsed", ("t",)))


def read(data, shape=SHAPE):
    return read_table(data, name="x", raw=RawFile("x", "0"), shape=shape)


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 400), st.data())
def test_a_short_and_a_long_row_do_not_make_up_for_each_other(count, data):
    """The number of delimiters is right in total, but two rows are wrong: the first of them is named."""
    rows = [f"{k},{k},1" for k in range(count)]
    short, long = data.draw(st.permutations(range(count)))[:2]
    rows[short], rows[long] = f"{short},1", f"{long},1,1,1"
    with pytest.raises(ReadError) as caught:
        read(("t,P,Q\n" + "\n".join(rows) + "\n").encode())
    assert caught.value.faults[0].place == f"line {min(short, long) + 2}"


@pytest.mark.parametrize("at", [0, 1, 150_000, 299_998])
def test_in_a_large_file_too(at):
    """Large enough for polars to cut it into parts for its threads."""
    rows = [f"{k},{k},1" for k in range(300_000)]
    rows[at], rows[at + 1] = f"{at},1", f"{at + 1},1,1,1"
    with pytest.raises(ReadError) as caught:
        read(("t,P,Q\n" + "\n".join(rows)).encode())
    assert caught.value.faults[0].place == f"line {at + 2}"


def test_every_row_with_one_field_too_many():
    with pytest.raises(ReadError) as caught:
        read(b"t,P,Q\n0,1,2,3\n1,2,3,4\n")
    assert caught.value.faults[0].place == "line 2"
    assert caught.value.faults[0].problem == "4 fields, but the header has 3."
    assert len(read(b"t,P,Q\n0,1,2,\n1,2,3,\n")) == 2


def test_instruments_of_column_quantity_and_shape():
    shape = Shape(
        "m1",
        ",",
        ("t", "U1", "U2", "U3", "P", "Q"),
        (
            ShapeColumn("U1", "port_voltage_v@C1", "V"),
            ShapeColumn("U2", "port_voltage_v@C2", "V"),
            ShapeColumn("P", "mains_power_w", "W", "of the column"),
            ShapeColumn("Q", "mains_pf"),
        ),
        ShapeTime("elapsed", ("t",)),
        instrument="of the shape",
    )
    named = {"port_voltage_v": "by quantity", "port_voltage_v@C2": "by column"}
    table = read_table(
        b"t,U1,U2,U3,P,Q\n0,1,2,3,4,5\n", name="x", raw=RawFile("x", "0"), shape=shape, instruments=named
    )
    assert {name: origin.instrument for name, origin in table.origins.items()} == {
        "time_s": "",
        "port_voltage_v@C1": "by quantity",
        "port_voltage_v@C2": "by column",
        "mains_power_w": "of the column",
        "mains_pf": "of the shape",
    }


def test_a_long_file_counts_from_its_earliest_reading():
    shape = Shape(
        "m2",
        ",",
        ("t", "what", "value"),
        (ShapeColumn("P", "mains_power_w", "W"), ShapeColumn("V", "mains_voltage_v", "V")),
        ShapeTime("date-time", ("t",)),
        layout="long",
        quantity_header="what",
        value_header="value",
    )
    table = read(b"t,what,value\n2026-10-03T10:22:05,P,1\n2026-10-03T10:22:03.5,V,230\n", shape)
    assert table.columns["time_s"].tolist() == [0, 1.5]
    assert table.start == "2026-10-03T10:22:03.500000"
    assert table.lines.tolist() == [3, 2]


def test_fast_and_slow_ways_agree():
    rng = np.random.default_rng(1)
    rows = [f"{k},{value!r},{k}" for k, value in enumerate(rng.normal(0, 1e3, 2000).tolist())]
    plain = read(("t,P,Q\n" + "\n".join(rows)).encode())
    rows[-1] = ",".join(f'"{cell}"' for cell in rows[-1].split(","))
    quoted = read(("t,P,Q\n" + "\n".join(rows)).encode())
    assert plain.columns["mains_power_w"].tobytes() == quoted.columns["mains_power_w"].tobytes()
    assert plain.lines.tolist() == quoted.lines.tolist()


def test_lines_below_blank_and_comment_lines():
    shape = Shape(
        "m1", ",", ("t", "P"), (ShapeColumn("P", "mains_power_w", "W"),), ShapeTime("elapsed", ("t",)), comment="//"
    )
    table = read(b"\n\nt,P\n\n0,1\n// one\n1,2\n,\n  \n2,3\n\n\n", shape)
    assert table.lines.tolist() == [5, 7, 10]
    assert [(d.count, d.first_line) for d in table.dropped] == [(1, 6)]


def test_without_a_header_missing_readings_at_the_top_are_no_preamble():
    shape = Shape(
        "m1",
        ",",
        ("column 1", "column 2", "column 3"),
        (ShapeColumn("column 2", "mains_power_w", "W"),),
        ShapeTime("elapsed", ("column 1",)),
        header_row=False,
    )
    table = read(b"serial,7\nmeter,is,on\n0,OL,a\n1,,b\n2,5,c\n", shape)
    assert table.lines.tolist() == [3, 4, 5]
    assert [(d.count, d.first_line) for d in table.dropped] == [(1, 3), (1, 4)]
    dated = replace(shape, time=ShapeTime("date-time", ("column 1",)))
    assert read(b"on,1,2\n2026-10-03 10:22,5,x\n", dated).lines.tolist() == [2]
    with pytest.raises(ReadError, match="no line of the file is a row of readings as shape m1 has them"):
        read(b"on,1,2\n", shape)


def test_a_quoted_header_and_a_header_with_more_columns_than_are_used():
    shape = Shape(
        "m1", ",", ("t", "P, in", "Q"), (ShapeColumn("P, in", "mains_power_w", "W"),), ShapeTime("elapsed", ("t",))
    )
    table = read(b't,"P, in",Q\n0,1,words\n1,2,more\n', shape)
    assert table.columns["mains_power_w"].tolist() == [1, 2]
    assert table.origins["mains_power_w"].header == "P, in"
